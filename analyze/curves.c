#include "analyze/curves.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/coil.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"

#define POINTS 33

/* 95 % of a normal distribution lies within this many standard uncertainties. */
#define COVERAGE 1.96

static const char *const words[CURVES_KINDS] = {[CURVES_PULL_GAP] = "pull-gap",
                                                [CURVES_PULL_CURRENT] = "pull-current",
                                                [CURVES_RISE] = "rise",
                                                [CURVES_HEAT] = "heat"};

const char *curves_word(enum curves_kind kind)
{
    return (unsigned)kind < CURVES_KINDS ? words[kind] : "unknown";
}

enum curves_kind curves_find(const char *word)
{
    int kind = 0;

    while (kind < CURVES_KINDS && strcmp(words[kind], word) != 0)
        ++kind;
    return (enum curves_kind)kind;
}

/* Puts a value that cannot be negative and its band at point i. A force has a skew band: what is
 * uncertain in it multiplies. */
static void put(struct curve *curve, size_t i, double x, double y, double u)
{
    double spread = y > 0.0 ? COVERAGE * u / y : 0.0;

    curve->x[i] = x;
    curve->y[i] = y;
    curve->low[i] = y * exp(-spread);
    curve->high[i] = y * exp(spread);
}

static enum status_code pull_point(const struct design *design, const struct coil_conditions *k,
                                   struct prediction *prediction, struct amount *pull,
                                   struct status *st)
{
    struct coil *coil;
    enum status_code code = coil_new(design, &coil, st);

    if (code != STATUS_OK)
        return code;
    code = prediction_make(coil, k, COIL_FIELD, 0, prediction, st);
    *pull = amount_of(prediction->figure[COIL_PULL].value, prediction->figure[COIL_PULL].u);
    coil_free(coil);
    return code;
}

static enum status_code pull_curve(const struct design *design, double reach, struct curve *curve,
                                   struct prediction *prediction, struct status *st)
{
    struct design copy = *design;
    struct coil_conditions k;
    struct coil *coil;
    struct amount pull;
    double current;
    enum status_code code;

    if (!amount_given(design->core.keeper.width) || design->core.air)
        return status_fail(st, STATUS_INPUT, "there is no keeper to pull: [keeper] section");
    code = coil_new(design, &coil, st);
    if (code != STATUS_OK)
        return code;
    coil_conditions_nominal(coil, &k);
    k.keeper = true;
    code = prediction_make(coil, &k, COIL_FIELD, 0, prediction, st);
    coil_free(coil);
    if (code != STATUS_OK)
        return code;
    current = prediction->figure[COIL_CURRENT].value;
    if (curve->kind == CURVES_PULL_GAP && !isfinite(current))
        return status_fail(st, STATUS_INPUT, "no supply to draw a current from: [supply] voltage");
    curve->limit = amount_given(design->work.pull) ? design->work.pull.value : NAN;
    if (curve->kind == CURVES_PULL_GAP)
        curve->at =
            amount_given(design->work.gap) ? design->work.gap.value : design->core.gap.value;
    else
        curve->at = current;
    if (!isfinite(reach))
        reach = curve->kind == CURVES_PULL_GAP ? fmax(3.0 * curve->at, 2e-3)
                : isfinite(current)            ? 2.0 * current
                                               : 1.0;
    curve->n = POINTS;
    for (size_t i = 0; i < POINTS && code == STATUS_OK; ++i) {
        double share = (double)i / (POINTS - 1);
        double x = reach * (curve->kind == CURVES_PULL_GAP ? share * share : share);

        if (curve->kind == CURVES_PULL_GAP)
            copy.core.gap = amount_of(x, design->core.gap.u);
        else {
            k.voltage = NAN;
            k.current = x;
        }
        code = pull_point(&copy, &k, prediction, &pull, st);
        if (code == STATUS_OK)
            put(curve, i, x, pull.value, pull.u);
    }
    return code;
}

static enum status_code rise_curve(const struct design *design, double reach, struct curve *curve,
                                   struct prediction *prediction, struct status *st)
{
    struct coil_conditions k;
    struct drive_circuit circuit;
    struct coil *coil;
    const struct prediction_figure *figure = prediction->figure;
    double tau;
    double final_u;
    enum status_code code = coil_new(design, &coil, st);

