/* The scpi driver: what it sends, and what it makes of the answers. */
#include "tests/acquire/harness.h"

#define HEAD "[instrument m]\ndriver = scpi\nport = /dev/null\n"
#define OHMS "[channel m.r]\nquantity = resistance\nwires = 4\n"

/* Answers the requests in turn, each being the whole line with its end. */
static void answer(struct fed *fed, const char *text)
{
    fed_talk(fed);
    fed_text(fed, text);
}

/* From the identity to the first reading; the SCPI-1999 forms of every step. */
static void conversation(void **state)
{
    struct fed *fed = fed_new(HEAD "setup = SYST:REM\n" OHMS);

    (void)state;
    answer(fed, "ACME,M1,123,1.0\r\n");
    answer(fed, "+0,\"No error\"\r\n");
    answer(fed, "0,\"No error\"\r\n");
    answer(fed, "+1.70312000E+01\r\n");
    fed_talk(fed);
    fed_expect(fed, "sent *IDN?\\n\n"
                    "identity ACME,M1,123,1.0\n"
                    "sent SYST:REM\\n\nsent SYST:ERR?\\n\n"
                    "sent CONF:FRES\\n\nsent SYST:ERR?\\n\n"
                    "sent READ?\\n\n"
                    "r 17.0312\n");
    fed->now.mono += 1000000;
    fed_talk(fed);
    fed_expect(fed, "sent READ?\\n\n"); /* the function stays */
    fed_free(fed);
}

static void configuration(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\nterminator = \\r\\n\n"
                                   "[channel m.v]\nquantity = voltage\nrange = 10\nnplc = 10\n"
                                   "[channel m.i]\nquantity = current\nmethod = measure\n"
                                   "[channel m.vac]\nquantity = voltage\ncoupling = ac\n"
                                   "[channel m.shunted]\nquantity = current\nshunt = 0.1\n"
                                   "[channel m.own]\nquantity = inductance\nconfigure = FUNC L\n"
                                   "configure = TRIG:SOUR BUS\nquery = FETC?\n");

    (void)state;
    answer(fed, "1.5\n");
    answer(fed, "0.088\n");
    answer(fed, "230.1\n");
    answer(fed, "0.0088\n");
    answer(fed, "1.2e-3,4.5\n");
    fed_expect(fed, "sent CONF:VOLT:DC 10\\r\\n\nsent VOLT:DC:NPLC 10\\r\\n\nsent READ?\\r\\n\n"
                    "v 1.5 digit=0.1 range=10\n"
                    "sent MEAS:CURR:DC?\\r\\n\n"
                    "i 0.088 digit=0.001\n"
                    "sent CONF:VOLT:AC\\r\\n\nsent READ?\\r\\n\n"
                    "vac 230.1 digit=0.1 alternating\n"
                    "sent CONF:VOLT:DC\\r\\n\nsent READ?\\r\\n\n"
                    "shunted 0.0088 digit=0.0001\n"
                    "sent FUNC L\\r\\n\nsent TRIG:SOUR BUS\\r\\n\nsent FETC?\\r\\n\n"
                    "own 0.0012\n"
                    "event fields: FETC? has 2 fields in its answer, '1.2e-3,4.5'; the first is "
                    "taken: see field and status_field in truewound-bench(5)\n");
    fed_free(fed);
}

/* A meter that answers several values at once is asked once. */
static void fields(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n"
                                   "[channel m.v]\nquantity = voltage\nquery = FETC?\n"
                                   "[channel m.i]\nquantity = current\nquery = FETC?\nfield = 3\n");

    (void)state;
    answer(fed, "1.5,\"a,b\",0.25\n");
    fed_talk(fed);
    fed_expect(fed, "sent FETC?\\n\nv 1.5 digit=0.1\ni 0.25 digit=0.01\n");
    fed->now.mono += 1000000;
    answer(fed, "1.5\n"); /* the third field is missing: the answer is not taken */
    fed_expect(fed, "sent FETC?\\n\nv 1.5 digit=0.1\ngarbage\n");
    assert_true(fed->waiting);
    fed_free(fed);
}

