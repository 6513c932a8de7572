#include "acquire/dialogue.h"

#include <ctype.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/port.h"

#define READ_SIZE     4096
#define READS_AT_ONCE 4       /* reads of one port before others get their turn */
#define FRESH_TIME    100000  /* us: bytes that come so soon after opening began before it */
#define NOISE_LOOK    320     /* bytes without a message; no binary message is that long */
#define STALE_TIME    2000000 /* us without a byte: half a message will not be finished any more */
#define QUIET_TIME    50000   /* us without a byte: the driver may see a message as ended */
#define QUIET_BITS    40      /* and not less than this many bits, at a slow rate */
#define SECOND        1000000 /* us */
#define TALKER_SILENT (10 * SECOND)
#define IDENTITY_TIME (10 * SECOND)
#define TIMEOUTS_MAX  3     /* unanswered requests in a row: mute */
#define READINGS_MAX  20000 /* of one instrument in a second */
#define GARBAGE_LOUD  3     /* messages not understood, and none understood: say so */
#define JUNK_LOUD     256   /* bytes likewise */

/* What was not understood since the last report. */
struct junk {
    uint64_t bytes;
    uint64_t messages;
    uint64_t strange; /* bytes that no text has */
    uint64_t looked;  /* bytes judged for that */
    char example[64];
    bool good;   /* a reading came in between */
    int64_t due; /* mono of the report; INT64_MAX: nothing to report */
};

struct dialogue {
    struct benchfile *bench;
    const struct benchfile_instrument *instrument;
    const struct driver *driver;
    void *driver_state;
    struct logger *logger;
    struct logger_instrument *record;

    enum dialogue_state state;
    struct port *port;
    uint64_t generation;
    int64_t opened_at;  /* mono */
    int64_t retry_at;   /* mono, in CLOSED */
    int64_t retry_step; /* us, doubled up to retry_most */
    char trouble[STATUS_TEXT_SIZE];
    char reported[STATUS_TEXT_SIZE]; /* the last reason why it could not be opened */

    unsigned char in[DRIVER_FRAME_MAX];
    size_t in_length;
    int64_t last_byte; /* mono */
    bool partial;      /* the next message may lack its beginning */
    bool any_byte;
    int64_t quiet_due; /* mono: when the silence in mid-message must be looked at; INT64_MAX: not */

    unsigned char out[DRIVER_REQUEST_MAX];
    size_t out_length, out_sent;
    struct driver_request request; /* the one going out or out */
    bool waiting;                  /* for an answer */
    int64_t deadline;              /* mono: of the answer, or of the sending */
    int64_t next_send;             /* mono: the line rests until then */
    int64_t next_action;           /* mono: what the driver said */
    char stray[64];                /* what came instead of the answer, and was not understood */
    int64_t sent_wall;             /* when the last request had gone out */

    bool good;
    bool ever_good;
    bool noisy; /* nothing that arrives is understood, and that was said */
    bool mute;  /* does not answer; opened again from time to time */
    struct driver_time last_good;
    char gap_reason[128];
    unsigned timeouts;
    int64_t silent_limit; /* us */
    int64_t quiet_time;   /* us */

    bool identity_due; /* an identity is expected and has not been confirmed */
    bool identity_told;
    char identity[128];

    struct junk junk;
    int64_t second; /* mono: the second whose readings are counted */
    unsigned readings;
    uint64_t dropped;

    dialogue_captured captured;
    void *captured_to;
    bool capturing;

    const struct driver_time *now; /* during a call only: for the sink */
    uint32_t extra;                /* flags for the readings of the message at hand */
    uint64_t bytes, messages, garbage, all_timeouts, opened;
};

static void close_port(struct dialogue *s, const char *reason, const struct driver_time *now,
                       bool at_once);

static void event(struct dialogue *s, const struct driver_time *now, enum driver_severity severity,
                  const char *kind, const char *text, bool always)
{
    logger_event(s->logger, s->record, now, severity, kind, text, always);
}

static void set_trouble(struct dialogue *s, const char *text)
{
    snprintf(s->trouble, sizeof s->trouble, "%s", text);
}

/* ---- good and not good ---- */

/* Readings do not arrive as they should from now on; the gap counts from the last good one. */
static void begin_gap(struct dialogue *s, const char *reason)
{
    if (!s->good && s->gap_reason[0])
        return;
    s->good = false;
    snprintf(s->gap_reason, sizeof s->gap_reason, "%s", reason);
}

