#include "analyze/infer/advise.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/posterior.h"
#include "analyze/infer/scatter.h"

#define DRAWS       320  /* coils that stand for the posterior */
#define ENOUGH      0.03 /* gain in the chance of a decision below which a measurement is idle */
#define ENOUGH_BIT  0.02 /* and bits */
#define ENOUGH_FAIL 0.1  /* bits, when the coil is known to fail */
#define NEAR        0.9  /* of the best rate: as good as the best */
#define KNOWN       0.9  /* probability at which a finding counts as known */
#define EXPECT_MAX  4
/* What it costs to miss a finding, as a factor on its bits. A limb that cancels leaves next to no
 * pull, no resistance shows it, and it is found when the magnet is built in (common practice, no
 * source). The sum stays concave in the probabilities, so no measurement is worth less than
 * nothing. */
#define COST_CANCEL 2.0
#define SORTS       (2 * VERDICT_FINDINGS_MAX) /* a finding, with and without the limits kept */

/* What one item of an option would read for each coil. */
struct column {
    const struct evidence_item *item;
    double reading[DRAWS], noise[DRAWS];
    bool binary; /* a lift trial: held or not */
};

/* ---- options a bench usually has ---- */

static struct advise_option *option_new(struct advise_option *list, size_t *n, size_t max,
                                        const char *name, double minutes)
{
    if (*n >= max)
        return NULL;
    memset(&list[*n], 0, sizeof list[*n]);
    list[*n].name = name;
    list[*n].minutes = minutes;
    return &list[(*n)++];
}

static struct evidence_record *option_expect(struct advise_option *o, const char *quantity,
                                             const char *place, const char *instrument)
{
    struct evidence_record *r;

    if (!o || o->expects == EXPECT_MAX)
        return NULL;
    r = &o->expect[o->expects++];
    *r = evidence_record_empty();
    r->quantity = quantity;
    r->place = place;
    r->instrument = instrument;
    return r;
}

size_t advise_usual(const struct design *design, struct advise_option *option, size_t max)
{
    bool two = design_limbs(design) > 1;
    double volt = amount_given(design->supply.voltage) ? design->supply.voltage.value : NAN;
    struct evidence_record *r;
    struct advise_option *o;
    size_t n = 0;

    o = option_new(option, &n, max, two ? "resistance of limb A" : "resistance", 1);
    option_expect(o, "resistance", "a", "meter");
    if (two) {
        o = option_new(option, &n, max, "resistance of limb B", 1);
        option_expect(o, "resistance", "b", "meter");
        o = option_new(option, &n, max, "resistance of the pair", 1);
        option_expect(o, "resistance", "pair", "meter");
        o = option_new(option, &n, max, "polarity of both poles with a compass", 1.5);
        option_expect(o, "polarity", "a", "");
        option_expect(o, "polarity", "b", "");
    }
    o = option_new(option, &n, max, "insulation from the winding to the core", 1);
    option_expect(o, "insulation", "pair", "");
    o = option_new(option, &n, max, "weight of the wire (coil less bare core)", 3);
    option_expect(o, "wire-mass", "pair", "scale");
    o = option_new(option, &n, max, "outside diameter with a caliper", 1);
    option_expect(o, "diameter", "a", "");
    if (two)
        option_expect(o, "diameter", "b", "");
    o = option_new(option, &n, max, "bare wire at a lead with a micrometer", 3);
    option_expect(o, "wire-diameter", "pair", "");
    if (volt > 0 && two && design->winding.connection == DESIGN_SERIES) {
        o = option_new(option, &n, max, "volt drop over each limb, one current in both", 1.5);
        if ((r = option_expect(o, "volt-drop", "a", "")))
            r->at.voltage = volt;
        if ((r = option_expect(o, "volt-drop", "b", "")))
            r->at.voltage = volt;
    }
    if (volt > 0) {
        o = option_new(option, &n, max, "current at the supply", 1);
        if ((r = option_expect(o, "current", "pair", "board")))
            r->at.voltage = volt;
        o = option_new(option, &n, max, "current rise, keeper off", 2);
        if ((r = option_expect(o, "inductance", "pair", "board")))
            r->at.voltage = volt;
        if ((r = option_expect(o, "second-time", "pair", "board")))
            r->at.voltage = volt;
        if (amount_given(design->core.keeper_length)) {
            o = option_new(option, &n, max, "current rise, keeper on", 2);
            if ((r = option_expect(o, "inductance", "pair", "board"))) {
                r->at.voltage = volt;
                r->at.keeper = true;
            }
            o = option_new(option, &n, max, "pull at the supply, on the scale", 6);
            if ((r = option_expect(o, "pull", "pair", "scale"))) {
                r->at.voltage = volt;
                r->at.gap = 0;
                r->at.keeper = true;
            }
            o = option_new(option, &n, max, "residual pull after switching off", 3);
            if ((r = option_expect(o, "residual-pull", "pair", "scale"))) {
                r->at.voltage = volt;
                r->at.gap = 0;
                r->at.keeper = true;
            }
        }
    }
    o = option_new(option, &n, max, "resistance again after ten minutes without current", 10);
    if ((r = option_expect(o, "drift", "pair", "")))
        r->at.duration = 600;
    return n;
}