static struct fed *bare_meter(const char *more)
{
    char bench[600];

    snprintf(bench, sizeof bench,
             HEAD "errors = no\nidentity_query =\n%s"
                  "[channel m.r]\nquantity = resistance\nquery = READ?\n",
             more);
    return fed_new(bench);
}

/* SCPI-1999, volume 1, 7.2.1: 9.9E37 is infinity, 9.91E37 is not a number. */
static void overload(void **state)
{
    static const struct {
        const char *sent;
        const char *expected;
    } cases[] = {
        {"+9.90000000E+37\r\n", "r unknown overload\n"},
        {"9.9E37\n", "r unknown overload\n"},
        {"-9.9E+37\n", "r unknown overload\n"},
        {"9.91E37\n", "r unknown suspect\n"},
        {"OVLD\n", "r unknown overload\n"},
        {"O.L\n", "r unknown overload\n"},
        {"9.7E37\n", "r 9.7e+37\n"},
        {"+1.5E3 OHM\n", "r 1500 OHM\n"},
        {"1.5 kOhm\n", "r 1.5 kOhm digit=0.1\n"},
        {"INF\n", "r unknown overload\n"},
        {"-INF\n", "r unknown overload\n"},
        {"NAN\n", "r unknown suspect\n"},
        {"OL OHM\n", "r unknown overload\n"},
        {"0.L\n", "r unknown overload\n"},
        {"OVERLOAD\n", "r unknown overload\n"},
        {"----\n", "r unknown suspect\n"},
        {":MEAS:RES +9.9E37\n", "r unknown overload\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct fed *fed = bare_meter("overload_text = OVLD\noverload_text = O.L\n");

        answer(fed, cases[i].sent);
        assert_int_equal(strncmp(fed->out.bytes, "sent READ?\\n\n", 13), 0);
        assert_string_equal(fed->out.bytes + 13, cases[i].expected);
        fed_free(fed);
    }
}

/* A meter of a country with a decimal comma must not pass for 17 ohm. */
static void decimal_comma(void **state)
{
    static const struct {
        const char *more; /* keys of the instrument */
        const char *sent;
        bool known;
        const char *expected;
    } cases[] = {
        {"", "17,032\r\n", false, ""},
        {"", "+1,7032E+01 OHM\n", false, ""},
        {"decimal = comma\n", "17,032\n", true, "r 17.032 digit=0.001\n"},
        {"decimal = point\n", "17,3\n", true,
         "r 17 digit=1\n"
         "event fields: READ? has 2 fields in its answer, '17,3'; the first is taken: see field "
         "and status_field in truewound-bench(5)\n"},
        {"", "17.032,3\n", true,
         "r 17.032 digit=0.001\n"
         "event fields: READ? has 2 fields in its answer, '17.032,3'; the first is taken: see "
         "field and status_field in truewound-bench(5)\n"},
        {"", "+1.7E+01,+2.0E+00\n", true,
         "r 17\n"
         "event fields: READ? has 2 fields in its answer, '+1.7E+01,+2.0E+00'; the first is taken: "
         "see field and status_field in truewound-bench(5)\n"},
        {"", "17,-3\n", true,
         "r 17 digit=1\n"
         "event fields: READ? has 2 fields in its answer, '17,-3'; the first is taken: see field "
         "and status_field in truewound-bench(5)\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct fed *fed = bare_meter(cases[i].more);

        answer(fed, cases[i].sent);
        if (cases[i].known) {
            assert_string_equal(fed->out.bytes + 13, cases[i].expected);
        } else {
            assert_non_null(strstr(fed->out.bytes, "decimal comma"));
            assert_non_null(strstr(fed->out.bytes, "r unknown suspect\n"));
        }
        fed_free(fed);
    }
}

/* Echo, line ends, empty lines, garbage in front. */
static void manners(void **state)
{
    static const struct {
        const char *more;
        const char *sent;
        const char *expected;
    } cases[] = {
        {"", "READ?\r\n17.03\r\n", "r 17.03 digit=0.01\n"},
        {"echo = yes\n", "READ?\r17.03\r", "r 17.03 digit=0.01\n"},
        {"", "\r\n\r\n17.03\n", "r 17.03 digit=0.01\n"},
        {"", "  17.03  \r", "r 17.03 digit=0.01\n"},
        {"", "xx\r\n17.03\r\n", "garbage\nr 17.03 digit=0.01\n"},
        {"ignore_pattern = ^OK$\n", "OK\r\n17.03\r\n", "r 17.03 digit=0.01\n"},
        {"decimal = comma\n", "17,03\r\n", "r 17.03 digit=0.01\n"},
        {"", "> READ?\r\n> 17.03\r\n> ", "r 17.03 digit=0.01\n"},
        {"prompt = DMM>\n", "DMM> READ?\r\nDMM> 17.03\r\nDMM> ", "r 17.03 digit=0.01\n"},
        /* IEEE 488.2, 8.7.1: with its headers on */
        {"", ":READ +17.03\n", "r 17.03 digit=0.01\n"},
        {"", "RES 1.703e+01\n", "r 17.03\n"},
        {"", "OHM 17.03\n", "r 17.03 digit=0.01\n"},
        /* other words in front make it another line */
        {"", "RANGE 2\n17.03\n", "garbage\nr 17.03 digit=0.01\n"},
        {"", "VOLT 1.703e+01\n17.03\n", "garbage\nr 17.03 digit=0.01\n"},
        /* the rest of an error queue that is answered in several lines is no reading */
        {"", "-410,\"Query INTERRUPTED\"\n17.03\n", "r 17.03 digit=0.01\n"},
        {"", "17.03\nready\n", "r 17.03 digit=0.01\n"},
        {"", "17.0", ""},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        for (size_t chunk = 0; chunk < 4; ++chunk) {
            struct fed *fed = bare_meter(cases[i].more);

            fed_talk(fed);
            fed_bytes(fed, cases[i].sent, strlen(cases[i].sent), chunk);
            if (strcmp(fed->out.bytes + 13, cases[i].expected) != 0)
                fail_msg("case %zu: %s", i, fed->out.bytes);
            fed_free(fed);
        }
}

static void unit_texts(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n[channel m.v]\n"
                                   "quantity = voltage\nquery = READ?\nunit_text = VDC\n");

    (void)state;
    answer(fed, "1.25 VDC\n");
    fed->now.mono += 1000000;
    answer(fed, "1.25 mV\n");
    fed_expect(fed, "sent READ?\\n\nv 1.25 digit=0.01\nsent READ?\\n\nv 1.25 mV digit=0.01\n");
    fed_free(fed);
}

/* Which of two numbers is the reading? The first was taken; from then on they are suspect. */
static void crowded(void **state)
{
    struct fed *fed = bare_meter("");

    (void)state;
    answer(fed, "0\n17.03\n");
    assert_non_null(strstr(fed->out.bytes, "event answers: more than one line answers READ?"));
    fed->out.length = 0;
    fed->now.mono += 1000000;
    answer(fed, "0\n17.03\n");
    fed_expect(fed, "sent READ?\\n\nr 0 digit=1 suspect\n");
    fed_free(fed);
}

/* A meter that acknowledges each command with a number (industrial handhelds; common practice, no
 * source): the acknowledgement is not the reading. */
static void acknowledged(void **state)
{
    struct fed *fed =
        fed_new(HEAD "errors = no\n[channel m.r]\nquantity = resistance\nquery = QM\n");

    (void)state;
    answer(fed, "0\rACME,M1\r");
    answer(fed, "0\r+17.03E+0,OHM,NORMAL,NONE\r");
    assert_non_null(strstr(fed->out.bytes, "event acknowledge: "));
    assert_non_null(strstr(fed->out.bytes, "sent QM\\n\nr 17.03\n"));
    fed_free(fed);
}

/* Answers that are not by SCPI: letters of function and state in front, without a space. */
static void own_pattern(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\noverload_text = ODC\n"
                                   "[channel m.v]\nquantity = voltage\nquery = READ?\n"
                                   "pattern = ^[NOZ]DC(?<unit>m?V)(?<value>.+)$\n");

    (void)state;
    answer(fed, "NDCV+01.5021E+0\n");
    fed->now.mono += 1000000;
    answer(fed, "NDCmV+12.5\n");
    fed->now.mono += 1000000;
    answer(fed, "ODCV+9.999E+9\n");
    fed->now.mono += 1000000;
    answer(fed, "+1.5\n");
    fed_expect(fed, "sent READ?\\n\nv 1.5021 V\nsent READ?\\n\nv 12.5 mV digit=0.1\n"
                    "sent READ?\\n\nv unknown overload\nsent READ?\\n\ngarbage\n");
    fed_free(fed);
}

/* A pattern that takes part of a number makes no other number of it. */
static void cut_number(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n"
                                   "[channel m.v]\nquantity = voltage\nquery = READ?\n"
                                   "pattern = DCV (?<value>[0-9.]+)\n");

    (void)state;
    answer(fed, "DCV 1.5021\n");
    fed->now.mono += 1000000;
    answer(fed, "DCV 1.5021E-3\n");
    fed_expect(fed, "sent READ?\\n\nv 1.5021 digit=0.0001\nsent READ?\\n\n"
                    "event number: v: '1.5021' is no number: in 'DCV 1.5021E-3' a sign, a digit or "
                    "an exponent beside it belongs to no group of the pattern; the reading has no "
                    "value\nv unknown suspect\n");
    fed_free(fed);
}

