/* The bench file: what is taken, and that each fault is named by file, line, section and field. */
#include "acquire/benchcheck.h"
#include "tests/acquire/harness.h"

#define METER "[instrument m]\ndriver = scpi\nport = /dev/m\n[channel m.r]\nquantity = resistance\n"

static void add_fault(void *to, const char *text)
{
    text_add(to, "%s\n", text);
}

/* All faults of a text, one a line; "" for a good one. */
static char *faults_of(const char *text)
{
    struct benchfile *bench = NULL;
    struct text faults = {0};
    struct status st;
    enum status_code code;

    text_add(&faults, "%s", "");
    code = benchfile_parse("b.conf", text, strlen(text), add_fault, &faults, &bench, &st);
    assert_true((code == STATUS_OK) == (faults.length == 0));
    if (code != STATUS_OK) {
        assert_null(bench);
        assert_int_equal(strncmp(faults.bytes, st.text, strlen(st.text)), 0); /* the first one */
    }
    benchfile_free(bench);
    return faults.bytes;
}

static void one_fault_each(void **state)
{
    static const struct {
        const char *text;
        const char *fault; /* begins one line of the faults */
    } cases[] = {
        {"", "b.conf: has no [instrument NAME] section"},
        {"x = 1\n" METER, "b.conf:1: x: stands before the first [section]"},
        {METER "[magnet]\n", "b.conf:6: [magnet]: unknown section; expected [store], [instrument"},
        {METER "[instrument m]\n", "b.conf:6: [instrument m]: given twice; it stands in line 1"},
        {METER "[channel m.x]\n", "b.conf:6: [channel m.x] quantity: missing"},
        {METER "[channel q.x]\nquantity = voltage\n",
         "b.conf:6: [channel q.x]: there is no usable section [instrument q]"},
        {METER "[channel m]\nquantity = voltage\n", "b.conf:6: [channel m]: expected [channel INS"},
        {METER "[channel m.2x]\nquantity = voltage\n", "b.conf:6: [channel m.2x]: expected [chan"},
        {"[instrument 9]\ndriver = scpi\n", "b.conf:1: [instrument 9]: expected a name"},
        {"[instrument abcdefghijklmnopqrstu]\n", "b.conf:1: [instrument abcdefghijklmnopqrstu]: e"},
        {"[instrument m]\ndriver = scpy\n",
         "b.conf:2: [instrument m] driver: 'scpy' is not a driver; expected one of "},
        {"[instrument m]\nport = /dev/x\n", "b.conf:1: [instrument m] driver: missing"},
        {"[instrument m]\ndriver = scpi\n[channel m.r]\nquantity = resistance\n",
         "b.conf:1: [instrument m] port: missing; the section must give it"},
        {"[instrument m]\ndriver = scpi\nport = ttyUSB0\n",
         "b.conf:3: [instrument m] port: 'ttyUSB0' must be a whole path"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\n",
         "b.conf:1: [instrument m]: has no channel; add a [channel m.NAME] section"},
        {METER "[instrument n]\ndriver = scpi\nport = /dev/m\n[channel n.r]\nquantity = voltage\n",
         "b.conf:8: [instrument n] port: [instrument m] has this port already"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nbuad = 9600\n",
         "b.conf:4: [instrument m] buad: unknown key; did you mean 'baud'?"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nmagnetism = 9\n",
         "b.conf:4: [instrument m] magnetism: unknown key for this section"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nbaud = fast\n",
         "b.conf:4: [instrument m] baud: 'fast' is not a whole number"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nbaud = 9600.5\n",
         "b.conf:4: [instrument m] baud: '9600.5' is not a whole number"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nbaud = 0\n",
         "b.conf:4: [instrument m] baud: 0 is out of range; expected 50 to 4e+06"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nparity = both\n",
         "b.conf:4: [instrument m] parity: 'both' is not one of: none even odd mark space"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\ndtr = maybe\n",
         "b.conf:4: [instrument m] dtr: 'maybe' is neither yes nor no"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\ntimeout = 5 fortnights\n",
         "b.conf:4: [instrument m] timeout: '5 fortnights' is not a time"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\ntimeout = 1 d\n",
         "b.conf:4: [instrument m] timeout: 1 d is out of range; expected 0.01 to 600 s"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nterminator = \\q\n",
         "b.conf:4: [instrument m] terminator: '\\q': a backslash must begin"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nbaud = 9600\nbaud = 19200\n",
         "b.conf:5: [instrument m] baud: given twice; it stands in line 4 already"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\nretry = 1 min\nretry_most = 1 s\n",
         "b.conf:5: [instrument m] retry_most: must not be shorter than retry"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\ncommand = beep\n",
         "b.conf:4: [instrument m] command: 'beep' is not understood; expected NAME: BYTES"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\n[channel m.r]\nquantity = gravity\n",
         "b.conf:5: [channel m.r] quantity: 'gravity' is not a quantity known here"},
        {METER "unit = volt\n", "b.conf:6: [channel m.r] unit: 'volt' is not a unit of resistance"},
        {METER "scale = 0\n", "b.conf:6: [channel m.r] scale: a scale of 0 makes every reading"},
        {METER "gain = 0\n", "b.conf:6: [channel m.r] gain: a gain of 0 makes every reading"},
        {METER "shunt = 0.1\n", "b.conf:6: [channel m.r] shunt: a shunt turns a voltage into a cu"},
        {METER "point1 = 1 2\npoint2 = 1 3\n", "b.conf:7: [channel m.r] point2: the two calibrat"},
        {METER "point1 = 1\npoint2 = 2 3\n", "b.conf:6: [channel m.r] point1: '1' is not two num"},
        {METER "point1 = 1 2\npoint2 = 2 3\ngain = 2\n", "b.conf:6: [channel m.r] point1: give tw"},
        {METER "calibrated = yesterday\n", "b.conf:6: [channel m.r] calibrated: 'yesterday' is n"},
        {METER "calibrated = 2025-13-01\n", "b.conf:6: [channel m.r] calibrated: '2025-13-01' is"},
        {METER "accuracy = good\n", "b.conf:6: [channel m.r] accuracy: 'good' is not understood"},
        {METER "accuracy = 0.5 % + 3 digits\n",
         "b.conf:6: [channel m.r] accuracy: '0.5 % + 3 digits' does not say what a digit is worth"},
        {METER "accuracy = up to 20: 1 %\naccuracy = up to 2: 1 %\n",
         "b.conf:6: [channel m.r] accuracy: the ranges must grow"},
        {METER "lowest = 5\nhighest = 5\n", "b.conf:7: [channel m.r] highest: must be more than l"},
        {METER "wires = 3\n", "b.conf:6: [channel m.r] wires: 3 wires; expected 2 or 4"},
        {METER "range = big\n", "b.conf:6: [channel m.r] range: 'big' is neither 'auto' nor a num"},
        {METER "method = measure\nnplc = 10\n",
         "b.conf:7: [channel m.r] nplc: has no effect besid"},
        {"[instrument m]\ndriver = scpi\nport = /dev/m\n[channel m.l]\nquantity = inductance\n",
         "b.conf:4: [channel m.l] query: missing; SCPI has no standard function for inductance"},
        {"[instrument b]\ndriver = lines\nport = /dev/b\npattern = (\n[channel b.v]\n"
         "quantity = voltage\n",
         "b.conf:4: [instrument b] pattern: not a usable pattern: "},
        {"[instrument b]\ndriver = lines\nport = /dev/b\npattern = (?<w>.)\n[channel b.v]\n"
         "quantity = voltage\n",
         "b.conf:5: [channel b.v] column: no pattern of [instrument b] has a group (?<v>...)"},
        {"[instrument b]\ndriver = lines\nport = /dev/b\nseparator = ab\n[channel b.v]\n"
         "quantity = voltage\ncolumn = 1\n",
         "b.conf:4: [instrument b] separator: must be one character"},
        {"[store]\ndatabase = x.db\n" METER,
         "b.conf:2: [store] database: 'x.db' must be a whole p"},
        {"[store]\nflush = 1 h\n" METER, "b.conf:2: [store] flush: 1 h is out of range"},
        {"[store]\nkeep = 5 s\n" METER, "b.conf:2: [store] keep: '5 s' is not understood"},
        {METER "this is no entry\n", "b.conf:6: expected [section], key = value"},
        {METER "\xff\n", "b.conf:6: not plain UTF-8 text"},
    };
    size_t tried = 0;

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        char *faults = faults_of(cases[i].text);

        if (strncmp(faults, cases[i].fault, strlen(cases[i].fault)) != 0 &&
            !strstr(faults, cases[i].fault))
            fail_msg("case %zu: expected\n%s...\ngot\n%s", i, cases[i].fault, faults);
        free(faults);
        ++tried;
    }
    printf("%zu bad bench files refused\n", tried);
}

