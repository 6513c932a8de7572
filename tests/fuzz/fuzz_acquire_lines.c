/* Any bytes through the lines driver, with all that it can do switched on. */
#include "tests/fuzz/talk.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char *const benches[] = {
    "[instrument x]\ndriver = lines\nport = /dev/null\nchecksum = xor8\n"
    "pattern = ^V=(?<v>[-+0-9.]+) ?(?<unit>\\w*)(?:,N=(?<sequence>\\d+))?(?<unstable>U)?$\n"
    "ignore_pattern = ^#\noverload_pattern = ^OL (?<v>.)?\noverload_text = OL\n"
    "identity_request = who\\n\nidentity_pattern = ^I am (?<identity>.*)$\n"
    "capture_request = C {channel} {rate} {samples}\\n\ncapture_begin = ^B (?<rate>\\S+) "
    "(?<samples>\\S+)\ncapture_sample = ^D (?<index>\\d+):(?<values>.*)$\n"
    "capture_end = ^E(?: (?<samples>\\d+))?$\n[channel x.v]\nquantity = voltage\n",
    "[instrument x]\ndriver = lines\nport = /dev/null\nseparator = semicolon\nrequest = ?\\n\n"
    "interval = 100 ms\ncapture_request = C\\n\ncapture_form = block\ncapture_word = f32be\n"
    "[channel x.v]\nquantity = voltage\ncolumn = 1\n"
    "[channel x.w]\nquantity = current\ncolumn = 3\nkind = maximum\noverload_from = 100\n",
    "[instrument x]\ndriver = lines\nport = /dev/null\nterminator = quiet\n"
    "pattern = (?<v>[-+ ]*[0-9.,]+)\nsequence_modulo = 16\ncapture_request = C\\n\n"
    "capture_form = bare\ncapture_begin = GO\ncapture_word = i16le\n"
    "[channel x.v]\nquantity = mass\nunit = g\n",
    "[instrument x]\ndriver = lines\nport = /dev/null\nchecksum = xor8\nchecksum_start = \\x02\n"
    "checksum_mark = \\x03\nchecksum_marks = end\nchecksum_form = raw\n"
    "pattern = ^\\x02(?<v>[-+ ]*\\d+) lb *(?<v_oz>\\S*) oz (?<w>.*)$\n"
    "[channel x.v]\nquantity = mass\n[channel x.w]\nquantity = voltage\nform = signed-hex\n",
    "[instrument x]\ndriver = lines\nport = /dev/null\nchecksum = crc16-modbus\n"
    "checksum_mark = none\nchecksum_form = raw-low-first\nterminator = \\r\\n\n"
    "request = a\nrequest = b\n[channel x.v]\nquantity = mass\ncolumn = 2\n",
    "[instrument x]\ndriver = lines\nport = /dev/null\nchecksum = sum8\nchecksum_form = decimal\n"
    "pattern = (?:(?<v_minus>[-N])|\\+)? *,?(?<v>[0-9. ]+)(?<v_decimals>.)?(?<unit>[a-zA-Z]*)"
    "(?<other>#.)?\npattern = (?<v>[0-9]+)\ndecimal = comma\n"
    "[channel x.v]\nquantity = mass\n[channel x.w]\nquantity = voltage\ncolumn = 3\n"
    "sign_column = 2\n",
};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile *kept[6];

    if (size > 1)
        talk_driver(benches[data[0] % 6], &kept[data[0] % 6], data + 1, size - 1);
    return 0;
}
