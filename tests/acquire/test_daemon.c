/* The real daemon on pseudo-terminals: start, stop, reload, kills, a locked database, a full disk,
 * the control socket. The database is read with SQLite alone. */
#include <sys/socket.h>
#include <sys/statvfs.h>
#include <sys/un.h>

#include <jansson.h>
#include <sys/mount.h>

#include "tests/acquire/harness.h"

struct bench {
    char place[200];
    char conf[240], database[300], log[240], link[2][240];
    struct pseudo port[2];
    pid_t daemon;
    int line;
};

static const char two_talkers[] =
    "[store]\ndatabase = {place}/t.db\nflush = 200 ms\n"
    "[instrument a]\ndriver = lines\nport = {place}/a\nretry = 50 ms\nretry_most = 100 ms\n"
    "pattern = ^A(?<sequence>\\d+)=(?<v>[-0-9.]+)$\n"
    "[channel a.v]\nquantity = voltage\n"
    "[instrument b]\ndriver = lines\nport = {place}/b\nretry = 50 ms\nretry_most = 100 ms\n"
    "pattern = ^B=(?<v>[-0-9.]+)$\ncommand = coil-on: COIL 1\\n\n"
    "capture_request = C {rate} {samples}\\n\n"
    "capture_sample = ^D (?<index>\\d+) (?<values>.*)$\ncapture_end = ^E$\n"
    "capture_timeout = 2 s\n"
    "[channel b.v]\nquantity = voltage\n";

static void write_bench(const struct bench *bench, const char *text)
{
    struct text out = {0};
    const char *mark;

    while ((mark = strstr(text, "{place}"))) {
        text_add(&out, "%.*s%s", (int)(mark - text), text, bench->place);
        text = mark + 7;
    }
    text_add(&out, "%s", text);
    write_file(bench->conf, out.bytes);
    text_free(&out);
}

static void bench_open(struct bench *bench, const char *text)
{
    memset(bench, 0, sizeof *bench);
    make_place(bench->place, sizeof bench->place);
    snprintf(bench->conf, sizeof bench->conf, "%s/bench.conf", bench->place);
    snprintf(bench->database, sizeof bench->database, "%s/t.db", bench->place);
    snprintf(bench->log, sizeof bench->log, "%s/log", bench->place);
    for (int i = 0; i < 2; ++i) {
        snprintf(bench->link[i], sizeof bench->link[i], "%s/%c", bench->place, 'a' + i);
        pseudo_plug(&bench->port[i], bench->link[i]);
    }
    write_bench(bench, text);
}

static void bench_close(struct bench *bench)
{
    for (int i = 0; i < 2; ++i)
        if (bench->port[i].master > 0)
            pseudo_unplug(&bench->port[i]);
    remove_place(bench->place);
}

/* Talks on both ports for a while, a line each every step; counts the lines of a. */
static void talk(struct bench *bench, int lines, long step_us)
{
    for (int i = 0; i < lines; ++i) {
        char line[64];

        snprintf(line, sizeof line, "A%d=1.%03d\n", bench->line, bench->line % 1000);
        ++bench->line;
        if (bench->port[0].master > 0)
            pseudo_say(&bench->port[0], line);
        if (bench->port[1].master > 0)
            pseudo_say(&bench->port[1], "B=2.5\n");
        rest_us(step_us);
    }
}

/* Starts the daemon and waits until both ports are open and past the time in which a line may be
 * cut. */
static void bench_start(struct bench *bench)
{
    bench->daemon = daemon_start(bench->conf, bench->log);
    if (!wait_for(bench->database,
                  "SELECT count(*) >= 2 FROM event WHERE kind = 'connected' AND id > "
                  "(SELECT max(id) FROM event WHERE kind = 'start')",
                  1, 10.0))
        fail_msg("%s", read_file(bench->log));
    rest_us(150000);
}

/* ---- the control socket ---- */

