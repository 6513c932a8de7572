/* The least-squares fit against NIST's certified sets, and the rise against two coupled circuits
 * solved by GSL's ordinary differential equations. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/rise.h"

/* ---- NIST/ITL Statistical Reference Datasets, nonlinear regression (tests/published/nist/) ----
 */

static double misra1a(double x, const double *b)
{
    return b[0] * (1 - exp(-b[1] * x));
}

static double danwood(double x, const double *b)
{
    return b[0] * pow(x, b[1]);
}

static double mgh09(double x, const double *b)
{
    return b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]);
}

static double thurber(double x, const double *b)
{
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1 + x * (b[4] + x * (b[5] + x * b[6])));
}

#define NIST_MAX 64

/* Reads start values, certified values with their standard deviations, and the data. */
struct nist {
    double start[2][8], certified[8], deviation[8], ss;
    double x[NIST_MAX], y[NIST_MAX];
    size_t n, p;
};

static void nist_read(const char *name, struct nist *d)
{
    char path[512], line[256];
    FILE *f;
    bool data = false;

    memset(d, 0, sizeof *d);
    snprintf(path, sizeof path, "%s/tests/published/nist/%s.dat", TEST_SOURCE_DIR, name);
    f = fopen(path, "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        double v[4];
        int b;

        if (sscanf(line, " b%d = %lf %lf %lf %lf", &b, &v[0], &v[1], &v[2], &v[3]) == 5) {
            d->start[0][b - 1] = v[0];
            d->start[1][b - 1] = v[1];
            d->certified[b - 1] = v[2];
            d->deviation[b - 1] = v[3];
            d->p = (size_t)b;
        } else if (sscanf(line, " Residual Sum of Squares: %lf", &v[0]) == 1) {
            d->ss = v[0];
        } else if (strncmp(line, "Data:", 5) == 0 && strstr(line, "y") && strstr(line, " x")) {
            data = !strstr(line, "Response");
        } else if (data && sscanf(line, "%lf %lf", &v[0], &v[1]) == 2 && d->n < NIST_MAX) {
            d->y[d->n] = v[0];
            d->x[d->n++] = v[1];
        }
    }
    fclose(f);
}

static void nist_check(const char *name, double (*model)(double, const double *), size_t n,
                       size_t p, double tolerance)
{
    struct nist d;

    nist_read(name, &d);
    assert_int_equal(d.n, n);
    assert_int_equal(d.p, p);
    for (int from = 0; from < 2; from++) {
        struct rise_problem problem = {.n = d.n, .p = d.p, .x = d.x, .y = d.y, .model = model};
        double b[8], error[8], ss;
        struct status st;

        memcpy(b, d.start[from], sizeof b);
        assert_int_equal(rise_least_squares(&problem, b, error, &ss, &st), STATUS_OK);
        for (size_t j = 0; j < p; j++) {
            assert_true(fabs(b[j] / d.certified[j] - 1) < tolerance);
            assert_true(fabs(error[j] / d.deviation[j] - 1) < 100 * tolerance);
        }
        assert_true(fabs(ss / d.ss - 1) < 1e-8);
    }
}

static void test_misra1a(void **state)
{
    (void)state;
    nist_check("Misra1a", misra1a, 14, 2, 1e-6);
}

static void test_danwood(void **state)
{
    (void)state;
    nist_check("DanWood", danwood, 6, 2, 1e-6);
}

static void test_mgh09(void **state)
{
    (void)state;
    nist_check("MGH09", mgh09, 11, 4, 1e-4);
}

static void test_thurber(void **state)
{
    (void)state;
    nist_check("Thurber", thurber, 37, 7, 1e-5);
}

/* ---- two coupled circuits: v = R i + L di/dt + M dj/dt, 0 = r j + l dj/dt + M di/dt ---- */

struct circuit {
    double r, l, r2, l2, m, volt, source;
};

static int coupled(double t, const double y[], double dydt[], void *context)
{
    const struct circuit *c = context;
    double det = c->l * c->l2 - c->m * c->m;
    double a = c->volt - (c->r + c->source) * y[0], b = -c->r2 * y[1];

    (void)t;
    dydt[0] = (c->l2 * a - c->m * b) / det;
    dydt[1] = (c->l * b - c->m * a) / det;
    return GSL_SUCCESS;
}

#define SAMPLES 400

