/* The parts of the coil board's firmware that need no hardware. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "acquire/board/coilswitch.h"
#include "acquire/board/command.h"
#include "acquire/board/keeper.h"
#include "acquire/board/message.h"
#include "acquire/board/thermistor.h"

/* ---- commands ---- */

static void good_commands(void **state)
{
    static const struct {
        const char *line;
        struct command expected;
    } cases[] = {
        {"who", {.kind = COMMAND_WHO}},
        {"  who  ", {.kind = COMMAND_WHO}},
        {"on", {.kind = COMMAND_ON, .ms = 10000}},
        {"on 600", {.kind = COMMAND_ON, .ms = 600000}},
        {"off", {.kind = COMMAND_OFF}},
        {"pulse 1", {.kind = COMMAND_PULSE, .ms = 1}},
        {"pulse 10000", {.kind = COMMAND_PULSE, .ms = 10000}},
        {"every 20", {.kind = COMMAND_EVERY, .ms = 20}},
        {"every 60000", {.kind = COMMAND_EVERY, .ms = 60000}},
        {"capture 250 2", {.kind = COMMAND_CAPTURE, .rate = 250, .samples = 2}},
        {"capture 50000 400", {.kind = COMMAND_CAPTURE, .rate = 50000, .samples = 400}},
        {"capture 1 401", {.kind = COMMAND_CAPTURE, .rate = 250, .samples = 400}},
        {"capture 999999 999999", {.kind = COMMAND_CAPTURE, .rate = 50000, .samples = 400}},
        {"capture 1000 100 shunt", {.kind = COMMAND_CAPTURE, .rate = 1000, .samples = 100}},
        {"capture 1000 100 battery",
         {.kind = COMMAND_CAPTURE, .rate = 1000, .samples = 100, .input = COMMAND_BATTERY}},
        {"capture 1000 100 drain",
         {.kind = COMMAND_CAPTURE, .rate = 1000, .samples = 100, .input = COMMAND_DRAIN}},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct command command;
        const char *wrong = command_read(cases[i].line, &command);

        if (wrong)
            fail_msg("'%s': %s", cases[i].line, wrong);
        assert_int_equal(command.kind, cases[i].expected.kind);
        assert_int_equal(command.ms, cases[i].expected.ms);
        assert_int_equal(command.rate, cases[i].expected.rate);
        assert_int_equal(command.samples, cases[i].expected.samples);
        assert_int_equal(command.input, cases[i].expected.input);
    }
}

static void bad_commands(void **state)
{
    static const char *const cases[] = {
        "",
        " ",
        "On",
        "onn",
        "on 0",
        "on 601",
        "on -1",
        "on 1.5",
        "on 1 2",
        "on 99999999999",
        "off now",
        "pulse",
        "pulse 0",
        "pulse 10001",
        "every 19",
        "every",
        "who are you",
        "capture",
        "capture 1000",
        "capture 0 100",
        "capture 1000000 100",
        "capture 1000 1",
        "capture 1000 1000000",
        "capture 1000 100 coil",
        "capture 1000 100 shunt 1",
        "capture 0x100 2",
        "capture 1e3 2",
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct command command;
        const char *wrong = command_read(cases[i], &command);

        if (!wrong)
            fail_msg("'%s' was taken", cases[i]);
        assert_in_range(strlen(wrong), 5, 60);
    }
}

/* Whatever a line holds, the numbers of what is obeyed are within the bounds the hardware needs. */
static void any_line(void **state)
{
    static const char *const words[] = {"on",    "pulse",      "capture", "every", "9",
                                        "65536", "4294967297", "400",     "50000", "shunt",
                                        " ",     "who",        "off"};
    uint32_t random = 12345;

    (void)state;
    for (int round = 0; round < 200000; ++round) {
        char line[128] = "";
        struct command c;

        for (int k = 0; k < 4; ++k) {
            random = random * 1664525u + 1013904223u;
            strcat(line, words[(random >> 16) % (sizeof words / sizeof words[0])]);
            if (random & 0x1000)
                strcat(line, " ");
        }
        if (command_read(line, &c))
            continue;
        assert_true(c.ms <= 600000);
        if (c.kind == COMMAND_CAPTURE) {
            assert_in_range(c.rate, 250, 50000);
            assert_in_range(c.samples, 2, 400);
        }
    }
}

/* ---- lines ---- */

struct written {
    char bytes[128];
    size_t length;
};