static int control(const struct bench *bench)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    struct timeval limit = {10, 0};

    assert_true(strlen(bench->database) + 7 < sizeof address.sun_path);
    strcpy(address.sun_path, bench->database);
    strcat(address.sun_path, ".socket");
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    return fd;
}

static void tell(int fd, const char *request)
{
    /* A daemon that has closed the connection is no fault of the test's. */
    if (send(fd, request, strlen(request), MSG_NOSIGNAL) < 0)
        assert_true(errno == EPIPE || errno == ECONNRESET);
}

/* Sends a line, reads the answer's line. The caller frees it. */
static json_t *exchange(int fd, const char *request)
{
    static char answer[65536];
    size_t n = 0;
    json_t *json;

    tell(fd, request);
    while (n < sizeof answer && recv(fd, answer + n, 1, 0) == 1)
        if (answer[n++] == '\n')
            break;
    json = json_loadb(answer, n, 0, NULL);
    if (!json)
        fail_msg("'%.*s'", (int)n, answer);
    return json;
}

static bool is_ok(const json_t *answer)
{
    return json_is_true(json_object_get(answer, "ok"));
}

#define COUNT_A "SELECT count(*) FROM measured WHERE name = 'a.v'"
#define COUNT_B "SELECT count(*) FROM measured WHERE name = 'b.v'"

static void start_and_stop(void **state)
{
    struct bench bench;
    struct stat info;

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    talk(&bench, 50, 2000);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 50);
    assert_int_equal(ask(bench.database, COUNT_B), 50);
    assert_int_equal(ask(bench.database, "SELECT count(*) FROM event WHERE kind = 'stop'"), 1);
    assert_true(is_whole(bench.database));
    assert_int_equal(stat(bench.database, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0640);
    bench_close(&bench);
}

#define CONNECTED "SELECT count(*) FROM event WHERE kind = 'connected'"

/* The whole way through libserialport, which a preload shim makes take the pseudo-terminals. */
static void listed_ports(void **state)
{
    struct bench bench;

    (void)state;
    assert_int_equal(access(TEST_BUILD_DIR "/fixtures/libptyshim.so", R_OK), 0);
    bench_open(&bench, two_talkers);
    setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 0);
    setenv("LD_PRELOAD", TEST_BUILD_DIR "/fixtures/libptyshim.so", 1);
    bench_start(&bench);
    unsetenv("LD_PRELOAD");
    talk(&bench, 50, 2000);
    /* what the kernel still holds goes with the lead: let the daemon have it first */
    for (int i = 0; i < 100 && ask(bench.database, COUNT_B) < 50; i++)
        rest_us(100000);
    pseudo_unplug(&bench.port[1]);
    talk(&bench, 20, 2000);
    pseudo_plug(&bench.port[1], bench.link[1]);
    /* both connected once and one again; then the line must be quiet before its first line counts
     */
    for (int i = 0; i < 100 && ask(bench.database, CONNECTED) < 3; i++)
        rest_us(100000);
    assert_int_equal(ask(bench.database, CONNECTED), 3);
    rest_us(400000);
    talk(&bench, 30, 2000);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 100);
    assert_int_equal(ask(bench.database, COUNT_B), 80);
    assert_int_equal(ask(bench.database, "SELECT count(*) FROM event WHERE kind = 'gap'"), 1);
    bench_close(&bench);
}

/* Wrong input at the command line and in the file: exit status 2 and the sentence on stderr. */
static void refuses(void **state)
{
    struct bench bench;
    char *log;

    (void)state;
    bench_open(&bench, "[instrument a]\ndriver = lines\nbaud = x\n");
    assert_int_equal(daemon_end(daemon_start(bench.conf, bench.log)), 2);
    log = read_file(bench.log);
    assert_non_null(strstr(log, "bench.conf:3: [instrument a] baud: 'x' is not a whole number"));
    assert_non_null(strstr(log, "port: missing"));
    free(log);
    assert_int_equal(daemon_end(daemon_start("/nonexistent", bench.log)), 1);
    bench_close(&bench);
}

