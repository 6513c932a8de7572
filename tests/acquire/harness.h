/* harness: what the tests of the acquisition share: bench files in memory, drivers fed with bytes,
 * pseudo-terminals as instruments, the real daemon as a child. */
#ifndef TRUEWOUND_TEST_HARNESS_H
#define TRUEWOUND_TEST_HARNESS_H

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <sqlite3.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"

#define HARNESS_UNUSED __attribute__((unused))

/* ---- text that grows ---- */

struct text {
    char *bytes;
    size_t length;
};

HARNESS_UNUSED static void text_add(struct text *text, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

HARNESS_UNUSED static void text_add(struct text *text, const char *format, ...)
{
    va_list args;
    char *more = NULL;
    int n;

    va_start(args, format);
    n = vasprintf(&more, format, args);
    va_end(args);
    assert_true(n >= 0);
    text->bytes = realloc(text->bytes, text->length + (size_t)n + 1);
    assert_non_null(text->bytes);
    memcpy(text->bytes + text->length, more, (size_t)n + 1);
    text->length += (size_t)n;
    free(more);
}

HARNESS_UNUSED static void text_free(struct text *text)
{
    free(text->bytes);
    *text = (struct text){0};
}

/* ---- bench files ---- */

HARNESS_UNUSED static struct benchfile *bench_of(const char *text)
{
    struct benchfile *bench = NULL;
    struct status st;

    if (benchfile_parse("bench", text, strlen(text), NULL, NULL, &bench, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    return bench;
}

/* ---- a driver fed with bytes ---- */

/* What came out is written as lines of text, which a test or an .expect file compares:
 *   NAME NUMBER[ UNIT][ digit=D][ range=R][ FLAG...]    a reading
 *   identity TEXT / event KIND: TEXT / capture NAME rate=R n=N lost=L[ FLAG...]: S S S ...
 *   capture failed: TEXT / sent TEXT / garbage / expired */
struct fed {
    struct benchfile *bench;
    const struct driver *driver;
    void *state;
    struct text out;
    unsigned char in[DRIVER_FRAME_MAX];
    size_t in_length;
    bool waiting;
    struct driver_time now;
};

HARNESS_UNUSED static void fed_flags(struct fed *fed, uint32_t flags)
{
    for (uint32_t bit = 1; bit != 0 && bit <= flags; bit <<= 1)
        if (flags & bit)
            text_add(&fed->out, " %s", driver_flag_word(bit));
}

HARNESS_UNUSED static void fed_reading(void *to, const struct driver_reading *reading)
{
    struct fed *fed = to;

    text_add(&fed->out, "%s ", fed->bench->instrument[0].channel[reading->channel].name);
    if (isnan(reading->number))
        text_add(&fed->out, "unknown");
    else
        text_add(&fed->out, "%.12g", reading->number);
    if (reading->unit[0])
        text_add(&fed->out, " %s", reading->unit);
    if (!isnan(reading->digit))
        text_add(&fed->out, " digit=%g", reading->digit);
    if (!isnan(reading->range))
        text_add(&fed->out, " range=%g", reading->range);
    fed_flags(fed, reading->flags);
    text_add(&fed->out, "\n");
}

HARNESS_UNUSED static void fed_event(void *to, enum driver_severity severity, const char *kind,
                                     const char *text)
{
    (void)severity;
    text_add(&((struct fed *)to)->out, "event %s: %s\n", kind, text);
}

HARNESS_UNUSED static void fed_identity(void *to, const char *text)
{
    text_add(&((struct fed *)to)->out, "identity %s\n", text);
}

HARNESS_UNUSED static void fed_capture(void *to, const struct driver_capture *capture)
{
    struct fed *fed = to;

    text_add(&fed->out, "capture %s rate=%g n=%zu lost=%zu",
             fed->bench->instrument[0].channel[capture->channel].name, capture->rate,
             capture->count, capture->missing);
    fed_flags(fed, capture->flags);
    text_add(&fed->out, ":");
    for (size_t i = 0; i < capture->count; ++i)
        if (isnan(capture->sample[i]))
            text_add(&fed->out, " ?");
        else
            text_add(&fed->out, " %.9g", capture->sample[i]);
    text_add(&fed->out, "\n");
}

HARNESS_UNUSED static void fed_capture_failed(void *to, const char *why)
{
    text_add(&((struct fed *)to)->out, "capture failed: %s\n", why);
}

HARNESS_UNUSED static struct driver_sink fed_sink(struct fed *fed)
{
    return (struct driver_sink){fed,          fed_reading, fed_event,
                                fed_identity, fed_capture, fed_capture_failed};
}

/* Writes bytes so that a person can read and compare them. */
HARNESS_UNUSED static void fed_escaped(struct fed *fed, const unsigned char *bytes, size_t length)
{
    for (size_t i = 0; i < length; ++i)
        if (bytes[i] == '\r')
            text_add(&fed->out, "\\r");
        else if (bytes[i] == '\n')
            text_add(&fed->out, "\\n");
        else if (bytes[i] >= 0x20 && bytes[i] < 0x7f)
            text_add(&fed->out, "%c", bytes[i]);
        else
            text_add(&fed->out, "\\x%02X", bytes[i]);
}

HARNESS_UNUSED static struct fed *fed_new(const char *bench)
{
    struct fed *fed = calloc(1, sizeof *fed);
    struct status st;

    assert_non_null(fed);
    fed->bench = bench_of(bench);
    fed->driver = driver_find(fed->bench->instrument[0].driver);
    fed->now = (struct driver_time){1700000000000000, 1000000};
    if (fed->driver->create(&fed->bench->instrument[0], &fed->state, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    fed->driver->opened(fed->state, fed->now.mono);
    text_add(&fed->out, "%s", "");
    return fed;
}

HARNESS_UNUSED static void fed_free(struct fed *fed)
{
    fed->driver->destroy(fed->state);
    benchfile_free(fed->bench);
    text_free(&fed->out);
    free(fed);
}

/* Lets the driver send what it wants to send now; each request is put out as 'sent ...'. Stops
 * when an answer is awaited. */
HARNESS_UNUSED static void fed_talk(struct fed *fed)
{
    struct driver_request request;
    int64_t when = 0;

    for (int i = 0; i < 100 && !fed->waiting; ++i) {
        if (fed->driver->next(fed->state, fed->now.mono, &request, &when) != DRIVER_SEND)
            return;
        text_add(&fed->out, "sent ");
        fed_escaped(fed, request.bytes, request.length);
        text_add(&fed->out, "\n");
        fed->waiting = request.reply;
    }
}

/* Gives the driver the messages that are whole. quiet as for driver->frame. */
HARNESS_UNUSED static void fed_take(struct fed *fed, int64_t quiet)
{
    const struct driver_sink sink = fed_sink(fed);
    size_t at = 0;

    while (at < fed->in_length) {
        struct driver_frame frame =
            fed->driver->frame(fed->state, fed->in + at, fed->in_length - at, quiet);
        enum driver_heard heard;

        assert_true(frame.skip + frame.length <= fed->in_length - at);
        if (frame.junk && frame.skip > 0)
            text_add(&fed->out, "junk %zu\n", frame.skip);
        at += frame.skip;
        if (frame.length == 0)
            break;
        heard = fed->driver->message(fed->state, fed->in + at, frame.length, &fed->now, &sink);
        if (heard == DRIVER_GARBAGE)
            text_add(&fed->out, "garbage\n");
        if (heard == DRIVER_ANSWER)
            fed->waiting = false;
        at += frame.length;
    }
    fed->in_length -= at;
    memmove(fed->in, fed->in + at, fed->in_length);
}

/* Bytes from the instrument, chunk at a time (0: all at once). */
HARNESS_UNUSED static void fed_bytes(struct fed *fed, const void *bytes, size_t length,
                                     size_t chunk)
{
    const unsigned char *from = bytes;

    while (length > 0) {
        size_t n = chunk > 0 && chunk < length ? chunk : length;

        if (n > sizeof fed->in - fed->in_length)
            n = sizeof fed->in - fed->in_length;
        assert_true(n > 0);
        memcpy(fed->in + fed->in_length, from, n);
        fed->in_length += n;
        from += n;
        length -= n;
        fed_take(fed, 0);
    }
}

HARNESS_UNUSED static void fed_text(struct fed *fed, const char *text)
{
    fed_bytes(fed, text, strlen(text), 0);
}

HARNESS_UNUSED static void fed_expire(struct fed *fed)
{
    const struct driver_sink sink = fed_sink(fed);

    text_add(&fed->out, "expired\n");
    fed->waiting = false;
    fed->in_length = 0;
    if (fed->driver->expired)
        fed->driver->expired(fed->state, &fed->now, &sink);
}

/* Compares what came out so far with what was expected, and starts anew. */
HARNESS_UNUSED static void fed_expect(struct fed *fed, const char *expected)
{
    assert_string_equal(fed->out.bytes, expected);
    fed->out.length = 0;
    fed->out.bytes[0] = '\0';
}

/* ---- instruments on pseudo-terminals ---- */

struct pseudo {
    int master;
    int slave; /* kept open, so that bytes written before the daemon opens it are not lost */
    char link[256];
};

/* Makes the pseudo-terminal and points the symbolic link at it. */
HARNESS_UNUSED static void pseudo_plug(struct pseudo *pseudo, const char *link)
{
    struct termios term;
    char name[128];
    char fresh[300];

    snprintf(pseudo->link, sizeof pseudo->link, "%s", link);
    assert_int_equal(openpty(&pseudo->master, &pseudo->slave, name, NULL, NULL), 0);
    assert_int_equal(tcgetattr(pseudo->slave, &term), 0);
    cfmakeraw(&term);
    assert_int_equal(tcsetattr(pseudo->slave, TCSANOW, &term), 0);
    fcntl(pseudo->master, F_SETFL, O_NONBLOCK);
    fcntl(pseudo->master, F_SETFD, FD_CLOEXEC);
    fcntl(pseudo->slave, F_SETFD, FD_CLOEXEC);
    snprintf(fresh, sizeof fresh, "%s.new", link);
    unlink(fresh);
    assert_int_equal(symlink(name, fresh), 0);
    assert_int_equal(rename(fresh, link), 0);
}

HARNESS_UNUSED static void pseudo_unplug(struct pseudo *pseudo)
{
    unlink(pseudo->link);
    close(pseudo->slave);
    close(pseudo->master);
    pseudo->master = pseudo->slave = -1;
}

HARNESS_UNUSED static void pseudo_say(const struct pseudo *pseudo, const char *text)
{
    size_t length = strlen(text);

    while (length > 0) {
        ssize_t n = write(pseudo->master, text, length);

        if (n > 0) {
            text += n;
            length -= (size_t)n;
        } else {
            struct pollfd one = {.fd = pseudo->master, .events = POLLOUT};

            assert_true(errno == EAGAIN);
            if (poll(&one, 1, 200) <= 0)
                return; /* nobody reads */
        }
    }
}

/* What the daemon sent, up to size - 1 bytes, as text. */
HARNESS_UNUSED static size_t pseudo_hear(const struct pseudo *pseudo, char *text, size_t size)
{
    ssize_t n = read(pseudo->master, text, size - 1);

    text[n > 0 ? n : 0] = '\0';
    return n > 0 ? (size_t)n : 0;
}

/* ---- places and files ---- */

/* A fresh directory, in memory where that can be: the tests flush far more often than a disk likes.
 * TMPDIR overrides. */
HARNESS_UNUSED static void make_place(char *place, size_t size)
{
    const char *base = getenv("TMPDIR");

    if (!base)
        base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    snprintf(place, size, "%s/truewound-test-XXXXXX", base);
    assert_non_null(mkdtemp(place));
}

HARNESS_UNUSED static void remove_place(const char *place)
{
    pid_t child = fork();

    if (child == 0) {
        execlp("rm", "rm", "-rf", "--", place, (char *)NULL);
        _exit(1);
    }
    waitpid(child, NULL, 0);
}

HARNESS_UNUSED static void write_file(const char *path, const char *text)
{
    FILE *out = fopen(path, "w");

    assert_non_null(out);
    assert_true(fputs(text, out) >= 0);
    assert_int_equal(fclose(out), 0);
}

HARNESS_UNUSED static char *read_file(const char *path)
{
    FILE *in = fopen(path, "r");
    char *text = calloc(1, 1 << 20);

    assert_non_null(text);
    if (in) {
        size_t n = fread(text, 1, (1 << 20) - 1, in);

        text[n] = '\0';
        fclose(in);
    }
    return text;
}

/* ---- the database, read by SQLite alone ---- */

/* The first column of the first row as an integer; -1 when there is no row or no database yet. */
HARNESS_UNUSED static int64_t ask(const char *database, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    int64_t answer = -1;

    if (sqlite3_open_v2(database, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK) {
        sqlite3_busy_timeout(db, 2000);
        if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK &&
            sqlite3_step(statement) == SQLITE_ROW)
            answer = sqlite3_column_int64(statement, 0);
        sqlite3_finalize(statement);
    }
    sqlite3_close(db);
    return answer;
}

HARNESS_UNUSED static bool is_whole(const char *database)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    bool ok = false;

    if (sqlite3_open_v2(database, &db, SQLITE_OPEN_READWRITE, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &statement, NULL) == SQLITE_OK &&
        sqlite3_step(statement) == SQLITE_ROW)
        ok = strcmp((const char *)sqlite3_column_text(statement, 0), "ok") == 0;
    sqlite3_finalize(statement);
    sqlite3_close(db);
    return ok;
}

/* ---- the real daemon ---- */

HARNESS_UNUSED static int64_t clock_us(void)
{
    struct timespec ts;

    clock_gettime(CLOCK_MONOTONIC, &ts);
    return (int64_t)ts.tv_sec * 1000000 + ts.tv_nsec / 1000;
}

HARNESS_UNUSED static void rest_us(long us)
{
    struct timespec ts = {us / 1000000, us % 1000000 * 1000};

    nanosleep(&ts, NULL);
}

/* Starts truewoundd on the bench file, its log into the file `log` (appended). */
HARNESS_UNUSED static pid_t daemon_start(const char *bench, const char *log)
{
    pid_t test = getpid();
    pid_t child = fork();

    if (child == 0) {
        int fd = open(log, O_WRONLY | O_CREAT | O_APPEND, 0600);

        /* A test that fails must not leave a daemon behind: the next pseudo-terminal may get the
         * number that its symbolic link still leads to. */
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        if (getppid() != test)
            _exit(127);
        dup2(fd, 2);
        dup2(fd, 1);
        execl(TEST_BUILD_DIR "/acquire/truewoundd", "truewoundd", "--bench", bench, (char *)NULL);
        _exit(127);
    }
    assert_true(child > 0);
    return child;
}

/* Waits for its end; the exit status, -1 when a signal ended it or it does not end in 20 s. */
HARNESS_UNUSED static int daemon_end(pid_t child)
{
    int64_t until = clock_us() + 20000000;
    int status = 0;

    while (clock_us() < until) {
        if (waitpid(child, &status, WNOHANG) == child)
            return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
        rest_us(5000);
    }
    kill(child, SIGKILL);
    waitpid(child, &status, 0);
    return -1;
}

HARNESS_UNUSED static int daemon_stop(pid_t child)
{
    kill(child, SIGTERM);
    return daemon_end(child);
}

/* Waits until the number sql gives reaches at least `least`. */
HARNESS_UNUSED static bool wait_for(const char *database, const char *sql, int64_t least,
                                    double seconds)
{
    int64_t until = clock_us() + (int64_t)(seconds * 1e6);

    do {
        if (ask(database, sql) >= least)
            return true;
        rest_us(20000);
    } while (clock_us() < until);
    return false;
}

/* True when the long form of the test was asked for. */
HARNESS_UNUSED static bool is_full(void)
{
    const char *full = getenv("TRUEWOUND_FULL");

    return full && *full && strcmp(full, "0") != 0;
}

#endif
