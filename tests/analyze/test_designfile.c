/* designfile: what a person writes becomes the design, and every mistake is named with its place.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/designfile.h"

/* A magnet for a signal arm; the figures are invented for the example. */
static const char good[] = "[coil]\n"                             /* 1 */
                           "name = arm-1\n"                       /* 2 */
                           "[core]\n"                             /* 3 */
                           "form = yoke\n"                        /* 4 */
                           "iron = annealed soft iron\n"          /* 5 */
                           "limb = round 3/8 in\n"                /* 6 */
                           "limb length = 40 mm\n"                /* 7 */
                           "spacing = 25 mm +- 0.2 mm\n"          /* 8 */
                           "yoke = rectangular 12 x 6 mm\n"       /* 9 */
                           "[keeper]\n"                           /* 10 */
                           "section = rectangular 12 mm x 4 mm\n" /* 11 */
                           "length = 36 mm\n"                     /* 12 */
                           "gap = 0.5 mm\n"                       /* 13 */
                           "[wire]\n"                             /* 14 */
                           "size = 0.25 mm\n"                     /* 15 */
                           "covering = enamel 1\n"                /* 16 */
                           "[winding]\n"                          /* 17 */
                           "turns = 500 turns\n"                  /* 18 */
                           "wound length = 34 mm\n"               /* 19 */
                           "wrap = 0.5 mm\n"                      /* 20 */
                           "[supply]\n"                           /* 21 */
                           "voltage = 3 V\n"                      /* 22 */
                           "[work]\n"                             /* 23 */
                           "pull = 2.5 lb\n"                      /* 24 */
                           "[limits]\n"                           /* 25 */
                           "resistance = 5 %\n";                  /* 26 */

/* cmocka's own comparison is in single precision. */
static void assert_near(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.15g, expected %.15g within %g", value, expected, within);
}

static int open_units(void **state)
{
    struct status st;

    return units_open((struct units **)state, &st) == STATUS_OK ? 0 : -1;
}

static int close_units(void **state)
{
    units_close(*state);
    return 0;
}

/* The good text with line number n replaced. */
static char *with_line(int n, const char *line)
{
    char *text = calloc(1, sizeof good + 256);
    const char *at = good;
    int number = 1;

    assert_non_null(text);
    for (; *at; ++number) {
        const char *end = strchr(at, '\n') + 1;

        if (number == n)
            sprintf(text + strlen(text), "%s\n", line);
        else
            strncat(text, at, (size_t)(end - at));
        at = end;
    }
    return text;
}