/* ---- expected information ---- */

static double plogp(double p)
{
    return p > 0 ? -p * log2(p) : 0;
}

static double middle_of(const double *value, size_t n)
{
    double sorted[DRAWS];

    memcpy(sorted, value, n * sizeof *sorted);
    gsl_sort(sorted, 1, n);
    return sorted[n / 2];
}

/* What coil after coil would read; a coil that the physics has no answer for is left out of all
 * columns. */
static void read_column(const struct verdict *v, size_t *pick, size_t *n, struct column *column,
                        size_t columns)
{
    struct column *c = &column[columns];

    for (size_t d = 0; d < *n; d++) {
        while (d < *n && !suppose_read(v->suppose, &v->draw[pick[d]].state, c->item, &c->reading[d],
                                       &c->noise[d])) {
            size_t last = --*n;

            pick[d] = pick[last];
            for (size_t e = 0; e < columns; e++) {
                column[e].reading[d] = column[e].reading[last];
                column[e].noise[d] = column[e].noise[last];
            }
        }
    }
}

/* Fills the columns of an option, and leaves in 'pick' the coils that have an answer; false when
 * the bench cannot take it, or too few coils are left to stand for the rest. */
static bool predict(const struct verdict *v, const struct evidence_set *evidence,
                    const struct advise_option *option, size_t *pick, size_t *n,
                    struct evidence_set *items, struct column *column, size_t *columns)
{
    bool pole_a = false, pole_b = false, pole_done = false;
    size_t least = *n / 2 > 8 ? *n / 2 : 8;

    for (size_t i = 0; i < evidence->count; i++) {
        if (evidence->item[i].kind == EVIDENCE_POLARITY) {
            pole_a = pole_a || evidence->item[i].place == EVIDENCE_LIMB_A;
            pole_b = pole_b || evidence->item[i].place == EVIDENCE_LIMB_B;
        }
    }
    evidence_clear(items);
    *columns = 0;
    for (size_t e = 0; e < option->expects; e++) {
        struct evidence_record r = option->expect[e];
        struct column *c = &column[*columns];
        enum evidence_kind kind;
        struct status st;
        size_t at = items->count;

        if (!evidence_kind_of(r.quantity, &kind))
            return false;
        if (kind == EVIDENCE_POLARITY) {
            pole_a = pole_a || strcmp(r.place, "a") == 0;
            pole_b = pole_b || strcmp(r.place, "b") == 0;
        }
        if (kind != EVIDENCE_LIFT) /* a trial's load is known, every other value is to be found */
            r.value = kind == EVIDENCE_DRIFT ? 0 : 1;
        if (kind == EVIDENCE_DIAMETER || kind == EVIDENCE_WIRE_DIAMETER)
            r.value = 1e-3;
        r.overload = r.below = false;
        if (evidence_add(items, &r, &st) != STATUS_OK)
            return false;
        c->item = &items->item[at];
        c->binary = kind == EVIDENCE_LIFT;
        read_column(v, pick, n, column, *columns);
        if (*n < least)
            return false;
        if (kind == EVIDENCE_POLARITY) {
            /* Only both poles together say something, and they say it once. */
            if (pole_a && pole_b && !pole_done) {
                pole_done = true;
                (*columns)++;
            }
            continue;
        }
        if (kind != EVIDENCE_LIFT) {
            /* The noise of a figure of the size that is expected. */
            double typical = reading_unscale(kind, middle_of(c->reading, *n));

            items->count = at;
            if (isfinite(typical)) {
                r.value = typical;
                if (evidence_add(items, &r, &st) != STATUS_OK)
                    return false;
            } else {
                items->count = at + 1;
            }
            read_column(v, pick, n, column, *columns);
            if (*n < least)
                return false;
            for (size_t d = 0; d < *n; d++) {
                double gain = c->item->instrument >= 0
                                  ? items->instrument[c->item->instrument].gain_u * fabs(typical)
                                  : 0;

                if (isfinite(gain) && !reading_by_log(kind))
                    c->noise[d] = hypot(c->noise[d], gain);
            }
        }
        (*columns)++;
    }
    return *columns > 0;
}

