/* clock: both clocks of the machine, and how one tells that the wall clock was stepped.
 *
 * The steady clock is CLOCK_BOOTTIME: it never steps and it goes on while the machine sleeps, so
 * that a sleep does not look like a step of the wall clock. */
#ifndef TRUEWOUND_CLOCK_H
#define TRUEWOUND_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include "acquire/driver.h"

/* Both clocks now. */
struct driver_time clock_now(void);

/* Watches wall minus mono. Start with {0}. */
struct clock_watch {
    bool started;
    int64_t offset; /* wall - mono when last looked at, us */
};

/* How far the wall clock was stepped since the last call, us; 0 when the two clocks ran together
 * within `tolerance` us (a clock being slewed drifts by less than that between calls). */
int64_t clock_step(struct clock_watch *watch, const struct driver_time *now, int64_t tolerance);

#endif
