/* Any text as a number, a word in its place, and a unit; nothing behind its end is read. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/number.h"
#include "acquire/unitword.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const units[] = {"V", "A", "ohm", "kg", "N", "K", "Hz", "F", "H", "W", "s"};
    char *exact = malloc(size ? size : 1); /* without a final 0 */
    char *text = calloc(1, size + 1);
    struct number number;
    struct unitword word;

    if (exact && text) {
        if (size > 0)
            memcpy(exact, data, size);
        if (size > 0)
            memcpy(text, data, size);
        for (int decimal = NUMBER_POINT; decimal <= NUMBER_EITHER; ++decimal)
            if (number_read(exact, size, (enum number_decimal)decimal, &number) &&
                number.used > size)
                abort();
        if (number_read_hex(exact, size, true, &number) && number.used > size)
            abort();
        number_word(exact, size);
        for (size_t i = 0; i < sizeof units / sizeof units[0]; ++i)
            if (unitword_read(text, units[i], &word) && strlen(word.unit) >= UNITWORD_MAX)
                abort();
    }
    free(exact);
    free(text);
    return 0;
}
