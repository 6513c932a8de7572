/* Numbers and checksums as instruments print them. */
#include "acquire/checksum.h"
#include "acquire/number.h"

#include "tests/acquire/harness.h"

struct number_case {
    const char *text;
    enum number_decimal decimal;
    bool good;
    double value;
    double digit;
    size_t used;
};

static void numbers(void **state)
{
    static const struct number_case cases[] = {
        {"12.345", NUMBER_EITHER, true, 12.345, 0.001, 6},
        {"+  0.123kg", NUMBER_EITHER, true, 0.123, 0.001, 8},
        {"-   12 g", NUMBER_EITHER, true, -12.0, 1.0, 6},
        {" \t 7", NUMBER_EITHER, true, 7.0, 1.0, 4},
        {"1,234", NUMBER_EITHER, true, 1.234, 0.001, 5},
        {"1,234", NUMBER_COMMA, true, 1.234, 0.001, 5},
        {"1,234", NUMBER_POINT, true, 1.0, 1.0, 1},
        {"1.234", NUMBER_COMMA, true, 1.0, 1.0, 1},
        {".5", NUMBER_EITHER, true, 0.5, 0.1, 2},
        {"5.", NUMBER_EITHER, true, 5.0, 1.0, 2},
        {"00012.50", NUMBER_EITHER, true, 12.5, 0.01, 8},
        {"+1.70312000E+01", NUMBER_POINT, true, 17.0312, (double)NAN, 15},
        {"-9.9E37", NUMBER_POINT, true, -9.9e37, (double)NAN, 7},
        {"12E", NUMBER_POINT, true, 12.0, 1.0, 2},
        {"12Eggs", NUMBER_POINT, true, 12.0, 1.0, 2},
        {"3e-3V", NUMBER_POINT, true, 0.003, (double)NAN, 4},
        {"\xe2\x88\x92"
         "4.5",
         NUMBER_POINT, true, -4.5, 0.1, 6},
        {"", NUMBER_EITHER, false, 0, 0, 0},
        {"  ", NUMBER_EITHER, false, 0, 0, 0},
        {"-", NUMBER_EITHER, false, 0, 0, 0},
        {".", NUMBER_EITHER, false, 0, 0, 0},
        {"+.", NUMBER_EITHER, false, 0, 0, 0},
        {"OL", NUMBER_EITHER, false, 0, 0, 0},
        {"nan", NUMBER_EITHER, false, 0, 0, 0},
        {"inf", NUMBER_EITHER, false, 0, 0, 0},
        {"1e999", NUMBER_EITHER, false, 0, 0, 0},
        {"00000000000000000000000000000000000000000000000001", NUMBER_EITHER, false, 0, 0, 0},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        struct number number;
        bool good = number_read(cases[i].text, strlen(cases[i].text), cases[i].decimal, &number);

        if (good != cases[i].good)
            fail_msg("'%s': %s", cases[i].text, good ? "taken" : "refused");
        if (!good)
            continue;
        if (number.value != cases[i].value || number.used != cases[i].used ||
            (isnan(cases[i].digit) ? !isnan(number.digit)
                                   : fabs(number.digit - cases[i].digit) > 1e-15))
            fail_msg("'%s': %.17g, digit %g, used %zu", cases[i].text, number.value, number.digit,
                     number.used);
    }
}

/* The bytes end where length says, whatever stands behind. */
static void length_is_kept(void **state)
{
    struct number number;

    (void)state;
    assert_true(number_read("123456", 3, NUMBER_POINT, &number));
    assert_true(number.value == 123.0);
    assert_true(number_read("1e5", 2, NUMBER_POINT, &number));
    assert_true(number.value == 1.0);
}

/* Check values over the bytes "123456789". CRC-16/XMODEM and CRC-16 with start FFFF were computed
 * with Python's binascii.crc_hqx (a general-purpose library): 31C3 and 29B1. The other CRC values
 * are the usual check values of these codes, from memory: F4, A1, 4B37. The sums are arithmetic:
 * 0x31 + ... + 0x39 = 477 = 0x1DD; exclusive or = 0x31. */