static void two_points_need_two(void **state)
{
    char *faults = faults_of(METER "point1 = 1 2\n");

    (void)state;
    assert_non_null(strstr(faults, "[channel m.r] point2: missing"));
    free(faults);
    faults = faults_of("[instrument b]\ndriver = lines\nport = /dev/b\ncapture_request = C\n"
                       "[channel b.v]\nquantity = voltage\ncolumn = 1\n");
    assert_non_null(strstr(faults, "[instrument b] capture_sample: missing"));
    free(faults);
}

/* --check lists all of them, not only the first. */
static void all_faults(void **state)
{
    char *faults = faults_of("[instrument m]\ndriver = scpi\nport = m\nbaud = x\nbits = 9\n"
                             "[channel m.r]\nquantity = resistance\nunit = kg\nscale = 0\n");

    (void)state;
    assert_non_null(strstr(faults, "b.conf:4: [instrument m] baud"));
    assert_non_null(strstr(faults, "b.conf:5: [instrument m] bits"));
    assert_non_null(strstr(faults, "b.conf:3: [instrument m] port"));
    assert_non_null(strstr(faults, "b.conf:8: [channel m.r] unit"));
    assert_non_null(strstr(faults, "b.conf:9: [channel m.r] scale"));
    free(faults);
}

/* The drivers say all they find, too, in each section whose values are right in themselves. */
static void all_faults_of_drivers(void **state)
{
    char *faults = faults_of("[instrument b]\ndriver = lines\nport = /dev/b\nseparator = xx\n"
                             "checksum_mark = yy\npattern = ^(?<v>.+)$\n"
                             "[channel b.w]\nquantity = voltage\n"
                             "[channel b.x]\nquantity = nonsense\ncalibrated = never\n"
                             "[instrument m]\ndriver = modbus\nport = /dev/m\n"
                             "[channel m.r]\nquantity = resistance\nregister = abc\ninvalid = z\n"
                             "[instrument s]\ndriver = scpi\nport = /dev/s\nterminator =\n"
                             "[channel s.r]\nquantity = resistance\nwires = 3\nrange = -5\n"
                             "[channel s.m]\nquantity = mass\n"
                             "[instrument h]\ndriver = segments\nport = /dev/h\nflag = x\n"
                             "[channel h.m]\nquantity = mass\n"
                             "[instrument z]\ndriver = modbus\nport = /dev/z\nbaud = x\n"
                             "[channel z.r]\nquantity = resistance\nregister = abc\n");

    static const char *const expected[] = {
        "b.conf:4: [instrument b] separator",   "b.conf:5: [instrument b] checksum_mark",
        "b.conf:7: [channel b.w] column",       "b.conf:10: [channel b.x] quantity",
        "b.conf:11: [channel b.x] calibrated",  "b.conf:17: [channel m.r] register",
        "b.conf:18: [channel m.r] invalid",     "b.conf:15: [channel m.r] type",
        "b.conf:22: [instrument s] terminator", "b.conf:25: [channel s.r] wires",
        "b.conf:26: [channel s.r] range",       "b.conf:27: [channel s.m] query",
        "b.conf:32: [instrument h] flag",       "b.conf:34: [channel h.m] quantity",
        "b.conf:38: [instrument z] baud",
    };

    (void)state;
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; ++i)
        if (!strstr(faults, expected[i]))
            fail_msg("%s is not in\n%s", expected[i], faults);
    assert_null(strstr(faults, "[channel z.r]"));
    free(faults);
}