/* A reading came; when a gap ends here, it is put on record, never filled. */
static void end_gap(struct dialogue *s, const struct driver_time *now)
{
    if (!s->good && s->ever_good) {
        char text[256];

        snprintf(text, sizeof text, "no readings for %.3f s: %s",
                 (double)(now->mono - s->last_good.mono) / 1e6,
                 s->gap_reason[0] ? s->gap_reason : "unknown");
        event(s, now, DRIVER_INFO, "gap", text, true);
    }
    if (!s->good)
        set_trouble(s, "");
    s->good = true;
    s->ever_good = true;
    s->noisy = false;
    s->junk.good = true;
    s->mute = false;
    s->gap_reason[0] = '\0';
    s->last_good = *now;
    s->retry_step = 0;
}

/* ---- the driver's sink ---- */

static void sink_reading(void *to, const struct driver_reading *reading)
{
    struct dialogue *s = to;

    if (s->identity_due)
        return; /* it might be another instrument's */
    if (s->now->mono - s->second >= SECOND) {
        s->second = s->now->mono;
        s->readings = 0;
        if (s->dropped > 0) {
            char text[160];

            snprintf(text, sizeof text,
                     "babbling: %" PRIu64 " readings beyond %d in a second were left out",
                     s->dropped, READINGS_MAX);
            event(s, s->now, DRIVER_WARNING, "babbling", text, false);
            s->dropped = 0;
        }
    }
    if (++s->readings > READINGS_MAX) {
        ++s->dropped;
        return;
    }
    end_gap(s, s->now);
    logger_add(s->logger, s->record, reading, s->now, s->extra);
}

static void sink_event(void *to, enum driver_severity severity, const char *kind, const char *text)
{
    struct dialogue *s = to;

    event(s, s->now, severity, kind, text, false);
}

static void sink_identity(void *to, const char *text)
{
    struct dialogue *s = to;
    const char *expected = s->instrument->identity;
    char clean[sizeof s->identity];
    char sentence[STATUS_TEXT_SIZE];

    snprintf(clean, sizeof clean, "%s", text);
    log_clean(clean);
    if (*expected && !strcasestr(text, expected)) {
        snprintf(sentence, sizeof sentence,
                 "another instrument is on this port: it says '%.100s', expected '%.100s'; its "
                 "readings are not stored",
                 clean, expected);
        if (strcmp(s->reported, sentence) != 0)
            event(s, s->now, DRIVER_ERROR, "identity", sentence, true);
        snprintf(s->reported, sizeof s->reported, "%s", sentence);
        set_trouble(s, sentence);
        s->identity_due = true;
        close_port(s, "another instrument was on the port", s->now, false);
        return;
    }
    s->identity_due = false;
    if (s->reported[0]) {
        s->reported[0] = '\0';
        event(s, s->now, DRIVER_INFO, "connected", "the right instrument is back", true);
    }
    if (strcmp(s->identity, clean) != 0) {
        snprintf(s->identity, sizeof s->identity, "%s", clean);
        snprintf(sentence, sizeof sentence, "it is '%s'", clean);
        event(s, s->now, DRIVER_INFO, "identity", sentence, false);
        logger_identity(s->logger, s->record, clean);
    }
}

static void end_capture(struct dialogue *s, enum status_code code, const char *text, int64_t id)
{
    dialogue_captured captured = s->captured;

    if (!s->capturing)
        return;
    s->capturing = false;
    s->captured = NULL;
    if (captured)
        captured(s->captured_to, code, text, id);
}

static void sink_capture(void *to, const struct driver_capture *capture)
{
    struct dialogue *s = to;
    struct status st;
    int64_t id = 0;
    char text[STATUS_TEXT_SIZE];
    enum status_code code = logger_capture(s->logger, s->record, capture, s->sent_wall, &id, &st);

    if (code == STATUS_OK) {
        snprintf(text, sizeof text, "%s: %zu samples at %g a second, %zu of them lost",
                 s->instrument->channel[capture->channel].name, capture->count, capture->rate,
                 capture->missing);
        event(s, s->now, capture->missing ? DRIVER_WARNING : DRIVER_INFO, "capture", text, false);
    } else {
        snprintf(text, sizeof text, "a capture could not be stored: %.400s", st.text);
        event(s, s->now, DRIVER_ERROR, "capture", text, false);
    }
    end_capture(s, code, code == STATUS_OK ? "" : st.text, id);
}

