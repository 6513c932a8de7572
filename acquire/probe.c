#include "acquire/probe.h"

#include <ctype.h>
#include <poll.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/benchfile.h"
#include "acquire/clock.h"
#include "acquire/driver.h"
#include "acquire/log.h"
#include "acquire/port.h"

#define GUESS_TIME  4000000 /* us for one guess */
#define LISTEN_TIME 1500000 /* us for one baud rate */

/* What a guess brought. */
struct result {
    size_t readings;
    char identity[128];
};

static void count_reading(void *to, const struct driver_reading *reading)
{
    struct result *result = to;

    (void)reading;
    ++result->readings;
}

static void note_identity(void *to, const char *text)
{
    struct result *result = to;

    snprintf(result->identity, sizeof result->identity, "%s", text);
    log_clean(result->identity);
}

static void ignore_event(void *to, enum driver_severity severity, const char *kind,
                         const char *text)
{
    (void)to;
    (void)severity;
    (void)kind;
    (void)text;
}

static void ignore_capture(void *to, const struct driver_capture *capture)
{
    (void)to;
    (void)capture;
}

static void ignore_failure(void *to, const char *why)
{
    (void)to;
    (void)why;
}

static void wait_readable(const struct port *port, int64_t us)
{
    struct pollfd one = {.fd = port_descriptor(port), .events = POLLIN};

    poll(&one, 1, us > 0 ? (int)(us / 1000) + 1 : 0);
}

/* Runs the driver's conversation on the port for a while. */
static void converse(const struct driver *driver, void *state, struct port *port,
                     struct result *result)
{
    const struct driver_sink sink = {.to = result,
                                     .reading = count_reading,
                                     .event = ignore_event,
                                     .identity = note_identity,
                                     .capture = ignore_capture,
                                     .capture_failed = ignore_failure};
    unsigned char in[DRIVER_FRAME_MAX];
    size_t length = 0;
    struct driver_time now = clock_now();
    int64_t end = now.mono + GUESS_TIME;
    int64_t deadline = 0;
    int64_t rest = now.mono;
    bool waiting = false;

    driver->opened(state, now.mono);
    while (now.mono < end && result->readings < 3) {
        struct driver_request request;
        int64_t when = end;
        ssize_t n;

        if (waiting && now.mono >= deadline) {
            waiting = false;
            driver->expired(state, &now, &sink);
        }
        if (!waiting && now.mono >= rest &&
            driver->next(state, now.mono, &request, &when) == DRIVER_SEND) {
            if (port_write(port, request.bytes, request.length, NULL) < 0)
                return;
            waiting = request.reply;
            deadline = now.mono + request.timeout;
            rest = now.mono + request.pause;
        }
        wait_readable(port, 20000);
        now = clock_now();
        n = port_read(port, in + length, sizeof in - length, NULL);
        if (n < 0)
            return;
        length += (size_t)n;
        for (;;) {
            struct driver_frame frame = driver->frame(state, in, length, 0);

            if (frame.length > 0 &&
                driver->message(state, in + frame.skip, frame.length, &now, &sink) == DRIVER_ANSWER)
                waiting = false;
            if (frame.skip + frame.length == 0 || frame.skip + frame.length > length)
                break;
            length -= frame.skip + frame.length;
            memmove(in, in + frame.skip + frame.length, length);
        }
        if (length == sizeof in)
            length = 0;
    }
}

/* The guess with the port's path and the baud rate filled in. The caller frees it. */
static char *fill_in(const char *guess, const char *path, int baud)
{
    const char *mark = strstr(guess, "{port}");
    size_t size = strlen(guess) + strlen(path) + 32;
    char *text = malloc(size);

    if (text && mark)
        snprintf(text, size, "%.*s%s\nbaud = %d%s", (int)(mark - guess), guess, path, baud,
                 mark + 6);
    else if (text)
        snprintf(text, size, "%s", guess);
    return text;
}

