/* Units against exact definitions from outside the project, and what must be refused. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "db/units.h"

static struct units *open_units(void)
{
    struct units *u;
    struct status st;

    if (units_open(&u, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    return u;
}

static void near(const char *what, double got, double expected, double relative)
{
    if (!(fabs(got - expected) <= relative * fabs(expected)))
        fail_msg("%s gives %.17g, expected %.17g", what, got, expected);
}

struct known {
    const char *text;
    const char *dimension;
    double si;
};

static void against_definitions(void **state)
{
    /* Sources: [IYP] international yard and pound agreement, 1 July 1959 (Federal Register 24 FR
     * 5348): 1 yd = 0.9144 m, 1 lb = 0.45359237 kg, both exact. [SI] SI brochure, 9th edition
     * (2019): prefixes table 7, degree Celsius 2.3.1, hour and minute table 8. [CGPM] 3rd CGPM
     * (1901): standard gravity 9.80665 m/s2. [F] t/degF = 1.8 t/degC + 32 (SI conversion of the
     * Fahrenheit scale, NIST SP 811 B.8). [CP] common practice, no source: a thou is 0.001 in. */
    static const struct known table[] = {
        {"1 in", "m", 0.0254},                      /* IYP, a 36th of a yard */
        {"1 ft", "m", 0.3048},                      /* IYP, a third */
        {"1 yd", "m", 0.9144},                      /* IYP */
        {"3/8 in", "m", 0.375 * 0.0254},            /* IYP */
        {"1 1/2 in", "m", 1.5 * 0.0254},            /* IYP */
        {"1½ in", "m", 1.5 * 0.0254},               /* IYP */
        {"3/8\"", "m", 0.375 * 0.0254},             /* IYP */
        {"5 thou", "m", 0.000127},                  /* CP, IYP */
        {"12.4 thou", "m", 0.00031496},             /* CP, IYP */
        {"1 lb", "kg", 0.45359237},                 /* IYP */
        {"2.5 lb", "kg", 1.133980925},              /* IYP */
        {"1 oz", "kg", 0.028349523125},             /* IYP, a 16th of a pound */
        {"2 lb 4 oz", "kg", 1.0205828325},          /* IYP, 2.25 lb */
        {"1 ft 3 1/2 in", "m", 0.3937},             /* IYP, 15.5 in */
        {"-2 lb 4 oz", "kg", -1.0205828325},        /* IYP */
        {"1 kgf", "N", 9.80665},                    /* CGPM */
        {"1 lbf", "N", 4.4482216152605},            /* CGPM and IYP */
        {"1 ozf", "N", 4.4482216152605 / 16},       /* CGPM and IYP */
        {"10 mm", "m", 0.01},                       /* SI */
        {"0.315mm", "m", 0.000315},                 /* SI */
        {"0.5 µm", "m", 0.5e-6},                    /* SI, U+00B5 */
        {"0.5 μm", "m", 0.5e-6},                    /* SI, U+03BC */
        {"17 Ω", "ohm", 17},                        /* SI, U+03A9 */
        {"17 Ω", "ohm", 17},                        /* SI, U+2126 */
        {"17ohm", "ohm", 17},                       /* SI */
        {"4.7 kΩ", "ohm", 4700},                    /* SI */
        {"4.7 mΩ", "ohm", 0.0047},                  /* SI */
        {"4.7 MΩ", "ohm", 4.7e6},                   /* SI */
        {"88 mA", "A", 0.088},                      /* SI */
        {"20 °C", "K", 293.15},                     /* SI */
        {"20 degC", "K", 293.15},                   /* SI */
        {"-40 °C", "K", 233.15},                    /* SI */
        {"-40 °F", "K", 233.15},                    /* F: the two scales meet at -40 */
        {"68 °F", "K", 293.15},                     /* F */
        {"300 K", "K", 300},                        /* SI */
        {"500 ms", "s", 0.5},                       /* SI */
        {"1.5 h", "s", 5400},                       /* SI */
        {"500 g", "kg", 0.5},                       /* SI */
        {"1200 mAh", "C", 4320},                    /* SI: 1 Ah = 3600 C */
        {"50 mT", "T", 0.05},                       /* SI */
        {"500 gauss", "T", 0.05},                   /* NIST SP 811 B.8: 1 G = 1e-4 T, exact */
        {"500 G", "T", 0.05},                       /* NIST SP 811 B.8 */
        {"8.89 g/cm3", "kg/m3", 8890},              /* SI */
        {"8.89 g/cm³", "kg/m3", 8890},              /* SI */
        {"2.1 ohm/m", "ohm/m", 2.1},                /* SI */
        {"0.00393 1/K", "1/K", 0.00393},            /* SI */
        {"0.00393 /K", "1/K", 0.00393},             /* SI */
        {"0.017241 ohm.mm2/m", "ohm*m", 1.7241e-8}, /* SI */
        {"640 turns", "1", 640},
        {"640", "1", 640},
        {"35 %", "1", 0.35},
        {"393 ppm", "1", 393e-6},
        {"1e-3 m", "m", 0.001},
        {"1.5E+2 mm", "m", 0.15},
        {"+.5 m", "m", 0.5},
        {"5. m", "m", 5},
    };
    struct units *u = open_units();
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double si = NAN;

        if (units_parse(u, table[i].text, table[i].dimension, &si, &st) != STATUS_OK)
            fail_msg("%s", st.text);
        near(table[i].text, si, table[i].si, 1e-14);
    }
    units_close(u);
}

