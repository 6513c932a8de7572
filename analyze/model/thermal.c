#include "analyze/model/thermal.h"
#include "analyze/model/amount.h"

#include <gsl/gsl_integration.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#define ZERO_C      273.15
#define BOLTZMANN   5.670374419e-8 /* Stefan-Boltzmann constant, W/(m2 K4), CODATA 2018 */
#define FILM_SPREAD 0.3            /* half-width of the 95 % interval, relative */
#define HEAT_SPREAD 0.1            /* the same for heat capacity */
#define EMISSIVITY  0.9
#define INSIDE_LIKELY                                                                              \
    0.4 /* conductivity of a wire bundle across the wires, W/(m K), from memory: */
#define INSIDE_LEAST   0.15 /* dry scramble-wound */
#define INSIDE_MOST    1.0  /* tight layers in varnish */
#define SAMPLES        1000
#define TOUCH_LIMIT_V  60.0
#define SPARK_V        300.0 /* no spark in air below about this (Paschen's least), from memory */
#define ARC_V          15.0  /* a short arc between copper or silver contacts, from memory */
#define ARC_A          0.3   /* below about this no steady arc, from memory */
#define CONTACT_LOSSES 0.3   /* share of the ideal peak left by iron losses at the worst */

static enum status_code check_c(const char *quantity, double value, struct status *st)
{
    return amount_check_value(value, quantity, "C", THERMAL_LEAST_C, THERMAL_GREATEST_C, st);
}

static enum status_code check_ohm(const char *quantity, double value, struct status *st)
{
    return amount_check_value(value, quantity, "ohm", 1e-6, 1e9, st);
}

static enum status_code check_metal(enum thermal_metal metal, struct status *st)
{
    if (metal == THERMAL_COPPER || metal == THERMAL_ALUMINIUM)
        return STATUS_OK;
    status_fail(st, STATUS_INPUT, "metal is number %d; only copper and aluminium are known",
                (int)metal);
    return STATUS_INPUT;
}

double thermal_k(enum thermal_metal metal)
{
    return metal == THERMAL_ALUMINIUM ? 225.0 : 235.0;
}

/* Doubt about k, C: 234.5 is printed as well for copper, 228 for aluminium; half-width 0.5 and 3,
 * rectangular. */
static double k_doubt(enum thermal_metal metal)
{
    return (metal == THERMAL_ALUMINIUM ? 3.0 : 0.5) / sqrt(3.0);
}

double thermal_volume_heat(enum thermal_metal metal)
{
    return metal == THERMAL_ALUMINIUM ? 2.5e6 : 3.45e6;
}

double thermal_mass_heat(enum thermal_metal metal)
{
    return thermal_volume_heat(metal) / (metal == THERMAL_ALUMINIUM ? 2703.0 : 8890.0);
}

/* ohm m at 20 C: 1/58 for annealed copper (IEC 60028), 28.264e-9 for hard-drawn aluminium
 * (IEC 60889, from memory). */
static double resistivity_20(enum thermal_metal metal)
{
    return metal == THERMAL_ALUMINIUM ? 28.264e-9 : 1e-6 / 58.0;
}

static double resistance_ratio(enum thermal_metal metal, double from, double to)
{
    return (thermal_k(metal) + to) / (thermal_k(metal) + from);
}

enum status_code thermal_resistance_at(enum thermal_metal metal, double r1, double t1, double t2,
                                       double *r2, struct status *st)
{
    if (check_metal(metal, st) || check_ohm("resistance", r1, st) ||
        check_c("temperature of the first resistance", t1, st) || check_c("temperature", t2, st))
        return STATUS_INPUT;
    *r2 = r1 * resistance_ratio(metal, t1, t2);
    return status_ok(st);
}

enum status_code thermal_from_resistance(enum thermal_metal metal, double r1, double t1, double r2,
                                         double *t2, struct status *st)
{
    double t;

    if (check_metal(metal, st) || check_ohm("cold resistance", r1, st) ||
        check_ohm("warm resistance", r2, st) || check_c("cold temperature", t1, st))
        return STATUS_INPUT;
    t = r2 / r1 * (thermal_k(metal) + t1) - thermal_k(metal);
    if (t < THERMAL_LEAST_C || t > THERMAL_GREATEST_C) {
        status_fail(st, STATUS_INPUT,
                    "%g ohm against %g ohm at %g C would mean %.0f C, outside %g to %g C; one "
                    "of the readings belongs to another coil or has a bad joint in it",
                    r2, r1, t1, t, THERMAL_LEAST_C, THERMAL_GREATEST_C);
        return STATUS_INPUT;
    }
    *t2 = t;
    return status_ok(st);
}