/* A second daemon on the same database is turned away. */
static void one_daemon(void **state)
{
    struct bench bench;
    char *log;
    char other[300];

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    snprintf(other, sizeof other, "%s/other.log", bench.place);
    assert_int_equal(daemon_end(daemon_start(bench.conf, other)), 1);
    log = read_file(other);
    assert_non_null(strstr(log, "another"));
    free(log);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    bench_close(&bench);
}

/* SIGHUP while lines arrive: none is lost, neither of the instrument that stays the same nor of the
 * one that changes; a faulty file changes nothing. */
static void reload(void **state)
{
    struct bench bench;
    struct text changed = {0};
    const char *mark = strstr(two_talkers, "pattern = ^B=");

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    talk(&bench, 50, 2000);
    text_add(&changed, "%.*ssilent = 20 s\n%s", (int)(mark - two_talkers), two_talkers, mark);
    write_bench(&bench, changed.bytes);
    kill(bench.daemon, SIGHUP);
    talk(&bench, 100, 2000);
    write_bench(&bench, "[instrument a]\n");
    kill(bench.daemon, SIGHUP);
    talk(&bench, 50, 2000);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 200);
    assert_int_equal(ask(bench.database, COUNT_B), 200);
    assert_int_equal(ask(bench.database, "SELECT count(*) FROM event WHERE kind = 'reload'"), 2);
    assert_int_equal(ask(bench.database, "SELECT count(*) FROM event WHERE kind = 'lost'"), 0);
    text_free(&changed);
    bench_close(&bench);
}

/* kill -9 in the middle: the database is whole, nothing is there twice, what a flush acknowledged
 * is there, and what is missing is not older than a flush interval (and the time the machine may
 * have kept the daemon waiting). Lines are numbered, so that every loss is seen. */
static void killed(void **state)
{
    struct bench bench;
    int rounds = is_full() ? 1000 : 12;
    double oldest = 0.0;
    uint32_t seed = 4711;

    (void)state;
    bench_open(&bench, two_talkers);
    for (int i = 0; i < rounds; ++i) {
        int64_t sent[300];
        int lines, first;
        int64_t kept, acknowledged, at;
        char sql[300];
        int fd;

        bench_start(&bench);
        fd = control(&bench);
        first = bench.line;
        seed = seed * 1664525U + 1013904223U;
        lines = 100 + (int)(seed >> 16) % 100;
        snprintf(sql, sizeof sql,
                 "SELECT count(*) FROM measured WHERE name = 'a.v' AND time > "
                 "(SELECT max(time) FROM event WHERE kind = 'start')");
        acknowledged = 0;
        for (int k = 0; k < lines; ++k) {
            sent[k] = clock_us();
            talk(&bench, 1, 2000);
            if (k == lines / 2) {
                json_t *answer = exchange(fd, "{\"do\":\"flush\"}\n");

                assert_true(is_ok(answer));
                json_decref(answer);
                acknowledged = ask(bench.database, sql);
            }
        }
        kill(bench.daemon, SIGKILL);
        at = clock_us();
        daemon_end(bench.daemon);
        close(fd);
        assert_true(is_whole(bench.database));
        kept = ask(bench.database, sql);
        assert_true(kept >= acknowledged);
        assert_true(kept <= bench.line - first);
        if (kept < lines && (double)(at - sent[kept]) / 1e6 > oldest)
            oldest = (double)(at - sent[kept]) / 1e6;
    }
    printf("%d kills: the oldest line lost was sent %.3f s before; the flush interval is 0.2 s\n",
           rounds, oldest);
    assert_true(oldest <= 0.2 + 1.0);
    assert_int_equal(ask(bench.database, "SELECT count(*) - count(DISTINCT time) FROM measured "
                                         "WHERE name = 'a.v'"),
                     0);
    bench_close(&bench);
}

