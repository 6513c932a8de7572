/* scpi: meters that are asked and answer, by IEEE 488.2 and SCPI-1999.
 *
 * One request is out at a time. What the driver does next, first that applies:
 *   RECOVER   after a time-out: the recover commands, then everything from the identity on
 *   IDENTITY  ask who it is, once a conversation
 *   SETUP     the set-up commands, once a conversation
 *   ERRORS    empty the error queue (after set-up, after a change of function, at intervals)
 *   COMMAND   a named command from the control socket
 *   CONFIGURE the commands that bring the meter to the function of the channel that is due
 *   QUERY     the reading itself
 * An answer that comes after its time-out must not be taken for the answer to the next request:
 * what is in the line is thrown away, and the identity is asked again before any reading.
 *
 * A meter that does not know a function stays in the one before and answers READ? all the same: the
 * number would be volts in an ohm channel. So the error queue is read after CONFIGURE. When it is
 * not empty the commands are sent again, each followed by a look into the queue, to find the one
 * that was refused: one that chooses the function takes its channels out, any other is left out
 * from then on. */
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "acquire/driver.h"
#include "acquire/drivers/scpianswer.h"
#include "acquire/drivers/scpichannel.h"
#include "acquire/number.h"
#include "acquire/pattern.h"

#define IGNORES_MAX  8
#define REFUSED_REST 60000000 /* us until a refused channel is tried again */
#define ERRORS_MAX   32       /* entries taken from the error queue in one go */

enum scpi_waiting { WAITING_NOTHING, WAITING_IDENTITY, WAITING_ERRORS, WAITING_QUERY };

struct scpi {
    const struct benchfile_instrument *instrument;
    struct scpichannel *channel;
    struct pattern *ignore[IGNORES_MAX];
    size_t ignores;
    char terminator[8];
    size_t terminator_length;
    bool echo;
    enum number_decimal decimal;

    enum scpi_waiting waiting;
    char sent[SCPICHANNEL_COMMAND_MAX]; /* the last request, for the echo and for messages */
    size_t recover; /* number of the next recover command; SIZE_MAX: none to send */
    bool identified;
    bool no_identity;                         /* it does not answer the identity query */
    bool no_errors;                           /* it does not answer the error query */
    bool reason;                              /* after a time-out: ask for the error behind it */
    bool recovering;                          /* that question is out */
    bool late;                                /* there was a time-out: a late answer may come */
    bool acknowledges;                        /* a bare number answers each command */
    bool crowded;                             /* more lines come than were asked for */
    bool read_last;                           /* the last answer was a reading */
    bool told_fields[BENCHFILE_CHANNELS_MAX]; /* that its answer has several fields */
    size_t setup;                             /* number of the next set-up command */
    bool drain;
    bool draining;
    size_t drained;
    int64_t next_errors;
    const char *send;
    size_t send_length;
    size_t selected;   /* SIZE_MAX: the channels that are always read */
    bool reselect;     /* the selection changed: begin a new cycle */
    size_t at;         /* channel whose turn it is */
    size_t asked;      /* channel whose query waits for its answer */
    size_t configured; /* channel whose function the meter is in; SIZE_MAX: none */
    size_t configuring;
    bool careful;   /* look into the error queue after each command */
    bool looked;    /* it has been looked into after the last one */
    bool judging;   /* what is in the queue is about the commands just sent */
    bool complaint; /* something was in it */
    int64_t cycle;  /* when the running cycle of polls began */
    bool idle;      /* the cycle is over */
};

