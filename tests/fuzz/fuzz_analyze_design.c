/* Design files all the way to figures: what the reader passes the model must answer, with an error
 * that says why or with figures none of which is without a value. */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_errno.h>

#include "analyze/designfile.h"
#include "analyze/model/coil.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* The unit database is loaded once: it is slow, and UDUNITS keeps it anyway. */
static struct units *fuzz_units(void)
{
    static struct units *units;
    struct status st;

    gsl_set_error_handler_off();
    if (!units && units_open(&units, &st) != STATUS_OK)
        abort();
    return units;
}

static void check_figures(const struct prediction *p)
{
    for (size_t q = 0; q < COIL_QUANTITIES; ++q) {
        const struct prediction_figure *f = &p->figure[q];

        if (!f->exists)
            continue;
        if (isnan(f->value) || isnan(f->u) || f->u < 0 || isnan(f->low) || isnan(f->high) ||
            f->low > f->high)
            abort();
    }
}

static void predict(const struct design *design)
{
    struct coil_conditions conditions;
    struct prediction prediction;
    struct outlook outlook;
    struct coil *coil;
    struct status st = {0};

    if (coil_new(design, &coil, &st) != STATUS_OK) {
        if (!st.text[0])
            abort();
        return;
    }
    coil_conditions_nominal(coil, &conditions);
    if (prediction_make(coil, &conditions, COIL_ALL, 0, &prediction, &st) == STATUS_OK) {
        check_figures(&prediction);
        if (outlook_make(coil_design(coil), &prediction, &outlook, &st) != STATUS_OK && !st.text[0])
            abort();
    } else if (!st.text[0]) {
        abort(); /* a refusal says why */
    }
    coil_free(coil);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct designfile_warnings warnings;
    struct design design;
    struct status st;
    char *text = malloc(size + 1);

    if (!text)
        return 0;
    memcpy(text, data, size);
    text[size] = '\0';
    if (designfile_parse(fuzz_units(), "fuzz", text, &design, &warnings, &st) == STATUS_OK)
        predict(&design);
    else if (!st.text[0])
        abort(); /* a refusal says why */
    free(text);
    return 0;
}