/* Another program locks the database for seconds: nothing is lost, and it goes on by itself. */
static void locked(void **state)
{
    struct bench bench;
    sqlite3 *db;

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    talk(&bench, 20, 2000);
    assert_int_equal(sqlite3_open(bench.database, &db), SQLITE_OK);
    sqlite3_busy_timeout(db, 3000);
    assert_int_equal(sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    talk(&bench, 100, 15000);
    assert_int_equal(sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    talk(&bench, 30, 2000);
    assert_true(wait_for(bench.database, COUNT_A, 150, 5.0));
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 150);
    assert_int_equal(ask(bench.database, COUNT_B), 150);
    bench_close(&bench);
}

#define DISK_SIZE 260

/* A bench whose database lies on a disk of 1 MiB; the caller unmounts it. False, with the bench
 * closed, where a tmpfs may not be mounted. */
static bool bench_open_small(struct bench *bench, char disk[DISK_SIZE])
{
    struct text conf = {0};

    bench_open(bench, two_talkers);
    snprintf(disk, DISK_SIZE, "%s/disk", bench->place);
    mkdir(disk, 0700);
    if (mount("tmpfs", disk, "tmpfs", 0, "size=1m") != 0) {
        print_message("mounting a small tmpfs is not allowed here: %s\n", strerror(errno));
        bench_close(bench);
        return false;
    }
    text_add(&conf, "[store]\ndatabase = %s/t.db\nflush = 200 ms\n%s", disk,
             strstr(two_talkers, "[instrument a]"));
    write_bench(bench, conf.bytes);
    snprintf(bench->database, sizeof bench->database, "%s/t.db", disk);
    text_free(&conf);
    return true;
}

/* A full disk (a tmpfs of 1 MiB, where mounting is allowed): it says so, keeps running, and stores
 * again when there is room. */
static void disk_full(void **state)
{
    struct bench bench;
    char filler[300];
    char disk[DISK_SIZE];
    char *log;
    char block[4096];
    FILE *out;

    (void)state;
    if (!bench_open_small(&bench, disk))
        skip();
    bench_start(&bench);
    talk(&bench, 50, 2000);
    assert_true(wait_for(bench.database, COUNT_A, 50, 5.0));
    snprintf(filler, sizeof filler, "%s/filler", disk);
    memset(block, 0, sizeof block);
    out = fopen(filler, "w");
    assert_non_null(out);
    setvbuf(out, NULL, _IONBF, 0);
    while (fwrite(block, 1, sizeof block, out) == sizeof block)
        continue;
    fclose(out);
    talk(&bench, 400, 5000);
    assert_int_equal(kill(bench.daemon, 0), 0); /* alive */
    log = read_file(bench.log);
    assert_non_null(strstr(log, "storing stopped"));
    free(log);
    unlink(filler);
    talk(&bench, 50, 5000);
    assert_true(wait_for(bench.database, COUNT_A, 500, 10.0));
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 500);
    assert_true(is_whole(bench.database));
    log = read_file(bench.log);
    assert_non_null(strstr(log, "storing works again"));
    free(log);
    umount(disk);
    bench_close(&bench);
}

/* The disk is full already when the daemon starts: it says so, waits, and begins when there is
 * room. */
