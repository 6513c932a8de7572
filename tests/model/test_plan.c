/* The planner. What it calls good is fed to the forward model and must pull as promised; more asked
 * for never becomes easier; what cannot be done is said, with the nearest and why. */
#include "analyze/model/coil.h"
#include "analyze/model/plan.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define WIRES 12

static void near(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance))
        fail_msg("got %.9g, want %.9g within %g", got, want, tolerance);
}

/* SWG 20 to 42 in steps of two, enamel grade 1. */
static void standard_wires(struct wire wires[WIRES])
{
    struct status st;

    for (int i = 0; i < WIRES; i++)
        assert_int_equal(
            wire_make(&wires[i], WIRE_COPPER, WIRE_SWG, 20 + 2 * i, NAN, 1, WIRE_ENAMEL_1, &st),
            STATUS_OK);
}

/* A signal-arm magnet of a miniature railway: invented for these tests. */
static struct design signal_magnet(void)
{
    struct design d;

    design_init(&d);
    d.core.form = DESIGN_U_YOKE;
    d.core.limb = (struct design_section){DESIGN_ROUND, amount_of(9.5e-3, 0.05e-3), amount_none()};
    d.core.limb_length = amount_of(42e-3, 0.3e-3);
    d.core.spacing = amount_of(27e-3, 0.3e-3);
    snprintf(d.core.iron, sizeof d.core.iron, "low-carbon-steel");
    d.core.yoke = (struct design_section){DESIGN_RECTANGULAR, amount_of(13e-3, 0.1e-3),
                                          amount_of(6.3e-3, 0.1e-3)};
    d.core.keeper = (struct design_section){DESIGN_RECTANGULAR, amount_of(12.5e-3, 0.1e-3),
                                            amount_of(5.2e-3, 0.1e-3)};
    d.core.gap = amount_of(0.2e-3, 0.02e-3);
    d.winding.wound_length = amount_of(36e-3, 0.5e-3);
    d.winding.outside_max = amount_of(22e-3, 0.0);
    d.winding.wrap = amount_of(0.5e-3, 0.05e-3);
    d.supply.pulse = amount_of(0.25, 0.02);
    d.supply.period = amount_of(15.0, 0.5);
    d.work.pull = amount_of(1.2, 0.0);
    d.work.gap = amount_of(0.8e-3, 0.03e-3);
    d.work.safety_factor = amount_of(1.25, 0.0);
    return d;
}

static struct plan_request request_of(const struct design *d, const struct wire *wires)
{
    return (struct plan_request){.design = d,
                                 .wires = wires,
                                 .count = WIRES,
                                 .battery = cell_battery_of(cell_kind("LR20"), 2),
                                 .days = NAN,
                                 .temperature_max = NAN};
}

static void make(const struct plan_request *r, struct plan *plan)
{
    struct status st;

    if (plan_make(r, plan, &st) != STATUS_OK)
        fail_msg("no plan: %s", st.text);
}

static size_t count_good(const struct plan *plan)
{
    size_t n = 0;

    for (size_t i = 0; i < plan->count; i++)
        n += plan->options[i].why == PLAN_GOOD;
    return n;
}

/* Pull by the forward model of an option's own design, at a current and temperature. */
static double forward_pull(const struct plan_request *r, const struct plan_option *o, double turns,
                           double ampere, double celsius)
{
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = ampere, .keeper = true};
    struct coil_specimen s;
    struct coil_observables y;
    struct coil *coil;
    struct design d;
    struct status st;

    plan_design(r, o, &d);
    assert_int_equal(coil_new(&d, &coil, &st), STATUS_OK);
    coil_specimen_nominal(coil, &s);
    s.turns[0] = s.turns[1] = turns;
    s.temperature = celsius;
    assert_int_equal(coil_forward(coil, &s, &k, COIL_FIELD, &y, &st), STATUS_OK);
    coil_free(coil);
    return y.y[COIL_PULL];
}

static double forward_ohm(const struct plan_request *r, const struct plan_option *o, double turns)
{
    struct coil_conditions k = {.drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = NAN};
    struct coil_specimen s;
    struct coil_observables y;
    struct coil *coil;
    struct design d;
    struct status st;

    plan_design(r, o, &d);
    assert_int_equal(coil_new(&d, &coil, &st), STATUS_OK);
    coil_specimen_nominal(coil, &s);
    s.turns[0] = s.turns[1] = turns;
    assert_int_equal(coil_forward(coil, &s, &k, COIL_ELECTRIC, &y, &st), STATUS_OK);
    coil_free(coil);
    return y.y[COIL_RESISTANCE_PAIR];
}

