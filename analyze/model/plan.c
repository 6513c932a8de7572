#include "analyze/model/plan.h"
#include "analyze/model/amount.h"
#include "analyze/model/coil.h"
#include "analyze/model/prediction.h"
#include "analyze/model/winding.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SHARE   0.02 /* of the turns that fit: where the trial of a wire starts */
#define COIL_DOUBT    0.03 /* relative standard uncertainty of coil resistance and inductance */
#define DESIGN_MOST_C 150.0
#define CLASS_Y_C     90.0
#define CLASS_A_C     105.0
#define TRIES         4
#define LEAST_DAYS    1.0  /* a battery that lasts less does not serve, whatever was asked */
#define SLOW_SHARE    0.98 /* reached by the end of the pulse: less than this is slow */

/* What is the same for every wire. */
struct problem {
    const struct plan_request *request;
    struct design design; /* the request's with the working gap */
    int limbs;
    bool pulsed;
    double wanted_n, safety;
    double ambient, limit_c;
    double end_v, fresh_v;
    double wiring_ohm, fresh_ohm; /* between source and coil: at the end of the battery; fresh */
    double outside_most;
};

/* One number of turns of one wire, worked out. */
struct trial {
    double turns;
    double ohm, warm_ohm;
    double layers, outside, wire_m, wire_kg, metal_kg;
    double warm_c; /* mean temperature of the winding, pulsed, clamped to what a design may have */
    struct thermal_interval hot_c;
    double henry, final_a, end_a, fresh_a;
    double pull, steady_pull;
    double charge_c, mean_a;
};

const char *plan_why_words(enum plan_why why)
{
    switch (why) {
    case PLAN_GOOD:
        return "good";
    case PLAN_NO_ROOM:
        return "no room";
    case PLAN_WEAK:
        return "too weak";
    case PLAN_DOUBT:
        return "in doubt";
    case PLAN_SLOW:
        return "too slow";
    case PLAN_HOT:
        return "too hot";
    case PLAN_SHORT_LIFE:
        return "battery too short-lived";
    case PLAN_FAILED:
        return "not worked out";
    }
    return "unknown";
}

static enum status_code missing(const char *what, struct status *st)
{
    status_fail(st, STATUS_INPUT, "%s; a plan needs it", what);
    return STATUS_INPUT;
}

static enum status_code set_source(struct problem *p, struct status *st)
{
    const struct design_supply *supply = &p->design.supply;
    const struct cell_battery *battery = &p->request->battery;
    double stated = amount_given(supply->source_resistance) ? supply->source_resistance.value : 0.0;
    struct cell_state fresh;
    double end;

    if (!battery->kind) {
        if (!amount_given(supply->voltage))
            return missing("neither a battery nor a supply voltage is stated", st);
        if (amount_check(supply->voltage, "the supply voltage", "V", 1e-3, 1000.0, st) ||
            amount_check_value(stated, "the source resistance", "ohm", 0.0, 1e6, st))
            return STATUS_INPUT;
        p->end_v = p->fresh_v = supply->voltage.value;
        p->wiring_ohm = p->fresh_ohm = stated;
        return STATUS_OK;
    }
    if (amount_check_value(stated, "the source resistance", "ohm", 0.0, 1e6, st) ||
        amount_check_value(p->ambient, "the temperature of the battery", "C", -40.0, 60.0, st) ||
        cell_state(battery, 0.0, p->ambient, 0.0, &fresh, st))
        return STATUS_INPUT;
    end = isnan(battery->end_v) ? battery->kind->end_v.value : battery->end_v;
    /* The end point is a loaded voltage: at the end the battery's own resistance is inside it. A
     * stated source resistance counts battery and wiring, so the rest of it is wiring. */
    p->end_v = end * battery->series;
    p->fresh_v = fresh.emf_v;
    p->wiring_ohm = fmax(0.0, stated - fresh.ohm);
    p->fresh_ohm = fresh.ohm + p->wiring_ohm;
    return STATUS_OK;
}

