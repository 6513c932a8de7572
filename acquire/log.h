/* log: what the daemon says to the person who runs it, a line at a time on a stream.
 *
 * Under systemd (JOURNAL_STREAM is set) each line begins with the priority prefix that the
 * journal understands (sd-daemon(3)); elsewhere with the time in UTC. Text from instruments is
 * never a format, and its control characters come out as '?'. */
#ifndef TRUEWOUND_LOG_H
#define TRUEWOUND_LOG_H

#include <stdbool.h>
#include <stdio.h>

#include "acquire/driver.h"

struct log {
    FILE *out; /* NULL: nothing is written */
    bool journal;
    enum driver_severity least; /* what is below is left out */
};

/* A log to stderr, in the form that suits where it goes. */
struct log log_standard(void);

void log_line(const struct log *log, enum driver_severity severity, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Replaces what a terminal or a log should not get: control characters become '?'. UTF-8 stays;
 * bytes that are not UTF-8 become '?'. */
void log_clean(char *text);

#endif
