/* store_marks: how a reading is written in its row: the raw number as a decimal where it is one,
 * and what was in force (calibration, flags, range) as a small number per channel. Not for use
 * outside db/. */
#ifndef TRUEWOUND_STORE_MARKS_H
#define TRUEWOUND_STORE_MARKS_H

#include "db/store_ingest.h"
#include "db/store_sql.h"

struct store_mark {
    uint32_t flags;
    double range;
    int64_t calibration; /* 0: none, the four below do not count */
    double gain, offset, shunt, lead_null;
};

struct store_marks {
    int64_t channel;
    double divisor;
    struct store_mark *mark;
    size_t n, size;
};

/* Marks of a channel. STATUS_NOT_FOUND: no such channel. Free with store_marks_free. */
enum status_code store_marks_load(struct store *store, int64_t channel, struct store_marks *marks,
                                  struct status *st);
void store_marks_free(struct store_marks *marks);

/* The number of the mark that says this; made when new, inside the caller's transaction.
 * STATUS_NOT_FOUND: no such calibration of that channel. */
enum status_code store_marks_number(struct store *store, struct store_marks *marks,
                                    int64_t calibration, uint32_t flags, double range,
                                    size_t *number, struct status *st);

double store_marks_value(const struct store_mark *mark, double raw);

/* *raw as digits / divisor, when it is that exactly or but for the last two bits, which a unit
 * conversion on the way may have cost; *raw becomes what will be read back. False: keep *raw as
 * a REAL. */
bool store_marks_digits(double divisor, double *raw, int64_t *digits);

/* A reading from the columns time, raw, mark (in this order from 'column' on). A mark that was
 * made since is read in first. */
enum status_code store_marks_decode(struct store *store, struct store_marks *marks,
                                    sqlite3_stmt *stmt, int column, struct store_reading *out,
                                    struct status *st);

#endif
