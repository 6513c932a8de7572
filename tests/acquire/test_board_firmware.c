/* The coil board's real firmware, run in simavr, read by the real daemon through the bench file
 * that lies beside it. What the converter's pins get is known here; what is stored is compared with
 * it.
 *
 * A converter of 10 bits with 1.1 V has steps of 1.074 mV, and the simulator takes whole
 * millivolts: that is the tolerance throughout. */
#include <sys/socket.h>
#include <sys/un.h>

#include "tests/acquire/harness.h"

#define FIRMWARE TEST_BUILD_DIR "/acquire/board/coil-board.elf"
#define STEP     1.6 /* mV: a step of the converter and the half millivolt of the simulator */

struct bench {
    char place[128];
    char port[160];
    char database[160];
    char file[160];
    char log[160];
    pid_t board;
    FILE *to, *from;
    pid_t daemon;
};

/* ---- the simulated board ---- */

/* Tells the simulator something; its answer in a buffer that the next call reuses. */
static const char *tell(struct bench *b, char *answer, size_t size, const char *line)
{
    fprintf(b->to, "%s\n", line);
    fflush(b->to);
    assert_non_null(fgets(answer, (int)size, b->from));
    return answer;
}

static void set(struct bench *b, const char *line)
{
    char answer[64];

    assert_string_equal(tell(b, answer, sizeof answer, line), "ok\n");
}

static bool is_gate_up(struct bench *b)
{
    char answer[64];

    return strcmp(tell(b, answer, sizeof answer, "gate"), "gate 1\n") == 0;
}

static void board_start(struct bench *b)
{
    int to[2], from[2];
    char line[128];

    make_place(b->place, sizeof b->place);
    snprintf(b->port, sizeof b->port, "%s/port", b->place);
    snprintf(b->database, sizeof b->database, "%s/bench.db", b->place);
    snprintf(b->file, sizeof b->file, "%s/bench.ini", b->place);
    snprintf(b->log, sizeof b->log, "%s/log", b->place);
    assert_int_equal(pipe2(to, O_CLOEXEC), 0);
    assert_int_equal(pipe2(from, O_CLOEXEC), 0);
    b->board = fork();
    assert_true(b->board >= 0);
    if (b->board == 0) {
        dup2(to[0], 0);
        dup2(from[1], 1);
        execl(TEST_BUILD_DIR "/tests/simulated-board", "simulated-board", FIRMWARE, b->port,
              (char *)NULL);
        _exit(127);
    }
    close(to[0]);
    close(from[1]);
    b->to = fdopen(to[1], "w");
    b->from = fdopen(from[0], "r");
    do
        assert_non_null(fgets(line, sizeof line, b->from));
    while (strcmp(line, "running\n") != 0);
}

static void board_stop(struct bench *b)
{
    int status;

    fprintf(b->to, "quit\n");
    fclose(b->to);
    waitpid(b->board, &status, 0);
    fclose(b->from);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    remove_place(b->place);
}

/* ---- the daemon on it ---- */

/* The bench file beside the firmware, with this port and database. */
static void daemon_on(struct bench *b)
{
    char *text = read_file(TEST_SOURCE_DIR "/acquire/board/bench.ini");
    char *port = strstr(text, "port = ");
    char *rest = port ? strchr(port, '\n') : NULL;
    struct text file = {0};

    assert_non_null(rest);
    *port = '\0';
    text_add(&file, "[store]\ndatabase = %s\nflush = 100 ms\n%sport = %s%s", b->database, text,
             b->port, rest);
    write_file(b->file, file.bytes);
    free(text);
    text_free(&file);
    b->daemon = daemon_start(b->file, b->log);
    assert_true(wait_for(b->database, "SELECT count(*) FROM measured", 1, 10));
}

static void daemon_off(struct bench *b)
{
    assert_int_equal(daemon_stop(b->daemon), 0);
    assert_true(is_whole(b->database));
}

