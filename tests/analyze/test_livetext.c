/* Live readings: to the last digit of the instrument, with the uncertainty its maker states. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/livetext.h"

/* A maker's limits are the half width of a rectangle, its standard uncertainty a / sqrt 3; a digit
 * d is a rectangle of half width d / 2, so d / sqrt 12 (JCGM 100:2008, 4.3.7 and F.2.2.1). Limits
 * of 0.1 % + 4 digits of 0.001 ohm at 8 ohm: 0.012 ohm. */
static void limits_are_rectangles(void **state)
{
    struct store_calibration c = {.gain = 1.0,
                                  .shunt = NAN,
                                  .shunt_tolerance = NAN,
                                  .lead_null = NAN,
                                  .n_accuracy = 1,
                                  .accuracy = {{NAN, 0.001, 0.004}}};
    struct store_reading r = {.value = 8.0, .raw = 8.0};
    double u = livetext_u(&c, &r, 0.001);

    (void)state;
    assert_true(fabs(u - sqrt(0.012 * 0.012 / 3.0 + 1e-6 / 12.0)) < 1e-12);
    assert_true(fabs(livetext_u(&c, &r, NAN) - 0.012 / sqrt(3.0)) < 1e-12);
}

static void what_is_not_stated_has_none(void **state)
{
    struct store_calibration c = {.gain = 1.0,
                                  .shunt = NAN,
                                  .shunt_tolerance = NAN,
                                  .lead_null = NAN,
                                  .n_accuracy = 1,
                                  .accuracy = {{NAN, 0.005, 0.0}}};
    struct store_reading zero = {.value = 0.0, .raw = 0.0};
    struct store_reading over = {.value = NAN, .raw = NAN};
    char text[UNITS_FORMAT_SIZE];

    (void)state;
    assert_true(isnan(livetext_u(NULL, &zero, 0.001)));
    /* half a per cent of nothing is no claim to be exact */
    assert_true(isnan(livetext_u(&c, &zero, NAN)));
    assert_true(isnan(livetext_u(&c, &over, 0.001)));
    assert_string_equal(livetext_sure(text, 8.0, NAN, quantity_get(QUANTITY_RESISTANCE)),
                        "accuracy not stated");
}

static void the_words(void **state)
{
    char text[UNITS_FORMAT_SIZE];

    (void)state;
    assert_string_equal(livetext_sure(text, 8.306, 0.00715, quantity_get(QUANTITY_RESISTANCE)),
                        "± 0.0072 Ω");
    assert_string_equal(livetext_sure(text, 0.1762, 0.0011, quantity_get(QUANTITY_CURRENT)),
                        "± 1.1 mA");
    /* an uncertainty of a temperature is a difference: kelvins and degrees are alike */
    assert_string_equal(livetext_sure(text, 293.15, 0.35, quantity_get(QUANTITY_TEMPERATURE)),
                        "± 0.35 °C");
    assert_string_equal(livetext_make(text, 8.3, 0.001, quantity_get(QUANTITY_RESISTANCE)),
                        "8.300 Ω");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_are_rectangles),
        cmocka_unit_test(what_is_not_stated_has_none),
        cmocka_unit_test(the_words),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
