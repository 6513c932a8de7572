/* message: the lines the board sends. Each ends with '*' and the exclusive or of all bytes before
 * it as two hexadecimal digits, then CR LF. Plain C for the board and for the tests. */
#ifndef TRUEWOUND_BOARD_MESSAGE_H
#define TRUEWOUND_BOARD_MESSAGE_H

#include <stdint.h>

struct message {
    void (*put)(void *to, char c);
    void *to;
    uint8_t sum;
};

/* Starts a line with text. */
void message_begin(struct message *message, const char *text);

void message_text(struct message *message, const char *text);

/* A whole number. */
void message_number(struct message *message, uint32_t number);

/* Tenths as a decimal number: -15 is "-1.5". */
void message_tenths(struct message *message, int32_t tenths);

/* Checksum and line end. */
void message_end(struct message *message);

#endif