static const struct section_key instrument_keys[] = {
    {.name = "terminator", .kind = SECTION_BYTES, .standard = "\\n"},
    {.name = "echo", .kind = SECTION_CHOICE, .standard = "auto", .choices = "auto yes no"},
    {.name = "identity_query", .kind = SECTION_TEXT, .standard = "*IDN?"},
    {.name = "setup", .kind = SECTION_LIST},
    {.name = "recover", .kind = SECTION_LIST, .standard = "*CLS"},
    {.name = "errors", .kind = SECTION_SWITCH, .standard = "yes"},
    {.name = "errors_query", .kind = SECTION_TEXT, .standard = "SYST:ERR?"},
    {.name = "errors_interval",
     .kind = SECTION_TIME,
     .standard = "60 s",
     .min = 0.1,
     .max = 864000},
    {.name = "ignore_pattern", .kind = SECTION_PATTERNS},
    {.name = "prompt", .kind = SECTION_LIST},
    {.name = "overload_text", .kind = SECTION_LIST},
    {.name = "decimal",
     .kind = SECTION_CHOICE,
     .standard = "point",
     .choices = "either point comma"},
    {.name = NULL},
};

/* ---- making and freeing ---- */

static void scpi_destroy(void *state)
{
    struct scpi *s = state;

    for (size_t i = 0; i < s->ignores; ++i)
        pattern_free(s->ignore[i]);
    for (size_t i = 0; s->channel && i < s->instrument->channels; ++i)
        pattern_free(s->channel[i].pattern);
    free(s->channel);
    free(s);
}

static enum status_code fill(struct scpi *s, struct status *st)
{
    const struct section *values = s->instrument->values;
    const char *text = section_bytes(values, "terminator", &s->terminator_length);
    enum status_code code = STATUS_OK;
    size_t length;
    struct status why;

    if (s->terminator_length < 1 || s->terminator_length > sizeof s->terminator)
        code =
            section_fail(values, "terminator", st, "must be 1 to %zu bytes", sizeof s->terminator);
    else
        memcpy(s->terminator, text, s->terminator_length);
    s->echo = strcmp(section_text(values, "echo"), "no") != 0;
    text = section_text(values, "decimal");
    s->decimal = strcmp(text, "point") == 0   ? NUMBER_POINT
                 : strcmp(text, "comma") == 0 ? NUMBER_COMMA
                                              : NUMBER_EITHER;
    for (size_t i = 0; section_item(values, "setup", i, &length); ++i)
        if (length >= SCPICHANNEL_COMMAND_MAX)
            code = section_fail(values, "setup", st, "a command longer than %d bytes",
                                SCPICHANNEL_COMMAND_MAX - 1);
    for (size_t i = 0; (text = section_item(values, "ignore_pattern", i, NULL)); ++i) {
        if (s->ignores == IGNORES_MAX) {
            code = section_fail(values, "ignore_pattern", st, "more than %d patterns", IGNORES_MAX);
            break;
        }
        if (pattern_new(text, &s->ignore[s->ignores], &why) == STATUS_OK)
            ++s->ignores;
        else
            code = section_fail(values, "ignore_pattern", st, "%s", why.text);
    }
    s->channel = calloc(s->instrument->channels, sizeof *s->channel);
    if (!s->channel)
        return status_fail(st, STATUS_MEMORY, "no memory");
    for (size_t i = 0; i < s->instrument->channels; ++i)
        if (scpichannel_fill(&s->instrument->channel[i], &s->channel[i], st) != STATUS_OK)
            code = STATUS_INPUT;
    return code;
}

static enum status_code scpi_create(const struct benchfile_instrument *instrument, void **state,
                                    struct status *st)
{
    struct scpi *s = calloc(1, sizeof *s);
    struct status own;
    enum status_code code;

    *state = NULL;
    st = st ? st : &own;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory");
    s->instrument = instrument;
    s->selected = SIZE_MAX;
    code = fill(s, st);
    if (code != STATUS_OK) {
        scpi_destroy(s);
        return code;
    }
    *state = s;
    return status_ok(st);
}

/* ---- talking ---- */

/* Everything from the identity on is to be done again. */
static void start_over(struct scpi *s)
{
    s->waiting = WAITING_NOTHING;
    s->identified = false;
    s->setup = 0;
    s->drain = s->draining = false;
    s->configured = SIZE_MAX;
    s->configuring = 0;
    s->careful = s->looked = s->judging = s->complaint = false;
    s->read_last = false;
}

