/* The lines driver as a pure function over bytes. */
#include "tests/acquire/harness.h"

#define HEAD "[instrument x]\ndriver = lines\nport = /dev/null\n"

static const char board[] =
    HEAD "checksum = xor8\n"
         "pattern = ^V=(?<voltage>[-+0-9.]+),I=(?<current>[-+0-9.]+) (?<current_unit>m?A)"
         "(?:,N=(?<sequence>\\d+))?$\n"
         "ignore_pattern = ^#\n"
         "identity_pattern = ^I am (?<identity>.+)$\n"
         "[channel x.voltage]\nquantity = voltage\n"
         "[channel x.current]\nquantity = current\nunit = mA\n";

/* The exclusive or that ends a line, worked by the rule itself, not by the module. */
static void with_sum(char *out, size_t size, const char *body)
{
    unsigned sum = 0;

    for (const char *at = body; *at; ++at)
        sum ^= (unsigned char)*at;
    snprintf(out, size, "%s*%02X\r\n", body, sum);
}

static void say_summed(struct fed *fed, const char *body)
{
    char line[200];

    with_sum(line, sizeof line, body);
    fed_text(fed, line);
}

static void several_quantities(void **state)
{
    struct fed *fed = fed_new(board);

    (void)state;
    say_summed(fed, "V=1.5021,I=88.25 mA");
    fed_expect(fed, "voltage 1.5021 digit=0.0001\ncurrent 88.25 mA digit=0.01\n");
    say_summed(fed, "V=-1.5021,I=0.088 A");
    fed_expect(fed, "voltage -1.5021 digit=0.0001\ncurrent 0.088 A digit=0.001\n");
    fed_free(fed);
}

/* Whatever way the bytes are cut by reads, the same comes out. */
static void any_chunks(void **state)
{
    char stream[400] = "";
    char line[100];

    (void)state;
    for (int i = 0; i < 4; ++i) {
        char body[64];

        snprintf(body, sizeof body, "V=%d.25,I=1.0 mA,N=%d", i, i);
        with_sum(line, sizeof line, body);
        strcat(stream, line);
    }
    for (size_t chunk = 0; chunk < 40; ++chunk) {
        struct fed *fed = fed_new(board);

        fed_bytes(fed, stream, strlen(stream), chunk);
        fed_expect(fed, "voltage 0.25 digit=0.01\ncurrent 1 mA digit=0.1\n"
                        "voltage 1.25 digit=0.01\ncurrent 1 mA digit=0.1\n"
                        "voltage 2.25 digit=0.01\ncurrent 1 mA digit=0.1\n"
                        "voltage 3.25 digit=0.01\ncurrent 1 mA digit=0.1\n");
        fed_free(fed);
    }
}

static void wrong_sums(void **state)
{
    struct fed *fed = fed_new(board);

    (void)state;
    /* Before the first good line it is a banner or the tail of a line. */
    fed_text(fed, "V=1.5,I=2.0 mA*00\r\n");
    fed_expect(fed, "");
    say_summed(fed, "V=1.5,I=2.0 mA");
    fed_expect(fed, "voltage 1.5 digit=0.1\ncurrent 2 mA digit=0.1\n");
    /* One bit turned over: never a reading, and the next one says that something was lost. */
    fed_text(fed, "V=1.7,I=2.0 mA*00\r\n");
    fed_expect(fed, "event checksum: a line with a wrong checksum was left out\ngarbage\n");
    say_summed(fed, "V=1.5,I=2.0 mA");
    fed_expect(fed, "voltage 1.5 digit=0.1 lost before\ncurrent 2 mA digit=0.1 lost before\n");
    fed_text(fed, "V=1.5,I=2.0 mA\r\n");     /* no sum at all */
    fed_text(fed, "V=1.5,I=2.0 mA*\r\n");    /* an empty one */
    fed_text(fed, "V=1.5,I=2.0 mA*7\r\n");   /* a cut one */
    fed_text(fed, "V=1.5,I=2.0 mA*123\r\n"); /* too long a one */
    fed_text(fed, "V=1.5,I=2.0 mA*zz\r\n");
    assert_null(strstr(fed->out.bytes, "voltage"));
    fed_free(fed);
}

/* Every single-bit fault of a line: either nothing comes out, or what was sent. An exclusive or
 * finds all single-bit faults of the covered bytes. */
static void every_bit(void **state)
{
    char line[100];

    (void)state;
    with_sum(line, sizeof line, "V=1.5021,I=88.25 mA");
    for (size_t bit = 0; bit < 8 * (strlen(line) - 2); ++bit) {
        struct fed *fed = fed_new(board);
        char damaged[100];

        memcpy(damaged, line, sizeof damaged);
        damaged[bit / 8] = (char)(damaged[bit / 8] ^ (1 << bit % 8));
        say_summed(fed, "V=1,I=1 A");
        fed_expect(fed, "voltage 1 digit=1\ncurrent 1 A digit=1\n");
        fed_text(fed, damaged);
        if (strstr(fed->out.bytes, "voltage") && !strstr(fed->out.bytes, "voltage 1.5021 "))
            fail_msg("bit %zu: %s", bit, fed->out.bytes);
        fed_free(fed);
    }
}

