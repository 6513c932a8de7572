#include "analyze/model/drive.h"
#include "analyze/model/amount.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>
#include <gsl/gsl_roots.h>
#include <gsl/gsl_spline.h>
#include <math.h>
#include <stdlib.h>

#define DAY           86400.0
#define YEAR          (365.25 * DAY)
#define LIFE_STEPS    64
#define SAMPLES       65
#define TOLERANCE     1e-10 /* of one step; some thousands of them add up to 1e-6 at worst */
#define SETTLED       40.0  /* longest time constants after which the current no longer changes */
#define LEAST_SLOPE   1e-6  /* of the secant inductance; a flatter linkage would be no coil */
#define MOST_STEPS    2000000
#define HOPELESS_DAYS 1e-3 /* stands in for 'never' where a logarithm is wanted */

static enum status_code check_circuit(const struct drive_circuit *c, struct status *st)
{
    if (amount_check_value(c->emf_v, "electromotive force", "V", 0.0, 1e4, st) ||
        amount_check_value(c->source_ohm, "source resistance", "ohm", 0.0, 1e6, st) ||
        amount_check_value(c->coil_ohm, "coil resistance", "ohm", 1e-6, 1e9, st) ||
        amount_check_value(c->coil_h, "coil inductance", "H", 0.0, 1e4, st) ||
        amount_check_value(c->coupling, "coupling of the closed winding", "", 0.0, 1.0, st))
        return STATUS_INPUT;
    if (c->coupling > 0.0 &&
        amount_check_value(c->secondary_s, "time constant of the closed winding", "s", 1e-9, 1e6,
                           st))
        return STATUS_INPUT;
    return STATUS_OK;
}

static enum status_code check_pulse(const struct drive_pulse *pulse, struct status *st)
{
    if (amount_check_value(pulse->length_s, "pulse length", "s", 1e-9, 1e6, st) ||
        amount_check_value(pulse->period_s, "pulse period", "s", 1e-9, 1e8, st))
        return STATUS_INPUT;
    if (pulse->period_s < pulse->length_s)
        return status_fail(st, STATUS_INPUT,
                           "pulse period is %g s, shorter than the pulse of %g s; pulses would "
                           "overlap",
                           pulse->period_s, pulse->length_s);
    return STATUS_OK;
}

enum status_code drive_check(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                             struct status *st)
{
    if (check_circuit(circuit, st) || check_pulse(pulse, st))
        return STATUS_INPUT;
    return status_ok(st);
}

/* x + exp(-x) - 1, which loses all digits to cancellation when x is small. */
static double ramp(double x)
{
    if (x < 0.02)
        return x * x * (0.5 - x * (1.0 / 6.0 - x * (1.0 / 24.0 - x / 120.0)));
    return x + expm1(-x);
}

/* Integral of (1 - exp(-u))^2 from 0 to x, likewise. */
static double ramp_square(double x)
{
    if (x < 0.02)
        return x * x * x * (1.0 / 3.0 - x * (0.25 - x * (7.0 / 60.0 - x / 24.0)));
    return x + 2.0 * expm1(-x) - 0.5 * expm1(-2.0 * x);
}

/* The step answer 1 - a exp(-t/slow) - b exp(-t/fast) of the circuit, as a share of the final
 * current. slow and fast are the roots of T^2 - (t1 + t2) T + (1 - k^2) t1 t2. */
struct step {
    double slow, fast, a, b;
};

static double total_ohm(const struct drive_circuit *c)
{
    return c->source_ohm + c->coil_ohm;
}

static struct step step_of(const struct drive_circuit *c)
{
    double t1 = c->coil_h / total_ohm(c), t2 = c->secondary_s, sum, root;
    struct step s = {t1, 0.0, 1.0, 0.0};

    if (!(c->coupling > 0.0) || !(t1 > 0.0))
        return s;
    sum = t1 + t2;
    root = sqrt((t1 - t2) * (t1 - t2) + 4.0 * c->coupling * c->coupling * t1 * t2);
    s.slow = 0.5 * (sum + root);
    s.fast = (1.0 - c->coupling * c->coupling) * t1 * t2 / s.slow;
    s.a = (s.slow - t2) / (s.slow - s.fast);
    s.b = 1.0 - s.a;
    return s;
}