static void disk_full_at_start(void **state)
{
    struct bench bench;
    char filler[300];
    char disk[DISK_SIZE];
    char *log;
    bool waits = false;
    int fd;

    (void)state;
    if (!bench_open_small(&bench, disk))
        skip();
    snprintf(filler, sizeof filler, "%s/filler", disk);
    fd = open(filler, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(posix_fallocate(fd, 0, 960 * 1024), 0);
    bench.daemon = daemon_start(bench.conf, bench.log);
    for (int i = 0; i < 100 && !waits; ++i) {
        rest_us(100000);
        log = read_file(bench.log);
        waits = strstr(log, "no room left on the disk; nothing is measured until there is") != NULL;
        free(log);
    }
    assert_true(waits);
    assert_int_equal(kill(bench.daemon, 0), 0);
    close(fd);
    unlink(filler);
    if (!wait_for(bench.database, CONNECTED, 2, 15.0))
        fail_msg("%s", read_file(bench.log));
    rest_us(400000);
    talk(&bench, 50, 2000);
    assert_true(wait_for(bench.database, COUNT_A, 50, 10.0));
    assert_int_equal(daemon_stop(bench.daemon), 0);
    umount(disk);
    bench_close(&bench);
}

/* One port pulled and plugged in again and again; the other instrument does not lose a line. */
static void bad_neighbour(void **state)
{
    struct bench bench;
    int cycles = is_full() ? 2000 : 30;

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    for (int i = 0; i < cycles; ++i) {
        pseudo_unplug(&bench.port[1]);
        talk(&bench, 20, 2000);
        pseudo_plug(&bench.port[1], bench.link[1]);
        talk(&bench, 20, 2000);
        if (i % 2)
            pseudo_say(&bench.port[1], "\xff\x80garbage without an end");
    }
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 40 * cycles);
    assert_int_equal(ask(bench.database, "SELECT count(*) FROM event e JOIN instrument i ON "
                                         "i.id = e.instrument WHERE i.name = 'a' AND "
                                         "kind NOT IN ('connected')"),
                     0);
    bench_close(&bench);
}

/* ---- what the control socket answers ---- */

static const char *error_of(const json_t *answer)
{
    const char *error = json_string_value(json_object_get(answer, "error"));

    assert_non_null(error);
    return error;
}

static void control_socket(void **state)
{
    struct bench bench;
    struct stat info;
    char path[320];
    char text[200];
    json_t *answer, *first;
    int fd;

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    snprintf(path, sizeof path, "%s.socket", bench.database);
    assert_int_equal(stat(path, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0660);
    fd = control(&bench);
    talk(&bench, 10, 1000);
    rest_us(30000);
    /* What flush has answered is in the database. */
    answer = exchange(fd, "{\"do\":\"flush\",\"id\":7}\n");
    assert_true(is_ok(answer));
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 7);
    json_decref(answer);
    assert_int_equal(ask(bench.database, COUNT_A), 10);
    answer = exchange(fd, "{\"do\":\"status\"}\n");
    assert_true(is_ok(answer));
    first = json_array_get(json_object_get(answer, "instruments"), 0);
    assert_string_equal(json_string_value(json_object_get(first, "name")), "a");
    assert_string_equal(json_string_value(json_object_get(first, "state")), "open");
    assert_true(json_is_true(json_object_get(first, "good")));
    first = json_array_get(json_object_get(first, "channels"), 0);
    assert_true(fabs(json_real_value(json_object_get(first, "value")) - 1.009) < 1e-9);
    assert_int_equal(json_integer_value(json_object_get(first, "count")), 10);
    json_decref(answer);
    /* A command of the bench file goes out. */
    answer = exchange(fd, "{\"do\":\"send\",\"instrument\":\"b\",\"command\":\"coil-on\"}\n");
    assert_true(is_ok(answer));
    json_decref(answer);
    rest_us(50000);
    pseudo_hear(&bench.port[1], text, sizeof text);
    assert_string_equal(text, "COIL 1\n");
    /* A capture: the answer comes when it has ended. */
    tell(fd, "{\"do\":\"capture\",\"instrument\":\"b\",\"channel\":\"v\",\"rate\":1000,"
             "\"samples\":4,\"id\":\"c\"}\n");
    rest_us(50000);
    pseudo_hear(&bench.port[1], text, sizeof text);
    assert_string_equal(text, "C 1000 4\n");
    pseudo_say(&bench.port[1], "D 0 0.5 1.5\nD 2 2.5 3.5\nE\n");
    answer = exchange(fd, "");
    if (!is_ok(answer))
        fail_msg("%s", error_of(answer));
    assert_string_equal(json_string_value(json_object_get(answer, "id")), "c");
    assert_int_equal(ask(bench.database, "SELECT n FROM capture"), 4);
    assert_int_equal(json_integer_value(json_object_get(answer, "capture")),
                     ask(bench.database, "SELECT id FROM capture"));
    json_decref(answer);
    close(fd);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(access(path, F_OK), -1);
    bench_close(&bench);
}