enum status_code thermal_from_resistance_u(enum thermal_metal metal, double r1, double u_r1,
                                           double t1, double u_t1, double r2, double u_r2,
                                           struct thermal_interval *t2, struct status *st)
{
    double t, u, k;

    if (amount_check_value(u_r1, "uncertainty of the cold resistance", "ohm", 0.0, 1e9, st) ||
        amount_check_value(u_r2, "uncertainty of the warm resistance", "ohm", 0.0, 1e9, st) ||
        amount_check_value(u_t1, "uncertainty of the cold temperature", "C", 0.0, 100.0, st) ||
        thermal_from_resistance(metal, r1, t1, r2, &t, st))
        return STATUS_INPUT;
    k = thermal_k(metal);
    u = (k + t) * (u_r2 / r2);
    u = hypot(u, (k + t) * (u_r1 / r1));
    u = hypot(u, r2 / r1 * u_t1);
    u = hypot(u, (r2 / r1 - 1.0) * k_doubt(metal));
    t2->value = t;
    t2->low = t - 2.0 * u;
    t2->high = t + 2.0 * u;
    return status_ok(st);
}

enum status_code thermal_rise(enum thermal_metal metal, double r1, double t1, double r2, double ta,
                              double *rise, struct status *st)
{
    double t2;

    if (check_c("coolant temperature", ta, st) ||
        thermal_from_resistance(metal, r1, t1, r2, &t2, st))
        return STATUS_INPUT;
    *rise = t2 - ta;
    return status_ok(st);
}

/* The growth rate of (k + t), 1/s: j^2 rho(t) / (c d) is this times (k + t). */
static double adiabatic_growth(enum thermal_metal metal, double j)
{
    return j * j * resistivity_20(metal) / (thermal_volume_heat(metal) * (thermal_k(metal) + 20.0));
}

static enum status_code check_j(enum thermal_metal metal, double j, struct status *st)
{
    if (check_metal(metal, st))
        return STATUS_INPUT;
    return amount_check_value(j, "current density", "A/m2", 0.0, 1e9, st);
}

enum status_code thermal_adiabatic_rate(enum thermal_metal metal, double j, double t, double *rate,
                                        struct status *st)
{
    if (check_j(metal, j, st) || check_c("temperature", t, st))
        return STATUS_INPUT;
    *rate = adiabatic_growth(metal, j) * (thermal_k(metal) + t);
    return status_ok(st);
}

enum status_code thermal_adiabatic_after(enum thermal_metal metal, double j, double t1, double s,
                                         double *t2, struct status *st)
{
    double t;

    if (check_j(metal, j, st) || check_c("starting temperature", t1, st) ||
        amount_check_value(s, "time", "s", 0.0, 1e9, st))
        return STATUS_INPUT;
    t = (thermal_k(metal) + t1) * exp(adiabatic_growth(metal, j) * s) - thermal_k(metal);
    if (!(t <= THERMAL_GREATEST_C))
        return status_fail(st, STATUS_INPUT,
                           "after %g s at %g A/m2 the wire would be past %g C, where this formula "
                           "ends and insulation has long failed",
                           s, j, THERMAL_GREATEST_C);
    *t2 = t;
    return status_ok(st);
}

enum status_code thermal_adiabatic_time(enum thermal_metal metal, double j, double t1, double t2,
                                        double *s, struct status *st)
{
    if (check_j(metal, j, st) || check_c("starting temperature", t1, st) ||
        check_c("final temperature", t2, st))
        return STATUS_INPUT;
    if (t2 < t1)
        return status_fail(st, STATUS_INPUT,
                           "final temperature is %g C, below the starting %g C; heating only warms",
                           t2, t1);
    if (t2 > t1)
        *s = j > 0.0 ? log(resistance_ratio(metal, t1, t2)) / adiabatic_growth(metal, j) : INFINITY;
    else
        *s = 0.0;
    return status_ok(st);
}

/* Limits from memory unless a source is given; classes of IEC 60085 as quoted by an encyclopaedia
 * page on insulation systems (read second-hand), 250 from memory. */
