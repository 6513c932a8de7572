/* Units as instruments write them, against IEEE 488.2, table 7-2 (suffix multipliers; from memory),
 * and what UDUNITS-2 makes of the result. */
#include "acquire/unitword.h"
#include "db/units.h"
#include "tests/acquire/harness.h"

static void known(void **state)
{
    static const struct {
        const char *text, *si;
        double factor; /* of one, in SI */
    } cases[] = {
        {"V", "V", 1},
        {"mV", "V", 1e-3},
        {"MV", "V", 1e-3}, /* 488.2: M is milli ... */
        {"KV", "V", 1e3},
        {"UV", "V", 1e-6},
        {"VDC", "V", 1},
        {"mV DC", "V", 1e-3},
        {"VAC", "V", 1},
        {"volts", "V", 1},
        {"v", "V", 1},
        {"\xB5V", "V", 1e-6},
        {"\xC2\xB5V", "V", 1e-6},
        {"MA", "A", 1e-3},
        {"uA", "A", 1e-6},
        {"mADC", "A", 1e-3},
        {"OHM", "ohm", 1},
        {"KOHM", "ohm", 1e3},
        {"KOHMS", "ohm", 1e3},
        {"kOhm", "ohm", 1e3},
        {"MOHM", "ohm", 1e6}, /* ... but mega before OHM and HZ */
        {"mohm", "ohm", 1e-3},
        {"MOhm", "ohm", 1e6},
        {"mOhm", "ohm", 1e-3},
        {"k\xCE\xA9", "ohm", 1e3},
        {"k\xEA", "ohm", 1e3},
        {"M\xE2\x84\xA6", "ohm", 1e6},
        {"R", "ohm", 1},
        {"MHZ", "Hz", 1e6},
        {"KHZ", "Hz", 1e3},
        {"NF", "F", 1e-9},
        {"MH", "H", 1e-3},
        {"KG", "kg", 1},
        {"G", "kg", 1e-3},
        {"LB", "kg", 0.45359237},
        {"lbs", "kg", 0.45359237},
        {"OZ", "kg", 0.45359237 / 16},
        {"ct", "kg", 0.0002},
        {"ozt", "kg", 0.0311034768},
        {"N", "N", 1},
        {"KN", "N", 1e3},
        {"kgf", "N", 9.80665},
        {"kg", "N", 9.80665},
        {"g", "N", 9.80665e-3},
        {"lb", "N", 4.4482216152605},
    };
    struct units *units;
    struct status st;

    (void)state;
    assert_int_equal(units_open(&units, &st), STATUS_OK);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct unitword word;
        double scale, offset;

        if (!unitword_read(cases[i].text, cases[i].si, &word))
            fail_msg("%s of %s", cases[i].text, cases[i].si);
        if (units_convert_factor(units, word.unit, cases[i].si, &scale, &offset, &st) != STATUS_OK)
            fail_msg("%s: %s", cases[i].text, st.text);
        if (fabs(scale * word.factor / cases[i].factor - 1.0) > 1e-9)
            fail_msg("%s is %g %s", cases[i].text, scale * word.factor, cases[i].si);
        assert_int_equal(word.ac, strstr(cases[i].text, "AC") != NULL);
    }
    units_close(units);
}

static void temperatures(void **state)
{
    static const struct {
        const char *text, *unit;
    } cases[] = {{"C", "degC"},
                 {"deg C", "degC"},
                 {"\xB0"
                  "C",
                  "degC"},
                 {"\xC2\xB0"
                  "C",
                  "degC"},
                 {"\xDF"
                  "C",
                  "degC"},
                 {"'C", "degC"},
                 {"oC", "degC"},
                 {"F", "degF"},
                 {"K", "K"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct unitword word;

        assert_true(unitword_read(cases[i].text, "K", &word));
        assert_string_equal(word.unit, cases[i].unit);
    }
}

static void unknown(void **state)
{
    static const struct {
        const char *text, *si;
    } cases[] = {{"", "V"},
                 {"A", "V"},
                 {"ohm", "V"},
                 {"xV", "V"},
                 {"kkV", "V"},
                 {"pt", "kg"},
                 {"pcs", "kg"},
                 {"gr", "kg"},
                 {"V", "kg"},
                 {"\x80V", "V"},
                 {"OHMOHMOHMOHMOHMOHMOHMOHMOHM", "ohm"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct unitword word;

        if (unitword_read(cases[i].text, cases[i].si, &word))
            fail_msg("%s of %s", cases[i].text, cases[i].si);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(known), cmocka_unit_test(temperatures),
                                       cmocka_unit_test(unknown)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