static void refused(void **state)
{
    static const struct {
        const char *text;
        const char *dimension;
        const char *says; /* must stand in the message */
    } table[] = {
        {"", "m", "expected a number"},
        {"   ", "m", "expected a number"},
        {"10", "m", "unit is missing"},
        {"10 kg", "m", "found kg"},
        {"10 mm x", "m", "mm x"},
        {"10 mm; rm", "m", "; rm"},
        {"0x10 m", "m", "x10"},
        {"inf m", "m", "expected a number"},
        {"nan m", "m", "expected a number"},
        {"1e999 m", "m", "out of range"},
        {"1e300 km km", "m", ""},
        {"1,5 V", "V", "comma"},
        {"1,500 m", "m", "comma"},
        {"10 s", "Hz", "found s"},      /* a reciprocal is not the same dimension */
        {"300 rpm", "Hz", "found rpm"}, /* 2 pi would be lost */
        {"20 C", "K", "coulomb"},
        {"-300 °C", "K", "absolute zero"},
        {"-1 K", "K", "absolute zero"},
        {"4 oz 2 lb", "kg", "cannot be added"},
        {"2 lb 4 lb", "kg", "cannot be added"},
        {"20 °C 3 °C", "K", "cannot be added"},
        {"2 lb -4 oz", "kg", "cannot read"},
        {"5 %", "ohm", "found %"},
        {"640 rad", "1", "plain number"},
        {"90 °", "1", "plain number"},
        {"5 m @ 3", "m", "@"},
        {"5 days since 2000-01-01", "s", "since"},
        {"1/0 in", "m", "over zero"},
        {"5 furlongs per fortnight", "m", ""},
        {"10 mm \x01", "m", "cannot be part"},
        {"10 \xB5m", "m", "cannot be part"}, /* Latin-1, not UTF-8 */
        {"10 m\xC2", "m", "cannot be part"},
        {"10 mm ± 1 mm", "m", "not expected"},
        {"5 oz", "m3", "found oz"}, /* UDUNITS-2's own oz is a volume */
    };
    char longer[3 * UNITS_TEXT_MAX];
    struct units *u = open_units();
    struct status st;
    double si = 42;

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (units_parse(u, table[i].text, table[i].dimension, &si, &st) != STATUS_INPUT)
            fail_msg("not refused: '%s' as %s gives %g", table[i].text, table[i].dimension, si);
        if (!strstr(st.text, table[i].says))
            fail_msg("'%s' is refused with '%s', expected to read '%s'", table[i].text, st.text,
                     table[i].says);
        assert_true(si == 42);
    }
    assert_int_equal(units_parse(u, NULL, "m", &si, &st), STATUS_INPUT);
    assert_int_equal(units_parse(u, "1 m", "no such", &si, &st), STATUS_INPUT);
    memset(longer, '1', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    assert_int_equal(units_parse(u, longer, "m", &si, &st), STATUS_INPUT);
    longer[UNITS_TEXT_MAX] = '\0';
    longer[UNITS_TEXT_MAX - 1] = 'm';
    assert_int_equal(units_parse(u, longer, "m", &si, &st), STATUS_OK);
    memset(longer, 'm', 100);
    memcpy(longer, "1 ", 2);
    longer[100] = '\0';
    assert_int_equal(units_parse(u, longer, "m", &si, &st), STATUS_INPUT);
    units_close(u);
    units_close(NULL);
}