#define CLASSES "IEC 60085 class, read second-hand"
#define MEMORY  "from memory"

static const struct thermal_material materials[] = {
    {"pla", "printed bobbin of PLA (softens)", 55.0, MEMORY},
    {"wax", "beeswax or paraffin wax (melts)", 55.0, MEMORY},
    {"hot-glue", "hot-melt glue (softens)", 60.0, MEMORY},
    {"petg", "printed bobbin of PETG (softens)", 70.0, MEMORY},
    {"pvc-tape", "PVC insulating tape", 80.0, MEMORY},
    {"abs", "moulded or printed bobbin of ABS", 85.0, MEMORY},
    {"class-y", "class Y: cotton, silk, paper, thread, not impregnated", 90.0, CLASSES},
    {"thread", "cotton or silk thread, not impregnated (class Y)", 90.0, CLASSES},
    {"paper", "paper or card, not impregnated (class Y)", 90.0, CLASSES},
    {"class-a", "class A: cotton, silk, paper, varnished or oiled; oil-based enamel", 105.0,
     CLASSES},
    {"varnished-paper", "varnished paper or cloth (class A)", 105.0, CLASSES},
    {"nylon", "nylon bobbin", 105.0, MEMORY},
    {"class-e", "class E: polyvinyl acetal enamel", 120.0, CLASSES},
    {"class-b", "class B: polyester film and tape, modified polyester", 130.0, CLASSES},
    {"polyester-tape", "polyester film tape", 130.0, MEMORY},
    {"class-f", "class F: modified polyurethane or polyester enamel", 155.0, CLASSES},
    {"class-h", "class H: polyesterimide enamel, silicone", 180.0, CLASSES},
    {"glass-tape", "glass cloth tape with silicone adhesive", 180.0, MEMORY},
    {"class-n", "class N: polyester with polyamide-imide overcoat", 200.0, CLASSES},
    {"class-r", "class R: polyamide-imide enamel", 220.0, CLASSES},
    {"polyimide-tape", "polyimide film tape with silicone adhesive", 220.0, MEMORY},
    {"class-250", "class 250: polyimide enamel", 250.0, MEMORY},
};

const struct thermal_material *thermal_materials(size_t *n)
{
    *n = sizeof materials / sizeof materials[0];
    return materials;
}

const struct thermal_material *thermal_material(const char *name)
{
    size_t n = sizeof materials / sizeof materials[0];
    char letter[16], number[16];

    if (!name)
        return NULL;
    snprintf(letter, sizeof letter, "class-%.8s", name);
    for (size_t i = 0; i < n; i++) {
        if (!strcasecmp(name, materials[i].name) || !strcasecmp(letter, materials[i].name))
            return &materials[i];
        snprintf(number, sizeof number, "%.0f", materials[i].limit_c);
        if (!strcmp(number, name) && !strncmp(materials[i].name, "class-", 6))
            return &materials[i];
    }
    return NULL;
}

const struct thermal_material *thermal_weakest(const struct thermal_material *const list[],
                                               size_t n)
{
    const struct thermal_material *weakest = NULL;

    for (size_t i = 0; i < n; i++)
        if (list[i] && (!weakest || list[i]->limit_c < weakest->limit_c))
            weakest = list[i];
    return weakest;
}

/* W/(m2 K) at a surface temperature ts over ta; input checked. */
static double film_of(double ts, double ta, double height, double emissivity)
{
    double hot = ts + ZERO_C, cold = ta + ZERO_C;
    double convection = 1.42 * pow(fabs(ts - ta) / height, 0.25);
    double radiation =
        emissivity * BOLTZMANN * (hot + cold) * (hot * hot + cold * cold); /* (T^4 - T^4)/(T - T) */

    return convection + radiation;
}

enum status_code thermal_film(double ts, double ta, double height_m, double emissivity,
                              struct thermal_interval *h, struct status *st)
{
    if (check_c("surface temperature", ts, st) ||
        amount_check_value(ta, "air temperature", "C", -60.0, 120.0, st) ||
        amount_check_value(height_m, "height of the surface", "m", 0.001, 10.0, st))
        return STATUS_INPUT;
    if (isnan(emissivity))
        emissivity = EMISSIVITY;
    if (amount_check_value(emissivity, "emissivity", "", 0.0, 1.0, st))
        return STATUS_INPUT;
    h->value = film_of(ts, ta, height_m, emissivity);
    h->low = h->value * (1.0 - FILM_SPREAD);
    h->high = h->value * (1.0 + FILM_SPREAD);
    return status_ok(st);
}

