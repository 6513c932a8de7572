#include "acquire/unitword.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

/* Ways to write a unit, longest first, so that VDC is not taken for something that ends in C. */
static const struct {
    const char *si;
    const char *word; /* in small letters */
    const char *unit;
    bool ac;
} units[] = {
    {"V", "volts", "V", false},   {"V", "volt", "V", false},    {"V", "vrms", "V", true},
    {"V", "vdc", "V", false},     {"V", "vac", "V", true},      {"V", "v", "V", false},
    {"A", "amperes", "A", false}, {"A", "ampere", "A", false},  {"A", "amps", "A", false},
    {"A", "arms", "A", true},     {"A", "amp", "A", false},     {"A", "adc", "A", false},
    {"A", "aac", "A", true},      {"A", "a", "A", false},       {"ohm", "ohms", "ohm", false},
    {"ohm", "ohm", "ohm", false}, {"ohm", "r", "ohm", false},   {"Hz", "hertz", "Hz", false},
    {"Hz", "hz", "Hz", false},    {"F", "farads", "F", false},  {"F", "farad", "F", false},
    {"F", "f", "F", false},       {"H", "henries", "H", false}, {"H", "henrys", "H", false},
    {"H", "henry", "H", false},   {"H", "h", "H", false},       {"W", "watts", "W", false},
    {"W", "watt", "W", false},    {"W", "w", "W", false},       {"s", "secs", "s", false},
    {"s", "sec", "s", false},     {"s", "s", "s", false},
};

/* Units that take no prefix of their own, or are whole words. */
static const struct {
    const char *si;
    const char *word; /* in small letters */
    const char *unit;
    double factor;
} words[] = {
    {"kg", "kg", "kg", 1},
    {"kg", "kgs", "kg", 1},
    {"kg", "g", "g", 1},
    {"kg", "gm", "g", 1},

    {"kg", "grams", "g", 1},
    {"kg", "gram", "g", 1},
    {"kg", "mg", "mg", 1},
    {"kg", "ug", "ug", 1},
    {"kg", "lb", "lb", 1},
    {"kg", "lbs", "lb", 1},
    {"kg", "pound", "lb", 1},
    {"kg", "pounds", "lb", 1},
    {"kg", "oz", "oz", 1},
    {"kg", "ounce", "oz", 1},
    {"kg", "ounces", "oz", 1},
    {"kg", "ct", "g", 0.2},
    {"kg", "carat", "g", 0.2},
    {"kg", "carats", "g", 0.2},
    {"kg", "gn", "mg", 64.79891},
    {"kg", "grain", "mg", 64.79891},
    {"kg", "dwt", "mg", 24 * 64.79891},
    {"kg", "ozt", "mg", 480 * 64.79891},
    {"N", "n", "N", 1},
    {"N", "kn", "kN", 1},
    {"N", "mn", "mN", 1},
    {"N", "kg", "kgf", 1},
    {"N", "kgf", "kgf", 1},
    {"N", "kp", "kgf", 1},
    {"N", "g", "kgf", 1e-3},
    {"N", "gf", "kgf", 1e-3},
    {"N", "lb", "lbf", 1},
    {"N", "lbs", "lbf", 1},
    {"N", "lbf", "lbf", 1},
    {"N", "oz", "ozf", 1},
    {"N", "ozf", "ozf", 1},
    {"K", "k", "K", 1},
    {"K", "c", "degC", 1},
    {"K", "degc", "degC", 1},
    {"K", "oc", "degC", 1},
    {"K", "f", "degF", 1},
    {"K", "degf", "degF", 1},
    {"K", "of", "degF", 1},
};

