#include "analyze/infer/cases.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/begin.h"

#define MISTAKES_MAX 3   /* in one case */
#define PROMISE      5.0 /* log below the likeliest from which a case is not worth a search */

/* True when the evidence lies further from the mode than one model in a thousand has it. */
static bool misfits(const struct weigh_model *m, const struct mode *c)
{
    double items, square = mode_misfit(m, c, &items);

    return items > 0 && gsl_cdf_chisq_Q(square, items) < 1e-3;
}

size_t cases_first(struct integrand *f, const double *start, bool exact,
                   struct mode list[CASES_MAX])
{
    const struct weigh_model *m = f->model;
    struct mode *c = &list[0];
    bool walked = false;
    size_t count = 0;

    memset(c, 0, sizeof *c);
    if (start)
        memcpy(c->at, start, m->unknowns * sizeof(double));
    else
        walked = begin_search(m, c->at, NULL) > 0;
    if (mode_search(f, c, exact, false))
        count = 1;
    if (!walked || (count && !misfits(m, c)))
        return count;
    c = &list[count];
    memset(c, 0, sizeof *c);
    if (mode_search(f, c, exact, false)) {
        if (count && c->log_evidence > list[0].log_evidence + 0.1)
            list[0] = *c;
        count = 1;
    }
    c = &list[count];
    memset(c, 0, sizeof *c);
    if (begin_search(m, c->at, c->mistaken) > 1 && mode_search(f, c, exact, false))
        count++;
    return count;
}

/* What taking item i as a mistake would give, estimated from the normal approximation of c; start:
 * about where its mode would be. */
static double promise(const struct weigh_model *m, const struct mode *c, size_t i, double *start)
{
    struct mode *without = malloc(sizeof *without);
    double gradient[WEIGH_UNKNOWNS_MAX], step[WEIGH_UNKNOWNS_MAX] = {0};
    double result = -INFINITY;

    if (!without)
        return result;
    *without = *c;
    without->mistaken[i] = true;
    if (mode_normal(m, without, gradient)) {
        double gain = 0;

        precision_solve(&without->precision, m->unknowns, gradient, step);
        for (size_t j = 0; j < m->unknowns; j++) {
            gain += 0.5 * step[j] * gradient[j];
            start[j] = fmax(-MODE_WALL, fmin(MODE_WALL, c->at[j] + step[j]));
        }
        result = integrand_joint(m, without->mistaken, c->at, c->scalar) + gain +
                 0.5 * (double)m->unknowns * log(2 * M_PI);
        for (size_t j = 0; j < m->unknowns; j++)
            result -= log(without->precision.root[j][j]);
    }
    free(without);
    return result;
}

static bool is_known(const struct weigh_model *m, const struct mode *list, size_t count,
                     const struct mode *c)
{
    for (size_t k = 0; k < count; k++)
        if (memcmp(list[k].mistaken, c->mistaken, m->items * sizeof *c->mistaken) == 0)
            return true;
    return false;
}

/* What taking each item as one more mistake of list[from] promises; -inf: nothing. False when that
 * case holds as many as are looked for. */
static bool promises(const struct weigh_model *m, const struct mode *from,
                     double tried[WEIGH_ITEMS_MAX])
{
    size_t already = 0;

    for (size_t i = 0; i < m->items; i++) {
        tried[i] = -INFINITY;
        already += from->mistaken[i];
    }
    if (already >= MISTAKES_MAX)
        return false;
    for (size_t i = 0; i < m->items; i++) {
        double start[WEIGH_UNKNOWNS_MAX];

        if (from->mistaken[i] || integrand_mistake(m, i) <= 0)
            continue;
        tried[i] = promise(m, from, i, start);
    }
    return true;
}

size_t cases_suspect(struct integrand *f, struct mode list[CASES_MAX], size_t count)
{
    const struct weigh_model *m = f->model;

    for (size_t from = 0; from < count && count < CASES_MAX; from++) {
        double tried[WEIGH_ITEMS_MAX];

        if (!promises(m, &list[from], tried))
            continue;
        while (count < CASES_MAX) {
            double best = -INFINITY;
            size_t pick = m->items;
            struct mode *c = &list[count];

            for (size_t i = 0; i < m->items; i++) {
                if (tried[i] > best) {
                    best = tried[i];
                    pick = i;
                }
            }
            /* An item that fits is not worth a case of its own: the mixture has it already. */
            if (pick == m->items || best < list[cases_lead(list, count)].log_evidence - PROMISE)
                break;
            tried[pick] = -INFINITY;
            *c = list[from];
            if (promise(m, &list[from], pick, c->at) == -INFINITY)
                continue;
            c->mistaken[pick] = true;
            if (!is_known(m, list, count, c) && mode_search(f, c, false, true))
                count++;
        }
    }
    return count;
}

void cases_polish(struct integrand *f, struct mode list[CASES_MAX], size_t count)
{
    struct mode *before;

    if (!f->model->quick)
        return;
    before = malloc(sizeof *before);
    if (!before)
        return;
    f->near = true;
    for (size_t k = 0; k < count; k++) {
        *before = list[k];
        if (!mode_search(f, &list[k], true, true))
            list[k] = *before;
    }
    f->near = false;
    free(before);
}

size_t cases_lead(const struct mode *list, size_t count)
{
    size_t lead = 0;

    for (size_t k = 1; k < count; k++)
        if (list[k].log_evidence > list[lead].log_evidence)
            lead = k;
    return lead;
}