static void control_refuses(void **state)
{
    static const struct {
        const char *request;
        const char *error;
    } cases[] = {
        {"nonsense\n", "not a JSON object"},
        {"[1]\n", "not a JSON object"},
        {"{\"do\":1}\n", "\"do\" is missing"},
        {"{\"do\":\"dance\"}\n", "\"do\" must be"},
        {"{\"do\":\"send\"}\n", "\"instrument\" is missing"},
        {"{\"do\":\"send\",\"instrument\":\"x\"}\n", "has no instrument 'x'"},
        {"{\"do\":\"send\",\"instrument\":\"b\"}\n", "\"command\" is missing"},
        {"{\"do\":\"send\",\"instrument\":\"b\",\"command\":\"rm -rf\"}\n", "has no command named"},
        {"{\"do\":\"select\",\"instrument\":\"a\"}\n", "nothing to select"},
        {"{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":-1}\n", "\"rate\" must be"},
        {"{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":9,\"samples\":0}\n",
         "\"samples\" must"},
        {"{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":9,\"samples\":9}\n",
         "\"channel\" is m"},
        {"{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":9,\"samples\":9,\"channel\":\"z\"}\n",
         "has no channel 'z'"},
        {"{\"do\":\"capture\",\"instrument\":\"a\",\"rate\":9,\"samples\":9,\"channel\":\"v\"}\n",
         "gives no capture_request"},
        {"{\"do\":\"flush\",\"do\":\"flush\"}\n", "not a JSON object"},
    };
    struct bench bench;
    char line[6000];
    json_t *answer;
    int fd;

    (void)state;
    bench_open(&bench, two_talkers);
    bench_start(&bench);
    fd = control(&bench);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        answer = exchange(fd, cases[i].request);
        assert_false(is_ok(answer));
        if (!strstr(error_of(answer), cases[i].error))
            fail_msg("%s: %s", cases[i].request, error_of(answer));
        json_decref(answer);
    }
    /* A capture that never ends is answered when its time is over. */
    answer = exchange(fd, "{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":9,\"samples\":9,"
                          "\"channel\":\"v\"}\n");
    assert_non_null(strstr(error_of(answer), "did not come to its end"));
    json_decref(answer);
    memset(line, 'x', sizeof line);
    line[sizeof line - 1] = '\0';
    send(fd, line, sizeof line, MSG_NOSIGNAL);
    answer = exchange(fd, "");
    assert_non_null(strstr(error_of(answer), "too long"));
    json_decref(answer);
    close(fd);
    /* Too many connections, and one that leaves in the middle of a capture: it goes on living. */
    for (int i = 0; i < 40; ++i) {
        int extra = control(&bench);

        tell(extra, "{\"do\":\"capture\",\"instrument\":\"b\",\"rate\":9,\"samples\":9,"
                    "\"channel\":\"v\"}\n");
        close(extra);
    }
    talk(&bench, 20, 1000);
    assert_int_equal(daemon_stop(bench.daemon), 0);
    assert_int_equal(ask(bench.database, COUNT_A), 20);
    bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(start_and_stop),
        cmocka_unit_test(listed_ports),
        cmocka_unit_test(refuses),
        cmocka_unit_test(one_daemon),
        cmocka_unit_test(reload),
        cmocka_unit_test(killed),
        cmocka_unit_test(locked),
        cmocka_unit_test(disk_full),
        cmocka_unit_test(disk_full_at_start),
        cmocka_unit_test(bad_neighbour),
        cmocka_unit_test(control_socket),
        cmocka_unit_test(control_refuses),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