static double default_limit(const struct plan_request *request)
{
    for (size_t i = 0; i < request->count; i++)
        if (request->wires[i].covering >= WIRE_COTTON_SINGLE)
            return CLASS_Y_C;
    return CLASS_A_C;
}

static enum status_code set_problem(const struct plan_request *request, struct problem *p,
                                    struct status *st)
{
    const struct design *d = request->design;
    const struct design_core *core = &d->core;

    memset(p, 0, sizeof *p);
    if (!request->wires || request->count < 1 || request->count > PLAN_WIRES_MAX) {
        status_fail(st, STATUS_INPUT, "%zu wires to choose from; 1 to %d are allowed",
                    request->count, PLAN_WIRES_MAX);
        return STATUS_INPUT;
    }
    p->request = request;
    p->design = *d;
    if (amount_given(d->work.gap))
        p->design.core.gap = d->work.gap;
    p->limbs = design_limbs(d);
    p->wanted_n = d->work.pull.value;
    p->safety = amount_given(d->work.safety_factor) ? d->work.safety_factor.value : 1.0;
    if (core->air)
        return missing("the core is air; it does not pull a keeper, and iron is not named", st);
    if (!amount_given(core->keeper.width))
        return missing("the keeper is not described", st);
    if (!amount_given(d->work.pull))
        return missing("the pull wanted is not stated", st);
    if (amount_check_value(p->wanted_n, "the pull wanted", "N", 1e-6, 1e6, st) ||
        amount_check_value(p->safety, "the safety factor", "", 1.0, 20.0, st))
        return STATUS_INPUT;
    p->ambient = amount_given(d->supply.ambient) ? d->supply.ambient.value : 20.0;
    if (amount_check_value(p->ambient, "the ambient temperature", "C", -40.0, 120.0, st))
        return STATUS_INPUT;
    p->limit_c = request->temperature_max;
    if (isnan(p->limit_c))
        p->limit_c = amount_given(d->limits.temperature_max) ? d->limits.temperature_max.value
                                                             : default_limit(request);
    if (amount_check_value(p->limit_c, "the greatest temperature", "C", p->ambient + 1.0, 300.0,
                           st))
        return STATUS_INPUT;
    p->pulsed = amount_given(d->supply.pulse);
    if (p->pulsed && !amount_given(d->supply.period))
        return missing("the pulse has no period", st);
    if (p->pulsed) {
        const double length = d->supply.pulse.value, period = d->supply.period.value;

        if (amount_check_value(length, "the pulse length", "s", 1e-6, 1e6, st) ||
            amount_check_value(period, "the pulse period", "s", length, 1e8, st))
            return STATUS_INPUT;
    }
    if (!isnan(request->days) &&
        amount_check_value(request->days, "the battery life wanted", "days", 0.0, 1e5, st))
        return STATUS_INPUT;
    if (!isnan(request->days) && !request->battery.kind)
        return missing("a battery life is wanted, but no battery is named", st);
    p->outside_most = d->winding.outside_max.value; /* NaN when not given */
    if (p->limbs == 2 && amount_given(core->spacing))
        p->outside_most = fmin(p->outside_most, core->spacing.value);
    if (isnan(p->outside_most))
        return missing("the largest outside diameter of the winding is not stated", st);
    return set_source(p, st);
}

void plan_design(const struct plan_request *request, const struct plan_option *option,
                 struct design *out)
{
    *out = *request->design;
    out->winding.wire = request->wires[option->wire];
    out->winding.turns[0] = amount_of((double)option->turns, 0.0);
    out->winding.turns[1] =
        amount_of(design_limbs(request->design) == 2 ? (double)option->turns : 0.0, 0.0);
    if (amount_given(out->work.gap))
        out->core.gap = out->work.gap;
}

/* --- one trial --- */

struct bench {
    const struct problem *problem;
    struct coil *coil;
    struct coil_specimen specimen;
    enum thermal_metal metal;
    struct status *st;
};

