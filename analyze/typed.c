#include "analyze/typed.h"

#include <math.h>
#include <string.h>

/* A resistance typed as 'open' was beyond what a hand meter shows. */
#define OPEN_OHM 1e6

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

enum status_code typed_read(struct units *units, const struct kind *kind, const char *text,
                            struct typed *out, struct status *st)
{
    struct units_value value;
    enum status_code code;

    *out = (struct typed){.value = NAN, .u = NAN};
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
    return STATUS_OK;
}
