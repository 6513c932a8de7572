/* The formatting half of db/units.h. The uncertainty decides the digits: two significant figures
 * of it at most (JCGM 100:2008, 7.2.6), and the value is rounded at the same place. */
#include "db/units.h"

#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define DIGITS_WITHOUT_UNCERTAINTY 4
#define PLAIN_FROM                 1e-9 /* below or above, a power of ten is written */
#define PLAIN_TO                   1e15

static const struct {
    int exponent;
    const char *sign;
} prefix_table[] = {{-12, "p"}, {-9, "n"}, {-6, "µ"}, {-3, "m"},
                    {0, ""},    {3, "k"},  {6, "M"},  {9, "G"}};

/* printf writes the locale's decimal sign; the output of this project has a point everywhere. */
static void put_digits(char *buf, size_t size, double value, int decimals, bool power)
{
    const char *sign = localeconv()->decimal_point;
    char *found;

    if (power)
        snprintf(buf, size, "%.*e", decimals, value);
    else
        snprintf(buf, size, "%.*f", decimals, value);
    found = strcmp(sign, ".") == 0 || sign[0] == '\0' ? NULL : strstr(buf, sign);
    if (found) {
        size_t length = strlen(sign);

        *found = '.';
        memmove(found + 1, found + length, strlen(found + length) + 1);
    }
    /* "-0.00" reads like a sign that means something. */
    if (buf[0] == '-' && strspn(buf + 1, "0.") == strlen(buf + 1))
        memmove(buf, buf + 1, strlen(buf));
}

static void put_number(char *buf, size_t size, double value, int decimals)
{
    put_digits(buf, size, value, decimals, false);
}

static void strip_zeros(char *buf)
{
    size_t length = strlen(buf);

    if (!strchr(buf, '.'))
        return;
    while (length > 0 && buf[length - 1] == '0')
        buf[--length] = '\0';
    if (length > 0 && buf[length - 1] == '.')
        buf[length - 1] = '\0';
}

static bool known(double uncertainty)
{
    return isfinite(uncertainty) && uncertainty > 0;
}

/* Decimals that show 'figures' significant figures of x > 0; below 0 for tens, hundreds. */
static int decimals_for(double x, int figures)
{
    int decimals = figures - 1 - (int)floor(log10(x));

    /* 0.0996 to two figures is 0.10, one decimal fewer than its logarithm says. */
    if (round(x * pow(10, decimals)) >= pow(10, figures))
        decimals--;
    return decimals;
}

static double round_to(double x, int decimals)
{
    double step = pow(10, -decimals);

    return decimals < 0 ? round(x / step) * step : x;
}

/* Value and uncertainty, already in the unit to be shown. */
static void put_pair(char *buf, size_t size, double value, double uncertainty)
{
    char number[400];
    char width[400];
    double largest = known(uncertainty) ? fmax(fabs(value), uncertainty) : fabs(value);
    int decimals;

    if (largest != 0 && (largest < PLAIN_FROM || largest >= PLAIN_TO)) {
        put_digits(number, sizeof number, value, DIGITS_WITHOUT_UNCERTAINTY - 1, true);
        put_digits(width, sizeof width, uncertainty, 1, true);
        snprintf(buf, size, known(uncertainty) ? "%s ± %s" : "%s", number, width);
        return;
    }
    if (known(uncertainty)) {
        decimals = decimals_for(uncertainty, 2);
        if (decimals > 15)
            decimals = 15;
        put_number(number, sizeof number, round_to(value, decimals), decimals < 0 ? 0 : decimals);
        put_number(width, sizeof width, round_to(uncertainty, decimals),
                   decimals < 0 ? 0 : decimals);
        snprintf(buf, size, "%s ± %s", number, width);
        return;
    }
    decimals = value == 0 ? 0 : decimals_for(fabs(value), DIGITS_WITHOUT_UNCERTAINTY);
    put_number(number, sizeof number, value, decimals < 0 ? 0 : decimals);
    strip_zeros(number);
    snprintf(buf, size, "%s", number);
}

/* The power of ten of the prefix that leaves 1 to 999.x before the unit. */
static size_t choose_prefix(const struct quantity *q, double largest)
{
    size_t chosen = 4; /* none */
    double rounded = largest;

    if (!q->prefixes || largest == 0)
        return chosen;
    /* What will be printed decides: 999.96 mA is 1 A. */
    rounded *= 1 + 0.5e-3 / 9.999;
    for (chosen = 0; chosen + 1 < sizeof prefix_table / sizeof prefix_table[0]; chosen++) {
        if (rounded < pow(10, prefix_table[chosen + 1].exponent))
            break;
    }
    /* Kilogram is where mass ends, second where time ends, metre where a winder's length ends. */
    if (q->id == QUANTITY_MASS && prefix_table[chosen].exponent > 3)
        return 5;
    if ((q->id == QUANTITY_TIME || q->id == QUANTITY_LENGTH) && prefix_table[chosen].exponent > 0)
        return 4;
    return chosen;
}

const char *units_format(char *buf, size_t size, double value, double uncertainty,
                         const struct quantity *q)
{
    char pair[840];
    double shown, width, power;
    size_t prefix;
    bool bracket;

    if (size == 0)
        return buf;
    if (!isfinite(value)) {
        snprintf(buf, size, "unknown");
        return buf;
    }
    if (!q)
        return units_format_number(buf, size, value, uncertainty);
    if (q->id == QUANTITY_POLARITY && (value == 1 || value == -1)) {
        snprintf(buf, size, "%s", value > 0 ? "north" : "south");
        return buf;
    }
    shown = value * q->shown_scale + q->shown_offset;
    width = uncertainty * q->shown_scale;
    if (!isfinite(shown)) { /* within a factor of the largest number there is */
        snprintf(buf, size, "unknown");
        return buf;
    }
    prefix = choose_prefix(q, known(width) ? fmax(fabs(shown), width) : fabs(shown));
    power = pow(10, prefix_table[prefix].exponent);
    if (q->id == QUANTITY_COUNT && !known(width) && shown == floor(shown) && fabs(shown) < 1e15)
        put_number(pair, sizeof pair, shown, 0);
    else
        put_pair(pair, sizeof pair, shown / power, width / power);
    if (q->symbol[0] == '\0') {
        snprintf(buf, size, "%s", pair);
        return buf;
    }
    /* SI brochure, 9th ed., 5.4.5: the unit applies to both, so brackets or both named; after ±
     * the plain form is common in workshops and cannot be misread, a per cent can. */
    bracket = known(width) && strcmp(q->symbol, "%") == 0;
    snprintf(buf, size, bracket ? "(%s) %s%s" : "%s %s%s", pair, prefix_table[prefix].sign,
             q->symbol);
    return buf;
}

const char *units_format_number(char *buf, size_t size, double value, double uncertainty)
{
    char pair[840];

    if (size == 0)
        return buf;
    if (!isfinite(value)) {
        snprintf(buf, size, "unknown");
        return buf;
    }
    put_pair(pair, sizeof pair, value, uncertainty);
    snprintf(buf, size, "%s", pair);
    return buf;
}
