/* Any bytes as the answers of MODBUS slaves: framing and decoding stay within bounds, a reading
 * comes only from a frame whose CRC is right. The first byte deals out the rest. */
#include "tests/fuzz/talk.h"

static const char bench[] = "[instrument m]\ndriver = modbus\nport = /dev/null\nidentify = yes\n"
                            "merge_gap = 4\n"
                            "[channel m.a]\nquantity = count\nregister = 0\ntype = int16\n"
                            "[channel m.b]\nquantity = count\nregister = 1\ntype = float32\n"
                            "[channel m.c]\nquantity = count\nregister = 6\ntype = float64\n"
                            "words = low-first\nbytes = low-first\n"
                            "[channel m.d]\nquantity = count\nregister = 9\ntable = coil\n"
                            "[channel m.e]\nquantity = count\nregister = 3\ntable = input\n"
                            "type = uint32\nslave = 2\n";

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile *kept;

    if (size > 1)
        talk_driver(bench, &kept, data, size);
    return 0;
}
