/* Pulse current, charge, release and battery life, against a general circuit solver (ngspice, its
 * shared library, 39.3 when this was written), closed forms and printed figures.
 *
 * The solver is loaded at run time, so that no program of ours links it. */
#include "analyze/model/drive.h"
#include "analyze/model/thermal.h"

#include <dlfcn.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <ngspice/sharedspice.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* The solver keeps its own memory to the end; that is not ours to judge. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libngspice\nleak:ngSpice\n";
}

static void near(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance))
        fail_msg("got %.9g, want %.9g within %g", got, want, tolerance);
}

/* ---- the circuit solver ---- */

struct solver {
    void *library;
    int (*circuit)(char **lines);
    int (*command)(char *line);
    pvector_info (*vector)(char *name);
};

static int on_text(char *text, int id, void *user)
{
    (void)id;
    (void)user;
    if (strstr(text, "rror"))
        fprintf(stderr, "ngspice: %s\n", text);
    return 0;
}

static int on_exit_wanted(int status, NG_BOOL at_once, NG_BOOL on_quit, int id, void *user)
{
    (void)at_once;
    (void)on_quit;
    (void)id;
    (void)user;
    return status;
}

static void *symbol(struct solver *s, const char *name)
{
    void *p = dlsym(s->library, name);

    if (!p)
        fail_msg("libngspice has no %s", name);
    return p;
}

static int open_solver(void **state)
{
    struct solver *s = calloc(1, sizeof *s);
    int (*init)(SendChar *, SendStat *, ControlledExit *, SendData *, SendInitData *,
                BGThreadRunning *, void *);

    if (!s)
        return -1;
    s->library = dlopen("libngspice.so.0", RTLD_NOW | RTLD_LOCAL);
    if (!s->library) {
        fprintf(stderr, "libngspice.so.0 is needed (package libngspice0): %s\n", dlerror());
        free(s);
        return -1;
    }
    *(void **)&init = symbol(s, "ngSpice_Init");
    *(void **)&s->circuit = symbol(s, "ngSpice_Circ");
    *(void **)&s->command = symbol(s, "ngSpice_Command");
    *(void **)&s->vector = symbol(s, "ngGet_Vec_Info");
    init(on_text, NULL, on_exit_wanted, NULL, NULL, NULL, NULL);
    *state = s;
    return 0;
}

static int close_solver(void **state)
{
    free(*state); /* the library stays: it cannot be unloaded and loaded again */
    return 0;
}

/* Runs a netlist (lines by '\n', title first) with a transient of `stop` seconds in steps of at
 * most `step`. */
static void run_circuit(struct solver *s, const char *netlist, double stop, double step)
{
    char copy[2048], tran[96], options[] = ".options reltol=1e-7 abstol=1e-14 vntol=1e-10";
    char end[] = ".end", run[] = "run", *lines[40], *next = copy, *line;
    int n = 0;

    snprintf(copy, sizeof copy, "%s", netlist);
    while ((line = strsep(&next, "\n")) != NULL && n < 34)
        if (*line)
            lines[n++] = line;
    snprintf(tran, sizeof tran, ".tran %.9g %.9g 0 %.9g uic", step, stop, step);
    lines[n++] = options;
    lines[n++] = tran;
    lines[n++] = end;
    lines[n] = NULL;
    assert_int_equal(s->circuit(lines), 0);
    assert_int_equal(s->command(run), 0);
}

static const double *trace(struct solver *s, const char *name, size_t *n)
{
    char copy[64];
    pvector_info v;

    snprintf(copy, sizeof copy, "%s", name);
    v = s->vector(copy);
    if (!v || !v->v_realdata || v->v_length < 100) {
        fail_msg("the circuit solver gave no %s", name);
        abort(); /* not reached: fail_msg leaves the test */
    }
    *n = (size_t)v->v_length;
    return v->v_realdata;
}

/* Value of a trace at time t, straight between points. */
static double trace_at(struct solver *s, const char *name, double t)
{
    size_t n, m, i = 1;
    const double *time = trace(s, "time", &n), *y = trace(s, name, &m);

    assert_int_equal(n, m);
    while (i < n - 1 && time[i] < t)
        i++;
    return y[i - 1] + (t - time[i - 1]) / (time[i] - time[i - 1]) * (y[i] - y[i - 1]);
}