static void lost_lines(void **state)
{
    struct fed *fed = fed_new(board);

    (void)state;
    say_summed(fed, "V=1,I=1 A,N=41");
    say_summed(fed, "V=1,I=1 A,N=42");
    say_summed(fed, "V=1,I=1 A,N=46");
    fed_expect(fed, "voltage 1 digit=1\ncurrent 1 A digit=1\n"
                    "voltage 1 digit=1\ncurrent 1 A digit=1\n"
                    "event lost: 3 lines were lost before line 46\n"
                    "voltage 1 digit=1 lost before\ncurrent 1 A digit=1 lost before\n");
    say_summed(fed, "V=1,I=1 A,N=0");
    fed_expect(fed, "event restart: the line count went from 46 to 0: the instrument started "
                    "again\nvoltage 1 digit=1 lost before\ncurrent 1 A digit=1 lost before\n");
    fed_free(fed);
}

static void sequence_wraps(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<sequence>\\d+) (?<v>[0-9.]+)$\n"
                                   "sequence_modulo = 256\n"
                                   "[channel x.v]\nquantity = voltage\n");

    (void)state;
    fed_text(fed, "254 1\n255 2\n0 3\n1 4\n4 5\n");
    fed_expect(fed, "v 1 digit=1\nv 2 digit=1\nv 3 digit=1\nv 4 digit=1\n"
                    "event lost: 2 lines were lost before line 4\nv 5 digit=1 lost before\n");
    fed_free(fed);
}

/* A scale: sign and digits apart, stable and unstable, overload without digits. */
static void scale(void **state)
{
    struct fed *fed = fed_new(
        HEAD "pattern = ^(?:(?<stable>ST)|US),[A-Z]+,(?<load>[-+ ]*[0-9.,]+) ?(?<unit>kg|g|lb)$\n"
             "overload_pattern = ^OL\n"
             "[channel x.load]\nquantity = mass\nunit = kg\n");

    (void)state;
    fed_text(fed, "ST,GS,+  0.123kg\r\n");
    fed_text(fed, "US,GS,-  1.230kg\r\n");
    fed_text(fed, "ST,NT,+   250  g\r\n");
    fed_text(fed, "ST,NT,+   250 g\r\n");
    fed_text(fed, "ST,GS,+  1,230kg\r\n");
    fed_text(fed, "OL,GS,+         kg\r\n");
    fed_expect(fed, "load 0.123 kg digit=0.001\n"
                    "load -1.23 kg digit=0.001 unstable\n"
                    "garbage\n"
                    "load 250 g digit=1 lost before\n"
                    "load 1.23 kg digit=0.001\n"
                    "load unknown overload\n");
    fed_free(fed);
}

static void overloads(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<r>.*?) *(?<unit>[km]?ohm)$\n"
                                   "overload_text = OL\noverload_text = 0.L\n"
                                   "[channel x.r]\nquantity = resistance\noverload_from = 1e6\n");

    (void)state;
    fed_text(fed, "12.5 ohm\n  OL   ohm\n0.L ohm\n1000001 ohm\n-- ohm\n");
    fed_expect(fed, "r 12.5 ohm digit=0.1\nr unknown ohm overload\nr unknown ohm overload\n"
                    "r unknown ohm digit=1 overload\nr unknown ohm suspect\n");
    fed_free(fed);
}

static void columns(void **state)
{
    struct fed *fed =
        fed_new(HEAD "separator = semicolon\n"
                     "[channel x.t]\nquantity = temperature\nunit = degC\ncolumn = 2\n"
                     "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
                     "[channel x.lowest]\nquantity = voltage\ncolumn = 3\n"
                     "kind = minimum\n");

    (void)state;
    fed_text(fed, "voltage;temperature;lowest\n"); /* a heading is no reading */
    fed_text(fed, "1,502;20.5;1.401 V\n");
    fed_text(fed, "1,502;20.5\n"); /* half a line */
    fed_expect(fed, "garbage\n"
                    "t 20.5 digit=0.1\nv 1.502 digit=0.001\nlowest 1.401 V digit=0.001 minimum\n"
                    "garbage\n");
    fed_free(fed);
}

static void spaces_part_columns(void **state)
{
    struct fed *fed = fed_new(HEAD "separator = space\n"
                                   "[channel x.v]\nquantity = voltage\ncolumn = 3\n");

    (void)state;
    fed_text(fed, "a   b\t 4.5  c\n");
    fed_expect(fed, "v 4.5 digit=0.1\n");
    fed_free(fed);
}

static void line_ends(void **state)
{
    static const char *const ends[] = {"\n", "\r", "\r\n", "\n\r", "\r\n\r\n"};

    (void)state;
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; ++i) {
        struct fed *fed = fed_new(HEAD "pattern = ^(?<v>[0-9.]+)$\n"
                                       "[channel x.v]\nquantity = voltage\n");
        char stream[64];

        snprintf(stream, sizeof stream, "1.5%s2.5%s3", ends[i], ends[i]);
        fed_text(fed, stream);
        fed_expect(fed, "v 1.5 digit=0.1\nv 2.5 digit=0.1\n");
        assert_int_equal(fed->in_length, 1);
        fed_free(fed);
    }
}

static void own_ends(void **state)
{
    struct fed *fed = fed_new(HEAD "terminator = \\x03\npattern = ^\\x02(?<v>[0-9.]+)$\n"
                                   "[channel x.v]\nquantity = voltage\n");

    (void)state;
    fed_text(fed, "\x02"
                  "1.5\x03\x02"
                  "2.5\x03");
    fed_expect(fed, "v 1.5 digit=0.1\nv 2.5 digit=0.1\n");
    fed_free(fed);
    fed = fed_new(HEAD "terminator = quiet\npattern = ^(?<v>[0-9.]+)$\n"
                       "[channel x.v]\nquantity = voltage\n");
    fed_text(fed, "1.5");
    fed_expect(fed, "");
    fed_take(fed, 60000);
    fed_expect(fed, "v 1.5 digit=0.1\n");
    fed_free(fed);
}