/* The coil, its supply and the air in one place, with the two doubtful constants made free. */
struct balance {
    const struct thermal_coil *coil;
    const struct thermal_supply *supply;
    double ambient, height, emissivity;
    double film_factor; /* on the heat transfer coefficient */
    double inside;      /* conductivity of the winding across the wires, W/(m K) */
    double mean;        /* temperature sought by surface_error */
};

static double power_at(const struct balance *b, double t)
{
    double r = b->coil->ohm * resistance_ratio(b->coil->metal, b->coil->ohm_at_c, t);
    double i =
        isnan(b->supply->volt) ? b->supply->ampere : b->supply->volt / (r + b->supply->source_ohm);

    return b->supply->duty * i * i * r;
}

static double loss_at(const struct balance *b, double ts)
{
    return b->film_factor * film_of(ts, b->ambient, b->height, b->emissivity) *
           b->coil->surface_m2 * (ts - b->ambient);
}

/* Heat made evenly over a depth with one warm side closed (the core) and the surface open: the mean
 * stands P depth / (3 A k) above the surface and the hottest place half as much again. */
static double mean_over_surface(const struct balance *b, double watt)
{
    if (isnan(b->coil->depth_m))
        return 0.0;
    return watt * b->coil->depth_m / (3.0 * b->coil->surface_m2 * b->inside);
}

static double mean_at(const struct balance *b, double ts)
{
    return ts + mean_over_surface(b, loss_at(b, ts));
}

static double balance_error(double ts, void *context)
{
    const struct balance *b = context;

    return power_at(b, mean_at(b, ts)) - loss_at(b, ts);
}

static double surface_error(double ts, void *context)
{
    const struct balance *b = context;

    return mean_at(b, ts) - b->mean;
}

/* Root of f between low and high, where it changes sign; NaN when GSL has no memory. */
static double root(double (*f)(double, void *), struct balance *b, double low, double high)
{
    gsl_function function = {f, b};
    gsl_root_fsolver *solver;
    double x = NAN;

    if (f(low, b) == 0.0)
        return low;
    if (f(high, b) == 0.0)
        return high;
    solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!solver)
        return NAN;
    if (gsl_root_fsolver_set(solver, &function, low, high) == 0) {
        for (int i = 0; i < 100; i++) {
            if (gsl_root_fsolver_iterate(solver) != 0)
                break;
            x = gsl_root_fsolver_root(solver);
            if (gsl_root_test_interval(gsl_root_fsolver_x_lower(solver),
                                       gsl_root_fsolver_x_upper(solver), 1e-7, 1e-10) == 0)
                break;
        }
    }
    gsl_root_fsolver_free(solver);
    return x;
}

/* Surface temperature at a mean temperature, both above ambient. */
static double surface_at(struct balance *b, double mean)
{
    if (isnan(b->coil->depth_m) || mean <= b->ambient)
        return mean;
    b->mean = mean;
    return root(surface_error, b, b->ambient, mean);
}

static enum status_code check_balance(const struct thermal_coil *coil,
                                      const struct thermal_supply *supply, double ambient,
                                      struct balance *b, struct status *st)
{
    if (check_metal(coil->metal, st) || check_ohm("coil resistance", coil->ohm, st) ||
        check_c("temperature of the coil resistance", coil->ohm_at_c, st) ||
        amount_check_value(coil->conductor_kg, "conductor mass", "kg", 1e-7, 1e4, st) ||
        amount_check_value(coil->other_heat, "heat capacity beside the conductor", "J/K", 0.0, 1e8,
                           st) ||
        amount_check_value(coil->surface_m2, "surface", "m2", 1e-7, 100.0, st) ||
        amount_check_value(ambient, "ambient temperature", "C", -60.0, 120.0, st) ||
        amount_check_value(supply->duty, "duty", "", 0.0, 1.0, st))
        return STATUS_INPUT;
    if (isnan(supply->volt) == isnan(supply->ampere)) {
        status_fail(st, STATUS_INPUT,
                    "supply voltage is %g V and supply current %g A; state exactly one",
                    supply->volt, supply->ampere);
        return STATUS_INPUT;
    }
    if (!isnan(supply->volt) &&
        (amount_check_value(supply->volt, "supply voltage", "V", 0.0, 1e4, st) ||
         amount_check_value(supply->source_ohm, "source resistance", "ohm", 0.0, 1e9, st)))
        return STATUS_INPUT;
    if (!isnan(supply->ampere) &&
        amount_check_value(supply->ampere, "supply current", "A", 0.0, 1e4, st))
        return STATUS_INPUT;
    *b = (struct balance){.coil = coil,
                          .supply = supply,
                          .ambient = ambient,
                          .height = coil->height_m,
                          .emissivity = coil->emissivity,
                          .film_factor = 1.0,
                          .inside = INSIDE_LIKELY};
    if (isnan(b->height))
        b->height = fmin(fmax(sqrt(coil->surface_m2), 0.001), 10.0);
    if (isnan(b->emissivity))
        b->emissivity = EMISSIVITY;
    if (amount_check_value(b->height, "height of the coil", "m", 0.001, 10.0, st) ||
        amount_check_value(b->emissivity, "emissivity", "", 0.0, 1.0, st))
        return STATUS_INPUT;
    if (!isnan(coil->depth_m) &&
        amount_check_value(coil->depth_m, "winding depth", "m", 0.0, 1.0, st))
        return STATUS_INPUT;
    return STATUS_OK;
}

