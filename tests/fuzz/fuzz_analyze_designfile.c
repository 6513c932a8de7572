/* Design files: whatever is in them, an error or a design, never a crash. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_errno.h>

#include "analyze/designfile.h"

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
    if (designfile_parse(fuzz_units(), "fuzz", text, &design, &warnings, &st) != STATUS_OK &&
        !st.text[0])
        abort(); /* a refusal says why */
    free(text);
    return 0;
}
