#include "analyze/model/amount.h"

#include <math.h>

struct amount amount_none(void)
{
    return (struct amount){NAN, 0.0};
}

struct amount amount_of(double value, double u)
{
    return (struct amount){value, u};
}

struct amount amount_within(double value, double half_width)
{
    return (struct amount){value, half_width / sqrt(3.0)};
}

bool amount_given(struct amount a)
{
    return !isnan(a.value);
}

struct amount amount_or(struct amount a, struct amount fallback)
{
    return amount_given(a) ? a : fallback;
}

enum status_code amount_check_value(double value, const char *what, const char *unit, double low,
                                    double high, struct status *st)
{
    const char *space = unit[0] ? " " : "";

    if (!isfinite(value))
        return status_fail(st, STATUS_INPUT, "%s is %g; it must be a number from %g to %g%s%s",
                           what, value, low, high, space, unit);
    if (value < low || value > high)
        return status_fail(st, STATUS_INPUT, "%s is %.6g%s%s; it must be from %g to %g%s%s", what,
                           value, space, unit, low, high, space, unit);
    return status_ok(st);
}

enum status_code amount_check(struct amount a, const char *what, const char *unit, double low,
                              double high, struct status *st)
{
    if (!amount_given(a))
        return status_ok(st);
    if (amount_check_value(a.value, what, unit, low, high, st))
        return st ? st->code : STATUS_INPUT;
    if (!isfinite(a.u) || a.u < 0.0)
        return status_fail(
            st, STATUS_INPUT,
            "the standard uncertainty of %s is %g; it must be 0 or a positive number", what, a.u);
    return status_ok(st);
}