static double grown(double t, double tau)
{
    return tau > 0.0 ? -expm1(-t / tau) : 1.0;
}

double drive_current(const struct drive_circuit *circuit, double t)
{
    struct step s = step_of(circuit);

    return circuit->emf_v / total_ohm(circuit) * (s.a * grown(t, s.slow) + s.b * grown(t, s.fast));
}

/* Charge of a unit final current over t, one exponential. */
static double charge_of(double t, double tau)
{
    return tau > 0.0 ? tau * ramp(t / tau) : t;
}

/* Integral of (1 - exp(-u/p))(1 - exp(-u/q)) from 0 to t. */
static double product_of(double t, double p, double q)
{
    double both;

    if (!(p > 0.0))
        return charge_of(t, q);
    if (!(q > 0.0))
        return charge_of(t, p);
    if (p == q)
        return p * ramp_square(t / p);
    both = p * q / (p + q);
    return t + p * expm1(-t / p) + q * expm1(-t / q) - both * expm1(-t / both);
}

void drive_quick(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                 struct drive_result *out)
{
    double t = pulse->length_s, r = total_ohm(circuit), h = circuit->coil_h, square, second = 0.0;
    struct step s = step_of(circuit);

    out->tau_s = h / r;
    out->final_a = circuit->emf_v / r;
    out->end_a = out->final_a * (s.a * grown(t, s.slow) + s.b * grown(t, s.fast));
    square = s.a * s.a * product_of(t, s.slow, s.slow);
    out->charge_c = s.a * charge_of(t, s.slow);
    if (s.b != 0.0) {
        out->charge_c += s.b * charge_of(t, s.fast);
        square += 2.0 * s.a * s.b * product_of(t, s.slow, s.fast) +
                  s.b * s.b * product_of(t, s.fast, s.fast);
        /* Current of the closed winding, referred to the coil, at the end of the pulse. */
        second = -out->final_a * circuit->coupling * circuit->secondary_s / (s.slow - s.fast) *
                 (grown(t, s.fast) - grown(t, s.slow));
    }
    out->charge_c *= out->final_a;
    out->energy_j = circuit->emf_v * out->charge_c;
    out->coil_heat_j = circuit->coil_ohm * out->final_a * out->final_a * square;
    out->stored_j = h * (0.5 * out->end_a * out->end_a + 0.5 * second * second +
                         circuit->coupling * out->end_a * second);
    out->mean_a = out->charge_c / pulse->period_s;
    out->terminal_v = circuit->emf_v - circuit->source_ohm * out->end_a;
}

enum status_code drive_linear(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                              struct drive_result *out, struct status *st)
{
    if (drive_check(circuit, pulse, st))
        return STATUS_INPUT;
    drive_quick(circuit, pulse, out);
    return status_ok(st);
}

struct reach {
    struct step step;
    double fraction;
};

static double reach_error(double t, void *context)
{
    const struct reach *r = context;

    return r->step.a * grown(t, r->step.slow) + r->step.b * grown(t, r->step.fast) - r->fraction;
}

static enum status_code time_to(const struct drive_circuit *c, double fraction, double *out,
                                struct status *st)
{
    struct reach reach = {step_of(c), fraction};
    gsl_function function = {reach_error, &reach};
    gsl_root_fsolver *solver;
    double high;
    bool found = false;

