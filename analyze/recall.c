#include "analyze/recall.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/suppose.h"
#include "analyze/learning.h"
#include "db/store_result.h"

struct recalling {
    struct design design; /* completed: keys rest on what the trade takes, too */
    const struct evidence_set *set;
    struct recall *out;
};

static bool within(const struct store_learnt *row, double low, double high, double most_u)
{
    return row->value >= low && row->value <= high && row->u > 0 && row->u <= most_u;
}

static void keep(struct recall *out, const struct store_learnt *row)
{
    size_t used = strlen(out->text);

    snprintf(out->text + used, sizeof out->text - used, "%.95s %.17g %.17g\n", row->key, row->value,
             row->u);
    ++out->count;
}

static bool only_ohms(const struct evidence_set *set, int instrument)
{
    for (size_t i = 0; i < set->count; ++i)
        if (set->item[i].instrument == instrument && set->item[i].kind != EVIDENCE_RESISTANCE)
            return false;
    return true;
}

static int take(const struct store_learnt *row, void *user)
{
    struct recalling *r = user;
    char key[LEARNING_KEY_SIZE];

    for (int q = 0; q < LEARN_METER; ++q) {
        bool gap = q == LEARN_CONTACT_GAP;

        learning_key((enum learn_quantity)q, &r->design, NULL, key);
        if (strcmp(row->key, key) != 0 ||
            !within(row, gap ? log(1e-7) : -0.2, gap ? log(1e-3) : 0.2, gap ? 2 : 0.1))
            continue;
        r->out->value[q] = row->value;
        r->out->u[q] = row->u;
        keep(r->out, row);
    }
    for (size_t i = 0; i < r->set->instruments; ++i) {
        const struct evidence_instrument *instrument = &r->set->instrument[i];

        learning_key(LEARN_METER, &r->design, instrument->name, key);
        if (strcmp(row->key, key) != 0 || !within(row, -0.2, 0.2, 0.1) ||
            row->u >= instrument->gain_u || !only_ohms(r->set, (int)i))
            continue;
        r->out->bias[i] = row->value;
        r->out->gain_u[i] = row->u;
        keep(r->out, row);
    }
    return 0;
}

enum status_code recall_find(struct store *store, const struct design *design,
                             const struct evidence_set *set, struct recall *out, struct status *st)
{
    struct recalling r = {*design, set, out};

    design_complete(&r.design);
    memset(out, 0, sizeof *out);
    for (int q = 0; q < LEARN_QUANTITIES; ++q)
        out->value[q] = out->u[q] = NAN;
    for (size_t i = 0; i < EVIDENCE_INSTRUMENT_MAX; ++i)
        out->bias[i] = out->gain_u[i] = NAN;
    return store_result_learnts(store, NULL, false, take, &r, st);
}

void recall_use(const struct recall *recall, struct evidence_set *set,
                struct suppose_learnt *learnt)
{
    *learnt = (struct suppose_learnt){.mean_turn = recall->value[LEARN_MEAN_TURN],
                                      .mean_turn_u = recall->u[LEARN_MEAN_TURN],
                                      .wire_lot = recall->value[LEARN_WIRE_LOT],
                                      .wire_lot_u = recall->u[LEARN_WIRE_LOT],
                                      .contact_gap = recall->value[LEARN_CONTACT_GAP],
                                      .contact_gap_u = recall->u[LEARN_CONTACT_GAP]};
    for (size_t i = 0; i < set->instruments; ++i)
        if (!isnan(recall->bias[i])) {
            set->instrument[i].bias = recall->bias[i];
            set->instrument[i].gain_u = recall->gain_u[i];
        }
}
