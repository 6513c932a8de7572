#include "analyze/infer/weigh.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_matrix.h>
#include <gsl/gsl_qrng.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/begin.h"

#define STEPS_MAX     12
#define CASES_MAX     6 /* sound, and up to five ways of taking items as mistakes */
#define MEND_MAX      9 /* and where the first draws found the proposal thin */
#define TRUST_DRAWS   20
#define LAPLACE_U     0.3
#define MEND_ROUNDS   3
#define MEND_BELOW    0.25 /* share of effective draws below which it is mended */
#define HELD_WIDTH    0.01 /* how firmly an unknown is held while the others settle */
#define CURVE_NODES   15
#define CURVE_CELLS   6    /* between two nodes */
#define CURVE_SHARE   0.7  /* of the proposal */
#define MISTAKES_MAX  3    /* in one case */
#define SLOPE_STEP    0.02 /* of z, for the Jacobian: well above the tolerance of a magnet solve */
#define PROPOSAL_NEAR 1.1  /* spread of the proposal against the normal approximation */
#define PROPOSAL_WIDE 2.2  /* and of its defensive part */
#define WIDE_SHARE    0.15
#define EXACT_DRAWS   24   /* draws on which costly items are worked out exactly */
#define STRAIGHT      0.05 /* a change of a costly item over a step too small to look at closely */
#define PARABOLA_END  3.5  /* steps from the mode beyond which a parabola is not followed */

/* One way the items may be sound or mistaken, with the normal approximation of the posterior. */
struct weigh_case {
    bool mistaken[WEIGH_ITEMS_MAX];
    double mode[WEIGH_UNKNOWNS_MAX];
    double scalar[WEIGH_ITEMS_MAX];                      /* at the mode */
    double chol[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX]; /* lower, of the precision matrix */
    double slope[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX];
    double log_evidence;
    double share; /* of the proposal */
    bool holding; /* unknown 'held' is held 'at' a place while the others settle */
    size_t held;
    double at;
};

#define CROSS_MAX 7 /* axes between which the twist is looked at */

/* Costly scalars near the mode: a quadratic along the principal axes of the posterior there, with
 * the mixed terms of those axes that do most. */
struct parabola {
    double centre[WEIGH_UNKNOWNS_MAX];
    double axis[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX]; /* axis[k]: unit vector k */
    double step[WEIGH_UNKNOWNS_MAX];
    double value[WEIGH_ITEMS_MAX];
    double slope[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX]; /* per step */
    double bend[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX];
    size_t crosses, cross[CROSS_MAX];
    double twist[WEIGH_ITEMS_MAX][CROSS_MAX][CROSS_MAX];
};

/* Where the posterior is no ellipsoid but a ridge: the mode of all other unknowns against one. */
struct curve {
    bool use;
    size_t held, nodes;
    double at[CURVE_NODES];
    double mode[CURVE_NODES][WEIGH_UNKNOWNS_MAX];
    double chol[CURVE_NODES][WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX]; /* of the others' precision;
                                                                        'held' has 1 by itself */
    double height[CURVE_NODES];                   /* log density of the held unknown there */
    double mass[(CURVE_NODES - 1) * CURVE_CELLS]; /* of each cell; sums to 1 */
};

struct work {
    const struct weigh_model *model;
    size_t evaluations;
    struct weigh_case list[CASES_MAX + MEND_MAX];
    size_t cases;
    struct parabola parabola;
    struct curve curve;
    bool near; /* take costly items from the parabolas in the search too */
};

struct weigh_options weigh_options_default(void)
{
    struct weigh_options o = {.draws = 64, .replicates = 8};
    return o;
}

double weigh_log_add(double a, double b)
{
    if (a == -INFINITY)
        return b;
    if (b == -INFINITY)
        return a;
    return a > b ? a + log1p(exp(b - a)) : b + log1p(exp(a - b));
}

static bool tidy(const struct weigh_model *m, double *scalar)
{
    for (size_t i = 0; i < m->items; i++) {
        if (isnan(scalar[i]))
            return false;
        if (scalar[i] > WEIGH_FAR)
            scalar[i] = WEIGH_FAR;
        if (scalar[i] < -WEIGH_FAR)
            scalar[i] = -WEIGH_FAR;
    }
    return true;
}

static bool evaluate_near(struct work *w, const double *z, double *scalar);

static bool evaluate(struct work *w, const double *z, double *scalar)
{
    const struct weigh_model *m = w->model;

    if (w->near)
        return evaluate_near(w, z, scalar);
    w->evaluations++;
    return m->scalars(m->context, z, scalar) && tidy(m, scalar);
}

/* The same with the costly items from their parabolas. */
static bool evaluate_near(struct work *w, const double *z, double *scalar)
{
    const struct weigh_model *m = w->model;
    const struct parabola *p = &w->parabola;
    double y[WEIGH_UNKNOWNS_MAX];

    if (!m->quick) {
        w->near = false;
        return evaluate(w, z, scalar);
    }
    if (!m->quick(m->context, z, scalar))
        return false;
    for (size_t k = 0; k < m->unknowns; k++) {
        y[k] = 0;
        for (size_t j = 0; j < m->unknowns; j++)
            y[k] += p->axis[k][j] * (z[j] - p->centre[j]);
        y[k] = fmax(-PARABOLA_END, fmin(PARABOLA_END, y[k] / p->step[k]));
    }
    for (size_t i = 0; i < m->items; i++) {
        if (!m->costly[i])
            continue;
        scalar[i] = p->value[i];
        for (size_t k = 0; k < m->unknowns; k++)
            scalar[i] += y[k] * (p->slope[i][k] + 0.5 * p->bend[i][k] * y[k]);
        for (size_t a = 0; a < p->crosses; a++)
            for (size_t b = 0; b < a; b++)
                scalar[i] += p->twist[i][a][b] * y[p->cross[a]] * y[p->cross[b]];
    }
    return tidy(m, scalar);
}

static double mistake_chance(const struct weigh_model *m, size_t item)
{
    return m->mistake && m->mistaken ? m->mistake(m->context, item) : 0;
}

/* Log density of the evidence and z when exactly the items of 'mistaken' are mistakes. */
static double log_joint(const struct weigh_model *m, const bool *mistaken, const double *z,
                        const double *scalar)
{
    double sum = -0.5 * (double)m->unknowns * log(2 * M_PI);

    for (size_t j = 0; j < m->unknowns; j++)
        sum -= 0.5 * z[j] * z[j];
    for (size_t i = 0; i < m->items; i++) {
        double chance = mistake_chance(m, i);

        if (mistaken[i])
            sum += log(chance) + m->mistaken(m->context, i, scalar);
        else
            sum += log1p(-chance) + m->sound(m->context, i, scalar[i]);
    }
    return sum;
}

/* Log density of the evidence and z over every way the items may be sound or mistaken. share[i],
 * when not NULL, gets the probability that item i is a mistake at this z. */