/* Signs of old code pages and of Unicode. */
static const struct {
    const char *sign;
    const char *ascii;
} signs[] = {
    {"\xC2\xB5", "u"},       /* micro sign */
    {"\xCE\xBC", "u"},       /* Greek mu */
    {"\xB5", "u"},           /* ISO 8859-1 */
    {"\xE6", "u"},           /* code page 437 */
    {"\xE2\x84\xA6", "ohm"}, /* ohm sign */
    {"\xCE\xA9", "ohm"},     /* Greek omega */
    {"\xCF\x89", "ohm"},     /* the same, small */
    {"\xEA", "ohm"},         /* code page 437 */
    {"\xF4", "ohm"},         /* character displays */
    {"\xE2\x84\x83", "degc"},
    {"\xE2\x84\x89", "degf"}, /* degree Celsius, Fahrenheit */
    {"\xC2\xB0", "deg"},      /* degree sign */
    {"\xC2\xBA", "deg"},      /* ordinal sign, taken for it */
    {"\xB0", "deg"},          /* ISO 8859-1 */
    {"\xF8", "deg"},          /* code page 437 */
    {"\xDF", "deg"},          /* character displays */
    {"'", "deg"},
};

/* The text without spaces and in ASCII; false when it is too long or has other signs. */
static bool to_ascii(const char *text, char *out, size_t size)
{
    size_t n = 0;

    while (*text) {
        const char *put = NULL;
        char one[2] = {*text, '\0'};
        size_t step = 1;

        for (size_t i = 0; !put && i < sizeof signs / sizeof *signs; ++i)
            if (strncmp(text, signs[i].sign, strlen(signs[i].sign)) == 0) {
                put = signs[i].ascii;
                step = strlen(signs[i].sign);
            }
        if (!put && (*text & 0x80))
            return false;
        if (!put)
            put = *text == ' ' || *text == '\t' ? "" : one;
        if (n + strlen(put) + 1 > size)
            return false;
        memcpy(out + n, put, strlen(put));
        n += strlen(put);
        text += step;
    }
    out[n] = '\0';
    return n > 0;
}

static bool is_capitals(const char *text)
{
    for (; *text; ++text)
        if (*text & 0x80 || islower((unsigned char)*text))
            return false;
    return true;
}

/* The prefix as UDUNITS-2 writes it; 0: none is meant; -1: it is no prefix. */
static int prefix_of(const char *at, size_t length, bool capitals, bool mega)
{
    if (length == 0)
        return 0;
    if (length > 1)
        return -1;
    switch (*at) {
    case 'K':
    case 'k':
        return 'k';
    case 'M':
        return capitals && !mega ? 'm' : 'M';
    case 'U':
        return 'u';
    case 'm':
    case 'u':
    case 'n':
    case 'p':
    case 'G':
        return *at;
    case 'N':
    case 'P':
        return capitals ? tolower((unsigned char)*at) : -1;
    default:
        return -1;
    }
}

bool unitword_read(const char *text, const char *si, struct unitword *word)
{
    char plain[UNITWORD_MAX];
    size_t length;
    bool capitals = is_capitals(text);

    if (!to_ascii(text, plain, sizeof plain))
        return false;
    *word = (struct unitword){.factor = 1.0};
    for (size_t i = 0; i < sizeof words / sizeof *words; ++i)
        if (strcmp(words[i].si, si) == 0 && strcasecmp(words[i].word, plain) == 0) {
            snprintf(word->unit, sizeof word->unit, "%s", words[i].unit);
            word->factor = words[i].factor;
            return true;
        }
    length = strlen(plain);
    for (size_t i = 0; i < sizeof units / sizeof *units; ++i) {
        size_t end = strlen(units[i].word);
        bool mega = strcmp(si, "ohm") == 0 || strcmp(si, "Hz") == 0;
        int prefix;

        if (strcmp(units[i].si, si) != 0 || end > length ||
            strcasecmp(plain + length - end, units[i].word) != 0)
            continue;
        prefix = prefix_of(plain, length - end, capitals, mega);
        if (prefix < 0)
            continue;
        snprintf(word->unit, sizeof word->unit, "%.1s%s", (char[]){(char)prefix, '\0'},
                 units[i].unit);
        word->ac = units[i].ac;
        return true;
    }
    return false;
}
