#include "analyze/infer/reading.h"

#include <math.h>
#include <string.h>

#define SEAT_U         0.15 /* log, pull from one seating of the keeper to the next */
#define PULL_FLOOR     1e-4 /* N, so that a pull of nothing has a logarithm */
#define DROP_FLOOR     1e-3 /* V, the same of a volt drop: the last digit of a voltmeter */
#define RESIDUAL_LEAST 0.02 /* N, a pull below it nobody can tell from nothing */
#define SAME_CURRENT   0.05 /* items whose currents differ by less share a solve */
/* With cancelling limbs only what leaks is left, and the network knows leakage less well: its
 * doubts grow by these factors (common practice, no source). */
#define CANCEL_INDUCTANCE 2.5
#define CANCEL_PULL       8
#define CANCEL_EDDY       2

/* ---- scales ---- */

bool reading_costly(enum evidence_kind kind)
{
    switch (kind) {
    case EVIDENCE_INDUCTANCE:
    case EVIDENCE_SECOND_TIME:
    case EVIDENCE_LIFT:
    case EVIDENCE_PULL:
    case EVIDENCE_RESIDUAL_PULL:
        return true;
    default:
        return false;
    }
}

bool reading_by_log(enum evidence_kind kind)
{
    return reading_costly(kind) || kind == EVIDENCE_INSULATION || kind == EVIDENCE_VOLT_DROP;
}

double reading_scale(enum evidence_kind kind, double value)
{
    switch (kind) {
    case EVIDENCE_LIFT:
    case EVIDENCE_PULL:
        return log(fmax(value, PULL_FLOOR));
    case EVIDENCE_RESIDUAL_PULL:
        return log(fmax(value, 0) + RESIDUAL_LEAST);
    case EVIDENCE_VOLT_DROP:
        return log(fmax(value, DROP_FLOOR));
    default:
        return reading_by_log(kind) ? log(fmax(value, 1e-12)) : value;
    }
}

double reading_unscale(enum evidence_kind kind, double reading)
{
    if (kind == EVIDENCE_RESIDUAL_PULL)
        return fmax(0, exp(reading) - RESIDUAL_LEAST);
    return reading_by_log(kind) ? exp(reading) : reading;
}

/* Height of one more layer, twice (it is on both sides); 0 for a winding without layers. */
static double layer_step(const struct reading_bench *bench, double overall, double interlayer)
{
    switch (coil_design(bench->coil)->winding.layers) {
    case DESIGN_ORTHOCYCLIC:
        return 2 * (interlayer > 0 ? overall + interlayer : 0.5 * sqrt(3) * overall);
    case DESIGN_SQUARE:
        return 2 * (overall + interlayer);
    case DESIGN_SCRAMBLE:
        break;
    }
    return 0;
}

