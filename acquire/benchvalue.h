/* benchvalue: the text behind a key of the bench file, converted by its kind. */
#ifndef TRUEWOUND_BENCHVALUE_H
#define TRUEWOUND_BENCHVALUE_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/calibration.h"
#include "acquire/section.h"

/* One value, converted once when the file is read. text and bytes are freed by their owner. */
struct benchvalue {
    const struct section_key *key;
    char *text;  /* as in the file */
    char *bytes; /* escapes resolved */
    size_t length;
    double number;
    bool given;
    int line;
};

/* Converts text for value->key; false with a sentence in why. */
bool benchvalue_convert(struct benchvalue *value, const char *text, char *why, size_t size);

/* Seconds of '20 ms', '1 h', '5' (seconds); false when it is no time. */
bool benchvalue_time(const char *text, double *seconds);

/* Two numbers, as of point1 and point2: what was shown and what was right. */
bool benchvalue_pair(const char *text, double *a, double *b);

/* '[up to N:] [N %] [+] [N digits [of N]]'; a digit that is not given is NaN. */
bool benchvalue_accuracy(const char *text, struct calibration_accuracy *accuracy);

/* YYYY-MM-DD. */
bool benchvalue_is_date(const char *text);

#endif