static enum status_code heat_of(const struct bench *b, const struct trial *t, double duty,
                                struct thermal_steady *out)
{
    const struct problem *p = b->problem;
    const struct design *d = coil_design(b->coil);
    const double length = d->winding.wound_length.value;
    const double height = 0.5 * (t->outside - d->core.limb.width.value);
    /* Round the outside of a winding of that height (parallel curve of the core). */
    const double outline =
        winding_perimeter(d->core.limb.shape, d->core.limb.width.value, d->core.limb.depth.value) +
        2.0 * M_PI * fmax(0.0, height);
    const struct thermal_supply supply = {p->fresh_v, p->fresh_ohm, NAN, duty};
    struct thermal_coil coil = {
        .metal = b->metal,
        .ohm = t->ohm,
        .ohm_at_c = p->ambient,
        .conductor_kg = t->metal_kg,
        .other_heat = 0.0, /* no help from the iron: on the safe side for a stuck switch */
        .surface_m2 = p->limbs * length * outline,
        .height_m = fmin(10.0, fmax(0.001, length)),
        .emissivity = NAN,
        .depth_m = fmax(0.0, height - d->winding.wrap.value),
    };

    coil.conductor_kg = fmax(coil.conductor_kg, 1e-7);
    return thermal_steady(&coil, &supply, p->ambient, out, b->st);
}

/* Flux linkage over current at a current: the mean of the incremental inductance from zero, by
 * three points of Gauss. */
static enum status_code henry_at(struct bench *b, double ampere, double *henry)
{
    static const double node[3] = {0.1127016653792583, 0.5, 0.8872983346207417};
    static const double weight[3] = {5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0};
    struct coil_conditions k = {.drive = COIL_DRIVE_PAIR, .voltage = NAN, .keeper = true};
    struct coil_observables y;
    enum status_code code;

    *henry = 0.0;
    for (int i = 0; i < 3; i++) {
        k.current = node[i] * ampere;
        code = coil_forward(b->coil, &b->specimen, &k, COIL_INDUCTANCE, &y, b->st);
        if (code)
            return code;
        *henry += weight[i] * y.y[COIL_INDUCTANCE_ON];
    }
    return STATUS_OK;
}

static enum status_code pull_at(struct bench *b, double ampere, double *pull)
{
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = ampere, .keeper = true};
    struct coil_observables y;
    enum status_code code = coil_forward(b->coil, &b->specimen, &k, COIL_FIELD, &y, b->st);

    if (!code)
        *pull = y.y[COIL_PULL];
    return code;
}

static struct drive_pulse pulse_of(const struct problem *p)
{
    return (struct drive_pulse){p->design.supply.pulse.value, p->design.supply.period.value};
}

