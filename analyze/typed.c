#include "analyze/typed.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A resistance typed as 'open' was beyond what a hand meter shows. */
#define OPEN_OHM  1e6
#define HALF_GRAM 0.5e-3

static enum status_code read_polarity(const char *text, struct typed *out, struct status *st)
{
    if (strcmp(text, "north") == 0)
        out->value = 1.0;
    else if (strcmp(text, "south") == 0)
        out->value = -1.0;
    else if (strcmp(text, "none") == 0)
        out->value = 0.0;
    else
        return status_fail(st, STATUS_INPUT, "polarity: read '%s', expected north, south or none",
                           text);
    return STATUS_OK;
}

/* One of the last digit of a single decimal number: 0.1 V of "1.4 V". A figure read no finer must
 * not count for more. NaN of "3/8 in" and "2 lb 4 oz", and where the digits say nothing: a load is
 * what hangs, not what a display shows, and a weight is taken as good to half a gram unless it was
 * read coarser. */
static double step_of(const struct kind *kind, const char *text, double value)
{
    size_t digits = strspn(text, "0123456789.");
    const char *point = memchr(text, '.', digits);
    const char *rest = text + digits;
    double number = strtod(text, NULL), step;

    if (strcmp(kind->word, "lift") == 0 || strcmp(kind->dimension, "K") == 0 || digits == 0 ||
        strpbrk(rest, "0123456789/") || !(number > 0.0))
        return NAN;
    step = value / number * pow(10.0, point ? -(double)(rest - point - 1) : 0.0);
    if (strcmp(kind->word, "wire-mass") == 0 && step <= HALF_GRAM)
        return NAN;
    return step;
}

enum status_code typed_read(struct units *units, const struct kind *kind, const char *text,
                            struct typed *out, struct status *st)
{
    struct units_value value;
    enum status_code code;

    *out = (struct typed){.value = NAN, .u = NAN, .step = NAN};
    if (strcmp(kind->quantity, "polarity") == 0)
        return read_polarity(text, out, st);
    if (strcmp(text, "open") == 0 && strcmp(kind->quantity, "resistance") == 0) {
        out->bound = TYPED_ABOVE;
        out->value = OPEN_OHM;
        return STATUS_OK;
    }
    if (*text == '>')
        out->bound = TYPED_ABOVE;
    else if (*text == '<')
        out->bound = TYPED_BELOW;
    text += strspn(text, "<> ");
    if (strcmp(kind->dimension, "N") == 0)
        code = units_parse_load(units, text, &value, st);
    else
        code = units_parse_uncertain(units, text, kind->dimension, &value, st);
    if (code != STATUS_OK)
        return status_prefix(st, "%s", kind->word);
    if (value.value < 0.0 && strcmp(kind->word, "drift") != 0)
        return status_fail(st, STATUS_INPUT, "%s: read '%s', which cannot be negative", kind->word,
                           text);
    if (value.value == 0.0 && strcmp(kind->word, "volt-drop") == 0)
        return status_fail(st, STATUS_INPUT,
                           "%s: read '%s'; of a voltmeter that shows nothing type its last digit, "
                           "as in '< 1 mV'",
                           kind->word, text);
    out->value = value.value;
    if (value.has_uncertainty)
        out->u = value.half_width / sqrt(3.0);
    else if (out->bound == TYPED_EQUAL)
        out->step = step_of(kind, text, value.value);
    return STATUS_OK;
}