static void scpi_opened(void *state, int64_t mono)
{
    struct scpi *s = state;

    start_over(s);
    s->recover = SIZE_MAX;
    s->no_identity = false;
    s->no_errors = false;
    s->reason = s->recovering = s->late = false;
    s->acknowledges = s->crowded = false;
    memset(s->told_fields, 0, sizeof s->told_fields);
    for (size_t i = 0; i < s->instrument->channels; ++i)
        s->channel[i].refused_until = INT64_MIN;
    s->next_errors = mono;
    s->at = 0;
    s->cycle = mono;
    s->idle = false;
    s->send = NULL;
}

static enum driver_next ask(struct scpi *s, struct driver_request *request, const char *text,
                            enum scpi_waiting waiting)
{
    size_t length = strlen(text);

    snprintf(s->sent, sizeof s->sent, "%s", text);
    memcpy(request->bytes, text, length);
    memcpy(request->bytes + length, s->terminator, s->terminator_length);
    request->length = length + s->terminator_length;
    request->fresh = true;
    request->reply = waiting != WAITING_NOTHING;
    request->timeout = section_time(s->instrument->values, "timeout");
    request->pause = section_time(s->instrument->values, "pause");
    s->read_last = false;
    s->waiting = waiting;
    return DRIVER_SEND;
}

static bool is_active(const struct scpi *s, size_t channel)
{
    if (s->selected != SIZE_MAX)
        return channel == s->selected;
    return !s->instrument->channel[channel].asked_only;
}

/* True when one answer serves both channels. */
static bool same_query(const struct scpi *s, size_t a, size_t b)
{
    return strcmp(s->channel[a].query, s->channel[b].query) == 0 &&
           scpichannel_same_configuration(&s->channel[a], &s->channel[b]);
}

/* True when an earlier channel of this cycle asked the same. */
static bool is_served(const struct scpi *s, size_t channel)
{
    for (size_t i = 0; i < channel; ++i)
        if (is_active(s, i) && same_query(s, i, channel))
            return true;
    return false;
}

/* Moves s->at to the next channel of the cycle that must be asked; false at the end of it. */
static bool find_due(struct scpi *s, int64_t mono)
{
    while (s->at < s->instrument->channels &&
           (!is_active(s, s->at) || is_served(s, s->at) || mono < s->channel[s->at].refused_until))
        ++s->at;
    return s->at < s->instrument->channels;
}

static enum driver_next ask_errors(struct scpi *s, struct driver_request *request)
{
    return ask(s, request, section_text(s->instrument->values, "errors_query"), WAITING_ERRORS);
}

/* Brings the meter to the function of the channel that is due; false when it is there. */
static bool configure(struct scpi *s, struct driver_request *request)
{
    const struct scpichannel *channel = &s->channel[s->at];
    bool errors = section_switch(s->instrument->values, "errors") && !s->no_errors;

    if (s->configured != SIZE_MAX &&
        scpichannel_same_configuration(&s->channel[s->configured], &s->channel[s->at]))
        return false;
    if (s->configuring == 0)
        s->configured = SIZE_MAX; /* half configured is not configured */
    for (;;) {
        size_t done = s->configuring;
        bool end = done == channel->configures;

        if (errors && done > 0 && !s->looked && (end || s->careful)) {
            s->looked = s->judging = true;
            s->complaint = false;
            s->drained = 0;
            ask_errors(s, request);
            return true;
        }
        if (end && s->complaint && !s->careful) {
            s->careful = true; /* which of them was it? */
            s->complaint = false;
            s->configuring = 0;
            continue;
        }
        s->looked = s->judging = s->complaint = false;
        if (end)
            break;
        ++s->configuring;
        if (channel->skip[done])
            continue;
        ask(s, request, channel->configure[done], WAITING_NOTHING);
        return true;
    }
    s->configured = s->at;
    s->configuring = 0;
    s->careful = false;
    return false;
}

