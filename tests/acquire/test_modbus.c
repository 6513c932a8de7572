/* The modbus driver against the open standards: MODBUS Application Protocol V1.1b3 and MODBUS over
 * Serial Line V1.02. The frames' layouts are those of the standards' sections named beside them;
 * their sums are checked here by a CRC written from the definition, one bit at a time. */
#include "acquire/checksum.h"
#include "tests/acquire/harness.h"

#define HEAD "[instrument m]\ndriver = modbus\nport = /dev/null\nbaud = 19200\n"
#define VOLT "[channel m.v]\nquantity = voltage\nunit = mV\nregister = 0\ntype = int16\n"

/* CRC by polynomial division: x^16 + x^15 + x^2 + 1, bits in the order of the line (each byte's
 * lowest bit first), register preset to ones; V1.02, 6.2.2. Written without the usual table or the
 * reflected constant, so that it shares nothing with what it checks. */
static unsigned divided(const unsigned char *bytes, size_t length)
{
    unsigned remainder = 0xFFFF;
    unsigned mirrored = 0;

    for (size_t i = 0; i < 8 * length; ++i) {
        unsigned bit = (unsigned)bytes[i / 8] >> i % 8 & 1u;
        unsigned top = remainder >> 15 & 1u;

        remainder = remainder << 1 & 0xFFFF;
        if (top ^ bit)
            remainder ^= 0x8005;
    }
    for (int i = 0; i < 16; ++i)
        mirrored |= (remainder >> i & 1u) << (15 - i);
    return mirrored;
}

/* Bytes of a frame from the text of their hexadecimal digits, with the sum added. */
static size_t framed(unsigned char *frame, const char *hex)
{
    size_t n = 0;
    unsigned crc;

    for (unsigned byte; sscanf(hex, "%2x", &byte) == 1; hex += strspn(hex, " ")) {
        frame[n++] = (unsigned char)byte;
        hex += strcspn(hex, " ");
        if (!*hex)
            break;
    }
    crc = divided(frame, n);
    frame[n++] = (unsigned char)(crc & 0xFF); /* the low byte goes first: V1.02, 2.5.1.2 */
    frame[n++] = (unsigned char)(crc >> 8);
    return n;
}

static void answer(struct fed *fed, const char *hex)
{
    unsigned char frame[300];

    fed_bytes(fed, frame, framed(frame, hex), 0);
}

static void next_cycle(struct fed *fed)
{
    fed->now.mono += 1000000;
    fed_talk(fed);
}