/* The coils of one finding stand for all that it could be, so each vouches for readings round its
 * own: as wide as a kernel estimate of their density has it (Silverman, Density Estimation (1986)
 * 3.31; from memory). Without this, readings that spread much more than they are noisy would seem
 * to tell the finding. */
static void widen(const struct verdict *v, const size_t *pick, size_t n, struct column *c)
{
    for (size_t f = 0; f < VERDICT_FINDINGS_MAX; f++) {
        double sorted[DRAWS], sum = 0, square = 0, sd, width;
        size_t m = 0;

        for (size_t d = 0; d < n; d++)
            if (v->draw[pick[d]].variant.finding == f && isfinite(c->reading[d])) {
                sorted[m++] = c->reading[d];
                sum += c->reading[d];
            }
        if (m < 4)
            continue;
        for (size_t i = 0; i < m; i++)
            square += pow(sorted[i] - sum / (double)m, 2);
        sd = sqrt(square / (double)(m - 1));
        gsl_sort(sorted, 1, m);
        width = 0.9 * fmin(sd, (sorted[3 * m / 4] - sorted[m / 4]) / 1.34) * pow((double)m, -0.2);
        for (size_t d = 0; d < n; d++)
            if (v->draw[pick[d]].variant.finding == f)
                c->noise[d] = hypot(c->noise[d], width);
    }
}

/* Log likelihood that coil d gives the outcome y (a reading, INFINITY, or held = 1 for a trial). */
static double likelihood(const struct column *c, size_t d, double y)
{
    double x;

    if (c->binary) {
        double held = gsl_cdf_ugaussian_P((c->reading[d] - log(c->item->value)) / c->noise[d]);

        return log(fmax(1e-3, y > 0.5 ? held : 1 - held));
    }
    if (!isfinite(y) || !isfinite(c->reading[d]))
        return isfinite(y) == isfinite(c->reading[d]) ? 0 : -30;
    x = (y - c->reading[d]) / c->noise[d];
    /* One reading in a hundred is a mistake: nothing is ruled out altogether. */
    return fmax(-0.5 * x * x, log(0.01)) - log(c->noise[d]);
}

static double outcome(const struct column *c, size_t d, size_t e)
{
    double u = scatter_unit(d + 1, e + 1);

    if (c->binary)
        return u < gsl_cdf_ugaussian_P((c->reading[d] - log(c->item->value)) / c->noise[d]);
    if (!isfinite(c->reading[d]))
        return INFINITY;
    return c->reading[d] + c->noise[d] * gsl_cdf_ugaussian_Pinv(u);
}

static size_t sort_of(const struct verdict_draw *d)
{
    return 2 * d->variant.finding + (d->good ? 1 : 0);
}

/* Uncertainty left in the shares of the sorts: of the findings alone, and with the limits and what
 * each finding costs. */
static double still_open(const double share[SORTS], double *worth)
{
    const struct finding *table = finding_table(NULL);
    double bits = 0;

    *worth = 0;
    for (size_t i = 0; i < SORTS; i += 2) {
        double both = plogp(share[i]) + plogp(share[i + 1]);

        if (share[i] + share[i + 1] <= 0)
            continue;
        bits += plogp(share[i] + share[i + 1]);
        *worth += (table[i / 2].faults & FINDING_CANCEL ? COST_CANCEL : 1) * both;
    }
    return bits;
}

static bool decided(double pass, double sure)
{
    return pass >= sure || 1 - pass >= sure;
}