/* Integral of a trace, times weight of itself when squared, by the trapezium rule up to t. */
static double trace_integral(struct solver *s, const char *name, double t, bool squared)
{
    size_t n, m;
    const double *time = trace(s, "time", &n), *y = trace(s, name, &m);
    double sum = 0.0;

    for (size_t i = 1; i < n && time[i - 1] < t; i++) {
        double end = time[i] < t ? time[i] : t;
        double part = (end - time[i - 1]) / (time[i] - time[i - 1]);
        double a = y[i - 1], b = y[i - 1] + part * (y[i] - y[i - 1]);

        sum += 0.5 * (end - time[i - 1]) * (squared ? a * a + b * b : a + b);
    }
    return sum;
}

/* First time after `from` at which a falling trace is down to value. */
static double trace_falls(struct solver *s, const char *name, double from, double value)
{
    size_t n, m;
    const double *time = trace(s, "time", &n), *y = trace(s, name, &m);

    for (size_t i = 1; i < n; i++)
        if (time[i] > from && y[i] <= value && y[i - 1] > value)
            return time[i - 1] + (y[i - 1] - value) / (y[i - 1] - y[i]) * (time[i] - time[i - 1]);
    fail_msg("%s never falls to %g", name, value);
    return NAN;
}

static double trace_peak(struct solver *s, const char *name)
{
    size_t n;
    const double *y = trace(s, name, &n);
    double peak = 0.0;

    for (size_t i = 0; i < n; i++)
        if (fabs(y[i]) > peak)
            peak = fabs(y[i]);
    return peak;
}

/* ---- pulses ---- */

/* Two LR20 of 1.55 V and 0.14 ohm each on 17.3 ohm and 0.2385 H, six pulse lengths. */
static void test_pulse_against_solver(void **state)
{
    static const double lengths[] = {0.0011, 0.0053, 0.0137, 0.05, 0.13, 0.4};
    struct drive_circuit c = {.emf_v = 3.1, .source_ohm = 0.28, .coil_ohm = 17.3, .coil_h = 0.2385};
    struct solver *s = *state;
    struct status st;

    run_circuit(s,
                "pulse into a coil\n"
                "V1 1 0 3.1\n"
                "R1 1 2 0.28\n"
                "R2 2 3 17.3\n"
                "L1 3 0 0.2385 ic=0\n",
                0.4, 2e-5);
    for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
        struct drive_pulse pulse = {.length_s = lengths[i], .period_s = 15.0};
        struct drive_result r;
        double charge = trace_integral(s, "l1#branch", lengths[i], false);
        double square = trace_integral(s, "l1#branch", lengths[i], true);

        assert_int_equal(drive_linear(&c, &pulse, &r, &st), STATUS_OK);
        near(r.end_a, trace_at(s, "l1#branch", lengths[i]), 2e-5 * r.end_a);
        near(r.charge_c, charge, 1e-4 * charge);
        near(r.coil_heat_j, 17.3 * square, 2e-4 * 17.3 * square);
        near(r.terminal_v, trace_at(s, "2", lengths[i]), 1e-5);
        near(r.mean_a, charge / 15.0, 1e-4 * charge / 15.0);
    }
}