static void solve(struct circuit *c, double start, double dt, double noise, unsigned long seed,
                  double *time, double *current)
{
    gsl_odeiv2_system sys = {coupled, NULL, 2, c};
    gsl_odeiv2_driver *d =
        gsl_odeiv2_driver_alloc_y_new(&sys, gsl_odeiv2_step_rkf45, 1e-6, 1e-12, 1e-10);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double t = start, y[2] = {0, 0};

    gsl_rng_set(rng, seed);
    for (size_t i = 0; i < SAMPLES; i++) {
        time[i] = (double)i * dt;
        if (time[i] > t)
            gsl_odeiv2_driver_apply(d, &t, time[i], y);
        current[i] = y[0] + gsl_ran_gaussian(rng, noise);
    }
    gsl_odeiv2_driver_free(d);
    gsl_rng_free(rng);
}

static void test_plain(void **state)
{
    struct circuit c = {
        .r = 17.3, .l = 0.083, .r2 = 1, .l2 = 1, .m = 0, .volt = 2.94, .source = 0.7};
    double time[SAMPLES], current[SAMPLES];
    struct rise_capture capture = {
        .time = time, .current = current, .count = SAMPLES, .supply = 2.94, .source_ohm = 0.7};
    struct rise_fit fit;
    struct status st;
    int inside_r = 0, inside_l = 0, second = 0;

    (void)state;
    /* 40 seeds: estimates lie within two standard uncertainties about 38 times. */
    for (unsigned long seed = 1; seed <= 40; seed++) {
        solve(&c, 0.00123, 1e-4, 0.3e-3, seed, time, current);
        assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_OK);
        assert_true(fabs(fit.resistance / c.r - 1) < 0.01);
        assert_true(fabs(fit.inductance / c.l - 1) < 0.02);
        assert_true(fabs(fit.start - 0.00123) < 0.1e-3);
        assert_true(fabs(fit.noise / 0.3e-3 - 1) < 0.15);
        assert_true(fit.complete);
        inside_r += fabs(fit.resistance - c.r) < 2 * fit.resistance_u;
        inside_l += fabs(fit.inductance - c.l) < 2 * fit.inductance_u;
        second += fit.second;
    }
    assert_true(inside_r >= 35);
    assert_true(inside_l >= 35);
    assert_true(second <= 1);
}

static void test_shorted(void **state)
{
    /* A ring of its own time constant 4 ms, coupling 0.9. */
    struct circuit c = {.r = 17.3, .l = 0.083, .r2 = 0.05, .l2 = 0.0002, .volt = 2.94};
    double time[SAMPLES], current[SAMPLES];
    struct rise_capture capture = {
        .time = time, .current = current, .count = SAMPLES, .supply = 2.94};
    struct rise_fit fit;
    struct status st;

    (void)state;
    c.m = 0.9 * sqrt(c.l * c.l2);
    solve(&c, 0, 1e-4, 0.1e-3, 7, time, current);
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_OK);
    assert_true(fit.second);
    assert_true(fabs(fit.resistance / c.r - 1) < 0.01);
    assert_true(fabs(fit.inductance / c.l - 1) < 0.05);
    assert_true(fabs(fit.second_tau - 0.004) < 3 * fit.second_tau_u + 0.0002);
    /* The drawn curve is the fitted one. */
    assert_true(fabs(rise_current(&fit, 2.94, 0, 0.01) - current[100]) < 0.6e-3);
}

/* A supply that sags from 3.2 V: exact response of one circuit to a ramp. */
static void test_trace(void **state)
{
    double time[SAMPLES], current[SAMPLES], voltage[SAMPLES];
    double r = 17.3, tau = 0.0048, slope = -12;
    struct rise_capture capture = {
        .time = time, .current = current, .voltage = voltage, .count = SAMPLES};
    struct rise_fit fit;
    struct status st;

    (void)state;
    for (size_t i = 0; i < SAMPLES; i++) {
        double t = 1e-4 * ((double)i - 10);

        time[i] = 1e-4 * (double)i;
        voltage[i] = t < 0 ? 0 : 3.2 + slope * t;
        current[i] =
            t < 0 ? 0
                  : (3.2 * (1 - exp(-t / tau)) + slope * (t - tau * (1 - exp(-t / tau)))) / r +
                        1e-5 * sin(1e4 * (double)i);
    }
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_OK);
    assert_true(fabs(fit.resistance / r - 1) < 0.01);
    assert_true(fabs(fit.inductance / (r * tau) - 1) < 0.02);
    assert_true(fabs(fit.sag - 12 * 0.0389) < 0.001);
}