static double log_mixture(const struct weigh_model *m, const double *z, const double *scalar,
                          double *share)
{
    double sum = -0.5 * (double)m->unknowns * log(2 * M_PI);

    for (size_t j = 0; j < m->unknowns; j++)
        sum -= 0.5 * z[j] * z[j];
    for (size_t i = 0; i < m->items; i++) {
        double chance = mistake_chance(m, i);
        double good = log1p(-chance) + m->sound(m->context, i, scalar[i]);

        if (chance > 0) {
            double bad = log(chance) + m->mistaken(m->context, i, scalar);
            double both = weigh_log_add(good, bad);

            if (share)
                share[i] = exp(bad - both);
            sum += both;
        } else {
            if (share)
                share[i] = 0;
            sum += good;
        }
    }
    return sum;
}

/* Lower Cholesky factor of a, in place of its lower triangle; false if not positive definite. */
static bool factor(double a[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX], size_t n)
{
    for (size_t j = 0; j < n; j++) {
        double d = a[j][j];

        for (size_t k = 0; k < j; k++)
            d -= a[j][k] * a[j][k];
        if (!(d > 0))
            return false;
        d = sqrt(d);
        a[j][j] = d;
        for (size_t i = j + 1; i < n; i++) {
            double s = a[i][j];

            for (size_t k = 0; k < j; k++)
                s -= a[i][k] * a[j][k];
            a[i][j] = s / d;
        }
    }
    return true;
}

/* Solves L L' x = b. */
static void solve(double l[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX], size_t n, const double *b,
                  double *x)
{
    for (size_t i = 0; i < n; i++) {
        double s = b[i];

        for (size_t k = 0; k < i; k++)
            s -= l[i][k] * x[k];
        x[i] = s / l[i][i];
    }
    for (size_t i = n; i-- > 0;) {
        double s = x[i];

        for (size_t k = i + 1; k < n; k++)
            s -= l[k][i] * x[k];
        x[i] = s / l[i][i];
    }
}

/* Slopes at the mode in unknowns 'from' and on, by differences. */
static void find_slopes(struct work *w, struct weigh_case *c, size_t from)
{
    double z[WEIGH_UNKNOWNS_MAX] = {0}, moved[WEIGH_ITEMS_MAX];
    size_t n = w->model->unknowns;

    memcpy(z, c->mode, n * sizeof *z);
    for (size_t j = from; j < n; j++) {
        /* Towards 0, where the physics is sure to have an answer. */
        double step = z[j] > 0 ? -SLOPE_STEP : SLOPE_STEP;

        z[j] += step;
        if (!evaluate(w, z, moved)) {
            step = -step;
            z[j] = c->mode[j] + step;
            /* Walled in on both sides: as if the evidence did not depend on it. */
            if (!evaluate(w, z, moved))
                memcpy(moved, c->scalar, w->model->items * sizeof *moved);
        }
        z[j] = c->mode[j];
        for (size_t i = 0; i < w->model->items; i++)
            c->slope[i][j] = (moved[i] - c->scalar[i]) / step;
    }
}

/* Slopes to begin with: the caller's where there are any. Returns how many unknowns those cover. */
static size_t begin_slopes(const struct work *w, struct weigh_case *c)
{
    const struct weigh_model *m = w->model;
    size_t known = m->slope ? (m->slopes < m->unknowns ? m->slopes : m->unknowns) : 0;

    for (size_t i = 0; i < m->items; i++)
        for (size_t j = 0; j < known; j++)
            c->slope[i][j] = m->slope[i * m->slopes + j];
    return known;
}

/* Broyden's rank-one correction of the slopes after a step from (z, scalar) to the mode. */
static void correct_slopes(const struct work *w, struct weigh_case *c, const double *z,
                           const double *scalar)
{
    const struct weigh_model *m = w->model;
    double square = 0;

    for (size_t j = 0; j < m->unknowns; j++)
        square += pow(c->mode[j] - z[j], 2);
    if (!(square > 0))
        return;
    for (size_t i = 0; i < m->items; i++) {
        double miss = c->scalar[i] - scalar[i];

        if (fabs(c->scalar[i]) >= WEIGH_FAR || fabs(scalar[i]) >= WEIGH_FAR)
            continue;
        for (size_t j = 0; j < m->unknowns; j++)
            miss -= c->slope[i][j] * (c->mode[j] - z[j]);
        for (size_t j = 0; j < m->unknowns; j++)
            c->slope[i][j] += miss * (c->mode[j] - z[j]) / square;
    }
}

/* First and second derivative of an item's log density in its scalar; the second never positive,
 * so that the precision matrix stays positive definite. */
static void derivatives(const struct weigh_model *m, size_t i, double scalar, double *first,
                        double *second)
{
    double h = 0.01;
    double mid = m->sound(m->context, i, scalar);
    double up = m->sound(m->context, i, scalar + h);
    double down = m->sound(m->context, i, scalar - h);

    *first = (up - down) / (2 * h);
    *second = (up - 2 * mid + down) / (h * h);
    if (!isfinite(*first) || !isfinite(*second))
        *first = *second = 0;
    if (*second > 0)
        *second = 0;
}

/* Gradient at the mode and Cholesky factor of the precision there. */
static bool normal_at(struct work *w, struct weigh_case *c, double *gradient)
{
    const struct weigh_model *m = w->model;
    size_t n = m->unknowns;

    for (size_t j = 0; j < n; j++) {
        gradient[j] = -c->mode[j];
        for (size_t k = 0; k <= j; k++)
            c->chol[j][k] = j == k ? 1 : 0;
    }
    if (c->holding) {
        gradient[c->held] -= (c->mode[c->held] - c->at) / (HELD_WIDTH * HELD_WIDTH);
        c->chol[c->held][c->held] += 1 / (HELD_WIDTH * HELD_WIDTH);
    }
    for (size_t i = 0; i < m->items; i++) {
        double first, second;

        if (c->mistaken[i])
            continue;
        derivatives(m, i, c->scalar[i], &first, &second);
        for (size_t j = 0; j < n; j++) {
            gradient[j] += first * c->slope[i][j];
            for (size_t k = 0; k <= j; k++)
                c->chol[j][k] -= second * c->slope[i][j] * c->slope[i][k];
        }
    }
    return factor(c->chol, n);
}

/* What the search climbs: the log density of the case, less the pull that holds an unknown. */
static double height(const struct weigh_model *m, const struct weigh_case *c, const double *z,
                     const double *scalar)
{
    double h = log_joint(m, c->mistaken, z, scalar);

    if (c->holding)
        h -= 0.5 * pow((z[c->held] - c->at) / HELD_WIDTH, 2);
    return h;
}

/* Damped Newton steps from c->mode to the mode of this case. exact: slopes by differences at every
 * step; else those of the caller (or, when 'keep', those in *c), corrected as it goes. False if
 * there is no likelihood. */