static enum status_code try_turns(struct bench *b, double turns, struct trial *t)
{
    const struct problem *p = b->problem;
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = NAN, .keeper = true};
    struct thermal_steady heat;
    struct coil_observables y;
    struct drive_circuit circuit;
    struct drive_result r;
    double duty = 1.0;
    enum status_code code;

    memset(t, 0, sizeof *t);
    t->turns = turns;
    b->specimen.turns[0] = turns;
    b->specimen.turns[1] = p->limbs == 2 ? turns : 0.0;
    b->specimen.temperature = p->ambient;
    code = coil_forward(b->coil, &b->specimen, &k, COIL_ELECTRIC, &y, b->st);
    if (code)
        return code;
    t->ohm = y.y[COIL_RESISTANCE_PAIR];
    t->layers = y.y[COIL_LAYERS_A];
    t->outside = y.y[COIL_OUTSIDE_A];
    t->wire_m = y.y[COIL_WIRE_LENGTH];
    t->wire_kg = y.y[COIL_WIRE_MASS];
    t->metal_kg = y.y[COIL_METAL_MASS];
    if (p->pulsed)
        duty = p->design.supply.pulse.value / p->design.supply.period.value;
    code = heat_of(b, t, duty, &heat);
    if (code)
        return code;
    /* The hottest place stands a third of the inner drop above the mean. */
    t->hot_c = (struct thermal_interval){heat.temperature.low + heat.inside.low / 3.0,
                                         heat.temperature.value + heat.inside.value / 3.0,
                                         heat.temperature.high + heat.inside.high / 3.0};
    t->warm_c = fmin(heat.temperature.value, DESIGN_MOST_C);
    b->specimen.temperature = t->warm_c;
    code = coil_forward(b->coil, &b->specimen, &k, COIL_ELECTRIC, &y, b->st);
    if (code)
        return code;
    t->warm_ohm = y.y[COIL_RESISTANCE_PAIR];
    t->final_a = p->end_v / (t->warm_ohm + p->wiring_ohm);
    code = henry_at(b, t->final_a, &t->henry);
    if (code)
        return code;
    circuit = (struct drive_circuit){.emf_v = p->end_v,
                                     .source_ohm = p->wiring_ohm,
                                     .coil_ohm = t->warm_ohm,
                                     .coil_h = t->henry};
    t->end_a = t->final_a;
    t->charge_c = NAN;
    if (p->pulsed) {
        const struct drive_pulse pulse = pulse_of(p);

        code = drive_linear(&circuit, &pulse, &r, b->st);
        if (code)
            return code;
        t->end_a = r.end_a;
        /* Fresh, and at the ambient temperature, it draws the most. */
        circuit.emf_v = p->fresh_v;
        circuit.source_ohm = p->fresh_ohm;
        circuit.coil_ohm = t->ohm;
        drive_quick(&circuit, &pulse, &r);
        t->fresh_a = r.end_a;
        t->charge_c = r.charge_c;
        t->mean_a = r.mean_a;
    } else {
        t->fresh_a = t->mean_a = p->fresh_v / (t->ohm + p->fresh_ohm);
    }
    code = pull_at(b, t->end_a, &t->pull);
    if (!code)
        code = pull_at(b, t->final_a, &t->steady_pull);
    return code;
}

/* --- one wire --- */

static double life_of(const struct problem *p, const struct trial *t, struct drive_life *life,
                      struct status *st)
{
    struct drive_circuit circuit = {
        .source_ohm = p->wiring_ohm, .coil_ohm = t->ohm, .coil_h = t->henry};
    struct drive_duty duty = {.u_length_s = p->pulsed && amount_given(p->design.supply.pulse)
                                                ? p->design.supply.pulse.u
                                                : 0.0,
                              .needed_a = NAN,
                              .temperature = p->ambient};

    if (!p->request->battery.kind)
        return NAN;
    duty.pulse = p->pulsed ? pulse_of(p) : (struct drive_pulse){3600.0, 3600.0};
    if (!life)
        return drive_life_quick(&p->request->battery, &circuit, &duty, NULL);
    if (drive_life(&p->request->battery, &circuit, &duty, COIL_DOUBT, life, st))
        return NAN;
    return life->days;
}

/* The ladder of turns a wire is tried at, fewest first. */
static double rung(long most, int i)
{
    double least = fmax(1.0, LEAST_SHARE * (double)most);

    return floor(least * pow((double)most / least, (double)i / (PLAN_POINTS - 1)) + 0.5);
}

/* The greatest whole number of turns that pulls `target`, or 0 with the strongest in *t. */
static enum status_code most_turns(struct bench *b, const struct trial ladder[PLAN_POINTS],
                                   double target, struct trial *t)
{
    int top = -1, strongest = 0;
    double low, high;
    struct trial middle;
    enum status_code code;

    for (int i = 0; i < PLAN_POINTS; i++) {
        if (ladder[i].pull >= target)
            top = i;
        if (ladder[i].pull > ladder[strongest].pull)
            strongest = i;
    }
    if (top < 0) {
        *t = ladder[strongest];
        return STATUS_OK;
    }
    *t = ladder[top];
    if (top == PLAN_POINTS - 1)
        return STATUS_OK;
    low = ladder[top].turns;
    high = ladder[top + 1].turns;
    while (high - low > 1.5 && high - low > 0.002 * low) {
        code = try_turns(b, floor(0.5 * (low + high)), &middle);
        if (code)
            return code;
        if (middle.pull >= target) {
            *t = middle;
            low = middle.turns;
        } else {
            high = middle.turns;
        }
    }
    return STATUS_OK;
}

