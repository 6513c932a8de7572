#include "analyze/infer/lattice.h"

#include <math.h>

#define DEEPEST 1.5
#define ROUNDS  4
#define ALIKE   12.0 /* log weights that far below the best do not count */

/* Adds a point for each curve. prior: density of the start; node: share of the self-discharge. */
static void add_curves(const struct belief *b, struct lattice *l, struct given *g, double log_c,
                       double x0, double prior, double node)
{
    for (g->curve = 0; g->curve < FADE_CURVES; g->curve++) {
        bool like = g->curve == FADE_LIKE;
        double u = like ? b->like_u : b->log_c_u;
        double off = (log_c - (like ? b->like_c : b->log_c)) / u;

        if (!(b->part[g->curve] > 0.0))
            continue;
        if (like)
            given_place(b, g);
        given_fit(b, g);
        l->point[l->n++] =
            (struct lattice_point){.log_c = log_c,
                                   .x0 = x0,
                                   .rate = g->rate,
                                   .curve = g->curve,
                                   .log_w = g->log_like - 0.5 * off * off - log(u) + log(prior) +
                                            log(b->part[g->curve]) + log(node)};
    }
}

static void lay(const struct belief *b, struct lattice *l, struct given *g)
{
    static const double node[3] = {0.0, -1.7320508075688772, 1.7320508075688772},
                        part[3] = {2.0 / 3, 1.0 / 6, 1.0 / 6};
    size_t last = b->daily.n - 1;
    /* Self-discharge is only worth three values where it moves the depth. */
    int nodes = b->rate_u * (b->daily.bin[last].time_s + 0.5 * DAILY_YEAR) > 0.03 ? 3 : 1;

    l->n = 0;
    for (int i = 0; i < LATTICE_C; i++)
        for (int j = 0; j < LATTICE_X; j++)
            for (int k = 0; k < nodes; k++) {
                double log_c = l->c_low + (i + 0.5) * (l->c_high - l->c_low) / LATTICE_C;
                double x0 = l->x_low + (j + 0.5) * (l->x_high - l->x_low) / LATTICE_X;
                double density = belief_start(b, x0);

                if (!(density > 0.0))
                    continue;
                g->c = exp(log_c);
                g->rate = b->rate * exp(node[k] * b->rate_u / b->rate);
                g->x0 = x0 + b->used / g->c;
                g->curve = 0;
                given_place(b, g);
                if (!(g->x[last] > DEEPEST))
                    add_curves(b, l, g, log_c, x0, density, nodes == 1 ? 1.0 : part[k]);
            }
}

static double best_of(const struct lattice *l)
{
    double best = -INFINITY;

    for (size_t i = 0; i < l->n; i++)
        best = fmax(best, l->point[i].log_w);
    return best;
}

/* Narrows to where the weight is; false when it is no narrower. */
static bool narrow(struct lattice *l)
{
    double best = best_of(l), dc = (l->c_high - l->c_low) / LATTICE_C,
           dx = (l->x_high - l->x_low) / LATTICE_X;
    double c_low = INFINITY, c_high = -INFINITY, x_low = INFINITY, x_high = -INFINITY;
    bool narrower;

    for (size_t i = 0; i < l->n; i++)
        if (l->point[i].log_w > best - ALIKE) {
            c_low = fmin(c_low, l->point[i].log_c - dc);
            c_high = fmax(c_high, l->point[i].log_c + dc);
            x_low = fmin(x_low, l->point[i].x0 - dx);
            x_high = fmax(x_high, l->point[i].x0 + dx);
        }
    c_low = fmax(c_low, l->c_low);
    c_high = fmin(c_high, l->c_high);
    x_low = fmax(x_low, l->x_low);
    x_high = fmin(x_high, l->x_high);
    narrower =
        (c_high - c_low) * (x_high - x_low) < 0.7 * (l->c_high - l->c_low) * (l->x_high - l->x_low);
    l->c_low = c_low;
    l->c_high = c_high;
    l->x_low = x_low;
    l->x_high = x_high;
    return narrower;
}

enum status_code lattice_fill(const struct belief *b, struct lattice *l, struct given *work,
                              struct status *st)
{
    l->c_low = b->log_c - 4.0 * b->log_c_u;
    l->c_high = b->log_c + 4.0 * b->log_c_u;
    l->x_low = 0.0;
    l->x_high = 0.95;
    for (int round = 0; round < ROUNDS; round++) {
        lay(b, l, work);
        if (l->n == 0 || (round + 1 < ROUNDS && !narrow(l)))
            break;
    }
    if (l->n == 0)
        return status_fail(st, STATUS_NUMERIC,
                           "more charge was drawn than such a battery can hold; is the kind of "
                           "cell, the pulse length or the date of change right, and is it fed "
                           "by this battery alone?");
    return status_ok(st);
}

void lattice_share(struct lattice *l)
{
    double best = best_of(l), total = 0.0;

    for (size_t i = 0; i < l->n; i++)
        total += exp(l->point[i].log_w - best);
    for (size_t i = 0; i < l->n; i++)
        l->point[i].share = exp(l->point[i].log_w - best) / total;
}

void lattice_take(const struct belief *b, const struct lattice_point *p, struct given *g)
{
    g->c = exp(p->log_c);
    g->x0 = p->x0 + b->used / g->c;
    g->rate = p->rate;
    g->curve = p->curve;
}