static bool settle(struct work *w, struct weigh_case *c, bool exact, bool keep)
{
    const struct weigh_model *m = w->model;
    size_t n = m->unknowns, known = 0;
    double gradient[WEIGH_UNKNOWNS_MAX], step[WEIGH_UNKNOWNS_MAX];
    double trial[WEIGH_UNKNOWNS_MAX] = {0}, scalar[WEIGH_ITEMS_MAX];
    double now;
    bool fresh = false;

    if (!evaluate(w, c->mode, c->scalar))
        return false;
    now = height(m, c, c->mode, c->scalar);
    if (isnan(now))
        return false;
    if (!exact)
        known = keep ? n : begin_slopes(w, c);
    fresh = known == 0;
    find_slopes(w, c, known);
    for (int round = 0; round < STEPS_MAX; round++) {
        double gain = 0, scale = 1, longest = 0;
        bool moved = false, small = false;

        if (!normal_at(w, c, gradient))
            return false;
        solve(c->chol, n, gradient, step);
        for (size_t j = 0; j < n; j++) {
            gain += step[j] * gradient[j];
            longest = fmax(longest, fabs(step[j]));
        }
        if (gain < 0.01)
            break;
        if (longest > 4)
            scale = 4 / longest;
        for (int halving = 0; halving < (fresh ? 8 : 3) && !moved; halving++, scale /= 2) {
            double there;

            for (size_t j = 0; j < n; j++)
                trial[j] = fmax(-8, fmin(8, c->mode[j] + scale * step[j]));
            if (!evaluate(w, trial, scalar))
                continue;
            there = height(m, c, trial, scalar);
            if (there > now) {
                double before[WEIGH_UNKNOWNS_MAX], was[WEIGH_ITEMS_MAX];

                small = there - now < 0.02;
                memcpy(before, c->mode, n * sizeof *before);
                memcpy(was, c->scalar, m->items * sizeof *was);
                memcpy(c->mode, trial, n * sizeof *trial);
                memcpy(c->scalar, scalar, m->items * sizeof *scalar);
                now = there;
                moved = true;
                if (!exact)
                    correct_slopes(w, c, before, was);
            }
        }
        if (!moved && (fresh || gain < 0.5))
            break;
        if (exact || !moved) {
            find_slopes(w, c, 0);
            fresh = true;
        } else {
            size_t from = m->slope && m->slopes < n ? m->slopes : n;

            find_slopes(w, c, from);
            fresh = false;
        }
        if (small)
            break;
    }
    if (!normal_at(w, c, gradient))
        return false;
    c->log_evidence =
        log_joint(m, c->mistaken, c->mode, c->scalar) + 0.5 * (double)n * log(2 * M_PI);
    for (size_t j = 0; j < n; j++)
        c->log_evidence -= log(c->chol[j][j]);
    return isfinite(c->log_evidence);
}

/* What taking item i as a mistake would give, estimated from the normal approximation of c. */
static double promise(const struct work *w, const struct weigh_case *c, size_t i, double *start)
{
    const struct weigh_model *m = w->model;
    struct weigh_case *without = malloc(sizeof *without);
    double gradient[WEIGH_UNKNOWNS_MAX], step[WEIGH_UNKNOWNS_MAX] = {0};
    struct work scratch = {.model = m};
    double result = -INFINITY;

    if (!without)
        return result;
    *without = *c;
    without->mistaken[i] = true;
    if (normal_at(&scratch, without, gradient)) {
        double gain = 0;

        solve(without->chol, m->unknowns, gradient, step);
        for (size_t j = 0; j < m->unknowns; j++) {
            gain += 0.5 * step[j] * gradient[j];
            start[j] = fmax(-8, fmin(8, c->mode[j] + step[j]));
        }
        result = log_joint(m, without->mistaken, c->mode, c->scalar) + gain +
                 0.5 * (double)m->unknowns * log(2 * M_PI);
        for (size_t j = 0; j < m->unknowns; j++)
            result -= log(without->chol[j][j]);
    }
    free(without);
    return result;
}

static bool same_mistakes(const struct weigh_model *m, const struct weigh_case *a,
                          const struct weigh_case *b)
{
    return memcmp(a->mistaken, b->mistaken, m->items * sizeof *a->mistaken) == 0;
}

/* Adds the cases in which items that do not fit are taken as mistakes, most promising first. */
static void suspect(struct work *w)
{
    const struct weigh_model *m = w->model;

    for (size_t from = 0; from < w->cases && w->cases < CASES_MAX; from++) {
        size_t already = 0;
        double tried[WEIGH_ITEMS_MAX];

        for (size_t i = 0; i < m->items; i++) {
            tried[i] = -INFINITY;
            already += w->list[from].mistaken[i];
        }
        if (already >= MISTAKES_MAX)
            continue;
        for (size_t i = 0; i < m->items; i++) {
            double start[WEIGH_UNKNOWNS_MAX];

            /* An item that fits is not worth a case of its own: the mixture has it already. */
            if (w->list[from].mistaken[i] || mistake_chance(m, i) <= 0)
                continue;
            tried[i] = promise(w, &w->list[from], i, start);
        }
        while (w->cases < CASES_MAX) {
            double best = -INFINITY, top = -INFINITY;
            size_t pick = m->items;
            struct weigh_case *c = &w->list[w->cases];
            bool known = false;

            for (size_t k = 0; k < w->cases; k++)
                top = fmax(top, w->list[k].log_evidence);
            for (size_t i = 0; i < m->items; i++) {
                if (tried[i] > best) {
                    best = tried[i];
                    pick = i;
                }
            }
            if (pick == m->items || best < top - 5)
                break;
            tried[pick] = -INFINITY;
            *c = w->list[from];
            if (promise(w, &w->list[from], pick, c->mode) == -INFINITY)
                continue;
            c->mistaken[pick] = true;
            for (size_t k = 0; k < w->cases; k++)
                known = known || same_mistakes(m, c, &w->list[k]);
            if (!known && settle(w, c, false, true))
                w->cases++;
        }
    }
}

/* Precision of the others given the held unknown, from the normal approximation of c. */
static bool others_precision(const struct weigh_case *c, size_t n, size_t held,
                             double chol[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX])
{
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double sum = 0;

            for (size_t k = 0; k <= j; k++)
                sum += c->chol[i][k] * c->chol[j][k];
            if (i == held || j == held)
                sum = i == j ? 1 : 0;
            chol[i][j] = sum;
        }
    }
    return factor(chol, n);
}

/* Settles the others with the held unknown at one place, from where *c is; fills a node. */
static bool curve_node(struct work *w, struct weigh_case *c, double at, size_t node)
{
    const struct weigh_model *m = w->model;
    struct curve *v = &w->curve;
    size_t n = m->unknowns;

    c->holding = true;
    c->held = v->held;
    c->at = c->mode[v->held] = at;
    if (!settle(w, c, true, true) || !others_precision(c, n, v->held, v->chol[node]))
        return false;
    v->at[node] = at;
    memcpy(v->mode[node], c->mode, n * sizeof(double));
    v->mode[node][v->held] = at;
    v->height[node] = log_joint(m, c->mistaken, c->mode, c->scalar);
    for (size_t j = 0; j < n; j++)
        v->height[node] -= log(v->chol[node][j][j]);
    return isfinite(v->height[node]);
}