/* Every good plan does what it says: the resistance is the forward model's, the current is the one
 * that voltage and pulse give, and the pull at it is at least what was asked. */
static void test_good_plans_pull(void **state)
{
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;
    struct plan plan;
    size_t seen = 0;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    make(&r, &plan);
    print_message("%s\n", plan.summary);
    near(plan.end_v, 1.8, 1e-12);
    for (size_t i = 0; i < plan.count; i++) {
        const struct plan_option *o = &plan.options[i];
        struct coil_conditions k;
        struct coil_specimen s;
        struct coil_observables y;
        struct coil *coil;
        struct design own;
        struct status st;
        double ohm, steady;

        print_message("%-8s %-10s %6ld turns %8.2f ohm %7.1f mA %6.2f N (%.2f to %.2f) %7.2f mC "
                      "%5.0f days  %s\n",
                      wires[i].label, plan_why_words(o->why), o->turns, o->ohm, 1e3 * o->end_a,
                      o->pull_n.value, o->pull_n.low, o->pull_n.high, 1e3 * o->charge_c, o->days,
                      o->reason);
        if (o->why != PLAN_GOOD)
            continue;
        seen++;
        plan_design(&r, o, &own);
        assert_int_equal(coil_new(&own, &coil, &st), STATUS_OK);
        coil_specimen_nominal(coil, &s);
        coil_conditions_nominal(coil, &k);
        k.voltage = plan.end_v;
        assert_int_equal(coil_forward(coil, &s, &k, COIL_ALL, &y, &st), STATUS_OK);
        near(o->ohm, y.y[COIL_RESISTANCE_PAIR], 1e-9 * o->ohm);
        ohm = y.y[COIL_RESISTANCE_PAIR];
        steady = plan.end_v / ohm;
        /* Cold and steady is the most; what the plan counts on is somewhat less. */
        assert_true(o->end_a <= steady);
        assert_true(o->end_a > 0.5 * steady);
        assert_true(y.y[COIL_PULL] >= o->pull_n.value * (1.0 - 1e-9));
        coil_free(coil);
        near(forward_pull(&r, o, (double)o->turns, o->end_a, 20.0), o->pull_n.value,
             1e-6 * o->pull_n.value);
        assert_true(o->pull_n.value >= 1.25 * 1.2);
        assert_true(o->pull_n.low >= 1.2);
        assert_true(o->fresh_pull_n > o->pull_n.value);
        assert_true(o->hot_c.high <= 105.0);
        assert_true(o->outside_m <= 22.3e-3);
        assert_true(o->low_days < o->days && o->days < o->high_days);
        assert_true(o->reach >= 1.0);
        /* Current at the end of the pulse from the plan's own inductance: cold here, a little less
         * when warm. */
        near(o->end_a, steady * -expm1(-0.25 * ohm / o->henry), 0.03 * o->end_a);
    }
    assert_true(seen >= 2);
    assert_true(plan.best < plan.count);
    for (size_t i = 0; i < plan.count; i++)
        if (plan.options[i].why == PLAN_GOOD)
            assert_true(plan.options[plan.best].charge_c <= plan.options[i].charge_c);
    plan_free(&plan);
}

/* The plan of a wire takes the most turns that do: among the points of that wire, those with more
 * turns pull too little. */