static void banners_and_garbage(void **state)
{
    struct fed *fed = fed_new(board);

    (void)state;
    fed_text(fed, "# started\r\nI am signal-board 3\r\n");
    say_summed(fed, "V=1,I=1 A");
    fed_text(fed, "# started\r\n");
    fed_expect(fed, "identity signal-board 3\nvoltage 1 digit=1\ncurrent 1 A digit=1\n");
    fed_bytes(fed, "\xff\xfe\x00\x80zz\r\n", 8, 0);
    fed_expect(fed, "event checksum: a line with a wrong checksum was left out\ngarbage\n");
    fed_free(fed);
}

static void polled(void **state)
{
    struct fed *fed = fed_new(HEAD "request = ?\\r\ninterval = 2 s\n"
                                   "pattern = ^(?<v>[0-9.]+)$\n"
                                   "[channel x.v]\nquantity = voltage\n");

    (void)state;
    fed_talk(fed);
    fed_expect(fed, "sent ?\\r\n");
    fed_text(fed, "1.5\r");
    assert_false(fed->waiting);
    fed_talk(fed);
    fed_expect(fed, "v 1.5 digit=0.1\n"); /* not before its time */
    fed->now.mono += 2000000;
    fed_talk(fed);
    fed_expect(fed, "sent ?\\r\n");
    fed_expire(fed);
    fed->now.mono += 2000000;
    fed_talk(fed);
    fed_expect(fed, "expired\nsent ?\\r\n");
    fed_free(fed);
}

/* Several requests are sent in turn; what answers which is told by the patterns. */
static void polled_in_turn(void **state)
{
    struct fed *fed = fed_new(HEAD "request = V?\\n\nrequest = I?\\n\n"
                                   "pattern = ^V(?<v>[0-9.]+)$\npattern = ^I(?<i>[0-9.]+)$\n"
                                   "[channel x.v]\nquantity = voltage\n"
                                   "[channel x.i]\nquantity = current\n");

    (void)state;
    fed_talk(fed);
    fed_text(fed, "V1.5\n");
    fed_talk(fed);
    fed_text(fed, "I0.5\n");
    fed_talk(fed);
    fed_expect(fed, "sent V?\\n\nv 1.5 digit=0.1\nsent I?\\n\ni 0.5 digit=0.1\n");
    fed->now.mono += 1000000;
    fed_talk(fed);
    fed_expire(fed);
    fed_talk(fed);
    fed_expect(fed, "sent V?\\n\nexpired\nsent I?\\n\n");
    fed_free(fed);
}

/* A lost comma moves the columns behind it: the line is left out, not read wrongly. */
static void lost_separator(void **state)
{
    struct fed *fed = fed_new(HEAD "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
                                   "[channel x.i]\nquantity = current\ncolumn = 2\n");

    (void)state;
    fed_text(fed, "1.501,0.5,20\n1.5020.6,20\n1.503,0.7,20\n");
    fed_expect(fed, "v 1.501 digit=0.001\ni 0.5 digit=0.1\ngarbage\n"
                    "v 1.503 digit=0.001 lost before\ni 0.7 digit=0.1 lost before\n");
    /* A board that sends one more column from now on. */
    fed_text(fed, "1.504,0.8,20,1\n1.505,0.9,20,1\n");
    fed_expect(fed, "garbage\nv 1.505 digit=0.001 lost before\ni 0.9 digit=0.1 lost before\n");
    fed_free(fed);
    /* The very first line is the damaged one. */
    fed = fed_new(HEAD "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
                       "[channel x.i]\nquantity = current\ncolumn = 2\n");
    fed_text(fed, "1.5020.6.1,20\n1.503,0.7,20\n1.504,0.7,20\n");
    assert_null(strstr(fed->out.bytes, "i 20"));
    assert_non_null(strstr(fed->out.bytes, "v 1.504 "));
    fed_free(fed);
}

/* One bad field does not take the others with it. */
static void bad_fields(void **state)
{
    struct fed *fed = fed_new(HEAD "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
                                   "[channel x.i]\nquantity = current\ncolumn = 2\n");

    (void)state;
    fed_text(fed, "v,i\n1.5,0.5\nERR,0.6\nnan,0.7\n,0.8\nOL,0.9\n1.501.5,1.0\n");
    fed_expect(fed, "garbage\nv 1.5 digit=0.1\ni 0.5 digit=0.1\n"
                    "event number: v: 'ERR' is no number; the reading has no value\n"
                    "v unknown suspect\ni 0.6 digit=0.1\n"
                    "v unknown suspect\ni 0.7 digit=0.1\n"
                    "i 0.8 digit=0.1\n"
                    "v unknown overload\ni 0.9 digit=0.1\n"
                    "event number: v: '1.501.5' is no number; the reading has no value\n"
                    "v unknown suspect\ni 1 digit=0.1\n");
    fed_free(fed);
}

/* Parted thousands must not become a thousandth. */
static void parted_thousands(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<m>[0-9.,]+) *(?<unit>g)$\n"
                                   "[channel x.m]\nquantity = mass\nunit = g\n");

    (void)state;
    fed_text(fed, "1,234.5 g\n1.234,5 g\n1,5 g\n");
    fed_expect(fed, "event number: m: '1,234.5' is no number; the reading has no value\n"
                    "m unknown g suspect\n"
                    "event number: m: '1.234,5' is no number; the reading has no value\n"
                    "m unknown g suspect\nm 1.5 g digit=0.1\n");
    fed_free(fed);
}