/* Carat: 4th CGPM (1907); standard gravity: 3rd CGPM (1901). */
static void units_as_written(void **state)
{
    struct benchfile *bench = bench_of("[instrument b]\ndriver = lines\nport = /dev/b\n"
                                       "[channel b.a]\nquantity = mass\nunit = ct\ncolumn = 1\n"
                                       "[channel b.b]\nquantity = force\nunit = kg\ncolumn = 2\n"
                                       "[channel b.c]\nquantity = resistance\nunit = KOHM\n"
                                       "column = 3\n"
                                       "[channel b.d]\nquantity = mass\nunit = lb\ncolumn = 4\n");
    const double factors[] = {0.0002, 9.80665, 1000.0, 0.45359237};

    (void)state;
    for (size_t i = 0; i < 4; ++i)
        assert_true(fabs(bench->instrument[0].channel[i].calibration.unit_factor / factors[i] -
                         1.0) < 1e-12);
    benchfile_free(bench);
}

static void warnings(void **state)
{
    struct benchfile *bench =
        bench_of("[instrument b]\ndriver = lines\nport = /dev/b\n"
                 "pattern = ^(?<stabel>S)?(?<v>[0-9.]+)(?<v_unit>m?V) (?<sequence>[0-9]+)$\n"
                 "[channel b.v]\nquantity = voltage\naccuracy = 1 %\n"
                 "[channel b.i]\nquantity = current\ncolumn = 2\n"
                 "[channel b.n]\nquantity = count\ncolumn = 3\n"
                 "[instrument m]\ndriver = scpi\nport = /dev/m\nerrors = no\n"
                 "[channel m.r]\nquantity = resistance\naccuracy = 1 %\n"
                 "[instrument n]\ndriver = scpi\nport = /dev/n\nerrors = no\n"
                 "[channel n.r]\nquantity = resistance\naccuracy = 1 %\nmethod = measure\n"
                 "[instrument o]\ndriver = lines\nport = /dev/o\n"
                 "pattern = V=(?<v>\\S+)$\npattern = ^U=(?<v>\\S+)\\$\npattern = "
                 "^W=(?<v>\\S+)|W=(?<other>x)$\n"
                 "[channel o.v]\nquantity = voltage\naccuracy = 1 %\n");
    struct text text = {0};

    (void)state;
    assert_int_equal(benchcheck_warn(bench, add_fault, &text), 6);
    assert_string_equal(text.bytes,
                        "bench:4: [instrument b] pattern: the group (?<stabel>...) is no channel's "
                        "and means nothing\n"
                        "bench:8: [channel b.i] accuracy: no accuracy is given: limits of 1.5 % of "
                        "the reading will be assumed; the instrument's manual has its own\n"
                        "bench:17: [instrument m] errors: without the error queue a function that "
                        "the meter does not know goes unnoticed\n"
                        "bench:32: [instrument o] pattern: 'V=(?<v>\\S+)$' does not begin with ^ "
                        "and so matches the rest of a longer line, too\n"
                        "bench:32: [instrument o] pattern: '^U=(?<v>\\S+)\\$' has no $ and so "
                        "matches a line that goes on, too\n"
                        "bench:32: [instrument o] pattern: '^W=(?<v>\\S+)|W=(?<other>x)$' does not "
                        "begin with ^ and so matches the rest of a longer line, too\n");
    text_free(&text);
    benchfile_free(bench);
}