static void sink_capture_failed(void *to, const char *why)
{
    struct dialogue *s = to;

    event(s, s->now, DRIVER_WARNING, "capture", why, false);
    end_capture(s, STATUS_TIMEOUT, why, 0);
}

static struct driver_sink sink_of(struct dialogue *s)
{
    return (struct driver_sink){.to = s,
                                .reading = sink_reading,
                                .event = sink_event,
                                .identity = sink_identity,
                                .capture = sink_capture,
                                .capture_failed = sink_capture_failed};
}

/* ---- opening and closing ---- */

static struct port_settings line_settings(const struct section *values)
{
    static const char *const parity[] = {"none", "even", "odd", "mark", "space"};
    static const char *const flow[] = {"none", "rtscts", "xonxoff", "dtrdsr"};
    struct port_settings settings = {.baud = (int)section_integer(values, "baud"),
                                     .bits = (int)section_integer(values, "bits"),
                                     .stop = (int)section_integer(values, "stop"),
                                     .dtr = section_switch(values, "dtr"),
                                     .rts = section_switch(values, "rts")};

    for (size_t i = 0; i < sizeof parity / sizeof parity[0]; ++i)
        if (strcmp(section_text(values, "parity"), parity[i]) == 0)
            settings.parity = (enum port_parity)i;
    for (size_t i = 0; i < sizeof flow / sizeof flow[0]; ++i)
        if (strcmp(section_text(values, "flow"), flow[i]) == 0)
            settings.flow = (enum port_flow)i;
    return settings;
}

static void forget_conversation(struct dialogue *s)
{
    s->in_length = 0;
    s->out_length = s->out_sent = 0;
    s->waiting = false;
    s->any_byte = false;
    s->partial = false;
    s->quiet_due = INT64_MAX;
    s->junk = (struct junk){.due = INT64_MAX};
}

/* at_once: try again without waiting, the device may only have been re-plugged. */
static void close_port(struct dialogue *s, const char *reason, const struct driver_time *now,
                       bool at_once)
{
    const struct section *values = s->instrument->values;
    int64_t most = section_time(values, "retry_most");

    begin_gap(s, reason);
    port_close(s->port);
    s->port = NULL;
    s->state = DIALOGUE_CLOSED;
    forget_conversation(s);
    end_capture(s, STATUS_IO, "the connection to the instrument was lost", 0);
    if (s->retry_step == 0 || at_once)
        s->retry_step = section_time(values, "retry");
    else
        s->retry_step = s->retry_step > most / 2 ? most : s->retry_step * 2;
    s->retry_at = now->mono + s->retry_step;
}

static void open_port(struct dialogue *s, const struct driver_time *now)
{
    const struct section *values = s->instrument->values;
    struct port_settings settings = line_settings(values);
    int64_t most = section_time(values, "retry_most");
    struct status st;
    char text[STATUS_TEXT_SIZE];

    if (port_open(s->instrument->port, &settings, &s->port, &st) != STATUS_OK) {
        set_trouble(s, st.text);
        if (strcmp(s->reported, st.text) != 0)
            event(s, now, DRIVER_WARNING, st.code == STATUS_NOT_FOUND ? "missing" : "port", st.text,
                  true);
        snprintf(s->reported, sizeof s->reported, "%s", st.text);
        begin_gap(s, "the port could not be opened");
        s->retry_step = s->retry_step == 0         ? section_time(values, "retry")
                        : s->retry_step > most / 2 ? most
                                                   : s->retry_step * 2;
        s->retry_at = now->mono + s->retry_step;
        return;
    }
    ++s->generation;
    ++s->opened;
    s->state = DIALOGUE_WAKING;
    s->opened_at = now->mono;
    s->next_send = now->mono + section_time(values, "wake");
    forget_conversation(s);
    s->timeouts = 0;
    s->identity_due = *s->instrument->identity != '\0';
    s->identity_told = false;
    if (!s->mute && strncmp(s->reported, "another instrument", 18) != 0) {
        s->reported[0] = '\0';
        snprintf(text, sizeof text, "connected on %.400s", s->instrument->port);
        event(s, now, DRIVER_INFO, "connected", text, false);
    }
}