/* Follows the ridge along the least known of the bending unknowns of the leading case. */
static void follow_ridge(struct work *w, size_t lead)
{
    static const double place[CURVE_NODES] = {-7,  -5, -3.5, -2.4, -1.6, -1, -0.5, 0,
                                              0.5, 1,  1.6,  2.4,  3.5,  5,  7};
    const struct weigh_model *m = w->model;
    struct curve *v = &w->curve;
    size_t n = m->unknowns, bends = m->bends < n ? m->bends : n, first = 0, last = 0;
    double spread = 0, top = -INFINITY, sum = 0;
    struct weigh_case *c;
    bool good[CURVE_NODES] = {false};

    v->use = false;
    if (bends == 0)
        return;
    for (size_t j = n - bends; j < n; j++) {
        double unit[WEIGH_UNKNOWNS_MAX] = {0}, column[WEIGH_UNKNOWNS_MAX];

        unit[j] = 1;
        solve(w->list[lead].chol, n, unit, column);
        if (column[j] > spread) {
            spread = column[j];
            v->held = j;
        }
    }
    spread = fmax(0.02, fmin(0.7, sqrt(spread)));
    c = malloc(sizeof *c);
    if (!c)
        return;
    w->near = m->quick != NULL;
    /* Outwards from the mode both ways, each node from the one before. */
    for (int way = -1; way <= 1; way += 2) {
        *c = w->list[lead];
        for (size_t k = 0; k <= CURVE_NODES / 2; k++) {
            size_t node = (size_t)((int)(CURVE_NODES / 2) + way * (int)k);
            double at = w->list[lead].mode[v->held] + spread * place[node];

            if (way > 0 && k == 0)
                continue;
            if (fabs(at) > 5 || !curve_node(w, c, at, node) ||
                (k > 0 && v->height[node] < v->height[CURVE_NODES / 2] - 14))
                break;
            good[node] = true;
            top = fmax(top, v->height[node]);
        }
    }
    w->near = false;
    free(c);
    for (size_t k = 0; k < CURVE_NODES; k++) {
        if (!good[k])
            continue;
        if (!good[first])
            first = k;
        last = k;
    }
    if (!good[first] || last < first + 2)
        return;
    v->nodes = last - first + 1;
    memmove(v->at, v->at + first, v->nodes * sizeof *v->at);
    memmove(v->mode, v->mode + first, v->nodes * sizeof *v->mode);
    memmove(v->chol, v->chol + first, v->nodes * sizeof *v->chol);
    memmove(v->height, v->height + first, v->nodes * sizeof *v->height);
    for (size_t i = 0; i < (v->nodes - 1) * CURVE_CELLS; i++) {
        size_t k = i / CURVE_CELLS;
        double f = ((double)(i % CURVE_CELLS) + 0.5) / CURVE_CELLS;

        v->mass[i] =
            exp((1 - f) * v->height[k] + f * v->height[k + 1] - top) * (v->at[k + 1] - v->at[k]);
        sum += v->mass[i];
    }
    for (size_t i = 0; i < (v->nodes - 1) * CURVE_CELLS; i++)
        v->mass[i] /= sum;
    v->use = true;
}

/* The others' mode at a place of the held unknown between nodes k and k + 1 (cubic, with the slopes
 * of the neighbours), and the node whose precision holds there. */
static size_t curve_mode(const struct curve *v, size_t n, size_t k, double at, double *mode)
{
    double h = v->at[k + 1] - v->at[k], t = (at - v->at[k]) / h;
    double a = (1 + 2 * t) * (1 - t) * (1 - t), b = t * (1 - t) * (1 - t);
    double c = t * t * (3 - 2 * t), d = t * t * (t - 1);
    size_t before = k > 0 ? k - 1 : k, after = k + 2 < v->nodes ? k + 2 : k + 1;

    for (size_t j = 0; j < n; j++) {
        double slope0 = (v->mode[k + 1][j] - v->mode[before][j]) / (v->at[k + 1] - v->at[before]);
        double slope1 = (v->mode[after][j] - v->mode[k][j]) / (v->at[after] - v->at[k]);

        mode[j] = a * v->mode[k][j] + b * h * slope0 + c * v->mode[k + 1][j] + d * h * slope1;
    }
    mode[v->held] = at;
    return t < 0.5 ? k : k + 1;
}

/* Log density of the curve's part of the proposal. */
static double log_curve(const struct curve *v, size_t n, const double *z)
{
    double mode[WEIGH_UNKNOWNS_MAX], x = z[v->held], square = 0, det = 0, cell;
    size_t k = 0, node, i;

    if (x < v->at[0] || x >= v->at[v->nodes - 1])
        return -INFINITY;
    while (x >= v->at[k + 1])
        k++;
    cell = (v->at[k + 1] - v->at[k]) / CURVE_CELLS;
    i = (size_t)((x - v->at[k]) / cell);
    i = k * CURVE_CELLS + (i < CURVE_CELLS ? i : CURVE_CELLS - 1);
    node = curve_mode(v, n, k, x, mode);
    for (size_t j = 0; j < n; j++) {
        double s = 0;

        if (j == v->held)
            continue;
        for (size_t r = j; r < n; r++)
            s += v->chol[node][r][j] * (z[r] - mode[r]);
        square += s * s;
        det += log(v->chol[node][j][j]);
    }
    det += log(v->mass[i] / cell) - 0.5 * (double)(n - 1) * log(2 * M_PI);
    return weigh_log_add(log1p(-WIDE_SHARE) + det - (double)(n - 1) * log(PROPOSAL_NEAR) -
                             0.5 * square / (PROPOSAL_NEAR * PROPOSAL_NEAR),
                         log(WIDE_SHARE) + det - (double)(n - 1) * log(PROPOSAL_WIDE) -
                             0.5 * square / (PROPOSAL_WIDE * PROPOSAL_WIDE));
}

/* The point on the curve's part that uniform u[n] stands for; scale: near or wide. */
static void propose_on_curve(const struct curve *v, size_t n, const double *u, double scale,
                             double *z)
{
    double mode[WEIGH_UNKNOWNS_MAX], left = u[v->held], at, cell;
    size_t i = 0, k, node;

    while (i + 1 < (v->nodes - 1) * CURVE_CELLS && left >= v->mass[i])
        left -= v->mass[i++];
    k = i / CURVE_CELLS;
    cell = (v->at[k + 1] - v->at[k]) / CURVE_CELLS;
    at = v->at[k] + cell * ((double)(i % CURVE_CELLS) + fmin(1 - 1e-9, fmax(0, left / v->mass[i])));
    node = curve_mode(v, n, k, at, mode);
    z[v->held] = at;
    for (size_t r = n; r-- > 0;) {
        double s;

        if (r == v->held)
            continue;
        s = scale * gsl_cdf_ugaussian_Pinv(u[r]);
        for (size_t j = r + 1; j < n; j++)
            if (j != v->held)
                s -= v->chol[node][j][r] * (z[j] - mode[j]);
        z[r] = mode[r] + s / v->chol[node][r][r];
    }
}

