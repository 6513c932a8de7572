/* command: what the board is told, a word and numbers on a line:
 *
 *   who                            says who it is
 *   on [SECONDS]                   closes the switch, for 10 s or up to 600
 *   off                            opens it
 *   pulse MS                       closes it for 1 to 10000 ms
 *   every MS                       time from line to line, 20 to 60000 ms
 *   capture RATE SAMPLES [INPUT]   closes it, takes the block, opens it: 250 to 50000 samples a
 *                                  second, 2 to 400 of them, or the nearest to that; INPUT shunt
 *                                  (without), battery, drain
 *
 * Plain C for the board and for the tests. */
#ifndef TRUEWOUND_BOARD_COMMAND_H
#define TRUEWOUND_BOARD_COMMAND_H

#include <stdint.h>

#define COMMAND_LENGTH_MAX  32 /* characters of a line */
#define COMMAND_SAMPLES_MAX 400
#define COMMAND_RATE_MIN    250
#define COMMAND_RATE_MAX    50000

enum command_kind {
    COMMAND_WHO,
    COMMAND_ON,
    COMMAND_OFF,
    COMMAND_PULSE,
    COMMAND_EVERY,
    COMMAND_CAPTURE
};

enum command_input { COMMAND_SHUNT, COMMAND_BATTERY, COMMAND_DRAIN };

struct command {
    enum command_kind kind;
    uint32_t ms;   /* of on, pulse and every */
    uint32_t rate; /* of capture: samples a second */
    uint16_t samples;
    enum command_input input;
};

/* Reads one line without its end. NULL, or what was wrong with it: a few words. *command means
 * nothing then. */
const char *command_read(const char *line, struct command *command);

#endif