static void test_most_turns(void **state)
{
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;
    struct plan plan;
    size_t tighter = 0;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    make(&r, &plan);
    for (size_t k = 0; k < plan.points_count; k++) {
        const struct plan_point *point = &plan.points[k];
        const struct plan_option *o = &plan.options[point->wire];

        assert_true(point->turns >= 1.0 && point->turns <= (double)o->turns_most);
        assert_true(isfinite(point->pull_n) && isfinite(point->charge_c) && point->days >= 0.0);
        if (o->why == PLAN_GOOD && point->turns > 1.01 * (double)o->turns) {
            /* What must be pulled: the safety factor, or the interval's low end, whichever asks
             * for more. */
            double need = 1.2 * fmax(1.25, o->pull_n.value / o->pull_n.low);

            assert_true(point->pull_n < 1.02 * need);
        }
        if (k > 0 && plan.points[k - 1].wire == point->wire &&
            plan.points[k - 1].turns < point->turns)
            assert_true(point->charge_c < plan.points[k - 1].charge_c);
    }
    /* A tenth more turns, worked out here: the current from the forward model's resistance and the
     * plan's inductance grown with the square of the turns. It must fall short. */
    for (size_t i = 0; i < plan.count; i++) {
        const struct plan_option *o = &plan.options[i];
        double turns = 1.1 * (double)o->turns, need, ohm, ampere;

        if (o->why != PLAN_GOOD || turns > (double)o->turns_most)
            continue;
        need = 1.2 * fmax(1.25, o->pull_n.value / o->pull_n.low);
        ohm = forward_ohm(&r, o, turns);
        ampere = plan.end_v / ohm * -expm1(-0.25 * ohm / (1.21 * o->henry));
        assert_true(forward_pull(&r, o, turns, ampere, 20.0) < 0.97 * need);
        assert_true(o->pull_n.value < 1.015 * need);
        tighter++;
    }
    assert_true(tighter >= 1);
    /* The front: nothing beats a point of it on both counts, and something beats every other. */
    for (size_t i = 0; i < plan.points_count; i++) {
        bool beaten = false;

        for (size_t j = 0; j < plan.points_count; j++)
            if (plan.points[j].pull_n > plan.points[i].pull_n &&
                plan.points[j].charge_c < plan.points[i].charge_c)
                beaten = true;
        if (plan.points[i].front)
            assert_false(beaten);
    }
    plan_free(&plan);
}

/* Asking for more never finds more: pull, gap, life, coolness. */
static void test_monotone(void **state)
{
    static const double pulls[] = {0.3, 0.8, 1.6, 3.2, 400.0};
    static const double gaps[] = {0.3e-3, 0.6e-3, 1.2e-3, 3.0e-3};
    static const double days[] = {1.0, 100.0, 400.0, 3000.0};
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;
    struct plan plan;
    size_t good = WIRES + 1;
    double charge = 0.0;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    for (size_t i = 0; i < sizeof pulls / sizeof pulls[0]; i++) {
        d.work.pull = amount_of(pulls[i], 0.0);
        make(&r, &plan);
        assert_true(count_good(&plan) <= good);
        good = count_good(&plan);
        if (good > 0) {
            assert_true(plan.options[plan.best].charge_c >= charge * (1.0 - 0.005));
            charge = plan.options[plan.best].charge_c;
        }
        plan_free(&plan);
    }
    assert_int_equal(good, 0);
    d = signal_magnet();
    good = WIRES + 1;
    for (size_t i = 0; i < sizeof gaps / sizeof gaps[0]; i++) {
        d.work.gap = amount_of(gaps[i], 0.03e-3);
        make(&r, &plan);
        assert_true(count_good(&plan) <= good);
        good = count_good(&plan);
        plan_free(&plan);
    }
    d = signal_magnet();
    good = WIRES + 1;
    for (size_t i = 0; i < sizeof days / sizeof days[0]; i++) {
        r.days = days[i];
        make(&r, &plan);
        assert_true(count_good(&plan) <= good);
        good = count_good(&plan);
        for (size_t k = 0; k < plan.count; k++)
            if (plan.options[k].why == PLAN_GOOD)
                assert_true(plan.options[k].days >= days[i]);
        plan_free(&plan);
    }
    assert_int_equal(good, 0);
}

/* Fifty random magnets, bars and bent U's among them: whatever is called good is confirmed by the
 * forward model, and its winding is one that design_check() lets pass. */