static void put(void *to, char c)
{
    struct written *written = to;

    assert_true(written->length + 1 < sizeof written->bytes);
    written->bytes[written->length++] = c;
    written->bytes[written->length] = '\0';
}

static void lines(void **state)
{
    static const struct {
        int32_t tenths;
        const char *text;
    } cases[] = {{0, "0.0"},
                 {1, "0.1"},
                 {-1, "-0.1"},
                 {10, "1.0"},
                 {-15, "-1.5"},
                 {11000, "1100.0"},
                 {INT32_MAX, "214748364.7"},
                 {INT32_MIN, "-214748364.8"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct written written = {.length = 0};
        struct message message = {.put = put, .to = &written};
        unsigned sum = 0;
        unsigned said;

        message_begin(&message, "x=");
        message_tenths(&message, cases[i].tenths);
        message_text(&message, " n=");
        message_number(&message, UINT32_MAX);
        message_end(&message);
        assert_memory_equal(written.bytes + 2, cases[i].text, strlen(cases[i].text));
        assert_non_null(strstr(written.bytes, " n=4294967295*"));
        for (const char *c = written.bytes; *c != '*'; ++c)
            sum ^= (unsigned char)*c;
        assert_int_equal(sscanf(strchr(written.bytes, '*') + 1, "%2x", &said), 1);
        assert_int_equal(said, sum);
        assert_string_equal(strchr(written.bytes, '*') + 3, "\r\n");
    }
}

/* ---- what was seen ---- */

/* Against sums done here in another way, over runs of random counts. */
static void kept_values(void **state)
{
    uint32_t random = 99;

    (void)state;
    for (int round = 0; round < 300; ++round) {
        struct keeper keeper;
        struct keeper_values values;
        unsigned n = 1 + random % 3000;
        double sum = 0, least = 1e9, most = -1, part = 0;
        int middle = (int)(random >> 8) % 1000;
        bool clipped = false;

        keeper_clear(&keeper);
        keeper_read(&keeper, &values);
        assert_false(values.any);
        assert_false(values.any_part);
        for (unsigned i = 0; i < n; ++i) {
            int count;

            random = random * 1664525u + 1013904223u;
            count = middle + (int)(random >> 24) % 64 - 32;
            count = count < 0 ? 0 : count > 1023 ? 1023 : count;
            keeper_add(&keeper, (uint16_t)count);
            clipped = clipped || count == 1023;
            sum += count;
            part += count;
            if (i % 4 == 3) {
                least = fmin(least, part / 4);
                most = fmax(most, part / 4);
                part = 0;
            }
        }
        keeper_read(&keeper, &values);
        assert_true(values.any);
        assert_int_equal(values.any_part, n >= 4);
        assert_int_equal(values.clipped, clipped);
        assert_true(fabs(values.mean / 16.0 - sum / n) <= 0.5 / 16 + 1e-9);
        if (n >= 4) {
            assert_true(values.least / 16.0 == least);
            assert_true(values.most / 16.0 == most);
        }
        random += 7;
    }
}

/* A minute and more between lines: nothing overflows, the mean stays one. */
static void a_long_line(void **state)
{
    struct keeper keeper;
    struct keeper_values values;

    (void)state;
    keeper_clear(&keeper);
    for (long i = 0; i < 1000000; ++i)
        keeper_add(&keeper, 1022);
    keeper_read(&keeper, &values);
    assert_int_equal(values.mean, 1022 * 16);
    for (long i = 0; i < 1000000; ++i)
        keeper_add(&keeper, 10);
    keeper_read(&keeper, &values);
    assert_in_range(values.mean, 160, 164);
    assert_int_equal(values.least, 160);
    assert_int_equal(values.most, 1022 * 16);
}

/* A dip of a few samples among many shows in the least, hardly in the mean. */
static void a_dip(void **state)
{
    struct keeper keeper;
    struct keeper_values values;

    (void)state;
    keeper_clear(&keeper);
    for (int i = 0; i < 600; ++i)
        keeper_add(&keeper, i >= 300 && i < 308 ? 700 : 900);
    keeper_read(&keeper, &values);
    assert_in_range(values.least, 700 * 16, 750 * 16);
    assert_in_range(values.mean, 897 * 16, 898 * 16);
    assert_int_equal(values.most, 900 * 16);
}

/* ADC = V * 1024 / Vref, rounded down (ATmega328P data sheet, 'ADC Conversion Result', from
 * memory): the middle of the step is meant. */
static void millivolts(void **state)
{
    (void)state;
    for (unsigned count = 0; count < 1024; ++count) {
        double tenths = (count + 0.5) * 11000.0 / 1024.0;

        assert_true(fabs(keeper_tenths((uint16_t)(count * 16), 11000) - tenths) <= 0.51);
    }
    assert_int_equal(keeper_tenths(1023 * 16, 55000), 54973);
}

/* ---- the switch ---- */

static void on_time(void **state)
{
    static const uint32_t starts[] = {0, 1000, UINT32_MAX - 3, UINT32_MAX - 5000};

    (void)state;
    for (size_t i = 0; i < sizeof starts / sizeof starts[0]; ++i) {
        struct coilswitch s;
        uint32_t now = starts[i];
        uint32_t lasted = 0;

        coilswitch_clear(&s, now);
        assert_false(s.on);
        assert_false(coilswitch_is_changing(&s, now, true));
        coilswitch_on(&s, now, 5000);
        while (lasted < 20000 && !coilswitch_tick(&s, ++now))
            ++lasted;
        assert_int_equal(lasted + 1, 5000);
        assert_false(s.on);
        assert_false(coilswitch_tick(&s, ++now));
        /* told again before its end: the time begins anew */
        coilswitch_on(&s, now, 100);
        now += 99;
        assert_false(coilswitch_tick(&s, now));
        coilswitch_on(&s, now, 100);
        now += 99;
        assert_false(coilswitch_tick(&s, now));
        assert_true(coilswitch_tick(&s, now + 1));
    }
}

static void changing(void **state)
{
    struct coilswitch s;

    (void)state;
    coilswitch_clear(&s, 0);
    coilswitch_on(&s, 1000, 10000);
    assert_true(coilswitch_is_changing(&s, 1010, true)); /* the line with the switching in it */
    assert_true(coilswitch_is_changing(&s, 1210, true)); /* still settling */
    assert_true(coilswitch_is_changing(&s, 1510, true)); /* began while it settled */
    assert_false(coilswitch_is_changing(&s, 1710, true));
    coilswitch_on(&s, 1800, 10000); /* was on */
    assert_false(coilswitch_is_changing(&s, 1910, true));
    coilswitch_off(&s, 2000);
    assert_true(coilswitch_is_changing(&s, 2010, true));
}

/* ---- temperature ---- */

/* The beta equation solved for R at the temperature, put through the divider. That this thermistor
 * has 100 kilohm at 25 degrees and beta 3950 K is the parts list's; at 0 degrees it then has 336
 * kilohm and at 100 degrees 7.0 (1/T = 1/298.15 + ln(R/R25)/beta, IEC 60539-1). */
static void temperatures(void **state)
{
    (void)state;
    for (double celsius = -25.0; celsius <= 145.0; celsius += 0.5) {
        double r = 100e3 * exp(3950.0 * (1.0 / (celsius + 273.15) - 1.0 / 298.15));
        double node = 5000.0 * 4700.0 / (4700.0 + r);

        assert_true(fabs(thermistor_tenths(node, 5000.0) - 10.0 * celsius) <= 0.51);
        /* the supply does not matter */
        assert_true(fabs(thermistor_tenths(node * 0.9, 4500.0) - 10.0 * celsius) <= 0.51);
    }
    assert_int_equal(thermistor_tenths(5000.0 * 4.7 / 104.7, 5000.0), 250);
    assert_int_equal(thermistor_tenths(0.0, 5000.0), THERMISTOR_NONE);    /* open */
    assert_int_equal(thermistor_tenths(0.5, 5000.0), THERMISTOR_NONE);    /* as good as */
    assert_int_equal(thermistor_tenths(5000.0, 5000.0), THERMISTOR_NONE); /* shorted */
    assert_int_equal(thermistor_tenths(4990.0, 5000.0), THERMISTOR_NONE);
    assert_int_equal(thermistor_tenths(100.0, 0.0), THERMISTOR_NONE);
    assert_int_equal(thermistor_tenths(NAN, 5000.0), THERMISTOR_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_commands), cmocka_unit_test(bad_commands),
        cmocka_unit_test(any_line),      cmocka_unit_test(lines),
        cmocka_unit_test(kept_values),   cmocka_unit_test(a_long_line),
        cmocka_unit_test(a_dip),         cmocka_unit_test(millivolts),
        cmocka_unit_test(on_time),       cmocka_unit_test(changing),
        cmocka_unit_test(temperatures),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