    if (reach.step.b == 0.0) {
        *out = -reach.step.slow * log1p(-fraction);
        return status_ok(st);
    }
    if (reach_error(0.0, &reach) >= 0.0) {
        *out = 0.0;
        return status_ok(st);
    }
    /* The slow exponential alone is never ahead of both by more than its own share. */
    high = reach.step.slow * (40.0 - log1p(-fraction));
    if (reach_error(high, &reach) <= 0.0)
        return status_fail(st, STATUS_NUMERIC, "no time was found to %g of the final current",
                           fraction);
    solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!solver)
        return status_fail(st, STATUS_MEMORY, "no memory for a root solver");
    if (gsl_root_fsolver_set(solver, &function, 0.0, high) == 0)
        for (int i = 0; i < 200 && !found; i++) {
            if (gsl_root_fsolver_iterate(solver) != 0)
                break;
            *out = gsl_root_fsolver_root(solver);
            found = gsl_root_test_interval(gsl_root_fsolver_x_lower(solver),
                                           gsl_root_fsolver_x_upper(solver), 0.0, 1e-10) == 0;
        }
    gsl_root_fsolver_free(solver);
    if (!found)
        return status_fail(st, STATUS_NUMERIC, "no time was found to %g of the final current",
                           fraction);
    return status_ok(st);
}

enum status_code drive_time_to(const struct drive_circuit *circuit, double fraction, double *s,
                               struct status *st)
{
    if (check_circuit(circuit, st) ||
        amount_check_value(fraction, "fraction of the final current", "", 0.0, 1.0 - 1e-12, st))
        return STATUS_INPUT;
    return time_to(circuit, fraction, s, st);
}

enum status_code drive_time_to_current(const struct drive_circuit *circuit, double ampere,
                                       double *s, struct status *st)
{
    double final;

    if (check_circuit(circuit, st) || amount_check_value(ampere, "current", "A", 0.0, 1e6, st))
        return STATUS_INPUT;
    final = circuit->emf_v / total_ohm(circuit);
    if (ampere > 0.0 && ampere >= final * (1.0 - 1e-12)) {
        *s = INFINITY;
        return status_ok(st);
    }
    return time_to(circuit, ampere > 0.0 ? ampere / final : 0.0, s, st);
}

/* The bent coil, in reduced form: time in units of secant time constant, current of final current,
 * so that the solver's absolute tolerance means the same in every circuit. */
struct bent {
    double final, scale_s, secant, coil_share; /* A, s, H, coil ohm / total ohm */
    double tangent, longest_s;                 /* H at no current; s */
    gsl_spline *spline;                        /* linkage against current, both reduced */
    gsl_interp_accel *accel;
};

static void bent_free(struct bent *b)
{
    gsl_spline_free(b->spline);
    gsl_interp_accel_free(b->accel);
}

/* Reduced slope of linkage at reduced current x and its own slope. */
static double bent_slope(const struct bent *b, double x, double *curvature)
{
    double in = fmin(1.0, fmax(0.0, x)), slope = 1.0, bend = 0.0;

    gsl_spline_eval_deriv_e(b->spline, in, b->accel, &slope);
    gsl_spline_eval_deriv2_e(b->spline, in, b->accel, &bend);
    if (slope < LEAST_SLOPE) {
        slope = LEAST_SLOPE;
        bend = 0.0;
    }
    *curvature = bend;
    return slope;
}

static enum status_code bent_init(struct bent *b, const struct drive_circuit *c,
                                  drive_linkage *linkage, void *context, int samples,
                                  struct status *st)
{
    double *x = NULL, *y = NULL, last = 0.0, ignored;
    enum status_code code = STATUS_OK;
    size_t n = samples == 0 ? SAMPLES : (size_t)samples;