/* 16 oz to the lb: NIST Handbook 44, appendix C. */
static void pounds_and_ounces(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<m>[-+ ]*\\d+) lb +(?<m_oz>[0-9.]+) oz$\n"
                                   "[channel x.m]\nquantity = mass\nunit = kg\n");

    (void)state;
    fed_text(fed, " 2 lb  4.0 oz\n-1 lb 8 oz\n-0 lb 4 oz\n");
    fed_expect(fed, "m 2.25 lb digit=0.00625\nm -1.5 lb digit=0.0625\nm -0.25 lb digit=0.0625\n");
    fed_free(fed);
}

static void hexadecimal(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<a>\\w+) (?<b>\\w+)$\n"
                                   "[channel x.a]\nquantity = voltage\nform = hex\n"
                                   "[channel x.b]\nquantity = voltage\nform = signed-hex\n");

    (void)state;
    fed_text(fed, "12E4 FFFE\n0x00ff 7FFF\nxyz 0\n");
    fed_expect(fed, "a 4836 digit=1\nb -2 digit=1\na 255 digit=1\nb 32767 digit=1\n"
                    "event number: a: 'xyz' is no number; the reading has no value\n"
                    "a unknown suspect\nb 0 digit=1\n");
    fed_free(fed);
}

/* The block check character of many scales: the exclusive or of what follows STX, up to ETX and
 * with it, as a byte (common practice, after ANSI X3.28; no source). It may be any byte. */
static void block_check(void **state)
{
    struct fed *fed = fed_new(HEAD "checksum = xor8\nchecksum_start = \\x02\n"
                                   "checksum_mark = \\x03\nchecksum_marks = end\n"
                                   "checksum_form = raw\npattern = ^\\x02(?<m>[0-9.]+) kg$\n"
                                   "[channel x.m]\nquantity = mass\nunit = kg\n");
    bool seen[256] = {false};

    (void)state;
    for (int i = 0; i < 2000; ++i) {
        char line[40];
        unsigned char sum = 0;
        size_t length =
            (size_t)snprintf(line, sizeof line, "\x02%d.%02d kg\x03", 10 + i, i * 7 % 100);

        for (size_t k = 1; k < length; ++k)
            sum ^= (unsigned char)line[k];
        seen[sum] = true;
        line[length] = (char)sum;
        fed->out.length = 0;
        fed_bytes(fed, line, length + 1, (size_t)i % 4);
        if (!strstr(fed->out.bytes, "m "))
            fail_msg("%s (sum %02x): %s", line, sum, fed->out.bytes);
        line[2] ^= 1;
        fed->out.length = 0;
        fed_bytes(fed, line, length + 1, 0);
        assert_null(strstr(fed->out.bytes, "m 1"));
        assert_non_null(strstr(fed->out.bytes, "event checksum"));
    }
    assert_true(seen['\r'] || seen['\n']); /* sums that look like a line end were among them */
    fed_free(fed);
}

/* A sum without a mark, as the line's last digits; and one over the marks as well. */
static void bare_sums(void **state)
{
    struct fed *fed = fed_new(HEAD "checksum = sum8\nchecksum_mark = none\n"
                                   "pattern = ^(?<m>[0-9.]+) g$\n"
                                   "[channel x.m]\nquantity = mass\nunit = g\n");

    (void)state;
    /* 31 + 32 + 2E + 35 + 20 + 67 hexadecimal is 14D */
    fed_text(fed, "12.5 g4D\r\n12.5 g4E\r\nD\r\n12.5 g4d\r\n");
    fed_expect(fed, "m 12.5 digit=0.1\nevent checksum: a line with a wrong checksum was left out\n"
                    "garbage\nevent checksum: a line with a wrong checksum was left out\ngarbage\n"
                    "m 12.5 digit=0.1 lost before\n");
    fed_free(fed);
    fed = fed_new(HEAD "checksum = sum8\nchecksum_form = decimal\nchecksum_start = <\n"
                       "checksum_mark = >\nchecksum_marks = both\npattern = ^<(?<m>[0-9.]+)$\n"
                       "[channel x.m]\nquantity = mass\nunit = g\n");
    /* 60 + 53 + 62 = 175 */
    fed_text(fed, "<5>175\n<5>113\n");
    assert_non_null(strstr(fed->out.bytes, "m 5 digit=1\nevent checksum"));
    fed_free(fed);
}

static const char capturing[] =
    HEAD "pattern = ^V=(?<v>[0-9.]+)$\n"
         "checksum = none\n"
         "capture_request = C {channel} {rate} {samples}\\n\n"
         "capture_begin = ^BEGIN (?<rate>[0-9.]+) (?<samples>\\d+)$\n"
         "capture_sample = ^D (?<index>\\d+):(?<values>[-0-9., ]+)$\n"
         "capture_end = ^END (?<samples>\\d+)$\n"
         "[channel x.v]\nquantity = voltage\ncapture_scale = 0.001\ncapture_name = 2\n";

static void start_capture(struct fed *fed, size_t samples)
{
    const struct driver_command command = {
        .kind = DRIVER_CAPTURE, .channel = 0, .rate = 5000, .samples = samples};
    struct status st;

    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_OK);
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_BUSY);
    fed_talk(fed);
}

