/* coilswitch: how long the coil is on, and that it never stays on for ever.
 *
 * Times are milliseconds of a clock that may wrap round after 2^32. Plain C for the board and for
 * the tests. */
#ifndef TRUEWOUND_BOARD_COILSWITCH_H
#define TRUEWOUND_BOARD_COILSWITCH_H

#include <stdbool.h>
#include <stdint.h>

#define COILSWITCH_SETTLE 500 /* ms after a switching that count as 'changing' */

struct coilswitch {
    bool on;
    bool changed;   /* since coilswitch_is_changing was last told of a line */
    uint32_t since; /* ms, of the last change */
    uint32_t most;  /* ms it may stay on */
};

/* Off, and settled. */
void coilswitch_clear(struct coilswitch *s, uint32_t now);

/* On for ms from now; when it is on already its time starts anew. */
void coilswitch_on(struct coilswitch *s, uint32_t now, uint32_t ms);

void coilswitch_off(struct coilswitch *s, uint32_t now);

/* Called every millisecond; true when its time was over and it was put off just now. */
bool coilswitch_tick(struct coilswitch *s, uint32_t now);

/* True when means taken up to now may hold the time before or just after a switching. start_line:
 * a new line begins now. */
bool coilswitch_is_changing(struct coilswitch *s, uint32_t now, bool start_line);

#endif