/* Density of the proposal at z. */
static double log_proposal(const struct work *w, const double *z)
{
    size_t n = w->model->unknowns;
    double sum = w->curve.use ? log(CURVE_SHARE) + log_curve(&w->curve, n, z) : -INFINITY;
    double part = w->curve.use ? 1 - CURVE_SHARE : 1;

    for (size_t k = 0; k < w->cases; k++) {
        const struct weigh_case *c = &w->list[k];
        double square = 0, det = 0;

        if (c->share <= 0)
            continue;
        /* |L'(z - mode)|^2 */
        for (size_t j = 0; j < n; j++) {
            double s = 0;

            for (size_t i = j; i < n; i++)
                s += c->chol[i][j] * (z[i] - c->mode[i]);
            square += s * s;
            det += log(c->chol[j][j]);
        }
        det -= 0.5 * (double)n * log(2 * M_PI);
        sum = weigh_log_add(sum, log(part * c->share * (1 - WIDE_SHARE)) + det -
                                     (double)n * log(PROPOSAL_NEAR) -
                                     0.5 * square / (PROPOSAL_NEAR * PROPOSAL_NEAR));
        sum = weigh_log_add(sum, log(part * c->share * WIDE_SHARE) + det -
                                     (double)n * log(PROPOSAL_WIDE) -
                                     0.5 * square / (PROPOSAL_WIDE * PROPOSAL_WIDE));
    }
    return sum;
}

/* Splitmix64 (Steele, Lea and Flood 2014): the digital shifts, the same on every machine. */
static uint64_t next_shift(uint64_t *state)
{
    uint64_t x = *state += 0x9E3779B97F4A7C15u;

    x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
    x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
    return x ^ (x >> 31);
}

#define SOBOL_BITS 30

/* The point z that a uniform point u[n + 1] stands for; u[n] chooses the part of the proposal. */
static void propose(const struct work *w, const double *u, double *z)
{
    size_t n = w->model->unknowns, pick = 0;
    double chance = u[n], normal[WEIGH_UNKNOWNS_MAX], scale;

    if (w->curve.use) {
        if (chance < CURVE_SHARE) {
            scale = chance < CURVE_SHARE * WIDE_SHARE ? PROPOSAL_WIDE : PROPOSAL_NEAR;
            propose_on_curve(&w->curve, n, u, scale, z);
            return;
        }
        chance = (chance - CURVE_SHARE) / (1 - CURVE_SHARE);
    }
    while (pick + 1 < w->cases && chance >= w->list[pick].share) {
        chance -= w->list[pick].share;
        pick++;
    }
    scale = chance < w->list[pick].share * WIDE_SHARE ? PROPOSAL_WIDE : PROPOSAL_NEAR;
    for (size_t j = 0; j < n; j++)
        normal[j] = scale * gsl_cdf_ugaussian_Pinv(u[j]);
    /* Solve L' (z - mode) = normal. */
    for (size_t i = n; i-- > 0;) {
        double s = normal[i];

        for (size_t k = i + 1; k < n; k++)
            s -= w->list[pick].chol[k][i] * (z[k] - w->list[pick].mode[k]);
        z[i] = w->list[pick].mode[i] + s / w->list[pick].chol[i][i];
    }
}

/* Shares of the proposal: by the normal approximation, none below a twentieth of the best. */
static void share_out(struct work *w)
{
    double top = -INFINITY, sum = 0;

    for (size_t k = 0; k < w->cases; k++)
        top = fmax(top, w->list[k].log_evidence);
    for (size_t k = 0; k < w->cases; k++) {
        double d = w->list[k].log_evidence - top;

        w->list[k].share = d < -12 ? 0 : fmax(exp(d), 0.05);
        sum += w->list[k].share;
    }
    for (size_t k = 0; k < w->cases; k++)
        w->list[k].share /= sum;
}

/* Slopes of the items that are not costly by differences, and the precision with them: those items
 * are often so sharp that a slope off by some per cent makes a proposal useless. */
static bool sharpen(struct work *w, struct weigh_case *c)
{
    const struct weigh_model *m = w->model;
    double z[WEIGH_UNKNOWNS_MAX], up[WEIGH_ITEMS_MAX], down[WEIGH_ITEMS_MAX];
    double gradient[WEIGH_UNKNOWNS_MAX];

    memcpy(z, c->mode, sizeof z);
    for (size_t j = 0; j < m->unknowns; j++) {
        bool good;

        memcpy(up, c->scalar, sizeof up);
        memcpy(down, c->scalar, sizeof down);
        z[j] = c->mode[j] + SLOPE_STEP;
        good = m->quick(m->context, z, up);
        z[j] = c->mode[j] - SLOPE_STEP;
        good = m->quick(m->context, z, down) && good;
        z[j] = c->mode[j];
        if (!good || !tidy(m, up) || !tidy(m, down))
            continue;
        for (size_t i = 0; i < m->items; i++)
            if (!m->costly[i])
                c->slope[i][j] = (up[i] - down[i]) / (2 * SLOPE_STEP);
    }
    return normal_at(w, c, gradient);
}

/* Principal axes of the normal approximation: eigenvectors of the precision matrix. */
static bool find_axes(const struct weigh_case *c, size_t n, struct parabola *p)
{
    gsl_matrix *precision = gsl_matrix_calloc(n, n), *vectors = gsl_matrix_calloc(n, n);
    gsl_vector *values = gsl_vector_calloc(n);
    gsl_eigen_symmv_workspace *space = gsl_eigen_symmv_alloc(n);
    bool good = precision && vectors && values && space;

    if (good) {
        for (size_t i = 0; i < n; i++) {
            for (size_t j = 0; j < n; j++) {
                double sum = 0;

                for (size_t k = 0; k <= i && k <= j; k++)
                    sum += c->chol[i][k] * c->chol[j][k];
                gsl_matrix_set(precision, i, j, sum);
            }
        }
        good = gsl_eigen_symmv(precision, values, vectors, space) == 0;
    }
    for (size_t k = 0; good && k < n; k++) {
        p->step[k] = fmax(0.02, fmin(1, 1 / sqrt(fmax(1e-12, gsl_vector_get(values, k)))));
        for (size_t j = 0; j < n; j++)
            p->axis[k][j] = gsl_matrix_get(vectors, j, k);
    }
    gsl_matrix_free(precision);
    gsl_matrix_free(vectors);
    gsl_vector_free(values);
    if (space)
        gsl_eigen_symmv_free(space);
    return good;
}

/* Costly scalars at so many steps along two axes; those of the mode where there are none. */
static bool look(struct work *w, const struct weigh_case *c, size_t a, double steps_a, size_t b,
                 double steps_b, double *scalar)
{
    const struct parabola *p = &w->parabola;
    double z[WEIGH_UNKNOWNS_MAX];

    for (size_t j = 0; j < w->model->unknowns; j++)
        z[j] = c->mode[j] + steps_a * p->step[a] * p->axis[a][j] +
               steps_b * p->step[b] * p->axis[b][j];
    return evaluate(w, z, scalar);
}

