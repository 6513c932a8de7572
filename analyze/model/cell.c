#include "analyze/model/cell.h"
#include "analyze/model/amount.h"

#include <math.h>
#include <strings.h>

#define LEAN       0.25 /* how far the capacity leans from the mean towards the pulse current */
#define REFERENCE  20.0 /* C */
#define LEAST_C    (-40.0)
#define GREATEST_C 60.0

/* clang-format off */
#define MEM(v, u)      {(v), (u), CELL_MEMORY, "from memory"}
#define COMP(v, u, s)  {(v), (u), CELL_COMPUTED, (s)}
#define READ(v, u, s)  {(v), (u), CELL_READ, (s)}
#define READ2(v, u, s) {(v), (u), CELL_READ_2ND, (s)}

#define LIGHTING_LR20 "IEC 60086-2, portable lighting (1), as in Linden's Handbook of Batteries, Table 4.6a"
#define ALKALINE_LOAD COMP(0.265, 0.05, \
    "between LR20 (18 Ah at 25 mA; 810 min on 2.2 ohm) and LR6 (2.9 Ah at 25 mA; 1.4 Ah at 500 mA)")

#define ALKALINE_OCV   {1.60, 1.51, 1.45, 1.41, 1.37, 1.34, 1.31, 1.28, 1.24, 1.18, 0.98}
#define ALKALINE_R     {1.0, 1.05, 1.1, 1.15, 1.2, 1.3, 1.4, 1.6, 1.9, 2.5, 4.0}
#define CARBON_OCV     {1.62, 1.53, 1.47, 1.42, 1.38, 1.34, 1.30, 1.25, 1.19, 1.11, 0.96}
#define CARBON_R       {1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.4, 3.0, 4.0, 6.0}

#define ALKALINE_REST                                                              \
    .chemistry = CELL_ALKALINE, .primary = true, .nominal_v = MEM(1.5, 0.0),       \
    .load_exponent = ALKALINE_LOAD, .capacity_k = MEM(0.006, 0.003),               \
    .ohm_half_k = MEM(24.0, 6.0), .self_year = MEM(0.025, 0.012),                  \
    .self_double_k = MEM(10.0, 2.0), .volt_per_k = MEM(-0.4e-3, 0.3e-3),           \
    .curve = MEM(1.0, 0.03), .ocv = ALKALINE_OCV, .growth = ALKALINE_R,            \
    .caution = "Do not charge, short or open it. A spent cell leaks caustic liquid: take it out, " \
               "and do not mix old and new cells or makes."
#define CARBON_REST                                                                \
    .chemistry = CELL_ZINC_CARBON, .primary = true, .nominal_v = MEM(1.5, 0.0),    \
    .capacity_k = MEM(0.012, 0.004), .ohm_half_k = MEM(18.0, 6.0),                 \
    .self_year = MEM(0.06, 0.03), .self_double_k = MEM(10.0, 2.0),                 \
    .volt_per_k = MEM(-0.2e-3, 0.3e-3), .curve = MEM(1.0, 0.04),                   \
    .ocv = CARBON_OCV, .growth = CARBON_R,                                         \
    .caution = "Do not charge, short or open it. The zinc can eats through when it is spent: take " \
               "it out, and do not mix old and new cells or makes."

/* Conventional nickel loses a tenth in the first days and then less and less each day; what counts
 * here is months, and half of it gone in five of them (from memory) is 1.6 a year. */