static void good_file(void **state)
{
    struct benchfile *bench =
        bench_of("; a comment\n[store]\ndatabase = /var/lib/x/b.db\nflush = 250 ms\nkeep = 400 d\n"
                 "[channel m.i]\nquantity = current\nunit = mV\nshunt = 0.1\nshunt_tolerance = 1\n"
                 "resolution = 0.01\n"
                 "accuracy = up to 200: 0.5 % + 3 digits of 0.1\naccuracy = 1 % + 5 digits\n"
                 "point1 = 0.001 0\npoint2 = 1.021 1\ncalibrated = 2025-03-01\n"
                 "lowest = -5\nhighest = 500 ; a remark\n"
                 "[instrument m]\ndriver = scpi\nport = /dev/m\nbaud = 19200\nparity = even\n"
                 "timeout = 2.5 s\nsetup = A\nsetup = B C\\s\nterminator = \\r\\n\n"
                 "[channel m.t]\nquantity = temperature\nunit = degC\npoint1 = 0.5 0\n"
                 "point2 = 99 100\n");
    const struct benchfile_instrument *m = &bench->instrument[0];
    const struct benchfile_channel *i = &m->channel[0];
    const struct benchfile_channel *t = &m->channel[1];
    size_t length;

    (void)state;
    assert_string_equal(bench->database, "/var/lib/x/b.db");
    assert_true(bench->flush_interval == 0.25);
    assert_true(bench->retention == 400.0 * 86400.0);
    assert_int_equal(bench->instruments, 1);
    assert_int_equal(m->channels, 2);
    assert_int_equal(section_integer(m->values, "baud"), 19200);
    assert_int_equal(section_time(m->values, "timeout"), 2500000);
    assert_int_equal(section_time(m->values, "interval"), 1000000);
    assert_true(section_given(m->values, "baud"));
    assert_false(section_given(m->values, "bits"));
    assert_int_equal(section_integer(m->values, "bits"), 8);
    assert_string_equal(section_item(m->values, "setup", 0, NULL), "A");
    assert_string_equal(section_item(m->values, "setup", 1, &length), "B C ");
    assert_int_equal(length, 4);
    assert_null(section_item(m->values, "setup", 2, NULL));
    assert_memory_equal(section_bytes(m->values, "terminator", &length), "\r\n", 2);
    assert_true(i->limit_high == 500.0);
    assert_int_equal(i->calibration.ranges, 2);
    assert_true(i->calibration.accuracy[0].digit == 0.1);
    assert_true(i->calibration.accuracy[1].digit == 0.01);
    assert_string_equal(i->calibration.date, "2025-03-01");
    /* 102.1 mV across 0.1 ohm shows 1.021 A, and the point says that this is 1 A. */
    assert_true(fabs(calibration_value(&i->calibration, 102.1) - 1.0) < 1e-12);
    assert_true(fabs(calibration_value(&i->calibration, 0.1)) < 1e-12);
    /* The thermometer shows 0.5 in ice and 99 in steam, in degrees; SI is kelvin. */
    assert_true(fabs(calibration_value(&t->calibration, 0.5) - 273.15) < 1e-9);
    assert_true(fabs(calibration_value(&t->calibration, 99.0) - 373.15) < 1e-9);
    benchfile_free(bench);
}