/* Fits the quadratics about the mode of the leading case. */
static bool fit_parabola(struct work *w, struct weigh_case *c)
{
    const struct weigh_model *m = w->model;
    struct parabola *p = &w->parabola;
    struct weigh_case *better;
    double gradient[WEIGH_UNKNOWNS_MAX], size[WEIGH_UNKNOWNS_MAX];
    double(*up)[WEIGH_ITEMS_MAX] = malloc(WEIGH_UNKNOWNS_MAX * sizeof *up);
    size_t n = m->unknowns;

    better = malloc(sizeof *better);
    if (!better || !up || (n > 0 && (!sharpen(w, c) || !find_axes(c, n, p)))) {
        free(better);
        free(up);
        return false;
    }
    *better = *c;
    memcpy(p->centre, c->mode, sizeof p->centre);
    memcpy(p->value, c->scalar, sizeof p->value);
    memset(p->twist, 0, sizeof p->twist);
    p->crosses = 0;
    for (size_t k = 0; k < n; k++) {
        double down[WEIGH_ITEMS_MAX];
        bool have_up, have_down, matters = false;

        size[k] = 0;
        for (size_t i = 0; i < m->items; i++) {
            p->slope[i][k] = p->bend[i][k] = 0;
            for (size_t j = 0; j < n; j++)
                p->slope[i][k] += c->slope[i][j] * p->axis[k][j] * p->step[k];
            up[k][i] = c->scalar[i] + p->slope[i][k];
            if (m->costly[i] && fabs(p->slope[i][k]) > STRAIGHT)
                matters = true;
        }
        /* What the finding does to the costly items is seldom straight. */
        for (size_t j = m->slopes; j < n; j++)
            matters = matters || fabs(p->axis[k][j] * p->step[k]) > 0.1;
        if (!matters)
            continue;
        have_up = look(w, c, k, 1, k, 0, up[k]);
        have_down = look(w, c, k, -1, k, 0, down);
        for (size_t i = 0; i < m->items; i++) {
            double f = c->scalar[i];

            if (!have_up && !have_down)
                up[k][i] = down[i] = f;
            else if (!have_up)
                up[k][i] = 2 * f - down[i];
            else if (!have_down)
                down[i] = 2 * f - up[k][i];
            p->slope[i][k] = (up[k][i] - down[i]) / 2;
            p->bend[i][k] = up[k][i] - 2 * f + down[i];
            if (m->costly[i] && fabs(f) < WEIGH_FAR)
                size[k] = fmax(size[k], p->step[k] * fabs(p->slope[i][k]) + fabs(p->bend[i][k]));
        }
    }
    while (p->crosses < CROSS_MAX) {
        size_t best = n;

        for (size_t k = 0; k < n; k++)
            if (size[k] > STRAIGHT && (best == n || size[k] > size[best]))
                best = k;
        if (best == n)
            break;
        size[best] = 0;
        p->cross[p->crosses++] = best;
    }
    for (size_t a = 0; a < p->crosses; a++) {
        for (size_t b = 0; b < a; b++) {
            size_t ka = p->cross[a], kb = p->cross[b];
            double both[WEIGH_ITEMS_MAX];

            if (!look(w, c, ka, 1, kb, 1, both))
                continue;
            for (size_t i = 0; i < m->items; i++)
                if (m->costly[i])
                    p->twist[i][a][b] = both[i] - up[ka][i] - up[kb][i] + c->scalar[i];
        }
    }
    /* The slopes are better than those of the search: a better proposal. */
    for (size_t i = 0; i < m->items; i++) {
        if (!m->costly[i])
            continue;
        for (size_t j = 0; j < n; j++) {
            better->slope[i][j] = 0;
            for (size_t k = 0; k < n; k++)
                better->slope[i][j] += p->slope[i][k] / p->step[k] * p->axis[k][j];
        }
    }
    if (normal_at(w, better, gradient))
        *c = *better;
    free(better);
    free(up);
    return true;
}

/* Settles every case once more with the costly items near: cheap, so with exact slopes. */
static void polish(struct work *w)
{
    struct weigh_case *before;

    if (!w->model->quick)
        return;
    before = malloc(sizeof *before);
    if (!before)
        return;
    w->near = true;
    for (size_t k = 0; k < w->cases; k++) {
        *before = w->list[k];
        if (!settle(w, &w->list[k], true, true))
            w->list[k] = *before;
    }
    w->near = false;
    free(before);
}

/* Mean of exact over near likelihood on EXACT_DRAWS draws taken by their weight, and its relative
 * standard error. */
static double put_right(struct work *w, const double *point, const double *weight, size_t total,
                        double sum, double *u)
{
    const struct weigh_model *m = w->model;
    size_t n = m->unknowns, at = 0;
    double step = sum / EXACT_DRAWS, next = 0.5 * step, seen = 0, mean = 0, square = 0;

    for (size_t k = 0; k < EXACT_DRAWS; k++, next += step) {
        double near[WEIGH_ITEMS_MAX], exact[WEIGH_ITEMS_MAX], ratio = 0;
        const double *z;

        while (at + 1 < total && seen + weight[at] < next)
            seen += weight[at++];
        z = point + at * (n ? n : 1);
        if (evaluate_near(w, z, near) && evaluate(w, z, exact))
            ratio = exp(log_mixture(m, z, exact, NULL) - log_mixture(m, z, near, NULL));
        mean += ratio / EXACT_DRAWS;
        square += ratio * ratio / EXACT_DRAWS;
    }
    *u = mean > 0 ? sqrt(fmax(0, square - mean * mean) / (EXACT_DRAWS - 1)) / mean : 0;
    return mean;
}

/* Draws all points and the logarithm of their weights. Returns the greatest of those. */
static double draw_points(struct work *w, const struct weigh_options *o, gsl_qrng *sobol,
                          double *point, double *weight, double (*share)[WEIGH_ITEMS_MAX])
{
    const struct weigh_model *m = w->model;
    size_t n = m->unknowns;
    uint64_t state = 0x7472756577756E64u;
    double top = -INFINITY;

    for (size_t rep = 0; rep < o->replicates; rep++) {
        uint32_t shift[WEIGH_UNKNOWNS_MAX + 1];

        for (size_t j = 0; j <= n; j++)
            shift[j] = (uint32_t)(next_shift(&state) >> (64 - SOBOL_BITS));
        gsl_qrng_init(sobol);
        for (size_t d = 0; d < o->draws; d++) {
            size_t at = rep * o->draws + d;
            double u[WEIGH_UNKNOWNS_MAX + 1], scalar[WEIGH_ITEMS_MAX];
            double *z = point + at * (n ? n : 1);

            gsl_qrng_get(sobol, u);
            for (size_t j = 0; j <= n; j++) {
                uint32_t bits = (uint32_t)(u[j] * (double)(1u << SOBOL_BITS)) ^ shift[j];

                u[j] = ((double)bits + 0.5) / (double)(1u << SOBOL_BITS);
            }
            propose(w, u, z);
            weight[at] = -INFINITY;
            memset(share[at], 0, sizeof share[at]);
            if (evaluate_near(w, z, scalar)) {
                weight[at] = log_mixture(m, z, scalar, share[at]) - log_proposal(w, z);
                if (isnan(weight[at]))
                    weight[at] = -INFINITY;
            }
            top = fmax(top, weight[at]);
        }
    }
    return top;
}