/* ---- what is not understood ---- */

/* A byte that no text in ASCII has. */
static bool is_strange(unsigned char c)
{
    return (c < 0x20 && c != '\r' && c != '\n' && c != '\t') || c >= 0x7f;
}

/* At a wrong baud rate the end of a line may not come for long; the bytes tell before. */
static bool is_noise(const unsigned char *bytes, size_t length)
{
    size_t strange = 0;

    for (size_t i = 0; i < length; ++i)
        strange += is_strange(bytes[i]);
    return strange * 5 >= length;
}

static void add_junk(struct dialogue *s, const unsigned char *bytes, size_t length, bool message,
                     const struct driver_time *now)
{
    struct junk *junk = &s->junk;

    junk->bytes += length;
    if (message) {
        size_t n = length < sizeof junk->example - 1 ? length : sizeof junk->example - 1;

        ++junk->messages;
        ++s->garbage;
        memcpy(junk->example, bytes, n);
        junk->example[n] = '\0';
        while (n > 0 && isspace((unsigned char)junk->example[n - 1]))
            junk->example[--n] = '\0';
    }
    for (size_t i = 0; i < length; ++i)
        junk->strange += is_strange(bytes[i]);
    junk->looked += length;
    if (junk->due == INT64_MAX) {
        junk->due = now->mono + SECOND;
        junk->good = false;
    }
}

/* Once a second while there is something to tell. */
static void report_junk(struct dialogue *s, const struct driver_time *now)
{
    struct junk *junk = &s->junk;
    struct port_errors errors;
    char text[STATUS_TEXT_SIZE];
    char more[96] = "";

    if (s->port && port_errors(s->port, &errors) && errors.framing + errors.parity > 0)
        snprintf(more, sizeof more, "; the line counts %ld framing and %ld parity errors",
                 errors.framing, errors.parity);
    if (junk->good) {
        snprintf(text, sizeof text,
                 "%" PRIu64 " bytes between good messages were not understood%s%s%s%s", junk->bytes,
                 junk->messages ? ", for example '" : "", junk->messages ? junk->example : "",
                 junk->messages ? "'" : "", more);
        event(s, now, DRIVER_WARNING, "garbage", text, false);
    } else if (junk->messages < GARBAGE_LOUD && junk->bytes < JUNK_LOUD) {
        junk->due = now->mono + SECOND; /* too little to judge: keep counting */
        return;
    } else if (junk->strange * 5 >= junk->looked || *more) {
        snprintf(text, sizeof text,
                 "what arrives is not text (%" PRIu64 " of %" PRIu64
                 " bytes): the baud rate (now %ld), bits or parity are probably wrong%s",
                 junk->strange, junk->looked, section_integer(s->instrument->values, "baud"), more);
        set_trouble(s, text);
        begin_gap(s, "what arrived was not text, probably a wrong baud rate");
        if (!s->noisy)
            event(s, now, DRIVER_WARNING, "wrong-baud", text, true);
        s->noisy = true;
    } else {
        snprintf(text, sizeof text,
                 "%" PRIu64 " bytes arrived and none were understood%s%s%s; does the bench file "
                 "describe this instrument?",
                 junk->bytes, junk->messages ? ", for example '" : "",
                 junk->messages ? junk->example : "", junk->messages ? "'" : "");
        set_trouble(s, text);
        begin_gap(s, "nothing that arrived was understood");
        if (!s->noisy)
            event(s, now, DRIVER_WARNING, "garbage", text, true);
        s->noisy = true;
    }
    *junk = (struct junk){.due = INT64_MAX};
}

/* ---- reading ---- */

static void take_message(struct dialogue *s, const unsigned char *bytes, size_t length,
                         const struct driver_time *now)
{
    const struct driver_sink sink = sink_of(s);
    enum driver_heard heard;

    if (s->partial) {
        s->partial = false; /* its beginning is missing: a cut number would look like a number */
        return;
    }
    ++s->messages;
    s->now = now;
    heard = s->driver->message(s->driver_state, bytes, length, now, &sink);
    s->now = NULL;
    if (!s->port)
        return; /* refused */
    if (heard == DRIVER_GARBAGE) {
        add_junk(s, bytes, length, true, now);
        snprintf(s->stray, sizeof s->stray, "%s", s->junk.example);
    }
    if (heard == DRIVER_ANSWER && s->waiting && s->out_sent == s->out_length) {
        s->waiting = false;
        s->timeouts = 0;
        s->next_send = now->mono + s->request.pause;
    }
}