static enum driver_next poll(struct scpi *s, int64_t mono, struct driver_request *request,
                             int64_t *when)
{
    const struct section *values = s->instrument->values;
    int64_t interval = section_time(values, "interval");

    if (s->reselect) {
        s->reselect = false;
        s->idle = false;
        s->at = 0;
        s->cycle = mono;
        s->configured = SIZE_MAX;
        s->configuring = 0;
        s->careful = s->looked = s->complaint = false;
        if (s->selected != SIZE_MAX)
            s->channel[s->selected].refused_until = INT64_MIN; /* asked for: it is tried again */
    }
    if (!s->idle && !find_due(s, mono))
        s->idle = true;
    if (s->idle) {
        if (mono < s->cycle + interval) {
            *when = s->cycle + interval;
            return DRIVER_WAIT;
        }
        s->cycle += interval;
        if (s->cycle + interval <= mono)
            s->cycle = mono;
        s->idle = false;
        s->at = 0;
        if (!find_due(s, mono)) {
            s->idle = true;
            *when = mono + (interval > 1000000 ? interval : 1000000);
            return DRIVER_WAIT; /* all channels wait to be asked for, or are refused */
        }
    }
    if (configure(s, request))
        return DRIVER_SEND;
    s->asked = s->at++;
    return ask(s, request, s->channel[s->asked].query, WAITING_QUERY);
}

static enum driver_next scpi_next(void *state, int64_t mono, struct driver_request *request,
                                  int64_t *when)
{
    struct scpi *s = state;
    const struct section *values = s->instrument->values;
    bool errors = section_switch(values, "errors") && !s->no_errors;
    const char *text;

    if (s->reason) {
        s->reason = false; /* before the queue is cleared: it may tell why there was no answer */
        s->recovering = true;
        return ask_errors(s, request);
    }
    if (s->recover != SIZE_MAX) {
        text = section_item(values, "recover", s->recover, NULL);
        if (text && *text && strlen(text) < SCPICHANNEL_COMMAND_MAX) {
            ++s->recover;
            return ask(s, request, text, WAITING_NOTHING);
        }
        s->recover = SIZE_MAX;
    }
    if (!s->identified) {
        text = section_text(values, "identity_query");
        if (*text && !s->no_identity && strlen(text) < SCPICHANNEL_COMMAND_MAX)
            return ask(s, request, text, WAITING_IDENTITY);
        s->identified = true;
    }
    text = section_item(values, "setup", s->setup, NULL);
    if (text) {
        ++s->setup;
        s->drain = true;
        return ask(s, request, text, WAITING_NOTHING);
    }
    if (errors && (s->drain || mono >= s->next_errors)) {
        if (!s->draining)
            s->drained = 0;
        s->drain = s->draining = false;
        s->next_errors = mono + section_time(values, "errors_interval");
        return ask_errors(s, request);
    }
    if (s->send) {
        size_t length =
            s->send_length < SCPICHANNEL_COMMAND_MAX ? s->send_length : SCPICHANNEL_COMMAND_MAX - 1;
        char command[SCPICHANNEL_COMMAND_MAX];

        memcpy(command, s->send, length);
        command[length] = '\0';
        s->send = NULL;
        s->drain = true;
        return ask(s, request, command, WAITING_NOTHING);
    }
    return poll(s, mono, request, when);
}

/* ---- framing: a line, ended by CR, LF or both ---- */

static struct driver_frame scpi_frame(const void *state, const unsigned char *bytes, size_t length,
                                      int64_t quiet)
{
    struct driver_frame frame = {0};

    (void)state;
    (void)quiet;
    while (frame.skip < length && (bytes[frame.skip] == '\r' || bytes[frame.skip] == '\n'))
        ++frame.skip;
    for (size_t i = frame.skip; i < length; ++i)
        if (bytes[i] == '\r' || bytes[i] == '\n') {
            frame.length = i + 1 - frame.skip;
            break;
        }
    return frame;
}