/* Meters of inductance and resistance answer value, second value and a status, which is not 0 when
 * the value is none (common practice, no source). */
static void status_field(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n"
                                   "[channel m.l]\nquantity = inductance\nquery = FETC?\n"
                                   "status_field = 3\nstatus_good = 0\nstatus_good = N\n"
                                   "[channel m.q]\nquantity = ratio\nquery = FETC?\nfield = 2\n");

    (void)state;
    answer(fed, "+1.2E-01,+5.0E+00,+0\n");
    fed->now.mono += 1000000;
    answer(fed, "+1.2E-01,+5.0E+00,+1\n");
    fed->now.mono += 1000000;
    answer(fed, "+1.2E-01,+5.0E+00, N\n");
    fed->now.mono += 1000000;
    answer(fed, "+1.2E-01,+5.0E+00\n");
    fed_expect(fed, "sent FETC?\\n\nl 0.12\nq 5\n"
                    "sent FETC?\\n\nl unknown suspect\nq 5\n"
                    "sent FETC?\\n\nl 0.12\nq 5\n"
                    "sent FETC?\\n\nq 5\ngarbage\n");
    fed_free(fed);
}

/* The unit in a field of its own: taken when told of, and at least not passed over. */
static void unit_field(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n"
                                   "[channel m.r]\nquantity = resistance\nquery = READ?\n"
                                   "unit_field = 2\n");

    (void)state;
    answer(fed, "+1.2345,KOHM,+001\n");
    fed->now.mono += 1000000;
    answer(fed, "+12.345, OHM,+002\n");
    fed->now.mono += 1000000;
    answer(fed, "+12.345\n");
    fed_expect(fed, "sent READ?\\n\nr 1.2345 KOHM digit=0.0001\n"
                    "sent READ?\\n\nr 12.345 OHM digit=0.001\nsent READ?\\n\ngarbage\n");
    fed_free(fed);
    fed = fed_new(HEAD "errors = no\nidentity_query =\n"
                       "[channel m.r]\nquantity = resistance\nquery = READ?\nfield = 1\n");
    answer(fed, "+12.345,OHM,+001\n");
    fed->now.mono += 1000000;
    answer(fed, "+1.2345,KOHM,+002\n");
    fed_expect(fed,
               "sent READ?\\n\nr 12.345 digit=0.001\nsent READ?\\n\n"
               "event unit: r: '+1.2345,KOHM,+002': 'KOHM' stands behind it, but the channel's "
               "unit is ohm; a group, column or field may take the unit; the reading has no value\n"
               "r unknown suspect\n");
    fed_free(fed);
}

