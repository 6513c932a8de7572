#include "acquire/probe.h"

#include <ctype.h>
#include <poll.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "acquire/benchfile.h"
#include "acquire/checksum.h"
#include "acquire/clock.h"
#include "acquire/driver.h"
#include "acquire/log.h"
#include "acquire/pattern.h"
#include "acquire/port.h"

#define GUESS_TIME  3000000 /* us for one guess */
#define LISTEN_TIME 1500000 /* us for one baud rate */
#define LINES_TIME  3000000 /* us for lines to make a pattern of */
#define FIELDS_MAX  16
#define LINES_MAX   200

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

/* A conversation of a driver with a port. */
struct talk {
    const struct driver *driver;
    void *state;
    struct port *port;
    struct driver_sink sink;
    struct driver_time now;
    unsigned char in[DRIVER_FRAME_MAX];
    size_t length;
    bool waiting;
    int64_t deadline, rest;
};

/* Sends what the driver wants to send now. False when the port is gone. */
static bool send_request(struct talk *talk)
{
    struct driver_request request;
    int64_t when;

    if (talk->waiting && talk->now.mono >= talk->deadline) {
        talk->waiting = false;
        if (talk->driver->expired)
            talk->driver->expired(talk->state, &talk->now, &talk->sink);
    }
    if (talk->waiting || talk->now.mono < talk->rest ||
        talk->driver->next(talk->state, talk->now.mono, &request, &when) != DRIVER_SEND)
        return true;
    talk->waiting = request.reply;
    talk->deadline = talk->now.mono + request.timeout;
    talk->rest = talk->now.mono + request.pause;
    return port_write(talk->port, request.bytes, request.length, NULL) >= 0;
}

/* Hands on the whole messages that are there. */
static void take_messages(struct talk *talk)
{
    for (;;) {
        struct driver_frame frame = talk->driver->frame(talk->state, talk->in, talk->length, 0);
        size_t taken = frame.skip + frame.length;

        if (taken == 0 || taken > talk->length)
            break;
        if (frame.length > 0 &&
            talk->driver->message(talk->state, talk->in + frame.skip, frame.length, &talk->now,
                                  &talk->sink) == DRIVER_ANSWER)
            talk->waiting = false;
        talk->length -= taken;
        memmove(talk->in, talk->in + taken, talk->length);
    }
    if (talk->length == sizeof talk->in)
        talk->length = 0;
}

/* Runs the driver's conversation on the port until it has given a few readings or time is over. */
static void converse(struct talk *talk, struct result *result)
{
    int64_t end = talk->now.mono + GUESS_TIME;

    while (talk->now.mono < end && result->readings < 3 && send_request(talk)) {
        ssize_t n;

        wait_readable(talk->port, 20000);
        talk->now = clock_now();
        n = port_read(talk->port, talk->in + talk->length, sizeof talk->in - talk->length, NULL);
        if (n < 0)
            return;
        talk->length += (size_t)n;
        take_messages(talk);
    }
}