    if (code != STATUS_OK)
        return code;
    coil_conditions_nominal(coil, &k);
    code = prediction_make(coil, &k, COIL_INDUCTANCE | COIL_FIELD, 0, prediction, st);
    coil_free(coil);
    if (code != STATUS_OK)
        return code;
    if (!isfinite(k.voltage))
        return status_fail(st, STATUS_INPUT, "no supply to draw a current from: [supply] voltage");
    circuit = (struct drive_circuit){.emf_v = k.voltage,
                                     .source_ohm = k.source_resistance,
                                     .coil_ohm = figure[COIL_RESISTANCE_PAIR].value,
                                     .coil_h = figure[COIL_INDUCTANCE_ON].exists
                                                   ? figure[COIL_INDUCTANCE_ON].value
                                                   : figure[COIL_INDUCTANCE_OFF].value};
    if (!isfinite(circuit.coil_ohm) || !isfinite(circuit.coil_h))
        return status_fail(st, STATUS_INPUT, "the rise needs a resistance and an inductance");
    tau = circuit.coil_h / (circuit.coil_ohm + circuit.source_ohm);
    final_u = figure[COIL_RESISTANCE_PAIR].u / figure[COIL_RESISTANCE_PAIR].value;
    if (!isfinite(reach))
        reach = amount_given(design->supply.pulse) ? design->supply.pulse.value : 6.0 * tau;
    curve->at = amount_given(design->supply.pulse) ? design->supply.pulse.value : NAN;
    curve->n = POINTS;
    for (size_t i = 0; i < POINTS; ++i) {
        double t = reach * (double)i / (POINTS - 1);
        double relative_u = hypot(final_u, 0.2 * t / tau * exp(-t / tau));

        put(curve, i, t, drive_current(&circuit, t), relative_u * drive_current(&circuit, t));
    }
    return STATUS_OK;
}

/* First-order warming to the steady temperature, at the design's duty. */
static enum status_code heat_curve(const struct design *design, double reach, struct curve *curve,
                                   struct prediction *prediction, struct status *st)
{
    struct coil_conditions k;
    struct outlook outlook;
    struct coil *coil;
    double ambient = design->supply.ambient.value;
    enum status_code code = coil_new(design, &coil, st);

    if (code != STATUS_OK)
        return code;
    coil_conditions_nominal(coil, &k);
    code = prediction_make(coil, &k, COIL_INDUCTANCE | COIL_FIELD, 0, prediction, st);
    if (code == STATUS_OK)
        code = outlook_make(coil_design(coil), prediction, &outlook, st);
    coil_free(coil);
    if (code != STATUS_OK)
        return code;
    if (!outlook.powered)
        return status_fail(st, STATUS_INPUT, "no supply to warm the coil: [supply] voltage");
    if (!isfinite(reach))
        reach = 5.0 * outlook.heat.tau_s;
    curve->limit = outlook.limit_c;
    curve->n = POINTS;
    for (size_t i = 0; i < POINTS; ++i) {
        double t = reach * (double)i / (POINTS - 1);
        double share = 1.0 - exp(-t / outlook.heat.tau_s);
        double slow = 1.0 - exp(-t / (1.4 * outlook.heat.tau_s));
        double fast = 1.0 - exp(-t / (0.6 * outlook.heat.tau_s));

        curve->x[i] = t;
        curve->y[i] = ambient + share * (outlook.heat.temperature.value - ambient);
        curve->low[i] = ambient + slow * (outlook.heat.temperature.low - ambient);
        curve->high[i] = ambient + fast * (outlook.heat.temperature.high - ambient);
    }
    return STATUS_OK;
}

enum status_code curves_make(const struct design *design, enum curves_kind kind, double reach,
                             struct curve *curve, struct status *st)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    enum status_code code;

    memset(curve, 0, sizeof *curve);
    curve->kind = kind;
    curve->at = NAN;
    curve->limit = NAN;
    if (!prediction)
        return status_fail(st, STATUS_MEMORY, "no memory");
    if (isfinite(reach) && reach <= 0.0)
        code = status_fail(st, STATUS_INPUT, "the end of the curve is %g; expected above 0", reach);
    else if (kind == CURVES_RISE)
        code = rise_curve(design, reach, curve, prediction, st);
    else if (kind == CURVES_HEAT)
        code = heat_curve(design, reach, curve, prediction, st);
    else
        code = pull_curve(design, reach, curve, prediction, st);
    free(prediction);
    return code;
}