static void error_queue(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n" OHMS);

    (void)state;
    /* The queue is read until it is empty: at once, and after the configuration. */
    answer(fed, "-222,\"Data out of range\"\n");
    answer(fed, "-350,\"Queue overflow\"\n");
    answer(fed, "+0,\"No error\"\n");
    answer(fed, "No Error\n");
    answer(fed, "17\n");
    fed_expect(fed, "sent SYST:ERR?\\n\n"
                    "event instrument-error: the instrument reports -222,\"Data out of range\"\n"
                    "sent SYST:ERR?\\n\n"
                    "event instrument-error: the instrument reports -350,\"Queue overflow\"\n"
                    "sent SYST:ERR?\\n\n"
                    "sent CONF:FRES\\n\nsent SYST:ERR?\\n\nsent READ?\\n\nr 17 digit=1\n");
    /* And at intervals: a minute later. */
    fed->now.mono += 61000000;
    fed_talk(fed);
    fed_expect(fed, "sent SYST:ERR?\\n\n");
    fed_free(fed);
}

#define UNKNOWN "-113,\"Undefined header\"\n"
#define CLEAR   "0,\"No error\"\n"

/* A meter without four wires stays on volts: its READ? must not become ohms. */
static void refused_function(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n" OHMS "[channel m.v]\nquantity = voltage\n");

    (void)state;
    answer(fed, CLEAR);
    answer(fed, UNKNOWN);
    answer(fed, CLEAR);
    answer(fed, UNKNOWN); /* the second time, to find out which command it was */
    answer(fed, CLEAR);
    answer(fed, CLEAR);
    answer(fed, "1.5\n");
    assert_non_null(strstr(fed->out.bytes, "event refused: the meter does not take 'CONF:FRES'"));
    assert_non_null(strstr(fed->out.bytes, "sent CONF:VOLT:DC\\n\nsent SYST:ERR?\\n\n"
                                           "sent READ?\\n\nv 1.5 digit=0.1\n"));
    assert_null(strstr(fed->out.bytes, "\nr "));
    fed->out.length = 0;
    for (int i = 1; i < 50; ++i) {
        fed->now.mono += 1000000;
        answer(fed, "1.5\n");
    }
    assert_null(strstr(fed->out.bytes, "FRES"));
    fed->now.mono += 15000000;
    for (int i = 0; i < 4 && !strstr(fed->out.bytes, "FRES"); ++i) {
        answer(fed, strstr(fed->out.bytes, "SYST") ? CLEAR : "1.5\n");
        fed->now.mono += 1000000;
    }
    assert_non_null(strstr(fed->out.bytes, "sent CONF:FRES\\n\n")); /* it is tried again */
    fed_free(fed);
}