static double effective_draws(const double *weight, size_t total, double top)
{
    double sum = 0, sum2 = 0;

    for (size_t i = 0; i < total; i++) {
        double x = exp(weight[i] - top);

        sum += x;
        sum2 += x * x;
    }
    return sum * sum / sum2;
}

/* Squared distance of two points in the measure of a case. */
static double distance(const struct weigh_case *c, const double *a, const double *b, size_t n)
{
    double square = 0;

    for (size_t j = 0; j < n; j++) {
        double s = 0;

        for (size_t i = j; i < n; i++)
            s += c->chol[i][j] * (a[i] - b[i]);
        square += s * s;
    }
    return square;
}

/* Adds one part to the proposal with the mean and covariance of the weighted points, the weights
 * flattened until enough points count (population Monte Carlo; Cappe et al., J. Comput. Graph.
 * Stat. 13 (2004) 907-929, from memory). False if there are too few. */
static bool match_moments(struct work *w, const double *point, const double *weight, size_t total,
                          double top)
{
    size_t n = w->model->unknowns, lead = 0;
    struct weigh_case *c = &w->list[w->cases];
    double mean[WEIGH_UNKNOWNS_MAX] = {0}, power, sum = 0, sum2 = 0;
    double(*spread)[WEIGH_UNKNOWNS_MAX];

    if (w->cases >= CASES_MAX + MEND_MAX)
        return false;
    for (size_t k = 1; k < w->cases; k++)
        if (w->list[k].share > w->list[lead].share)
            lead = k;
    for (power = 1; power > 0.05; power /= 2) {
        sum = sum2 = 0;
        for (size_t i = 0; i < total; i++) {
            double x = exp(power * (weight[i] - top));

            sum += x;
            sum2 += x * x;
        }
        if (sum * sum / sum2 > 4 * (double)n)
            break;
    }
    if (power <= 0.05)
        return false;
    spread = calloc(WEIGH_UNKNOWNS_MAX, sizeof *spread);
    if (!spread)
        return false;
    for (size_t i = 0; i < total; i++) {
        double x = exp(power * (weight[i] - top)) / sum;

        for (size_t j = 0; j < n; j++)
            mean[j] += x * point[i * n + j];
    }
    for (size_t i = 0; i < total; i++) {
        double x = exp(power * (weight[i] - top)) / sum;

        for (size_t j = 0; j < n; j++)
            for (size_t k = 0; k <= j; k++)
                spread[j][k] += x * (point[i * n + j] - mean[j]) * (point[i * n + k] - mean[k]);
    }
    *c = w->list[lead];
    memcpy(c->mode, mean, n * sizeof *mean);
    /* A fifth of the leading part's covariance keeps it from collapsing. */
    for (size_t k = 0; k < n; k++) {
        double unit[WEIGH_UNKNOWNS_MAX] = {0}, column[WEIGH_UNKNOWNS_MAX];

        unit[k] = 1;
        solve(w->list[lead].chol, n, unit, column);
        for (size_t j = k; j < n; j++)
            spread[j][k] = 0.8 * spread[j][k] + 0.2 * column[j];
    }
    /* Precision: the inverse, column by column. */
    if (factor(spread, n)) {
        bool good;

        for (size_t k = 0; k < n; k++) {
            double unit[WEIGH_UNKNOWNS_MAX] = {0}, column[WEIGH_UNKNOWNS_MAX];

            unit[k] = 1;
            solve(spread, n, unit, column);
            for (size_t j = k; j < n; j++)
                c->chol[j][k] = column[j];
        }
        good = factor(c->chol, n);
        free(spread);
        /* The greater part of the next draws. */
        c->log_evidence = w->list[lead].log_evidence + 1;
        w->cases += good;
        return good;
    }
    free(spread);
    return false;
}

/* Adds parts to the proposal at the heaviest points. */
static void mend_proposal(struct work *w, const double *point, const double *weight, size_t total,
                          size_t most)
{
    size_t n = w->model->unknowns, first = w->cases, lead = 0;

    for (size_t k = 1; k < first; k++)
        if (w->list[k].share > w->list[lead].share)
            lead = k;
    while (w->cases < first + most && w->cases < CASES_MAX + MEND_MAX) {
        struct weigh_case *c = &w->list[w->cases];
        size_t best = total;

        for (size_t i = 0; i < total; i++) {
            bool apart = true;

            for (size_t k = first; k < w->cases && apart; k++)
                apart = distance(&w->list[lead], point + i * n, w->list[k].mode, n) > 2;
            if (apart && (best == total || weight[i] > weight[best]))
                best = i;
        }
        if (best == total || weight[best] == -INFINITY)
            return;
        *c = w->list[lead];
        memcpy(c->mode, point + best * n, n * sizeof(double));
        /* A fifth of the leading part each. */
        c->log_evidence = w->list[lead].log_evidence - 1.5;
        w->cases++;
    }
}

static enum status_code sample(struct work *w, const struct weigh_options *o, size_t keep,
                               struct weigh_result *r, struct status *st)
{
    const struct weigh_model *m = w->model;
    size_t n = m->unknowns, total = o->draws * o->replicates;
    double *point = malloc(total * (n ? n : 1) * sizeof *point);
    double *weight = malloc(total * sizeof *weight);
    double estimate[32], mean = 0, square = 0, top = -INFINITY, sum = 0, sum2 = 0;
    double held[WEIGH_ITEMS_MAX] = {0};
    gsl_qrng *sobol = gsl_qrng_alloc(gsl_qrng_sobol, (unsigned)(n + 1));
    enum status_code code = STATUS_OK;
    double(*share)[WEIGH_ITEMS_MAX] = malloc(total * sizeof *share);