/* The interval of the pull: first order over every uncertain input of the design. */
static enum status_code pull_interval(const struct problem *p, const struct plan_option *option,
                                      const struct trial *t, struct thermal_interval *pull,
                                      struct status *st)
{
    struct coil_conditions k = {.drive = COIL_DRIVE_PAIR, .keeper = true};
    struct prediction *prediction;
    struct coil *coil = NULL;
    struct design d;
    enum status_code code;

    plan_design(p->request, option, &d);
    d.supply.ambient.value = t->warm_c;
    if (!amount_given(p->request->design->supply.ambient))
        d.supply.ambient.u = 3.0;
    d.supply.voltage = amount_of(p->end_v, p->request->battery.kind ? 0.0 : d.supply.voltage.u);
    d.supply.source_resistance.value = p->wiring_ohm;
    if (!(d.supply.source_resistance.u >= 0.0))
        d.supply.source_resistance.u = 0.0;
    prediction = malloc(sizeof *prediction);
    if (!prediction) {
        status_fail(st, STATUS_MEMORY, "no memory for a prediction");
        return STATUS_MEMORY;
    }
    code = coil_new(&d, &coil, st);
    if (!code) {
        /* The voltage that drives end_a steadily: the same current, and the same sensitivity to the
         * resistance of the wire. */
        k.voltage = t->end_a * (t->warm_ohm + p->wiring_ohm);
        k.source_resistance = p->wiring_ohm;
        code = prediction_make(coil, &k, COIL_FIELD, 0, prediction, st);
    }
    if (!code) {
        const struct prediction_figure *figure = &prediction->figure[COIL_PULL];

        *pull = (struct thermal_interval){fmax(0.0, figure->low), figure->value, figure->high};
    }
    coil_free(coil);
    free(prediction);
    return code;
}

static void fill(const struct problem *p, const struct trial *t, struct plan_option *o)
{
    o->turns = lround(t->turns);
    o->layers = t->layers;
    o->outside_m = t->outside;
    o->wire_m = t->wire_m;
    o->wire_kg = t->wire_kg;
    o->ohm = t->ohm;
    o->henry = t->henry;
    o->tau_s = t->henry / (t->ohm + p->fresh_ohm);
    o->end_a = t->end_a;
    o->fresh_a = t->fresh_a;
    o->charge_c = t->charge_c;
    o->mean_a = t->mean_a;
    o->hot_c = t->hot_c;
}

static const char *end_words(const struct problem *p)
{
    return p->request->battery.kind ? " at the end of the battery" : "";
}

