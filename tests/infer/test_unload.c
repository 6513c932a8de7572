/* Curves of unloading against readings made here from a law written down here: a pull, a
 * first-order lag (closed form for a step), drift, digits and noise. The law of the pull, k I^2 /
 * (1 + (I/s)^2), and every figure are invented. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/unload.h"

struct made {
    struct unload_sample scale[4000], current[4000];
    struct unload_input in;
};

struct recipe {
    double weight;     /* N shown without current */
    double lag;        /* s */
    double drift;      /* N/s */
    double digit;      /* N */
    double noise;      /* N */
    double end;        /* N; pulls above are off the pan */
    double over;       /* N; readings below are beyond the range */
    double hysteresis; /* share more when falling */
    double dwell;      /* s at each step */
    double rest;       /* s without current first and last */
};

static double law(double current)
{
    return 300.0 * current * current / (1.0 + pow(current / 0.3, 2.0));
}

static const double staircase[] = {0, 0.04, 0.08, 0.12, 0.16, 0.20, 0.16, 0.12, 0.08, 0.04, 0};
#define STAIRS (sizeof staircase / sizeof *staircase)

/* Exact pull between the reading times: the current is a step, the lag an exponential to it. */
static void make(struct made *m, const struct recipe *r, uint64_t seed)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double shown = 0, at = 0, t = 0;
    size_t n = 0, c = 0, step = 0;
    double until = r->rest;

    gsl_rng_set(rng, seed);
    memset(m, 0, sizeof *m);
    while (step < STAIRS) {
        double current = staircase[step];
        bool falling = step > 5;
        double pull = law(current) * (falling ? 1.0 + r->hysteresis : 1.0);
        double dt = 0.05;

        pull = fmin(pull, r->end);
        shown = pull + (shown - pull) * exp(-dt / r->lag);
        t += dt;
        if (fmod(t + 1e-9, 0.1) < dt - 1e-6)
            m->current[c++] = (struct unload_sample){.time = t, .value = current};
        if (t - at >= 0.25 - 1e-9) {
            double value = r->weight + r->drift * t - shown + r->noise * gsl_ran_ugaussian(rng);
            enum unload_mark mark =
                fabs(shown - pull) > 3 * r->digit ? UNLOAD_UNSTABLE : UNLOAD_GOOD;

            at = t;
            value = r->digit * round(value / r->digit);
            if (value < r->over) {
                value = NAN;
                mark = UNLOAD_OVER;
            }
            m->scale[n++] = (struct unload_sample){.time = t, .value = value, .mark = mark};
        }
        if (t >= until) {
            ++step;
            until += step + 1 == STAIRS ? r->rest : r->dwell;
        }
    }
    gsl_rng_free(rng);
    m->in = (struct unload_input){.scale = m->scale,
                                  .scales = n,
                                  .current = m->current,
                                  .currents = c,
                                  .resolution = r->digit,
                                  .block = NAN};
}

static const struct recipe usual = {.weight = 14.7,
                                    .lag = 0.4,
                                    .digit = 0.00980665,
                                    .noise = 0.002,
                                    .end = INFINITY,
                                    .over = -INFINITY,
                                    .dwell = 4,
                                    .rest = 5};

static void check_points(const struct unload_curve *c, double most_current)
{
    size_t seen = 0;

    for (size_t i = 0; i < c->points; ++i) {
        const struct unload_point *p = &c->point[i];

        if (p->more_than)
            continue;
        ++seen;
        if (!(fabs(p->pull - law(p->current)) < 4 * p->u && p->current < most_current))
            fail_msg("%g A: %g N +- %g, law %g", p->current, p->pull, p->u, law(p->current));
        assert_true(p->u < 0.15 + 0.02 * p->pull);
    }
    assert_true(seen >= 4);
}

static void test_usual(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct unload_curve c;
    struct status st;

    (void)state;
    for (uint64_t seed = 1; seed <= 20; ++seed) {
        make(m, &usual, seed);
        assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_OK);
        check_points(&c, 0.201);
        assert_true(fabs(c.lag - 0.4) < 0.12);
        assert_true(fabs(c.tare - 14.7) < 0.02 && !c.tared);
        assert_true(fabs(c.left) < 4 * c.left_u + 0.01);
        assert_true(isfinite(c.hysteresis) && fabs(c.hysteresis) < 4 * c.hysteresis_u + 0.03);
        assert_true(c.unstable > 0 && c.over == 0 && !c.lifted_off);
    }
    free(m);
}

