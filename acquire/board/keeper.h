/* keeper: what one converter input did since the last line: mean, least and most.
 *
 * Counts are those of a 10-bit converter, 0 to 1023. Least and most are kept of the mean of
 * KEEPER_PART samples in a row, so that one noisy sample does not make a dip. Plain C for the
 * board and for the tests on a computer. */
#ifndef TRUEWOUND_BOARD_KEEPER_H
#define TRUEWOUND_BOARD_KEEPER_H

#include <stdbool.h>
#include <stdint.h>

#define KEEPER_PART 4
#define KEEPER_FULL 1023 /* the highest count: the true value may be beyond */

/* What was kept, in sixteenths of a count. */
struct keeper_values {
    bool any; /* false: there was no sample, the rest means nothing */
    bool any_part;
    bool clipped; /* a sample was at KEEPER_FULL: mean and most are too low */
    uint16_t mean;
    uint16_t least, most; /* of parts; only when any_part */
};

struct keeper {
    uint32_t sum;
    uint16_t count;
    uint16_t least, most; /* sums of KEEPER_PART counts */
    uint16_t part;
    uint8_t parts; /* samples in part */
    bool any_part, clipped;
};

/* Forgets everything. */
void keeper_clear(struct keeper *keeper);

/* Takes one sample, 0 to KEEPER_FULL. Short enough for an interrupt. */
void keeper_add(struct keeper *keeper, uint16_t count);

/* Reads it out; the keeper is not changed. */
void keeper_read(const struct keeper *keeper, struct keeper_values *values);

/* Tenths of a millivolt for sixteenths of a count, with a reference in tenths of a millivolt up to
 * 55000. A count stands for the middle of its step: ADC = V * 1024 / reference, rounded down
 * (ATmega328P data sheet, ADC conversion result; from memory). */
int32_t keeper_tenths(uint16_t sixteenths, uint16_t reference);

#endif