static void text_capture(void **state)
{
    struct fed *fed = fed_new(capturing);

    (void)state;
    start_capture(fed, 8);
    fed_expect(fed, "sent C 2 5000 8\\n\n");
    fed_text(fed, "V=1.5\nBEGIN 4800 8\nD 0:10,20,30,40\nV=1.6\nD 4:50 60 70 80\nEND 8\n");
    fed_expect(fed, "v 1.5 digit=0.1\nv 1.6 digit=0.1\n"
                    "capture v rate=4800 n=8 lost=0: 0.01 0.02 0.03 0.04 0.05 0.06 0.07 0.08\n");
    assert_false(fed->waiting);
    /* A line of the block is missing: its samples are unknown, the others keep their places. */
    start_capture(fed, 6);
    fed_text(fed, "BEGIN 5000 6\nD 0:10,20\nD 4:50,60\nEND 6\n");
    assert_non_null(strstr(
        fed->out.bytes, "capture v rate=5000 n=6 lost=2 lost before: 0.01 0.02 ? ? 0.05 0.06\n"));
    fed->out.length = 0;
    /* Cut short: what is missing at the end is missing. */
    start_capture(fed, 4);
    fed_text(fed, "BEGIN 5000 4\nD 0:10,20\nEND 4\n");
    assert_non_null(strstr(fed->out.bytes, "n=4 lost=2 lost before: 0.01 0.02 ? ?\n"));
    fed->out.length = 0;
    /* Never ended. */
    start_capture(fed, 4);
    fed_text(fed, "BEGIN 5000 4\nD 0:10,20\n");
    fed_expire(fed);
    assert_non_null(strstr(fed->out.bytes, "capture failed: the block did not come to its end in "
                                           "time: 2 of 4 samples\n"));
    fed->out.length = 0;
    start_capture(fed, 4);
    fed_text(fed, "BEGIN 5000 4\nEND 4\n");
    assert_non_null(strstr(fed->out.bytes, "capture failed: the block held no samples\n"));
    fed_free(fed);
}

/* A damaged number is one unknown sample, not two; lines that contradict each other make the block
 * doubtful. */
static void damaged_capture(void **state)
{
    struct fed *fed = fed_new(capturing);

    (void)state;
    start_capture(fed, 4);
    fed_text(fed, "BEGIN 5000 4\nD 0:10,2.0.5\nD 2:- 30,40\nEND 4\n");
    assert_non_null(
        strstr(fed->out.bytes, "capture v rate=5000 n=4 lost=1 lost before: 0.01 ? -0.03 0.04\n"));
    fed->out.length = 0;
    start_capture(fed, 4);
    fed_text(fed, "BEGIN 5000 4\nD 0:10,2 0\nD 2:30,40\nEND 4\n");
    assert_non_null(strstr(fed->out.bytes, "suspect"));
    fed_free(fed);
}

/* A rate in kilohertz, a sample without its fraction or sign: no block is better than a wrong one.
 */
static void misread_capture(void **state)
{
    static const struct {
        const char *begin, *sample;
        bool good;
    } cases[] = {
        {"BEGIN 5000", "1 2 3 4", true},     {"BEGIN 5000 S/s", "1 2 3 4", true},
        {"BEGIN 5 kHz", "1 2 3 4", false},   {"BEGIN 5kS/s", "1 2 3 4", false},
        {"BEGIN 200 us", "1 2 3 4", false},  {"BEGIN 5k", "1 2 3 4", false},
        {"BEGIN 5e3", "1 2 3 4", true},      {"BEGIN 5,000", "1 2 3 4", false},
        {"BEGIN 5000", "1 2 3 4.5", false},  {"BEGIN 5000", "-1 2 3 4", false},
        {"BEGIN 5000", "1 2 3 4e-3", false},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct fed *fed = fed_new(HEAD "pattern = ^V=(?<v>[0-9.]+)$\ncapture_request = C\\n\n"
                                       "capture_begin = ^BEGIN (?<rate>[0-9.e,k]+)\n"
                                       "capture_sample = ^D-?(?<values>[0-9 ]+)\n"
                                       "capture_end = ^END$\n[channel x.v]\nquantity = voltage\n");
        struct text lines = {0};

        start_capture(fed, 4);
        text_add(&lines, "%s\nD%s\nEND\n", cases[i].begin, cases[i].sample);
        fed_text(fed, lines.bytes);
        if ((strstr(fed->out.bytes, "capture v rate=5000 n=4 lost=0") != NULL) != cases[i].good ||
            (strstr(fed->out.bytes, "capture failed: ") != NULL) == cases[i].good)
            fail_msg("%s, %s: %s", cases[i].begin, cases[i].sample, fed->out.bytes);
        text_free(&lines);
        fed_free(fed);
    }
}

static void unnumbered_capture(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^V=(?<v>[0-9.]+)$\n"
                                   "capture_request = C\\n\n"
                                   "capture_sample = ^(?<values>[-0-9.]+)$\ncapture_end = ^END$\n"
                                   "[channel x.v]\nquantity = voltage\n");

    (void)state;
    start_capture(fed, 4);
    fed_text(fed, "1\n2\n4\nEND\n");
    fed_expect(fed, "sent C\\n\ncapture v rate=5000 n=4 lost=1 lost before suspect: 1 2 4 ?\n");
    fed_free(fed);
}

