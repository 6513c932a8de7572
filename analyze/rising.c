#include "analyze/rising.h"

#include <math.h>

#define GAIN_U   0.01  /* of a home-made current channel (common practice, no source) */
#define VOLT_U   0.005 /* relative, of a voltage without a stated uncertainty */
#define SOURCE_U 0.1   /* the same of a resistance in series */
#define FORM_P   0.001 /* residuals in so few runs by chance: the form does not hold */

enum status_code rising_fit(const struct conditions *conditions, const double *at,
                            const double *current, size_t count, double rate, struct rise_fit *fit,
                            struct status *st)
{
    struct rise_capture capture = {.supply = conditions->voltage,
                                   .supply_u = isfinite(conditions->voltage_u)
                                                   ? conditions->voltage_u
                                                   : VOLT_U * conditions->voltage,
                                   .source_ohm = conditions->source_ohm,
                                   .source_ohm_u = conditions->source_ohm_u,
                                   .gain_u = GAIN_U};
    size_t first = 0;

    if (!isfinite(capture.source_ohm))
        capture.source_ohm = 0.0;
    if (!isfinite(capture.source_ohm_u))
        capture.source_ohm_u = SOURCE_U * capture.source_ohm;
    /* samples before the trigger say nothing of the rise */
    while (first < count && at[first] < 0.0)
        ++first;
    capture.time = at + first;
    capture.current = current + first;
    capture.count = count - first;
    if (rise_fit(&capture, fit, st) != STATUS_OK)
        return st->code;
    /* Noise fits any curve; a rise within one sample cannot be told from none. */
    if (!(fit->tau * rate > 0.5))
        return status_fail(st, STATUS_INPUT,
                           "it shows no current rise: is the supply on, the coil connected, and "
                           "the rate high enough?");
    return status_ok(st);
}

size_t rising_figures(const struct rise_fit *fit, struct conditions *conditions,
                      struct rising_figure figure[RISING_FIGURES])
{
    double source = isfinite(conditions->source_ohm) ? conditions->source_ohm : 0.0;

    if (!isfinite(conditions->current) && conditions->voltage > 0.0) {
        conditions->current = conditions->voltage / (fit->resistance + source);
        conditions->current_u =
            conditions->current * fmax(GAIN_U, fit->resistance_u / (fit->resistance + source));
    }
    figure[0] = (struct rising_figure){.kind = "inductance",
                                       .quantity = "inductance",
                                       .value = fit->inductance,
                                       .u = fit->inductance_u};
    figure[1] = (struct rising_figure){.kind = "second-time",
                                       .quantity = "time",
                                       .value = fit->second ? fit->second_tau : fit->second_limit,
                                       .u = fit->second ? fit->second_tau_u : NAN,
                                       .below = !fit->second};
    /* Where the form does not hold (iron that saturates bends the rise) it hides a second time
     * constant of any length: no bound then. */
    return !fit->second && fit->runs_p < FORM_P ? 1 : RISING_FIGURES;
}