/* The same with a closed second winding: a brass cheek, and a group of shorted turns. */
static void test_shorted_turn_against_solver(void **state)
{
    static const struct {
        double k, ohm; /* of a second winding of 1 mH */
    } rows[] = {{0.93, 0.35}, {0.6, 0.02}, {0.995, 0.2}};
    struct solver *s = *state;
    struct status st;

    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct drive_circuit c = {.emf_v = 3.1,
                                  .source_ohm = 0.28,
                                  .coil_ohm = 17.3,
                                  .coil_h = 0.2385,
                                  .coupling = rows[i].k,
                                  .secondary_s = 1e-3 / rows[i].ohm};
        char netlist[512];
        double reach;

        snprintf(netlist, sizeof netlist,
                 "pulse into a coil with a closed turn\n"
                 "V1 1 0 3.1\n"
                 "R1 1 3 17.58\n"
                 "L1 3 0 0.2385 ic=0\n"
                 "L2 4 0 1m ic=0\n"
                 "R2 4 0 %.9g\n"
                 "K1 L1 L2 %.9g\n",
                 rows[i].ohm, rows[i].k);
        run_circuit(s, netlist, 0.15, 1e-5);
        for (int k = 0; k < 6; k++) {
            double t = 0.0017 * pow(2.3, k);
            struct drive_pulse pulse = {.length_s = t, .period_s = 12.0};
            struct drive_result r;
            double charge = trace_integral(s, "l1#branch", t, false);
            double square = trace_integral(s, "l1#branch", t, true);
            double i1 = trace_at(s, "l1#branch", t), i2 = trace_at(s, "l2#branch", t);
            double field = 0.5 * 0.2385 * i1 * i1 + 0.5 * 1e-3 * i2 * i2 +
                           rows[i].k * sqrt(0.2385 * 1e-3) * i1 * i2;

            assert_int_equal(drive_linear(&c, &pulse, &r, &st), STATUS_OK);
            near(r.end_a, i1, 2e-4 * i1);
            near(r.charge_c, charge, 1e-3 * charge);
            near(r.coil_heat_j, 17.3 * square, 1e-3 * 17.3 * square);
            near(r.stored_j, field, 2e-3 * field);
        }
        assert_int_equal(drive_time_to(&c, 0.9, &reach, &st), STATUS_OK);
        near(trace_at(s, "l1#branch", reach), 0.9 * 3.1 / 17.58, 1e-4);
        /* A closed turn lets the current start sooner than the inductance alone would. */
        near(drive_current(&c, 0.0017), trace_at(s, "l1#branch", 0.0017), 1e-5);
    }
}

/* Switched off after 0.1 s into a diode: an almost ideal one in series with 0.7 V. */
static void test_release_against_solver(void **state)
{
    struct drive_circuit c = {.emf_v = 3.1, .coil_ohm = 17.3, .coil_h = 0.2385};
    struct drive_release release;
    struct solver *s = *state;
    struct status st;
    double start, seconds, charge, heat;

    run_circuit(s,
                "release through a diode\n"
                "V1 1 0 3.1\n"
                "S1 1 2 9 0 sw\n"
                "V9 9 0 pulse(5 0 0.1 1n 1n 10 20)\n"
                ".model sw sw(vt=2.5 vh=0.1 ron=1u roff=1g)\n"
                "R2 2 3 17.3\n"
                "L1 3 0 0.2385 ic=0\n"
                "D1 0 4 ideal\n"
                ".model ideal d(is=1e-12 n=0.005)\n"
                "V2 4 2 0.7\n",
                0.16, 1e-5);
    start = trace_at(s, "l1#branch", 0.09999);
    seconds = trace_falls(s, "l1#branch", 0.1, 0.04) - 0.1;
    charge =
        trace_integral(s, "l1#branch", 0.16, false) - trace_integral(s, "l1#branch", 0.1, false);
    assert_int_equal(drive_release(&c, start, 0.04, 0.7, &release, &st), STATUS_OK);
    near(release.seconds, seconds, 0.005 * seconds);
    near(release.coil_charge_c, charge, 0.005 * charge);
    near(release.diode_heat_j, 0.7 * charge, 0.005 * 0.7 * charge);
    heat = 17.3 *
           (trace_integral(s, "l1#branch", 0.16, true) - trace_integral(s, "l1#branch", 0.1, true));
    near(release.coil_heat_j, heat, 0.005 * heat);
    near(release.coil_heat_j + release.diode_heat_j, 0.5 * 0.2385 * start * start, 1e-12);
    near(trace_at(s, "l1#branch", 0.1 + release.zero_s), 0.0, 0.002 * start);
}