/* Hands on all whole messages in the buffer. */
static void take_messages(struct dialogue *s, const struct driver_time *now, int64_t quiet)
{
    size_t at = 0;

    while (s->port && at < s->in_length) {
        struct driver_frame frame =
            s->driver->frame(s->driver_state, s->in + at, s->in_length - at, quiet);

        if (frame.skip > s->in_length - at)
            frame.skip = s->in_length - at;
        if (frame.length > s->in_length - at - frame.skip)
            frame.length = 0;
        if (frame.sound) {
            s->extra = 0;
            frame.junk = frame.junk && frame.skip > DRIVER_TURN_AROUND;
        }
        if (frame.junk && frame.skip > 0) {
            add_junk(s, s->in + at, frame.skip, false, now);
            s->extra = frame.sound ? 0 : STORE_FLAG_OUT_OF_SYNC;
        }
        at += frame.skip;
        if (frame.length == 0)
            break;
        take_message(s, s->in + at, frame.length, now);
        s->extra = 0;
        at += frame.length;
    }
    if (!s->port)
        return;
    s->in_length -= at;
    memmove(s->in, s->in + at, s->in_length);
    if (s->in_length == sizeof s->in ||
        (s->in_length >= NOISE_LOOK && is_noise(s->in, s->in_length))) {
        add_junk(s, s->in, s->in_length, false, now);
        s->in_length = 0;
        s->partial = true;
    }
}

/* A flapping lead fills no database: what ended a productive connection is always put on record,
 * the rest is counted. */
static void lose_port(struct dialogue *s, const char *why, const struct driver_time *now)
{
    event(s, now, DRIVER_WARNING, "disconnected", why,
          s->ever_good && s->last_good.mono >= s->opened_at);
    set_trouble(s, why);
    close_port(s, "the port was gone", now, true);
}

static void read_port(struct dialogue *s, const struct driver_time *now)
{
    for (int round = 0; s->port && round < READS_AT_ONCE; ++round) {
        size_t room = sizeof s->in - s->in_length;
        struct status st;
        ssize_t n =
            port_read(s->port, s->in + s->in_length, room < READ_SIZE ? room : READ_SIZE, &st);

        if (n < 0) {
            lose_port(s, st.text, now);
            return;
        }
        if (n == 0)
            return;
        if (!s->any_byte) {
            s->any_byte = true;
            s->partial = !(s->waiting && s->request.fresh) && now->mono - s->opened_at < FRESH_TIME;
        }
        s->bytes += (uint64_t)n;
        s->last_byte = now->mono;
        s->in_length += (size_t)n;
        take_messages(s, now, 0);
        s->quiet_due = s->in_length > 0 ? now->mono + s->quiet_time : INT64_MAX;
        if ((size_t)n < READ_SIZE)
            return;
    }
}

/* ---- writing ---- */

static void write_port(struct dialogue *s, const struct driver_time *now)
{
    struct status st;
    ssize_t n;

    if (s->out_sent == s->out_length)
        return;
    n = port_write(s->port, s->out + s->out_sent, s->out_length - s->out_sent, &st);
    if (n < 0) {
        lose_port(s, st.text, now);
        return;
    }
    s->out_sent += (size_t)n;
    if (s->out_sent < s->out_length)
        return;
    s->sent_wall = now->wall;
    if (s->waiting)
        s->deadline = now->mono + s->request.timeout;
    else
        s->next_send = now->mono + s->request.pause;
}

/* Asks the driver what to do as long as it has something to do now. */
static void advance(struct dialogue *s, const struct driver_time *now)
{
    for (int round = 0; round < 16; ++round) {
        int64_t when = INT64_MAX;

        if (s->state != DIALOGUE_OPEN || s->waiting || s->out_sent < s->out_length ||
            now->mono < s->next_send)
            return;
        switch (s->driver->next(s->driver_state, now->mono, &s->request, &when)) {
        case DRIVER_LISTEN:
            s->next_action = INT64_MAX;
            return;
        case DRIVER_WAIT:
            s->next_action = when;
            return;
        case DRIVER_SEND:
            break;
        }
        if (s->request.fresh) {
            port_discard(s->port);
            s->in_length = 0;
        }
        memcpy(s->out, s->request.bytes, s->request.length);
        s->out_length = s->request.length;
        s->out_sent = 0;
        s->waiting = s->request.reply;
        s->stray[0] = '\0';
        s->next_action = now->mono;
        /* Until it has gone out, this is how long the sending itself may take. */
        s->deadline = now->mono + section_time(s->instrument->values, "timeout");
        write_port(s, now);
    }
}