/* A range or an integration time the meter does not take is left out; the reading is not. */
static void refused_detail(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n[channel m.r]\nquantity = resistance\n"
                                   "range = 100\nnplc = 10\n");

    (void)state;
    answer(fed, CLEAR);
    answer(fed, "-108,\"Parameter not allowed\"\n");
    answer(fed, UNKNOWN);
    answer(fed, CLEAR);
    fed->out.length = 0;
    answer(fed, "-108,\"Parameter not allowed\"\n"); /* CONF:RES 100 */
    answer(fed, CLEAR);
    answer(fed, CLEAR);   /* CONF:RES */
    answer(fed, UNKNOWN); /* RES:NPLC 10 */
    answer(fed, CLEAR);
    answer(fed, "17\n");
    fed->now.mono += 1000000;
    answer(fed, "18\n");
    fed_expect(
        fed,
        "sent CONF:RES 100\\n\nsent SYST:ERR?\\n\n"
        "event instrument-error: the instrument reports -108,\"Parameter not allowed\"\n"
        "event refused: the meter does not take 'CONF:RES 100'; 'CONF:RES' is sent instead, and "
        "it chooses the range\n"
        "sent SYST:ERR?\\n\nsent CONF:RES\\n\nsent SYST:ERR?\\n\nsent RES:NPLC 10\\n\n"
        "sent SYST:ERR?\\n\n"
        "event instrument-error: the instrument reports -113,\"Undefined header\"\n"
        "event refused: the meter does not take 'RES:NPLC 10'; it is left out from now on\n"
        "sent SYST:ERR?\\n\nsent READ?\\n\nr 17 digit=1\nsent READ?\\n\nr 18 digit=1\n");
    fed_free(fed);
}