/* Switched off without a diode, 150 pF across the coil: the peak is close to I sqrt(L/C). */
static void test_spike_against_solver(void **state)
{
    struct thermal_switch_off off = {.henry = 0.2385,
                                     .ampere = 0.0,
                                     .ohm = 17.3,
                                     .supply_v = 3.1,
                                     .stray_f = 300e-12, /* its interval starts at half of it */
                                     .diode_v = NAN,
                                     .release_a = NAN};
    struct thermal_spike spike;
    struct solver *s = *state;
    struct status st;
    double peak;

    run_circuit(s,
                "no diode\n"
                "V1 1 0 3.1\n"
                "R2 2 3 17.3\n"
                "L1 3 0 0.2385 ic=0.175\n"
                "C1 2 0 150p ic=3.1\n"
                "R3 1 2 1g\n",
                4e-5, 1e-8);
    peak = trace_peak(s, "v(2)") + 3.1;
    off.ampere = 0.175;
    assert_int_equal(thermal_spike(&off, &spike, &st), STATUS_OK);
    near(spike.bare_v.high, peak, 0.01 * peak);
}

/* ---- bent inductance ---- */

/* i = x/L0 (1 + (x/xs)^4): iron that gives way above xs. Its inverse, by Newton's method. */
struct bend {
    double henry, knee;
};

static double bent_ampere(const struct bend *b, double linkage)
{
    return linkage / b->henry * (1.0 + pow(linkage / b->knee, 4.0));
}

static double bent_linkage(double ampere, void *context)
{
    const struct bend *b = context;
    double x = fmin(b->henry * ampere, b->knee * pow(ampere * b->henry / b->knee, 0.2));

    for (int i = 0; i < 60; i++)
        x -= (bent_ampere(b, x) - ampere) * b->henry / (1.0 + 5.0 * pow(x / b->knee, 4.0));
    return x;
}

static double straight_linkage(double ampere, void *context)
{
    return *(const double *)context * ampere;
}

static void test_bent_against_solver(void **state)
{
    struct bend bend = {.henry = 0.47, .knee = 0.031};
    struct drive_circuit c = {.emf_v = 6.2, .source_ohm = 0.6, .coil_ohm = 17.3};
    double times[] = {0.0, 0.002, 0.0045, 0.008, 0.017, 0.04, 0.11}, amperes[7];
    struct solver *s = *state;
    struct status st;

    /* The flux linkage is the voltage of a 1 F capacitor that the coil voltage charges. */
    run_circuit(s,
                "coil with bent inductance\n"
                "V1 1 0 6.2\n"
                "R1 1 2 17.9\n"
                "B1 2 0 I=v(5)/0.47*(1+(v(5)/0.031)^4)\n"
                "B2 0 5 I=v(2)\n"
                "C5 5 0 1 ic=0\n"
                "R5 5 0 1e12\n"
                "H1 6 0 V1 -1\n"
                "R6 6 0 1\n",
                0.12, 1e-5);
    assert_int_equal(drive_nonlinear_rise(&c, bent_linkage, &bend, 1025, times, amperes, 7, &st),
                     STATUS_OK);
    near(amperes[0], 0.0, 0.0);
    for (int i = 1; i < 7; i++) {
        struct drive_pulse pulse = {.length_s = times[i], .period_s = 15.0};
        struct drive_result r;
        double want = trace_at(s, "v(6)", times[i]);
        double charge = trace_integral(s, "v(6)", times[i], false);

        near(amperes[i], want, 1e-3 * want);
        assert_int_equal(drive_nonlinear(&c, &pulse, bent_linkage, &bend, 1025, &r, &st),
                         STATUS_OK);
        near(r.end_a, amperes[i], 1e-6 * amperes[i]);
        near(r.charge_c, charge, 1e-3 * charge);
        /* Energy drawn = heat in all resistance + energy of the field. */
        near(r.energy_j, r.coil_heat_j * 17.9 / 17.3 + r.stored_j, 1e-6 * r.energy_j);
        near(r.tau_s, 0.47 / 17.9, 0.002 * r.tau_s);
    }
}