    *b = (struct bent){.final = c->emf_v / total_ohm(c), .coil_share = c->coil_ohm / total_ohm(c)};
    x = calloc(n, sizeof *x);
    y = calloc(n, sizeof *y);
    b->spline = gsl_spline_alloc(gsl_interp_steffen, n);
    b->accel = gsl_interp_accel_alloc();
    if (!x || !y || !b->spline || !b->accel) {
        code = status_fail(st, STATUS_MEMORY, "no memory for %zu samples of flux linkage", n);
        goto out;
    }
    for (size_t i = 0; i < n; i++) {
        double ampere;

        x[i] = (double)i / (double)(n - 1);
        ampere = x[i] * b->final;
        y[i] = linkage(ampere, context);
        if (!isfinite(y[i]) || (i == 0 ? fabs(y[i]) > 1e-12 : y[i] <= last)) {
            code = status_fail(st, STATUS_INPUT,
                               "flux linkage is %g Wb at %g A after %g Wb before it; it must start "
                               "at 0 and rise with current",
                               y[i], ampere, last);
            goto out;
        }
        last = y[i];
    }
    b->secant = last / b->final;
    b->scale_s = b->secant / total_ohm(c);
    for (size_t i = 0; i < n; i++)
        y[i] /= last;
    if (gsl_spline_init(b->spline, x, y, n) != 0) {
        code = status_fail(st, STATUS_NUMERIC, "the flux linkage could not be interpolated");
        goto out;
    }
    b->tangent = bent_slope(b, 0.0, &ignored) * b->secant;
    b->longest_s = 0.0;
    for (size_t i = 0; i < n; i++)
        b->longest_s = fmax(b->longest_s, bent_slope(b, x[i], &ignored) * b->scale_s);
out:
    free(x);
    free(y);
    if (code)
        bent_free(b);
    return code;
}

/* y: current, charge, integral of its square, field energy; all reduced. */
#define BENT 4

static int bent_rate(double t, const double y[], double rate[], void *context)
{
    const struct bent *b = context;
    double bend, slope = bent_slope(b, y[0], &bend);

    (void)t;
    rate[0] = (1.0 - y[0]) / slope;
    rate[1] = y[0];
    rate[2] = y[0] * y[0];
    rate[3] = y[0] * (1.0 - y[0]);
    return GSL_SUCCESS;
}

static int bent_jacobian(double t, const double y[], double *jacobian, double by_time[],
                         void *context)
{
    const struct bent *b = context;
    double bend, slope = bent_slope(b, y[0], &bend);

    (void)t;
    for (int i = 0; i < BENT * BENT; i++)
        jacobian[i] = 0.0;
    for (int i = 0; i < BENT; i++)
        by_time[i] = 0.0;
    jacobian[0] = -1.0 / slope - (1.0 - y[0]) * bend / (slope * slope);
    jacobian[BENT] = 1.0;
    jacobian[2 * BENT] = 2.0 * y[0];
    jacobian[3 * BENT] = 1.0 - 2.0 * y[0];
    return GSL_SUCCESS;
}

/* Moves y on to reduced time `to`. Past `settled` the current is final and the rest is arithmetic.
 */
static int bent_apply(gsl_odeiv2_driver *driver, double *t, double to, double settled, double y[])
{
    int failed = 0;

    if (*t < settled && to > *t)
        failed = gsl_odeiv2_driver_apply(driver, t, fmin(to, settled), y);
    if (!failed && to > *t) {
        y[1] += (to - *t) * y[0];
        y[2] += (to - *t) * y[0] * y[0];
        *t = to;
    }
    return failed;
}

static enum status_code check_bent(const struct drive_circuit *circuit, int samples,
                                   struct drive_circuit *plain, struct status *st)
{
    *plain = *circuit;
    plain->coil_h = 0.0;
    plain->coupling = 0.0;
    if (check_circuit(plain, st) ||
        (samples != 0 &&
         amount_check_value(samples, "number of linkage samples", "samples", 8, 4096, st)))
        return STATUS_INPUT;
    return STATUS_OK;
}

static gsl_odeiv2_driver *bent_driver(const gsl_odeiv2_system *system, double span)
{
    /* Early in the rise the integrals go as the square and cube of time, and the absolute error
     * must stay small beside them. */
    double least = 0.01 * TOLERANCE * fmax(1e-15, fmin(1.0, span * span * span));
    gsl_odeiv2_driver *driver = gsl_odeiv2_driver_alloc_y_new(
        system, gsl_odeiv2_step_msbdf, fmin(1e-6, 1e-3 * span), least, TOLERANCE);

    if (driver)
        gsl_odeiv2_driver_set_nmax(driver, MOST_STEPS);
    return driver;
}

