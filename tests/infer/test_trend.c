/* The trend of a battery: Theil-Sen against SciPy; changes, joints and forecasts on histories made
 * here, judged by what was put in. IEC 60086 end points and the pulse's charge are checked in
 * test_cell.c and test_drive.c. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/infer/forecast.h"
#include "analyze/model/drive.h"

#define DAY   86400.0
#define START 1.7e9

/* Park and Miller (1988), as in tests/published/trend/recompute. */
static double draw(int64_t *seed)
{
    *seed = *seed * 16807 % 2147483647;
    return (double)*seed / 2147483647.0;
}

static void near(double a, double b, double tolerance, const char *what)
{
    if (!(fabs(a - b) <= tolerance))
        fail_msg("%s is %.12g, expected %.12g within %g", what, a, b, tolerance);
}

/* scipy.stats.theilslopes, SciPy 1.10.1; printed by tests/published/trend/recompute. */
static const struct {
    int64_t seed;
    size_t n;
    double slope, noise, dy, dx;
    size_t outliers;
    double level, median, intercept, low, high;
} reference[] = {
    {11, 12, -0.0045, 0.003, 0.0, 0.0, 0, 0.95, -0.00448415438683, 2.79783405662, -0.00503256986,
     -0.00402886117679},
    {12, 28, -0.0045, 0.003, 0.001, 0.0, 0, 0.9, -0.00452246011268, 2.80167868326,
     -0.00462751535498, -0.00442070064543},
    {13, 28, -0.0004, 0.004, 0.005, 0.0, 4, 0.9, -0.000417522388065, 2.80196632857,
     -0.000656740085613, 0},
    {14, 60, 0.002, 0.01, 0.01, 2.0, 9, 0.95, 0.002, 2.816, 0.00181818181818, 0.00222222222222},
    {15, 5, -0.001, 0.002, 0.0, 0.0, 0, 0.9, -0.00128299583645, 2.79925091997, -0.00246791384897,
     -0.000980009342503},
    {16, 200, -0.003, 0.02, 0.001, 1.0, 30, 0.99, -0.003, 2.844, -0.00307594936709,
     -0.00294117647059},
};

static void against_scipy(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof reference / sizeof *reference; k++) {
        double x[200], y[200], u[400];
        int64_t seed = reference[k].seed;
        size_t n = reference[k].n;
        struct trend_slope s;
        struct status st;

        for (size_t i = 0; i < 2 * n; i++)
            u[i] = draw(&seed);
        for (size_t i = 0; i < n; i++) {
            x[i] = (double)i * 0.75 + u[i];
            if (reference[k].dx > 0.0)
                x[i] = floor(x[i] / reference[k].dx) * reference[k].dx;
            y[i] = 2.8 + reference[k].slope * x[i] + reference[k].noise * (2.0 * u[n + i] - 1.0);
            if (reference[k].outliers && i % (n / reference[k].outliers) == 0)
                y[i] += 0.3;
            if (reference[k].dy > 0.0)
                y[i] = floor(y[i] / reference[k].dy + 0.5) * reference[k].dy;
        }
        assert_int_equal(trend_slope(x, y, n, reference[k].level, &s, &st), STATUS_OK);
        near(s.slope, reference[k].median, 1e-9, "slope");
        near(s.intercept, reference[k].intercept, 1e-9, "intercept");
        near(s.low, reference[k].low, 1e-9, "low end");
        near(s.high, reference[k].high, 1e-9, "high end");
    }
}

static void slopes_refused(void **state)
{
    const double x[] = {1, 1, 1}, y[] = {1, 2, 3}, hole[] = {1, NAN, 3};
    struct trend_slope s;
    struct status st;

    (void)state;
    assert_int_equal(trend_slope(x, y, 3, 0.9, &s, &st), STATUS_INPUT);
    assert_int_equal(trend_slope(y, y, 1, 0.9, &s, &st), STATUS_INPUT);
    assert_int_equal(trend_slope(y, hole, 3, 0.9, &s, &st), STATUS_INPUT);
    assert_int_equal(trend_slope(y, y, 3, 1.0, &s, &st), STATUS_INPUT);
    assert_int_equal(trend_slope(y, y, TREND_SLOPE_MAX + 1, 0.9, &s, &st), STATUS_INPUT);
    assert_int_equal(trend_slope(y, y, 3, 0.9, &s, &st), STATUS_OK);
    near(s.slope, 1.0, 1e-12, "slope");
}