    if (!point || !weight || !sobol || !share) {
        code = status_fail(st, STATUS_MEMORY, "no memory for %zu draws", total);
        goto out;
    }
    top = draw_points(w, o, sobol, point, weight, share);
    for (int round = 0; n > 0 && top > -INFINITY && round < MEND_ROUNDS; round++) {
        size_t before = w->cases;

        if (effective_draws(weight, total, top) >= MEND_BELOW * (double)total)
            break;
        match_moments(w, point, weight, total, top);
        mend_proposal(w, point, weight, total, 2);
        if (w->cases == before)
            break;
        share_out(w);
        top = draw_points(w, o, sobol, point, weight, share);
    }
    if (top == -INFINITY) {
        code = status_fail(st, STATUS_NUMERIC, "no draw has any likelihood");
        goto out;
    }
    for (size_t rep = 0; rep < o->replicates; rep++) {
        estimate[rep] = 0;
        for (size_t d = 0; d < o->draws; d++) {
            size_t at = rep * o->draws + d;

            weight[at] = exp(weight[at] - top);
            estimate[rep] += weight[at] / (double)o->draws;
            sum += weight[at];
            sum2 += weight[at] * weight[at];
            for (size_t i = 0; i < m->items; i++)
                held[i] += weight[at] * share[at][i];
        }
        mean += estimate[rep] / (double)o->replicates;
    }
    for (size_t rep = 0; rep < o->replicates; rep++)
        square += (estimate[rep] - mean) * (estimate[rep] - mean);
    r->log_evidence = top + log(mean);
    r->log_evidence_u = sqrt(square / (double)(o->replicates * (o->replicates - 1))) / mean;
    r->effective = sum * sum / sum2;
    /* Replicates that all miss the same tail agree too well. */
    r->log_evidence_u =
        fmax(r->log_evidence_u, sqrt(fmax(0, 1 / r->effective - 1 / (double)total)));
    r->sampled = true;
    /* A handful of draws that count says less than the normal approximation does. */
    if (r->effective < TRUST_DRAWS && isfinite(r->laplace)) {
        r->log_evidence_u = fmax(LAPLACE_U, 0.5 * fabs(r->log_evidence - r->laplace));
        r->log_evidence = r->laplace;
    }
    if (m->quick) {
        double u, ratio = put_right(w, point, weight, total, sum, &u);

        if (ratio > 0) {
            r->log_evidence += log(ratio);
            r->log_evidence_u = hypot(r->log_evidence_u, u);
        }
    }
    for (size_t i = 0; i < m->items; i++)
        r->mistaken[i] = held[i] / sum;
    if (keep) {
        double step = sum / (double)keep, next = 0.5 * step, seen = 0;
        size_t at = 0;

        r->draw = calloc(keep, sizeof *r->draw);
        if (!r->draw) {
            code = status_fail(st, STATUS_MEMORY, "no memory for %zu draws", keep);
            goto out;
        }
        for (r->draws = 0; r->draws < keep; r->draws++, next += step) {
            while (at + 1 < total && seen + weight[at] < next)
                seen += weight[at++];
            memcpy(r->draw[r->draws].z, point + at * (n ? n : 1), n * sizeof(double));
        }
    }
out:
    free(point);
    free(weight);
    free(share);
    if (sobol)
        gsl_qrng_free(sobol);
    return code;
}

/* True when the evidence lies further from the mode than one model in a thousand has it. */
static bool misfits(const struct weigh_model *m, const struct weigh_case *c)
{
    double square = 0, items = 0;

    for (size_t j = 0; j < m->unknowns; j++)
        square += c->mode[j] * c->mode[j];
    for (size_t i = 0; i < m->items; i++) {
        double f = c->scalar[i];

        f = m->item_misfit ? m->item_misfit(m->context, i, f) : f * f;
        if (f >= 0) {
            items += 1;
            square += f;
        }
    }
    return items > 0 && gsl_cdf_chisq_Q(square, items) < 1e-3;
}

static enum status_code check(const struct weigh_model *m, const struct weigh_options *o,
                              struct status *st)
{
    if (m->unknowns > WEIGH_UNKNOWNS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu unknowns; at most %d can be integrated over",
                           m->unknowns, WEIGH_UNKNOWNS_MAX);
    if (m->items > WEIGH_ITEMS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu items of evidence; at most %d can be weighed",
                           m->items, WEIGH_ITEMS_MAX);
    if (o->draws < 16 || o->draws > 65536)
        return status_fail(st, STATUS_INPUT, "%zu draws a replicate; 16 to 65536 are allowed",
                           o->draws);
    if (o->replicates < 2 || o->replicates > 32)
        return status_fail(st, STATUS_INPUT, "%zu replicates; 2 to 32 are allowed", o->replicates);
    return status_ok(st);
}

/* Fills the first cases, in which all items are sound: from where the caller says, or from where a
 * walk along the fault's unknowns ends. What a mistaken item has led astray is searched for from
 * the middle of the prior as well. */
static bool first_cases(struct work *w, const struct weigh_options *o)
{
    const struct weigh_model *m = w->model;
    struct weigh_case *c = &w->list[0];
    bool walked = false;

    memset(c, 0, sizeof *c);
    if (o->start)
        memcpy(c->mode, o->start, m->unknowns * sizeof(double));
    else
        walked = begin_search(m, c->mode);
    if (settle(w, c, o->exact, false))
        w->cases = 1;
    if (!walked || (w->cases && !misfits(m, c)))
        return w->cases > 0;
    c = &w->list[w->cases];
    memset(c, 0, sizeof *c);
    if (settle(w, c, o->exact, false) &&
        (w->cases == 0 || c->log_evidence > w->list[0].log_evidence + 0.1)) {
        w->list[0] = *c;
        w->cases = 1;
    }
    return w->cases > 0;
}

enum status_code weigh_integrate(const struct weigh_model *model,
                                 const struct weigh_options *options, size_t keep,
                                 struct weigh_result *result, struct status *st)
{
    struct work *w;
    enum status_code code;
    double all = -INFINITY;
    size_t lead = 0;

    memset(result, 0, sizeof *result);
    result->log_evidence = result->laplace = -INFINITY;
    result->log_evidence_u = NAN;
    code = check(model, options, st);
    if (code != STATUS_OK)
        return code;
    w = malloc(sizeof *w);
    if (!w)
        return status_fail(st, STATUS_MEMORY, "no memory for an integral");
    /* Half a megabyte: only what is read before it is written is cleared. */
    w->model = model;
    w->evaluations = w->cases = 0;
    w->near = w->curve.use = false;
    if (!first_cases(w, options)) {
        result->evaluations = w->evaluations;
        free(w);
        return status_fail(st, STATUS_NUMERIC, "the model gives the evidence no likelihood");
    }
    suspect(w);
    for (size_t k = 0; k < w->cases; k++) {
        all = weigh_log_add(all, w->list[k].log_evidence);
        if (w->list[k].log_evidence > w->list[lead].log_evidence)
            lead = k;
    }
    result->laplace = result->log_evidence = all;
    memcpy(result->mode, w->list[lead].mode, model->unknowns * sizeof(double));
    for (size_t j = 0; j < model->unknowns; j++)
        result->misfit += result->mode[j] * result->mode[j];
    for (size_t i = 0; i < model->items; i++) {
        double f = w->list[lead].scalar[i];

        result->mistaken[i] = w->list[lead].mistaken[i];
        if (w->list[lead].mistaken[i])
            continue;
        f = model->item_misfit ? model->item_misfit(model->context, i, f) : f * f;
        if (f >= 0) {
            result->freedom += 1;
            result->misfit += f;
        }
    }
    if (!options->draws_only_if_near || all >= options->best - options->margin) {
        if (model->quick && !fit_parabola(w, &w->list[lead])) {
            free(w);
            return status_fail(st, STATUS_MEMORY, "no memory for an integral");
        }
        polish(w);
        follow_ridge(w, lead);
        share_out(w);
        code = sample(w, options, keep, result, st);
    }
    result->evaluations = w->evaluations;
    free(w);
    return code;
}

void weigh_free(struct weigh_result *result)
{
    free(result->draw);
    result->draw = NULL;
    result->draws = 0;
}