double reading_noise(const struct reading_bench *bench, const struct evidence_item *e)
{
    double rel = e->value != 0 ? e->u / fabs(e->value) : 0.1;
    double u = e->u, current;

    switch (e->kind) {
    case EVIDENCE_RESISTANCE:
        return e->bound == EVIDENCE_EQUAL ? u : hypot(u, 0.01 * e->value);
    case EVIDENCE_CURRENT:
        if (e->at.voltage > 0 && !isnan(e->at.voltage_u))
            u = hypot(u, e->value * e->at.voltage_u / e->at.voltage);
        return u;
    case EVIDENCE_SAG:
        return hypot(u, e->value * e->at.source_ohm_u / e->at.source_ohm);
    case EVIDENCE_INSULATION:
        return fmin(1, hypot(rel, 0.1));
    case EVIDENCE_VOLT_DROP:
        /* The current falls a little as the winding warms between one limb and the other. */
        return fmin(1, hypot(rel, 0.001));
    case EVIDENCE_INDUCTANCE:
        /* A rise through the knee of the iron has no one inductance; a bridge also sees the eddy
         * currents of solid iron, which the model leaves out. */
        return fmin(1, hypot(rel, e->at.frequency > 0 ? 0.25 : 0.13));
    case EVIDENCE_SECOND_TIME:
        /* Eddy currents of a solid core are many rings, of which the fit makes one; and iron that
         * bends is not of one inductance. The fit's own uncertainty knows neither. */
        return hypot(fmin(1, rel), 0.4);
    case EVIDENCE_DIAMETER: {
        /* A caliper rests on whatever lies on top: half a layer, or the first turns of the next. */
        double step = layer_step(bench, bench->nominal.wire_overall[0], bench->nominal.interlayer);
        double over = bench->expected.y[COIL_OUTSIDE_A] - bench->nominal.limb_width;

        return hypot(u, hypot(0.35 * step, 0.03 * over));
    }
    case EVIDENCE_WIRE_MASS:
        return hypot(u, 0.003 * e->value); /* a limb's enamel, and its share of the dressing */
    case EVIDENCE_LIFT:
        /* The pull goes by the square of the current. */
        current =
            e->at.current_u > 0 && e->at.current > 0 ? 2 * e->at.current_u / e->at.current : 0;
        return hypot(hypot(fmin(1, rel), SEAT_U), current);
    case EVIDENCE_PULL:
        return hypot(fmin(1, rel), 0.06);
    case EVIDENCE_RESIDUAL_PULL:
        return hypot(fmin(1, e->u / (fmax(e->value, 0) + RESIDUAL_LEAST)), 0.3);
    default:
        return u;
    }
}

/* ---- electric ---- */

/* Electric figures at the few temperatures of a sitting. */
struct cache {
    double temperature[8];
    struct coil_observables y[8];
    size_t count;
};

double reading_temperature(const struct reading_bench *bench, const struct reading_state *state,
                           const struct evidence_item *e)
{
    double t = isnan(e->at.temperature) ? bench->ambient : e->at.temperature;
    /* Without a thermometer the room is known only roughly. */
    double u = isnan(e->at.temperature) ? 4 : e->at.temperature_u;
    /* Current is passed some time after the resistances are read. */
    bool later =
        e->kind == EVIDENCE_CURRENT || e->kind == EVIDENCE_SAG || e->kind == EVIDENCE_VOLT_DROP;
    double heat = later ? state->cooled * state->heat : state->heat;

    return fmax(-40, fmin(250, t + u * state->temperature + heat));
}

static const struct coil_observables *electric(const struct reading_bench *bench,
                                               const struct reading_state *state,
                                               const struct evidence_item *e, struct cache *cache)
{
    struct coil_specimen p = state->specimen;
    struct coil_conditions k;
    struct status st;
    size_t at;

    p.temperature = reading_temperature(bench, state, e);
    for (size_t i = 0; i < cache->count; i++)
        if (cache->temperature[i] == p.temperature)
            return &cache->y[i];
    at = cache->count < 8 ? cache->count++ : 7;
    cache->temperature[at] = p.temperature;
    memset(&k, 0, sizeof k);
    k.drive = COIL_DRIVE_PAIR;
    k.voltage = NAN;
    if (coil_forward(bench->coil, &p, &k, COIL_ELECTRIC, &cache->y[at], &st) != STATUS_OK) {
        cache->count--;
        return NULL;
    }
    return &cache->y[at];
}

/* Ohms of the wire of both limbs; a broken limb in parallel has as much as the sound one. */
static double limbs_ohm(const struct coil_observables *y)
{
    double a = y->y[COIL_RESISTANCE_A], b = y->y[COIL_RESISTANCE_B];

    return isinf(a) ? 2 * b : isinf(b) ? 2 * a : a + b;
}