/* A straight linkage must give the closed form, short and long after the rise. */
static void test_bent_against_closed_form(void **state)
{
    struct drive_circuit c = {.emf_v = 3.1, .source_ohm = 0.28, .coil_ohm = 17.3, .coil_h = 0.2385};
    struct status st;

    (void)state;
    for (int k = 0; k < 17; k++) {
        double t = 3.7e-5 * pow(3.1, k);
        struct drive_pulse pulse = {.length_s = t, .period_s = 2.0 * t};
        struct drive_result a, b;

        assert_int_equal(drive_linear(&c, &pulse, &a, &st), STATUS_OK);
        assert_int_equal(drive_nonlinear(&c, &pulse, straight_linkage, &c.coil_h, 0, &b, &st),
                         STATUS_OK);
        near(b.end_a, a.end_a, 1e-6 * a.end_a);
        near(b.charge_c, a.charge_c, 1e-6 * a.charge_c);
        near(b.coil_heat_j, a.coil_heat_j, 1e-5 * a.coil_heat_j);
        near(b.stored_j, a.stored_j, 1e-5 * a.stored_j);
        near(b.tau_s, a.tau_s, 1e-9 * a.tau_s);
    }
}

/* ---- closed forms ---- */

/* Common practice, no source: 17 ohm takes 88 mA from 1.5 V and 176 mA from 3 V. */
static void test_seventeen_ohm(void **state)
{
    struct drive_circuit c = {.emf_v = 1.5, .coil_ohm = 17.0};
    struct drive_pulse pulse = {.length_s = 0.25, .period_s = 15.0};
    struct drive_result r;
    struct status st;

    (void)state;
    assert_int_equal(drive_linear(&c, &pulse, &r, &st), STATUS_OK);
    near(r.end_a, 0.088, 0.0005);
    c.emf_v = 3.0;
    assert_int_equal(drive_linear(&c, &pulse, &r, &st), STATUS_OK);
    near(r.end_a, 0.176, 0.0005);
    near(r.charge_c, 3.0 / 17.0 * 0.25, 1e-12);
    /* 63.2 % of the final current after one time constant, 1 - 1/e (any textbook). */
    c.coil_h = 0.3;
    assert_int_equal(drive_time_to(&c, 0.6321205588285577, &r.tau_s, &st), STATUS_OK);
    near(r.tau_s, 0.3 / 17.0, 1e-12);
    near(drive_current(&c, 0.3 / 17.0), 3.0 / 17.0 * 0.6321205588285577, 1e-12);
    assert_int_equal(drive_time_to_current(&c, 0.2, &r.tau_s, &st), STATUS_OK);
    assert_true(isinf(r.tau_s));
    assert_int_equal(drive_time_to_current(&c, 0.1, &r.tau_s, &st), STATUS_OK);
    near(drive_current(&c, r.tau_s), 0.1, 1e-12);
}

/* Energy is kept, charge and current rise with time, for 5000 random circuits; and the closed form
 * agrees with itself where a second winding fades to nothing. */
static void test_properties(void **state)
{
    uint64_t seed = 2463534242ULL;
    struct status st;

    (void)state;
    for (int i = 0; i < 5000; i++) {
        double draw[7];
        struct drive_circuit c, plain;
        struct drive_pulse pulse;
        struct drive_result a, b;

        for (int k = 0; k < 7; k++) {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            draw[k] = (double)(seed >> 11) / 9007199254740992.0;
        }
        c = (struct drive_circuit){.emf_v = 0.5 + 20.0 * draw[0],
                                   .source_ohm = draw[1] < 0.2 ? 0.0 : 5.0 * draw[1],
                                   .coil_ohm = exp(7.0 * draw[2] - 1.0),
                                   .coil_h = draw[3] < 0.1 ? 0.0 : exp(8.0 * draw[3] - 7.0)};
        pulse.length_s = exp(9.0 * draw[4] - 7.0);
        pulse.period_s = pulse.length_s * (1.0 + 100.0 * draw[5]);
        assert_int_equal(drive_linear(&c, &pulse, &a, &st), STATUS_OK);
        near(a.energy_j, a.coil_heat_j * (c.coil_ohm + c.source_ohm) / c.coil_ohm + a.stored_j,
             1e-7 * a.energy_j);
        assert_true(a.end_a > 0.0 && a.end_a <= a.final_a);
        assert_true(a.charge_c <= a.end_a * pulse.length_s * (1.0 + 1e-12));
        pulse.length_s *= 1.01;
        pulse.period_s *= 1.01;
        assert_int_equal(drive_linear(&c, &pulse, &b, &st), STATUS_OK);
        assert_true(b.end_a >= a.end_a && b.charge_c > a.charge_c);
        plain = c;
        c.coupling = 1e-5;
        c.secondary_s = 0.003;
        assert_int_equal(drive_linear(&c, &pulse, &a, &st), STATUS_OK);
        near(a.end_a, b.end_a, 1e-6 * b.end_a);
        near(a.charge_c, b.charge_c, 1e-5 * b.charge_c);
        c.coupling = 0.1 + 0.9 * draw[6];
        assert_int_equal(drive_linear(&c, &pulse, &a, &st), STATUS_OK);
        assert_true(a.stored_j >= -1e-9 * a.energy_j);
        /* Early on, a closed winding lets the current rise faster. */
        assert_true(drive_current(&c, 1e-6) >= drive_current(&plain, 1e-6) * (1.0 - 1e-9));
        assert_true(a.end_a <= a.final_a * (1.0 + 1e-12));
        near(drive_current(&plain, pulse.length_s), b.end_a, 1e-12 * b.end_a);
    }
}