/* Field that diffuses into a solid plate has no two time constants but endlessly many,
 * 1 - 8/pi^2 sum exp(-(2k+1)^2 t/tau) / (2k+1)^2, and its area is pi^2/12 tau (Carslaw and Jaeger,
 * Conduction of Heat in Solids, section 3.3; from memory). Neither form of the fit is true of it;
 * it must settle all the same, whatever the steps of the converter and the moment of switching. */
static void test_diffusion(void **state)
{
    double time[SAMPLES], current[SAMPLES];
    struct rise_capture capture = {.time = time, .current = current, .count = SAMPLES, .supply = 3};
    struct rise_fit fit;
    struct status st;

    (void)state;
    for (int k = 0; k < 40; k++) {
        double tau = 5e-3 * (1 + 0.02 * k), start = 0.1e-4 * k, lsb = k % 2 ? 0.1 / 1024 : 1e-6;

        for (size_t i = 0; i < SAMPLES; i++) {
            double t, sum = 0;

            time[i] = 1e-4 * (double)i;
            t = time[i] - start;
            for (int n = 1; n < 400; n += 2)
                sum += exp(-n * n * t / tau) / (n * n);
            current[i] = t <= 0 ? 0 : 0.1 * (1 - 8 / (M_PI * M_PI) * sum);
            current[i] = lsb * floor(current[i] / lsb + 0.5);
        }
        assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_OK);
        assert_true(fit.second);
        assert_true(fabs(fit.resistance / 30 - 1) < 0.01);
        assert_true(fabs(fit.inductance / (30 * M_PI * M_PI / 12 * tau) - 1) < 0.04);
    }
}

/* Iron that saturates: linkage 0.1 i + 0.02 tanh(i / 0.05), stepped through d(linkage)/dt = V - R
 * i. No exponential has that form, but the inductance over the whole rise is its linkage over its
 * current, and that is known. Beside it a rise that begins late, and the steps of a 10-bit board.
 */
static void test_saturating(void **state)
{
    enum { N = 400, FINE = 2000 };
    static double t[N], i[N];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const double volt = 3, ohm = 15, dt = 0.2e-3, end = volt / ohm, step = 0.25 / 1023;
    const double right = 0.1 + 0.02 * tanh(end / 0.05) / end;

    (void)state;
    gsl_rng_set(rng, 3);
    for (int late = 0; late < 2; late++) {
        struct rise_capture c = {.time = t,
                                 .current = i,
                                 .count = N,
                                 .supply = volt,
                                 .supply_u = 0.003,
                                 .gain_u = 0.005};
        struct rise_fit fit;
        struct status st;
        double now = 0;

        for (int k = 0; k < N; k++) {
            t[k] = k * dt;
            i[k] = step * floor(now / step + 0.5 + gsl_ran_gaussian(rng, 0.5));
            for (int f = 0; f < FINE && k >= 20 * late; f++) {
                double sech = 1 / cosh(now / 0.05);

                now += dt / FINE * (volt - ohm * now) / (0.1 + 0.02 / 0.05 * sech * sech);
            }
        }
        assert_int_equal(rise_fit(&c, &fit, &st), STATUS_OK);
        assert_true(fit.runs_p < 0.001); /* the form does not hold */
        printf("saturating: L %.4f +- %.4f, linkage over current %.4f\n", fit.inductance,
               fit.inductance_u, right);
        assert_true(fabs(fit.inductance / right - 1) < 0.02);
        assert_true(fabs(fit.inductance - right) < 2 * fit.inductance_u);
    }
    gsl_rng_free(rng);
}

static void test_refusals(void **state)
{
    double time[SAMPLES], current[SAMPLES];
    struct rise_capture capture = {.time = time, .current = current, .count = SAMPLES, .supply = 3};
    struct rise_fit fit;
    struct status st;

    (void)state;
    for (size_t i = 0; i < SAMPLES; i++) {
        time[i] = 1e-4 * (double)i;
        current[i] = 0.1;
    }
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "does not rise"));
    capture.count = 5;
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_INPUT);
    capture.count = SAMPLES;
    time[17] = time[16];
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "18"));
    time[17] = NAN;
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_INPUT);
    time[17] = 17e-4;
    capture.supply = 0;
    assert_int_equal(rise_fit(&capture, &fit, &st), STATUS_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_misra1a),    cmocka_unit_test(test_danwood),
        cmocka_unit_test(test_mgh09),      cmocka_unit_test(test_thurber),
        cmocka_unit_test(test_plain),      cmocka_unit_test(test_shorted),
        cmocka_unit_test(test_trace),      cmocka_unit_test(test_diffusion),
        cmocka_unit_test(test_saturating), cmocka_unit_test(test_refusals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