/* What talks need not be asked, and what is silent will not talk by itself. */
static bool is_suited(const struct driver *driver, void *state, bool talks)
{
    struct driver_request request;
    int64_t mono = clock_now().mono;
    int64_t when;
    bool asks;

    driver->opened(state, mono);
    asks = driver->next(state, mono, &request, &when) == DRIVER_SEND;
    driver->opened(state, mono);
    return asks != talks;
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

/* Without what only makes the probing quick: on the bench the error queue is wanted. */
static void print_guess(const char *text, FILE *out)
{
    static const char *const quick[] = {"errors = no\n", "timeout = 2 s\n"};

    while (*text) {
        size_t length = strcspn(text, "\n") + 1;
        bool kept = true;

        for (size_t i = 0; i < sizeof quick / sizeof quick[0]; ++i)
            kept = kept && strncmp(text, quick[i], strlen(quick[i])) != 0;
        if (kept)
            fprintf(out, "%.*s", (int)length, text);
        text += text[length - 1] ? length : length - 1;
    }
    fputc('\n', out);
}

static bool try_guess(const struct driver *driver, const char *guess, const char *path, int baud,
                      bool talks, FILE *out)
{
    const struct port_settings settings = {
        .baud = baud, .bits = 8, .stop = 1, .dtr = true, .rts = true};
    char *text = fill_in(guess, path, baud);
    struct benchfile *bench = NULL;
    struct result result = {0};
    struct port *port = NULL;
    void *state = NULL;
    bool good;

    if (text &&
        benchfile_parse("guess", text, strlen(text), NULL, NULL, &bench, NULL) == STATUS_OK &&
        driver->create(&bench->instrument[0], &state, NULL) == STATUS_OK &&
        is_suited(driver, state, talks) && port_open(path, &settings, &port, NULL) == STATUS_OK) {
        struct talk talk = {.driver = driver,
                            .state = state,
                            .port = port,
                            .sink = {.to = &result,
                                     .reading = count_reading,
                                     .event = ignore_event,
                                     .identity = note_identity,
                                     .capture = ignore_capture,
                                     .capture_failed = ignore_failure},
                            .now = clock_now()};

        converse(&talk, &result);
    }
    /* What talks by itself gives an answer to anything. */
    good = result.readings > 0 || (result.identity[0] && !talks);
    if (good) {
        fprintf(out, "# %s at %d baud: %zu readings%s%s\n", driver->name, baud, result.readings,
                result.identity[0] ? "; it says it is " : "", result.identity);
        fputs("# Adjust names, quantity and unit to what it really measures.\n", out);
        print_guess(text, out);
    }
    port_close(port);
    if (state)
        driver->destroy(state);
    benchfile_free(bench);
    free(text);
    return good;
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

/* Appends one character of a line to a pattern, so that it stands for itself. */
static size_t append_literal(char *pattern, size_t size, size_t n, char c)
{
    if (strchr("\\^$.|?*+()[]{}#", c) && n + 1 < size)
        pattern[n++] = '\\';
    if (n + 1 < size)
        pattern[n++] = c;
    return n;
}

/* Whether commas part numbers here: beside a decimal point, or when there are several. One comma
 * alone between digits is a decimal sign. */
static bool commas_part(const char *line)
{
    size_t commas = 0;
    bool point = false;

    for (size_t i = 1; line[0] && line[i] && line[i + 1]; ++i) {
        bool between =
            isdigit((unsigned char)line[i - 1]) &&
            (isdigit((unsigned char)line[i + 1]) || line[i + 1] == '-' || line[i + 1] == ' ');

        commas += between && line[i] == ',';
        point = point || (between && line[i] == '.');
    }
    return point || commas > 1;
}

/* A pattern for lines like this one: each number becomes a group c1, c2 ..., spaces any number of
 * spaces. Returns how many numbers there are. */
static int pattern_of(const char *line, char *pattern, size_t size)
{
    bool parted = commas_part(line);
    int fields = 0;
    size_t n = 0;

    pattern[n++] = '^';
    while (*line && n + 48 < size) {
        const char *digits = line + (*line == '+' || *line == '-');

        digits += strspn(digits, " ");
        if (isdigit((unsigned char)*digits) && fields < FIELDS_MAX) {
            n += (size_t)snprintf(pattern + n, size - n, "(?<c%d>[-+ ]*[0-9]+%s[0-9]*)", ++fields,
                                  parted ? "\\.?" : "[.,]?");
            line = digits + strspn(digits, "0123456789");
            if ((*line == '.' || (*line == ',' && !parted)) && isdigit((unsigned char)line[1]))
                line += 1 + strspn(line + 1, "0123456789");
        } else if (*line == ' ' || *line == '\t') {
            n += (size_t)snprintf(pattern + n, size - n, "\\s*");
            line += strspn(line, " \t");
        } else {
            n = append_literal(pattern, size, n, *line++);
        }
    }
    pattern[n++] = '$';
    pattern[n] = '\0';
    return *line ? 0 : fields;
}

/* Whether the line ends with '*' and the exclusive or of what stands before it. */
static bool has_sum(const char *line)
{
    size_t length = strlen(line);
    char sum[3];

    if (length < 4 || line[length - 3] != '*')
        return false;
    snprintf(sum, sizeof sum, "%02X",
             checksum_of(CHECKSUM_XOR8, (const unsigned char *)line, length - 3) & 0xffU);
    return strcasecmp(sum, line + length - 2) == 0;
}

/* Listens for lines and writes sections with a pattern made of one of them. */
static bool suggest_lines(const char *path, int baud, FILE *out)
{
    const struct port_settings settings = {
        .baud = baud, .bits = 8, .stop = 1, .dtr = true, .rts = true};
    struct driver_time now = clock_now();
    int64_t end = now.mono + LINES_TIME;
    char text[8192];
    char pattern[1024];
    char *line[LINES_MAX];
    char *rest = NULL;
    size_t length = 0, lines = 0;
    int fields, matches = 0;
    bool summed = false;
    struct pattern *compiled = NULL;
    struct port *port;

    if (port_open(path, &settings, &port, NULL) != STATUS_OK)
        return false;
    for (; now.mono < end && length + 1 < sizeof text; now = clock_now()) {
        ssize_t n;

        wait_readable(port, end - now.mono);
        n = port_read(port, (unsigned char *)text + length, sizeof text - 1 - length, NULL);
        if (n < 0)
            break;
        length += (size_t)n;
    }
    port_close(port);
    while (length > 0 && text[length - 1] != '\n' && text[length - 1] != '\r')
        --length; /* the last line may be cut, as the first may */
    text[length] = '\0';
    rest = text + strcspn(text, "\r\n");
    for (char *at = strtok_r(NULL, "\r\n", &rest); at && lines < LINES_MAX;
         at = strtok_r(NULL, "\r\n", &rest)) {
        log_clean(at);
        line[lines++] = at;
    }
    if (lines == 0)
        return false;
    summed = has_sum(line[lines - 1]);
    for (size_t i = 0; summed && i < lines; ++i)
        if (has_sum(line[i]))
            line[i][strlen(line[i]) - 3] = '\0';
    fields = pattern_of(line[lines - 1], pattern, sizeof pattern);
    if (fields == 0 || pattern_new(pattern, &compiled, NULL) != STATUS_OK)
        return false;
    for (size_t i = 0; i < lines; ++i)
        matches += pattern_match(compiled, line[i], strlen(line[i]));
    pattern_free(compiled);
    fprintf(
        out,
        "# made of the line: %s\n# (%d of %zu lines match). Keep what you need, name the groups "
        "and channels,\n# give quantity and unit.\n"
        "[instrument probe]\ndriver = lines\nport = %s\nbaud = %d\n%spattern = %s\n",
        line[lines - 1], matches, lines, path, baud, summed ? "checksum = xor8\n" : "", pattern);
    for (int i = 1; i <= fields; ++i)
        fprintf(out, "[channel probe.c%d]\nquantity = count\n", i);
    return true;
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
    for (size_t i = 0; driver_at(i); ++i) {
        bool hit = false; /* one section of a driver is enough */

        for (size_t k = 0; !hit && driver_at(i)->guesses && driver_at(i)->guesses[k]; ++k)
            /* What does not talk by itself has shown no baud rate: the two usual ones are tried. */
            hit = try_guess(driver_at(i), driver_at(i)->guesses[k], path, best, talks, out) ||
                  (!talks &&
                   try_guess(driver_at(i), driver_at(i)->guesses[k], path, 115200, talks, out));
        found += hit;
    }
    if (found == 0 && talks && suggest_lines(path, best, out))
        ++found;
    if (found == 0)
        fputs("# no driver understood it; describe its lines or answers by hand, "
              "see truewound-bench(5)\n",
              out);
    return found;
}
