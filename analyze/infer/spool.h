/* spool: the other wires that a spool might have held.
 *
 * A gauge up or down, the same number of the other list, a size beside it: what a hand takes off
 * the shelf by mistake, and how often. Common practice, no source. */
#ifndef TRUEWOUND_SPOOL_H
#define TRUEWOUND_SPOOL_H

#include <stddef.h>

#include "analyze/model/wire.h"

#define SPOOL_WIRES_MAX 12

struct spool_wire {
    double bare, overall; /* factors on the design's */
    double share;
    char label[WIRE_LABEL_SIZE]; /* "33 SWG" */
};

struct spool {
    struct spool_wire wire[SPOOL_WIRES_MAX];
    size_t count;
};

/* Lists the wires that the right one may be mistaken for; their shares sum to 1. None are listed
 * when the sizes of the right one are not known. */
void spool_fill(struct spool *s, const struct wire *right);

/* The label of one of them; "" for -1, which stands for the right one. */
const char *spool_label(const struct spool *s, int wire);

#endif