/* IEEE 488.2 definite length arbitrary block: '#', digits of the length, length, bytes. */
static void block_capture(void **state)
{
    static const char bench[] =
        HEAD "pattern = ^V=(?<v>[0-9.]+)$\n"
             "capture_request = C\\n\ncapture_form = block\ncapture_word = i16le\n"
             "[channel x.v]\nquantity = voltage\n";
    static const unsigned char block[] = {'#',  '1',  '8',  1,    0,    0xff,
                                          0xff, '\n', '\r', 0x10, 0x27, '\n'};

    (void)state;
    for (size_t chunk = 0; chunk < 12; ++chunk) {
        struct fed *fed = fed_new(bench);

        start_capture(fed, 4);
        fed_bytes(fed, "V=1\r\n", 5, chunk);
        fed_bytes(fed, block, sizeof block, chunk);
        fed_bytes(fed, "V=2\r\n", 5, chunk);
        fed_expect(fed, "sent C\\n\nv 1 digit=1\n"
                        "capture v rate=5000 n=4 lost=0: 1 -1 3338 10000\nv 2 digit=1\n");
        fed_free(fed);
    }
}

static void bare_capture(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^V=(?<v>[0-9.]+)$\n"
                                   "capture_request = C\\n\ncapture_form = bare\n"
                                   "capture_begin = ^GO$\ncapture_word = u8\n"
                                   "[channel x.v]\nquantity = voltage\n");

    (void)state;
    start_capture(fed, 3);
    fed_bytes(fed, "GO\n\x01\xff\x0aV=1\n", 10, 1);
    fed_expect(fed, "sent C\\n\ncapture v rate=5000 n=3 lost=0: 1 255 10\nv 1 digit=1\n");
    fed_free(fed);
}

/* A pattern made to run for ever stops at the limit of steps. */
static void costly_pattern(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(a+)+(?<v>[0-9]+)$\n"
                                   "[channel x.v]\nquantity = voltage\n");
    int64_t start = clock_us();

    (void)state;
    for (int i = 0; i < 20; ++i)
        fed_text(fed, "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa!\n");
    assert_non_null(strstr(fed->out.bytes, "garbage"));
    assert_true(clock_us() - start < 5000000);
    fed_free(fed);
}

static void commands(void **state)
{
    struct fed *fed = fed_new(HEAD "pattern = ^(?<v>[0-9.]+)$\n"
                                   "command = coil-on: COIL 1\\n\ncommand = coil-off: COIL 0\\n\n"
                                   "[channel x.v]\nquantity = voltage\n");
    struct driver_command command = {.kind = DRIVER_SWITCH, .text = "coil-on"};
    struct status st;

    (void)state;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_OK);
    fed_talk(fed);
    fed_expect(fed, "sent COIL 1\\n\n");
    command.text = "coil-o";
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_NOT_FOUND);
    assert_non_null(strstr(st.text, "coil-o"));
    command.kind = DRIVER_SELECT;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_INPUT);
    command.kind = DRIVER_CAPTURE;
    assert_int_equal(fed->driver->command(fed->state, &command, &st), STATUS_INPUT);
    fed_free(fed);
}

/* A pattern that takes a part of a number only must not make another number of it; what stands
 * beside a number for another reason is told by a group. */