/* One request to the control socket; the answer. */
static void request(const struct bench *b, const char *line, char *answer, size_t size)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    size_t n = 0;

    snprintf(address.sun_path, sizeof address.sun_path, "%.90s.socket", b->database);
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(write(fd, line, strlen(line)), (ssize_t)strlen(line));
    while (n + 1 < size && !memchr(answer, '\n', n)) {
        struct pollfd one = {.fd = fd, .events = POLLIN};
        ssize_t got = poll(&one, 1, 15000) == 1 ? read(fd, answer + n, size - 1 - n) : 0;

        if (got <= 0)
            break;
        n += (size_t)got;
    }
    answer[n] = '\0';
    close(fd);
}

static void send_command(const struct bench *b, const char *name)
{
    char line[128];
    char answer[512];

    snprintf(line, sizeof line,
             "{\"do\":\"send\",\"instrument\":\"coil-board\",\"command\":\"%s\"}\n", name);
    request(b, line, answer, sizeof answer);
    if (!strstr(answer, "\"ok\":true") && !strstr(answer, "\"ok\": true"))
        fail_msg("%s: %s", name, answer);
}

/* A number the database holds; NaN when there is none. */
static double number(const struct bench *b, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    double value = NAN;

    if (sqlite3_open_v2(b->database, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK &&
        sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL)
        value = sqlite3_column_double(statement, 0);
    sqlite3_finalize(statement);
    sqlite3_close(db);
    return value;
}

/* The value of the newest reading of a channel. */
static double newest(const struct bench *b, const char *channel, const char *what)
{
    char sql[256];

    snprintf(sql, sizeof sql,
             "SELECT %s FROM measured WHERE name = 'coil-board.%s' ORDER BY time DESC LIMIT 1",
             what, channel);
    return number(b, sql);
}

static void assert_near(const char *what, double value, double expected, double tolerance)
{
    if (!(fabs(value - expected) <= tolerance))
        fail_msg("%s: %.9g; expected %.9g +- %.3g", what, value, expected, tolerance);
}

/* Waits until every line on its way has been stored, and more that began after now. */
static void let_lines_pass(const struct bench *b)
{
    int64_t count =
        ask(b->database, "SELECT count(*) FROM measured WHERE name = 'coil-board.coil'");

    assert_true(wait_for(b->database,
                         "SELECT count(*) FROM measured WHERE name = 'coil-board.coil'", count + 4,
                         15));
}

/* ---- tests ---- */

/* What the pins get is what is stored: the bench file's factors applied. */
static void stored_values(struct bench *b)
{
    static const double cases[][5] = {
        /* drain, shunt, thermistor, battery, supply; mV */
        {40, 174, 224, 500, 833},
        {503, 3, 500, 503, 780},
        {12, 1050, 71, 1060, 840},
    };

    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        const double *pin = cases[i];
        double r = 4700.0 * (6.0 * pin[4] / pin[2] - 1.0);
        double celsius = 1.0 / (1.0 / 298.15 + log(r / 100e3) / 3950.0) - 273.15;
        char line[64];

        for (unsigned k = 0; k < 5; ++k) {
            snprintf(line, sizeof line, "pin %u %g", k, pin[k]);
            set(b, line);
        }
        let_lines_pass(b);
        assert_near("coil", newest(b, "coil", "value"), 6e-3 * (pin[3] - pin[0]), 6e-3 * 2 * STEP);
        assert_near("current", newest(b, "current", "value"), 1e-3 * pin[1], 1e-3 * STEP);
        assert_near("battery", newest(b, "battery", "value"), 6e-3 * pin[3], 6e-3 * STEP);
        assert_near("least", newest(b, "least", "value"), 6e-3 * pin[3], 6e-3 * STEP);
        assert_near("most", newest(b, "most", "value"), 1e-3 * pin[1], 1e-3 * STEP);
        assert_near("supply", newest(b, "supply", "value"), 6e-3 * pin[4], 6e-3 * STEP);
        assert_near("temperature", newest(b, "temperature", "value"), celsius + 273.15,
                    0.1 + 30.0 * STEP / pin[2]); /* dT = T^2/beta dR/R, about 23 to 30 K */
        assert_int_equal((int)newest(b, "coil", "flags"), 0);
    }
    /* Beyond the reference: unknown and marked, never a number. */
    set(b, "pin 1 1300");
    let_lines_pass(b);
    assert_true(isnan(newest(b, "current", "value")));
    assert_true(newest(b, "current", "flags") == STORE_FLAG_OVERLOAD);
    assert_true(!isnan(newest(b, "battery", "value")));
    set(b, "pin 1 100");
    /* A thermistor that came off is no temperature. */
    set(b, "pin 2 0");
    let_lines_pass(b);
    assert_true(isnan(newest(b, "temperature", "value")));
    set(b, "pin 2 224");
    assert_int_equal(ask(b->database, "SELECT count(*) FROM event WHERE kind IN ('checksum','lost',"
                                      "'garbage','restart')"),
                     0);
}