static void test_random(void **state)
{
    struct wire wires[WIRES];
    uint64_t seed = 1181783497276652981ULL;
    size_t good = 0;

    (void)state;
    standard_wires(wires);
    for (int i = 0; i < 50; i++) {
        struct design d = signal_magnet();
        struct plan_request r;
        struct plan plan;
        double draw[8];

        for (int k = 0; k < 8; k++) {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            draw[k] = (double)(seed >> 11) / 9007199254740992.0;
        }
        d.core.limb.width = amount_of(6e-3 + 10e-3 * draw[0], 0.05e-3);
        d.core.spacing = amount_of(d.core.limb.width.value * (2.2 + draw[1]), 0.2e-3);
        d.winding.outside_max = amount_none();
        if (i % 3 == 1)
            d.core.form = DESIGN_U_BENT;
        if (i % 3 == 2) {
            d.core.form = DESIGN_BAR;
            d.winding.outside_max = amount_of(d.core.limb.width.value * (1.8 + draw[1]), 0.0);
        }
        if (draw[2] < 0.4)
            d.winding.ends = DESIGN_TAPERED;
        if (draw[3] < 0.3)
            d.winding.layers = DESIGN_SCRAMBLE;
        d.work.gap = amount_of(0.2e-3 + 1.5e-3 * draw[4], 0.02e-3);
        d.work.pull = amount_of(0.05 * pow(40.0, draw[5]), 0.0);
        d.supply.pulse = amount_of(0.02 * pow(30.0, draw[6]), 0.002);
        r = request_of(&d, wires);
        r.battery.series = 1 + (int)(4.0 * draw[7]);
        make(&r, &plan);
        for (size_t k = 0; k < plan.count; k++) {
            const struct plan_option *o = &plan.options[k];
            double pull;

            if (o->why == PLAN_FAILED)
                fail_msg("magnet %d, %s: %s", i, wires[k].label, o->reason);
            if (o->why != PLAN_GOOD)
                continue;
            good++;
            pull = forward_pull(&r, o, (double)o->turns, o->end_a, 20.0);
            near(pull, o->pull_n.value, 1e-6 * pull);
            assert_true(pull >= 1.25 * d.work.pull.value);
            assert_true(o->pull_n.low >= d.work.pull.value);
            assert_true(o->turns >= 1 && o->turns <= o->turns_most);
            assert_true(o->end_a <= plan.end_v / o->ohm);
        }
        plan_free(&plan);
    }
    print_message("%zu good plans confirmed\n", good);
    assert_true(good >= 50);
}

static void test_nothing_does(void **state)
{
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;
    struct plan plan;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    d.work.pull = amount_of(400.0, 0.0);
    make(&r, &plan);
    assert_int_equal(plan.best, plan.count);
    assert_true(plan.nearest < plan.count);
    for (size_t i = 0; i < plan.count; i++) {
        assert_int_not_equal(plan.options[i].why, PLAN_GOOD);
        assert_true(plan.options[i].reach < 1.0);
        assert_true(plan.options[i].reach <= plan.options[plan.nearest].reach);
        assert_true(strlen(plan.options[i].reason) > 10);
    }
    assert_non_null(strstr(plan.summary, "None of these wires does it"));
    assert_non_null(strstr(plan.summary, wires[plan.nearest].label));
    assert_non_null(strstr(plan.summary, "wanted"));
    plan_free(&plan);
}

static enum plan_why why_of(const struct plan_request *r, size_t wire, const char *word)
{
    struct plan plan;
    enum plan_why why;

    make(r, &plan);
    why = plan.options[wire].why;
    if (!strstr(plan.options[wire].reason, word))
        fail_msg("'%s' does not say '%s'", plan.options[wire].reason, word);
    plan_free(&plan);
    return why;
}

