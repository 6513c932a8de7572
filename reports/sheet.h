/* sheet: the record of one coil on one A4 page of HTML, to keep in a drawer with the mechanism. It
 * takes plain strings and numbers and knows nothing of coils. All text is cleaned and escaped.
 * Whatever is given, it prints on one page: letters get smaller in steps, and what does not fit is
 * counted ('and 7 more'), never lost without a word. */
#ifndef TRUEWOUND_SHEET_H
#define TRUEWOUND_SHEET_H

#include "reports/report_error.h"
#include <stdbool.h>
#include <stddef.h>

enum sheet_verdict { SHEET_PASS, SHEET_FAIL, SHEET_UNDECIDED };

enum sheet_agreement { SHEET_AGREES, SHEET_DOUBTFUL, SHEET_DIFFERS, SHEET_NOT_JUDGED };

/* A measured value is that, or only known to lie beyond: the range of the instrument ended there.
 */
enum sheet_bound { SHEET_EQUAL, SHEET_MORE, SHEET_LESS };

/* One line of measured against predicted. Values in the SI unit named; NaN where not known. */
struct sheet_quantity {
    const char *name, *unit;
    double measured, measured_u;
    double predicted, predicted_u;
    enum sheet_agreement agreement;
    const char *remark; /* may be NULL */
    /* In place of the numbers, where the quantity has none ('north'); may be NULL. */
    const char *measured_word, *predicted_word;
    enum sheet_bound bound; /* of measured */
};

struct sheet_finding {
    const char *text;
    double probability; /* 0 to 1 */
};

struct sheet_instrument {
    const char *name;       /* what it did: 'resistance, four wires' */
    const char *identity;   /* what it calls itself */
    const char *calibrated; /* a date, or NULL: 'no date given' is printed */
};

struct sheet_fact {
    const char *name, *value;
};

struct sheet_figure {
    const char *svg; /* inline SVG of plot_svg or coildraw_svg */
    size_t size;
    const char *caption; /* may be NULL */
};

/* Arrays may be NULL with a count of 0; strings may be NULL unless said otherwise. */
struct sheet {
    const char *coil;    /* required */
    const char *purpose; /* what the coil is for */
    const char *date;    /* when measured, as it should read */
    enum sheet_verdict verdict;
    const char *verdict_text;       /* one or two sentences */
    const char *next;               /* what to measure next */
    const struct sheet_fact *facts; /* the design in short */
    size_t fact_count;
    const struct sheet_quantity *quantities;
    size_t quantity_count;
    const struct sheet_finding *findings; /* in the order to be shown */
    size_t finding_count;
    const struct sheet_figure *figures; /* up to 4 are shown */
    size_t figure_count;
    const char *const *cautions;
    size_t caution_count;
    const struct sheet_instrument *instruments;
    size_t instrument_count;
    const char *version; /* of the program that made it */
    const char *digest;  /* of the data it was made from */
};

/* Writes the sheet as HTML (free *out; *size without the final zero). */
bool sheet_html(const struct sheet *sheet, char **out, size_t *size, struct report_error *error);

/* A blank sheet for winding by hand: layers of each limb with turns to go on, the running total, a
 * box for every count and a tick. */
struct sheet_layer {
    int limb;  /* 1, 2 */
    int layer; /* from 1 */
    double turns, total;
};

struct sheet_winding {
    const char *coil;     /* required */
    const char *row_name; /* what a row is, at its head; NULL: "Layer" */
    const char *purpose;
    const struct sheet_fact *facts;
    size_t fact_count;
    const struct sheet_layer *layers;
    size_t layer_count;
    const char *const *weighings; /* when the reel is to be weighed, "before limb A"; at most 4 */
    size_t weighing_count;
    const struct sheet_figure *figure; /* may be NULL */
    const char *const *cautions;
    size_t caution_count;
    const char *version, *digest;
};

bool sheet_winding_html(const struct sheet_winding *sheet, char **out, size_t *size,
                        struct report_error *error);

#endif
