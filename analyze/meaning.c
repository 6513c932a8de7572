#include "analyze/meaning.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/compare.h"
#include "db/quantity.h"
#include "db/units.h"

/* Below this many standard uncertainties of their difference two figures fit each other, above the
 * second they do not: JCGM 100 6.3.3 takes 2 for about 95 %; the second is our choice. */
#define FITS     2.0
#define DOES_NOT 3.0

static const struct quantity *quantity_of(enum evidence_kind kind)
{
    static const enum quantity_id ids[EVIDENCE_KINDS] = {
        [EVIDENCE_RESISTANCE] = QUANTITY_RESISTANCE,
        [EVIDENCE_INSULATION] = QUANTITY_RESISTANCE,
        [EVIDENCE_CURRENT] = QUANTITY_CURRENT,
        [EVIDENCE_SAG] = QUANTITY_VOLTAGE,
        [EVIDENCE_INDUCTANCE] = QUANTITY_INDUCTANCE,
        [EVIDENCE_SECOND_TIME] = QUANTITY_TIME,
        [EVIDENCE_POLARITY] = QUANTITY_POLARITY,
        [EVIDENCE_WIRE_MASS] = QUANTITY_MASS,
        [EVIDENCE_DIAMETER] = QUANTITY_LENGTH,
        [EVIDENCE_WIRE_DIAMETER] = QUANTITY_LENGTH,
        [EVIDENCE_LIFT] = QUANTITY_FORCE,
        [EVIDENCE_PULL] = QUANTITY_FORCE,
        [EVIDENCE_RESIDUAL_PULL] = QUANTITY_FORCE,
        [EVIDENCE_DRIFT] = QUANTITY_RATIO,
        [EVIDENCE_VOLT_DROP] = QUANTITY_VOLTAGE};

    return quantity_get(ids[kind]);
}

static void say_polarity(const struct evidence_item *item, const struct compare_prediction *p,
                         char text[MEANING_SIZE])
{
    if (item->value == 0.0)
        snprintf(text, MEANING_SIZE,
                 "the needle does not stir: no current in the coil, the compass too far off, or "
                 "limbs that cancel.");
    else if (!p->exists)
        snprintf(text, MEANING_SIZE, "%s.", evidence_pole(item->value));
    else if (item->value * p->amount.value > 0.0)
        snprintf(text, MEANING_SIZE, "%s: as designed.", evidence_pole(item->value));
    else
        snprintf(text, MEANING_SIZE,
                 "%s: as designed would be %s. Look whether the current really goes from start to "
                 "finish and the marks are right; if so this limb is wound or joined the other "
                 "way round.",
                 evidence_pole(item->value), evidence_pole(p->amount.value));
}

static void say_insulation(const struct evidence_item *item, double least, char text[MEANING_SIZE])
{
    const struct quantity *q = quantity_get(QUANTITY_RESISTANCE);
    char shown[UNITS_FORMAT_SIZE];
    char asked[UNITS_FORMAT_SIZE];

    units_format(shown, sizeof shown, item->value, NAN, q);
    units_format(asked, sizeof asked, least, NAN, q);
    if (item->bound == EVIDENCE_ABOVE && item->value >= least)
        snprintf(text, MEANING_SIZE, "more than %s: sound, %s is asked for.", shown, asked);
    else if (item->bound == EVIDENCE_ABOVE)
        snprintf(text, MEANING_SIZE,
                 "more than %s, as far as this range goes; %s is asked for: use a wider range to "
                 "be sure.",
                 shown, asked);
    else
        snprintf(text, MEANING_SIZE, "%s: %s %s that is asked for.", shown,
                 item->value >= least ? "above the" : "below the", asked);
}

static void say_bound(const struct evidence_item *item, const struct compare_prediction *p,
                      char text[MEANING_SIZE])
{
    const struct quantity *q = quantity_of(item->kind);
    char shown[UNITS_FORMAT_SIZE];
    char expected[UNITS_FORMAT_SIZE];
    const char *side = item->bound == EVIDENCE_ABOVE ? "more" : "less";
    bool open = item->kind == EVIDENCE_RESISTANCE && item->bound == EVIDENCE_ABOVE;

    units_format(shown, sizeof shown, item->value, NAN, q);
    if (!p->exists)
        snprintf(text, MEANING_SIZE, "%s than %s.", side, shown);
    else
        snprintf(text, MEANING_SIZE, "%s than %s: as designed would be %s.%s", side, shown,
                 units_format(expected, sizeof expected, p->amount.value, p->amount.u, q),
                 open && item->value > 2.0 * p->amount.value
                     ? " The circuit is open: a broken wire, or a clip that does not touch."
                     : "");
}