/* Mean temperature in balance; *surface gets the surface's. 400 C when there is none below. */
static double balance_at(struct balance *b, double *surface)
{
    double ts = b->ambient;

    if (balance_error(THERMAL_GREATEST_C, b) > 0.0)
        ts = THERMAL_GREATEST_C;
    else if (balance_error(b->ambient, b) > 0.0)
        ts = root(balance_error, b, b->ambient, THERMAL_GREATEST_C);
    *surface = ts;
    return fmin(mean_at(b, ts), THERMAL_GREATEST_C);
}

static double heat_capacity(const struct thermal_coil *coil)
{
    return coil->conductor_kg * thermal_mass_heat(coil->metal) + coil->other_heat;
}

enum status_code thermal_steady(const struct thermal_coil *coil,
                                const struct thermal_supply *supply, double ambient,
                                struct thermal_steady *out, struct status *st)
{
    const double factor[3] = {1.0 + FILM_SPREAD, 1.0, 1.0 - FILM_SPREAD};
    const double inside[3] = {INSIDE_MOST, INSIDE_LIKELY, INSIDE_LEAST};
    double mean[3], hot[3], ts, rise;
    struct balance b;

    if (check_balance(coil, supply, ambient, &b, st))
        return STATUS_INPUT;
    for (int i = 0; i < 3; i++) {
        b.film_factor = factor[i];
        b.inside = inside[i];
        mean[i] = balance_at(&b, &ts);
        if (!isfinite(mean[i]) || !isfinite(ts)) {
            status_fail(st, STATUS_NUMERIC, "no steady temperature was found between %g and %g C",
                        ambient, THERMAL_GREATEST_C);
            return STATUS_NUMERIC;
        }
        hot[i] = 1.5 * mean_over_surface(&b, loss_at(&b, ts));
        if (i == 1)
            out->film = film_of(ts, ambient, b.height, b.emissivity);
    }
    out->temperature = (struct thermal_interval){mean[0], mean[1], mean[2]};
    out->rise = (struct thermal_interval){mean[0] - ambient, mean[1] - ambient, mean[2] - ambient};
    out->inside = (struct thermal_interval){hot[0], hot[1], hot[2]};
    out->watt_cold = power_at(&b, ambient);
    out->watt_hot = power_at(&b, mean[1]);
    out->steady = mean[1] < THERMAL_GREATEST_C;
    rise = mean[1] - ambient;
    /* Without a rise the film is taken at 10 K, so that the time constant is still a number. */
    if (rise > 1.0 && out->steady)
        out->tau_s = heat_capacity(coil) * rise / out->watt_hot;
    else
        out->tau_s = heat_capacity(coil) /
                     (film_of(ambient + 10.0, ambient, b.height, b.emissivity) * coil->surface_m2);
    return status_ok(st);
}

static double seconds_per_kelvin(double t, void *context)
{
    struct balance *b = context;
    double net = power_at(b, t) - loss_at(b, surface_at(b, t));

    return net > 0.0 ? heat_capacity(b->coil) / net : INFINITY;
}