enum status_code drive_nonlinear(const struct drive_circuit *circuit,
                                 const struct drive_pulse *pulse, drive_linkage *linkage,
                                 void *context, int samples, struct drive_result *out,
                                 struct status *st)
{
    double y[BENT] = {0.0, 0.0, 0.0, 0.0}, t = 0.0;
    struct drive_circuit plain;
    gsl_odeiv2_system system;
    gsl_odeiv2_driver *driver;
    struct bent b;
    enum status_code code;
    int failed;

    if (check_bent(circuit, samples, &plain, st) || check_pulse(pulse, st))
        return STATUS_INPUT;
    if (!(circuit->emf_v > 0.0)) {
        drive_quick(&plain, pulse, out);
        return status_ok(st);
    }
    code = bent_init(&b, circuit, linkage, context, samples, st);
    if (code)
        return code;
    system = (gsl_odeiv2_system){bent_rate, bent_jacobian, BENT, &b};
    driver = bent_driver(&system, pulse->length_s / b.scale_s);
    if (!driver) {
        bent_free(&b);
        return status_fail(st, STATUS_MEMORY, "no memory for the differential equation");
    }
    failed =
        bent_apply(driver, &t, pulse->length_s / b.scale_s, SETTLED * b.longest_s / b.scale_s, y);
    gsl_odeiv2_driver_free(driver);
    bent_free(&b);
    if (failed)
        return status_fail(st, STATUS_NUMERIC,
                           "the current rise could not be followed beyond %g s of %g s",
                           t * b.scale_s, pulse->length_s);
    out->tau_s = b.tangent / total_ohm(circuit);
    out->final_a = b.final;
    out->end_a = b.final * y[0];
    out->charge_c = b.final * b.scale_s * y[1];
    out->energy_j = circuit->emf_v * out->charge_c;
    out->coil_heat_j = circuit->coil_ohm * b.final * b.final * b.scale_s * y[2];
    out->stored_j = circuit->emf_v * b.final * b.scale_s * y[3];
    out->mean_a = out->charge_c / pulse->period_s;
    out->terminal_v = circuit->emf_v - circuit->source_ohm * out->end_a;
    return status_ok(st);
}

enum status_code drive_nonlinear_rise(const struct drive_circuit *circuit, drive_linkage *linkage,
                                      void *context, int samples, const double times[],
                                      double amperes[], size_t n, struct status *st)
{
    double y[BENT] = {0.0, 0.0, 0.0, 0.0}, t = 0.0;
    struct drive_circuit plain;
    gsl_odeiv2_system system;
    gsl_odeiv2_driver *driver;
    struct bent b;
    enum status_code code;
    int failed = 0;

    if (check_bent(circuit, samples, &plain, st))
        return STATUS_INPUT;
    for (size_t i = 0; i < n; i++) {
        if (amount_check_value(times[i], "time", "s", i > 0 ? times[i - 1] : 0.0, 1e6, st))
            return STATUS_INPUT;
        amperes[i] = 0.0;
    }
    if (n == 0 || !(circuit->emf_v > 0.0))
        return status_ok(st);
    code = bent_init(&b, circuit, linkage, context, samples, st);
    if (code)
        return code;
    system = (gsl_odeiv2_system){bent_rate, bent_jacobian, BENT, &b};
    driver = bent_driver(&system, fmax(times[n - 1], 1e-9) / b.scale_s);
    if (!driver) {
        bent_free(&b);
        return status_fail(st, STATUS_MEMORY, "no memory for the differential equation");
    }
    for (size_t i = 0; i < n && !failed; i++) {
        failed = bent_apply(driver, &t, times[i] / b.scale_s, SETTLED * b.longest_s / b.scale_s, y);
        amperes[i] = b.final * y[0];
    }
    gsl_odeiv2_driver_free(driver);
    bent_free(&b);
    if (failed)
        return status_fail(st, STATUS_NUMERIC, "the current rise could not be followed beyond %g s",
                           t * b.scale_s);
    return status_ok(st);
}