static void sums(void **state)
{
    static const struct {
        const char *bytes;
        size_t length;
        unsigned crc;
        const char *source;
    } known[] = {
        {"123456789", 9, 0x4B37,
         "check value, catalogue of CRC parameters (docs.rs crc-catalog 2.5.0)"},
        {"\x02\x07", 2, 0x1241, "V1.02, 6.2.2, example: from memory"},
        {"\x01\x03\x00\x00\x00\x02", 6, 0x0BC4, "application note of an RS-485 sensor"},
        {"\x11\x03\x00\x6B\x00\x03", 6, 0x8776, "request of V1.1b3, 6.3, sum computed"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof known / sizeof known[0]; ++i) {
        const unsigned char *bytes = (const unsigned char *)known[i].bytes;

        assert_int_equal(divided(bytes, known[i].length), known[i].crc);
        assert_int_equal(checksum_of(CHECKSUM_CRC16_MODBUS, bytes, known[i].length), known[i].crc);
    }
}

/* The worked example of V1.1b3, 6.3: registers 108 to 110 of slave 0x11 hold 022B, 0000, 0064. The
 * values and the count of the bytes are the standard's; the request is the one of the last row
 * above. */
static void example_of_the_standard(void **state)
{
    struct fed *fed =
        fed_new(HEAD "slave = 17\nnumbering = one\n"
                     "[channel m.a]\nquantity = count\nregister = 108\ntype = uint16\n"
                     "[channel m.b]\nquantity = count\nregister = 109\ntype = uint16\n"
                     "[channel m.c]\nquantity = count\nregister = 110\ntype = uint16\n");

    (void)state;
    fed_talk(fed);
    fed_expect(fed, "sent \\x11\\x03\\x00k\\x00\\x03v\\x87\n");
    answer(fed, "11 03 06 02 2B 00 00 00 64");
    fed_expect(fed, "a 555 digit=1\nb 0 digit=1\nc 100 digit=1\n");
    fed_free(fed);
}

/* The examples of V1.1b3, 6.1 (coils 20 to 38: CD 6B 05), 6.2 (inputs 197 to 218: AC DB 35) and
 * 6.4 (input register 9: 000A). */
static void other_tables(void **state)
{
    struct fed *fed =
        fed_new(HEAD "numbering = table\n"
                     "[channel m.c20]\nquantity = count\nregister = 00020\n"
                     "[channel m.c21]\nquantity = count\nregister = 00021\n"
                     "[channel m.c38]\nquantity = count\nregister = 000038\n"
                     "[channel m.d]\nquantity = count\nregister = 10197\n"
                     "[channel m.i]\nquantity = count\nregister = 30009\ntype = uint16\n");

    (void)state;
    fed_talk(fed);
    answer(fed, "01 01 01 01");
    fed_talk(fed);
    answer(fed, "01 01 01 00");
    fed_talk(fed);
    answer(fed, "01 02 01 00");
    fed_talk(fed);
    answer(fed, "01 04 02 00 0A");
    assert_non_null(strstr(fed->out.bytes, "i 10 digit=1\n"));
    fed_free(fed);

    /* All nineteen coils of the example in one request: the gap is allowed. */
    fed = fed_new(HEAD "numbering = table\nmerge_gap = 20\n"
                       "[channel m.c20]\nquantity = count\nregister = 00020\n"
                       "[channel m.c21]\nquantity = count\nregister = 00021\n"
                       "[channel m.c27]\nquantity = count\nregister = 00027\n"
                       "[channel m.c34]\nquantity = count\nregister = 00034\n"
                       "[channel m.c36]\nquantity = count\nregister = 00036\n"
                       "[channel m.c38]\nquantity = count\nregister = 00038\n");
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x01\\x01\\x00\\x13\\x00\\x13", 29);
    fed->out.length = 0;
    answer(fed, "01 01 03 CD 6B 05");
    /* CD: coils 27 to 20 are 1100 1101; 6B: 35 to 28 are 0110 1011; 05: 38 to 36 are 101. */
    fed_expect(fed, "c20 1 digit=1\nc21 0 digit=1\nc27 1 digit=1\nc34 1 digit=1\nc36 1 digit=1\n"
                    "c38 1 digit=1\n");
    fed_free(fed);
}

/* IEEE 754: 1.0f is 3F800000, -0.15625f is BE200000, pi as double 400921FB54442D18. */
static void types(void **state)
{
    struct fed *fed = fed_new(
        HEAD "[channel m.a]\nquantity = count\nregister = 0\ntype = int16\n"
             "[channel m.b]\nquantity = count\nregister = 1\ntype = uint16\n"
             "[channel m.c]\nquantity = count\nregister = 2\ntype = int32\n"
             "[channel m.d]\nquantity = count\nregister = 4\ntype = int32\nwords = low-first\n"
             "[channel m.e]\nquantity = count\nregister = 6\ntype = uint32\n"
             "[channel m.f]\nquantity = count\nregister = 8\ntype = float32\n"
             "[channel m.g]\nquantity = count\nregister = 10\ntype = float32\nwords = low-first\n"
             "[channel m.h]\nquantity = count\nregister = 12\ntype = float64\n"
             "[channel m.i]\nquantity = count\nregister = 16\ntype = float32\nbytes = low-first\n"
             "[channel m.j]\nquantity = count\nregister = 18\ntype = float32\nbytes = low-first\n"
             "words = low-first\n"
             "[channel m.k]\nquantity = count\nregister = 20\ntype = int16\nbytes = low-first\n");

    (void)state;
    fed_talk(fed);
    fed->out.length = 0;
    answer(fed, "01 03 2A FF FE FF FE FF FF FF FE FF FE FF FF FF FF FF FE BE 20 00 00 00 00 BE 20 "
                "40 09 21 FB 54 44 2D 18 20 BE 00 00 00 00 20 BE FE FF");
    fed_expect(fed, "a -2 digit=1\nb 65534 digit=1\nc -2 digit=1\nd -2 digit=1\n"
                    "e 4294967294 digit=1\nf -0.15625\ng -0.15625\nh 3.14159265359\n"
                    "i -0.15625\nj -0.15625\nk -2 digit=1\n");
    fed_free(fed);
}

/* One channel of so many registers, read once: what comes out of these bytes. */
static void read_once(const char *keys, unsigned registers, const char *hex, const char *expected)
{
    struct text bench = {0};
    struct text frame = {0};
    struct fed *fed;

    text_add(&bench, HEAD "[channel m.v]\nquantity = count\nregister = 0\n%s", keys);
    text_add(&frame, "01 03 %02X %s", 2 * registers, hex);
    fed = fed_new(bench.bytes);
    fed_talk(fed);
    fed->out.length = 0;
    fed->out.bytes[0] = '\0';
    answer(fed, frame.bytes);
    if (strcmp(fed->out.bytes, expected) != 0)
        fail_msg("%s%s: '%s', expected '%s'", keys, hex, fed->out.bytes, expected);
    fed_free(fed);
    text_free(&bench);
    text_free(&frame);
}

/* Four registers in all orders, digits instead of binary numbers, signs of their own. The binary
 * ones are those of Python's struct module (pack '>q', '>Q', '>i', '>d' and '>f' of the value
 * beside them); the other forms: common practice, no source. */
static void more_types(void **state)
{
    static const struct {
        const char *keys;
        unsigned registers;
        const char *hex, *expected;
    } cases[] = {
        {"type = int64\n", 4, "FF FF FE E0 8E 04 FB 35", "v -1.23456789012e+12 digit=1\n"},
        {"type = uint64\n", 4, "00 00 08 FB 8F D9 85 EB", "v 9.87654321099e+12 digit=1\n"},
        {"type = uint64\nwords = low-first\n", 4, "85 EB 8F D9 08 FB 00 00",
         "v 9.87654321099e+12 digit=1\n"},
        {"type = uint64\n", 4, "FF FF FF FF FF FF FF FF", "v 1.84467440737e+19 digit=1\n"},
        {"type = float64\n", 4, "40 FE 24 0C 9F BE 76 C9", "v 123456.789\n"},
        {"type = float64\nwords = low-first\n", 4, "76 C9 9F BE 24 0C 40 FE", "v 123456.789\n"},
        {"type = float64\nbytes = low-first\n", 4, "FE 40 0C 24 BE 9F C9 76", "v 123456.789\n"},
        {"type = float64\nwords = low-first\nbytes = low-first\n", 4, "C9 76 BE 9F 0C 24 FE 40",
         "v 123456.789\n"},
        {"type = int32\n", 2, "FF 8B 34 4F", "v -7654321 digit=1\n"},
        {"type = int32\nwords = low-first\n", 2, "34 4F FF 8B", "v -7654321 digit=1\n"},
        {"type = int32\nbytes = low-first\n", 2, "8B FF 4F 34", "v -7654321 digit=1\n"},
        {"type = int32\nwords = low-first\nbytes = low-first\n", 2, "4F 34 8B FF",
         "v -7654321 digit=1\n"},
        {"type = magnitude16\n", 1, "80 05", "v -5 digit=1\n"},
        {"type = magnitude16\n", 1, "7F FF", "v 32767 digit=1\n"},
        {"type = magnitude32\n", 2, "80 00 00 64", "v -100 digit=1\n"},
        {"type = bcd16\n", 1, "98 76", "v 9876 digit=1\n"},
        {"type = bcd32\nwords = low-first\n", 2, "43 21 00 12", "v 124321 digit=1\n"},
        {"type = bcd64\n", 4, "00 00 12 34 56 78 90 12", "v 123456789012 digit=1\n"},
        {"type = bcd16\n", 1, "12 3A",
         "event number: v: the registers hold no decimal digits; the reading has no value\n"
         "v unknown digit=1 suspect\n"},
        {"type = decimal32\n", 2, "00 0C 0D 80", "v 123456 digit=1\n"},
        {"type = decimal32\n", 2, "FF FF FF FE", "v -10002 digit=1\n"},
        {"type = decimal48\nwords = low-first\n", 3, "03 E7 00 02 00 01", "v 100020999 digit=1\n"},
        {"type = decimal64\n", 4, "00 01 00 02 00 03 00 04", "v 1.00020003e+12 digit=1\n"},
        {"type = decimal32\n", 2, "00 05 27 10",
         "event number: v: the registers hold no decimal digits; the reading has no value\n"
         "v unknown digit=1 suspect\n"},
        {"type = decimal32\n", 2, "00 01 FF FF",
         "event number: v: the registers hold no decimal digits; the reading has no value\n"
         "v unknown digit=1 suspect\n"},
        /* bits of a register: 12 of a converter, its sign, one of a pair of bytes */
        {"type = uint16\nbits = 0-11\n", 1, "F2 5A", "v 602 digit=1\n"},
        {"type = int16\nbits = 0-11\n", 1, "0F FE", "v -2 digit=1\n"},
        {"type = uint16\nbits = 15\n", 1, "80 00", "v 1 digit=1\n"},
        {"type = uint16\nbits = 15\n", 1, "7F FF", "v 0 digit=1\n"},
        {"type = int16\nbits = 8-15\n", 1, "FF 12", "v -1 digit=1\n"},
        {"type = uint64\nbits = 63\n", 4, "80 00 00 00 00 00 00 00", "v 1 digit=1\n"},
        {"type = uint16\nbits = 0-11\ninvalid = 0xFFF\n", 1, "AF FF",
         "v unknown digit=1 suspect\n"},
        /* a decimal mark is compared as the type holds it: 9999.9 as '>f' is 461C3F9A */
        {"type = float32\ninvalid = 9999.9\n", 2, "46 1C 3F 9A", "v unknown suspect\n"},
        {"type = int16\noverload_from = 32000\n", 1, "7D 00", "v unknown digit=1 overload\n"},
        {"type = int16\nunderload_from = -32000\n", 1, "83 00", "v unknown digit=1 overload\n"},
        {"type = int64\ninvalid = -9223372036854775808\n", 4, "80 00 00 00 00 00 00 00",
         "v unknown digit=1 suspect\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        read_once(cases[i].keys, cases[i].registers, cases[i].hex, cases[i].expected);
}

/* A second register says where the point is. Powers of ten as in SunSpec's information models
 * (sunssf: value x 10^sf, -32768 for none; from memory); a count of decimals, a factor, a divisor
 * (ratio of a current transformer): common practice, no source. */
static void scaling(void **state)
{
    static const char none[] = "event number: v: the scaling register holds no scale to believe; "
                               "the reading has no value\nv unknown suspect\n";
    static const struct {
        const char *keys;
        unsigned registers;
        const char *hex, *expected;
    } cases[] = {
        {"type = uint16\nscaling_register = 1\n", 2, "09 5D FF FF", "v 239.7 digit=0.1\n"},
        {"type = int16\nscaling_register = 1\n", 2, "FF FE 00 03", "v -2000 digit=1000\n"},
        {"type = uint16\nscaling_register = 3\n", 4, "09 5D AA AA BB BB FF FE",
         "v 23.97 digit=0.01\n"},
        {"type = uint16\nscaling_register = 1\n", 2, "09 5D 80 00", none},
        {"type = uint16\nscaling_register = 1\n", 2, "09 5D 00 15", none},
        {"type = uint16\nscaling_register = 1\ninvalid = 0xFFFF\n", 2, "FF FF FF FF",
         "v unknown suspect\n"},
        {"type = uint32\nscaling_register = 2\nscaling = decimals\nscaling_type = uint16\n", 3,
         "00 01 E2 40 00 03", "v 123.456 digit=0.001\n"},
        {"type = uint16\nscaling_register = 1\nscaling = factor\n", 2, "00 64 00 28",
         "v 4000 digit=40\n"},
        {"type = uint16\nscaling_register = 1\nscaling = factor\n", 2, "00 64 00 00", none},
        {"type = uint16\nscaling_register = 1\nscaling = divisor\n", 2, "00 64 00 08",
         "v 12.5 digit=0.125\n"},
        /* the factor 0.5 as a float with its words the other way round, like the value's */
        {"type = int32\nwords = low-first\nscaling_register = 2\nscaling = factor\n"
         "scaling_type = float32\n",
         4, "00 64 00 00 00 00 3F 00", "v 50 digit=0.5\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        read_once(cases[i].keys, cases[i].registers, cases[i].hex, cases[i].expected);
}

/* A slave with an array of registers, which refuses requests across a hole. */
static void serve(struct fed *fed, const unsigned *held, unsigned hole)
{
    const char *last = NULL;
    unsigned first, count;
    struct text frame = {0};
    unsigned b[6];

    for (const char *at = fed->out.bytes; (at = strstr(at, "sent ")); ++at)
        last = at;
    assert_non_null(last);
    /* the addresses here are below 32, so that each byte is put out as \xHH but for \n and \r */
    last += 5;
    for (size_t i = 0; i < 6; ++i)
        if (sscanf(last, "\\x%2X", &b[i]) == 1) {
            last += 4;
        } else if (strncmp(last, "\\n", 2) == 0 || strncmp(last, "\\r", 2) == 0) {
            b[i] = last[1] == 'n' ? 10 : 13;
            last += 2;
        } else {
            b[i] = (unsigned char)*last++;
        }
    first = b[3];
    count = b[5];
    if (first <= hole && hole < first + count) {
        text_add(&frame, "01 83 02");
    } else {
        text_add(&frame, "01 03 %02X", 2 * count);
        for (unsigned i = 0; i < count; ++i)
            text_add(&frame, " %02X %02X", held[first + i] >> 8, held[first + i] & 0xFF);
    }
    fed->out.length = 0;
    fed->out.bytes[0] = '\0';
    answer(fed, frame.bytes);
    text_free(&frame);
}

/* The scale lies behind registers that the slave does not have: it is read before and after. A
 * scale that moves meanwhile (an instrument that changes its range) gives no reading. */
static void scaling_apart(void **state)
{
    struct fed *fed =
        fed_new(HEAD "[channel m.v]\nquantity = voltage\nregister = 2\ntype = uint16\n"
                     "scaling_register = 6\n");
    unsigned held[16] = {0, 0, 2397, 0, 0, 0, 0xFFFF};

    (void)state;
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x01\\x03\\x00\\x02\\x00\\x05", 29);
    serve(fed, held, 4);
    assert_non_null(strstr(fed->out.bytes, "one by one from now on"));
    for (int i = 0; i < 3; ++i) {
        fed_talk(fed);
        serve(fed, held, 4);
    }
    fed_expect(fed, "v 239.7 digit=0.1 lost before\n");
    for (int moved = 0; moved < 3; ++moved) {
        next_cycle(fed);
        for (int i = 0; i < 3; ++i) {
            fed_talk(fed);
            if (i == moved) { /* between two of the three requests, or before them all */
                held[2] = held[2] == 2397 ? 240 : 2397;
                held[6] = held[6] == 0xFFFF ? 0 : 0xFFFF;
            }
            serve(fed, held, 4);
        }
        if (moved == 0)
            fed_expect(fed, "v 240 digit=1\n");
        else
            fed_expect(fed, "event scaling: v: its scaling register changed while it was read; "
                            "the reading was left out\n");
    }
    next_cycle(fed);
    for (int i = 0; i < 3; ++i) {
        fed_talk(fed);
        serve(fed, held, 4);
    }
    fed_expect(fed, "v 240 digit=1 lost before\n");
    /* The value has no answer: the scale read after it makes no reading of the one before. */
    next_cycle(fed);
    serve(fed, held, 4);
    fed_talk(fed);
    fed_expire(fed);
    for (int i = 0; i < 20; ++i) {
        fed->out.length = 0;
        fed->out.bytes[0] = '\0';
        fed_talk(fed);
        if (!fed->waiting)
            break;
        serve(fed, held, 4);
    }
    assert_null(strstr(fed->out.bytes, "v "));
    fed_free(fed);
}

/* Bits of a second register say whether the value can be believed. */
static void status_bits(void **state)
{
    static const char keys[] = "type = int16\nstatus_register = 1\nstatus_unstable = 0x0001\n"
                               "status_overload = 0x0006\nstatus_invalid = 0x8000\n"
                               "status_valid = 0x0100\n";
    static const struct {
        const char *hex, *expected;
    } cases[] = {
        {"00 64 01 00", "v 100 digit=1\n"},
        {"00 64 01 01", "v 100 digit=1 unstable\n"},
        {"00 64 01 02", "v unknown digit=1 overload\n"},
        {"00 64 01 04", "v unknown digit=1 overload\n"},
        {"00 64 81 00", "v unknown digit=1 suspect\n"},
        {"00 64 00 00", "v unknown digit=1 suspect\n"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        read_once(keys, 2, cases[i].hex, cases[i].expected);
    read_once("type = int16\nstatus_register = 1\nstatus_stable = 3\n", 2, "00 64 00 03",
              "v 100 digit=1\n");
    read_once("type = int16\nstatus_register = 1\nstatus_stable = 3\n", 2, "00 64 00 02",
              "v 100 digit=1 unstable\n");
}

/* Read apart, the status counts when it was bad before the value or after it. */
static void status_apart(void **state)
{
    struct fed *fed =
        fed_new(HEAD "most_registers = 1\n"
                     "[channel m.v]\nquantity = mass\nregister = 2\ntype = int16\n"
                     "scaling_register = 6\nstatus_register = 7\nstatus_overload = 2\n");
    unsigned held[16] = {0, 0, 500, 0, 0, 0, 0xFFFD, 0};

    (void)state;
    for (int bad = 0; bad < 6; ++bad) {
        fed_talk(fed);
        for (int i = 0; i < 5; ++i) {
            held[7] = i == bad ? 2 : 0;
            fed_talk(fed);
            serve(fed, held, 99);
        }
        fed_expect(fed, bad == 1 || bad == 4 ? "v unknown overload\n" : "v 0.5 digit=0.001\n");
        fed->now.mono += 1000000;
    }
    fed_free(fed);
}

static void marks(void **state)
{
    struct fed *fed =
        fed_new(HEAD "[channel m.a]\nquantity = count\nregister = 0\ntype = int16\n"
                     "invalid = 0x8000\ninvalid = -1\noverload = 0x7FFF\n"
                     "[channel m.f]\nquantity = count\nregister = 1\ntype = float32\n");

    (void)state;
    fed_talk(fed);
    fed->out.length = 0;
    answer(fed, "01 03 06 80 00 7F C0 00 00");
    next_cycle(fed);
    answer(fed, "01 03 06 7F FF 7F 80 00 00");
    next_cycle(fed);
    answer(fed, "01 03 06 FF FF 3F 80 00 00");
    fed_expect(fed, "a unknown digit=1 suspect\nf unknown suspect\n"
                    "sent \\x01\\x03\\x00\\x00\\x00\\x03\\x05\\xCB\n"
                    "a unknown digit=1 overload\nf unknown overload\n"
                    "sent \\x01\\x03\\x00\\x00\\x00\\x03\\x05\\xCB\n"
                    "a unknown digit=1 suspect\nf 1\n");
    fed_free(fed);
}

/* Which registers are asked for together. */
static void merging(void **state)
{
    static const char channels[] = "[channel m.a]\nquantity = count\nregister = 5\ntype = int32\n"
                                   "[channel m.b]\nquantity = count\nregister = 9\ntype = int16\n"
                                   "[channel m.c]\nquantity = count\nregister = 7\ntype = int16\n"
                                   "[channel m.d]\nquantity = count\nregister = 5\ntype = int16\n"
                                   "slave = 2\n";
    static const struct {
        const char *keys;
        const char *asked; /* first address and count of each */
    } cases[] = {
        {"", "1:5+3 1:9+1 2:5+1"},
        {"merge_gap = 1\n", "1:5+5 2:5+1"},
        {"merge = no\n", "1:5+2 1:7+1 1:9+1 2:5+1"},
        {"most_registers = 2\nmerge_gap = 1\n", "1:5+2 1:7+1 1:9+1 2:5+1"},
        {"most_registers = 3\nmerge_gap = 1\n", "1:5+3 1:9+1 2:5+1"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct text bench = {0};
        struct text asked = {0};
        struct driver_request request;
        struct fed *fed;
        int64_t when;

        text_add(&bench, "%s%s%s", HEAD, cases[i].keys, channels);
        fed = fed_new(bench.bytes);
        while (fed->driver->next(fed->state, fed->now.mono, &request, &when) == DRIVER_SEND) {
            unsigned char frame[64] = {request.bytes[0], 3, (unsigned char)(2 * request.bytes[5])};
            size_t n = 3 + 2 * (size_t)request.bytes[5];
            unsigned crc = divided(frame, n);

            text_add(&asked, "%s%u:%u+%u", asked.length ? " " : "", request.bytes[0],
                     request.bytes[3], request.bytes[5]);
            frame[n] = (unsigned char)(crc & 0xFF);
            frame[n + 1] = (unsigned char)(crc >> 8);
            fed_bytes(fed, frame, n + 2, 0);
        }
        assert_string_equal(asked.bytes, cases[i].asked);
        text_free(&asked);
        text_free(&bench);
        fed_free(fed);
    }
}

/* Garbage, cuts, wrong sums, wrong slaves, echoes: what comes, and what must come out. */
static void bad_frames(void **state)
{
    /* The right answer: 01 03 02 0B AB, 2987 mV. */
    static const unsigned char good[] = {0x01, 0x03, 0x02, 0x0B, 0xAB, 0xFE, 0xCB};
    static const char *const sent = "\x01\x03\x00\x00\x00\x01\x84\x0A";
    static const struct {
        const char *name;
        const char *before;
        size_t length;
        size_t cut;     /* bytes of the good answer that come; 7: all */
        unsigned spoil; /* byte that is wrong; 7: none */
        const char *expected;
    } cases[] = {
        {"good", "", 0, 7, 7, "v 2987 digit=1\n"},
        {"truncated", "", 0, 6, 7, ""},
        {"empty", "", 0, 0, 7, ""},
        {"wrong sum", "", 0, 7, 4,
         "event checksum: the answer of slave 1 to the request for holding register 0 to 0 "
         "(counted "
         "from 0) had a wrong CRC and was left out\n"},
        {"wrong slave", "", 0, 7, 0, "junk 7\n"},
        {"wrong function", "", 0, 7, 1, "junk 7\n"},
        {"wrong count", "", 0, 7, 2, "junk 7\n"},
        {"garbage before", "\xFF\x00hello", 7, 7, 7, "junk 7\nv 2987 digit=1\n"},
        {"a false start before", "\x01\x03\x02", 3, 7, 7, "junk 3\nv 2987 digit=1\n"},
        {"a spoilt one before", "\x01\x03\x02\x0B\xAB\xFE\xCA", 7, 7, 7,
         "junk 7\nv 2987 digit=1\n"},
        {"another slave's before", "\x02\x03\x02\x0B\xAB\xBA\xCB", 7, 7, 7,
         "junk 7\nv 2987 digit=1\n"},
        {"echo before", sent, 8, 7, 7, "v 2987 digit=1\n"},
        {"echo only", sent, 8, 0, 7, ""},
    };

    (void)state;
    assert_int_equal(divided(good, 7), 0); /* the sum over a frame with its sum is nought */
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        for (size_t chunk = 0; chunk < 5; ++chunk) {
            struct fed *fed = fed_new(HEAD VOLT);
            unsigned char bytes[32];
            struct text joined = {0};
            unsigned long junk = 0;
            char *rest = NULL;

            fed_talk(fed);
            fed->out.length = 0;
            fed->out.bytes[0] = '\0';
            memcpy(bytes, cases[i].before, cases[i].length);
            memcpy(bytes + cases[i].length, good, sizeof good);
            if (cases[i].spoil < 7)
                bytes[cases[i].length + cases[i].spoil] ^= 0x10;
            fed_bytes(fed, bytes, cases[i].length + cases[i].cut, chunk);
            fed_take(fed, 50000);
            /* However the bytes are dealt out, the garbage is the same in sum. */
            for (char *line = strtok_r(fed->out.bytes, "\n", &rest); line;
                 line = strtok_r(NULL, "\n", &rest))
                if (strncmp(line, "junk ", 5) == 0)
                    junk += strtoul(line + 5, NULL, 10);
                else
                    text_add(&joined, "%s\n", line);
            rest = NULL;
            if (junk > 0) {
                struct text with = {0};

                text_add(&with, "junk %lu\n%s", junk, joined.bytes ? joined.bytes : "");
                text_free(&joined);
                joined = with;
            }
            if (strcmp(joined.bytes ? joined.bytes : "", cases[i].expected) != 0)
                fail_msg("%s, %zu at a time: %s", cases[i].name, chunk, joined.bytes);
            assert_int_equal(fed->waiting,
                             cases[i].cut < 7 || strncmp(cases[i].name, "wrong ", 6) == 0
                                 ? strcmp(cases[i].name, "wrong sum") != 0
                                 : 0);
            text_free(&joined);
            fed_free(fed);
        }
}

/* A CRC of 16 bits finds every error of one and two bits in so short a frame: none becomes a
 * reading.
 */
static void every_bit(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT);

    (void)state;
    for (unsigned a = 0; a < 56; ++a)
        for (unsigned b = a; b < 56; ++b) {
            unsigned char frame[7];

            fed->now.mono += 60000000; /* a slave that failed rests no longer */
            fed_talk(fed);
            assert_true(fed->waiting);
            framed(frame, "01 03 02 0B AB");
            frame[a / 8] ^= (unsigned char)(1u << a % 8);
            if (b != a)
                frame[b / 8] ^= (unsigned char)(1u << b % 8);
            fed_bytes(fed, frame, sizeof frame, 0);
            fed_take(fed, 50000);
            assert_null(strstr(fed->out.bytes, "v "));
            if (fed->waiting)
                fed_expire(fed);
            fed->out.length = 0;
        }
    fed->now.mono += 60000000;
    fed_talk(fed);
    answer(fed, "01 03 02 0B AB");
    assert_non_null(strstr(fed->out.bytes, "v 2987 digit=1 lost before\n"));
    fed_free(fed);
}

/* What comes after an answer, or two answers in one read, is none. */
static void two_in_one(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT);
    unsigned char twice[14];

    (void)state;
    fed_talk(fed);
    fed->out.length = 0;
    framed(twice, "01 03 02 0B AB");
    framed(twice + 7, "01 03 02 0B AC");
    fed_bytes(fed, twice, sizeof twice, 0);
    fed_expect(fed, "v 2987 digit=1\n");
    fed_take(fed, 60000);
    assert_non_null(strstr(fed->out.bytes, "event late-answer: slave 1 answers"));
    assert_null(strstr(fed->out.bytes, "v 2988"));
    fed_free(fed);
}

/* V1.1b3, 7: an exception has the function's highest bit set and one byte. */
static void exceptions(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT "[channel m.i]\nquantity = current\nunit = mA\n"
                                        "register = 1\ntype = int16\n");

    (void)state;
    fed_talk(fed);
    fed->out.length = 0;
    answer(fed, "01 83 06");
    fed_expect(fed, "event exception: slave 1 answers the request for holding register 0 to 1 "
                    "(counted from 0) with exception 6 (server device busy)\n");
    next_cycle(fed);
    answer(fed, "01 83 02");
    fed_talk(fed);
    answer(fed, "01 03 02 00 05");
    fed_talk(fed);
    answer(fed, "01 83 02");
    fed_expect(fed, "sent \\x01\\x03\\x00\\x00\\x00\\x02\\xC4\\x0B\n"
                    "event exception: slave 1 answers the request for holding register 0 to 1 "
                    "(counted from 0) with exception 2 (illegal data address); they are asked for "
                    "one by one from now on\n"
                    "sent \\x01\\x03\\x00\\x00\\x00\\x01\\x84\\n\n"
                    "v 5 digit=1 lost before\n"
                    "sent \\x01\\x03\\x00\\x01\\x00\\x01\\xD5\\xCA\n"
                    "event exception: slave 1 answers the request for holding register 1 to 1 "
                    "(counted from 0) with exception 2 (illegal data address); see numbering and "
                    "table in truewound-bench(5)\n");
    fed_free(fed);
}

/* Two slaves on a line, one of them dead: the other loses nothing, and the dead one is asked ever
 * more seldom, never twice in a cycle. */
static void dead_slave(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT "[channel m.b]\nquantity = voltage\nunit = mV\n"
                                        "register = 0\ntype = int16\nslave = 2\n");
    int asked[3] = {0};

    (void)state;
    for (int cycle = 0; cycle < 120; ++cycle) {
        int failed = 0;

        for (int turn = 0; turn < 10; ++turn) {
            fed->out.length = 0;
            fed->out.bytes[0] = '\0';
            fed_talk(fed);
            if (strncmp(fed->out.bytes, "sent \\x01", 9) == 0) {
                ++asked[1];
                answer(fed, "01 03 02 00 05");
                assert_non_null(strstr(fed->out.bytes, "v 5 digit=1"));
            } else if (strncmp(fed->out.bytes, "sent \\x02", 9) == 0) {
                ++asked[2];
                ++failed;
                fed_expire(fed);
                assert_true((strstr(fed->out.bytes, "slave 2 does not answer") != NULL) ==
                            (asked[2] == 1));
            } else {
                break;
            }
        }
        assert_true(failed <= 1);
        fed->now.mono += 1000000;
    }
    assert_int_equal(asked[1], 120);
    assert_in_range(asked[2], 4, 12);
    fed->now.mono += 60000000;
    fed_talk(fed);
    answer(fed, "01 03 02 00 05");
    fed->out.length = 0;
    fed_talk(fed);
    answer(fed, "02 03 02 00 07");
    assert_non_null(strstr(fed->out.bytes, "slave 2 answers again\nb 7 digit=1 lost before\n"));
    fed_free(fed);
}

struct owed {
    int64_t due; /* ms */
    char reg;
};

/* The register of the request that was just put out, which is a letter. */
static char asked_register(const struct fed *fed)
{
    const char *at = strstr(fed->out.bytes, "sent \\x01\\x03\\x00");

    assert_non_null(at);
    return at[17];
}

/* Values that came out, each of which must be that of its own register. */
static size_t check_values(const struct fed *fed)
{
    size_t values = 0;

    for (const char *at = fed->out.bytes; *at; at = strchr(at, '\n') + 1) {
        int value = 0;

        if (sscanf(at, "%*1[ak] %d", &value) == 1) {
            assert_int_equal(value, *at == 'a' ? 5 : 7);
            ++values;
        }
    }
    return values;
}

/* A slave that takes so many ms for each answer, asked for a minute with a time-out of half a
 * second: whatever it says late, a register's value is never another one's. */
static size_t slow_slave(int64_t delay, bool *told)
{
    struct fed *fed = fed_new(HEAD "interval = 0.3 s\ntimeout = 0.5 s\n"
                                   "[channel m.a]\nquantity = voltage\nregister = 65\n" /* A */
                                   "type = int16\n"
                                   "[channel m.k]\nquantity = voltage\nregister = 75\n" /* K */
                                   "type = int16\n");
    struct owed owed[64];
    size_t pending = 0;
    size_t values = 0;
    int64_t deadline = 0;

    for (int64_t now = 0; now < 60000; now += 10) {
        bool before;

        fed->now.mono = 5000000 + now * 1000;
        if (pending > 0 && now >= owed[0].due) {
            answer(fed, owed[0].reg == 'A' ? "01 03 02 00 05" : "01 03 02 00 07");
            if (!fed->waiting)
                fed_take(fed, 60000);
            --pending;
            memmove(owed, owed + 1, pending * sizeof owed[0]);
        }
        if (fed->waiting && now >= deadline)
            fed_expire(fed);
        before = fed->waiting;
        fed_talk(fed);
        if (!before && fed->waiting) {
            assert_true(pending < 64);
            fed->in_length = 0;
            owed[pending++] = (struct owed){now + delay, asked_register(fed)};
            deadline = now + 500;
        }
        if (fed->out.length > 0) {
            values += check_values(fed);
            *told = *told || strstr(fed->out.bytes, "event late-answer: ") != NULL;
            fed->out.length = 0;
            fed->out.bytes[0] = '\0';
        }
    }
    fed_free(fed);
    return values;
}

static void slow_slaves(void **state)
{
    bool told = false;

    (void)state;
    assert_true(slow_slave(50, &told) > 300);
    assert_false(told);
    for (int64_t delay = 510; delay < 10000; delay += 70)
        slow_slave(delay, &told);
    assert_true(told);
}

/* A slave that keeps silent when it is asked for several registers at once. */
static void silent_on_blocks(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT "[channel m.i]\nquantity = current\nunit = mA\n"
                                        "register = 1\ntype = int16\n");
    size_t values = 0;

    (void)state;
    for (int cycle = 0; cycle < 60; ++cycle) {
        for (int turn = 0; turn < 6; ++turn) {
            fed->out.length = 0;
            fed->out.bytes[0] = '\0';
            fed_talk(fed);
            if (!fed->waiting)
                break;
            if (strstr(fed->out.bytes, "\\x00\\x02"))
                fed_expire(fed);
            else
                answer(fed, "01 03 02 00 05");
            values += strstr(fed->out.bytes, "v 5") || strstr(fed->out.bytes, "i 5");
        }
        fed->now.mono += 1000000;
    }
    assert_true(values > 80);
    fed_free(fed);
}

/* Noise on the line does not make a frame with a right sum doubtful. */
static void noise_in_front(void **state)
{
    struct fed *fed = fed_new(HEAD VOLT);
    unsigned char bytes[32] = {0x00, 0xFF, 0x01};
    struct driver_frame frame;
    size_t length;

    (void)state;
    fed_talk(fed);
    length = 3 + framed(bytes + 3, "01 03 02 00 05");
    frame = fed->driver->frame(fed->state, bytes, length, 0);
    assert_true(frame.junk && frame.sound);
    assert_int_equal(frame.skip, 3);
    assert_int_equal(frame.length, 7);
    answer(fed, "01 03 02 00 05");
    frame = fed->driver->frame(fed->state, bytes, 1, 60000); /* and one byte behind it */
    assert_int_equal(frame.skip, 1);
    assert_false(frame.junk);
    fed_free(fed);
}

/* V1.1b3, 6.5 and 6.6: single coil (FF00 is on) and register; the answer is the request again. The
 * coil's frame 00AC FF00 is the standard's example, the register's 0001 0003 too. */
static void commands(void **state)
{
    struct fed *fed = fed_new(HEAD "numbering = one\n"
                                   "command = on: coil 173 on\n"
                                   "command = set: slave 3 register 2 3\n"
                                   "[channel m.v]\nquantity = voltage\nregister = 1\ntype = int16\n"
                                   "when = asked\n");
    struct driver_command on = {.kind = DRIVER_SWITCH, .text = "on"};
    struct driver_command set = {.kind = DRIVER_SWITCH, .text = "set"};
    struct driver_command other = {.kind = DRIVER_SWITCH, .text = "explode"};
    struct driver_command select = {.kind = DRIVER_SELECT, .channel = 0};
    struct status st;

    (void)state;
    fed_talk(fed);
    fed_expect(fed, "");
    assert_int_equal(fed->driver->command(fed->state, &on, &st), STATUS_OK);
    assert_int_equal(fed->driver->command(fed->state, &on, &st), STATUS_BUSY);
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x01\\x05\\x00\\xAC\\xFF\\x00", 29);
    assert_true(fed->waiting);
    answer(fed, "01 05 00 AC FF 00");
    assert_false(fed->waiting);
    assert_int_equal(fed->driver->command(fed->state, &set, &st), STATUS_OK);
    fed->out.length = 0;
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x03\\x06\\x00\\x01\\x00\\x03", 29);
    fed->out.length = 0;
    fed_expire(fed);
    fed_expect(fed, "expired\nevent command: slave 3 did not confirm the command\n");
    assert_int_equal(fed->driver->command(fed->state, &other, &st), STATUS_NOT_FOUND);
    assert_int_equal(fed->driver->command(fed->state, &select, &st), STATUS_OK);
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x01\\x03\\x00\\x00", 20);
    fed_free(fed);
}

/* A line that gives back what is sent: the echo of a command does not confirm it. */
static void echo_is_no_answer(void **state)
{
    struct fed *fed = fed_new(HEAD "echo = yes\ncommand = on: register 30 1\n" VOLT);
    struct driver_command on = {.kind = DRIVER_SWITCH, .text = "on"};
    struct status st;

    (void)state;
    assert_int_equal(fed->driver->command(fed->state, &on, &st), STATUS_OK);
    fed_talk(fed);
    answer(fed, "01 06 00 1E 00 01");
    assert_true(fed->waiting);
    answer(fed, "01 06 00 1E 00 01");
    assert_false(fed->waiting);
    fed_free(fed);
}

/* V1.1b3, 6.21: function 43 / 14, basic identification. */
static void identity(void **state)
{
    struct fed *fed = fed_new(HEAD "identity = Bench\n" VOLT);

    (void)state;
    fed_talk(fed);
    assert_memory_equal(fed->out.bytes, "sent \\x01+\\x0E\\x01\\x00", 22);
    fed->out.length = 0;
    answer(fed, "01 2B 0E 01 01 00 00 03 00 05 42 65 6E 63 68 01 02 4D 31 02 03 31 2E 30");
    fed_expect(fed, "identity Bench, M1, 1.0\n");
    fed_free(fed);
}

/* Faults of the bench file: each is found, with the reason. */
static void faults(void **state)
{
    static const struct {
        const char *text;
        const char *says;
    } cases[] = {
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 0\n", "type"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = x\ntype = int16\n", "whole number"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = -1\ntype = int16\n", "whole number"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 65535\ntype = int32\n", "2 registers"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 65536\ntype = int16\n", "65536"},
        {HEAD "numbering = one\n[channel m.v]\nquantity = voltage\nregister = 0\ntype = int16\n",
         "counted from 1"},
        {HEAD "numbering = table\n[channel m.v]\nquantity = voltage\nregister = 1\ntype = int16\n",
         "digits"},
        {HEAD "numbering = table\n[channel m.v]\nquantity = voltage\nregister = 40001\n"
              "type = int16\ntable = input\n",
         "holding register"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 1\ntype = int16\ntable = coil\n",
         "cannot hold"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 1\ntype = bit\n", "cannot hold"},
        {HEAD VOLT "invalid = none\n", "0x7FFF"},
        {HEAD VOLT "invalid = 65535\n", "can never be sent as int16"},
        {HEAD VOLT "invalid = 0x80000000\n", "can never be sent as int16"},
        {HEAD VOLT "overload = 1.5\n", "can never be sent as int16"},
        {HEAD VOLT "bits = 0-3\ninvalid = 8\n", "so few bits"},
        {HEAD VOLT "bits = 16\n", "neither a bit"},
        {HEAD VOLT "bits = 5-3\n", "neither a bit"},
        {HEAD VOLT "bits = 3-\n", "neither a bit"},
        {HEAD VOLT "scaling = factor\n", "scaling_register"},
        {HEAD VOLT "scaling_register = x\n", "whole number"},
        {HEAD VOLT "scaling_register = 65536\n", "65536"},
        {HEAD VOLT "scaling_register = 65535\nscaling_type = int32\n", "2 registers"},
        {HEAD VOLT "status_register = 4\n", "means nothing without"},
        {HEAD VOLT "status_overload = 4\n", "status_register"},
        {HEAD VOLT "status_register = 4\nstatus_overload = 0x10000\n", "16 bits"},
        {HEAD VOLT "status_register = 4\nstatus_overload = 0\n", "16 bits"},
        {HEAD "[channel m.v]\nquantity = voltage\nregister = 0\ntype = float32\nbits = 0\n",
         "intN"},
        {HEAD "numbering = table\n[channel m.v]\nquantity = voltage\nregister = 40001\n"
              "type = int16\nscaling_register = 10001\n",
         "must be a register"},
        {HEAD "command = on: coil 1 maybe\n" VOLT, "'on' or 'off'"},
        {HEAD "command = on: relay 1 on\n" VOLT, "coil ADDRESS"},
        {HEAD "command = on: slave 248 coil 1 on\n" VOLT, "slave 247"},
        {HEAD "command = on: register 1 65536\n" VOLT, "16 bits"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct benchfile *bench = NULL;
        struct status st = {0};
        void *driver_state = NULL;
        enum status_code code =
            benchfile_parse("bench", cases[i].text, strlen(cases[i].text), NULL, NULL, &bench, &st);

        if (code == STATUS_OK)
            code = driver_find("modbus")->create(&bench->instrument[0], &driver_state, &st);
        assert_int_not_equal(code, STATUS_OK);
        if (!strstr(st.text, cases[i].says))
            fail_msg("case %zu: '%s' does not say '%s'", i, st.text, cases[i].says);
        benchfile_free(bench);
    }
}

/* V1.02, 2.5.1.1: 3.5 characters of 11 bits between frames; 1.75 ms above 19200 baud. */
static void silent_interval(void **state)
{
    static const struct {
        const char *keys;
        int64_t least;
    } cases[] = {
        {"baud = 1200\n", 32084}, /* 3.5 * 11 / 1200 s = 32.083 ms */
        {"baud = 9600\npause = 0\n", 4011},
        {"baud = 19200\npause = 0\n", 2006},
        {"baud = 115200\npause = 0\n", 1750},
        {"baud = 9600\npause = 50 ms\n", 50000},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct driver_request request;
        struct text bench = {0};
        struct fed *fed;
        int64_t when;

        text_add(&bench, "[instrument m]\ndriver = modbus\nport = /dev/null\n%s" VOLT,
                 cases[i].keys);
        fed = fed_new(bench.bytes);
        assert_int_equal(fed->driver->next(fed->state, fed->now.mono, &request, &when),
                         DRIVER_SEND);
        assert_int_equal(request.pause, cases[i].least);
        fed_free(fed);
        text_free(&bench);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sums),
        cmocka_unit_test(example_of_the_standard),
        cmocka_unit_test(other_tables),
        cmocka_unit_test(types),
        cmocka_unit_test(more_types),
        cmocka_unit_test(scaling),
        cmocka_unit_test(scaling_apart),
        cmocka_unit_test(status_bits),
        cmocka_unit_test(status_apart),
        cmocka_unit_test(marks),
        cmocka_unit_test(merging),
        cmocka_unit_test(bad_frames),
        cmocka_unit_test(two_in_one),
        cmocka_unit_test(every_bit),
        cmocka_unit_test(exceptions),
        cmocka_unit_test(dead_slave),
        cmocka_unit_test(slow_slaves),
        cmocka_unit_test(silent_on_blocks),
        cmocka_unit_test(noise_in_front),
        cmocka_unit_test(commands),
        cmocka_unit_test(echo_is_no_answer),
        cmocka_unit_test(identity),
        cmocka_unit_test(faults),
        cmocka_unit_test(silent_interval),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