static void a_good_file_is_read_in_si(void **state)
{
    struct designfile_warnings warnings;
    struct design d;
    struct status st;

    if (designfile_parse(*state, "arm.ini", good, &d, &warnings, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_string_equal(d.name, "arm-1");
    assert_int_equal(d.core.form, DESIGN_U_YOKE);
    /* 1 in = 25.4 mm exactly, 1 lb = 0.45359237 kg exactly (international yard and pound
     * agreement, 1959); standard gravity 9.80665 m/s2 (3rd CGPM, 1901) */
    assert_near(d.core.limb.width.value, 0.009525, 1e-12);
    assert_near(d.work.pull.value, 2.5 * 0.45359237 * 9.80665, 1e-9);
    assert_near(d.core.spacing.u, 0.2e-3 / sqrt(3.0), 1e-9);
    assert_near(d.core.yoke.width.value, 12e-3, 1e-12);
    assert_near(d.core.yoke.depth.value, 6e-3, 1e-12);
    assert_near(d.winding.turns[0].value, 500.0, 0.0);
    assert_near(d.winding.turns[1].value, 500.0, 0.0);
    assert_near(d.winding.wire.diameter, 0.25e-3, 1e-12);
    assert_int_equal(d.winding.wire.covering, WIRE_ENAMEL_1);
    assert_near(d.limits.resistance.value, 0.05, 1e-12);
    /* a gap of '0.5 mm' is known to half its last digit */
    assert_near(d.core.gap.u, 0.05e-3 / sqrt(3.0), 1e-9);
    assert_int_equal(warnings.count, 0);
}

static void every_mistake_is_named_with_its_place(void **state)
{
    static const struct {
        int line;
        const char *text;
        const char *says[3];
    } wrong[] = {
        {2, "name = .", {"arm.ini:2:", "[coil] name", "no - or . in front"}},
        {8, "spacing = 25 mm +- 25 mm", {"arm.ini:8:", "[core] spacing", "down to zero"}},
        {2, "name = arm 1", {"arm.ini:2:", "[coil] name", "arm 1"}},
        {4, "form = pretzel", {"arm.ini:4:", "form", "pretzel"}},
        {6, "limb = 8 mm", {"arm.ini:6:", "limb", "round"}},
        {6, "limb = round 8", {"arm.ini:6:", "limb", "unit"}},
        {6, "limb = rectangular 8 mm", {"arm.ini:6:", "two sizes", NULL}},
        {7, "limb length = 40 kg", {"arm.ini:7:", "limb length", "40 kg"}},
        {7, "limb lenght = 40 mm", {"arm.ini:7:", "no such key", "limb length"}},
        {8, "spacing =", {"arm.ini:8:", "spacing", "no value"}},
        {10, "[kepper]", {"arm.ini:11:", "no such section", "keeper"}},
        {13, "gap = -0.5 mm", {"gap", "-0.0005", NULL}},
        {15, "size = 99 SWG", {"arm.ini:15:", "size", "99"}},
        {15, "size = 25 mm", {"25", NULL, NULL}},
        {16, "covering = jam", {"arm.ini:16:", "covering", "jam"}},
        {18, "turns = 0 turns", {"turns", "0", NULL}},
        {18, "turns = 1e9 turns", {"turns", NULL, NULL}},
        {18, "turns = 500 mm", {"arm.ini:18:", "turns", "mm"}},
        {19, "wound length = 50 mm", {"wound length", "0.05", NULL}},
        {20, "wrap = 0.5 mm\nwrap = 0.6 mm", {"arm.ini:21:", "given twice", NULL}},
        {20, "outside max = 11 mm", {"turns", NULL, NULL}},
        {21, "[supply]\nbattery = 2 x LR99", {"arm.ini:22:", "LR99", "LR20"}},
        {21, "[supply]\nbattery = 0 x LR20", {"arm.ini:22:", "battery", "0 x LR20"}},
        {22, "voltage = 3", {"arm.ini:22:", "voltage", "unit"}},
        {22, "voltage = 3,5 V", {"arm.ini:22:", "voltage", "3,5"}},
        {24, "pull = -1 N", {"pull", "-1", NULL}},
    };

    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; ++i) {
        char *text = with_line(wrong[i].line, wrong[i].text);
        struct design d;
        struct status st;
        enum status_code code = designfile_parse(*state, "arm.ini", text, &d, NULL, &st);

        if (code != STATUS_INPUT)
            fail_msg("'%s' was taken (%d)", wrong[i].text, (int)code);
        for (size_t k = 0; k < 3 && wrong[i].says[k]; ++k)
            if (!strstr(st.text, wrong[i].says[k]))
                fail_msg("'%s' says '%s', without '%s'", wrong[i].text, st.text, wrong[i].says[k]);
        free(text);
    }
}

static void what_is_required_is_asked_for(void **state)
{
    static const struct {
        int line;
        const char *says;
    } missing[] = {{2, "[coil] name"},      {4, "[core] form"},
                   {5, "[core] iron"},      {6, "[core] limb"},
                   {8, "[core] spacing"},   {15, "[wire] size"},
                   {18, "[winding] turns"}, {19, "[winding] wound length"}};

    for (size_t i = 0; i < sizeof missing / sizeof *missing; ++i) {
        char *text = with_line(missing[i].line, "; left out");
        struct design d;
        struct status st;

        assert_int_equal(designfile_parse(*state, "arm.ini", text, &d, NULL, &st), STATUS_INPUT);
        if (!strstr(st.text, missing[i].says) || !strstr(st.text, "arm.ini"))
            fail_msg("line %d left out says '%s'", missing[i].line, st.text);
        free(text);
    }
}

static void a_gauge_that_disagrees_is_a_warning(void **state)
{
    /* 32 SWG is 0.0108 in = 0.27432 mm (BS 3737:1964 as tabulated); area ratio 1.204 */
    char *text = with_line(15, "size = 32 SWG 0.25 mm");
    struct designfile_warnings warnings;
    struct design d;
    struct status st;

    assert_int_equal(designfile_parse(*state, "arm.ini", text, &d, &warnings, &st), STATUS_OK);
    assert_int_equal(warnings.count, 1);
    assert_non_null(strstr(warnings.text[0], "arm.ini:15"));
    assert_non_null(strstr(warnings.text[0], "20"));
    assert_near(d.winding.wire.diameter, 0.25e-3, 1e-12);
    free(text);
}

/* Nominal voltages: LR20 1.5 V a cell (IEC 60086-1, designation of electrochemical systems, from
 * memory). */
static void a_battery_stands_for_its_voltage(void **state)
{
    char *text = with_line(22, "battery = 2 x LR20");
    struct design d;
    struct status st;

    if (designfile_parse(*state, "arm.ini", text, &d, NULL, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_string_equal(d.supply.battery, "LR20");
    assert_int_equal(d.supply.cells_series, 2);
    assert_near(d.supply.voltage.value, 3.0, 1e-9);
    assert_true(d.supply.source_resistance.value > 0.0);
    free(text);
}

static void the_manual_names_every_key(void **state)
{
    FILE *in = fopen(TEST_SOURCE_DIR "/analyze/truewound-coil.5", "re");
    char *manual = calloc(1, 1 << 16);
    const char *section;
    const char *key;
    const char *expects;
    size_t count = designfile_key(0, &section, &key, &expects);

    (void)state;
    assert_non_null(in);
    assert_non_null(manual);
    assert_true(fread(manual, 1, (1 << 16) - 1, in) > 1000);
    fclose(in);
    assert_true(count > 40);
    for (size_t i = 0; i < count; ++i) {
        char item[64];

        designfile_key(i, &section, &key, &expects);
        snprintf(item, sizeof item, "[%s]", section);
        if (!strstr(manual, item) || !strstr(manual, key))
            fail_msg("truewound-coil.5 does not name [%s] %s", section, key);
    }
    free(manual);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_good_file_is_read_in_si),
        cmocka_unit_test(every_mistake_is_named_with_its_place),
        cmocka_unit_test(what_is_required_is_asked_for),
        cmocka_unit_test(a_gauge_that_disagrees_is_a_warning),
        cmocka_unit_test(a_battery_stands_for_its_voltage),
        cmocka_unit_test(the_manual_names_every_key),
    };

    return cmocka_run_group_tests(tests, open_units, close_units);
}