static double place_resistance(const struct reading_bench *bench, const struct reading_state *state,
                               const struct coil_observables *y, enum evidence_place place)
{
    switch (place) {
    case EVIDENCE_LIMB_A:
        return y->y[COIL_RESISTANCE_A];
    case EVIDENCE_LIMB_B:
        return bench->limbs > 1 ? y->y[COIL_RESISTANCE_B] : y->y[COIL_RESISTANCE_A];
    default:
        if (bench->limbs < 2 || !isfinite(y->y[COIL_RESISTANCE_PAIR]))
            return y->y[COIL_RESISTANCE_PAIR] + state->joint_pair;
        return y->y[COIL_RESISTANCE_PAIR] + state->joint_pair +
               state->link * limbs_ohm(y) / y->y[COIL_WIRE_LENGTH];
    }
}

/* Share of the voltage over the coil that is across a limb; all of it where limbs are in parallel.
 */
static double drop_share(const struct reading_bench *bench, const struct coil_observables *y,
                         double own, double whole)
{
    if (bench->limbs < 2 || coil_design(bench->coil)->winding.connection == DESIGN_PARALLEL)
        return 1;
    if (isfinite(whole))
        return own / fmax(whole, 1e-6);
    /* All is across a break; but with two breaks a voltmeter over one of them closes no circuit. */
    if (isfinite(own) || isfinite(y->y[COIL_RESISTANCE_A]) == isfinite(y->y[COIL_RESISTANCE_B]))
        return 0;
    return 1;
}

/* Log V across a limb while the whole coil is on its supply. */
static double drop_reading(const struct reading_bench *bench, const struct reading_state *state,
                           const struct evidence_item *e, const struct coil_observables *y)
{
    const struct amount *supply = &coil_design(bench->coil)->supply.voltage;
    double whole = place_resistance(bench, state, y, EVIDENCE_PAIR);
    double own = place_resistance(bench, state, y, e->place), volt;

    if (!isnan(e->at.current))
        volt = isfinite(whole) ? e->at.current * whole : 0;
    else
        volt = e->at.voltage > 0 ? e->at.voltage : amount_given(*supply) ? supply->value : e->value;
    return reading_scale(e->kind, volt * drop_share(bench, y, own, whole) * exp(state->series));
}

/* ---- magnetic ---- */

static struct reading_solve solve_for(const struct reading_bench *bench,
                                      const struct evidence_item *e)
{
    struct reading_solve s = {.place = e->place,
                              .current = e->at.current,
                              .voltage = e->at.voltage,
                              .gap = e->at.gap,
                              .exponent = 2};
    const struct design *d = coil_design(bench->coil);

    switch (e->kind) {
    case EVIDENCE_INDUCTANCE:
    case EVIDENCE_SECOND_TIME:
        s.want = COIL_INDUCTANCE;
        /* Keeper on and keeper away come out of the same solve. */
        s.small = e->at.frequency > 0 || (isnan(s.current) && !(s.voltage > 0));
        break;
    case EVIDENCE_RESIDUAL_PULL:
        s.want = COIL_RESIDUAL;
        s.keeper = true;
        break;
    default:
        s.want = COIL_FIELD;
        s.keeper = true;
        break;
    }
    if (isnan(s.current) && !(s.voltage > 0) && amount_given(d->supply.voltage))
        s.voltage = d->supply.voltage.value;
    return s;
}

/* Current of a solve on a coil of that resistance. */
static double solve_current(const struct reading_solve *s, double resistance)
{
    double i = s->current;

    if (!isfinite(resistance))
        return 0;
    if (s->small)
        return READING_BRIDGE;
    if (isnan(i))
        i = s->voltage > 0 ? s->voltage / fmax(resistance, 1e-3) : NAN;
    return i;
}

static bool run_solve(const struct reading_bench *bench, const struct reading_state *state,
                      const struct reading_solve *s, double current, double temperature,
                      struct coil_observables *y)
{
    struct coil_specimen p = state->specimen;
    struct coil_conditions k;
    struct status st;