static void cut_numbers(void **state)
{
    static const struct {
        const char *keys, *line;
        const char *expected; /* the value, or NULL: there is none, and an event says why */
    } cases[] = {
        {"pattern = V=(?<v>[0-9]+)\n", "V=12", "12"},
        {"pattern = V=(?<v>[0-9]+)\n", "V=12.5", NULL},
        {"pattern = V=(?<v>[0-9]+)\n", "V=12,5", NULL},
        {"pattern = V=(?<v>[0-9]+)\ndecimal = point\n", "V=12,5", "12"},
        {"pattern = V=(?<v>[0-9.]+)\n", "V=1.25E-3", NULL},
        {"pattern = V=(?<v>[0-9.]+).*\n", "V=1.25e3", NULL},
        {"pattern = V=(?<v>[0-9.]+)(?<other>E)\n", "V=1.25E", "1.25"},
        {"pattern = V=(?<v>[0-9.]{4})\n", "V=12.34567", NULL},
        {"pattern = V=.*(?<v>[0-9]+[.][0-9]+)\n", "V=12.5", NULL},
        {"pattern = (?<v>[0-9]+)$\n", "V=12.5", NULL},
        {"pattern = V=-?(?<v>[0-9.]+)\n", "V=-12.5", NULL},
        {"pattern = V=-?(?<v>[0-9.]+)\n", "V=12.5", "12.5"},
        {"pattern = V=[-+] *(?<v>[0-9.]+)\n", "V=-  12.5", NULL},
        {"pattern = V=[-+],(?<v>[ 0-9.]+)\n", "V=-,  12.5", NULL},
        {"pattern = V=\xe2\x88\x92(?<v>[0-9.]+)\n",
         "V=\xe2\x88\x92"
         "12.5",
         NULL},
        {"pattern = V=(?<v>[-+ ]*[0-9.]+)\n", "V=-  12.5", "-12.5"},
        /* no signs, no parts of it */
        {"pattern = [-0-9]+ (?<v>[0-9.]+)$\n", "2026-11-25 12.5", "12.5"},
        {"pattern = ^[0-9]+-(?<v>[0-9.]+)$\n", "1-12.5", "12.5"},
        {"pattern = ^--,(?<v>[0-9.]+)$\n", "--,12.5", "12.5"},
        {"pattern = ^(?<other>[0-9]{2})(?<v>[0-9]{4})$\n", "011234", "1234"},
        {"pattern = ^[0-9]{2}(?<v>[0-9]{4})$\n", "011234", NULL},
        {"pattern = ^(?<other>-),(?<v>[0-9.]+)$\n", "-,12.5", "12.5"},
        {"pattern = ^(?<v>[0-9]+)(?<other2>[.][0-9]+)$\n", "12.5", "12"},
        {"pattern = ^(?<v>[0-9.]+),[0-9.]+$\n", "12.5,13.5", "12.5"},
        /* the sign apart, told */
        {"pattern = ^(?:(?<v_minus>-)|[+]),(?<v>[ 0-9.]+)$\n", "-,  12.5", "-12.5"},
        {"pattern = ^(?:(?<v_minus>-)|[+]),(?<v>[ 0-9.]+)$\n", "+,  12.5", "12.5"},
        {"pattern = ^(?<v_minus>[- ]) *(?<v>[0-9.]+)$\n", "   12.5", "12.5"},
        {"pattern = ^(?<v_minus>[- ]) *(?<v>[0-9.]+)$\n", "-  12.5", "-12.5"},
        {"pattern = ^(?<v>[0-9.]+)(?<v_minus>-?)$\n", "12.5-", "-12.5"},
        {"pattern = ^(?:P|(?<v_minus>N))(?<v>[-0-9.]+)$\n", "N12.5", "-12.5"},
        {"pattern = ^(?:P|(?<v_minus>N))(?<v>[-0-9.]+)$\n", "N-12.5", NULL},
        /* parted thousands, and units in the place of the point */
        {"pattern = (?<v>[0-9.]+) ?(?<unit>[A-Za-z]*)\n", "1'234.5 V", NULL},
        {"pattern = (?<v>[0-9.]+) ?(?<unit>[A-Za-z]*)\n", "4V7", NULL},
        {"pattern = (?<v>[0-9.]+) ?(?<unit>[A-Za-z]*)\n", "4.7V", "4.7"},
        {"pattern = ^CH(?<other>[0-9])(?<v>[-+0-9.]+)(?<unit>V)(?<other2>[0-9])$\n", "CH1+4.7V2",
         "4.7"},
        /* the place of the point in a digit of its own */
        {"pattern = ^(?<v>[-+][0-9]{6})(?<v_decimals>[0-9])$\n", "-0125003", "-12.5"},
        {"pattern = ^(?<v>[-+][0-9]{6})(?<v_decimals>[0-9])$\n", "+0000120", "12"},
        {"pattern = ^(?<v>[-+][0-9]{6})(?<v_decimals>.)$\n", "-012500?", NULL},
        {"pattern = ^(?<v>[-+][0-9]{6})[0-9]$\n", "-0125003", NULL},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct text bench = {0};
        struct text line = {0};
        struct fed *fed;
        double value = NAN;
        const char *at;

        text_add(&bench, HEAD "%s[channel x.v]\nquantity = voltage\n", cases[i].keys);
        text_add(&line, "%s\r\n", cases[i].line);
        fed = fed_new(bench.bytes);
        fed_text(fed, line.bytes);
        at = strstr(fed->out.bytes, "v ");
        if (cases[i].expected ? !at || sscanf(at + 2, "%lf", &value) != 1 ||
                                    fabs(value - atof(cases[i].expected)) > 1e-9 ||
                                    strstr(fed->out.bytes, "event")
                              : !strstr(fed->out.bytes, "event number: v: ") ||
                                    !strstr(fed->out.bytes, "\nv unknown"))
            fail_msg("%s on '%s': %s", cases[i].keys, cases[i].line, fed->out.bytes);
        fed_free(fed);
        text_free(&bench);
        text_free(&line);
    }
}

/* A unit behind the number that the pattern takes no notice of: the channel's own is passed over,
 * another one makes it no number of the channel. */
static void units_beside(void **state)
{
    static const struct {
        const char *channel, *line;
        bool value;
    } cases[] = {
        {"quantity = voltage\n", "12.345 V", true},
        {"quantity = voltage\n", "12.345 VDC", true},
        {"quantity = voltage\n", "12.345 VAC", false},
        {"quantity = voltage\n", "12.345 mV", false},
        {"quantity = voltage\n", "12.345mVDC", false},
        {"quantity = voltage\nunit = mV\n", "12.345 mVDC", true},
        {"quantity = voltage\nunit = mV\n", "12.345 MV", true}, /* IEEE 488.2: capitals */
        {"quantity = voltage\nunit = mV\n", "12.345 V", false},
        {"quantity = voltage\n", "1.2345 kOHM", false},
        {"quantity = voltage\n", "3.21 ADC", false},
        {"quantity = voltage\n", "3.21 I=0.5", true},
        {"quantity = voltage\n", "3.21 mA=0.5", true},
        {"quantity = voltage\n", "3.21 stable", true},
        {"quantity = voltage\n", "3.2rst cause", false},
        {"quantity = voltage\n", "3.2 rst cause", true},
        {"quantity = pressure\n", "3.2bar", true},
        {"quantity = voltage\n", "3.21;ok", true},
        {"quantity = resistance\nunit = kohm\n", "4.7 \xce\xa9", false},
        {"quantity = resistance\n", "4.7 \xce\xa9", true},
        {"quantity = current\nshunt = 0.1\n", "4.7 V", true},
        {"quantity = current\nshunt = 0.1\n", "4.7 mV", false},
        {"quantity = mass\nunit = kg\n", "1.872 lb", false},
        {"quantity = mass\nunit = kg\n", "1.872 kg N", true},
        {"quantity = mass\nunit = kg\n", "1.872 ST", true},
        {"quantity = temperature\nunit = degC\n",
         "21.5 \xb0"
         "C",
         true},
        {"quantity = temperature\nunit = degC\n", "71.5 F", false},
        {"quantity = count\n", "12 mA", true},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct text bench = {0};
        struct text line = {0};
        struct fed *fed;
        double value = NAN;
        const char *at;

        text_add(&bench, HEAD "pattern = ^(?<v>[-+ 0-9.]+)\n[channel x.v]\n%s", cases[i].channel);
        text_add(&line, "%s\r\n", cases[i].line);
        fed = fed_new(bench.bytes);
        fed_text(fed, line.bytes);
        at = strstr(fed->out.bytes, "v ");
        if (!at || (sscanf(at + 2, "%lf", &value) == 1) != cases[i].value ||
            (strstr(fed->out.bytes, "behind it") != NULL) == cases[i].value)
            fail_msg("%s on '%s': %s", cases[i].channel, cases[i].line, fed->out.bytes);
        fed_free(fed);
        text_free(&bench);
        text_free(&line);
    }
}