static void judge(const struct problem *p, const struct trial *t, struct plan_option *o)
{
    const double target = p->wanted_n * p->safety;
    const double heat = o->hot_c.high > p->ambient
                            ? (p->limit_c - p->ambient) / (o->hot_c.high - p->ambient)
                            : INFINITY;
    const double asked = p->request->days;

    o->reach = fmin(o->pull_n.value / target, o->pull_n.low / p->wanted_n);
    o->reach = fmin(o->reach, heat);
    if (!isnan(asked) && asked > 0.0)
        o->reach = fmin(o->reach, o->days / asked);

    if (o->pull_n.value < target && t->steady_pull >= target &&
        t->end_a < SLOW_SHARE * t->final_a) {
        o->why = PLAN_SLOW;
        snprintf(o->reason, sizeof o->reason,
                 "The current reaches %.0f %% of its end in %.3g s, so the pull is %.3g N%s, and "
                 "%.3g N is wanted%s; a longer pulse would do it.",
                 100.0 * t->end_a / t->final_a, p->design.supply.pulse.value, o->pull_n.value,
                 end_words(p), target, p->safety > 1.0 ? " with the safety factor" : "");
    } else if (o->pull_n.value < target) {
        o->why = PLAN_WEAK;
        snprintf(o->reason, sizeof o->reason,
                 "It pulls at most %.3g N%s, with %ld turns; %.3g N is wanted%s.", o->pull_n.value,
                 end_words(p), o->turns, target, p->safety > 1.0 ? " with the safety factor" : "");
    } else if (o->pull_n.low < p->wanted_n) {
        o->why = PLAN_DOUBT;
        snprintf(o->reason, sizeof o->reason,
                 "It should pull %.3g N%s, but it may be as little as %.3g N; %.3g N is wanted.",
                 o->pull_n.value, end_words(p), o->pull_n.low, p->wanted_n);
    } else if (o->hot_c.high > p->limit_c) {
        o->why = PLAN_HOT;
        snprintf(o->reason, sizeof o->reason,
                 "It would warm to %.0f C (%.0f to %.0f C) with %ld turns; the limit is %.0f C.",
                 o->hot_c.value, o->hot_c.low, o->hot_c.high, o->turns, p->limit_c);
    } else if (!isnan(asked) && !(o->days >= asked)) {
        o->why = PLAN_SHORT_LIFE;
        if (o->days < LEAST_DAYS)
            snprintf(o->reason, sizeof o->reason,
                     "The battery lasts less than a day at %.4g mC a pulse; %.0f are wanted.",
                     1e3 * o->charge_c, asked);
        else
            snprintf(
                o->reason, sizeof o->reason,
                "The battery lasts %.0f days (%.0f to %.0f) at %.4g mC a pulse; %.0f are wanted.",
                o->days, o->low_days, o->high_days, 1e3 * o->charge_c, asked);
    } else if (o->days < LEAST_DAYS) {
        o->why = PLAN_SHORT_LIFE;
        snprintf(o->reason, sizeof o->reason,
                 "The battery lasts less than a day at %.4g mC a pulse and %.3g A.",
                 1e3 * o->charge_c, o->end_a);
    } else {
        o->why = PLAN_GOOD;
        o->reach = fmax(o->reach, 1.0);
        snprintf(o->reason, sizeof o->reason, "It pulls %.3g N (%.3g to %.3g N)%s%s.",
                 o->pull_n.value, o->pull_n.low, o->pull_n.high, end_words(p),
                 !isnan(asked) && o->low_days < asked
                     ? "; the battery may fall short of the life wanted"
                     : "");
    }
}

static void nothing(struct plan_option *o, size_t wire)
{
    const struct thermal_interval none = {NAN, NAN, NAN};

    *o = (struct plan_option){.wire = wire,
                              .why = PLAN_FAILED,
                              .layers = NAN,
                              .outside_m = NAN,
                              .wire_m = NAN,
                              .wire_kg = NAN,
                              .ohm = NAN,
                              .henry = NAN,
                              .tau_s = NAN,
                              .end_a = NAN,
                              .fresh_a = NAN,
                              .pull_n = none,
                              .fresh_pull_n = NAN,
                              .charge_c = NAN,
                              .mean_a = NAN,
                              .hot_c = none,
                              .stuck_c = NAN,
                              .days = NAN,
                              .low_days = NAN,
                              .high_days = NAN,
                              .life_limit = DRIVE_NEVER,
                              .reach = 0.0};
}

static enum status_code choose(struct bench *b, const struct trial ladder[PLAN_POINTS],
                               struct plan_option *o)
{
    const struct problem *p = b->problem;
    double target = p->wanted_n * p->safety;
    struct thermal_steady stuck;
    struct drive_life life;
    struct trial t;
    enum status_code code;

