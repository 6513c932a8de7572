#include "analyze/twin.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/conditions.h"
#include "analyze/kinds.h"
#include "db/store_evidence.h"

/* Figures that differ by less are alike: one step of the last digit, or this many standard
 * uncertainties of both means. */
#define ALIKE 3.0

/* Coarser figures agree by chance: hand-wound limbs differ by some per cent. Our choice. */
#define COARSEST 5e-4

#define ROWS_MAX 64

struct row {
    int64_t id;
    char place[16];
    double value;
    double u;
    double step; /* of the last digit */
};

struct looking {
    struct row row[ROWS_MAX];
    size_t n;
};

/* A step of the last digit that a person wrote, as far as the value tells. */
static double written_step(double value)
{
    char text[40];
    const char *exponent;
    size_t digits = 0;

    snprintf(text, sizeof text, "%.9e", fabs(value));
    exponent = strchr(text, 'e');
    for (const char *at = text; exponent && at < exponent; ++at)
        if (*at != '.' && *at != '0')
            digits = (size_t)(at - text) + (at == text);
    return pow(10.0, floor(log10(fabs(value))) - (double)(digits ? digits - 1 : 0));
}

static int keep(const struct store_observation *o, void *user)
{
    struct looking *looking = user;
    struct conditions c;
    struct status st;

    if (strcmp(o->quantity, "resistance") != 0 || strcmp(o->place, "leads") == 0 ||
        !(o->value > 0.0) || conditions_parse(o->conditions, &c, &st) != STATUS_OK ||
        c.bound != CONDITIONS_EQUAL || strcmp(c.kind, "insulation") == 0)
        return 0;
    if (looking->n == ROWS_MAX) {
        memmove(looking->row, looking->row + 1, (ROWS_MAX - 1) * sizeof *looking->row);
        --looking->n;
    }
    looking->row[looking->n] = (struct row){.id = o->id,
                                            .value = o->value,
                                            .u = isfinite(o->u) ? o->u : 0.0,
                                            .step = o->typed ? written_step(o->value)
                                                    : isfinite(c.resolution) ? c.resolution
                                                                             : 0.0};
    snprintf(looking->row[looking->n++].place, sizeof looking->row->place, "%s", o->place);
    return 0;
}

static bool alike(const struct row *a, const struct row *b)
{
    double step = fmax(a->step, b->step);
    double within = fmax(step, ALIKE * hypot(a->u, b->u));

    return within <= COARSEST * b->value && fabs(a->value - b->value) <= within * 1.0000001;
}

enum status_code twin_question(struct store *store, int64_t coil, int64_t run, int64_t entry,
                               char text[TWIN_SIZE], struct status *st)
{
    struct looking looking = {.n = 0};
    const struct row *it = NULL;
    enum status_code code =
        store_evidence_observations(store, coil, run, false, keep, &looking, st);

    text[0] = '\0';
    for (size_t i = 0; i < looking.n; ++i)
        if (looking.row[i].id == entry)
            it = &looking.row[i];
    for (size_t i = 0; it && i < looking.n; ++i)
        if (strcmp(looking.row[i].place, it->place) != 0 && alike(it, &looking.row[i]))
            snprintf(text, TWIN_SIZE,
                     "That is what %s reads, to the last digit: are the clips on %s?",
                     kinds_place_words(looking.row[i].place), kinds_place_words(it->place));
    return code;
}