/* A column with the unit: taken when told of, and at least not passed over. */
static void unit_column(void **state)
{
    struct fed *fed = fed_new(HEAD "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
                                   "unit_column = 2\n");

    (void)state;
    fed_text(fed, "12.5,mV\r\n1.5,V\r\n1.5, \r\n");
    fed_expect(fed, "v 12.5 mV digit=0.1\nv 1.5 V digit=0.1\nv 1.5 digit=0.1\n");
    fed_free(fed);
    fed = fed_new(HEAD "[channel x.v]\nquantity = voltage\ncolumn = 1\n");
    fed_text(fed, "1.5,V\r\n12.5,mV\r\n");
    fed_expect(fed,
               "v 1.5 digit=0.1\n"
               "event number: v: '12.5' is no number: 'mV' stands behind it, but the channel's "
               "unit is V; a group, column or field may take the unit; the reading has no value\n"
               "v unknown suspect\n");
    fed_free(fed);
}

/* When no line has a right sum, that is said: the keys describe another one. */
static void sums_never_right(void **state)
{
    struct fed *fed = fed_new(board);

    (void)state;
    for (int i = 0; i < 50; ++i)
        fed_text(fed, "V=1.5,I=2.5 mA*00\r\n");
    fed_expect(fed, "event checksum: none of the first 20 lines has a right checksum, for example "
                    "'V=1.5,I=2.5 mA*00'; see the checksum keys in truewound-bench(5)\n");
    fed_free(fed);
}

/* A sign in a column of its own: told of, or at least not lost. */
static void sign_column(void **state)
{
    struct fed *fed = fed_new(HEAD "[channel x.v]\nquantity = mass\nunit = kg\ncolumn = 3\n"
                                   "sign_column = 2\n");

    (void)state;
    fed_text(fed, "ST,+,  1.872\r\nST,-,  0.455\r\nST, ,  1.000\r\nST,?,  1.000\r\nST,+, -1.0\r\n"
                  "ST,-, -1.0\r\n");
    fed_expect(fed, "v 1.872 digit=0.001\nv -0.455 digit=0.001\nv 1 digit=0.001\n"
                    "event number: v: '  1.000' is no number: its sign is neither + nor -; the "
                    "reading has no value\nv unknown suspect\n"
                    "v -1 digit=0.1\n"
                    "event number: v: ' -1.0' is no number: it has two signs; the reading has no "
                    "value\nv unknown suspect\n");
    fed_free(fed);
    fed = fed_new(HEAD "[channel x.v]\nquantity = mass\nunit = kg\ncolumn = 3\n");
    fed_text(fed, "ST,+,  1.872\r\nST,-,  0.455\r\n");
    fed_expect(fed, "v 1.872 digit=0.001\n"
                    "event number: v: '  0.455' is no number: the column before it is a minus; say "
                    "sign_column in the bench file; the reading has no value\nv unknown suspect\n");
    fed_free(fed);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(several_quantities),
        cmocka_unit_test(any_chunks),
        cmocka_unit_test(wrong_sums),
        cmocka_unit_test(every_bit),
        cmocka_unit_test(lost_lines),
        cmocka_unit_test(sequence_wraps),
        cmocka_unit_test(scale),
        cmocka_unit_test(overloads),
        cmocka_unit_test(columns),
        cmocka_unit_test(cut_numbers),
        cmocka_unit_test(sign_column),
        cmocka_unit_test(sums_never_right),
        cmocka_unit_test(units_beside),
        cmocka_unit_test(unit_column),
        cmocka_unit_test(spaces_part_columns),
        cmocka_unit_test(line_ends),
        cmocka_unit_test(own_ends),
        cmocka_unit_test(banners_and_garbage),
        cmocka_unit_test(polled),
        cmocka_unit_test(polled_in_turn),
        cmocka_unit_test(lost_separator),
        cmocka_unit_test(bad_fields),
        cmocka_unit_test(parted_thousands),
        cmocka_unit_test(pounds_and_ounces),
        cmocka_unit_test(hexadecimal),
        cmocka_unit_test(block_check),
        cmocka_unit_test(bare_sums),
        cmocka_unit_test(text_capture),
        cmocka_unit_test(misread_capture),
        cmocka_unit_test(unnumbered_capture),
        cmocka_unit_test(damaged_capture),
        cmocka_unit_test(block_capture),
        cmocka_unit_test(bare_capture),
        cmocka_unit_test(costly_pattern),
        cmocka_unit_test(commands),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