    if (isnan(current))
        return false;
    memset(&k, 0, sizeof k);
    k.drive = s->place == EVIDENCE_LIMB_A   ? COIL_DRIVE_LIMB_A
              : s->place == EVIDENCE_LIMB_B ? COIL_DRIVE_LIMB_B
                                            : COIL_DRIVE_PAIR;
    k.voltage = NAN;
    k.current = current;
    k.keeper = s->keeper;
    if (!isnan(s->gap)) {
        /* A shim lies on the paint or plating of the design; it takes the place of a working gap.
         */
        double stated = bench->nominal.gap + bench->nominal.roughness;
        double film = stated <= READING_FILM_MOST ? bench->nominal.gap : 0;

        p.gap += s->gap + film - bench->nominal.gap;
    }
    p.gap = fmin(0.1, fmax(0, p.gap));
    p.temperature = temperature;
    return coil_forward(bench->coil, &p, &k, s->want, y, &st) == STATUS_OK;
}

static bool near(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) <= SAME_CURRENT * fmax(fabs(a), fabs(b));
}

static bool same_gap(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) < 2e-6;
}

void reading_plan_make(const struct reading_bench *bench, const struct evidence_set *set,
                       struct reading_plan *plan)
{
    struct reading_state as_designed;

    memset(plan, 0, sizeof *plan);
    for (size_t i = 0; i < set->count; i++) {
        const struct evidence_item *e = &set->item[i];
        struct reading_solve s;
        size_t k;

        plan->of[i] = -1;
        plan->ratio[i] = 1;
        if (!reading_costly(e->kind))
            continue;
        s = solve_for(bench, e);
        for (k = 0; k < plan->solves; k++) {
            struct reading_solve *o = &plan->solve[k];
            bool both_rise = s.want == COIL_INDUCTANCE && o->want == COIL_INDUCTANCE;

            if (o->place != s.place || !same_gap(o->gap, s.gap) || o->small != s.small ||
                !near(o->current, s.current) ||
                (isnan(s.current) && !near(o->voltage, s.voltage)) ||
                (o->want == COIL_INDUCTANCE) != (s.want == COIL_INDUCTANCE) ||
                (!both_rise && o->keeper != s.keeper))
                continue;
            o->want |= s.want;
            o->keeper = o->keeper || s.keeper;
            plan->ratio[i] = isnan(s.current) ? s.voltage / o->voltage : s.current / o->current;
            break;
        }
        if (k == plan->solves)
            plan->solve[plan->solves++] = s;
        if (!(plan->ratio[i] > 0))
            plan->ratio[i] = 1;
        plan->of[i] = (int)k;
    }
    /* How the pull goes with the current near each solve: 2 until the iron saturates. */
    memset(&as_designed, 0, sizeof as_designed);
    as_designed.specimen = bench->nominal;
    for (size_t k = 0; k < plan->solves; k++) {
        struct reading_solve *s = &plan->solve[k];
        struct coil_observables low, high;
        double r = bench->expected.y[s->place == EVIDENCE_LIMB_A   ? COIL_RESISTANCE_A
                                     : s->place == EVIDENCE_LIMB_B ? COIL_RESISTANCE_B
                                                                   : COIL_RESISTANCE_PAIR];
        double current = solve_current(s, r);

        if ((s->want & COIL_FIELD) && current > 0 &&
            run_solve(bench, &as_designed, s, current, bench->ambient, &low) &&
            run_solve(bench, &as_designed, s, 1.05 * current, bench->ambient, &high) &&
            low.y[COIL_PULL] > 0 && high.y[COIL_PULL] > low.y[COIL_PULL])
            s->exponent = log(high.y[COIL_PULL] / low.y[COIL_PULL]) / log(1.05);
    }
}

/* ---- readings ---- */