static void checksums(void **state)
{
    static const struct {
        const char *word;
        unsigned bits;
        uint16_t sum;
    } cases[] = {{"none", 0, 0},
                 {"xor8", 8, 0x31},
                 {"sum8", 8, 0xdd},
                 {"negsum8", 8, 0x23},
                 {"crc8", 8, 0xf4},
                 {"crc8-maxim", 8, 0xa1},
                 {"sum16", 16, 0x1dd},
                 {"crc16-modbus", 16, 0x4b37},
                 {"crc16-ccitt", 16, 0x29b1},
                 {"crc16-xmodem", 16, 0x31c3}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        enum checksum_kind kind = checksum_kind(cases[i].word);

        assert_int_equal((int)kind, (int)i);
        assert_int_equal(checksum_bits(kind), cases[i].bits);
        assert_int_equal(checksum_of(kind, (const unsigned char *)"123456789", 9), cases[i].sum);
        assert_non_null(strstr(CHECKSUM_WORDS, cases[i].word));
    }
    assert_int_equal((int)checksum_kind("md5"), (int)CHECKSUM_NONE);
}

/* SCPI-1999, volume 1, 7.2.1, and what meters show. */
static void words(void **state)
{
    static const struct {
        const char *text;
        enum number_word word;
    } cases[] = {
        {"OL", NUMBER_WORD_OVERLOAD},   {" -OL ", NUMBER_WORD_OVERLOAD},
        {"0L", NUMBER_WORD_OVERLOAD},   {"0.L ohm", NUMBER_WORD_OVERLOAD},
        {".0L", NUMBER_WORD_OVERLOAD},  {"O.L", NUMBER_WORD_OVERLOAD},
        {"OVLD", NUMBER_WORD_OVERLOAD}, {"overload", NUMBER_WORD_OVERLOAD},
        {"INF", NUMBER_WORD_OVERLOAD},  {"+INFINITY", NUMBER_WORD_OVERLOAD},
        {"NINF", NUMBER_WORD_OVERLOAD}, {"ovf", NUMBER_WORD_OVERLOAD},
        {"NAN", NUMBER_WORD_INVALID},   {"nan", NUMBER_WORD_INVALID},
        {"----", NUMBER_WORD_INVALID},  {"--.--", NUMBER_WORD_INVALID},
        {"null", NUMBER_WORD_INVALID},  {"", NUMBER_WORD_NONE},
        {"-", NUMBER_WORD_NONE},        {"0.5", NUMBER_WORD_NONE},
        {"0.5L", NUMBER_WORD_NONE},     {"OLE", NUMBER_WORD_NONE},
        {"-0 lb", NUMBER_WORD_NONE},    {"infra", NUMBER_WORD_NONE},
        {"OVERTEMP", NUMBER_WORD_NONE}, {".", NUMBER_WORD_NONE},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i)
        if (number_word(cases[i].text, strlen(cases[i].text)) != cases[i].word)
            fail_msg("'%s'", cases[i].text);
}

static void hexadecimal(void **state)
{
    struct number number;

    (void)state;
    assert_true(number_read_hex(" 0x7FF", 6, false, &number));
    assert_true(number.value == 2047.0 && number.used == 6);
    assert_true(number_read_hex("FFF", 3, true, &number));
    assert_true(number.value == -1.0);
    assert_true(number_read_hex("FFFFFFFF", 8, true, &number));
    assert_true(number.value == -1.0);
    assert_true(number_read_hex("80000000 ", 9, false, &number));
    assert_true(number.value == 2147483648.0 && number.used == 8);
    assert_false(number_read_hex("123456789", 9, false, &number));
    assert_false(number_read_hex("g", 1, false, &number));
    assert_false(number_read_hex("", 0, false, &number));
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(numbers), cmocka_unit_test(length_is_kept),
                                       cmocka_unit_test(words), cmocka_unit_test(hexadecimal),
                                       cmocka_unit_test(checksums)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
