/* driver: what truewoundd must know of a kind of instrument.
 *
 * A driver turns bytes into readings and says which bytes to send when. It never touches a port, a
 * clock or the database: the dialogue (acquire/dialogue) does that for it. So framing and decoding
 * are plain functions over a buffer, and a test gives them byte tables.
 *
 * To add a driver:
 *   1. acquire/drivers/NAME.c: fill one `const struct driver driver_NAME`; see drivers/lines.c. The
 *      conversation is there; framing and decoding may be modules beside it (NAMEframe.c);
 *   2. driver.c: one row in the table, and one declaration above it;
 *   3. fixtures/streams/NAME-*.txt with .expect: what a real or hand-made stream must decode to;
 *   4. tests/acquire/test_NAME.c: byte tables (good, truncated, garbage, two in one, bad sum);
 *   5. truewound-bench.5: its keys, each with its standard value and why.
 * CMake finds the new file by itself. */
#ifndef TRUEWOUND_DRIVER_H
#define TRUEWOUND_DRIVER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "db/status.h"
#include "db/store.h"

#define DRIVER_REQUEST_MAX 512   /* bytes of one request */
#define DRIVER_FRAME_MAX   16384 /* bytes of one message; longer is garbage */
#define DRIVER_UNIT_MAX    16
#define DRIVER_TURN_AROUND 3 /* bytes of noise a two-wire line makes when it changes direction */
#define DRIVER_SAMPLES_MAX 1000000 /* of one capture */

/* When something happened: both clocks, read once when the descriptor became ready.
 * Microseconds: wall since 1970-01-01 UTC; mono from a clock that never steps. */
struct driver_time {
    int64_t wall;
    int64_t mono;
};

/* One value as the instrument sent it: scale, offset and calibration come later. */
struct driver_reading {
    size_t channel;             /* index into the instrument's channels */
    double number;              /* in unit; NaN when there is none (overload) */
    char unit[DRIVER_UNIT_MAX]; /* as the instrument said; "" means the channel's unit */
    double digit;               /* one count of the last digit shown, in unit; NaN: not known */
    double range;               /* upper end of the range in use, in unit; NaN: not known */
    uint32_t flags;             /* of enum store_flag */
};

/* A block of samples. missing lists what is known to be lost; the samples there are NaN. */
struct driver_capture {
    size_t channel;
    double rate; /* samples per second */
    size_t count;
    const double *sample; /* count of them, in unit */
    char unit[DRIVER_UNIT_MAX];
    size_t missing; /* how many of count are NaN because they were lost */
    uint32_t flags; /* of enum store_flag */
};

enum driver_severity { DRIVER_INFO, DRIVER_WARNING, DRIVER_ERROR };

/* Where a driver puts what it found. The dialogue fills it in. kind is a fixed short word such as
 * "checksum" or "instrument error"; text is one sentence. */
struct driver_sink {
    void *to;
    void (*reading)(void *to, const struct driver_reading *reading);
    void (*event)(void *to, enum driver_severity severity, const char *kind, const char *text);
    void (*identity)(void *to, const char *text); /* what the instrument says it is */
    void (*capture)(void *to, const struct driver_capture *capture);
    void (*capture_failed)(void *to, const char *why);
};

/* What to send. fresh: throw away what came in before, it can be no answer to this; reply: an
 * answer is expected within timeout; pause: how long the line then rests before the next request.
 * Times in microseconds. */
struct driver_request {
    unsigned char bytes[DRIVER_REQUEST_MAX];
    size_t length;
    bool fresh;
    bool reply;
    int64_t timeout;
    int64_t pause;
};

enum driver_next {
    DRIVER_SEND,  /* *request is filled in: send it now */
    DRIVER_WAIT,  /* nothing to send before *when (mono) */
    DRIVER_LISTEN /* nothing to send: the instrument talks by itself */
};

/* What framing found in front of a buffer. */
struct driver_frame {
    size_t skip;   /* bytes in front that belong to no message */
    size_t length; /* bytes of the message after them; 0: there is no whole message yet */
    bool junk;     /* the skipped bytes are garbage (not just empty line ends) */
    bool sound;    /* the message carries its own sum: garbage before it casts no doubt on it */
};

/* What a message was. */
enum driver_heard {
    DRIVER_GARBAGE, /* not understood */
    DRIVER_IGNORED, /* known to mean nothing: an echo, a banner */
    DRIVER_HEARD,   /* understood */
    DRIVER_ANSWER   /* understood, and the answer to the request that was sent */
};

enum driver_command_kind {
    DRIVER_SELECT, /* make one channel the polled one; channel == SIZE_MAX: back to the standard */
    DRIVER_SWITCH, /* send the command the bench file gives under name `text` */
    DRIVER_CAPTURE /* take a block: channel, rate, samples */
};

struct driver_command {
    enum driver_command_kind kind;
    size_t channel;
    const char *text;
    double rate;
    size_t samples;
};

struct driver {
    const char *name;
    const char *about; /* half a line for people */
    /* Keys the driver adds to [instrument] and to [channel]; each ends with a NULL name. */
    const struct section_key *instrument_keys;
    const struct section_key *channel_keys;
    /* Makes the driver's state from the checked bench file, or says which key is wrong. */
    enum status_code (*create)(const struct benchfile_instrument *instrument, void **state,
                               struct status *st);
    void (*destroy)(void *state);

    /* The port was opened, or the conversation must start over. */
    void (*opened)(void *state, int64_t mono);

    /* What to do now, when nothing is waiting for an answer. */
    enum driver_next (*next)(void *state, int64_t mono, struct driver_request *request,
                             int64_t *when);

    /* Looks for a message in front of the buffer. Does not change the state. It is called again
     * when more bytes are there; a buffer full without a message is thrown away as garbage.
     * quiet: nothing more came for a while (us). */
    struct driver_frame (*frame)(const void *state, const unsigned char *bytes, size_t length,
                                 int64_t quiet);

    /* Decodes one message. Garbage is counted; nothing else ends the wait for an answer than
     * DRIVER_ANSWER or the deadline. */
    enum driver_heard (*message)(void *state, const unsigned char *bytes, size_t length,
                                 const struct driver_time *time, const struct driver_sink *sink);

    /* The answer did not come in time. NULL: the driver sends no requests. */
    void (*expired)(void *state, const struct driver_time *time, const struct driver_sink *sink);

    /* Takes a command from the control socket. NULL: it knows none. */
    enum status_code (*command)(void *state, const struct driver_command *command,
                                struct status *st);

    /* For --probe: bench files to try on a port, each with {port} where its path belongs; NULL:
     * the driver cannot guess. Tried in this order; ends with NULL. */
    const char *const *guesses;
};

/* Number index of the table, or NULL beyond it. */
const struct driver *driver_at(size_t index);

/* The driver of that name, or NULL. */
const struct driver *driver_find(const char *name);

/* A flag's word ("overload"), for logs. flag is one bit of enum store_flag. */
const char *driver_flag_word(uint32_t flag);

/* The bytes of the bench file's `command = NAME: BYTES` of that name, or NULL. */
const char *driver_named_command(const struct benchfile_instrument *instrument, const char *name,
                                 size_t *length);

/* True when the channel's unit_text (a SECTION_LIST) names this text: it means the channel's own
 * unit. */
bool driver_is_unit_text(const struct benchfile_channel *channel, const char *unit);

/* Copies text into unit, cut and without spaces around it. */
void driver_set_unit(char unit[DRIVER_UNIT_MAX], const char *text, size_t length);

#endif
