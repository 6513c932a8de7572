/* Whatever a person or a file writes for a value: no crash, and what is taken is finite. */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "db/units.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const dimensions[] = {"m", "ohm", "kg", "K", "1", "ohm/m", "s", "N"};
    static struct units *u;
    struct units_value v;
    struct status st;
    char text[2 * UNITS_TEXT_MAX];
    double scale, offset;

    if (!u && units_open(&u, &st) != STATUS_OK)
        abort();
    if (size < 1 || size > sizeof text)
        return 0;
    memcpy(text, data + 1, size - 1);
    text[size - 1] = '\0';
    if (units_parse_uncertain(u, text, dimensions[data[0] % 8], &v, &st) == STATUS_OK &&
        (!isfinite(v.value) || (v.has_uncertainty && !(v.half_width >= 0))))
        abort();
    if (units_parse_load(u, text, &v, &st) == STATUS_OK && !(v.value >= 0))
        abort();
    if (units_convert_factor(u, text, dimensions[data[0] % 8], &scale, &offset, &st) == STATUS_OK &&
        (!isfinite(scale) || !isfinite(offset) || scale == 0))
        abort();
    return 0;
}