enum status_code drive_release(const struct drive_circuit *circuit, double start_a,
                               double release_a, double diode_v, struct drive_release *out,
                               struct status *st)
{
    double r = circuit->coil_ohm, tau, shift, field;

    if (check_circuit(circuit, st) ||
        amount_check_value(start_a, "current at switching off", "A", 0.0, 1e6, st) ||
        amount_check_value(release_a, "release current", "A", 0.0, 1e6, st) ||
        amount_check_value(diode_v, "forward drop of the diode", "V", 0.0, 5.0, st))
        return STATUS_INPUT;
    /* The diode closes the loop across the coil, so the source's resistance is not in it. */
    tau = circuit->coil_h / r;
    shift = diode_v / r;
    field = 0.5 * circuit->coil_h * start_a * start_a;
    if (release_a >= start_a)
        out->seconds = 0.0;
    else if (release_a + shift > 0.0)
        out->seconds = tau * log((start_a + shift) / (release_a + shift));
    else
        out->seconds = INFINITY;
    out->zero_s = 0.0;
    out->coil_charge_c = tau * start_a;
    if (start_a > 0.0) {
        out->zero_s = shift > 0.0 ? tau * log1p(start_a / shift) : INFINITY;
        if (shift > 0.0)
            out->coil_charge_c -= shift * out->zero_s;
    }
    out->diode_heat_j = diode_v * out->coil_charge_c;
    out->coil_heat_j = field - out->diode_heat_j;
    return status_ok(st);
}

const char *drive_limit_words(enum drive_limit limit)
{
    switch (limit) {
    case DRIVE_CAPACITY:
        return "the charge is used up";
    case DRIVE_END_POINT:
        return "a cell under load falls to its end point";
    case DRIVE_CURRENT:
        return "the pulse no longer reaches the current the coil needs";
    case DRIVE_SHELF:
        return "the shelf life of the cell comes first";
    case DRIVE_NEVER:
        return "it does not work even with a fresh battery";
    }
    return "unknown";
}

const char *drive_cause_words(enum drive_cause cause)
{
    switch (cause) {
    case DRIVE_BY_CAPACITY:
        return "capacity of the cell";
    case DRIVE_BY_CELL_OHM:
        return "internal resistance of the cell";
    case DRIVE_BY_CURVE:
        return "discharge curve of the cell";
    case DRIVE_BY_SELF:
        return "self-discharge and shelf life";
    case DRIVE_BY_LENGTH:
        return "pulse length";
    case DRIVE_BY_COIL:
        return "coil resistance and inductance";
    case DRIVE_CAUSES:
        break;
    }
    return "unknown";
}

/* One life, with each doubtful input moved by a number of its standard uncertainties. */
struct life {
    double days, depth, pulses, drawn_ah;
    enum drive_limit limit;
    struct drive_result first, last;
};

/* What one point of the discharge gives. A margin of 0 or less means spent. */
struct point {
    struct drive_result pulse;
    double volt;  /* loaded voltage of a cell over its end point */
    double spare; /* current reached over current needed, less 1; INFINITY when none is needed */
};

static bool life_point(const struct cell_battery *battery, const struct drive_circuit *circuit,
                       const struct drive_duty *duty, const double move[DRIVE_CAUSES], double depth,
                       struct point *p)
{
    struct drive_circuit c = *circuit;
    struct cell_state state;
    double end = isnan(battery->end_v) ? battery->kind->end_v.value : battery->end_v, cell;

    if (cell_state(battery, depth, duty->temperature, 0.0, &state, NULL))
        return false;
    c.emf_v = fmax(0.0, state.emf_v + move[DRIVE_BY_CURVE] * state.u_emf_v);
    c.source_ohm += fmax(0.0, state.ohm + move[DRIVE_BY_CELL_OHM] * state.u_ohm);
    drive_quick(&c, &duty->pulse, &p->pulse);
    /* terminal_v counts the wiring as part of the source; the cell's own share is what ends it. */
    cell = (c.emf_v - p->pulse.end_a * (c.source_ohm - circuit->source_ohm)) / battery->series;
    p->volt = cell - end;
    p->spare = INFINITY;
    if (!isnan(duty->needed_a) && duty->needed_a > 0.0)
        p->spare = p->pulse.end_a / duty->needed_a - 1.0;
    return true;
}