/* 50 ms between two lines: in the least of one line, not in the means before and after. */
static void short_dip(struct bench *b)
{
    int64_t before, after;

    set(b, "pin 3 500");
    let_lines_pass(b);
    before = ask(b->database, "SELECT max(time) FROM measured WHERE name = 'coil-board.least'");
    for (int i = 0; i < 5; ++i) {
        set(b, "dip 50 410");
        rest_us(430000);
    }
    let_lines_pass(b);
    after = ask(b->database, "SELECT max(time) FROM measured WHERE name = 'coil-board.least'");
    {
        char sql[400];

        snprintf(sql, sizeof sql,
                 "SELECT count(*) FROM measured WHERE name = 'coil-board.least' AND time > %" PRId64
                 " AND time <= %" PRId64 " AND abs(value - 2.46) <= 0.01 AND flags = %d",
                 before, after, STORE_FLAG_MIN);
        assert_in_range(ask(b->database, sql), 5, 10); /* one may fall across two lines */
        snprintf(sql, sizeof sql,
                 "SELECT count(*) FROM measured WHERE name = 'coil-board.least' AND time > %" PRId64
                 " AND value > 2.99",
                 before);
        assert_true(ask(b->database, sql) > 3);
    }
    assert_near("battery", newest(b, "battery", "value"), 3.0, 6e-3 * STEP);
}

/* The current rise of a coil of 1.2 ohm and 40 mH on 2.5 V: every stored sample against
 * i = E/R (1 - exp(-R t / L)). A rate that is 1 % wrong would show. */