/* INFINITY when the balance lies below the limit, NaN when GSL has no memory. */
static double seconds_to(struct balance *b, double start, double limit)
{
    gsl_function function = {seconds_per_kelvin, b};
    gsl_integration_workspace *workspace;
    double s = NAN, error;

    if (limit <= start)
        return 0.0;
    /* Power less loss has one zero and falls through it, so its sign at the limit decides. */
    if (!isfinite(seconds_per_kelvin(limit, b)) || !isfinite(seconds_per_kelvin(start, b)))
        return INFINITY;
    workspace = gsl_integration_workspace_alloc(SAMPLES);
    if (!workspace)
        return NAN;
    if (gsl_integration_qag(&function, start, limit, 0.0, 1e-7, SAMPLES, GSL_INTEG_GAUSS21,
                            workspace, &s, &error) != 0 &&
        !(error < 0.01 * s))
        s = NAN;
    gsl_integration_workspace_free(workspace);
    return s;
}

enum status_code thermal_time_to(const struct thermal_coil *coil,
                                 const struct thermal_supply *supply, double ambient, double start,
                                 double limit, struct thermal_interval *seconds, struct status *st)
{
    const double factor[3] = {1.0 - FILM_SPREAD, 1.0, 1.0 + FILM_SPREAD};
    double s[3];
    struct balance b;

    if (check_balance(coil, supply, ambient, &b, st) ||
        check_c("starting temperature", start, st) || check_c("temperature limit", limit, st))
        return STATUS_INPUT;
    for (int i = 0; i < 3; i++) {
        b.film_factor = factor[i];
        s[i] = seconds_to(&b, start, limit);
        if (isnan(s[i])) {
            status_fail(st, STATUS_NUMERIC, "the time from %g to %g C could not be integrated",
                        start, limit);
            return STATUS_NUMERIC;
        }
    }
    seconds->low = s[0] * (1.0 - HEAT_SPREAD);
    seconds->value = s[1];
    seconds->high = s[2] * (1.0 + HEAT_SPREAD);
    return status_ok(st);
}

/* "8 s", "3 min", "2 h" */
static void time_words(double s, char text[], size_t size)
{
    if (!isfinite(s))
        snprintf(text, size, "a long time");
    else if (s < 120.0)
        snprintf(text, size, "%.2g s", s);
    else if (s < 7200.0)
        snprintf(text, size, "%.0f min", s / 60.0);
    else
        snprintf(text, size, "%.0f h", s / 3600.0);
}

static void supply_words(const struct thermal_coil *coil, const struct thermal_supply *supply,
                         char text[], size_t size)
{
    int used;

    if (isnan(supply->volt))
        used = snprintf(text, size, "%.3g A through %.3g ohm", supply->ampere, coil->ohm);
    else
        used = snprintf(text, size, "%.3g V on %.3g ohm", supply->volt, coil->ohm);
    if (supply->duty < 1.0 && used > 0 && (size_t)used < size)
        snprintf(text + used, size - (size_t)used, ", on %.2g %% of the time",
                 100.0 * supply->duty);
}

enum status_code thermal_verdict(const struct thermal_coil *coil,
                                 const struct thermal_supply *supply, double ambient,
                                 const struct thermal_material *weakest,
                                 enum thermal_danger *danger, char text[], size_t size,
                                 struct status *st)
{
    struct thermal_steady steady;
    struct thermal_interval seconds;
    char what[96], least[32], most[32], settle[64];
    double extra[3]; /* hottest place over the mean */
    enum status_code code;