static const struct cell_kind kinds[] = {
    {.name = "LR6", .words = "alkaline, size AA", ALKALINE_REST,
     .end_v = MEM(0.9, 0.0),
     .capacity_ah = READ2(2.9, 0.25, "about 2900 mAh at 25 mA, an article on cell capacity quoting a maker"),
     .capacity_at_a = 0.025, .ohm = MEM(0.2, 0.06), .shelf_year = MEM(8.0, 2.0)},
    {.name = "LR14", .words = "alkaline, size C", ALKALINE_REST,
     .end_v = MEM(0.9, 0.0), .capacity_ah = MEM(8.0, 0.8), .capacity_at_a = 0.025,
     .ohm = MEM(0.17, 0.06), .shelf_year = MEM(8.0, 2.0)},
    {.name = "LR20", .words = "alkaline, size D", ALKALINE_REST,
     .end_v = READ(0.9, 0.0, LIGHTING_LR20),
     .capacity_ah = READ(18.0, 1.5, "a maker's LR20 specification, 10 Jan 2009: 18 000 mAh at 25 mA, 20 C, to 0.8 V"),
     .capacity_at_a = 0.025, .ohm = MEM(0.14, 0.05), .shelf_year = MEM(8.0, 2.0)},
    {.name = "R6P", .words = "zinc-carbon, high power, size AA", CARBON_REST,
     .end_v = MEM(0.9, 0.0), .capacity_ah = MEM(1.0, 0.15), .capacity_at_a = 0.01,
     .load_exponent = MEM(0.3, 0.08), .ohm = MEM(0.6, 0.25), .shelf_year = MEM(3.0, 1.0)},
    {.name = "R6S", .words = "zinc-carbon, standard, size AA", CARBON_REST,
     .end_v = MEM(0.9, 0.0), .capacity_ah = MEM(0.7, 0.15), .capacity_at_a = 0.01,
     .load_exponent = MEM(0.4, 0.1), .ohm = MEM(0.8, 0.3), .shelf_year = MEM(2.5, 1.0)},
    {.name = "R14P", .words = "zinc-carbon, high power, size C", CARBON_REST,
     .end_v = MEM(0.9, 0.0), .capacity_ah = MEM(3.2, 0.5), .capacity_at_a = 0.025,
     .load_exponent = MEM(0.3, 0.08), .ohm = MEM(0.5, 0.2), .shelf_year = MEM(3.0, 1.0)},
    {.name = "R14S", .words = "zinc-carbon, standard, size C", CARBON_REST,
     .end_v = MEM(0.9, 0.0), .capacity_ah = MEM(2.3, 0.5), .capacity_at_a = 0.025,
     .load_exponent = MEM(0.45, 0.1), .ohm = MEM(0.6, 0.25), .shelf_year = MEM(2.5, 1.0)},
    {.name = "R20P", .words = "zinc-carbon, high power, size D", CARBON_REST,
     .end_v = READ(0.9, 0.0, LIGHTING_LR20), .capacity_ah = MEM(7.5, 1.0), .capacity_at_a = 0.025,
     .load_exponent = COMP(0.41, 0.08, "7.5 Ah (from memory) at 25 mA to 320 min on 2.2 ohm, " LIGHTING_LR20),
     .ohm = MEM(0.35, 0.15), .shelf_year = MEM(3.0, 1.0)},
    {.name = "R20S", .words = "zinc-carbon, standard, size D", CARBON_REST,
     .end_v = READ(0.9, 0.0, LIGHTING_LR20), .capacity_ah = MEM(5.0, 1.0), .capacity_at_a = 0.025,
     .load_exponent = COMP(0.72, 0.12, "5 Ah (from memory) at 25 mA to 100 min on 2.2 ohm, " LIGHTING_LR20),
     .ohm = MEM(0.45, 0.2), .shelf_year = MEM(2.5, 1.0)},
    {.name = "lead-acid", .words = "sealed lead-acid, one 2 V cell", .chemistry = CELL_LEAD_ACID,
     .primary = false, .nominal_v = MEM(2.0, 0.0), .end_v = MEM(1.75, 0.0),
     .capacity_ah = {NAN, NAN, CELL_STATED, "printed on the battery, 20 h rate"},
     .capacity_at_a = 0.05, .load_exponent = MEM(0.14, 0.04), .capacity_k = MEM(0.008, 0.002),
     .ohm = MEM(0.025, 0.010), .ohm_half_k = MEM(40.0, 12.0), .self_year = MEM(0.4, 0.15),
     .self_double_k = MEM(10.0, 2.0), .volt_per_k = MEM(0.2e-3, 0.1e-3),
     .shelf_year = MEM(5.0, 1.5), .curve = MEM(1.0, 0.015),
     .ocv = {2.14, 2.125, 2.11, 2.095, 2.08, 2.06, 2.04, 2.02, 2.00, 1.975, 1.94},
     .growth = {1.0, 1.0, 1.05, 1.1, 1.15, 1.2, 1.3, 1.4, 1.6, 1.9, 2.5},
     .caution = "It gives hundreds of amperes into a short: fuse it at the battery. Charging makes "
                "an explosive gas; charge in the open with a charger made for it."},
    {.name = "NiMH", .words = "nickel-metal hydride, one cell", .chemistry = CELL_NIMH,
     .primary = false, .nominal_v = MEM(1.2, 0.0), .end_v = MEM(1.0, 0.0),
     .capacity_ah = {NAN, NAN, CELL_STATED, "printed on the cell, 5 h rate"},
     .capacity_at_a = 0.2, .load_exponent = MEM(0.03, 0.02), .capacity_k = MEM(0.006, 0.003),
     .ohm = MEM(0.05, 0.02), .ohm_half_k = MEM(30.0, 10.0), .self_year = MEM(1.6, 0.5),
     .self_double_k = MEM(10.0, 2.0), .volt_per_k = MEM(-0.4e-3, 0.3e-3),
     .shelf_year = MEM(5.0, 1.5), .curve = MEM(1.0, 0.02),
     .ocv = {1.40, 1.34, 1.315, 1.30, 1.29, 1.285, 1.28, 1.27, 1.255, 1.22, 1.10},
     .growth = {1.0, 1.0, 1.0, 1.0, 1.05, 1.05, 1.1, 1.2, 1.3, 1.6, 2.5},
     .caution = "It gives tens of amperes into a short. Charge it only with a charger made for it."},
    {.name = "NiMH-LSD", .words = "nickel-metal hydride, low self-discharge, one cell",
     .chemistry = CELL_NIMH, .primary = false, .nominal_v = MEM(1.2, 0.0), .end_v = MEM(1.0, 0.0),
     .capacity_ah = {NAN, NAN, CELL_STATED, "printed on the cell, 5 h rate"},
     .capacity_at_a = 0.2, .load_exponent = MEM(0.03, 0.02), .capacity_k = MEM(0.006, 0.003),
     .ohm = MEM(0.05, 0.02), .ohm_half_k = MEM(30.0, 10.0), .self_year = MEM(0.22, 0.09),
     .self_double_k = MEM(10.0, 2.0), .volt_per_k = MEM(-0.4e-3, 0.3e-3),
     .shelf_year = MEM(5.0, 1.5), .curve = MEM(1.0, 0.02),
     .ocv = {1.40, 1.34, 1.315, 1.30, 1.29, 1.285, 1.28, 1.27, 1.255, 1.22, 1.10},
     .growth = {1.0, 1.0, 1.0, 1.0, 1.05, 1.05, 1.1, 1.2, 1.3, 1.6, 2.5},
     .caution = "It gives tens of amperes into a short. Charge it only with a charger made for it."},
};
/* clang-format on */