static enum driver_heard identity_answer(struct scpi *s, const char *line, size_t length,
                                         const struct driver_sink *sink)
{
    struct number number;
    char text[256];

    if (scpianswer_is_error_entry(line, length))
        return DRIVER_IGNORED;
    if (number_read(line, length, NUMBER_POINT, &number) && number.used == length) {
        /* A late reading, not a name. But where none can be late, it is how the meter says that it
         * took the command, and it will say so before each reading, too. */
        if (!s->late && !s->acknowledges && scpianswer_is_bare_integer(line, length)) {
            s->acknowledges = true;
            snprintf(text, sizeof text,
                     "each command is acknowledged with a bare number, such as '%.*s'; such lines "
                     "are passed over",
                     (int)length, line);
            sink->event(sink->to, DRIVER_INFO, "acknowledge", text);
        }
        return DRIVER_IGNORED;
    }
    snprintf(text, sizeof text, "%.*s", (int)(length < 255 ? length : 255), line);
    s->identified = true;
    s->waiting = WAITING_NOTHING;
    sink->identity(sink->to, text);
    return DRIVER_ANSWER;
}

/* The error queue was not empty after the command before. */
static void judge(struct scpi *s, int64_t mono, const struct driver_sink *sink)
{
    struct scpichannel *channel = &s->channel[s->at];
    size_t index = s->configuring - 1;
    char *command = channel->configure[index];
    char text[2 * SCPICHANNEL_COMMAND_MAX + 160];

    if (!scpichannel_is_essential(channel, index)) {
        snprintf(text, sizeof text, "the meter does not take '%s'; it is left out from now on",
                 command);
        for (size_t i = 0; i < s->instrument->channels; ++i)
            if (scpichannel_same_configuration(&s->channel[i], &s->channel[s->at]))
                s->channel[i].skip[index] = true;
    } else if (channel->standard && strchr(command, ' ')) {
        char whole[SCPICHANNEL_COMMAND_MAX];

        snprintf(whole, sizeof whole, "%s", command);
        for (size_t i = s->instrument->channels; i-- > 0;)
            if (i != s->at && scpichannel_same_configuration(&s->channel[i], &s->channel[s->at])) {
                s->channel[i].range = NAN;
                *strchr(s->channel[i].configure[index], ' ') = '\0';
            }
        *strchr(command, ' ') = '\0';
        channel->range = NAN;
        snprintf(text, sizeof text,
                 "the meter does not take '%s'; '%s' is sent instead, and it chooses the range",
                 whole, command);
        s->configuring = 0;
    } else {
        snprintf(
            text, sizeof text,
            "the meter does not take '%s', so it may measure something else: %s%s is not read; "
            "it is tried again in a minute",
            command, s->instrument->channel[s->at].name,
            channel->configures > 1 ? " (and what else needs it)" : "");
        for (size_t i = 0; i < s->instrument->channels; ++i)
            if (i != s->at && scpichannel_same_configuration(&s->channel[i], &s->channel[s->at]))
                s->channel[i].refused_until = mono + REFUSED_REST;
        channel->refused_until = mono + REFUSED_REST;
        s->careful = s->looked = false;
        s->configuring = 0;
    }
    sink->event(sink->to, DRIVER_WARNING, "refused", text);
    s->judging = s->complaint = false;
}

/* <number>,"text"; 0 means that the queue is empty (SCPI-1999, volume 2, 21.8). */
static enum driver_heard errors_answer(struct scpi *s, const char *line, size_t length,
                                       const struct driver_time *time,
                                       const struct driver_sink *sink)
{
    static const char none[] = "no error";
    struct number number;
    char text[256];
    bool empty = length >= sizeof none - 1 && strncasecmp(line, none, sizeof none - 1) == 0;

    if (!empty &&
        (!number_read(line, length, NUMBER_POINT, &number) || number.value != floor(number.value) ||
         (s->recovering && !scpianswer_is_error_entry(line, length) && number.value != 0.0)))
        return DRIVER_GARBAGE;
    s->waiting = WAITING_NOTHING;
    s->recovering = false;
    if (empty || number.value == 0.0) {
        s->judging = false;
        return DRIVER_ANSWER;
    }
    snprintf(text, sizeof text, "the instrument reports %.*s", (int)(length < 200 ? length : 200),
             line);
    sink->event(sink->to, DRIVER_WARNING, "instrument-error", text);
    if (s->judging && s->careful)
        judge(s, time->mono, sink);
    else if (s->judging)
        s->complaint = true;
    if (++s->drained < ERRORS_MAX)
        s->drain = s->draining = true;
    else
        s->judging = false; /* a queue that does not empty: go on */
    return DRIVER_ANSWER;
}