static bool try_guess(const struct driver *driver, const char *guess, const char *path, int baud,
                      FILE *out)
{
    const struct port_settings settings = {
        .baud = baud, .bits = 8, .stop = 1, .dtr = true, .rts = true};
    char *text = fill_in(guess, path, baud);
    struct benchfile *bench = NULL;
    struct result result = {0};
    struct port *port = NULL;
    void *state = NULL;

    if (text &&
        benchfile_parse("guess", text, strlen(text), NULL, NULL, &bench, NULL) == STATUS_OK &&
        driver->create(&bench->instrument[0], &state, NULL) == STATUS_OK &&
        port_open(path, &settings, &port, NULL) == STATUS_OK)
        converse(driver, state, port, &result);
    if (result.readings > 0 || result.identity[0]) {
        fprintf(out, "# %s at %d baud: %zu readings%s%s\n", driver->name, baud, result.readings,
                result.identity[0] ? "; it says it is " : "", result.identity);
        fputs("# Adjust names, quantity and unit to what it really measures.\n", out);
        fputs(text, out);
        fputc('\n', out);
    }
    port_close(port);
    if (state)
        driver->destroy(state);
    benchfile_free(bench);
    free(text);
    return result.readings > 0 || result.identity[0];
}

/* How much of what the instrument sends by itself is text at this rate; an example of it. */
static double listen_at(const char *path, int baud, size_t *bytes, char *example, size_t size)
{
    const struct port_settings settings = {
        .baud = baud, .bits = 8, .stop = 1, .dtr = true, .rts = true};
    struct driver_time now = clock_now();
    int64_t end = now.mono + LISTEN_TIME;
    struct port *port;
    size_t text = 0;
    size_t kept = 0;

    *bytes = 0;
    example[0] = '\0';
    if (port_open(path, &settings, &port, NULL) != STATUS_OK)
        return 0.0;
    for (; now.mono < end && *bytes < 4096; now = clock_now()) {
        unsigned char in[256];
        ssize_t n;

        wait_readable(port, end - now.mono);
        n = port_read(port, in, sizeof in, NULL);
        if (n < 0)
            break;
        for (ssize_t i = 0; i < n; ++i) {
            bool plain =
                (in[i] >= 0x20 && in[i] < 0x7f) || in[i] == '\r' || in[i] == '\n' || in[i] == '\t';

            text += plain;
            if (kept + 1 < size && *bytes > 0)
                example[kept++] = (char)(plain && in[i] >= 0x20 ? in[i] : ' ');
            ++*bytes;
        }
    }
    example[kept] = '\0';
    port_close(port);
    return *bytes > 0 ? (double)text / (double)*bytes : 0.0;
}

int probe_port(const char *path, FILE *out)
{
    static const int bauds[] = {9600, 115200, 19200, 2400, 4800, 38400, 57600, 1200};
    const struct port_settings settings = {
        .baud = 9600, .bits = 8, .stop = 1, .dtr = true, .rts = true};
    struct port *port;
    struct status st;
    int best = 9600;
    double best_text = 0.0;
    bool talks = false;
    int found = 0;

    if (port_open(path, &settings, &port, &st) != STATUS_OK) {
        fprintf(out, "# %s\n", st.text);
        return -1;
    }
    port_close(port);
    for (size_t i = 0; i < sizeof bauds / sizeof bauds[0]; ++i) {
        char example[72];
        size_t bytes;
        double share = listen_at(path, bauds[i], &bytes, example, sizeof example);

        if (bytes == 0 && !talks && i >= 1)
            break; /* silent: it waits to be asked */
        if (bytes == 0)
            continue;
        talks = true;
        fprintf(out, "# %d baud: %zu bytes, %.0f %% of them text: %s\n", bauds[i], bytes,
                share * 100.0, share > 0.9 ? example : "");
        if (share > best_text) {
            best_text = share;
            best = bauds[i];
        }
        if (share > 0.99)
            break;
    }
    if (!talks)
        fputs("# it sends nothing by itself\n", out);
    for (size_t i = 0; driver_at(i); ++i)
        for (size_t k = 0; driver_at(i)->guesses && driver_at(i)->guesses[k]; ++k) {
            if (try_guess(driver_at(i), driver_at(i)->guesses[k], path, best, out))
                ++found;
            else if (!talks && try_guess(driver_at(i), driver_at(i)->guesses[k], path,
                                         best == 9600 ? 115200 : 9600, out))
                ++found;
        }
    if (found == 0)
        fputs("# no driver understood it; describe its lines or answers by hand, "
              "see truewound-bench(5)\n",
              out);
    return found;
}