static double plain_reading(const struct reading_bench *bench, const struct reading_state *state,
                            const struct evidence_item *e, const struct coil_observables *y)
{
    const struct coil_specimen *p = &state->specimen;
    double gain = e->instrument >= 0 ? 1 + state->gain[e->instrument] : 1;
    double r = place_resistance(bench, state, y, e->place);

    switch (e->kind) {
    case EVIDENCE_RESISTANCE:
        return gain * (r + (e->wires == 2 ? state->lead_ohm : 0)) +
               (e->instrument >= 0 ? e->zero * state->zero[e->instrument] : 0);
    case EVIDENCE_INSULATION:
        return reading_scale(e->kind, 1 / (1 / state->insulation + p->leakage));
    case EVIDENCE_CURRENT:
        return gain * e->at.voltage / fmax(r, 1e-6);
    case EVIDENCE_VOLT_DROP:
        return drop_reading(bench, state, e, y);
    case EVIDENCE_SAG:
        return e->at.voltage * e->at.source_ohm / (fmax(r, 0) + e->at.source_ohm);
    case EVIDENCE_POLARITY:
        /* +1: the free ends are unlike poles, as aiding limbs make them. */
        if (p->open[0] || p->open[1])
            return 0;
        /* A dead limb carries the other's flux back, but its pole is weak, and the needle feels the
         * strong one beside it. */
        if (p->bypass[0] < 0.2 * y->y[COIL_RESISTANCE_B] ||
            p->bypass[1] < 0.2 * y->y[COIL_RESISTANCE_A])
            return READING_WEAK_POLE;
        return p->sense[0] * p->sense[1];
    case EVIDENCE_WIRE_MASS: {
        double share = 1;

        if (e->place != EVIDENCE_PAIR && bench->limbs > 1) {
            double a = p->turns[0] * y->y[COIL_MEAN_TURN_A] * pow(p->wire_diameter[0], 2);
            double b = p->turns[1] * y->y[COIL_MEAN_TURN_B] * pow(p->wire_diameter[1], 2);

            share = (e->place == EVIDENCE_LIMB_A ? a : b) / (a + b);
        }
        return gain * share * y->y[COIL_WIRE_MASS] * (1 + state->dressing);
    }
    case EVIDENCE_DIAMETER: {
        bool b = e->place == EVIDENCE_LIMB_B && bench->limbs > 1;
        double over = y->y[b ? COIL_OUTSIDE_B : COIL_OUTSIDE_A];
        double under = p->limb_width + 2 * p->wrap;
        double step = layer_step(bench, p->wire_overall[b], p->interlayer);

        /* The mean over what the top layer may be: a step function has no slope to search by. */
        if (step > 0)
            over = under + step * (y->y[b ? COIL_LAYERS_B : COIL_LAYERS_A] + 0.5);
        return under + (over - under) * state->build;
    }
    case EVIDENCE_WIRE_DIAMETER:
        return p->wire_diameter[0];
    case EVIDENCE_DRIFT:
        /* A warm coil cools while it is watched. */
        return -0.0039 * state->heat / (1 + 0.0039 * (reading_temperature(bench, state, e) - 20)) *
               (1 - exp(-e->at.duration / state->cooling));
    default:
        return NAN;
    }
}

/* Eddy currents of the iron and shorted turns are rings about the same flux: what a rise shows is
 * the time constant of both together. Its flux is that of the inductance, with the same doubt. */
static double ring_reading(const struct reading_state *state, double eddy, double ring, bool cancel)
{
    double iron = eddy > 0 ? eddy * exp((cancel ? CANCEL_EDDY : 1) * state->eddy) : 0;
    double all = iron + (ring > 0 ? ring * state->short_time : 0);

    return all > 0 ? log(all) + (cancel ? CANCEL_INDUCTANCE : 1) * state->inductance : READING_NONE;
}