const char *cell_mark_words(enum cell_mark mark)
{
    switch (mark) {
    case CELL_READ:
        return "read";
    case CELL_READ_2ND:
        return "read second-hand";
    case CELL_COMPUTED:
        return "computed";
    case CELL_MEMORY:
        return "from memory";
    case CELL_STATED:
        return "stated";
    }
    return "unknown";
}

const struct cell_kind *cell_kinds(size_t *n)
{
    *n = sizeof kinds / sizeof kinds[0];
    return kinds;
}

const struct cell_kind *cell_kind(const char *name)
{
    static const char *const sizes[][2] = {{"AA", "LR6"}, {"C", "LR14"}, {"D", "LR20"}};

    if (!name)
        return NULL;
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++)
        if (!strcasecmp(name, sizes[i][0]))
            name = sizes[i][1];
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (!strcasecmp(name, kinds[i].name))
            return &kinds[i];
    return NULL;
}

struct cell_battery cell_battery_of(const struct cell_kind *kind, int series)
{
    return (struct cell_battery){.kind = kind,
                                 .series = series,
                                 .parallel = 1,
                                 .capacity_ah = NAN,
                                 .cell_ohm = NAN,
                                 .end_v = NAN};
}

static enum status_code check_c(double temperature, struct status *st)
{
    return amount_check_value(temperature, "battery temperature", "C", LEAST_C, GREATEST_C, st);
}

