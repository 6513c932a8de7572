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
                            "type = uint32\nslave = 2\n"
                            "[channel m.f]\nquantity = count\nregister = 12\ntype = bcd64\n"
                            "scaling_register = 18\nstatus_register = 200\n"
                            "status_overload = 1\nstatus_valid = 0x100\n"
                            "[channel m.g]\nquantity = count\nregister = 20\ntype = int64\n"
                            "bits = 60-63\nscaling_register = 16\nscaling_type = float32\n"
                            "scaling = divisor\n";

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile *kept;

    if (size > 1)
        talk_driver(bench, &kept, data, size);
    return 0;
}