/* Commands of the bench file: what does not choose the function may fail. */
static void refused_own(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n[channel m.r]\nquantity = resistance\n"
                                   "configure = :SENS:FUNC \"RES\"\nconfigure = BEEP:STAT OFF\n");

    (void)state;
    answer(fed, CLEAR);
    answer(fed, UNKNOWN);
    answer(fed, CLEAR);
    answer(fed, CLEAR);
    answer(fed, UNKNOWN);
    answer(fed, CLEAR);
    answer(fed, "17\n");
    assert_non_null(strstr(fed->out.bytes, "does not take 'BEEP:STAT OFF'; it is left out"));
    assert_non_null(strstr(fed->out.bytes, "\nr 17 digit=1\n"));
    fed_free(fed);
}

/* A queue that never empties keeps no reading away. */
static void error_queue_endless(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n[channel m.r]\nquantity = resistance\n"
                                   "query = READ?\n");

    (void)state;
    for (int i = 0; i < 40 && !strstr(fed->out.bytes ? fed->out.bytes : "", "READ?"); ++i)
        answer(fed, "-350,\"Queue overflow\"\n");
    assert_non_null(strstr(fed->out.bytes, "sent READ?"));
    fed_free(fed);
}

/* Why a query has no answer stands in the queue, until it is cleared. */
static void reason(void **state)
{
    struct fed *fed = fed_new(HEAD "[channel m.r]\nquantity = resistance\nmethod = measure\n");

    (void)state;
    answer(fed, "ACME,M1\n");
    answer(fed, CLEAR);
    fed_talk(fed);
    fed_expire(fed);
    fed->out.length = 0;
    fed_talk(fed);
    fed_text(fed, "17\n"); /* late */
    assert_true(fed->waiting);
    fed_text(fed, UNKNOWN);
    fed_talk(fed);
    assert_non_null(strstr(fed->out.bytes, "reports -113"));
    assert_non_null(strstr(fed->out.bytes, "sent *CLS\\n\nsent *IDN?\\n\n"));
    fed_free(fed);
}

static void error_queue_unknown(void **state)
{
    struct fed *fed = fed_new(HEAD "identity_query =\n" OHMS);

    (void)state;
    fed_talk(fed);
    fed_expire(fed);
    answer(fed, "17\n");
    fed->now.mono += 1000000;
    answer(fed, "17\n");
    assert_non_null(strstr(fed->out.bytes, "event no-error-queue: no answer to SYST:ERR?"));
    assert_non_null(strstr(fed->out.bytes, "sent CONF:FRES\\n\nsent READ?\\n\nr 17 digit=1\n"));
    fed_free(fed);
}

/* After a time-out: clear, ask who it is, and never take the late answer for a new one. */
static void late_answer(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\n" OHMS "[channel m.v]\nquantity = voltage\n");

    (void)state;
    answer(fed, "ACME,M1\n");
    answer(fed, "17\n");
    fed_talk(fed);
    fed_expire(fed);
    fed_talk(fed);
    fed->out.length = 0;
    fed_text(fed, "1.5\n"); /* the volts, too late */
    assert_true(fed->waiting);
    assert_int_equal(fed->out.length, 0);
    fed_text(fed, "ACME,M1\n");
    assert_false(fed->waiting);
    fed->out.length = 0;
    fed->now.mono += 1000000;
    answer(fed, "18\n");
    fed_expect(fed, "sent CONF:FRES\\n\nsent READ?\\n\nr 18 digit=1\n");
    fed_free(fed);
}