enum status_code cell_check(const struct cell_battery *battery, struct status *st)
{
    if (!battery->kind) {
        status_fail(st, STATUS_INPUT, "the kind of cell is not named; LR20 is one");
        return STATUS_INPUT;
    }
    if (amount_check_value(battery->series, "number of cells in series", "cells", 1, 200, st) ||
        amount_check_value(battery->parallel, "number of cells in parallel", "cells", 1, 50, st))
        return STATUS_INPUT;
    if (isnan(battery->capacity_ah)) {
        if (isnan(battery->kind->capacity_ah.value))
            return status_fail(st, STATUS_INPUT,
                               "the capacity of a %s cell comes in every size; state it in ampere "
                               "hours, as printed on it",
                               battery->kind->name);
    } else if (amount_check_value(battery->capacity_ah, "capacity of a cell", "Ah", 0.001, 1e5,
                                  st)) {
        return STATUS_INPUT;
    }
    if (!isnan(battery->cell_ohm) &&
        amount_check_value(battery->cell_ohm, "internal resistance of a cell", "ohm", 0.0, 1e4, st))
        return STATUS_INPUT;
    if (!isnan(battery->end_v) && amount_check_value(battery->end_v, "end point of a cell", "V",
                                                     0.1, battery->kind->ocv[0], st))
        return STATUS_INPUT;
    return STATUS_OK;
}

/* The table's figures, or the person's own: for a person's figure a tenth (capacity, a rating is
 * seldom better) or a twentieth (resistance, measured) is taken as its uncertainty. */
static struct cell_figure cell_ah(const struct cell_battery *b)
{
    if (isnan(b->capacity_ah))
        return b->kind->capacity_ah;
    return (struct cell_figure){b->capacity_ah, 0.1 * b->capacity_ah, CELL_STATED, "stated"};
}

static struct cell_figure fresh_ohm(const struct cell_battery *b)
{
    struct cell_figure r = b->kind->ohm;

    if (!isnan(b->cell_ohm))
        return (struct cell_figure){b->cell_ohm, 0.05 * b->cell_ohm, CELL_STATED, "stated"};
    if (isnan(b->kind->capacity_ah.value)) {
        r.value /= b->capacity_ah;
        r.u /= b->capacity_ah;
    }
    return r;
}

static double rated_at(const struct cell_battery *b)
{
    if (isnan(b->kind->capacity_ah.value))
        return b->kind->capacity_at_a * b->capacity_ah;
    return b->kind->capacity_at_a;
}

/* Straight lines between the eleven points. The points are good to some hundredths of a volt, and
 * straight lines keep the curve monotone. */
static double on_curve(const double curve[CELL_POINTS], double depth)
{
    double x = depth * (CELL_POINTS - 1);
    int i = x >= CELL_POINTS - 1 ? CELL_POINTS - 2 : (int)x;

    return curve[i] + (x - i) * (curve[i + 1] - curve[i]);
}

enum status_code cell_state(const struct cell_battery *battery, double depth, double temperature,
                            double current, struct cell_state *out, struct status *st)
{
    const struct cell_kind *kind = battery->kind;
    double s = battery->series, p = battery->parallel, dt = temperature - REFERENCE;
    double emf, u_emf, r, u_r, end;
    struct cell_figure fresh;

    if (cell_check(battery, st) ||
        amount_check_value(depth, "depth of discharge", "", 0.0, 1.0, st) ||
        check_c(temperature, st) || amount_check_value(current, "current", "A", 0.0, 1000.0, st))
        return STATUS_INPUT;
    emf = on_curve(kind->ocv, depth) + kind->volt_per_k.value * dt;
    u_emf = hypot(kind->curve.u, kind->volt_per_k.u * dt);
    fresh = fresh_ohm(battery);
    r = fresh.value * on_curve(kind->growth, depth) * exp2(-dt / kind->ohm_half_k.value);
    /* Of the growth above 1 a third is doubt; so is the temperature law. */
    u_r = hypot(fresh.u / fresh.value,
                (on_curve(kind->growth, depth) - 1.0) / 3.0 / on_curve(kind->growth, depth));
    if (!(fresh.value > 0.0))
        u_r = 0.0;
    u_r = r * hypot(u_r, M_LN2 * dt * kind->ohm_half_k.u /
                             (kind->ohm_half_k.value * kind->ohm_half_k.value));
    end = isnan(battery->end_v) ? kind->end_v.value : battery->end_v;

    out->emf_v = s * emf;
    out->u_emf_v = s * u_emf; /* cells of one box are alike: their doubts add */
    out->ohm = s * r / p;
    out->u_ohm = s * u_r / p;
    out->loaded_v = out->emf_v - current * out->ohm;
    out->u_loaded_v = hypot(out->u_emf_v, current * out->u_ohm);
    out->cell_v = out->loaded_v / s;
    out->spent = out->cell_v <= end;
    return status_ok(st);
}