static void weigh_option(const struct verdict *v, const size_t *pick, size_t n,
                         const struct column *column, size_t columns, struct advise_gain *gain)
{
    double left = 0, left_worth = 0, before[SORTS] = {0}, entropy, open, worth;
    size_t settled = 0;

    for (size_t d = 0; d < n; d++)
        before[sort_of(&v->draw[pick[d]])] += 1 / (double)n;
    entropy = still_open(before, &open);
    for (size_t d = 0; d < n; d++) {
        double y[EXPECT_MAX], share[SORTS] = {0}, log_l[DRAWS], top = -INFINITY;
        double sum = 0, pass = 0;

        for (size_t e = 0; e < columns; e++)
            y[e] = outcome(&column[e], d, e);
        for (size_t k = 0; k < n; k++) {
            log_l[k] = 0;
            for (size_t e = 0; e < columns; e++)
                log_l[k] += likelihood(&column[e], k, y[e]);
            /* A coil must not vouch for its own reading. */
            if (k == d)
                log_l[k] = -INFINITY;
            top = fmax(top, log_l[k]);
        }
        for (size_t k = 0; k < n; k++) {
            double w = exp(log_l[k] - top);

            sum += w;
            share[sort_of(&v->draw[pick[k]])] += w;
            if (v->draw[pick[k]].good)
                pass += w;
        }
        for (size_t i = 0; i < SORTS; i++)
            share[i] /= sum;
        left += still_open(share, &worth) / (double)n;
        left_worth += worth / (double)n;
        settled += decided(pass / sum, v->limits.sure);
    }
    gain->bits = fmax(0, entropy - left);
    gain->worth = fmax(0, open - left_worth);
    gain->change =
        (double)settled / (double)n - (decided(v->pass_probability, v->limits.sure) ? 1 : 0);
}

static int by_rate(const void *a, const void *b)
{
    const struct advise_gain *x = a, *y = b;

    if (x->worth_a_minute != y->worth_a_minute)
        return x->worth_a_minute < y->worth_a_minute ? 1 : -1;
    return (x->option > y->option) - (x->option < y->option);
}

/* What is told a minute by two measurements is not known well enough to tell them apart when it is
 * nearly the same: of those near the best, the first of the list, which is in the usual order. */
static void prefer_usual(struct advise_result *result)
{
    struct advise_gain *gain = result->gain, first;
    size_t at = 0;

    for (size_t i = 1; i < result->gains && gain[i].worth_a_minute >= NEAR * gain[0].worth_a_minute;
         i++)
        if (gain[i].option < gain[at].option)
            at = i;
    first = gain[at];
    memmove(&gain[1], &gain[0], at * sizeof *gain);
    gain[0] = first;
}

/* Where a coil would pass on its priors alone, what is still open is that one doubt: sound coils
 * and coils with it, as if nothing were known beforehand. 'out' owns its draws. */
static enum status_code doubt_only(const struct verdict *v, struct verdict *out, struct status *st)
{
    size_t good = 0;

    *out = *v;
    out->draws = 0;
    out->draw = calloc(2 * v->rivals, sizeof *out->draw);
    if (!out->draw)
        return status_fail(st, STATUS_MEMORY, "no memory for advice");
    for (size_t i = 0; i < v->draws && good < v->rivals; i++)
        if (v->draw[i].good) {
            good++;
            out->draw[out->draws] = v->draw[i];
            out->draw[out->draws++].variant.finding = 0;
        }
    for (size_t i = 0; i < good; i++) {
        out->draw[out->draws] = v->rival[i];
        out->draw[out->draws++].good = false;
    }
    out->pass_probability = 0.5;
    out->fail_probability = 0.5;
    return status_ok(st);
}

/* The measurement is at fault, not the coil: what is to be done is its remedy. */
static bool bench_leads(const struct verdict *v)
{
    return v->slips < 2 && v->findings > 0 && v->finding[0].finding->class == FINDING_BENCH &&
           v->finding[0].probability > 0.5 && v->finding[0].remedy[0];
}

static enum status_code rank_options(const struct verdict *verdict,
                                     const struct evidence_set *evidence,
                                     const struct advise_option *option, size_t options,
                                     struct advise_result *result, struct status *st)
{
    struct column *column;
    struct evidence_set *items;
    size_t pick[DRAWS], n = 0;
    double share[SORTS] = {0}, part;
    bool known;

