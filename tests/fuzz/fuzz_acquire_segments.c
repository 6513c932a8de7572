/* Any bytes as the display of a handheld meter. */
#include "tests/fuzz/talk.h"

static const char bench[] = "[instrument m]\ndriver = segments\nport = /dev/null\ncounts = 4000\n"
                            "[channel m.v]\nquantity = voltage\ncoupling = either\n"
                            "[channel m.i]\nquantity = current\n"
                            "[channel m.r]\nquantity = resistance\n";

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile *kept;

    if (size > 1)
        talk_driver(bench, &kept, data, size);
    return 0;
}
