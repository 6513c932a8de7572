#include "analyze/infer/variant.h"

#include <math.h>
#include <string.h>

#define UNIT_SHARE                                                                                 \
    0.15 /* of wrong instruments are right in another unit: common practice, no source */

static void add_variant(struct suppose_variant *list, size_t *n,
                        const struct suppose_variant *pattern, double share)
{
    if (*n < SUPPOSE_VARIANTS_MAX && share > 0) {
        list[*n] = *pattern;
        list[*n].log_share += log(share);
        (*n)++;
    }
}

/* Multiplies the list by the ways turns can be wrong. */
static size_t turns_variants(const struct fault_scope *s, unsigned faults,
                             struct suppose_variant *list, size_t n)
{
    struct suppose_variant before[SUPPOSE_VARIANTS_MAX];
    double is_short = s->prior.turns_short, layers = s->prior.layer_share;
    size_t count = n;
    bool each = (faults & FINDING_TURNS_A) && (faults & FINDING_TURNS_B);
    bool simple = (faults & FINDING_GAUGE) || each;
    int limb = (faults & FINDING_TURNS_B) && !each ? 1 : 0;

    if (!(faults & (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE)))
        return n;
    if (simple || isnan(s->layer_turns[limb]))
        layers = 0;
    memcpy(before, list, n * sizeof *list);
    n = 0;
    for (size_t i = 0; i < count; i++) {
        struct suppose_variant v = before[i];

        for (int a = -1; a <= 1; a += 2) {
            double share = a < 0 ? is_short : 1 - is_short;

            v.sign_a = a;
            v.layers = 0;
            v.sign_b = 0;
            if (each) {
                /* A winder who miscounts short does so again: alike two times in three. */
                v.sign_b = a;
                add_variant(list, &n, &v, share * 0.65);
                v.sign_b = -a;
                add_variant(list, &n, &v, 0.5 * 0.35);
                continue;
            }
            add_variant(list, &n, &v, share * (1 - layers));
            v.layers = 1;
            add_variant(list, &n, &v, share * layers * 0.8);
            v.layers = 2;
            add_variant(list, &n, &v, a < 0 ? share * layers * 0.2 : 0);
        }
    }
    return n;
}

/* Resistances have been taken, and no lead is in any of them. */
static bool all_four_wire(const struct fault_scope *s)
{
    bool any = false;

    for (size_t i = 0; i < s->evidence->count; i++) {
        if (s->evidence->item[i].kind != EVIDENCE_RESISTANCE)
            continue;
        if (s->evidence->item[i].wires != 4)
            return false;
        any = true;
    }
    return any;
}

size_t variant_list(const struct fault_scope *s, size_t finding,
                    struct suppose_variant variant[SUPPOSE_VARIANTS_MAX])
{
    size_t rows, n = 0;
    const struct finding *f = &finding_table(&rows)[finding];
    struct suppose_variant v;

    if (finding >= rows || (f->two_limbs && s->bench->limbs < 2))
        return 0;
    if ((f->faults & FINDING_LEADS) && all_four_wire(s))
        return 0;
    memset(&v, 0, sizeof v);
    v.finding = finding;
    v.wire = v.instrument = -1;
    if (f->faults & FINDING_GAUGE) {
        for (size_t i = 0; i < s->spool.count; i++) {
            v.wire = (int)i;
            add_variant(variant, &n, &v, s->spool.wire[i].share);
        }
    } else if (f->faults & FINDING_METER) {
        for (size_t i = 0; i < s->evidence->instruments; i++) {
            double share = 1 / (double)s->evidence->instruments;

            v.instrument = (int)i;
            for (v.sign_a = -1; v.sign_a <= 1; v.sign_a += 2)
                add_variant(variant, &n, &v, 0.5 * (1 - UNIT_SHARE) * share);
            /* Kilohms noted as ohms, or the other way. */
            v.sign_a = 1;
            for (v.decades = -3; v.decades <= 3; v.decades += 6)
                add_variant(variant, &n, &v, 0.5 * UNIT_SHARE * share);
            v.decades = 0;
        }
    } else if (f->faults & FINDING_WARM) {
        v.heat = 1;
        add_variant(variant, &n, &v, 0.85);
        v.heat = -1;
        add_variant(variant, &n, &v, 0.15);
    } else {
        add_variant(variant, &n, &v, 1);
    }
    if ((f->faults & FINDING_GAUGE) && (f->faults & FINDING_WARM)) {
        for (size_t i = 0; i < n; i++)
            variant[i].heat = 1;
    }
    return turns_variants(s, f->faults, variant, n);
}