/* Share of the step from a to b at which a margin runs out; 1 when it does not. */
static double runs_out(double a, double b)
{
    return b <= 0.0 && isfinite(b) ? a / (a - b) : 1.0;
}

static void life_of(const struct cell_battery *battery, const struct drive_circuit *circuit,
                    const struct drive_duty *duty, double u_coil, const double move[DRIVE_CAUSES],
                    struct life *out)
{
    struct drive_circuit coil = *circuit;
    struct drive_duty when = *duty;
    struct cell_figure ah, self;
    struct point before, now;
    double charge, seconds = 0.0, rate, shelf, load_before;

    *out = (struct life){.limit = DRIVE_NEVER};
    coil.coil_ohm *= 1.0 + move[DRIVE_BY_COIL] * u_coil;
    coil.coil_h *= 1.0 + move[DRIVE_BY_COIL] * u_coil;
    when.pulse.length_s = fmin(when.pulse.period_s,
                               fmax(0.01 * when.pulse.length_s,
                                    when.pulse.length_s + move[DRIVE_BY_LENGTH] * when.u_length_s));
    if (!life_point(battery, &coil, &when, move, 0.0, &before))
        return;
    out->first = out->last = before.pulse;
    if (before.volt <= 0.0 || before.spare <= 0.0)
        return;
    if (cell_capacity(battery, before.pulse.mean_a + when.standby_a,
                      before.pulse.end_a + when.standby_a, when.temperature, &ah, NULL) ||
        cell_self_rate(battery, when.temperature, &self, NULL))
        return;
    /* Logarithms keep moved figures above zero. */
    charge = 3600.0 * ah.value * exp(move[DRIVE_BY_CAPACITY] * ah.u / ah.value);
    rate = self.value * exp(move[DRIVE_BY_SELF] * self.u / self.value) / YEAR;
    shelf =
        battery->kind->shelf_year.value *
        exp(-move[DRIVE_BY_SELF] * battery->kind->shelf_year.u / battery->kind->shelf_year.value) *
        YEAR;
    out->limit = DRIVE_CAPACITY;
    load_before = before.pulse.mean_a + when.standby_a;
    for (int i = 1; i <= LIFE_STEPS; i++) {
        double x = (double)i / LIFE_STEPS, part, step, load, drain, dt;
        bool spent;

        if (!life_point(battery, &coil, &when, move, x, &now))
            return;
        spent = now.volt <= 0.0 || now.spare <= 0.0;
        part = fmin(runs_out(before.volt, now.volt), runs_out(before.spare, now.spare));
        step = part * charge / LIFE_STEPS;
        load = load_before + 0.5 * part * (now.pulse.mean_a + when.standby_a - load_before);
        drain = load + rate * charge * (1.0 - x + (1.0 - 0.5 * part) / LIFE_STEPS);
        dt = step / drain;
        if (seconds + dt > shelf) {
            part *= (shelf - seconds) / dt;
            dt = shelf - seconds;
            out->limit = DRIVE_SHELF;
            spent = true;
        } else if (spent) {
            out->limit =
                runs_out(before.spare, now.spare) <= part ? DRIVE_CURRENT : DRIVE_END_POINT;
        }
        seconds += dt;
        out->drawn_ah += load * dt / 3600.0;
        out->depth = x - (1.0 - part) / LIFE_STEPS;
        out->last = now.pulse;
        if (spent) {
            if (life_point(battery, &coil, &when, move, out->depth, &now))
                out->last = now.pulse;
            break;
        }
        before = now;
        load_before = now.pulse.mean_a + when.standby_a;
    }
    out->days = seconds / DAY;
    out->pulses = seconds / when.pulse.period_s;
}

static const double unmoved[DRIVE_CAUSES];