    if (!text || size == 0)
        return status_fail(st, STATUS_INPUT, "no room was given for the sentence");
    text[0] = '\0';
    if (!weakest)
        return status_fail(st, STATUS_INPUT,
                           "no insulating material was named; its temperature "
                           "limit is needed, for example class A, 105 C");
    code = thermal_steady(coil, supply, ambient, &steady, st);
    if (code)
        return code;
    extra[1] = steady.inside.value / 3.0;
    extra[2] = steady.inside.high / 3.0;
    if (steady.temperature.value + extra[1] > weakest->limit_c)
        *danger = THERMAL_COOKS;
    else if (steady.temperature.high + extra[2] > weakest->limit_c)
        *danger = THERMAL_WARM;
    else
        *danger = THERMAL_SAFE;
    if (*danger == THERMAL_SAFE)
        return status_ok(st);
    code = thermal_time_to(coil, supply, ambient, ambient, weakest->limit_c, &seconds, st);
    if (code)
        return code;
    supply_words(coil, supply, what, sizeof what);
    time_words(seconds.low, least, sizeof least);
    time_words(seconds.high, most, sizeof most);
    if (steady.steady)
        snprintf(settle, sizeof settle, "settle near %.0f C (%.0f to %.0f C)",
                 steady.temperature.value, steady.temperature.low, steady.temperature.high);
    else
        snprintf(settle, sizeof settle, "pass %.0f C", THERMAL_GREATEST_C);
    if (*danger == THERMAL_COOKS)
        snprintf(text, size,
                 "%s is %.3g W: the winding would %s; the limit of %s is %.0f C, reached in %s to "
                 "%s. Use a lower voltage, or pulses with rests, and do not touch it hot.",
                 what, steady.watt_cold, settle, weakest->words, weakest->limit_c, least, most);
    else
        snprintf(text, size,
                 "%s is %.3g W: the winding should %s, but the limit of %s, %.0f C, lies within "
                 "what is likely. Watch it: measure its resistance warm.",
                 what, steady.watt_cold, settle, weakest->words, weakest->limit_c);
    return status_ok(st);
}

/* Seconds for the current to fall through coil, its resistance and a drop. */
static double decay_time(const struct thermal_switch_off *off, double drop)
{
    double shift = drop / off->ohm;

    if (off->release_a >= off->ampere)
        return 0.0;
    if (off->release_a + shift <= 0.0)
        return INFINITY;
    return off->henry / off->ohm * log((off->ampere + shift) / (off->release_a + shift));
}

enum status_code thermal_spike(const struct thermal_switch_off *off, struct thermal_spike *out,
                               struct status *st)
{
    double least_f = 20e-12, most_f = 1e-9, least_v = 0.5, likely_v = 0.7, most_v = 1.1;
    double ideal, low;

    if (amount_check_value(off->henry, "inductance", "H", 1e-9, 1e4, st) ||
        amount_check_value(off->ampere, "current", "A", 0.0, 1e4, st) ||
        check_ohm("coil resistance", off->ohm, st) ||
        amount_check_value(off->supply_v, "supply voltage", "V", 0.0, 1e4, st))
        return STATUS_INPUT;
    if (!isnan(off->stray_f)) {
        if (amount_check_value(off->stray_f, "stray capacitance", "F", 1e-13, 1e-3, st))
            return STATUS_INPUT;
        least_f = off->stray_f / 2.0;
        most_f = off->stray_f * 2.0;
    }
    if (!isnan(off->diode_v)) {
        if (amount_check_value(off->diode_v, "forward drop of the diode", "V", 0.0, 5.0, st))
            return STATUS_INPUT;
        least_v = likely_v = most_v = off->diode_v;
    }
    if (!isnan(off->release_a) &&
        amount_check_value(off->release_a, "release current", "A", 0.0, 1e4, st))
        return STATUS_INPUT;

    out->energy_j = 0.5 * off->henry * off->ampere * off->ampere;
    ideal = off->ampere * sqrt(off->henry / least_f);
    low = fmin(SPARK_V, CONTACT_LOSSES * off->ampere * sqrt(off->henry / most_f));
    out->bare_v.low = off->supply_v + low;
    out->bare_v.high = off->supply_v + ideal;
    out->bare_v.value = off->supply_v + sqrt(low * ideal);
    out->diode_v = (struct thermal_interval){off->supply_v + least_v, off->supply_v + likely_v,
                                             off->supply_v + most_v};
    out->shock = out->bare_v.high > TOUCH_LIMIT_V;
    out->bare_release_s = out->diode_release_s = (struct thermal_interval){NAN, NAN, NAN};
    if (!isnan(off->release_a)) {
        double left = off->release_a < off->ampere ? off->release_a / off->ampere : 1.0;
        double arc_v = off->ampere > ARC_A ? ARC_V : SPARK_V;
        double quick = sqrt(off->henry * least_f) * acos(left);
        double slow = sqrt(off->henry * most_f) * acos(left) +
                      off->henry * off->ampere * (1.0 - left) / arc_v;

        out->bare_release_s = (struct thermal_interval){quick, sqrt(quick * slow), slow};
        out->diode_release_s = (struct thermal_interval){
            decay_time(off, most_v), decay_time(off, likely_v), decay_time(off, least_v)};
    }
    return status_ok(st);
}