static double costly_reading(const struct reading_state *state, const struct evidence_item *e,
                             const struct coil_observables *m, double exponent, double ratio)
{
    double gain = e->instrument >= 0 ? 1 + state->gain[e->instrument] : 1;
    bool cancel = state->specimen.sense[0] * state->specimen.sense[1] < 0;
    double pull = exp((cancel ? CANCEL_PULL : 1) * state->pull), henry;

    switch (e->kind) {
    case EVIDENCE_INDUCTANCE:
        /* A bridge sees a small signal; a rise, all the flux that the current brought. */
        if (e->at.frequency > 0)
            henry = m->y[e->at.keeper ? COIL_INDUCTANCE_ON : COIL_INDUCTANCE_OFF];
        else
            henry = e->at.keeper ? m->linkage_on : m->linkage_off;
        return log(fmax(1e-12, gain * henry)) +
               (cancel ? CANCEL_INDUCTANCE : 1) * state->inductance;
    case EVIDENCE_SECOND_TIME:
        return ring_reading(state, e->at.keeper ? m->eddy_on : m->eddy_off,
                            e->at.keeper ? m->ring_on : m->ring_off, cancel);
    case EVIDENCE_LIFT:
    case EVIDENCE_PULL:
        return reading_scale(e->kind, gain * pull * m->y[COIL_PULL] * pow(ratio, exponent));
    case EVIDENCE_RESIDUAL_PULL:
        return reading_scale(e->kind, state->sticking * m->y[COIL_RESIDUAL_PULL]);
    default:
        return NAN;
    }
}

/* What a magnetic item reads without current. */
static double dead_reading(enum evidence_kind kind)
{
    switch (kind) {
    case EVIDENCE_INDUCTANCE:
        return -50;
    case EVIDENCE_SECOND_TIME:
        return READING_NONE;
    default:
        return reading_scale(kind, 0);
    }
}

bool reading_all(const struct reading_bench *bench, const struct reading_state *state,
                 const struct evidence_set *set, const struct reading_plan *plan, bool costly,
                 double *reading)
{
    struct cache cache = {.count = 0};
    struct coil_observables m[EVIDENCE_MAX];
    enum { UNSOLVED, SOLVED, DEAD } solved[EVIDENCE_MAX] = {UNSOLVED};

    for (size_t i = 0; i < set->count; i++) {
        const struct evidence_item *e = &set->item[i];
        const struct coil_observables *y;
        int k = plan->of[i];

        if (k >= 0 && !costly)
            continue;
        y = electric(bench, state, e, &cache);
        if (!y)
            return false;
        if (k < 0) {
            reading[i] = plain_reading(bench, state, e, y);
            if (isnan(reading[i]))
                return false;
            continue;
        }
        if (solved[k] == UNSOLVED) {
            double r = place_resistance(bench, state, y, e->place);
            double current = solve_current(&plan->solve[k], r);

            if (current == 0)
                solved[k] = DEAD;
            else if (run_solve(bench, state, &plan->solve[k], current,
                               reading_temperature(bench, state, e), &m[k]))
                solved[k] = SOLVED;
            else
                return false;
        }
        if (solved[k] == DEAD)
            reading[i] = dead_reading(e->kind);
        else
            reading[i] = costly_reading(state, e, &m[k], plan->solve[k].exponent, plan->ratio[i]);
        if (isnan(reading[i]))
            return false;
    }
    return true;
}

bool reading_one(const struct reading_bench *bench, const struct reading_state *state,
                 const struct evidence_item *e, double *reading)
{
    struct cache cache = {.count = 0};
    const struct coil_observables *y = electric(bench, state, e, &cache);
    struct reading_solve s;
    struct coil_observables m;
    double current;

    if (!y)
        return false;
    if (!reading_costly(e->kind)) {
        *reading = plain_reading(bench, state, e, y);
        return !isnan(*reading);
    }
    s = solve_for(bench, e);
    current = solve_current(&s, place_resistance(bench, state, y, e->place));
    if (current == 0) {
        *reading = dead_reading(e->kind);
        return true;
    }
    if (!run_solve(bench, state, &s, current, reading_temperature(bench, state, e), &m))
        return false;
    *reading = costly_reading(state, e, &m, s.exponent, 1);
    return !isnan(*reading);
}