static void uncertain(void **state)
{
    static const struct {
        const char *text;
        const char *dimension;
        double value, half_width;
    } table[] = {
        {"10 mm ± 0.2 mm", "m", 0.010, 0.0002},
        {"10 ± 0.2 mm", "m", 0.010, 0.0002},
        {"10+-0.2 mm", "m", 0.010, 0.0002},
        {"10 mm +/- 200 µm", "m", 0.010, 0.0002},
        {"17 Ω ± 1 %", "ohm", 17, 0.17},
        {"20 ± 2 °C", "K", 293.15, 2},
        {"20 °C ± 2 K", "K", 293.15, 2},
        {"68 °F ± 9 °F", "K", 293.15, 5},
        {"640 ± 3 turns", "1", 640, 3},
        {"-5 V ± 2 %", "V", -5, 0.1},
        {"2 lb 4 oz ± 1 oz", "kg", 1.0205828325, 0.028349523125},
    };
    static const char *const bad[] = {"20 °C ± 1 %",    "10 mm ±",      "± 1 mm",
                                      "10 ± 1 %",       "10 mm ± 1 kg", "10 mm ± -1 mm",
                                      "10 mm ± 1 mm x", "10 ± 1",       "10 mm ± 1 mm ± 1 mm"};
    struct units *u = open_units();
    struct units_value v;
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (units_parse_uncertain(u, table[i].text, table[i].dimension, &v, &st) != STATUS_OK)
            fail_msg("%s", st.text);
        assert_true(v.has_uncertainty);
        near(table[i].text, v.value, table[i].value, 1e-14);
        near(table[i].text, v.half_width, table[i].half_width, 1e-13);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        const char *dimension = strstr(bad[i], "°C") ? "K" : "m";

        if (units_parse_uncertain(u, bad[i], dimension, &v, &st) != STATUS_INPUT)
            fail_msg("not refused: '%s'", bad[i]);
    }
    assert_int_equal(units_parse_uncertain(u, "10 mm", "m", &v, &st), STATUS_OK);
    assert_false(v.has_uncertainty);
    assert_true(isnan(v.half_width));
    units_close(u);
}

static void loads(void **state)
{
    /* Standard gravity 9.80665 m/s2, 3rd CGPM (1901); the pound as in against_definitions. */
    static const struct {
        const char *text;
        double newton;
    } table[] = {
        {"2.5 lb", 1.133980925 * 9.80665}, {"500 g", 0.5 * 9.80665},       {"24.5 N", 24.5},
        {"1.2 kgf", 1.2 * 9.80665},        {"5 lbf", 5 * 4.4482216152605}, {"0 N", 0}};
    struct units *u = open_units();
    struct units_value v;
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (units_parse_load(u, table[i].text, &v, &st) != STATUS_OK)
            fail_msg("%s", st.text);
        near(table[i].text, v.value, table[i].newton, 1e-14);
    }
    assert_int_equal(units_parse_load(u, "5 kg ± 100 g", &v, &st), STATUS_OK);
    near("half-width", v.half_width, 0.980665, 1e-14);
    assert_int_equal(units_parse_load(u, "5 ohm", &v, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "a load in kg"));
    assert_int_equal(units_parse_load(u, "-3 N", &v, &st), STATUS_INPUT);
    assert_int_equal(units_parse_load(u, "3", &v, &st), STATUS_INPUT);
    assert_int_equal(units_parse_load(u, "3,5 kg", &v, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "comma"));
    units_close(u);
}

static void factors(void **state)
{
    struct units *u = open_units();
    struct status st;
    double scale, offset;

    (void)state;
    assert_int_equal(units_convert_factor(u, "mV", "V", &scale, &offset, &st), STATUS_OK);
    near("mV", scale, 0.001, 1e-15);
    assert_true(offset == 0);
    assert_int_equal(units_convert_factor(u, "°C", "K", &scale, &offset, &st), STATUS_OK);
    near("degC", scale, 1, 1e-15);
    near("degC", offset, 273.15, 1e-15);
    assert_int_equal(units_convert_factor(u, "degF", "K", &scale, &offset, &st), STATUS_OK);
    near("degF", scale, 5.0 / 9.0, 1e-14);
    near("degF", offset, 459.67 * 5.0 / 9.0, 1e-14);
    assert_int_equal(units_convert_factor(u, "kΩ", "ohm", &scale, &offset, &st), STATUS_OK);
    near("kohm", scale, 1000, 1e-15);
    assert_int_equal(units_convert_factor(u, "1", "1", &scale, &offset, &st), STATUS_OK);
    near("1", scale, 1, 0);
    assert_int_equal(units_convert_factor(u, "%", "1", &scale, &offset, &st), STATUS_OK);
    near("%", scale, 0.01, 1e-15);
    assert_int_equal(units_convert_factor(u, "mV", "A", &scale, &offset, &st), STATUS_INPUT);
    assert_int_equal(units_convert_factor(u, "5 mV", "V", &scale, &offset, &st), STATUS_INPUT);
    assert_int_equal(units_convert_factor(u, "", "V", &scale, &offset, &st), STATUS_INPUT);
    assert_int_equal(units_convert_factor(u, "no such", "V", &scale, &offset, &st), STATUS_INPUT);
    units_close(u);
}

