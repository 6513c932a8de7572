/* From the number sent to the value: scale, unit, shunt, lead null, two points, accuracy. */
#include "acquire/calibration.h"

#include "tests/acquire/harness.h"

/* Worked by hand: 12-bit counts of a 5 V converter, 1:2 divider, so 5/4095*2 V a count; then a
 * 0.1 ohm shunt. n = 100: 0.2442002 V -> 2.442002 A; less the null of 0.01 A; gain 1.02, zero
 * -0.003 A -> 2.47764... */
static void steps(void **state)
{
    struct calibration c;
    struct store_calibration composed;
    double expected = ((100.0 * (5.0 / 4095.0 * 2.0)) / 0.1 - 0.01) * 1.02 - 0.003;

    (void)state;
    calibration_none(&c);
    assert_true(calibration_value(&c, 2.385) == 2.385);
    c.scale = 5.0 / 4095.0 * 2.0;
    c.shunt = 0.1;
    c.lead_null = 0.01;
    c.gain = 1.02;
    c.zero = -0.003;
    assert_true(fabs(calibration_value(&c, 100.0) - expected) < 1e-12);
    calibration_compose(&c, &composed);
    assert_true(fabs(store_bench_value(&composed, 100.0) - expected) < 1e-12);
    assert_true(isnan(store_bench_value(&composed, (double)NAN)));
    assert_true(isnan(calibration_value(&c, (double)NAN)));
}

/* The composed line gives the same as the steps for any mixture, from a fixed sequence of inputs.
 */
static void composed_is_the_same(void **state)
{
    uint32_t seed = 2385;

    (void)state;
    for (int i = 0; i < 1000; ++i) {
        struct calibration c;
        struct store_calibration composed;
        double draw[8];

        for (int k = 0; k < 8; ++k) {
            seed = seed * 1664525U + 1013904223U;
            draw[k] = (double)(seed >> 8) / 16777216.0 + 0.25;
        }
        calibration_none(&c);
        c.scale = draw[0] - 0.7;
        c.offset = draw[1];
        c.unit_factor = draw[2];
        c.unit_offset = draw[3];
        c.shunt = i % 2 ? draw[4] : (double)NAN;
        c.lead_null = i % 3 ? draw[5] : 0.0;
        c.gain = draw[6];
        c.zero = draw[7];
        calibration_compose(&c, &composed);
        for (double n = -3.0; n < 4.0; n += 1.7)
            if (fabs(calibration_value(&c, n) - store_bench_value(&composed, n)) > 1e-11)
                fail_msg("case %d, n = %g", i, n);
    }
}

static void two_points(void **state)
{
    double gain, zero;
    struct status st;

    (void)state;
    /* Shows 0.052 with the leads shorted (0 ohm) and 17.31 on a 17.00 ohm standard. */
    assert_int_equal(calibration_two_points(0.052, 0.0, 17.31, 17.0, &gain, &zero, &st), STATUS_OK);
    assert_true(fabs(gain * 0.052 + zero) < 1e-12);
    assert_true(fabs(gain * 17.31 + zero - 17.0) < 1e-12);
    assert_int_equal(calibration_two_points(1.0, 0.0, 1.0, 2.0, &gain, &zero, &st), STATUS_INPUT);
    assert_int_equal(calibration_two_points(1.0, 2.0, 3.0, 2.0, &gain, &zero, &st), STATUS_INPUT);
}

/* '0.5 % + 3 digits' on the 20 ohm range (a digit is 0.01 ohm) at 17.00 ohm: 0.085 + 0.03 ohm. */
static void accuracy(void **state)
{
    struct calibration c;
    struct store_calibration composed;

    (void)state;
    calibration_none(&c);
    c.ranges = 2;
    c.accuracy[0] = (struct calibration_accuracy){20.0, 0.5, 3.0, 0.01};
    c.accuracy[1] = (struct calibration_accuracy){(double)INFINITY, 1.0, 5.0, 0.1};
    calibration_compose(&c, &composed);
    assert_true(fabs(store_bench_half_width(&composed, 17.0) - 0.115) < 1e-12);
    assert_true(fabs(store_bench_half_width(&composed, 100.0) - 1.5) < 1e-12);
    /* The same in milliohm: everything is a thousandth in SI. */
    c.unit_factor = 0.001;
    calibration_compose(&c, &composed);
    assert_true(fabs(store_bench_half_width(&composed, 17.0) - 0.000115) < 1e-15);
    c.ranges = 0;
    calibration_compose(&c, &composed);
    assert_true(isnan(store_bench_half_width(&composed, 17.0)));
}

static void sameness(void **state)
{
    struct calibration c;
    struct store_calibration a, b;

    (void)state;
    calibration_none(&c);
    calibration_compose(&c, &a);
    b = a;
    b.id = 7;
    b.time = 9;
    assert_true(calibration_same(&a, &b));
    c.gain = 1.000001;
    calibration_compose(&c, &b);
    assert_false(calibration_same(&a, &b));
    c.gain = 1.0;
    c.ranges = 1;
    c.accuracy[0] = (struct calibration_accuracy){(double)INFINITY, 1.0, 0.0, (double)NAN};
    calibration_compose(&c, &b);
    assert_false(calibration_same(&a, &b));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(steps), cmocka_unit_test(composed_is_the_same),
        cmocka_unit_test(two_points), cmocka_unit_test(accuracy), cmocka_unit_test(sameness)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