    memset(result, 0, sizeof *result);
    if (options > ADVISE_MAX)
        return status_fail(st, STATUS_INPUT, "%zu measurements to choose from; at most %d", options,
                           ADVISE_MAX);
    for (size_t i = 0; i < options; i++)
        if (!(option[i].minutes > 0) || option[i].expects > EXPECT_MAX)
            return status_fail(st, STATUS_INPUT,
                               "measurement '%s': %g minutes cannot be; expected above 0",
                               option[i].name, option[i].minutes);
    if (verdict->draws < 8 || !verdict->suppose) {
        snprintf(result->line, sizeof result->line, "No measurement can be advised yet.");
        return status_ok(st);
    }
    column = calloc(EXPECT_MAX, sizeof *column);
    items = malloc(sizeof *items);
    if (!column || !items) {
        free(column);
        free(items);
        return status_fail(st, STATUS_MEMORY, "no memory for advice");
    }
    n = verdict->draws < DRAWS ? verdict->draws : DRAWS;
    for (size_t d = 0; d < n; d++) {
        pick[d] = d * verdict->draws / n;
        share[sort_of(&verdict->draw[pick[d]])] += 1 / (double)n;
    }
    result->entropy = still_open(share, &result->open);
    for (size_t i = 0; i < options; i++) {
        struct advise_gain *g = &result->gain[result->gains];
        size_t columns, alive[DRAWS], left = n;

        memcpy(alive, pick, n * sizeof *alive);
        if (!predict(verdict, evidence, &option[i], alive, &left, items, column, &columns))
            continue;
        for (size_t e = 0; e < columns; e++)
            if (!column[e].binary)
                widen(verdict, alive, left, &column[e]);
        memset(g, 0, sizeof *g);
        g->option = i;
        weigh_option(verdict, alive, left, column, columns, g);
        g->worth_a_minute = g->worth / option[i].minutes;
        result->gains++;
    }
    free(column);
    free(items);
    qsort(result->gain, result->gains, sizeof *result->gain, by_rate);
    prefer_usual(result);
    /* A coil that passes needs no more; one that fails, the finding that it fails by. */
    known = verdict->findings > 0 && (verdict->finding[0].probability >= KNOWN ||
                                      verdict->finding[0].finding->class == FINDING_GOOD);
    if (result->gains == 0 && options > 0 && verdict->result != VERDICT_PASS) {
        snprintf(
            result->line, sizeof result->line,
            "What the measurements left would tell of this coil cannot be worked out: take the "
            "quickest of them.");
        return status_ok(st);
    }
    result->enough = true;
    for (size_t i = 0; i < result->gains && verdict->result != VERDICT_PASS; i++) {
        const struct advise_gain *g = &result->gain[i];

        if (verdict->result == VERDICT_UNDECIDED)
            result->enough = result->enough && g->change < ENOUGH && g->worth < ENOUGH_BIT;
        else
            result->enough = result->enough && (known || g->bits < ENOUGH_FAIL);
    }
    if (result->enough && verdict->result == VERDICT_UNDECIDED && bench_leads(verdict))
        snprintf(result->line, sizeof result->line, "Next: %s.", verdict->finding[0].remedy);
    else if (result->enough)
        snprintf(result->line, sizeof result->line,
                 verdict->result == VERDICT_PASS && verdict->direction_thin
                     ? "The verdict stands once both poles were read a second time, or it was seen "
                       "to lift."
                 : verdict->result != VERDICT_UNDECIDED
                     ? "The verdict stands; nothing more needs to be measured."
                 : verdict->slips > 1
                     ? "Take the readings that contradict each other again, before anything else."
                     : "Nothing on this bench is likely to change the verdict.");
    else {
        const struct advise_gain *best = &result->gain[0];

        part = fmin(1, best->worth / fmax(result->open, 1e-9));
        if (part < 0.01)
            snprintf(result->line, sizeof result->line,
                     "Next: %s (about %.0f min), though no measurement promises much.",
                     option[best->option].name, option[best->option].minutes);
        else
            snprintf(result->line, sizeof result->line,
                     "Next: %s (about %.0f min; expected to settle %.0f %% of what is still open).",
                     option[best->option].name, option[best->option].minutes, 100 * part);
    }
    return status_ok(st);
}

enum status_code advise_next(const struct verdict *verdict, const struct evidence_set *evidence,
                             const struct advise_option *option, size_t options,
                             struct advise_result *result, struct status *st)
{
    struct verdict *doubt;
    enum status_code code;

    if (!verdict->doubt || verdict->rivals == 0)
        return rank_options(verdict, evidence, option, options, result, st);
    memset(result, 0, sizeof *result);
    doubt = malloc(sizeof *doubt);
    if (!doubt)
        return status_fail(st, STATUS_MEMORY, "no memory for advice");
    code = doubt_only(verdict, doubt, st);
    if (code == STATUS_OK)
        code = rank_options(doubt, evidence, option, options, result, st);
    free(doubt->draw);
    free(doubt);
    return code;
}
