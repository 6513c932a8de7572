/* plan: which wire and how many turns, before anything is wound.
 *
 * Given a core with its keeper, the room for the winding, a supply or battery, a pulse and the pull
 * wanted at a gap, every candidate wire is tried. With a given wire and voltage, more turns take
 * less charge and make less heat, but past some number they pull less, for the mean turn grows and
 * the current rises more slowly. So for each wire the plan is the greatest number of turns that
 * still does the work: it has the least charge of a pulse that the wire can give.
 *
 * A plan is good when all of these hold:
 *   pull         predicted pull / pull wanted is at least the safety factor of the design, and the
 *                low end of the 95 % interval is at least the pull wanted, at the end of the pulse,
 *                at the working gap, with the coil warm, and from a battery at its end point
 *   heat         the hottest place, at the high end of its interval, stays below the limit
 *   life         the likely battery life is at least what is wanted
 * The best is the good plan with the least charge of a pulse (least current, when not pulsed). */
#ifndef TRUEWOUND_PLAN_H
#define TRUEWOUND_PLAN_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/model/cell.h"
#include "analyze/model/design.h"
#include "analyze/model/drive.h"
#include "analyze/model/thermal.h"
#include "analyze/model/wire.h"
#include "db/status.h"

struct plan_request {
    /* Core, keeper, winding space (wound length, outside_max, wraps), supply, pulse, period,
     * ambient, work. Wire and turns in it are not looked at. outside_max not given: the windings of
     * a U may grow until they touch; a bar must state it. */
    const struct design *design;
    const struct wire *wires;    /* the candidates: wires on hand, or standard sizes */
    size_t count;                /* 1 to PLAN_WIRES_MAX */
    struct cell_battery battery; /* kind NULL: the supply of the design, by its voltage */
    double days;                 /* battery life wanted; NaN = not asked */
    double temperature_max;      /* C, of the hottest place; NaN: the design's limit, else 90 C for
                                  * cotton and silk and 105 C for enamel (classes Y and A) */
};

#define PLAN_WIRES_MAX 512
#define PLAN_POINTS    24 /* numbers of turns tried on each wire for the trade-off */

enum plan_why {
    PLAN_GOOD,
    PLAN_NO_ROOM, /* not one turn fits */
    PLAN_WEAK,    /* no number of turns pulls enough */
    PLAN_DOUBT,   /* pulls enough as predicted, but not at the low end of the interval */
    PLAN_SLOW,    /* would pull enough, were the pulse longer */
    PLAN_HOT,
    PLAN_SHORT_LIFE,
    PLAN_FAILED /* the model could not work it out; reason says what it said */
};
/* "good", "no room", "too weak", "in doubt", "too slow", "too hot", "battery too short-lived",
 * "not worked out". */
const char *plan_why_words(enum plan_why why);

/* One wire. Figures are NaN when they do not exist. Even a wire that fails has the figures of its
 * best try. */
struct plan_option {
    size_t wire; /* index in the request */
    enum plan_why why;
    char reason[256];       /* one sentence: why it fails, or what it gives */
    long turns;             /* on each limb */
    long turns_most;        /* that fit on each limb */
    double layers;          /* on each limb */
    double outside_m;       /* over the winding */
    double wire_m, wire_kg; /* all of it, leads included */
    double ohm;             /* of the coil, at the ambient temperature */
    double henry; /* flux linkage / current, keeper at the gap, at the end of the battery */
    double tau_s;
    double end_a;   /* current at the end of the pulse, end of the battery, coil warm */
    double fresh_a; /* the same with a fresh battery, or the supply */
    struct thermal_interval pull_n; /* at end_a, 95 % */
    double fresh_pull_n;
    double charge_c;               /* of one pulse, fresh; NaN when not pulsed */
    double mean_a;                 /* fresh */
    struct thermal_interval hot_c; /* hottest place in the winding, pulsed as stated */
    double stuck_c; /* the same when the switch sticks and the current stays on, likely value;
                     * 400 means 400 or more */
    double days, low_days, high_days; /* battery life */
    enum drive_limit life_limit;
    double reach; /* the least of pull, temperature and life over what is asked of them; 1 or
                   * more does it */
};

/* One number of turns of one wire, for the plot of pull against charge. */
struct plan_point {
    size_t wire;
    double turns;
    double pull_n;   /* predicted, end of the battery */
    double charge_c; /* of a pulse; the current (A) when not pulsed */
    double days;     /* likely battery life; NaN without a battery */
    bool front;      /* no other point pulls more for less */
};

struct plan {
    struct plan_option *options; /* one a wire, in the order of the request */
    size_t count;
    size_t best;    /* index; count when none is good */
    size_t nearest; /* when none is good: the one with the greatest reach; else best */
    struct plan_point *points;
    size_t points_count;
    double end_v; /* voltage the pull is worked out with, V */
    double fresh_v;
    char summary[768]; /* which is best and why, or that none does it, the nearest and why */
};

/* Works out a plan. Fails with STATUS_INPUT when the request cannot be (no pull wanted, no keeper,
 * no supply, a pulse without period ...), STATUS_MEMORY, or what the model says. That no wire does
 * it is not a failure: see best and summary. *out is to be given to plan_free() on success. */
enum status_code plan_make(const struct plan_request *request, struct plan *out, struct status *st);
void plan_free(struct plan *plan);

/* The design of an option: the request's with that wire, those turns and the working gap, ready for
 * coil_new(). */
void plan_design(const struct plan_request *request, const struct plan_option *option,
                 struct design *out);

#endif