/* log of the share of capacity left at a current of one cell. */
static double log_load(const struct cell_battery *b, double current)
{
    double over = current / rated_at(b);

    return over > 1.0 ? log(over) : 0.0;
}

enum status_code cell_capacity(const struct cell_battery *battery, double mean_a, double peak_a,
                               double temperature, struct cell_figure *out, struct status *st)
{
    double p = battery->parallel, mean, peak, load, cold, share, u;
    struct cell_figure ah;

    if (cell_check(battery, st) ||
        amount_check_value(mean_a, "mean current", "A", 0.0, 1000.0, st) ||
        amount_check_value(peak_a, "pulse current", "A", 0.0, 1000.0, st) ||
        check_c(temperature, st))
        return STATUS_INPUT;
    if (peak_a < mean_a)
        return status_fail(st, STATUS_INPUT,
                           "pulse current is %g A, below the mean current of %g A", peak_a, mean_a);
    ah = cell_ah(battery);
    mean = log_load(battery, mean_a / p);
    peak = log_load(battery, peak_a / p);
    load = mean + LEAN * (peak - mean);
    cold = fmax(0.0, REFERENCE - temperature);
    share = fmax(0.05, 1.0 - battery->kind->capacity_k.value * cold);
    u = ah.u / ah.value;
    u = hypot(u, battery->kind->load_exponent.u * load);
    u = hypot(u, LEAN * battery->kind->load_exponent.value * (peak - mean));
    u = hypot(u, battery->kind->capacity_k.u * cold / share);
    out->value = p * ah.value * exp(-battery->kind->load_exponent.value * load) * share;
    out->u = out->value * u;
    out->mark = ah.mark == CELL_MEMORY ? CELL_MEMORY : CELL_COMPUTED;
    out->source = ah.source;
    return status_ok(st);
}

enum status_code cell_self_rate(const struct cell_battery *battery, double temperature,
                                struct cell_figure *out, struct status *st)
{
    double dt = temperature - REFERENCE, doubling, u;

    if (cell_check(battery, st) || check_c(temperature, st))
        return STATUS_INPUT;
    *out = battery->kind->self_year;
    doubling = battery->kind->self_double_k.value;
    u = hypot(out->u / out->value,
              M_LN2 * dt * battery->kind->self_double_k.u / (doubling * doubling));
    out->value *= exp2(dt / doubling);
    out->u = out->value * u;
    return status_ok(st);
}

enum status_code cell_depth(const struct cell_battery *battery, double volt, double temperature,
                            double *depth, double *u, struct status *st)
{
    const struct cell_kind *kind = battery->kind;
    double v, slope;
    int i = 0;

    if (cell_check(battery, st) ||
        amount_check_value(volt, "battery voltage", "V", 0.0, 1000.0, st) ||
        check_c(temperature, st))
        return STATUS_INPUT;
    v = volt / battery->series - kind->volt_per_k.value * (temperature - REFERENCE);
    while (i < CELL_POINTS - 2 && v < kind->ocv[i + 1])
        i++;
    slope = (kind->ocv[i] - kind->ocv[i + 1]) * (CELL_POINTS - 1);
    *depth = fmin(1.0, fmax(0.0, (double)i / (CELL_POINTS - 1) + (kind->ocv[i] - v) / slope));
    *u = fmin(0.3, hypot(kind->curve.u, kind->volt_per_k.u * (temperature - REFERENCE)) / slope);
    return status_ok(st);
}