    for (int i = 0; i < TRIES; i++) {
        code = most_turns(b, ladder, target, &t);
        if (code)
            return code;
        fill(p, &t, o);
        code = pull_interval(p, o, &t, &o->pull_n, b->st);
        if (code)
            return code;
        if (t.pull < target || o->pull_n.low >= p->wanted_n || !(o->pull_n.low > 0.0))
            break;
        /* The interval is nearly a fixed share of the pull: ask for so much more. */
        target = fmax(target * 1.005, 1.003 * p->wanted_n * o->pull_n.value / o->pull_n.low);
    }
    code = try_turns(b, (double)o->turns, &t); /* leaves the specimen warm, with these turns */
    if (!code)
        code = pull_at(b, o->fresh_a, &o->fresh_pull_n);
    if (!code)
        code = heat_of(b, &t, 1.0, &stuck);
    if (code)
        return code;
    o->stuck_c = fmin(stuck.temperature.value + stuck.inside.value / 3.0, THERMAL_GREATEST_C);
    if (p->request->battery.kind) {
        o->days = life_of(p, &t, &life, b->st);
        if (isnan(o->days))
            return STATUS_INPUT;
        o->low_days = life.low_days;
        o->high_days = life.high_days;
        o->life_limit = life.limit;
    }
    judge(p, &t, o);
    return STATUS_OK;
}

/* Takes turns off until they fit between tapered ends with every size an uncertainty against them:
 * a plan that fits only on paper is none. */
static void room_to_spare(const struct design *d, const struct winding_form *form, long *turns)
{
    const struct design_winding *w = &d->winding;
    struct winding_form tight = *form;
    struct winding_result r;

    tight.length -= w->wound_length.u;
    tight.taper += w->ends == DESIGN_TAPERED ? w->taper.u : 0.0;
    tight.wrap += w->wrap.u;
    tight.interlayer += w->interlayer.u;
    tight.fill = fmax(0.05, tight.fill - w->fill.u);
    tight.overall = w->wire.overall_max;
    while (*turns > 1 && !winding_smooth(&tight, (double)*turns, &r))
        *turns -= 1 + *turns / 200;
}

static enum status_code do_wire(const struct problem *p, struct plan_option *o,
                                struct plan_point *points, size_t *points_count, struct status *st)
{
    struct bench b = {.problem = p, .st = st};
    struct trial ladder[PLAN_POINTS];
    struct winding_form form;
    struct design d = p->design;
    enum status_code code;

    b.metal =
        p->request->wires[o->wire].metal == WIRE_ALUMINIUM ? THERMAL_ALUMINIUM : THERMAL_COPPER;
    o->turns = 1;
    plan_design(p->request, o, &d);
    o->turns = 0;
    design_complete(&d);
    winding_form_of(&d, &form);
    if (winding_most(&form, p->outside_most, &o->turns_most, st) || o->turns_most < 1) {
        o->why = PLAN_NO_ROOM;
        snprintf(o->reason, sizeof o->reason,
                 "Not one turn of %.3g mm over all fits within %.4g mm outside.",
                 1e3 * d.winding.wire.overall_nom, 1e3 * p->outside_most);
        status_ok(st);
        return STATUS_OK;
    }
    room_to_spare(&d, &form, &o->turns_most);
    code = coil_new(&d, &b.coil, st);
    if (code)
        return code;
    coil_specimen_nominal(b.coil, &b.specimen);
    for (int i = 0; i < PLAN_POINTS && !code; i++) {
        code = try_turns(&b, rung(o->turns_most, i), &ladder[i]);
        if (!code)
            points[i] =
                (struct plan_point){.wire = o->wire,
                                    .turns = ladder[i].turns,
                                    .pull_n = ladder[i].pull,
                                    .charge_c = p->pulsed ? ladder[i].charge_c : ladder[i].fresh_a,
                                    .days = life_of(p, &ladder[i], NULL, NULL)};
    }
    if (!code) {
        *points_count += PLAN_POINTS;
        code = choose(&b, ladder, o);
    }
    coil_free(b.coil);
    return code;
}

