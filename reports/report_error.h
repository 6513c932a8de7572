/* report_error: how this room says what went wrong. It knows no other room, so it has its own
 * small convention: a function that can fail returns bool and fills a caller's report_error. */
#ifndef TRUEWOUND_REPORT_ERROR_H
#define TRUEWOUND_REPORT_ERROR_H

#include <stdbool.h>

#define REPORT_ERROR_SIZE 256

struct report_error {
    char text[REPORT_ERROR_SIZE]; /* one sentence, always terminated; empty when nothing failed */
};

/* Puts a formatted sentence into *error (which may be NULL), cut to fit, and returns false, so that
 * a failing function can end with 'return report_error_set(error, "...", ...)'. */
bool report_error_set(struct report_error *error, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