/* A battery that follows the table of its kind, with a capacity of our own choosing. Every figure
 * is invented. */
struct maker {
    struct trend_site site;
    double capacity_ah, coil_ohm, level; /* V a cell off the curve */
    double joint_day, joint_ohm;
    double swing; /* C, temperature about 12 C */
    bool loaded, counted;
    int64_t seed;
    int per_day;
};

#define ROWS_MAX 6000
struct made {
    struct trend_row row[ROWS_MAX];
    size_t n;
    double end_s; /* when a cell under load is at its end point */
};

static struct maker standard(void)
{
    struct cell_battery b = cell_battery_of(cell_kind("LR20"), 2);
    struct maker m = {.site = trend_site_of(&b),
                      .capacity_ah = 17.0,
                      .coil_ohm = 17.0,
                      .joint_day = INFINITY,
                      .swing = 5.0,
                      .loaded = true,
                      .counted = true,
                      .seed = 4,
                      .per_day = 4};

    m.site.coil_ohm = 17.0;
    m.site.coil_h = 0.2;
    m.site.pulse_s = 0.25;
    m.site.period_s = 14.0;
    m.site.fitted_s = START;
    return m;
}

/* Appends the life of one battery, from start_s, until its end or for at most days. */
static void make(struct maker *m, struct made *out, double start_s, double days, double pulses)
{
    const struct drive_pulse pulse = {m->site.pulse_s, m->site.period_s};
    double used = 0.0, step = DAY / m->per_day, end = m->site.battery.kind->end_v.value;

    out->end_s = NAN;
    for (double t = 0.0; t < days * DAY && out->n < ROWS_MAX; t += step) {
        double c =
            12.0 + m->swing * sin(2 * M_PI * t / (365.25 * DAY)) + 2.0 * sin(2 * M_PI * t / DAY);
        struct cell_state s;
        struct drive_circuit circuit = {.coil_ohm = m->coil_ohm, .coil_h = m->site.coil_h};
        struct drive_result r;
        double loaded, joint = t > m->joint_day * DAY ? m->joint_ohm : 0.0;

        assert_int_equal(
            cell_state(&m->site.battery, fmin(1.0, used / m->capacity_ah), c, 0.0, &s, NULL),
            STATUS_OK);
        s.emf_v += m->level * m->site.battery.series;
        loaded = s.emf_v * m->coil_ohm / (m->coil_ohm + s.ohm + joint);
        if (s.emf_v * m->coil_ohm / (m->coil_ohm + s.ohm) < end * m->site.battery.series ||
            used >= m->capacity_ah) {
            out->end_s = start_s + t;
            return;
        }
        out->row[out->n++] = (struct trend_row){
            .time_s = start_s + t,
            .temperature = c + 0.4 * (draw(&m->seed) - 0.5),
            .unloaded_v = s.emf_v + 0.006 * (draw(&m->seed) - 0.5),
            .loaded_v = m->loaded ? loaded + 0.006 * (draw(&m->seed) - 0.5) : NAN,
            .pulses = m->counted ? floor(pulses) : NAN};
        circuit.emf_v = loaded;
        drive_quick(&circuit, &pulse, &r);
        used += r.mean_a * step / 3600.0;
        pulses += step / m->site.period_s;
    }
}

static size_t until(const struct made *h, double time_s)
{
    size_t n = 0;

    while (n < h->n && h->row[n].time_s < time_s)
        n++;
    return n;
}

static void forecast(const struct maker *m, const struct trend_row *row, size_t n,
                     struct forecast *f, struct trend_joint *j)
{
    struct trend_day *day;
    struct status st;
    size_t days;