static void current_rise(struct bench *b)
{
    static const struct {
        double rate;
        int samples;
    } cases[] = {{2000, 100}, {10000, 400}, {25000, 400}, {50000, 400}};
    const double emf = 2.5, source = 0.3, winding = 1.2, henry = 0.04, shunt = 1.0;
    const double r = source + winding + shunt;

    set(b, "coil 2.5 0.3 1.2 0.04 1");
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        char line[200];
        char answer[512];
        sqlite3 *db = NULL;
        sqlite3_stmt *s = NULL;
        double worst = 0.0;
        double last = 0.0;

        snprintf(line, sizeof line,
                 "{\"do\":\"capture\",\"instrument\":\"coil-board\",\"channel\":\"current\","
                 "\"rate\":%g,\"samples\":%d}\n",
                 cases[i].rate, cases[i].samples);
        request(b, line, answer, sizeof answer);
        if (!strstr(answer, "true"))
            fail_msg("%s: %s", line, answer);
        assert_false(is_gate_up(b)); /* the board opens it again by itself */
        assert_int_equal(sqlite3_open_v2(b->database, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
        assert_int_equal(
            sqlite3_prepare_v2(db,
                               "SELECT rate, n, lost, scale, offset, type, samples FROM "
                               "capture ORDER BY id DESC LIMIT 1",
                               -1, &s, NULL),
            SQLITE_OK);
        assert_int_equal(sqlite3_step(s), SQLITE_ROW);
        assert_near("rate", sqlite3_column_double(s, 0), cases[i].rate, 0.06);
        assert_int_equal(sqlite3_column_int(s, 1), cases[i].samples);
        assert_int_equal(sqlite3_column_int(s, 2), 0);
        for (int k = 0; k < cases[i].samples; ++k) {
            const unsigned char *blob = sqlite3_column_blob(s, 6);
            const char *type = (const char *)sqlite3_column_text(s, 5);
            double t = k / cases[i].rate;
            double expected = emf / r * (1.0 - exp(-t * r / henry));
            double stored;

            if (strcmp(type, "float32") == 0) {
                float f;

                memcpy(&f, blob + 4 * k, 4);
                stored = (double)f;
            } else if (strstr(type, "16")) {
                int16_t w;

                memcpy(&w, blob + 2 * k, 2);
                stored = strcmp(type, "uint16") == 0 ? (double)(uint16_t)w : (double)w;
            } else {
                int32_t w;

                memcpy(&w, blob + 4 * k, 4);
                stored = (double)w;
            }
            stored = stored * sqlite3_column_double(s, 3) + sqlite3_column_double(s, 4);
            worst = fmax(worst, fabs(stored - expected));
            last = stored;
        }
        sqlite3_finalize(s);
        sqlite3_close(db);
        /* a step, and what the current does in the 20 us from gate to conversion at most */
        assert_near("worst sample", worst, 0.0, 1e-3 * STEP + emf / henry * 20e-6);
        assert_true(last > 0.05);
        let_lines_pass(b); /* the current falls again */
    }
    /* More than the board can: it says what it does instead. */
    {
        char answer[512] = "";

        request(b,
                "{\"do\":\"capture\",\"instrument\":\"coil-board\",\"channel\":\"current\","
                "\"rate\":1e5,\"samples\":1000}\n",
                answer, sizeof answer);
        assert_non_null(strstr(answer, "true"));
        assert_true(number(b, "SELECT n FROM capture ORDER BY id DESC LIMIT 1") == 400);
        assert_true(number(b, "SELECT rate FROM capture ORDER BY id DESC LIMIT 1") == 50000);
        let_lines_pass(b);
        /* What it will not do at all ends at once, with its reason. */
        send_command(b, "on");
        answer[0] = '\0';
        request(b,
                "{\"do\":\"capture\",\"instrument\":\"coil-board\",\"channel\":\"current\","
                "\"rate\":1000,\"samples\":100}\n",
                answer, sizeof answer);
        assert_non_null(strstr(answer, "error capture: the coil is on"));
        send_command(b, "off");
        rest_us(700000);
    }
}

/* On, off, a pulse; lines that hold a switching are marked; a reset opens the switch. */
static void switching(struct bench *b)
{
    const double r = 0.3 + 16.5 + 1.0;
    char sql[300];
    int64_t began;

    set(b, "coil 3 0.3 16.5 0.04 1");
    let_lines_pass(b);
    began = ask(b->database, "SELECT max(time) FROM measured");
    assert_false(is_gate_up(b));
    send_command(b, "on");
    rest_us(1200000);
    let_lines_pass(b);
    assert_true(is_gate_up(b));
    assert_near("current", newest(b, "current", "value"), 3.0 / r, 1e-3 * STEP);
    assert_near("coil", newest(b, "coil", "value"), 3.0 / r * 16.5, 6e-3 * 2 * STEP);
    assert_int_equal((int)newest(b, "current", "flags"), 0);
    send_command(b, "off");
    rest_us(1200000);
    let_lines_pass(b);
    assert_false(is_gate_up(b));
    assert_near("current", newest(b, "current", "value"), 0.0, 1e-3 * STEP);
    assert_true(ask(b->database,
                    "SELECT count(*) FROM measured WHERE name = 'coil-board.current' AND "
                    "flags & 8") >= 2);
    assert_int_equal(ask(b->database,
                         "SELECT count(*) FROM measured WHERE name = 'coil-board.least' "
                         "AND flags & 8"),
                     0);
    /* No reading in between that is not marked: neither full current nor none. */
    snprintf(sql, sizeof sql,
             "SELECT count(*) FROM measured WHERE name = 'coil-board.current' AND flags = 0 AND "
             "time > %" PRId64 " AND value BETWEEN 0.005 AND 0.16",
             began);
    assert_int_equal(ask(b->database, sql), 0);
    send_command(b, "on");
    rest_us(300000);
    assert_true(is_gate_up(b));
    set(b, "reset");
    rest_us(100000);
    assert_false(is_gate_up(b));
    assert_true(wait_for(b->database, "SELECT count(*) FROM event WHERE kind = 'restart'", 1, 5));
    rest_us(600000);
    assert_false(is_gate_up(b)); /* and it stays open */
}

static void with_the_daemon(void **state)
{
    struct bench b = {0};

    (void)state;
    board_start(&b);
    daemon_on(&b);
    stored_values(&b);
    short_dip(&b);
    current_rise(&b);
    switching(&b);
    daemon_off(&b);
    board_stop(&b);
}

/* ---- the board alone ---- */

/* Sends text (what follows a form feed 200 ms later) and returns the first line that answers it
 * (who, done, error, note ...). Every line's checksum is checked. */
static void converse(int fd, const char *text, char *answer, size_t size)
{
    char line[256];
    size_t n = 0;
    int64_t until = clock_us() + 4000000;
    size_t first = strcspn(text, "\f");

    assert_int_equal(write(fd, text, first), (ssize_t)first);
    if (text[first]) {
        rest_us(200000);
        first += 1;
        assert_int_equal(write(fd, text + first, strlen(text + first)),
                         (ssize_t)strlen(text + first));
    }
    while (clock_us() < until) {
        struct pollfd one = {.fd = fd, .events = POLLIN};
        char c;

        if (poll(&one, 1, 100) != 1 || read(fd, &c, 1) != 1)
            continue;
        if (c != '\n') {
            assert_true(n + 1 < sizeof line);
            line[n++] = c;
            continue;
        }
        line[n] = '\0';
        n = 0;
        {
            char *star = strrchr(line, '*');
            unsigned sum = 0;

            assert_non_null(star);
            for (const char *at = line; at < star; ++at)
                sum ^= (unsigned char)*at;
            assert_int_equal(strtoul(star + 1, NULL, 16), sum);
            *star = '\0';
        }
        if (strncmp(line, "L ", 2) == 0 || strncmp(line, "M ", 2) == 0 ||
            (*text && strncmp(line, "ready ", 6) == 0))
            continue;
        snprintf(answer, size, "%s", line);
        return;
    }
    snprintf(answer, size, "nothing");
}

static void without_the_daemon(void **state)
{
    static const struct {
        const char *sent, *answer;
    } cases[] = {
        {"", "ready coil-board 1 after power-on"},
        {"who\r\n", "I am coil-board 1"},
        {"\r\n\nwho\n", "I am coil-board 1"},
        {"xyzzy\n", "error unknown command"},
        {"\x01\x80\xFF\n", "error not a line of text"},
        {"on 99999999999999999999999999999999999999999999\n", "error not a line of text"},
        {"on 601\n", "error on: 1 to 600 s"},
        {"capture fast 100\n", "error capture: RATE 250 to 50000"},
        {"%n%n%s\n", "error unknown command"},
        {"who\n", "I am coil-board 1"},
        {"every 100\n", "done every"},
        {"on\n", "done on"},
        {"capture 1000 100\n", "error capture: the coil is on"},
        {"off\n", "done off"},
        {"pulse 1500\n", "done pulse"},
        {"", "note the time was over: off"},
        {"on 1\n", "done on"},
        {"", "note the time was over: off"},
        {"capture 250 400\n\fwho", "error capture: stopped"}, /* any character ends it */
        {"\n", "I am coil-board 1"},
    };
    struct bench b = {0};
    int fd;

    (void)state;
    board_start(&b);
    fd = open(b.port, O_RDWR | O_NOCTTY);
    assert_true(fd >= 0);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; ++i) {
        char answer[256];

        converse(fd, cases[i].sent, answer, sizeof answer);
        if (strcmp(answer, cases[i].answer) != 0)
            fail_msg("'%s': '%s', expected '%s'", cases[i].sent, answer, cases[i].answer);
        assert_int_equal(is_gate_up(&b), strcmp(cases[i].answer, "done on") == 0 ||
                                             strcmp(cases[i].answer, "done pulse") == 0 ||
                                             strstr(answer, "the coil is on") != NULL);
    }
    /* The program hangs with the coil on and no interrupt to open the switch: the watchdog does. */
    {
        char answer[256];

        converse(fd, "on\n", answer, sizeof answer);
        assert_string_equal(answer, "done on");
        set(&b, "hang");
        assert_true(is_gate_up(&b));
        rest_us(600000);
        assert_false(is_gate_up(&b));
        set(&b, "heal");
        converse(fd, "", answer, sizeof answer);
        assert_string_equal(answer, "ready coil-board 1 after watchdog");
        assert_false(is_gate_up(&b));
    }
    close(fd);
    board_stop(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(without_the_daemon),
        cmocka_unit_test(with_the_daemon),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
