/* Figures and text as they are shown.
 *
 * JCGM 100:2008, 7.2.6 (from memory): y = 10.057 62 ohm with u = 27 mohm is to be rounded to
 * 10.058 ohm; u with two significant digits at most. RFC 3629, section 10 and 3: which bytes are
 * UTF-8 and which are not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "reports/figure.h"
#include "reports/text.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void check(double value, double u, const char *expected)
{
    char out[FIGURE_TEXT_SIZE];
    assert_string_equal(figure_text(out, value, u), expected);
}

static void uncertainty_decides_digits(void **state)
{
    (void)state;
    check(10.05762, 0.027, "10.058 ± 0.027"); /* JCGM 100:2008, 7.2.6, from memory */
    check(17.0312, 0.1194, "17.03 ± 0.12");
    check(17.0312, 0.0996, "17.03 ± 0.10"); /* u rounds up a place: still two digits */
    check(17.0312, 1.2, "17.0 ± 1.2");
    check(17.0312, 12, "17 ± 12");
    check(1234.5, 123, "1230 ± 120");
    check(-0.001, 0.01, "-0.001 ± 0.010");
    check(-0.0001, 0.01, "0.000 ± 0.010");
    check(1.2345e-9, 1.2e-11, "(1.234 ± 0.012)e-9");
    check(640, 0, "640");
    check(NAN, 1, "unknown");
    check(INFINITY, 1, "no limit");
    check(1.23456, NAN, "1.235");
    check(1.23456, -1, "1.235");
    check(0, NAN, "0.000");
    check(123456, NAN, "123456");
    check(1.5e7, NAN, "1.500e7");
    check(2.5, INFINITY, "2.500 ± no limit");
}

static void rounding_keeps_the_value_within_its_digits(void **state)
{
    (void)state;
    uint64_t seed = 42;
    for (int i = 0; i < 20000; i++) {
        seed = seed * 6364136223846793005ULL + 1442695040888963407ULL;
        double a = (double)(seed >> 11) / 9007199254740992.0;
        seed = seed * 6364136223846793005ULL + 1442695040888963407ULL;
        double b = (double)(seed >> 11) / 9007199254740992.0;
        double value = (a - 0.5) * pow(10, 12 * b - 6), u = fabs(value) * pow(10, -5 * a + 0.5);
        char text[FIGURE_TEXT_SIZE];
        figure_text(text, value, u);
        double shown, shown_u;
        int power = 0;
        if (text[0] == '(')
            assert_int_equal(sscanf(text, "(%lf ± %lf)e%d", &shown, &shown_u, &power), 3);
        else
            assert_int_equal(sscanf(text, "%lf ± %lf", &shown, &shown_u), 2);
        shown *= pow(10, power);
        shown_u *= pow(10, power);
        /* Two digits of u: its rounding is at most 5 %, and the value's at most u / 20. */
        assert_true(fabs(shown_u - u) <= 0.0501 * u + 1e-300);
        assert_true(fabs(shown - value) <= 0.0501 * u + 1e-12 * fabs(value));
    }
}

static void prefixes(void **state)
{
    (void)state;
    char out[FIGURE_TEXT_SIZE];
    assert_string_equal(figure_unit_text(out, 0.0882, 0.0011, "A"), "88.2 ± 1.1 mA");
    assert_string_equal(figure_unit_text(out, 17.03, 0.12, "Ω"), "17.03 ± 0.12 Ω");
    assert_string_equal(figure_unit_text(out, 4700, 47, "Ω"), "4.700 ± 0.047 kΩ");
    assert_string_equal(figure_unit_text(out, 3.15e-4, 5e-6, "m"), "315.0 ± 5.0 µm");
    assert_string_equal(figure_unit_text(out, 0.142, 0.003, "kg"), "0.1420 ± 0.0030 kg");
    assert_string_equal(figure_unit_text(out, 21.3, 0.5, "°C"), "21.30 ± 0.50 °C");
    assert_string_equal(figure_unit_text(out, NAN, 0.5, "V"), "unknown");
    assert_string_equal(figure_unit_text(out, 0, 0, "V"), "0 V");
    assert_string_equal(figure_unit_text(out, 1200, NAN, "s"), "1200 s");
}

static void cleaned(const char *from, size_t most, const char *to)
{
    char *text = text_clean(from, most);
    assert_non_null(text);
    assert_string_equal(text, to);
    free(text);
}

static void text_is_made_fit(void **state)
{
    (void)state;
    cleaned(NULL, 0, "");
    cleaned("17 Ω ± 2 µm", 0, "17 Ω ± 2 µm");
    cleaned("a\tb\r\nc\x01\x1b[31m\x7f", 0, "a b c\uFFFD\uFFFD[31m\uFFFD");
    cleaned("\xc0\xaf", 0, "\uFFFD\uFFFD");                     /* overlong: RFC 3629, section 3 */
    cleaned("\xed\xa0\x80", 0, "\uFFFD\uFFFD\uFFFD");           /* surrogate: RFC 3629, section 3 */
    cleaned("\xf4\x90\x80\x80", 0, "\uFFFD\uFFFD\uFFFD\uFFFD"); /* over U+10FFFF */
    cleaned("a\xe2\x82", 0, "a\uFFFD\uFFFD");                   /* cut short */
    cleaned("\xe2\x80\xaegnp", 0, "\uFFFDgnp");                 /* U+202E turns the direction */
    cleaned("abcdef", 4, "abc…");
    cleaned("abcd", 4, "abcd");
    cleaned("\xe4\xbd\xa0\xe5\xa5\xbd\xe5\x90\x97", 2, "\xe4\xbd\xa0…");
}

static void any_bytes_become_utf8(void **state)
{
    (void)state;
    uint64_t seed = 7;
    for (int i = 0; i < 20000; i++) {
        char bytes[40];
        size_t n = 0;
        for (; n < 39; n++) {
            seed = seed * 6364136223846793005ULL + 1442695040888963407ULL;
            bytes[n] = (char)(seed >> 56);
            if (!bytes[n])
                break;
        }
        bytes[n] = '\0';
        char *clean = text_clean(bytes, 30);
        assert_non_null(clean);
        char *again = text_clean(clean, 31);
        assert_string_equal(again, clean); /* clean text stays as it is */
        free(again);
        free(clean);
    }
}

static void widths(void **state)
{
    (void)state;
    struct text_ruler *ruler = text_ruler_new();
    assert_non_null(ruler);
    assert_int_equal(text_ruler_width(ruler, "17 Ω ±"), 6);
    assert_int_equal(text_ruler_width(ruler, "e\u0301"), 1);                  /* combining acute */
    assert_int_equal(text_ruler_width(ruler, "\xe4\xbd\xa0\xe5\xa5\xbd"), 4); /* East Asian wide */
    assert_int_equal(text_ruler_width(NULL, "17 Ω ±"), 6);
    text_ruler_free(ruler);
    text_ruler_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(uncertainty_decides_digits),
        cmocka_unit_test(rounding_keeps_the_value_within_its_digits),
        cmocka_unit_test(prefixes),
        cmocka_unit_test(text_is_made_fit),
        cmocka_unit_test(any_bytes_become_utf8),
        cmocka_unit_test(widths),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