/* An answer of several fields may hold a status, or the value wanted may not be its first. */
static void tell_fields(struct scpi *s, const char *line, size_t length,
                        const struct driver_sink *sink)
{
    size_t fields = scpianswer_fields(line, length);
    char text[SCPICHANNEL_COMMAND_MAX + 200];

    if (s->told_fields[s->asked] || fields < 2 || s->decimal == NUMBER_COMMA)
        return;
    for (size_t i = 0; i < s->instrument->channels; ++i) {
        const struct section *values = s->instrument->channel[i].values;

        if (same_query(s, s->asked, i) &&
            (section_given(values, "field") || section_given(values, "status_field") ||
             section_given(values, "unit_field") || section_given(values, "pattern")))
            return; /* it is known what they are */
    }
    s->told_fields[s->asked] = true;
    snprintf(text, sizeof text,
             "%s has %zu fields in its answer, '%.*s'; the first is taken: see field and "
             "status_field in truewound-bench(5)",
             s->sent, fields, (int)(length < 60 ? length : 60), line);
    sink->event(sink->to, DRIVER_INFO, "fields", text);
}

static enum driver_heard query_answer(struct scpi *s, const char *line, size_t length,
                                      const struct driver_sink *sink)
{
    uint32_t flags = s->crowded ? STORE_FLAG_SUSPECT : 0; /* which of the lines is the reading? */
    bool good = true;

    for (size_t i = s->asked; i < s->instrument->channels; ++i)
        if (i == s->asked || (is_active(s, i) && same_query(s, s->asked, i)))
            good = scpianswer_reading(s->instrument, i, &s->channel[i], s->decimal, line, length,
                                      flags, sink) &&
                   good;
    if (!good)
        return DRIVER_GARBAGE;
    tell_fields(s, line, length, sink);
    s->waiting = WAITING_NOTHING;
    s->read_last = true;
    return DRIVER_ANSWER;
}

/* A line nobody asked for. A number right behind a reading is the sign that the reading was
 * something else, and this the reading. */
static enum driver_heard unasked(struct scpi *s, const char *line, size_t length,
                                 const struct driver_sink *sink)
{
    struct number number;
    char text[SCPICHANNEL_COMMAND_MAX + 200];

    if (!s->read_last || s->crowded || scpianswer_is_error_entry(line, length) ||
        !number_read(line, length, s->decimal, &number))
        return DRIVER_IGNORED;
    s->crowded = true;
    snprintf(text, sizeof text,
             "more than one line answers %s, for example '%.*s': which is the reading? The "
             "readings are marked suspect; let ignore_pattern take the other line out",
             s->sent, (int)(length < 40 ? length : 40), line);
    sink->event(sink->to, DRIVER_WARNING, "answers", text);
    return DRIVER_IGNORED;
}

/* What stands in front of a line: '>' and the prompts of the bench file. */
static void skip_prompt(const struct scpi *s, const char **line, size_t *length)
{
    bool again = true;

    while (again) {
        const char *item;
        size_t size;

        again = false;
        while (*length > 0 && (isspace((unsigned char)**line) || **line == '>'))
            ++*line, --*length;
        for (size_t i = 0; (item = section_item(s->instrument->values, "prompt", i, &size)); ++i)
            if (size > 0 && size <= *length && memcmp(*line, item, size) == 0) {
                *line += size;
                *length -= size;
                again = true;
            }
    }
}

