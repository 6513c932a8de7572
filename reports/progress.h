/* progress: one line that says how far a long piece of work is. Shown only on a terminal, only
 * after the first second, and wiped at the end, so that it never reaches a file or a pipe. */
#ifndef TRUEWOUND_PROGRESS_H
#define TRUEWOUND_PROGRESS_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct progress {
    FILE *out;
    char label[64];
    uint64_t total; /* steps in all; 0 if not known */
    int64_t start_ms, shown_ms;
    bool terminal, shown;
};

/* Begins: label says what is being done ('reading 12 weeks'); out is usually stderr. */
void progress_begin(struct progress *progress, FILE *out, const char *label, uint64_t total);

/* Says that done steps of total are over. Cheap; call it as often as is handy. */
void progress_step(struct progress *progress, uint64_t done);

/* Wipes the line, if one was shown. */
void progress_end(struct progress *progress);

#endif
