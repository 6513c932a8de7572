/* Any bytes as the answers of a SCPI meter. */
#include "tests/fuzz/talk.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char *const benches[] = {
    "[instrument x]\ndriver = scpi\nport = /dev/null\nsetup = A\noverload_text = OL\n"
    "[channel x.r]\nquantity = resistance\nwires = 4\n[channel x.v]\nquantity = voltage\n"
    "field = 2\nquery = FETC?\nunit_text = VDC\n",
    "[instrument x]\ndriver = scpi\nport = /dev/null\nerrors = no\nidentity_query =\n"
    "decimal = comma\ninterval = 100 ms\nignore_pattern = ^OK\n"
    "[channel x.i]\nquantity = current\nshunt = 0.1\nmethod = measure\n",
    "[instrument x]\ndriver = scpi\nport = /dev/null\nprompt = $ \nprompt = DMM>\n"
    "overload_text = ODC\n[channel x.v]\nquantity = voltage\nconfigure = FUNC V\n"
    "configure = RATE 3\npattern = ^[NO]DC(?<unit>m?V)?(?<value>.*)$\n"
    "[channel x.r]\nquantity = resistance\nrange = 100\nnplc = 10\n",
    "[instrument x]\ndriver = scpi\nport = /dev/null\nerrors = no\nidentity_query =\n"
    "[channel x.l]\nquantity = inductance\nquery = FETC?\nstatus_field = 3\n"
    "status_good = 0\nstatus_good = N\n[channel x.q]\nquantity = ratio\nquery = Q?\n"
    "pattern = Q(?<value>[0-9.]+)\n",
};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct benchfile *kept[4];

    if (size > 1)
        talk_driver(benches[data[0] % 4], &kept[data[0] % 4], data + 1, size - 1);
    return 0;
}