static enum driver_heard scpi_message(void *state, const unsigned char *bytes, size_t length,
                                      const struct driver_time *time,
                                      const struct driver_sink *sink)
{
    struct scpi *s = state;
    const char *line = (const char *)bytes;

    while (length > 0 && isspace((unsigned char)line[length - 1]))
        --length;
    skip_prompt(s, &line, &length);
    if (length == 0)
        return DRIVER_IGNORED;
    if (s->echo && length == strlen(s->sent) && memcmp(line, s->sent, length) == 0)
        return DRIVER_IGNORED;
    for (size_t i = 0; i < s->ignores; ++i)
        if (pattern_match(s->ignore[i], line, length))
            return DRIVER_IGNORED;
    if (s->acknowledges && s->waiting != WAITING_IDENTITY &&
        scpianswer_is_bare_integer(line, length))
        return DRIVER_IGNORED;
    switch (s->waiting) {
    case WAITING_NOTHING:
        return unasked(s, line, length, sink);
    case WAITING_IDENTITY:
        return identity_answer(s, line, length, sink);
    case WAITING_ERRORS:
        return errors_answer(s, line, length, time, sink);
    case WAITING_QUERY:
        if (scpianswer_is_error_entry(line, length))
            return DRIVER_IGNORED; /* the rest of an answer of several lines */
        return query_answer(s, line, length, sink);
    }
    return DRIVER_GARBAGE;
}

static void scpi_expired(void *state, const struct driver_time *time,
                         const struct driver_sink *sink)
{
    struct scpi *s = state;
    enum scpi_waiting waiting = s->waiting;
    char text[SCPICHANNEL_COMMAND_MAX + 128];

    (void)time;
    s->late = true;
    if (waiting == WAITING_ERRORS && !s->recovering) {
        s->no_errors = true;
        snprintf(text, sizeof text,
                 "no answer to %s; its error queue is not read, and a function it does not know "
                 "goes unnoticed",
                 s->sent);
        sink->event(sink->to, DRIVER_INFO, "no-error-queue", text);
    } else if (waiting == WAITING_IDENTITY && !*s->instrument->identity) {
        s->no_identity = true;
    }
    s->reason = waiting == WAITING_QUERY && !s->no_errors &&
                section_switch(s->instrument->values, "errors");
    s->recovering = false;
    start_over(s);
    s->recover = 0;
    s->idle = true; /* the next poll waits for its turn */
}

static enum status_code scpi_command(void *state, const struct driver_command *command,
                                     struct status *st)
{
    struct scpi *s = state;

    switch (command->kind) {
    case DRIVER_SELECT:
        s->selected = command->channel;
        s->reselect = true;
        return status_ok(st);
    case DRIVER_SWITCH:
        if (s->send)
            return status_fail(st, STATUS_BUSY, "%s: the command before has not gone out yet",
                               s->instrument->name);
        s->send = driver_named_command(s->instrument, command->text, &s->send_length);
        if (!s->send)
            return status_fail(st, STATUS_NOT_FOUND,
                               "[instrument %s] of the bench file has no command named '%.40s'",
                               s->instrument->name, command->text);
        return status_ok(st);
    case DRIVER_CAPTURE:
        return status_fail(st, STATUS_INPUT, "%s: the scpi driver takes no captures",
                           s->instrument->name);
    }
    return status_fail(st, STATUS_INPUT, "unknown command");
}

static const char *const guesses[] = {
    "[instrument probe]\n"
    "driver = scpi\n"
    "port = {port}\n"
    "timeout = 2 s\n"
    "errors = no\n"
    "[channel probe.resistance]\n"
    "quantity = resistance\n"
    "method = measure\n",
    /* a meter that wants CR at the end of a command mostly bears the LF behind it */
    "[instrument probe]\n"
    "driver = scpi\n"
    "port = {port}\n"
    "terminator = \\r\\n\n"
    "timeout = 2 s\n"
    "errors = no\n"
    "[channel probe.resistance]\n"
    "quantity = resistance\n"
    "method = measure\n",
    NULL,
};

const struct driver driver_scpi = {
    .name = "scpi",
    .about = "meters that are asked and answer, by IEEE 488.2 and SCPI-1999",
    .instrument_keys = instrument_keys,
    .channel_keys = scpichannel_keys,
    .create = scpi_create,
    .destroy = scpi_destroy,
    .opened = scpi_opened,
    .next = scpi_next,
    .frame = scpi_frame,
    .message = scpi_message,
    .expired = scpi_expired,
    .command = scpi_command,
    .guesses = guesses,
};