static void formats(void **state)
{
    /* Digits by JCGM 100:2008, 7.2.6: at most two figures of the uncertainty. Prefixes: SI
     * brochure, 9th edition, table 7. */
    static const struct {
        double value, uncertainty;
        enum quantity_id id;
        const char *text;
    } table[] = {
        {17.034, 0.123, QUANTITY_RESISTANCE, "17.03 ± 0.12 Ω"},
        {0.0882, NAN, QUANTITY_CURRENT, "88.2 mA"},
        {293.25, 0.13, QUANTITY_TEMPERATURE, "20.10 ± 0.13 °C"},
        {0.99996, NAN, QUANTITY_CURRENT, "1 A"},
        {0.9994, NAN, QUANTITY_CURRENT, "999.4 mA"},
        {1234.5, 12, QUANTITY_RESISTANCE, "1.234 ± 0.012 kΩ"},
        {NAN, 1, QUANTITY_RESISTANCE, "unknown"},
        {INFINITY, 1, QUANTITY_RESISTANCE, "unknown"},
        {-1e308, NAN, QUANTITY_MASS, "unknown"}, /* more in grams than a number can be */
        {0.25, 0.0034, QUANTITY_MASS, "250.0 ± 3.4 g"},
        {1.2, NAN, QUANTITY_MASS, "1.2 kg"},
        {1200, NAN, QUANTITY_MASS, "1200 kg"},
        {0, NAN, QUANTITY_VOLTAGE, "0 V"},
        {0, 0.01, QUANTITY_VOLTAGE, "0 ± 10 mV"},
        {0.0996, 0.0996, QUANTITY_VOLTAGE, "100 ± 100 mV"},
        {5, 200, QUANTITY_VOLTAGE, "10 ± 200 V"},
        {640, NAN, QUANTITY_COUNT, "640"},
        {640, 3.2, QUANTITY_COUNT, "640.0 ± 3.2"},
        {31536000, NAN, QUANTITY_COUNT, "31536000"},
        {0.5, 0.01, QUANTITY_RATIO, "(50.0 ± 1.0) %"},
        {1, NAN, QUANTITY_POLARITY, "north"},
        {-1, NAN, QUANTITY_POLARITY, "south"},
        {0.000315, 2e-6, QUANTITY_LENGTH, "315.0 ± 2.0 µm"},
        {0.05, NAN, QUANTITY_FLUX_DENSITY, "50 mT"},
        {5400, NAN, QUANTITY_TIME, "5400 s"},
        {-0.5, 0.02, QUANTITY_VOLTAGE, "-500 ± 20 mV"},
        {24.5, 0, QUANTITY_FORCE, "24.5 N"},
    };
    char buf[UNITS_FORMAT_SIZE];
    char tiny[4];

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        assert_string_equal(units_format(buf, sizeof buf, table[i].value, table[i].uncertainty,
                                         quantity_get(table[i].id)),
                            table[i].text);
    assert_string_equal(units_format_number(buf, sizeof buf, 17.034, 0.123), "17.03 ± 0.12");
    assert_string_equal(units_format(buf, sizeof buf, 17.034, NAN, NULL), "17.03");
    /* Hostile sizes: always terminated, never past the end. */
    units_format(tiny, sizeof tiny, 1e300, 1e299, quantity_get(QUANTITY_VOLTAGE));
    assert_int_equal(strlen(tiny), 3);
    units_format(buf, sizeof buf, 1e-300, 1e300, quantity_get(QUANTITY_VOLTAGE));
    units_format(buf, sizeof buf, 1.7e308, 1.7e308, quantity_get(QUANTITY_RATIO));
    units_format(buf, sizeof buf, 5e-324, 5e-324, quantity_get(QUANTITY_COUNT));
    units_format(buf, sizeof buf, -1.7e308, 5e-324, quantity_get(QUANTITY_TEMPERATURE));
}

/* What is written without uncertainty is read back within its four figures; what is written with
 * one is read back within a twentieth of it. Seeds are fixed and printed on failure. */