    assert_int_equal(trend_days(&m->site, row, n, &day, &days, &st), STATUS_OK);
    trend_joint(&m->site, day, days, j);
    if (forecast_make(&m->site, day, days, j, NULL, 0, f, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    free(day);
}

/* Days: medians, correction for temperature, resistance from the dip, charge from the pulses. */
static void days_worked_out(void **state)
{
    struct maker m = standard();
    struct trend_row row[9];
    struct trend_day *day;
    struct drive_result r;
    struct status st;
    size_t n;

    (void)state;
    for (int i = 0; i < 9; i++)
        row[i] = (struct trend_row){.time_s = 19000 * DAY + i * DAY / 3 + 1.0,
                                    .temperature = i == 4 ? NAN : 10.0,
                                    .unloaded_v = i == 4 ? 9.9 : 3.0, /* one wild reading */
                                    .loaded_v = 3.0 * 17.0 / 17.5,
                                    /* The counter begins again on the third day. */
                                    .pulses = i < 6 ? 1000 + 100 * i : 100 * (i - 6)};
    assert_int_equal(trend_days(&m.site, row, 9, &day, &n, &st), STATUS_OK);
    assert_int_equal(n, 3);
    near(day[1].unloaded_v, 3.0, 1e-12, "median");
    /* -0.4 mV/K a cell, two cells, ten kelvin below 20 C. */
    near(day[0].unloaded_20, 3.0 - 2 * 0.4e-3 * 10.0, 1e-12, "corrected voltage");
    near(day[0].ohm, 0.5, 1e-9, "resistance from the dip");
    /* Resistance doubles for every 24 K colder. */
    near(day[0].ohm_20, 0.5 / exp2(10.0 / 24.0), 1e-9, "resistance at 20 C");
    near(day[2].pulses, 500 + 200, 1e-9, "pulses over a counter that began again");
    drive_linear(&(struct drive_circuit){.emf_v = row[0].loaded_v, .coil_ohm = 17.0, .coil_h = 0.2},
                 &(struct drive_pulse){0.25, 14.0}, &r, &st);
    near(day[2].drawn_ah, 700 * r.charge_c / 3600.0, 1e-9, "charge");
    free(day);
    row[3].time_s = row[2].time_s - 1.0;
    assert_int_equal(trend_days(&m.site, row, 9, &day, &n, &st), STATUS_INPUT);
    assert_int_equal(trend_days(&m.site, row, 0, &day, &n, &st), STATUS_INPUT);
}

/* The path of the loaded voltage falls through the end point on the likely day, and the quantiles
 * are in order. How well the end is foreseen is test_forecast.c's. */
static void path_ends_at_the_end(void **state)
{
    struct made *h = malloc(sizeof *h);

    (void)state;
    for (int age = 1; age <= 3; age++) {
        struct maker m = standard();
        struct forecast f;
        struct trend_joint j;

        h->n = 0;
        make(&m, h, START, 1000, 0);
        assert_true(isfinite(h->end_s));
        forecast(&m, h->row, until(h, START + age * 0.25 * (h->end_s - START)), &f, &j);
        assert_int_equal((int)f.answer, (int)FORECAST_TELLS);
        assert_true(f.days[FORECAST_Q05] < f.days[FORECAST_Q25] &&
                    f.days[FORECAST_Q25] < f.days[FORECAST_Q50] &&
                    f.days[FORECAST_Q50] < f.days[FORECAST_Q75] &&
                    f.days[FORECAST_Q75] < f.days[FORECAST_Q95]);
        assert_int_not_equal((int)j.cause, (int)TREND_JOINT);
        for (size_t p = 1; p < f.n_path; p++)
            if (f.path_s[p - 1] <= f.from_s + DAY * f.days[FORECAST_Q50] &&
                f.path_s[p] > f.from_s + DAY * f.days[FORECAST_Q50])
                near(f.path_v[FORECAST_Q50][p], f.end_v, 0.12, "loaded voltage at the end");
    }
    free(h);
}

/* Two days are too few; months of a battery whose charge is not counted still give an answer, and
 * one that is wider. */
static void early_and_uncounted(void **state)
{
    struct made *h = malloc(sizeof *h);
    struct maker m = standard();
    struct forecast f, counted;
    struct trend_joint j;

    (void)state;
    h->n = 0;
    make(&m, h, START, 1000, 0);
    forecast(&m, h->row, until(h, START + 2 * DAY), &f, &j);
    assert_int_equal((int)f.answer, (int)FORECAST_TOO_EARLY);
    assert_non_null(strstr(f.why, "days of readings"));
    forecast(&m, h->row, until(h, START + 0.6 * (h->end_s - START)), &counted, &j);
    for (size_t i = 0; i < h->n; i++)
        h->row[i].pulses = NAN;
    m.site.period_s = NAN;
    forecast(&m, h->row, until(h, START + 0.6 * (h->end_s - START)), &f, &j);
    assert_true(isnan(f.drawn_ah) && isnan(f.capacity_ah) && isnan(f.mean_a));
    assert_true(log(f.days[FORECAST_Q95] / f.days[FORECAST_Q05]) >
                log(counted.days[FORECAST_Q95] / counted.days[FORECAST_Q05]));
    assert_true(f.days[FORECAST_Q05] < (h->end_s - f.from_s) / DAY &&
                (h->end_s - f.from_s) / DAY < f.days[FORECAST_Q95]);
    free(h);
}

static void spent_now(void **state)
{
    struct made *h = malloc(sizeof *h);
    struct maker m = standard();
    struct forecast f;
    struct trend_joint j;

    (void)state;
    h->n = 0;
    make(&m, h, START, 1000, 0);
    for (int i = 0; i < 12; i++) { /* three days at 0.88 V a cell */
        h->row[h->n] = h->row[h->n - 1];
        h->row[h->n].time_s += DAY / 4;
        h->row[h->n].unloaded_v = 1.80;
        h->row[h->n++].loaded_v = 1.76;
    }
    forecast(&m, h->row, h->n, &f, &j);
    assert_int_equal((int)f.answer, (int)FORECAST_SPENT);
    free(h);
}

/* A new battery is found to the reading, at any age of the old one; none is seen where there is
 * none, nor in a swing of temperature, nor where a rest of two weeks gives 20 mV a cell back. */
static void change_found(void **state)
{
    struct made *h = malloc(sizeof *h);
    struct trend_change c[8];

    (void)state;
    for (int days = 30; days <= 240; days += 30) {
        struct maker m = standard();
        size_t first;

        m.swing = 12.0;
        h->n = 0;
        make(&m, h, START, days, 0);
        assert_int_equal(trend_changes(&m.site, h->row, h->n, c, 8), 0);
        first = h->n;
        make(&m, h, h->row[first - 1].time_s + DAY / 4, 40, h->row[first - 1].pulses);
        assert_int_equal(trend_changes(&m.site, h->row, h->n, c, 8), 1);
        near(c[0].before_s, h->row[first - 1].time_s, 0.1, "last of the old");
        near(c[0].after_s, h->row[first].time_s, 0.1, "first of the new");
        assert_true(c[0].step_v > 0.1);
        /* The hour of the change holds a mean of both batteries. */
        for (int tenth = 1; tenth <= 9; tenth++) {
            double old = h->row[first - 2].unloaded_v, new = h->row[first].unloaded_v;

            h->row[first - 1].unloaded_v = old + 0.1 * tenth * (new - old);
            assert_int_equal(trend_changes(&m.site, h->row, h->n, c, 8), 1);
            assert_true(c[0].after_s > h->row[first - 2].time_s + 1.0 &&
                        c[0].after_s < h->row[first].time_s + 1.0);
        }
    }
    {
        struct maker m = standard();

        h->n = 0;
        make(&m, h, START, 120, 0);
        for (size_t i = 200; i < 256; i++)
            h->row[i].unloaded_v += 0.04;
        assert_int_equal(trend_changes(&m.site, h->row, h->n, c, 8), 0);
    }
    free(h);
}

/* 0.4 ohm more between battery and coil is a joint, from the day it came; the cells' days stand.
 * The cells' own resistance, which doubles over their life, is not; nor is a cold spell. */
static void joint_told_from_cell(void **state)
{
    struct made *h = malloc(sizeof *h);
    struct maker m = standard();
    struct forecast f, good;
    struct trend_joint j;

    (void)state;
    m.swing = 10.0;
    h->n = 0;
    make(&m, h, START, 1000, 0);
    for (int tenth = 2; tenth <= 9; tenth++) {
        forecast(&m, h->row, until(h, START + 0.1 * tenth * (h->end_s - START)), &good, &j);
        assert_int_equal((int)j.cause, (int)TREND_RUNNING_DOWN);
    }
    m.joint_day = 60;
    m.joint_ohm = 0.4;
    h->n = 0;
    make(&m, h, START, 100, 0);
    forecast(&m, h->row, h->n, &f, &j);
    assert_int_equal((int)j.cause, (int)TREND_JOINT);
    near(j.since_s, START + 60 * DAY, 2.5 * DAY, "since");
    near(j.ohm_excess, 0.4, 0.12, "what the joint adds");
    assert_true(f.falter_days[FORECAST_Q50] < f.days[FORECAST_Q50]);
    /* Without the voltage in a pulse it cannot be told. */
    m.loaded = false;
    h->n = 0;
    make(&m, h, START, 100, 0);
    forecast(&m, h->row, h->n, &f, &j);
    assert_int_equal((int)j.cause, (int)TREND_UNSEEN);
    free(h);
}

static void knee(void **state)
{
    struct made *h = malloc(sizeof *h);
    struct maker m = standard();
    struct trend_day *day;
    struct trend_knee k;
    struct status st;
    size_t n;

    (void)state;
    h->n = 0;
    make(&m, h, START, 1000, 0);
    assert_int_equal(
        trend_days(&m.site, h->row, until(h, START + 0.6 * (h->end_s - START)), &day, &n, &st),
        STATUS_OK);
    trend_knee(day, n, &k);
    assert_false(k.found);
    free(day);
    assert_int_equal(trend_days(&m.site, h->row, h->n, &day, &n, &st), STATUS_OK);
    trend_knee(day, n, &k);
    assert_true(k.found);
    /* The table of this kind bends at nine tenths. */
    near((k.time_s - START) / (h->end_s - START), 0.9, 0.05, "place of the knee");
    assert_true(k.after < 2.0 * k.before);
    free(day);
    free(h);
}

/* Other kinds of cells, no temperature, one reading a week, rows without values: an answer or a
 * sentence, never a wild figure. */
static void whatever_is_given(void **state)
{
    struct made *h = malloc(sizeof *h);
    size_t kinds;
    const struct cell_kind *kind = cell_kinds(&kinds);

    (void)state;
    for (size_t k = 0; k < kinds; k++) {
        struct cell_battery b = cell_battery_of(&kind[k], 3);
        struct maker m = standard();
        struct forecast f;
        struct trend_joint j;

        if (isnan(kind[k].capacity_ah.value))
            b.capacity_ah = 2.0;
        m.site.battery = b;
        m.capacity_ah = isnan(kind[k].capacity_ah.value) ? 2.0 : kind[k].capacity_ah.value;
        m.coil_ohm = m.site.coil_ohm = 60.0;
        h->n = 0;
        make(&m, h, START, 2000, 0);
        for (size_t i = 0; i < h->n; i++) {
            if (i % 3)
                h->row[i].unloaded_v = h->row[i].loaded_v = NAN;
            h->row[i].temperature = NAN;
        }
        forecast(&m, h->row, h->n / 2, &f, &j);
        for (int q = 0; q < FORECAST_QUANTILES; q++)
            assert_true(isfinite(f.days[q]) && f.days[q] >= 0.0 && f.days[q] < 40000.0);
        assert_true(f.depth >= 0.0 && f.depth < 1.5 && f.u_depth >= 0.0);
    }
    {
        struct maker m = standard();
        struct trend_row row = {START, NAN, NAN, NAN, NAN};
        struct trend_day *day;
        struct forecast f;
        struct status st;
        size_t n;

        assert_int_equal(trend_days(&m.site, &row, 1, &day, &n, &st), STATUS_OK);
        assert_int_equal(forecast_make(&m.site, day, n, NULL, NULL, 0, &f, &st), STATUS_INPUT);
        free(day);
        row.unloaded_v = 0.001; /* nonsense that is a number */
        row.loaded_v = 1e9;
        assert_int_equal(trend_days(&m.site, &row, 1, &day, &n, &st), STATUS_OK);
        forecast_make(&m.site, day, n, NULL, NULL, 0, &f, &st);
        free(day);
    }
    free(h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(against_scipy),
        cmocka_unit_test(slopes_refused),
        cmocka_unit_test(days_worked_out),
        cmocka_unit_test(path_ends_at_the_end),
        cmocka_unit_test(early_and_uncounted),
        cmocka_unit_test(spent_now),
        cmocka_unit_test(change_found),
        cmocka_unit_test(joint_told_from_cell),
        cmocka_unit_test(knee),
        cmocka_unit_test(whatever_is_given),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