/* ---- time ---- */

static void go_mute(struct dialogue *s, const struct driver_time *now)
{
    char text[160];

    snprintf(text, sizeof text, "does not answer: %d requests in a row went without", TIMEOUTS_MAX);
    if (!s->mute)
        event(s, now, DRIVER_WARNING, "silent", text, true);
    s->mute = true;
    set_trouble(s, text);
    close_port(s, "it did not answer", now, false);
}

static void expire(struct dialogue *s, const struct driver_time *now)
{
    const struct driver_sink sink = sink_of(s);
    bool unsent = s->out_sent < s->out_length;
    char text[160];

    ++s->all_timeouts;
    ++s->timeouts;
    s->waiting = false;
    if (!s->mute) {
        if (unsent)
            snprintf(text, sizeof text,
                     "a request could not be sent: the instrument holds the line (flow control?)");
        else
            snprintf(text, sizeof text, "no answer within %.3g s%s%s%s",
                     (double)s->request.timeout / 1e6, *s->stray ? "; what came, '" : "", s->stray,
                     *s->stray ? "', was not understood" : "");
        event(s, now, DRIVER_WARNING, "timeout", text, false);
    }
    s->out_length = s->out_sent = 0;
    s->in_length = 0;
    s->next_send = now->mono + s->request.pause;
    s->now = now;
    if (s->driver->expired)
        s->driver->expired(s->driver_state, now, &sink);
    s->now = NULL;
    if (s->timeouts >= TIMEOUTS_MAX)
        go_mute(s, now);
}

/* The moment from which silence is counted. */
static int64_t heard_at(const struct dialogue *s)
{
    return s->ever_good && s->last_good.mono > s->opened_at ? s->last_good.mono : s->opened_at;
}

static void check_silence(struct dialogue *s, const struct driver_time *now)
{
    char text[STATUS_TEXT_SIZE];

    if (s->identity_due && !s->identity_told && now->mono - s->opened_at >= IDENTITY_TIME) {
        snprintf(text, sizeof text,
                 "has not said who it is, '%.200s' is expected; its readings are not stored",
                 s->instrument->identity);
        s->identity_told = true;
        set_trouble(s, text);
        begin_gap(s, "it had not said who it is");
        event(s, now, DRIVER_WARNING, "identity", text, true);
    }
    if (s->mute || s->silent_limit == INT64_MAX || now->mono - heard_at(s) < s->silent_limit)
        return;
    s->mute = true;
    if (s->any_byte && now->mono - s->last_byte < s->silent_limit)
        snprintf(text, sizeof text, "no reading for %.3g s, though bytes arrive",
                 (double)s->silent_limit / 1e6);
    else
        snprintf(text, sizeof text, "silent: nothing for %.3g s", (double)s->silent_limit / 1e6);
    begin_gap(s, "it was silent");
    if (!s->trouble[0])
        set_trouble(s, text);
    if (!s->noisy)
        event(s, now, DRIVER_WARNING, "silent", text, true);
}

/* Bytes are in the buffer and no more came. Some instruments end a message so; for the others it
 * is half a message, whose end, should it still come, must not be taken for a whole one. */
static void check_quiet(struct dialogue *s, const struct driver_time *now)
{
    int64_t quiet = now->mono - s->last_byte;

    take_messages(s, now, quiet);
    s->quiet_due = INT64_MAX;
    if (!s->port || s->in_length == 0)
        return;
    if (quiet < STALE_TIME || s->waiting) {
        s->quiet_due = quiet < STALE_TIME ? s->last_byte + STALE_TIME : INT64_MAX;
        return;
    }
    add_junk(s, s->in, s->in_length, false, now);
    s->in_length = 0;
    s->partial = true;
}