/* ---- life ---- */

static struct drive_duty every(double length, double period)
{
    return (struct drive_duty){.pulse = {length, period},
                               .u_length_s = 0.0,
                               .standby_a = 0.0,
                               .needed_a = NAN,
                               .temperature = 20.0};
}

/* Rated charge over mean current bounds the life from above when nothing else ends it, and the
 * model's voltage course gives it within a tenth: 18 Ah (read) over the mean current by hand. */
static void test_life_by_hand(void **state)
{
    struct cell_battery battery = cell_battery_of(cell_kind("LR20"), 2);
    struct drive_circuit c = {.coil_ohm = 17.0};
    struct drive_duty duty = every(0.25, 15.0);
    struct drive_life life;
    struct status st;
    double hand;

    (void)state;
    assert_int_equal(drive_life(&battery, &c, &duty, 0.0, &life, &st), STATUS_OK);
    /* 1.32 V is the mean of the open-circuit curve, 0.2 ohm the mean resistance of a cell. */
    hand = 18.0 / (2.0 * 1.32 / 17.4 * 0.25 / 15.0) / 24.0;
    assert_true(life.days < hand);
    near(life.days, hand, 0.25 * hand);
    assert_true(life.low_days < life.days && life.days < life.high_days);
    near(life.pulses, life.days * 86400.0 / 15.0, 1e-6 * life.pulses);
    near(life.drawn_ah / (life.days * 24.0), life.mean_a, 0.25 * life.mean_a);
    assert_true(life.spent.end_a < life.fresh.end_a);
    /* Self-discharge alone: a pulse that draws nearly nothing ends with the shelf. */
    duty = every(1e-6, 1000.0);
    assert_int_equal(drive_life(&battery, &c, &duty, 0.0, &life, &st), STATUS_OK);
    assert_int_equal(life.limit, DRIVE_SHELF);
    near(life.days, 8.0 * 365.25, 1.0);
}

/* Self-discharge beside a steady drain: dQ/dt = -(I + k Q) from Q0 to 0 takes ln(1 + k Q0/I)/k. A
 * NiMH cell of 2 Ah that feeds 1 mA, its pulses a thousandth of that. */
static void test_self_discharge(void **state)
{
    struct cell_battery battery = cell_battery_of(cell_kind("NiMH"), 1);
    struct drive_circuit c = {.coil_ohm = 1300.0};
    struct drive_duty duty = every(1e-3, 1.0);
    struct drive_life life;
    struct status st;
    double rate = battery.kind->self_year.value / 365.25, days;

    (void)state;
    battery.capacity_ah = 2.0;
    duty.standby_a = 1e-3;
    days = log1p(rate * (2.0 / 1e-3 / 24.0)) / rate;
    assert_int_equal(drive_life(&battery, &c, &duty, 0.0, &life, &st), STATUS_OK);
    assert_int_equal(life.limit, DRIVE_CAPACITY);
    near(life.days, days, 0.005 * days);
    near(life.drawn_ah, 24e-3 * days, 0.005 * 24e-3 * days);
    assert_true(life.drawn_ah < 1.8); /* the rest leaked away inside */
}

