/* faults: what is wrong in a file that a person wrote. All faults are told, not the first alone. */
#ifndef TRUEWOUND_FAULTS_H
#define TRUEWOUND_FAULTS_H

#include <stddef.h>

#include "db/status.h"

struct faults {
    void (*report)(void *to, const char *text); /* each fault, one whole sentence; or NULL */
    void *to;
    struct status *st; /* the first one */
    size_t count;
};

/* Counts a fault, hands it on, and keeps the first as STATUS_INPUT in st. */
void faults_add(struct faults *faults, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