void dialogue_tick(struct dialogue *s, const struct driver_time *now)
{
    if (s->state == DIALOGUE_CLOSED) {
        if (now->mono < s->retry_at)
            return;
        open_port(s, now);
    }
    if (s->state == DIALOGUE_WAKING && now->mono >= s->next_send) {
        s->state = DIALOGUE_OPEN;
        s->opened_at = now->mono;
        s->driver->opened(s->driver_state, now->mono);
        s->next_action = now->mono;
    }
    if (s->state != DIALOGUE_OPEN)
        return;
    if ((s->waiting || s->out_sent < s->out_length) && now->mono >= s->deadline)
        expire(s, now);
    if (s->port && now->mono >= s->quiet_due)
        check_quiet(s, now);
    if (s->port && now->mono >= s->junk.due)
        report_junk(s, now);
    if (s->port)
        check_silence(s, now);
    if (s->port)
        advance(s, now);
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t dialogue_due(const struct dialogue *s)
{
    int64_t due = s->junk.due;

    if (s->state == DIALOGUE_CLOSED)
        return s->retry_at;
    if (s->state == DIALOGUE_WAKING)
        return s->next_send;
    if (s->waiting || s->out_sent < s->out_length)
        due = least(due, s->deadline);
    else if (s->next_action != INT64_MAX)
        due = least(due, s->next_action > s->next_send ? s->next_action : s->next_send);
    due = least(due, s->quiet_due);
    if (!s->mute && s->silent_limit != INT64_MAX)
        due = least(due, heard_at(s) + s->silent_limit);
    if (s->identity_due && !s->identity_told)
        due = least(due, s->opened_at + IDENTITY_TIME);
    return due;
}

void dialogue_ready(struct dialogue *s, bool readable, bool writable, bool hung_up,
                    const struct driver_time *now)
{
    if (!s->port)
        return;
    if (s->state == DIALOGUE_WAKING) {
        unsigned char start_up[256];
        struct status st;

        /* What it says while starting up is no reading; the next line may be cut by this. */
        if (port_read(s->port, start_up, sizeof start_up, &st) < 0) {
            lose_port(s, st.text, now);
        }
        return;
    }
    if (readable || hung_up)
        read_port(s, now);
    if (s->port && hung_up && !readable)
        lose_port(s, "the port is gone (unplugged, or its other end was closed)", now);
    if (s->port && writable)
        write_port(s, now);
    if (s->port)
        advance(s, now);
}

/* ---- commands ---- */

enum status_code dialogue_command(struct dialogue *s, const struct driver_command *command,
                                  dialogue_captured done, void *to, const struct driver_time *now,
                                  struct status *st)
{
    enum status_code code;

    if (!s->driver->command)
        return status_fail(st, STATUS_INPUT, "%s: the %s driver takes no commands",
                           s->instrument->name, s->driver->name);
    if (s->state != DIALOGUE_OPEN)
        return status_fail(st, STATUS_IO, "%s is not connected: %.300s", s->instrument->name,
                           s->trouble);
    if (s->identity_due)
        return status_fail(st, STATUS_BUSY, "%s has not said who it is yet", s->instrument->name);
    code = s->driver->command(s->driver_state, command, st);
    if (code != STATUS_OK)
        return code;
    if (command->kind == DRIVER_CAPTURE) {
        s->capturing = true;
        s->captured = done;
        s->captured_to = to;
    }
    s->next_action = now->mono;
    advance(s, now);
    return code;
}

void dialogue_forget_asker(struct dialogue *s, const void *to)
{
    if (s->captured_to == to)
        s->captured = NULL;
}

/* ---- making and freeing ---- */

bool dialogue_is_same(const struct dialogue *s, const struct benchfile *bench, size_t index)
{
    return benchfile_same(s->instrument, &bench->instrument[index]);
}

static int64_t silent_limit(const struct benchfile_instrument *instrument)
{
    const struct section *values = instrument->values;
    int64_t polled =
        2 * section_time(values, "interval") + (TIMEOUTS_MAX + 1) * section_time(values, "timeout");
    bool always = false;

    /* Nothing to be read unasked: silence is what was asked for. */
    for (size_t i = 0; i < instrument->channels; ++i)
        always = always || !instrument->channel[i].asked_only;
    if (section_given(values, "silent"))
        return section_time(values, "silent");
    if (!always)
        return INT64_MAX;
    return polled > TALKER_SILENT ? polled : TALKER_SILENT;
}

/* Takes over the open port of the dialogue that had this instrument before. */
static void take_over(struct dialogue *s, struct dialogue *before, const struct driver_time *now)
{
    struct port_settings a, b;

    if (!before || !before->port || before->state != DIALOGUE_OPEN ||
        strcmp(before->instrument->port, s->instrument->port) != 0)
        return;
    memset(&a, 0, sizeof a);
    memset(&b, 0, sizeof b);
    a = line_settings(before->instrument->values);
    b = line_settings(s->instrument->values);
    if (a.baud != b.baud || a.bits != b.bits || a.parity != b.parity || a.stop != b.stop ||
        a.flow != b.flow || a.dtr != b.dtr || a.rts != b.rts)
        return;
    s->port = before->port;
    before->port = NULL;
    before->state = DIALOGUE_CLOSED;
    s->state = DIALOGUE_OPEN;
    s->generation = before->generation + 1;
    s->opened_at = now->mono;
    s->any_byte = before->any_byte;
    s->partial = before->partial;
    s->in_length = before->in_length;
    memcpy(s->in, before->in, before->in_length);
    s->last_byte = before->last_byte;
    s->next_send = now->mono;
    s->next_action = now->mono;
    s->good = before->good;
    s->ever_good = before->ever_good;
    s->last_good = before->last_good;
    s->identity_due = *s->instrument->identity != '\0';
    s->driver->opened(s->driver_state, now->mono);
}

enum status_code dialogue_new(struct benchfile *bench, size_t index, struct logger *logger,
                              struct dialogue *before, const struct driver_time *now,
                              struct dialogue **result, struct status *st)
{
    struct dialogue *s = calloc(1, sizeof *s);
    enum status_code code;

    *result = NULL;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory");
    s->instrument = &bench->instrument[index];
    s->driver = driver_find(s->instrument->driver);
    s->logger = logger;
    s->state = DIALOGUE_CLOSED;
    s->retry_at = now->mono;
    s->silent_limit = silent_limit(s->instrument);
    s->quiet_time = QUIET_BITS * SECOND / section_integer(s->instrument->values, "baud");
    if (s->quiet_time < QUIET_TIME)
        s->quiet_time = QUIET_TIME;
    s->junk.due = INT64_MAX;
    s->quiet_due = INT64_MAX;
    s->second = now->mono;
    code = s->driver->create(s->instrument, &s->driver_state, st);
    if (code == STATUS_OK)
        code = logger_register(logger, s->instrument, now, &s->record, st);
    if (code != STATUS_OK) {
        if (s->driver_state)
            s->driver->destroy(s->driver_state);
        free(s);
        return code;
    }
    s->bench = bench;
    benchfile_hold(bench);
    take_over(s, before, now);
    *result = s;
    return code;
}

void dialogue_free(struct dialogue *s, const struct driver_time *now)
{
    if (!s)
        return;
    s->now = now;
    end_capture(s, STATUS_IO, "the daemon lets go of the instrument", 0);
    port_close(s->port);
    s->driver->destroy(s->driver_state);
    logger_forget(s->record);
    benchfile_free(s->bench);
    free(s);
}

/* ---- what others may know ---- */

const struct benchfile_instrument *dialogue_instrument(const struct dialogue *s)
{
    return s->instrument;
}

int dialogue_descriptor(const struct dialogue *s)
{
    return s->port ? port_descriptor(s->port) : -1;
}

uint64_t dialogue_generation(const struct dialogue *s)
{
    return s->generation;
}

bool dialogue_wants_write(const struct dialogue *s)
{
    return s->port && s->out_sent < s->out_length;
}

void dialogue_status(const struct dialogue *s, struct dialogue_status *status)
{
    *status = (struct dialogue_status){.state = s->state,
                                       .good = s->good,
                                       .trouble = s->trouble,
                                       .identity = s->identity,
                                       .bytes = s->bytes,
                                       .messages = s->messages,
                                       .garbage = s->garbage,
                                       .timeouts = s->all_timeouts,
                                       .opened = s->opened};
}

const struct logger_last *dialogue_last(const struct dialogue *s, size_t channel)
{
    return logger_last(s->record, channel);
}

size_t dialogue_channel(const struct dialogue *s, const char *name)
{
    for (size_t i = 0; i < s->instrument->channels; ++i)
        if (strcmp(s->instrument->channel[i].name, name) == 0)
            return i;
    return SIZE_MAX;
}
