/* talk: drives a driver with fuzzed bytes the way the dialogue does, and checks what it hands out.
 */
#ifndef TRUEWOUND_FUZZ_TALK_H
#define TRUEWOUND_FUZZ_TALK_H

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"

static size_t talk_channels;

/* What must hold for every reading, whatever came in. */
static void talk_reading(void *to, const struct driver_reading *reading)
{
    (void)to;
    if (reading->channel >= talk_channels || isinf(reading->number) ||
        !memchr(reading->unit, '\0', sizeof reading->unit) ||
        ((reading->flags & STORE_FLAG_OVERLOAD) && !isnan(reading->number)))
        abort();
}

static void talk_event(void *to, enum driver_severity severity, const char *kind, const char *text)
{
    (void)to;
    (void)severity;
    if (strlen(kind) == 0 || strlen(text) == 0)
        abort();
}

static void talk_text(void *to, const char *text)
{
    (void)to;
    if (strlen(text) > 1000)
        abort();
}

static void talk_capture(void *to, const struct driver_capture *capture)
{
    double sum = 0.0;

    (void)to;
    if (capture->channel >= talk_channels || capture->count == 0 ||
        capture->count > DRIVER_SAMPLES_MAX || !(capture->rate > 0.0))
        abort();
    for (size_t i = 0; i < capture->count; ++i)
        sum += capture->sample[i];
    (void)sum;
}

/* kept holds the parsed bench file from one input to the next, to save time. The first byte says
 * how the rest is cut into reads and whether a capture is asked for. */
static void talk_driver(const char *text, struct benchfile **kept, const uint8_t *data, size_t size)
{
    const struct driver_sink sink = {NULL,      talk_reading, talk_event,
                                     talk_text, talk_capture, talk_text};
    unsigned char in[DRIVER_FRAME_MAX];
    struct driver_time now = {1700000000000000, 1};
    struct benchfile *bench = *kept;
    const struct driver *driver;
    size_t length = 0, chunk;
    void *state;
    bool waiting = false;

    if (size < 1 || size > 20000)
        return;
    if (!bench &&
        benchfile_parse("fuzz", text, strlen(text), NULL, NULL, &bench, NULL) != STATUS_OK)
        abort();
    *kept = bench;
    driver = driver_find(bench->instrument[0].driver);
    talk_channels = bench->instrument[0].channels;
    if (driver->create(&bench->instrument[0], &state, NULL) != STATUS_OK)
        abort();
    driver->opened(state, now.mono);
    chunk = (data[0] & 0x3fU) + 1;
    if ((data[0] & 0x40) && driver->command) {
        const struct driver_command command = {
            .kind = DRIVER_CAPTURE, .channel = 0, .rate = 1000, .samples = 100};

        driver->command(state, &command, NULL);
    }
    ++data;
    --size;
    while (size > 0) {
        struct driver_request request;
        int64_t when = 0;
        size_t n = size < chunk ? size : chunk;

        for (int i = 0;
             i < 20 && !waiting && driver->next(state, now.mono, &request, &when) == DRIVER_SEND;
             ++i)
            waiting = request.reply;
        if (n > sizeof in - length)
            length = 0;
        memcpy(in + length, data, n);
        length += n;
        data += n;
        size -= n;
        now.mono += 300000;
        for (;;) {
            struct driver_frame frame = driver->frame(state, in, length, size == 0 ? 100000 : 0);
            size_t taken = frame.skip + frame.length;

            if (taken > length)
                abort();
            if (frame.length > 0 &&
                driver->message(state, in + frame.skip, frame.length, &now, &sink) == DRIVER_ANSWER)
                waiting = false;
            if (taken == 0)
                break;
            length -= taken;
            memmove(in, in + taken, length);
        }
        if (waiting && driver->expired && (now.mono / 300000) % 7 == 0) {
            driver->expired(state, &now, &sink);
            waiting = false;
        }
    }
    driver->destroy(state);
}

#endif
