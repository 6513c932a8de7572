/* conditions: under what an observation was made, as the JSON text the store keeps beside it. */
#ifndef TRUEWOUND_CONDITIONS_H
#define TRUEWOUND_CONDITIONS_H

#include <stdbool.h>

#include "db/status.h"

#define CONDITIONS_WORD_SIZE 32

/* SI throughout; NaN, "" and CONDITIONS_UNKNOWN mean not known. */
struct conditions {
    char kind[CONDITIONS_WORD_SIZE];       /* a word of evidence_quantity(), or "temperature" */
    char instrument[CONDITIONS_WORD_SIZE]; /* which instrument, or what a person called it */
    double wires;                          /* 2 or 4 */
    double temperature, temperature_u;     /* K, of the surroundings */
    double voltage, voltage_u;             /* V */
    double current, current_u;             /* A */
    double gap, gap_u;                     /* m, at each pole */
    double source_ohm, source_ohm_u;       /* ohm */
    double frequency;                      /* Hz */
    double duration;                       /* s */
    double accuracy_rel;                   /* maker's limit, of reading */
    double accuracy_abs;                   /* maker's limit, SI */
    double resolution;                     /* SI, one digit */
    enum { CONDITIONS_UNKNOWN, CONDITIONS_YES, CONDITIONS_NO } keeper;
    enum { CONDITIONS_EQUAL, CONDITIONS_ABOVE, CONDITIONS_BELOW } bound;
    bool doubtful;
};

/* Nothing known, bound EQUAL. */
void conditions_init(struct conditions *c);

/* The JSON text, to be freed, or NULL without memory. Only what is known is written. */
char *conditions_text(const struct conditions *c);

/* Reads such a text; NULL gives nothing known. Members it does not know are passed over, those of a
 * wrong type are STATUS_INPUT with their name. */
enum status_code conditions_parse(const char *text, struct conditions *c, struct status *st);

/* Reads how many leads an ohmmeter has on the coil, "2" or "4", and whether the keeper is on the
 * poles, "on" or "off". */
enum status_code conditions_read_wires(struct conditions *conditions, const char *text,
                                       struct status *st);
enum status_code conditions_read_keeper(struct conditions *conditions, const char *text,
                                        struct status *st);

#endif