static void say_figure(const struct gathered *gathered, const struct evidence_item *item,
                       const struct compare_prediction *p, char text[MEANING_SIZE])
{
    const struct quantity *q = quantity_of(item->kind);
    double u = compare_measured_u(&gathered->evidence, item);
    char shown[UNITS_FORMAT_SIZE];
    char expected[UNITS_FORMAT_SIZE];
    double off;
    double percent;

    units_format(shown, sizeof shown, item->value, u, q);
    if (!p->exists || !(p->amount.value > 0.0)) {
        snprintf(text, MEANING_SIZE, "%s.", shown);
        return;
    }
    units_format(expected, sizeof expected, p->amount.value, p->amount.u, q);
    off = (item->value - p->amount.value) / hypot(u, p->amount.u);
    percent = 100.0 * fabs(item->value / p->amount.value - 1.0);
    if (!(fabs(off) > FITS))
        snprintf(text, MEANING_SIZE, "%s: as designed would be %s. It fits.", shown, expected);
    else
        snprintf(text, MEANING_SIZE, "%s: as designed would be %s. It is %.*f %% %s%s.", shown,
                 expected, percent < 10.0 ? 1 : 0, percent, off > 0.0 ? "more" : "less",
                 fabs(off) > DOES_NOT ? ", beyond the doubt of both"
                                      : ", at the edge of what both can be off");
}

/* Limbs wound by one hand from one spool agree in length and section to about this (common
 * practice, no source). */
#define LIMBS_ALIKE 0.01

/* A volt drop means most beside that of the other limb. */
static void say_other_limb(const struct design *design, const struct gathered *gathered,
                           const struct evidence_item *item, char text[MEANING_SIZE])
{
    const struct evidence_set *set = &gathered->evidence;
    const struct evidence_item *other = NULL;
    int limb = item->place == EVIDENCE_LIMB_B;
    size_t used = strlen(text);
    double ratio, turns, u;

    for (size_t i = 0; i < set->count; ++i)
        if (set->item[i].kind == EVIDENCE_VOLT_DROP && set->item[i].place != item->place &&
            set->item[i].bound == EVIDENCE_EQUAL && set->item[i].value > 0.0)
            other = &set->item[i];
    if (!other || !(item->value > 0.0))
        return;
    ratio = item->value / other->value;
    turns = design->winding.turns[limb].value / design->winding.turns[1 - limb].value;
    u = turns * sqrt(LIMBS_ALIKE * LIMBS_ALIKE + pow(item->u / item->value, 2) +
                     pow(other->u / other->value, 2));
    snprintf(
        text + used, MEANING_SIZE - used,
        " It is %.3f of that over limb %c; by their turns it would be %.3f ± %.3f.%s", ratio,
        limb ? 'A' : 'B', turns, u,
        ratio > 5.0 * turns || ratio < turns / 5.0
            ? " Is the unit of both right, and does the current flow through both?"
        : fabs(ratio - turns) <= FITS * u ? " The limbs agree."
        : fabs(ratio - turns) <= DOES_NOT * u
            ? " That is at the edge of what both can be off: take them again, with more digits."
            : " One limb has fewer or shorted turns, or a bad joint.");
}

enum status_code meaning_of(const struct design *design, const struct gathered *gathered,
                            int64_t entry, double insulation, char text[MEANING_SIZE],
                            struct status *st)
{
    const struct evidence_item *item = NULL;
    struct compare_prediction prediction;
    enum status_code code;
    char left_out[40];

    text[0] = '\0';
    for (size_t i = 0; i < gathered->evidence.count; ++i)
        if (!gathered->trial[i] && gathered->source[i] == entry)
            item = &gathered->evidence.item[i];
    if (!item) {
        snprintf(left_out, sizeof left_out, "observation %lld ", (long long)entry);
        for (size_t i = 0; i < gathered->notes; ++i)
            if (strncmp(gathered->note[i], left_out, strlen(left_out)) == 0) {
                snprintf(text, MEANING_SIZE, "It is kept, but %s", gathered->note[i]);
                return status_ok(st);
            }
        return status_fail(st, STATUS_NOT_FOUND, "entry %lld is not among the evidence",
                           (long long)entry);
    }
    if (item->kind == EVIDENCE_INSULATION) {
        say_insulation(item, insulation, text);
        return status_ok(st);
    }
    code = compare_item(design, item, &prediction, st);
    if (code != STATUS_OK)
        return code;
    if (item->kind == EVIDENCE_POLARITY)
        say_polarity(item, &prediction, text);
    else if (item->bound != EVIDENCE_EQUAL)
        say_bound(item, &prediction, text);
    else
        say_figure(gathered, item, &prediction, text);
    if (item->readings > 1) {
        size_t used = strlen(text);

        snprintf(text + used, MEANING_SIZE - used, " It is the mean of %d readings that agree.",
                 item->readings);
    }
    if (item->kind == EVIDENCE_VOLT_DROP && item->bound == EVIDENCE_EQUAL &&
        design_limbs(design) > 1 && design->winding.connection == DESIGN_SERIES)
        say_other_limb(design, gathered, item, text);
    return status_ok(st);
}