static void no_identity(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\n" OHMS);

    (void)state;
    fed_talk(fed);
    fed_expire(fed);
    fed->now.mono += 1000000;
    answer(fed, "17\n");
    fed_expect(fed, "sent *IDN?\\n\nexpired\nsent *CLS\\n\nsent CONF:FRES\\n\nsent READ?\\n\n"
                    "r 17 digit=1\n");
    fed_free(fed);
    /* When one is expected it is asked for again and again. */
    fed = fed_new(HEAD "errors = no\nidentity = ACME\n" OHMS);
    fed_talk(fed);
    fed_expire(fed);
    fed->now.mono += 1000000;
    fed_talk(fed);
    fed_expect(fed, "sent *IDN?\\n\nexpired\nsent *CLS\\n\nsent *IDN?\\n\n");
    fed_free(fed);
}

static void selection(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\n" OHMS
                                   "[channel m.v]\nquantity = voltage\nwhen = asked\n");
    struct driver_command command = {.kind = DRIVER_SELECT, .channel = 1};
    struct status st;

    (void)state;
    answer(fed, "17\n");
    fed->now.mono += 1000000;
    fed_talk(fed);
    /* The selection comes while an answer is awaited: it belongs to the old channel still. */
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_OK);
    fed_text(fed, "17.1\n");
    answer(fed, "1.5\n");
    fed_talk(fed);
    fed_expect(fed, "sent CONF:FRES\\n\nsent READ?\\n\nr 17 digit=1\n"
                    "sent READ?\\n\nr 17.1 digit=0.1\n"
                    "sent CONF:VOLT:DC\\n\nsent READ?\\n\nv 1.5 digit=0.1\n");
    command.channel = SIZE_MAX;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_OK);
    answer(fed, "17.2\n");
    fed_expect(fed, "sent CONF:FRES\\n\nsent READ?\\n\nr 17.2 digit=0.1\n");
    fed_free(fed);
}

static void named_commands(void **state)
{
    struct fed *fed = fed_new(HEAD "errors = no\nidentity_query =\ncommand = beep: SYST:BEEP\n"
                                   "[channel m.r]\nquantity = resistance\nquery = READ?\n");
    struct driver_command command = {.kind = DRIVER_SWITCH, .text = "beep"};
    struct status st;

    (void)state;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_OK);
    answer(fed, "17\n");
    fed_expect(fed, "sent SYST:BEEP\\n\nsent READ?\\n\nr 17 digit=1\n");
    command.kind = DRIVER_CAPTURE;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_INPUT);
    fed_free(fed);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(conversation),
        cmocka_unit_test(configuration),
        cmocka_unit_test(fields),
        cmocka_unit_test(overload),
        cmocka_unit_test(decimal_comma),
        cmocka_unit_test(manners),
        cmocka_unit_test(unit_texts),
        cmocka_unit_test(crowded),
        cmocka_unit_test(own_pattern),
        cmocka_unit_test(cut_number),
        cmocka_unit_test(unit_field),
        cmocka_unit_test(status_field),
        cmocka_unit_test(acknowledged),
        cmocka_unit_test(error_queue),
        cmocka_unit_test(error_queue_endless),
        cmocka_unit_test(refused_function),
        cmocka_unit_test(refused_detail),
        cmocka_unit_test(refused_own),
        cmocka_unit_test(reason),
        cmocka_unit_test(error_queue_unknown),
        cmocka_unit_test(late_answer),
        cmocka_unit_test(no_identity),
        cmocka_unit_test(selection),
        cmocka_unit_test(named_commands),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
