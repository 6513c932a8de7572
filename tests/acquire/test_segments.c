/* The segments driver: frames of 14 bytes, drawn here from the shapes of the digits.
 *
 * The shapes are those any seven-segment display draws; which bit is which segment and where the
 * marks stand is common practice, no source (the meters are known by what they send, their makers
 * publish nothing). So the tests state the layout once more, segment by segment and mark by mark,
 * and share no table with the driver. */
#include "tests/acquire/harness.h"

#define HEAD "[instrument m]\ndriver = segments\nport = /dev/null\nbaud = 2400\n"
#define THREE                                                                                      \
    "[channel m.v]\nquantity = voltage\n[channel m.i]\nquantity = current\n"                       \
    "[channel m.r]\nquantity = resistance\n"

/* The segments a digit or letter lights: a top, b and c right, d bottom, e and f left, g middle. */
static const char *shape(char c)
{
    switch (c) {
    case '0':
        return "abcdef";
    case '1':
        return "bc";
    case '2':
        return "abged";
    case '3':
        return "abgcd";
    case '4':
        return "fgbc";
    case '5':
        return "afgcd";
    case '6':
        return "afgedc";
    case '7':
        return "abc";
    case '8':
        return "abcdefg";
    case '9':
        return "abcdfg";
    case 'L':
        return "fed";
    case 'E':
        return "afged";
    case 'r':
        return "eg";
    default:
        return "";
    }
}

/* Place (from 0) and bit of a segment of digit 0 to 3. */
static void light(unsigned char *frame, int digit, char segment)
{
    static const char names[] =
        "afecgdb"; /* first place: bits 0 a, 1 f, 2 e; second: bits 2 c, ... */
    static const unsigned char where[][2] = {{0, 0}, {0, 1}, {0, 2}, {1, 2},
                                             {1, 1}, {1, 3}, {1, 0}};
    const char *at = strchr(names, segment);

    frame[1 + 2 * digit + where[at - names][0]] |= (unsigned char)(1u << where[at - names][1]);
}

/* A frame for a text such as "-1.234" and marks such as "V DC hold". */
static void draw(unsigned char frame[14], const char *text, const char *lit)
{
    static const struct {
        const char *name;
        unsigned char place, bit;
    } table[] = {{"AC", 1, 3},   {"DC", 1, 2},   {"auto", 1, 1},     {"u", 10, 3},
                 {"n", 10, 2},   {"k", 10, 1},   {"diode", 10, 0},   {"m", 11, 3},
                 {"%", 11, 2},   {"M", 11, 1},   {"beep", 11, 0},    {"F", 12, 3},
                 {"ohm", 12, 2}, {"rel", 12, 1}, {"hold", 12, 0},    {"A", 13, 3},
                 {"V", 13, 2},   {"Hz", 13, 1},  {"battery", 13, 0}, {"x", 14, 0}};
    int digit = 0;

    for (unsigned i = 0; i < 14; ++i)
        frame[i] = (unsigned char)((i + 1) << 4);
    if (*text == '-') {
        frame[1] |= 8;
        ++text;
    }
    for (; *text; ++text)
        if (*text == '.') {
            frame[1 + 2 * digit] |= 8; /* in front of the digit that follows */
        } else {
            for (const char *s = shape(*text); *s; ++s)
                light(frame, digit, *s);
            ++digit;
        }
    for (size_t length; *lit; lit += length + (lit[length] == ' ')) {
        length = strcspn(lit, " ");
        for (size_t i = 0; i < sizeof table / sizeof table[0]; ++i)
            if (strlen(table[i].name) == length && strncmp(table[i].name, lit, length) == 0)
                frame[table[i].place - 1] |= (unsigned char)(1u << table[i].bit);
    }
}

static void show(struct fed *fed, const char *text, const char *lit)
{
    unsigned char frame[14];

    draw(frame, text, lit);
    fed_bytes(fed, frame, sizeof frame, 0);
}

