/* cell: what a battery gives: open-circuit and loaded voltage, internal resistance, capacity, end
 * point, self-discharge, each against depth of discharge and temperature.
 *
 * The numbers of a cell kind are rows of one table in cell.c, each with its standard uncertainty
 * and a mark that says where it comes from. Most are from memory and have wide uncertainties:
 * makers differ, and so do two cells of one box. A battery that has been measured should override
 * them. Temperatures in degrees Celsius, charge in ampere hours where the name says so, else SI. */
#ifndef TRUEWOUND_CELL_H
#define TRUEWOUND_CELL_H

#include "db/status.h"

#include <stdbool.h>
#include <stddef.h>

enum cell_mark {
    CELL_READ,     /* read as text in the named place */
    CELL_READ_2ND, /* read in a page that quotes the named place */
    CELL_COMPUTED, /* computed from figures that are named */
    CELL_MEMORY,   /* from memory; never called published */
    CELL_STATED    /* the person's own figure */
};
/* "read", "read second-hand", "computed", "from memory", "stated". */
const char *cell_mark_words(enum cell_mark mark);

struct cell_figure {
    double value;
    double u; /* standard uncertainty, same unit; the spread between makers and cells included */
    enum cell_mark mark;
    const char *source;
};

enum cell_chemistry {
    CELL_ALKALINE,    /* zinc / manganese dioxide, alkaline; letter L of IEC 60086 */
    CELL_ZINC_CARBON, /* zinc / manganese dioxide; no letter; P high power, S standard */
    CELL_LEAD_ACID,   /* sealed, one 2 V cell */
    CELL_NIMH         /* nickel / metal hydride */
};

#define CELL_POINTS 11 /* curves are given at depth 0, 0.1 .. 1 */

struct cell_kind {
    const char *name;  /* "LR20", "R20P", "lead-acid", "NiMH" */
    const char *words; /* "alkaline, size D" */
    enum cell_chemistry chemistry;
    bool primary;                     /* must not be charged */
    struct cell_figure nominal_v;     /* V */
    struct cell_figure end_v;         /* end point under load, V */
    struct cell_figure capacity_ah;   /* to end_v at capacity_at_a and 20 C; NaN: must be stated */
    double capacity_at_a;             /* A; for kinds with NaN capacity, a share of it: A per Ah */
    struct cell_figure load_exponent; /* capacity falls as (I / capacity_at_a)^-exponent above it */
    struct cell_figure capacity_k;    /* share of capacity lost per kelvin below 20 C, 1/K */
    struct cell_figure ohm;        /* internal resistance fresh at 20 C, ohm (ohm Ah if NaN cap) */
    struct cell_figure ohm_half_k; /* fall of temperature that doubles it, K */
    struct cell_figure self_year;  /* self-discharge rate at 20 C, 1/year, exponential */
    struct cell_figure self_double_k; /* rise of temperature that doubles it, K */
    struct cell_figure volt_per_k;    /* temperature coefficient of open-circuit voltage, V/K */
    struct cell_figure shelf_year;    /* no life beyond this is promised, years */
    struct cell_figure curve;         /* value: scale of ocv[] (1); u: of a point of it, V */
    double ocv[CELL_POINTS];          /* open-circuit voltage after rest at 20 C, V, falling */
    double growth[CELL_POINTS];       /* internal resistance over fresh, 1 or more, rising */
    const char *caution;              /* one or two plain sentences */
};

/* All kinds and their number. */
const struct cell_kind *cell_kinds(size_t *n);
/* The kind of that name (case does not count; common size words too: "AA", "C", "D" mean alkaline);
 * NULL when there is none. */
const struct cell_kind *cell_kind(const char *name);

/* A battery: series x parallel equal cells, with what the person knows better than the table. */
struct cell_battery {
    const struct cell_kind *kind;
    int series;         /* 1 to 200 */
    int parallel;       /* 1 to 50 */
    double capacity_ah; /* of one cell; NaN = the table's */
    double cell_ohm;    /* of one fresh cell at 20 C, ohm; NaN = the table's */
    double end_v;       /* end point of one cell under load, V; NaN = the table's */
};
/* A battery of n cells in series with nothing overridden. */
struct cell_battery cell_battery_of(const struct cell_kind *kind, int series);
/* STATUS_OK, or a sentence that names the bad field (kind missing, cells out of range, a capacity
 * that must be stated for this kind ...). */
enum status_code cell_check(const struct cell_battery *battery, struct status *st);

/* The battery's figures, series and parallel counted, with standard uncertainties. */
struct cell_state {
    double emf_v, u_emf_v;       /* open circuit, after rest */
    double ohm, u_ohm;           /* internal resistance for a pulse of a second or so */
    double loaded_v, u_loaded_v; /* emf - current x ohm */
    double cell_v;               /* loaded voltage of one cell */
    bool spent;                  /* cell_v is at or below the end point */
};
/* depth: charge drawn / capacity at that duty (cell_capacity), 0 to 1. Temperature -40 to 60 C.
 * current 0 to 1000 A drawn from the whole battery. */
enum status_code cell_state(const struct cell_battery *battery, double depth, double temperature,
                            double current, struct cell_state *out, struct status *st);

/* Capacity (Ah) of the whole battery at a mean current and a greatest (pulse) current, both A >= 0,
 * and temperature. Slow polarisation follows the mean, so a pulsed battery does nearly as well as
 * its mean current says; the value leans a quarter of the way (in the logarithm) towards the peak
 * and the uncertainty spans it. */
enum status_code cell_capacity(const struct cell_battery *battery, double mean_a, double peak_a,
                               double temperature, struct cell_figure *out, struct status *st);

/* Self-discharge rate (1/year) at a temperature: charge left falls as exp(-rate years). */
enum status_code cell_self_rate(const struct cell_battery *battery, double temperature,
                                struct cell_figure *out, struct status *st);

/* Depth at which a rested battery shows that open-circuit voltage (whole battery, V), corrected for
 * temperature: the inverse of the curve. *depth gets 0 above the fresh voltage and 1 below the
 * spent one; *u its standard uncertainty (large where the curve is flat). */
enum status_code cell_depth(const struct cell_battery *battery, double volt, double temperature,
                            double *depth, double *u, struct status *st);

#endif