/* Set to zero with the block on the pan, slow, drifting. */
static void test_slow(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct recipe r = usual;
    struct unload_curve c;
    struct status st;

    (void)state;
    r.weight = 0;
    r.lag = 1.2;
    r.drift = 2e-4;
    r.dwell = 6;
    make(m, &r, 3);
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_OK);
    check_points(&c, 0.201);
    assert_true(c.tared && fabs(c.lag - 1.2) < 0.25);
    free(m);
}

static void test_hysteresis(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct recipe r = usual;
    struct unload_curve c;
    struct status st;
    size_t falling = 0;

    (void)state;
    r.hysteresis = 0.2;
    make(m, &r, 4);
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_OK);
    assert_true(fabs(c.hysteresis - 0.2) < 0.08 && c.hysteresis_u < 0.1);
    for (size_t i = 0; i < c.points; ++i) {
        const struct unload_point *p = &c.point[i];
        double truth = law(p->current) * (p->falling ? 1.2 : 1.0);

        falling += p->falling;
        assert_true(fabs(p->pull - truth) < 4 * p->u);
    }
    assert_true(falling >= 3);
    free(m);
}

/* The block leaves the pan: above its weight there is only 'more than'. */
static void test_lifted_off(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct recipe r = usual;
    struct unload_curve c;
    struct status st;
    bool more = false;

    (void)state;
    r.weight = 4.0;
    r.end = 4.0; /* law(0.16) is 5.98 N */
    make(m, &r, 5);
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_OK);
    assert_true(c.lifted_off);
    for (size_t i = 0; i < c.points; ++i) {
        const struct unload_point *p = &c.point[i];

        if (p->more_than) {
            more = true;
            assert_true(p->pull <= 4.0 && p->pull > 3.8 && p->current <= 0.161);
        } else
            assert_true(fabs(p->pull - law(p->current)) < 4 * p->u && p->current < 0.161);
    }
    assert_true(more);
    free(m);
}

/* A scale that was set to zero and does not show below -3 N. */
static void test_end_of_range(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct recipe r = usual;
    struct unload_curve c;
    struct status st;
    const struct unload_point *last = NULL;

    (void)state;
    r.weight = 0;
    r.over = -5.0;
    make(m, &r, 6);
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_OK);
    assert_true(c.over > 10 && !c.lifted_off);
    for (size_t i = 0; i < c.points; ++i)
        if (c.point[i].more_than)
            last = &c.point[i];
    assert_non_null(last);
    assert_true(last->pull > 2.0 && last->pull <= 5.01 && last->pull <= law(last->current) + 0.05);
    free(m);
}

static void test_refused(void **state)
{
    struct made *m = malloc(sizeof *m);
    struct recipe r = usual;
    struct unload_curve c;
    struct status st;

    (void)state;
    make(m, &r, 7);
    m->in.scales = 5;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "too few"));
    make(m, &r, 7);
    for (size_t i = 0; i < m->in.currents; ++i)
        m->current[i].value = 0;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "no current"));
    make(m, &r, 7);
    for (size_t i = 0; i < m->in.currents; ++i)
        m->current[i].value += 0.1; /* never off: the block is never weighed */
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "off for a few seconds"));
    make(m, &r, 7);
    for (size_t i = 0; i < m->in.currents; ++i)
        m->current[i].time += 1000;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    make(m, &r, 7);
    m->scale[4].time = m->scale[3].time;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    make(m, &r, 7);
    m->current[4].value = NAN;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    make(m, &r, 7);
    m->in.block = -1;
    assert_int_equal(unload_curve(&m->in, &c, &st), STATUS_INPUT);
    free(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_usual),        cmocka_unit_test(test_slow),
        cmocka_unit_test(test_hysteresis),   cmocka_unit_test(test_lifted_off),
        cmocka_unit_test(test_end_of_range), cmocka_unit_test(test_refused)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