/* Frames written out in full, as a check of the drawing above as well. */
static void whole_frames(void **state)
{
    static const struct {
        unsigned char frame[15];
        const char *expected;
    } cases[] = {
        /* "1.234" V DC automatic: 1 = b c, 2, 3, 4 */
        {"\x17\x20\x35\x4D\x5B\x61\x7F\x82\x97\xA0\xB0\xC0\xD4\xE0", "v 1.234 V digit=0.001\n"},
        /* " 0.L" M ohm automatic */
        {"\x13\x20\x30\x47\x5D\x6E\x78\x80\x90\xA0\xB2\xC4\xD0\xE0", "r unknown Mohm overload\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct fed *fed = fed_new(HEAD THREE);

        fed_bytes(fed, cases[i].frame, 14, 0);
        fed_expect(fed, cases[i].expected);
        fed_free(fed);
    }
}

static void displays(void **state)
{
    static const struct {
        const char *text, *lit, *expected;
    } cases[] = {
        {"1.234", "V DC", "v 1.234 V digit=0.001\n"},
        {"-1.234", "V DC auto", "v -1.234 V digit=0.001\n"},
        {"05.67", "A m DC", "i 5.67 mA digit=0.01\n"},
        {" 5.67", "A u DC", "i 5.67 uA digit=0.01\n"},
        {"890.1", "ohm", "r 890.1 ohm digit=0.1\n"},
        {"2.345", "ohm k", "r 2.345 kohm digit=0.001\n"},
        {"6789", "ohm M", "r 6789 Mohm digit=1\n"},
        {"017.3", "ohm beep", "r 17.3 ohm digit=0.1\n"},
        {"   4", "V m DC", "v 4 mV digit=1\n"},
        {"-0.000", "V DC", "v -0 V digit=0.001\n"},
        {" 0L ", "ohm M", "r unknown Mohm overload\n"},
        {" 0.L", "V DC", "v unknown V overload\n"},
        {"-0L ", "V DC", "v unknown V overload\n"},
        {"   L", "V DC", "v unknown V overload\n"},
        {"1.000", "V DC hold", "v 1 V digit=0.001 hold\n"},
        {"1.000", "V DC battery", "v 1 V digit=0.001 low battery\n"},
        {"1.000", "V DC rel", "v 1 V digit=0.001 relative\n"},
        {"    ", "V DC", ""},               /* dark: between two ranges */
        {"Er  ", "V DC", "garbage\n"},      /* a word */
        {"1 23", "V DC", "garbage\n"},      /* dark between digits */
        {"12L3", "V DC", "garbage\n"},      /* a letter among digits */
        {"1.2.34", "V DC", "garbage\n"},    /* two points */
        {"1.234", "DC", "garbage\n"},       /* no unit */
        {"1.234", "V A DC", "garbage\n"},   /* two */
        {"1.234", "V m k DC", "garbage\n"}, /* two prefixes */
        {"1.234", "%  k", "garbage\n"},     /* a prefix that makes no sense */
        {"230.1", "V AC",
         "event dial: the dial shows alternating voltage; no channel of the bench file takes it\n"},
        {"0.567", "V diode",
         "event dial: the dial shows voltage of a diode; no channel of the bench file takes it\n"},
        {"50.00", "Hz",
         "event dial: the dial shows frequency; no channel of the bench file takes it\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct fed *fed = fed_new(HEAD THREE);

        show(fed, cases[i].text, cases[i].lit);
        if (strcmp(fed->out.bytes, cases[i].expected) != 0)
            fail_msg("'%s' %s: %s", cases[i].text, cases[i].lit, fed->out.bytes);
        fed_free(fed);
    }
}

static void every_digit(void **state)
{
    struct fed *fed = fed_new(HEAD THREE);

    (void)state;
    for (int value = 0; value < 10000; value += 7) {
        char text[8];
        char expected[64];

        snprintf(text, sizeof text, "%04d", value);
        show(fed, text, "V DC");
        snprintf(expected, sizeof expected, "v %d V digit=1\n", value);
        fed_expect(fed, expected);
    }
    fed_free(fed);
}

/* Makers draw 6 without its top, 7 with its left and 9 without its bottom. */
static void other_shapes(void **state)
{
    static const struct {
        const char *lit;
        int digit;
    } shapes[] = {{"fgedc", 6}, {"fabc", 7}, {"abcfg", 9}};

    (void)state;
    for (size_t i = 0; i < 3; ++i) {
        struct fed *fed = fed_new(HEAD THREE);
        unsigned char frame[14];
        char expected[64];

        draw(frame, "    ", "V DC");
        for (const char *s = shapes[i].lit; *s; ++s)
            light(frame, 3, *s);
        fed_bytes(fed, frame, sizeof frame, 0);
        snprintf(expected, sizeof expected, "v %d V digit=1\n", shapes[i].digit);
        fed_expect(fed, expected);
        fed_free(fed);
    }
}

/* Each channel takes what it is for; alternating values and diodes only where they are wanted. */
static void channels(void **state)
{
    struct fed *fed = fed_new(HEAD "counts = 4000\n"
                                   "[channel m.dc]\nquantity = voltage\n"
                                   "[channel m.ac]\nquantity = voltage\ncoupling = ac\n"
                                   "[channel m.any]\nquantity = voltage\ncoupling = either\n"
                                   "[channel m.knee]\nquantity = voltage\ndiode = yes\n"
                                   "[channel m.amps]\nquantity = current\nshunt = 0.1\n"
                                   "[channel m.f]\nquantity = frequency\n"
                                   "[channel m.c]\nquantity = capacitance\n");

    (void)state;
    show(fed, "1.000", "V DC");
    fed_expect(fed, "dc 1 V digit=0.001 range=4\nany 1 V digit=0.001 range=4\n"
                    "amps 1 V digit=0.001 range=4\n");
    show(fed, "1.000", "V AC");
    fed_expect(fed, "ac 1 V digit=0.001 range=4 alternating\n"
                    "any 1 V digit=0.001 range=4 alternating\n");
    show(fed, "0.567", "V diode");
    fed_expect(fed, "knee 0.567 V digit=0.001 range=4\n");
    show(fed, "50.00", "Hz");
    show(fed, "1.234", "F n");
    fed_expect(fed, "f 50 Hz digit=0.01 range=40\nc 1.234 nF digit=0.001 range=4\n");
    /* said once, and again after something else was taken */
    show(fed, "1.000", "A DC");
    show(fed, "1.001", "A DC");
    show(fed, "50.00", "Hz");
    show(fed, "1.000", "A DC");
    fed_expect(fed, "event dial: the dial shows current; no channel of the bench file takes it\n"
                    "f 50 Hz digit=0.01 range=40\n"
                    "event dial: the dial shows current; no channel of the bench file takes it\n");
    fed_free(fed);
}

/* A meter whose marks stand elsewhere. */
static void other_marks(void **state)
{
    struct fed *fed = fed_new(HEAD "flag = celsius: 14.0\nflag = hold: 1.1\nflag = dc: none\n"
                                   "[channel m.t]\nquantity = temperature\nunit = degC\n"
                                   "[channel m.v]\nquantity = voltage\n");

    (void)state;
    show(fed, "021.5", "x auto");
    show(fed, "1.000", "V hold");
    fed_expect(fed, "t 21.5 degC digit=0.1 hold\nv 1 V digit=0.001\n");
    fed_free(fed);
}

/* Cut, garbage before, a byte lost, two in one read, however the bytes are dealt out. */
static void synchronising(void **state)
{
    unsigned char a[14], b[14];

    (void)state;
    draw(a, "1.234", "V DC");
    draw(b, "2.345", "V DC");
    for (size_t chunk = 0; chunk < 16; ++chunk)
        for (size_t cut = 0; cut <= 14; ++cut) {
            struct fed *fed = fed_new(HEAD THREE);
            unsigned char bytes[64];
            unsigned long junk = 0;
            int ones = 0, twos = 0;

            /* garbage, the end of a frame, a whole frame, the beginning of one, two frames */
            memcpy(bytes, "\xFF\x00\x37", 3);
            memcpy(bytes + 3, a + cut, 14 - cut);
            memcpy(bytes + 17 - cut, b, 14);
            memcpy(bytes + 31 - cut, b, cut);
            memcpy(bytes + 31, a, 14);
            memcpy(bytes + 45, a, 14);
            fed_bytes(fed, bytes, 59, chunk);
            for (char *line = strtok(fed->out.bytes, "\n"); line; line = strtok(NULL, "\n")) {
                ones += strcmp(line, "v 1.234 V digit=0.001") == 0;
                twos += strcmp(line, "v 2.345 V digit=0.001") == 0;
                if (strncmp(line, "junk ", 5) == 0)
                    junk += strtoul(line + 5, NULL, 10);
            }
            assert_int_equal(ones, cut == 0 ? 3 : 2);
            assert_int_equal(twos, cut == 14 ? 2 : 1);
            assert_int_equal(junk, 3 + (cut == 0 ? 0 : 14 - cut) + (cut == 14 ? 0 : cut));
            fed_free(fed);
        }
}

/* A byte is lost in each place: that frame is left out, the next is right. */
static void a_lost_byte(void **state)
{
    unsigned char a[14];

    (void)state;
    draw(a, "1.234", "V DC");
    for (size_t lost = 0; lost < 14; ++lost) {
        struct fed *fed = fed_new(HEAD THREE);
        unsigned char bytes[27];

        memcpy(bytes, a, lost);
        memcpy(bytes + lost, a + lost + 1, 13 - lost);
        memcpy(bytes + 13, a, 14);
        fed_bytes(fed, bytes, 27, 0);
        fed_expect(fed, "junk 13\nv 1.234 V digit=0.001\n");
        fed_free(fed);
    }
}

/* No change of one bit may turn into another reading without a sign that the display can show:
 * what is decoded after it is a digit, the sign, the point, a mark, never nonsense; and the
 * stream goes on. */
static void one_wrong_bit(void **state)
{
    unsigned char a[14], spoilt[14];

    (void)state;
    draw(a, "1.234", "V DC");
    for (size_t bit = 0; bit < 8 * 14; ++bit) {
        struct fed *fed = fed_new(HEAD THREE);

        memcpy(spoilt, a, 14);
        spoilt[bit / 8] ^= (unsigned char)(1u << bit % 8);
        fed_bytes(fed, spoilt, 14, 0);
        if (bit % 8 >= 4)
            assert_null(strstr(fed->out.bytes, "v ")); /* a wrong place is never a frame */
        fed->out.length = 0;
        fed->out.bytes[0] = '\0';
        fed_bytes(fed, a, 14, 0);
        fed_bytes(fed, a, 14, 0);
        assert_non_null(strstr(fed->out.bytes, "v 1.234 V digit=0.001\n"));
        fed_free(fed);
    }
}

static void faults(void **state)
{
    static const char *const cases[][2] = {
        {HEAD "flag = hold 12.0\n" THREE, "name of a mark"},
        {HEAD "flag = glow: 12.0\n" THREE, "name of a mark"},
        {HEAD "flag = hold: 15.0\n" THREE, "1 to 14"},
        {HEAD "flag = hold: 12.4\n" THREE, "0 to 3"},
        {HEAD "flag = hold: 12.0x\n" THREE, "1 to 14"},
        {HEAD "[channel m.x]\nquantity = mass\n", "shows no mass"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct benchfile *bench = NULL;
        struct status st = {0};
        void *driver_state = NULL;
        enum status_code code =
            benchfile_parse("bench", cases[i][0], strlen(cases[i][0]), NULL, NULL, &bench, &st);

        if (code == STATUS_OK)
            code = driver_find("segments")->create(&bench->instrument[0], &driver_state, &st);
        assert_int_not_equal(code, STATUS_OK);
        if (!strstr(st.text, cases[i][1]))
            fail_msg("case %zu: '%s' does not say '%s'", i, st.text, cases[i][1]);
        benchfile_free(bench);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_frames),  cmocka_unit_test(displays),
        cmocka_unit_test(every_digit),   cmocka_unit_test(other_shapes),
        cmocka_unit_test(channels),      cmocka_unit_test(other_marks),
        cmocka_unit_test(synchronising), cmocka_unit_test(a_lost_byte),
        cmocka_unit_test(one_wrong_bit), cmocka_unit_test(faults),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
