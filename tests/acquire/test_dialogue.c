/* One instrument at run time: real pseudo-terminals, the real logger and store, simulated time.
 * Each fault must end as an event with a clear sentence, and a wrong reading must never be stored.
 */
#include "acquire/dialogue.h"
#include "acquire/logger.h"

#include "tests/acquire/harness.h"

#define WALL 1700000000000000

struct rig {
    char place[200];
    char database[240];
    char link[240];
    struct logger *logger;
    struct benchfile *bench;
    struct dialogue *dialogue;
    struct pseudo port;
    struct driver_time now;
};

static void rig_open(struct rig *rig, const char *bench)
{
    char text[2000];
    const char *mark = strstr(bench, "{port}");
    struct status st;

    memset(rig, 0, sizeof *rig);
    make_place(rig->place, sizeof rig->place);
    snprintf(rig->database, sizeof rig->database, "%s/t.db", rig->place);
    snprintf(rig->link, sizeof rig->link, "%s/port", rig->place);
    assert_non_null(mark);
    snprintf(text, sizeof text, "%.*s%s%s", (int)(mark - bench), bench, rig->link, mark + 6);
    rig->bench = bench_of(text);
    rig->now = (struct driver_time){WALL, 1000000};
    if (logger_open(rig->database, 1.0, (double)INFINITY, NULL, &rig->logger, &st) != STATUS_OK ||
        dialogue_new(rig->bench, 0, rig->logger, NULL, &rig->now, &rig->dialogue, &st) != STATUS_OK)
        fail_msg("%s", st.text);
}

static void rig_close(struct rig *rig)
{
    struct status st;

    dialogue_free(rig->dialogue, &rig->now);
    assert_int_equal(logger_close(rig->logger, &st), STATUS_OK);
    benchfile_free(rig->bench);
    if (rig->port.link[0] && rig->port.master > 0)
        pseudo_unplug(&rig->port);
    remove_place(rig->place);
}

/* Lets time pass in steps as the loop would: readiness first, then what is due. */
static void pass(struct rig *rig, int64_t us)
{
    int64_t end = rig->now.mono + us;

    for (;;) {
        int fd = dialogue_descriptor(rig->dialogue);
        struct pollfd one = {.fd = fd, .events = POLLIN};
        int64_t due;

        if (fd >= 0 && poll(&one, 1, 0) > 0)
            dialogue_ready(rig->dialogue, (one.revents & POLLIN) != 0, false,
                           (one.revents & (POLLHUP | POLLERR)) != 0, &rig->now);
        if (dialogue_due(rig->dialogue) <= rig->now.mono)
            dialogue_tick(rig->dialogue, &rig->now);
        logger_flush(rig->logger, &rig->now, false, NULL);
        if (rig->now.mono >= end)
            return;
        due = dialogue_due(rig->dialogue);
        if (due > rig->now.mono + 20000)
            due = rig->now.mono + 20000;
        if (due <= rig->now.mono)
            due = rig->now.mono + 1000;
        if (due > end)
            due = end;
        rig->now.wall += due - rig->now.mono;
        rig->now.mono = due;
    }
}

static int64_t events(struct rig *rig, const char *kind, const char *like)
{
    char sql[300];

    logger_flush(rig->logger, &rig->now, true, NULL);
    snprintf(sql, sizeof sql, "SELECT count(*) FROM event WHERE kind = '%s' AND text LIKE '%%%s%%'",
             kind, like);
    return ask(rig->database, sql);
}

static int64_t readings(struct rig *rig)
{
    logger_flush(rig->logger, &rig->now, true, NULL);
    return ask(rig->database, "SELECT count(*) FROM reading");
}

static const char talker[] = "[instrument b]\ndriver = lines\nport = {port}\nbaud = 19200\n"
                             "pattern = ^V=(?<v>[-0-9.]+)$\nretry = 100 ms\nsilent = 3 s\n"
                             "[channel b.v]\nquantity = voltage\n";

/* Nothing there, plugged in, pulled, plugged in again: one event each, and the gap between. */
static void unplugged(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, talker);
    pass(&rig, 1000000);
    assert_int_equal(events(&rig, "missing", "nothing is plugged in there"), 1);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 2000000);
    assert_int_equal(events(&rig, "connected", ""), 1);
    pseudo_say(&rig.port, "V=1.5\nV=1.6\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 2);
    pseudo_unplug(&rig.port);
    pass(&rig, 5000000);
    assert_int_equal(events(&rig, "disconnected", "the port is gone"), 1);
    assert_int_equal(events(&rig, "gap", ""), 0); /* not before it has ended */
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 10000000);
    pseudo_say(&rig.port, "V=1.7\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 3);
    assert_int_equal(events(&rig, "gap", "the port was gone"), 1);
    rig_close(&rig);
}

