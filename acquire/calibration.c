#include "acquire/calibration.h"

#include <math.h>

void calibration_none(struct calibration *calibration)
{
    *calibration =
        (struct calibration){.scale = 1.0, .unit_factor = 1.0, .shunt = NAN, .gain = 1.0};
}

double calibration_value(const struct calibration *c, double n)
{
    double q = (n * c->scale + c->offset) * c->unit_factor + c->unit_offset;

    if (!isnan(c->shunt))
        q /= c->shunt;
    return (q - c->lead_null) * c->gain + c->zero;
}

enum status_code calibration_two_points(double shown1, double true1, double shown2, double true2,
                                        double *gain, double *zero, struct status *st)
{
    double g = (true2 - true1) / (shown2 - shown1);

    if (!isfinite(g) || g == 0.0)
        return status_fail(st, STATUS_INPUT,
                           "the two calibration points (%g is %g, %g is %g) give no line: both the "
                           "shown and the true values must differ",
                           shown1, true1, shown2, true2);
    *gain = g;
    *zero = true1 - g * shown1;
    return status_ok(st);
}

void calibration_compose(const struct calibration *c, struct store_calibration *out)
{
    bool shunted = !isnan(c->shunt);

    *out = (struct store_calibration){
        .gain = c->scale * c->unit_factor * c->gain,
        .offset = (c->offset * c->unit_factor + c->unit_offset) * c->gain +
                  c->zero * (shunted ? c->shunt : 1.0),
        .shunt = c->shunt,
        .shunt_tolerance = shunted ? c->shunt_tolerance : (double)NAN,
        .lead_null = c->lead_null == 0.0 ? (double)NAN : c->lead_null * c->gain,
        .n_accuracy = c->ranges,
    };
    for (size_t i = 0; i < c->ranges; ++i) {
        const struct calibration_accuracy *a = &c->accuracy[i];
        double scale = fabs(c->scale);

        out->accuracy[i] = (struct store_accuracy){
            .range = isfinite(a->up_to) ? a->up_to / scale : (double)NAN,
            .fraction = a->percent / 100.0 + sqrt(3.0) * c->gain_uncertainty,
            .absolute = a->digits > 0.0 ? a->digits * a->digit / scale : 0.0,
        };
    }
}

/* Equal, unknown counting as equal to unknown. */
static bool same(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

bool calibration_same(const struct store_calibration *a, const struct store_calibration *b)
{
    if (!same(a->gain, b->gain) || !same(a->offset, b->offset) || !same(a->shunt, b->shunt) ||
        !same(a->shunt_tolerance, b->shunt_tolerance) || !same(a->lead_null, b->lead_null) ||
        a->n_accuracy != b->n_accuracy)
        return false;
    for (size_t i = 0; i < a->n_accuracy; ++i)
        if (!same(a->accuracy[i].range, b->accuracy[i].range) ||
            !same(a->accuracy[i].fraction, b->accuracy[i].fraction) ||
            !same(a->accuracy[i].absolute, b->accuracy[i].absolute))
            return false;
    return true;
}
