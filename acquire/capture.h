/* capture: a block of samples that an instrument of lines takes at once.
 *
 * Three states:
 *   IDLE  -> ASKED   a capture command came; the request is to be sent
 *   ASKED -> BLOCK   the line that begins the block matched, or a binary block's header came
 *   BLOCK -> IDLE    the line that ends it matched, or all bytes are there, or time ran out
 * Ordinary lines in between are not its business. */
#ifndef TRUEWOUND_CAPTURE_H
#define TRUEWOUND_CAPTURE_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"

struct capture;

/* Reads the capture_ keys of the instrument; *capture is freed with capture_free. */
enum status_code capture_new(const struct benchfile_instrument *instrument,
                             struct capture **capture, struct status *st);

/* NULL is allowed. */
void capture_free(struct capture *capture);

/* Forgets a block that is under way. */
void capture_reset(struct capture *capture);

/* True when no block is under way. */
bool capture_is_idle(const struct capture *capture);

/* Takes a DRIVER_CAPTURE command. STATUS_BUSY while a block is under way. */
enum status_code capture_ask(struct capture *capture, const struct driver_command *command,
                             struct status *st);

/* The request, once, when one is to be sent: its bytes into out (DRIVER_REQUEST_MAX), the length
 * returned; 0: there is none. */
size_t capture_request(struct capture *capture, unsigned char *out);

/* Bytes in front of the buffer that belong to a binary block, header included. 0: what is there is
 * text; *wait is set when a header has begun and is not whole. */
size_t capture_frame(const struct capture *capture, const unsigned char *bytes, size_t length,
                     bool *wait);

/* Takes a message; false when it does not belong to a block. *heard says how it was taken: a
 * binary piece as capture_frame cut it, or a line without its end. */
bool capture_bytes(struct capture *capture, const unsigned char *bytes, size_t length,
                   const struct driver_sink *sink, enum driver_heard *heard);
bool capture_line(struct capture *capture, const char *line, size_t length,
                  const struct driver_sink *sink, enum driver_heard *heard);

/* The time for the block is over. */
void capture_expire(struct capture *capture, const struct driver_sink *sink);

#endif
