/* Any bytes as a bench file: a message or a bench, never a crash. */
#include <stdint.h>

#include "acquire/benchfile.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct benchfile *bench;

    if (size > 20000)
        return 0;
    if (benchfile_parse("fuzz", (const char *)data, size, NULL, NULL, &bench, NULL) == STATUS_OK)
        benchfile_free(bench);
    return 0;
}