/* Each way of failing, brought about on purpose. */
static void test_reasons(void **state)
{
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;
    struct status st;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    assert_int_equal(why_of(&r, WIRES - 1, "at most"), PLAN_WEAK);

    r.days = 50000.0;
    assert_int_equal(why_of(&r, 3, "50000 are wanted"), PLAN_SHORT_LIFE);
    r.days = NAN;
    /* Without a life asked for: thick wire that empties the cells in a day is not good either. */
    d.supply.period = amount_of(d.supply.pulse.value * 10.0, 0.0);
    assert_int_equal(why_of(&r, 0, "less than a day"), PLAN_SHORT_LIFE);

    /* Continuous current from a strong supply, no turns to spare. */
    d.supply.pulse = d.supply.period = amount_none();
    d.supply.voltage = amount_of(30.0, 0.3);
    d.supply.source_resistance = amount_of(0.1, 0.02);
    r.battery.kind = NULL;
    assert_int_equal(why_of(&r, 4, "the limit is 105 C"), PLAN_HOT);
    r.temperature_max = 61.0;
    assert_int_equal(why_of(&r, 4, "the limit is 61 C"), PLAN_HOT);
    r.temperature_max = NAN;

    /* A pulse far shorter than the rise. */
    d = signal_magnet();
    d.supply.pulse = amount_of(0.4e-3, 0.0);
    r = request_of(&d, wires);
    r.battery.kind = NULL;
    d.supply.voltage = amount_of(3.0, 0.05);
    {
        struct plan plan;
        size_t slow = 0;

        make(&r, &plan);
        for (size_t i = 0; i < plan.count; i++)
            slow += plan.options[i].why == PLAN_SLOW;
        assert_true(slow >= 1);
        plan_free(&plan);
    }

    /* A rod that does not go round the core. */
    assert_int_equal(wire_make(&wires[0], WIRE_COPPER, WIRE_DIAMETER, 0, 8e-3, 1, WIRE_BARE, &st),
                     STATUS_OK);
    d = signal_magnet();
    r = request_of(&d, wires);
    assert_int_equal(why_of(&r, 0, "Not one turn"), PLAN_NO_ROOM);

    /* A doubtful gap: pulls enough as predicted, not at the low end. */
    standard_wires(wires);
    d.work.safety_factor = amount_of(1.0, 0.0);
    d.work.gap = amount_of(0.8e-3, 0.25e-3);
    {
        struct plan plan;
        size_t doubtful = 0;

        for (int k = 0; k < 18 && doubtful == 0; k++) {
            double pull = pow(1.15, k);

            d.work.pull = amount_of(pull, 0.0);
            make(&r, &plan);
            for (size_t i = 0; i < plan.count; i++)
                if (plan.options[i].why == PLAN_DOUBT) {
                    doubtful++;
                    assert_true(plan.options[i].pull_n.value >= pull);
                    assert_true(plan.options[i].pull_n.low < pull);
                }
            plan_free(&plan);
        }
        assert_true(doubtful >= 1);
    }
}

static void refused(struct plan_request r, const char *word)
{
    struct status st;
    struct plan plan;

    assert_int_equal(plan_make(&r, &plan, &st), STATUS_INPUT);
    if (!strstr(st.text, word))
        fail_msg("'%s' does not name '%s'", st.text, word);
}

static void test_bad_input(void **state)
{
    struct wire wires[WIRES];
    struct design d = signal_magnet();
    struct plan_request r;

    (void)state;
    standard_wires(wires);
    r = request_of(&d, wires);
    r.count = 0;
    refused(r, "0 wires");
    r = request_of(&d, wires);
    r.battery.kind = NULL;
    refused(r, "supply voltage");
    r = request_of(&d, wires);
    r.battery.series = 0;
    refused(r, "series");
    r = request_of(&d, wires);
    r.days = -3.0;
    refused(r, "battery life");
    r = request_of(&d, wires);
    r.temperature_max = 15.0;
    refused(r, "greatest temperature");
    d.work.pull = amount_none();
    refused(request_of(&d, wires), "pull wanted");
    d.work.pull = amount_of(INFINITY, 0.0);
    refused(request_of(&d, wires), "pull wanted");
    d = signal_magnet();
    d.core.keeper.width = amount_none();
    refused(request_of(&d, wires), "keeper");
    d = signal_magnet();
    d.supply.period = amount_none();
    refused(request_of(&d, wires), "period");
    d = signal_magnet();
    d.supply.period = amount_of(0.1, 0.0);
    refused(request_of(&d, wires), "period");
    d = signal_magnet();
    d.core.form = DESIGN_BAR;
    d.winding.outside_max = amount_none();
    refused(request_of(&d, wires), "outside diameter");
    d = signal_magnet();
    d.core.air = true;
    refused(request_of(&d, wires), "air");
    /* What only the model can refuse is said of each wire. */
    d = signal_magnet();
    snprintf(d.core.iron, sizeof d.core.iron, "unobtainium");
    r = request_of(&d, wires);
    assert_int_equal(why_of(&r, 3, "unobtainium"), PLAN_FAILED);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_good_plans_pull), cmocka_unit_test(test_most_turns),
        cmocka_unit_test(test_random),          cmocka_unit_test(test_monotone),
        cmocka_unit_test(test_nothing_does),    cmocka_unit_test(test_reasons),
        cmocka_unit_test(test_bad_input),
    };

    gsl_set_error_handler_off();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