static void there_and_back(void **state)
{
    static const enum quantity_id ids[] = {
        QUANTITY_RESISTANCE, QUANTITY_VOLTAGE, QUANTITY_CURRENT,     QUANTITY_TEMPERATURE,
        QUANTITY_MASS,       QUANTITY_FORCE,   QUANTITY_INDUCTANCE,  QUANTITY_FLUX_DENSITY,
        QUANTITY_LENGTH,     QUANTITY_TIME,    QUANTITY_CAPACITANCE, QUANTITY_FREQUENCY,
    };
    struct units *u = open_units();
    struct units_value v;
    struct status st;
    char buf[UNITS_FORMAT_SIZE];
    uint64_t seed = 20251009;

    (void)state;
    for (int i = 0; i < 4000; i++) {
        const struct quantity *q = quantity_get(ids[i % 12]);
        double value, width;

        seed = seed * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX */
        value = pow(10, -6 + 10 * (double)(seed >> 11) / 9007199254740992.0);
        if (q->id == QUANTITY_TEMPERATURE)
            value = 250 + fmod(value, 200);
        seed = seed * 6364136223846793005u + 1442695040888963407u;
        width = value * pow(10, -4 + 3 * (double)(seed >> 11) / 9007199254740992.0);
        units_format(buf, sizeof buf, value, width, q);
        if (units_parse_uncertain(u, buf, q->unit, &v, &st) != STATUS_OK)
            fail_msg("step %d: %s", i, st.text);
        if (fabs(v.value - value) > 0.051 * width || fabs(v.half_width - width) > 0.051 * width)
            fail_msg("step %d: %.17g ± %.17g came back from '%s' as %.17g ± %.17g", i, value, width,
                     buf, v.value, v.half_width);
        units_format(buf, sizeof buf, value, NAN, q);
        if (units_parse_uncertain(u, buf, q->unit, &v, &st) != STATUS_OK)
            fail_msg("step %d: %s", i, st.text);
        if (fabs(v.value - value) > 5.1e-4 * value)
            fail_msg("step %d: %.17g came back from '%s' as %.17g", i, value, buf, v.value);
    }
    units_close(u);
}

/* The decimal sign is a point in any locale. One with a comma is made for the test, since a machine
 * may have none. */
static void locales(void **state)
{
    char folder[] = "/tmp/truewound-locale-XXXXXX", command[200];
    struct units *u;
    struct status st;
    char buf[UNITS_FORMAT_SIZE];
    double si = 0;

    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(command, sizeof command, "localedef -i de_DE -f UTF-8 '%s/de_DE.UTF-8'", folder);
    assert_int_equal(system(command), 0);
    assert_int_equal(setenv("LOCPATH", folder, 1), 0);
    assert_non_null(setlocale(LC_ALL, "de_DE.UTF-8"));
    assert_string_equal(localeconv()->decimal_point, ",");
    u = open_units();
    assert_int_equal(units_parse(u, "2.5 lb", "kg", &si, &st), STATUS_OK);
    near("2.5 lb", si, 1.133980925, 1e-14);
    assert_string_equal(units_format(buf, sizeof buf, 17.034, 0.123, quantity_get(0)),
                        "17.03 ± 0.12 Ω");
    units_close(u);
    setlocale(LC_ALL, "C");
    unsetenv("LOCPATH");
    snprintf(command, sizeof command, "rm -r '%s'", folder);
    assert_int_equal(system(command), 0);
}

static void quantities(void **state)
{
    struct units *u = open_units();
    struct status st;

    (void)state;
    assert_int_equal(quantity_count(), QUANTITY_COUNT_OF_ALL);
    for (size_t i = 0; i < quantity_count(); i++) {
        const struct quantity *q = quantity_at(i);
        double scale, offset;

        assert_int_equal(q->id, i);
        assert_ptr_equal(quantity_find(q->name), q);
        /* Each unit of the table is one UDUNITS-2 knows. */
        if (units_convert_factor(u, q->unit, q->unit, &scale, &offset, &st) != STATUS_OK)
            fail_msg("%s", st.text);
        assert_true(scale == 1 && offset == 0);
    }
    assert_null(quantity_at(quantity_count()));
    assert_null(quantity_find("colour"));
    assert_null(quantity_find(NULL));
    units_close(u);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(against_definitions),
        cmocka_unit_test(refused),
        cmocka_unit_test(uncertain),
        cmocka_unit_test(loads),
        cmocka_unit_test(factors),
        cmocka_unit_test(formats),
        cmocka_unit_test(there_and_back),
        cmocka_unit_test(locales),
        cmocka_unit_test(quantities),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
