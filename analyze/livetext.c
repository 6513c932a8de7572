#include "analyze/livetext.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *livetext_make(char buf[UNITS_FORMAT_SIZE], double value, double digit,
                          const struct quantity *quantity)
{
    char text[UNITS_FORMAT_SIZE];
    char *end;
    char *unit;
    size_t head;

    if (!(digit > 0.0) || !isfinite(value) || !quantity)
        return units_format(buf, UNITS_FORMAT_SIZE, value, NAN, quantity);
    /* Two figures of ten steps end at the step itself; what stands behind the ± is then left out.
     */
    units_format(text, sizeof text, value, 10.0 * digit, quantity);
    end = strstr(text, " ± ");
    unit = end ? strchr(end + strlen(" ± "), ' ') : NULL;
    if (!end || strchr(text, 'e'))
        return units_format(buf, UNITS_FORMAT_SIZE, value, NAN, quantity);
    head = *text == '(' ? 1 : 0;
    *end = '\0';
    snprintf(buf, UNITS_FORMAT_SIZE, "%s%s", text + head, unit ? unit : "");
    return buf;
}

double livetext_u(const struct store_calibration *calibration, const struct store_reading *reading,
                  double digit)
{
    double half = calibration ? store_bench_half_width(calibration, reading->raw) : NAN;

    double u = hypot(half / sqrt(3.0), digit > 0.0 ? digit / sqrt(12.0) : 0.0);

    /* a share of the reading says nothing of a reading of 0 */
    return isfinite(u) && u > 0.0 && isfinite(reading->value) ? u : NAN;
}

double livetext_u_of(struct store *store, const struct store_reading *reading, double digit)
{
    struct store_calibration calibration;
    struct status st;

    if (!reading->calibration ||
        store_bench_calibration_by_id(store, reading->calibration, &calibration, &st) != STATUS_OK)
        return NAN;
    return livetext_u(&calibration, reading, digit);
}

const char *livetext_sure(char buf[UNITS_FORMAT_SIZE], double value, double u,
                          const struct quantity *quantity)
{
    char text[UNITS_FORMAT_SIZE];
    const char *behind;

    snprintf(buf, UNITS_FORMAT_SIZE, "accuracy not stated");
    if (!(u > 0.0) || !isfinite(value))
        return buf;
    units_format(text, sizeof text, value, u, quantity);
    behind = strstr(text, "± ");
    if (behind && !strchr(text, '('))
        snprintf(buf, UNITS_FORMAT_SIZE, "%s", behind);
    else
        snprintf(buf, UNITS_FORMAT_SIZE, "± %.2g", u);
    return buf;
}