/* 17 ohm on LR20 at pulses of a fraction of a second every 12 to 18 s: the length of the pulse
 * decides; twice the length is nearly half the life. Printed, so that the figure can be read. */
static void test_life_table(void **state)
{
    static const double lengths[] = {0.1, 0.2, 0.4, 0.8};
    static const double periods[] = {12.0, 15.0, 18.0};
    struct drive_circuit c = {.coil_ohm = 17.0, .coil_h = 0.2};
    struct status st;

    (void)state;
    for (int series = 1; series <= 2; series++) {
        struct cell_battery battery = cell_battery_of(cell_kind("LR20"), series);

        printf("%d x LR20 on 17 ohm, 0.2 H: days (95 %% interval)\n", series);
        for (int k = 0; k < 3; k++) {
            double longer = INFINITY;

            printf("  every %2.0f s:", periods[k]);
            for (int i = 0; i < 4; i++) {
                struct drive_duty duty = every(lengths[i], periods[k]);
                struct drive_life life;

                duty.u_length_s = 0.02;
                assert_int_equal(drive_life(&battery, &c, &duty, 0.05, &life, &st), STATUS_OK);
                printf("  %.1f s %.0f (%.0f to %.0f)", lengths[i], life.days, life.low_days,
                       life.high_days);
                assert_true(life.days > 10.0 && life.days < longer);
                if (i > 0)
                    assert_true(life.days < 0.55 * longer && life.days > 0.40 * longer);
                longer = life.days;
            }
            printf("\n");
        }
    }
}

/* What must hold: more cells of charge last longer; a need for current, a higher end point, a
 * colder or a standing load never lengthen it; each limit is found and named. */
static void test_life_properties(void **state)
{
    struct drive_circuit c = {.coil_ohm = 17.0, .coil_h = 0.2, .source_ohm = 0.1};
    struct cell_battery one = cell_battery_of(cell_kind("LR6"), 2), two = one, high = one;
    struct drive_duty duty = every(0.2, 15.0), need, cold, standing;
    struct drive_life a, b;
    struct status st;
    double sum = 0.0;

    (void)state;
    duty.u_length_s = 0.02;
    assert_int_equal(drive_life(&one, &c, &duty, 0.05, &a, &st), STATUS_OK);
    for (int i = 0; i < DRIVE_CAUSES; i++) {
        assert_true(a.share[i] >= 0.0);
        sum += a.share[i];
    }
    near(sum, 1.0, 1e-12);
    near(drive_life_quick(&one, &c, &duty, NULL), a.days, 1e-12);
    two.parallel = 2;
    assert_int_equal(drive_life(&two, &c, &duty, 0.05, &b, &st), STATUS_OK);
    assert_true(b.days > 1.9 * a.days);
    need = duty;
    need.needed_a = 0.14;
    assert_int_equal(drive_life(&one, &c, &need, 0.05, &b, &st), STATUS_OK);
    assert_int_equal(b.limit, DRIVE_CURRENT);
    assert_true(b.days < 0.9 * a.days && b.days > 0.0);
    near(b.spent.end_a, 0.14, 0.001);
    need.needed_a = 0.3;
    assert_int_equal(drive_life(&one, &c, &need, 0.05, &b, &st), STATUS_OK);
    assert_int_equal(b.limit, DRIVE_NEVER);
    near(b.days, 0.0, 0.0);
    near(b.low_days, 0.0, 0.0);
    assert_true(isfinite(b.high_days));
    high.end_v = 1.2;
    assert_int_equal(drive_life(&high, &c, &duty, 0.05, &b, &st), STATUS_OK);
    assert_int_equal(b.limit, DRIVE_END_POINT);
    assert_true(b.days < a.days);
    cold = duty;
    cold.temperature = -10.0;
    assert_int_equal(drive_life(&one, &c, &cold, 0.05, &b, &st), STATUS_OK);
    assert_true(b.days < a.days);
    standing = duty;
    standing.standby_a = 1e-3;
    assert_int_equal(drive_life(&one, &c, &standing, 0.05, &b, &st), STATUS_OK);
    assert_true(b.days < a.days);
    for (int i = 0; i <= DRIVE_NEVER; i++)
        assert_string_not_equal(drive_limit_words((enum drive_limit)i), "unknown");
}