/* What was cut by opening the port in the middle of a line is no reading: 1.5 of 11.5. */
static void cut_line(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, "[instrument b]\ndriver = lines\nport = {port}\npattern = (?<v>[-0-9.]+)$\n"
                   "[channel b.v]\nquantity = voltage\n");
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 1000);
    pseudo_say(&rig.port, "1.5\n11.5\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 1);
    assert_int_equal(ask(rig.database, "SELECT min(value) > 11 FROM measured"), 1);
    /* Half a line, a long silence, then its end: the end is not a reading either. */
    pseudo_say(&rig.port, "12.");
    pass(&rig, 3000000);
    pseudo_say(&rig.port, "25\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 1);
    pseudo_say(&rig.port, "12.25\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 2);
    rig_close(&rig);
}

static void silent(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    pseudo_say(&rig.port, "V=1.5\n");
    pass(&rig, 60000000);
    assert_int_equal(events(&rig, "silent", "nothing for 3 s"), 1);
    pseudo_say(&rig.port, "V=1.5\n");
    pass(&rig, 100000);
    assert_int_equal(events(&rig, "gap", "no readings for 60."), 1);
    assert_int_equal(events(&rig, "gap", "silent"), 1);
    rig_close(&rig);
}

/* A line at another baud rate is bytes that no text has. */
static void wrong_baud(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    for (int i = 0; i < 50; ++i) {
        pseudo_say(&rig.port, "\xfe\x9c\x1e\xfc\xe0\x8f\x18\xf8");
        pass(&rig, 100000);
    }
    assert_int_equal(events(&rig, "wrong-baud", "the baud rate (now 19200)"), 1);
    assert_int_equal(readings(&rig), 0);
    rig_close(&rig);
}

static void another_dialect(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    for (int i = 0; i < 20; ++i) {
        pseudo_say(&rig.port, "Volts 1.5\r\n");
        pass(&rig, 500000);
    }
    assert_int_equal(events(&rig, "garbage", "for example ''Volts 1.5''"), 1);
    assert_int_equal(readings(&rig), 0);
    rig_close(&rig);
}

/* A megabyte without a line end: bounded memory, an event, and good lines afterwards. */
static void no_line_end(void **state)
{
    struct rig rig;
    char block[4096];

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    pseudo_say(&rig.port, "V=1.5\n");
    pass(&rig, 100000);
    memset(block, 'V', sizeof block - 1);
    block[sizeof block - 1] = '\0';
    for (int i = 0; i < 256; ++i) {
        pseudo_say(&rig.port, block);
        pass(&rig, 20000);
    }
    pseudo_say(&rig.port, "=9.9\nV=1.6\n");
    pass(&rig, 2000000);
    assert_int_equal(readings(&rig), 2);
    assert_true(events(&rig, "garbage", "bytes") >= 1);
    rig_close(&rig);
}

/* Far more readings than any serial line carries: the rest is left out and said. */
static void babbling(void **state)
{
    struct rig rig;
    static char block[4096];

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    for (size_t at = 0; at + 7 < sizeof block; at += 4)
        strcpy(block + at, "V=1\n");
    for (int i = 0; i < 100; ++i) {
        pseudo_say(&rig.port, block);
        pass(&rig, 1000);
    }
    pass(&rig, 1500000);
    pseudo_say(&rig.port, "V=2\n");
    pass(&rig, 100000);
    assert_true(readings(&rig) < 45000);
    assert_true(events(&rig, "babbling", "were left out") >= 1);
    rig_close(&rig);
}

static const char asked[] = "[instrument m]\ndriver = scpi\nport = {port}\nidentity = ACME\n"
                            "errors = no\ntimeout = 200 ms\nretry = 100 ms\nretry_most = 1 s\n"
                            "interval = 200 ms\n[channel m.r]\nquantity = resistance\n";

/* A meter that answers. mute: not at all. Returns how many readings it gave. */
static int meter(struct rig *rig, const char *identity, bool mute, int64_t us)
{
    int64_t end = rig->now.mono + us;
    int given = 0;

    while (rig->now.mono < end) {
        char text[1000];

        pass(rig, 5000);
        if (rig->port.master < 0 || pseudo_hear(&rig->port, text, sizeof text) == 0 || mute)
            continue;
        if (strstr(text, "*IDN?")) {
            pseudo_say(&rig->port, identity);
            pseudo_say(&rig->port, "\r\n");
        }
        if (strstr(text, "READ?")) {
            pseudo_say(&rig->port, "+1.7E+01\r\n");
            ++given;
        }
    }
    return given;
}

/* Two instruments swapped: the wrong one's readings are not stored, and it is said once. */
static void swapped(void **state)
{
    struct rig rig;
    int64_t before;

    (void)state;
    rig_open(&rig, asked);
    pseudo_plug(&rig.port, rig.link);
    meter(&rig, "OTHER,BOX", false, 10000000);
    assert_int_equal(readings(&rig), 0);
    assert_int_equal(
        events(&rig, "identity", "it says ''OTHER,BOX'', expected ''ACME''; its readings are not"),
        1);
    meter(&rig, "Acme,M1", false, 5000000);
    before = readings(&rig);
    assert_true(before > 10);
    /* Pulled and swapped while running. */
    pseudo_unplug(&rig.port);
    pass(&rig, 100000);
    before = readings(&rig);
    pseudo_plug(&rig.port, rig.link);
    meter(&rig, "OTHER,BOX", false, 5000000);
    assert_int_equal(readings(&rig), before);
    assert_int_equal(events(&rig, "identity", "OTHER"), 2);
    rig_close(&rig);
}

/* Switched off and on again: one 'silent', one 'gap', no flood, and it comes back by itself. */
static void mute_meter(void **state)
{
    struct rig rig;
    int64_t before;

    (void)state;
    rig_open(&rig, asked);
    pseudo_plug(&rig.port, rig.link);
    meter(&rig, "ACME", false, 3000000);
    pass(&rig, 50000); /* the last answer is on its way */
    before = readings(&rig);
    assert_true(before > 5);
    meter(&rig, "ACME", true, 60000000);
    assert_int_equal(events(&rig, "silent", "does not answer"), 1);
    assert_true(events(&rig, "timeout", "") <= 3);
    assert_int_equal(readings(&rig), before);
    meter(&rig, "ACME", false, 5000000);
    assert_true(readings(&rig) > before);
    assert_int_equal(events(&rig, "gap", "it did not answer"), 1);
    rig_close(&rig);
}

/* A talker that never says who it is, when that is expected: nothing is stored. */
static void no_identity(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, "[instrument b]\ndriver = lines\nport = {port}\nidentity = board 7\n"
                   "identity_pattern = ^I am (?<identity>.*)$\npattern = ^(?<v>[0-9.]+)$\n"
                   "[channel b.v]\nquantity = voltage\n");
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    for (int i = 0; i < 120; ++i) {
        pseudo_say(&rig.port, "1.5\n");
        pass(&rig, 100000);
    }
    assert_int_equal(readings(&rig), 0);
    assert_int_equal(events(&rig, "identity", "has not said who it is"), 1);
    pseudo_say(&rig.port, "I am signal board 7\n1.5\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 1);
    rig_close(&rig);
}

/* Units stated in the line, limits, equal numbers in one read. */
static void door(void **state)
{
    struct rig rig;

    (void)state;
    rig_open(&rig, "[instrument b]\ndriver = lines\nport = {port}\n"
                   "pattern = ^(?<v>[-0-9.]+) ?(?<unit>\\w*)$\n"
                   "[channel b.v]\nquantity = voltage\nunit = mV\nhighest = 5000\n");
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 500000);
    pseudo_say(&rig.port, "1500\n1500\n1.5 V\n1500 furlong\n6 V\n");
    pass(&rig, 100000);
    assert_int_equal(readings(&rig), 5);
    assert_int_equal(
        ask(rig.database, "SELECT count(*) FROM measured WHERE abs(value - 1.5) < 1e-12"), 3);
    assert_int_equal(ask(rig.database, "SELECT count(*) FROM measured WHERE value IS NULL"), 1);
    assert_int_equal(ask(rig.database, "SELECT count(*) FROM measured WHERE flags & 1024"), 2);
    assert_int_equal(events(&rig, "unit", "furlong"), 1);
    assert_true(fabs(dialogue_last(rig.dialogue, 0)->value - 6.0) < 1e-12);
    assert_true(dialogue_last(rig.dialogue, 0)->flags & STORE_FLAG_SUSPECT);
    rig_close(&rig);
}

/* Descriptors and memory over many unplug and replug cycles: none may grow. */
static void replugging(void **state)
{
    struct rig rig;
    int cycles = is_full() ? 10000 : 400;
    long before = 0, after;
    int fds_before = 0, fds_after;

    (void)state;
    rig_open(&rig, talker);
    for (int i = 0; i < cycles; ++i) {
        pseudo_plug(&rig.port, rig.link);
        pass(&rig, 310000);
        pseudo_say(&rig.port, "V=1.5\n");
        pass(&rig, 40000);
        pseudo_unplug(&rig.port);
        pass(&rig, 150000);
        if (i == cycles / 4) {
            logger_flush(rig.logger, &rig.now, true, NULL);
            fds_before = dup(0);
            close(fds_before);
            before = 0;
            FILE *statm = fopen("/proc/self/statm", "r");
            assert_non_null(statm);
            assert_int_equal(fscanf(statm, "%*d %ld", &before), 1);
            fclose(statm);
        }
    }
    fds_after = dup(0);
    close(fds_after);
    FILE *statm = fopen("/proc/self/statm", "r");
    assert_non_null(statm);
    assert_int_equal(fscanf(statm, "%*d %ld", &after), 1);
    fclose(statm);
    printf("%d cycles: %lld readings, memory %+ld pages\n", cycles, (long long)readings(&rig),
           after - before);
    assert_int_equal(readings(&rig), cycles);
    assert_int_equal(events(&rig, "disconnected", ""), cycles);
    assert_int_equal(events(&rig, "gap", ""), cycles - 1);
    assert_int_equal(fds_before, fds_after);
#ifndef __SANITIZE_ADDRESS__           /* which keeps freed memory for a while */
    assert_true(after - before < 512); /* 2 MiB: SQLite's cache fills up to its bound */
#endif
    rig.port.link[0] = '\0';
    rig_close(&rig);
}

/* Simulated hours of mixed faults, the times between readings counted here: every gap longer than
 * the silence limit or with a pulled lead has its event, and the events count no other. */
static void hours_of_faults(void **state)
{
    struct rig rig;
    int64_t hours = is_full() ? 24 : 4;
    uint32_t seed = 20250301;
    int64_t expected = 0, given = 0;

    (void)state;
    rig_open(&rig, talker);
    pseudo_plug(&rig.port, rig.link);
    pass(&rig, 400000);
    for (int64_t end = rig.now.mono + hours * 3600 * 1000000; rig.now.mono < end;) {
        /* A good stretch. */
        int64_t lines;

        seed = seed * 1664525U + 1013904223U;
        lines = 20 + (seed >> 16) % 60;
        for (int64_t i = 0; i < lines; ++i) {
            pseudo_say(&rig.port, "V=1.5\n");
            pass(&rig, 1000000);
            ++given;
        }
        seed = seed * 1664525U + 1013904223U;
        switch ((seed >> 24) % 5) {
        case 0: /* pulled for a while */
            pseudo_unplug(&rig.port);
            pass(&rig, (int64_t)(1 + (seed >> 16) % 90) * 1000000);
            pseudo_plug(&rig.port, rig.link);
            pass(&rig, 11000000);
            ++expected;
            break;
        case 1: /* silent for a while */
            pass(&rig, (int64_t)(4 + (seed >> 16) % 90) * 1000000);
            ++expected;
            break;
        case 2: /* garbage in passing: no gap */
            pseudo_say(&rig.port, "\xff\xfe~~\n");
            pass(&rig, 1000000);
            break;
        case 3: /* the wall clock set back or forth: no gap */
            rig.now.wall += (int64_t)(seed >> 8) * ((seed & 0x80) ? 431 : -431);
            break;
        default: /* garbage for long: a gap */
            for (int i = 0; i < 20; ++i) {
                pseudo_say(&rig.port, "\x80\x81\x82\x83\x84\x85\x86\x87\x88\x89\n");
                pass(&rig, 500000);
            }
            ++expected;
            break;
        }
    }
    pseudo_say(&rig.port, "V=1.5\n");
    pass(&rig, 1000000);
    ++given;
    printf("%lld simulated hours: %lld gaps made, %lld on record; %lld readings of %lld\n",
           (long long)hours, (long long)expected, (long long)events(&rig, "gap", ""),
           (long long)readings(&rig), (long long)given);
    assert_int_equal(readings(&rig), given);
    assert_int_equal(events(&rig, "gap", ""), expected);
    rig_close(&rig);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(unplugged),
        cmocka_unit_test(cut_line),
        cmocka_unit_test(silent),
        cmocka_unit_test(wrong_baud),
        cmocka_unit_test(another_dialect),
        cmocka_unit_test(no_line_end),
        cmocka_unit_test(babbling),
        cmocka_unit_test(swapped),
        cmocka_unit_test(mute_meter),
        cmocka_unit_test(no_identity),
        cmocka_unit_test(door),
        cmocka_unit_test(replugging),
        cmocka_unit_test(hours_of_faults),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