double drive_life_quick(const struct cell_battery *battery, const struct drive_circuit *circuit,
                        const struct drive_duty *duty, enum drive_limit *limit)
{
    struct life life;

    life_of(battery, circuit, duty, 0.0, unmoved, &life);
    if (limit)
        *limit = life.limit;
    return life.days;
}

static enum status_code check_duty(const struct cell_battery *battery,
                                   const struct drive_circuit *circuit,
                                   const struct drive_duty *duty, double u_coil, struct status *st)
{
    struct drive_circuit c = *circuit;
    struct cell_state state;
    enum status_code code;

    code = cell_state(battery, 0.0, duty->temperature, 0.0, &state, st);
    if (code)
        return code;
    c.emf_v = state.emf_v;
    if (drive_check(&c, &duty->pulse, st) ||
        amount_check_value(duty->u_length_s, "uncertainty of the pulse length", "s", 0.0, 1e6,
                           st) ||
        amount_check_value(duty->standby_a, "standing current", "A", 0.0, 100.0, st) ||
        amount_check_value(u_coil, "uncertainty of the coil", "", 0.0, 0.5, st))
        return STATUS_INPUT;
    if (!isnan(duty->needed_a) &&
        amount_check_value(duty->needed_a, "needed current", "A", 0.0, 1e4, st))
        return STATUS_INPUT;
    if (state.emf_v / (c.coil_ohm + c.source_ohm) > 900.0)
        return status_fail(st, STATUS_INPUT,
                           "coil resistance is %g ohm, so %g V would drive %g A; a battery life is "
                           "worked out up to 900 A",
                           c.coil_ohm, state.emf_v, state.emf_v / (c.coil_ohm + c.source_ohm));
    return STATUS_OK;
}

enum status_code drive_life(const struct cell_battery *battery, const struct drive_circuit *circuit,
                            const struct drive_duty *duty, double u_coil, struct drive_life *out,
                            struct status *st)
{
    double move[DRIVE_CAUSES] = {0.0}, below = 0.0, above = 0.0, sum = 0.0;
    struct life life, moved;
    enum status_code code;

    code = check_duty(battery, circuit, duty, u_coil, st);
    if (code)
        return code;
    *out = (struct drive_life){.days = 0.0};
    life_of(battery, circuit, duty, u_coil, unmoved, &life);
    out->days = life.days;
    out->limit = life.limit;
    out->depth = life.depth;
    out->pulses = life.pulses;
    out->drawn_ah = life.drawn_ah;
    out->fresh = life.first;
    out->spent = life.last;
    out->mean_a = life.first.mean_a + duty->standby_a;
    /* Each cause moved two standard uncertainties either way; the logarithms of the answers add in
     * squares, each side for itself, since a threshold makes the two sides unequal. */
    for (int cause = 0; cause < DRIVE_CAUSES; cause++) {
        double change[2];

        for (int side = 0; side < 2; side++) {
            move[cause] = side == 0 ? -2.0 : 2.0;
            life_of(battery, circuit, duty, u_coil, move, &moved);
            change[side] = log(fmax(moved.days, HOPELESS_DAYS) / fmax(life.days, HOPELESS_DAYS));
            if (change[side] < 0.0)
                below = hypot(below, change[side]);
            else
                above = hypot(above, change[side]);
        }
        move[cause] = 0.0;
        out->share[cause] = 0.5 * (change[1] - change[0]);
        out->share[cause] *= out->share[cause];
        sum += out->share[cause];
    }
    for (int cause = 0; cause < DRIVE_CAUSES; cause++)
        out->share[cause] = sum > 0.0 ? out->share[cause] / sum : 0.0;
    out->low_days = fmax(life.days, HOPELESS_DAYS) * exp(-below);
    out->high_days = fmax(life.days, HOPELESS_DAYS) * exp(above);
    if (out->low_days <= HOPELESS_DAYS)
        out->low_days = 0.0;
    if (out->high_days <= HOPELESS_DAYS)
        out->high_days = 0.0;
    return status_ok(st);
}