static void refused(enum status_code code, const struct status *st, const char *word)
{
    assert_int_equal(code, STATUS_INPUT);
    if (!strstr(st->text, word))
        fail_msg("'%s' does not name '%s'", st->text, word);
}

static double falling(double ampere, void *context)
{
    (void)context;
    return ampere < 0.1 ? ampere : 0.2 - ampere;
}

static double broken(double ampere, void *context)
{
    (void)context;
    return ampere < 0.1 ? ampere : NAN;
}

static void test_bad_input(void **state)
{
    struct drive_circuit c = {.emf_v = 3.0, .coil_ohm = 17.0, .coil_h = 0.2};
    struct drive_pulse pulse = {0.2, 15.0};
    struct cell_battery battery = cell_battery_of(cell_kind("LR20"), 2);
    struct drive_duty duty = every(0.2, 15.0);
    struct drive_release release;
    struct drive_result r;
    struct drive_life life;
    struct status st;
    double x, times[2] = {0.2, 0.1}, amperes[2];

    (void)state;
    c.coil_ohm = 0.0;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "coil resistance");
    c.coil_ohm = 17.0;
    c.coil_h = NAN;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "inductance");
    c.coil_h = 0.2;
    c.coupling = 1.2;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "coupling");
    c.coupling = 0.5;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "time constant");
    c.coupling = 0.0;
    pulse.period_s = 0.1;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "period");
    pulse.period_s = 15.0;
    pulse.length_s = -0.1;
    refused(drive_linear(&c, &pulse, &r, &st), &st, "length");
    pulse.length_s = 0.2;
    refused(drive_time_to(&c, 1.0, &x, &st), &st, "fraction");
    refused(drive_time_to_current(&c, -1.0, &x, &st), &st, "current");
    refused(drive_nonlinear(&c, &pulse, falling, NULL, 0, &r, &st), &st, "rise with current");
    refused(drive_nonlinear(&c, &pulse, broken, NULL, 0, &r, &st), &st, "nan");
    refused(drive_nonlinear(&c, &pulse, falling, NULL, 3, &r, &st), &st, "samples");
    refused(drive_nonlinear_rise(&c, straight_linkage, &c.coil_h, 0, times, amperes, 2, &st), &st,
            "time");
    refused(drive_release(&c, 0.1, 0.02, 9.0, &release, &st), &st, "diode");
    refused(drive_life(&battery, &c, &duty, 0.7, &life, &st), &st, "uncertainty of the coil");
    duty.temperature = 90.0;
    refused(drive_life(&battery, &c, &duty, 0.05, &life, &st), &st, "temperature");
    duty.temperature = 20.0;
    duty.needed_a = -1.0;
    refused(drive_life(&battery, &c, &duty, 0.05, &life, &st), &st, "needed");
    duty.needed_a = NAN;
    c.coil_ohm = 1e-4;
    refused(drive_life(&battery, &c, &duty, 0.05, &life, &st), &st, "900");
    battery.kind = NULL;
    refused(drive_life(&battery, &c, &duty, 0.05, &life, &st), &st, "kind");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pulse_against_solver),
        cmocka_unit_test(test_shorted_turn_against_solver),
        cmocka_unit_test(test_release_against_solver),
        cmocka_unit_test(test_spike_against_solver),
        cmocka_unit_test(test_bent_against_solver),
        cmocka_unit_test(test_bent_against_closed_form),
        cmocka_unit_test(test_seventeen_ohm),
        cmocka_unit_test(test_properties),
        cmocka_unit_test(test_life_by_hand),
        cmocka_unit_test(test_self_discharge),
        cmocka_unit_test(test_life_table),
        cmocka_unit_test(test_life_properties),
        cmocka_unit_test(test_bad_input),
    };

    gsl_set_error_handler_off();
    return cmocka_run_group_tests(tests, open_solver, close_solver);
}