/* A model that cannot do one wire does not spoil the plan for the rest. */
static enum status_code do_wires(const struct problem *p, struct plan *plan, struct status *st)
{
    for (size_t i = 0; i < plan->count; i++) {
        struct plan_option *o = &plan->options[i];
        struct status own;
        enum status_code code;

        nothing(o, i);
        code = do_wire(p, o, plan->points + plan->points_count, &plan->points_count, &own);
        if (code == STATUS_MEMORY) {
            status_fail(st, STATUS_MEMORY, "%s", own.text);
            return STATUS_MEMORY;
        }
        if (code) {
            long most = o->turns_most;

            nothing(o, i);
            o->turns_most = most;
            snprintf(o->reason, sizeof o->reason, "%.*s.", (int)sizeof o->reason - 2, own.text);
        }
    }
    return STATUS_OK;
}

static void mark_front(struct plan *plan)
{
    for (size_t i = 0; i < plan->points_count; i++) {
        struct plan_point *a = &plan->points[i];

        a->front = true;
        for (size_t j = 0; j < plan->points_count && a->front; j++) {
            const struct plan_point *b = &plan->points[j];

            if (b->pull_n >= a->pull_n && b->charge_c <= a->charge_c &&
                (b->pull_n > a->pull_n || b->charge_c < a->charge_c))
                a->front = false;
        }
    }
}

static double cost(const struct plan_option *o)
{
    return isnan(o->charge_c) ? o->fresh_a : o->charge_c;
}

static void mark_best(const struct problem *p, struct plan *plan)
{
    const struct wire *wires = p->request->wires;

    plan->best = plan->count;
    plan->nearest = 0;
    for (size_t i = 0; i < plan->count; i++) {
        const struct plan_option *o = &plan->options[i];

        if (o->why == PLAN_GOOD &&
            (plan->best == plan->count || cost(o) < cost(&plan->options[plan->best])))
            plan->best = i;
        if (o->reach > plan->options[plan->nearest].reach)
            plan->nearest = i;
    }
    if (plan->best < plan->count) {
        const struct plan_option *o = &plan->options[plan->best];

        plan->nearest = plan->best;
        snprintf(plan->summary, sizeof plan->summary,
                 "Best: %ld turns of %s on each limb, %.3g ohm, for the least %s. %s", o->turns,
                 wires[plan->best].label, o->ohm,
                 isnan(o->charge_c) ? "current" : "charge of a pulse", o->reason);
    } else {
        snprintf(plan->summary, sizeof plan->summary,
                 "None of these wires does it. %s comes nearest (%.0f %% of the way): %s",
                 wires[plan->nearest].label, 100.0 * plan->options[plan->nearest].reach,
                 plan->options[plan->nearest].reason);
    }
}

enum status_code plan_make(const struct plan_request *request, struct plan *out, struct status *st)
{
    struct problem problem;
    enum status_code code;

    memset(out, 0, sizeof *out);
    code = set_problem(request, &problem, st);
    if (code)
        return code;
    out->count = request->count;
    out->end_v = problem.end_v;
    out->fresh_v = problem.fresh_v;
    out->options = calloc(out->count, sizeof *out->options);
    out->points = calloc(out->count * PLAN_POINTS, sizeof *out->points);
    if (!out->options || !out->points) {
        plan_free(out);
        return status_fail(st, STATUS_MEMORY, "no memory for a plan of %zu wires", request->count);
    }
    code = do_wires(&problem, out, st);
    if (code) {
        plan_free(out);
        return code;
    }
    mark_front(out);
    mark_best(&problem, out);
    return status_ok(st);
}

void plan_free(struct plan *plan)
{
    free(plan->options);
    free(plan->points);
    memset(plan, 0, sizeof *plan);
}