/* Damaged files end in a message, never in a crash: every cut and every byte turned of a good
 * one. (The fuzzer goes further.) */
static void damaged_files(void **state)
{
    static const char text[] =
        "[store]\nflush = 1 s\n" METER "accuracy = up to 2: 0.5 % + 3 digits "
        "of 0.001\nwires = 4\n";
    size_t refused = 0;

    (void)state;
    for (size_t i = 0; i < sizeof text - 1; ++i)
        for (int turn = 0; turn < 4; ++turn) {
            char damaged[sizeof text];
            struct benchfile *bench;
            struct status st;
            size_t size = turn == 0 ? i : sizeof text - 1;

            memcpy(damaged, text, sizeof text);
            if (turn > 0)
                damaged[i] = (char)(damaged[i] ^ (1 << (2 * turn - 1)));
            if (benchfile_parse("b", damaged, size, NULL, NULL, &bench, &st) == STATUS_OK) {
                benchfile_free(bench);
            } else {
                assert_true(strlen(st.text) > 3);
                ++refused;
            }
        }
    printf("%zu of %zu damaged files refused\n", refused, 4 * (sizeof text - 1));
    assert_true(refused > 200);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_fault_each),   cmocka_unit_test(two_points_need_two),
        cmocka_unit_test(all_faults),       cmocka_unit_test(good_file),
        cmocka_unit_test(damaged_files),    cmocka_unit_test(all_faults_of_drivers),
        cmocka_unit_test(units_as_written), cmocka_unit_test(warnings),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
