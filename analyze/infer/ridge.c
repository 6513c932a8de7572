#include "analyze/infer/ridge.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MIDDLE    (RIDGE_NODES / 2)
#define PLACE_END 5.0  /* of z: beyond, the ridge is not followed */
#define DROP_END  14.0 /* log below the middle at which it ends */

/* Precision of the others given the held unknown, from the normal approximation of c. */
static bool others_precision(const struct mode *c, size_t n, size_t held, struct precision *p)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double sum = 0;

            for (size_t k = 0; k <= j; k++)
                sum += c->precision.root[i][k] * c->precision.root[j][k];
            if (i == held || j == held)
                sum = i == j ? 1 : 0;
            p->root[i][j] = sum;
        }
    }
    return precision_factor(p, n);
}

/* Settles the others with the held unknown at one place, from where *c is; fills a node. */
static bool fill_node(struct integrand *f, struct mode *c, double at, size_t node, struct ridge *r)
{
    const struct weigh_model *m = f->model;
    size_t n = m->unknowns;

    c->holding = true;
    c->held = r->held;
    c->hold = c->at[r->held] = at;
    if (!mode_search(f, c, true, true) || !others_precision(c, n, r->held, &r->precision[node]))
        return false;
    r->at[node] = at;
    memcpy(r->mode[node], c->at, n * sizeof(double));
    r->mode[node][r->held] = at;
    r->height[node] = integrand_joint(m, c->mistaken, c->at, c->scalar);
    for (size_t j = 0; j < n; j++)
        r->height[node] -= log(r->precision[node].root[j][j]);
    return isfinite(r->height[node]);
}

/* The least known of the last 'bends' unknowns, which is to be held, and its standard deviation. */
static double choose_held(const struct mode *lead, size_t n, size_t bends, size_t *held)
{
    double spread = 0;

    *held = n - bends;
    for (size_t j = n - bends; j < n; j++) {
        double unit[WEIGH_UNKNOWNS_MAX] = {0}, column[WEIGH_UNKNOWNS_MAX];

        unit[j] = 1;
        precision_solve(&lead->precision, n, unit, column);
        if (column[j] > spread) {
            spread = column[j];
            *held = j;
        }
    }
    return sqrt(spread);
}

/* Outwards from the mode both ways, each node from the one before. False without memory. */
static bool walk_out(struct integrand *f, const struct mode *lead, double spread, struct ridge *r,
                     bool good[RIDGE_NODES])
{
    static const double place[RIDGE_NODES] = {-7,  -5, -3.5, -2.4, -1.6, -1, -0.5, 0,
                                              0.5, 1,  1.6,  2.4,  3.5,  5,  7};
    struct mode *c = malloc(sizeof *c);

    if (!c)
        return false;
    f->near = f->model->quick != NULL;
    /* A middle that does not settle sets no height to fall from. */
    r->height[MIDDLE] = -INFINITY;
    for (int way = -1; way <= 1; way += 2) {
        *c = *lead;
        for (size_t k = 0; k <= MIDDLE; k++) {
            size_t node = (size_t)((int)MIDDLE + way * (int)k);
            double at = lead->at[r->held] + spread * place[node];

            if (way > 0 && k == 0)
                continue;
            if (fabs(at) > PLACE_END || !fill_node(f, c, at, node, r) ||
                (k > 0 && r->height[node] < r->height[MIDDLE] - DROP_END))
                break;
            good[node] = true;
        }
    }
    f->near = false;
    free(c);
    return true;
}

/* Shares out the mass of the ridge to the cells between its nodes. */
static void fill_cells(struct ridge *r)
{
    size_t cells = (r->nodes - 1) * RIDGE_CELLS;
    double top = -INFINITY, sum = 0;

    for (size_t k = 0; k < r->nodes; k++)
        top = fmax(top, r->height[k]);
    for (size_t i = 0; i < cells; i++) {
        size_t k = i / RIDGE_CELLS;
        double part = ((double)(i % RIDGE_CELLS) + 0.5) / RIDGE_CELLS;

        r->mass[i] = exp((1 - part) * r->height[k] + part * r->height[k + 1] - top) *
                     (r->at[k + 1] - r->at[k]);
        sum += r->mass[i];
    }
    for (size_t i = 0; i < cells; i++)
        r->mass[i] /= sum;
}

void ridge_follow(struct integrand *f, const struct mode *lead, struct ridge *r)
{
    size_t n = f->model->unknowns, first = 0, last = 0;
    size_t bends = f->model->bends < n ? f->model->bends : n;
    bool good[RIDGE_NODES] = {false};
    double spread;

    r->use = false;
    if (bends == 0)
        return;
    spread = fmax(0.02, fmin(0.7, choose_held(lead, n, bends, &r->held)));
    if (!walk_out(f, lead, spread, r, good))
        return;
    for (size_t k = 0; k < RIDGE_NODES; k++) {
        if (!good[k])
            continue;
        if (!good[first])
            first = k;
        last = k;
    }
    if (!good[first] || last < first + 2)
        return;
    r->nodes = last - first + 1;
    memmove(r->at, r->at + first, r->nodes * sizeof *r->at);
    memmove(r->mode, r->mode + first, r->nodes * sizeof *r->mode);
    memmove(r->precision, r->precision + first, r->nodes * sizeof *r->precision);
    memmove(r->height, r->height + first, r->nodes * sizeof *r->height);
    fill_cells(r);
    r->use = true;
}

/* The others' mode at a place of the held unknown between nodes k and k + 1 (cubic, with the slopes
 * of the neighbours), and the node whose precision holds there. */
static size_t mode_between(const struct ridge *r, size_t n, size_t k, double at, double *mode)
{
    double h = r->at[k + 1] - r->at[k], t = (at - r->at[k]) / h;
    double a = (1 + 2 * t) * (1 - t) * (1 - t), b = t * (1 - t) * (1 - t);
    double c = t * t * (3 - 2 * t), d = t * t * (t - 1);
    size_t before = k > 0 ? k - 1 : k, after = k + 2 < r->nodes ? k + 2 : k + 1;

    for (size_t j = 0; j < n; j++) {
        double slope0 = (r->mode[k + 1][j] - r->mode[before][j]) / (r->at[k + 1] - r->at[before]);
        double slope1 = (r->mode[after][j] - r->mode[k][j]) / (r->at[after] - r->at[k]);

        mode[j] = a * r->mode[k][j] + b * h * slope0 + c * r->mode[k + 1][j] + d * h * slope1;
    }
    mode[r->held] = at;
    return t < 0.5 ? k : k + 1;
}

double ridge_density(const struct ridge *r, size_t n, const double *z)
{
    double mode[WEIGH_UNKNOWNS_MAX], x = z[r->held], square, root, cell;
    size_t k = 0, node, i;

    if (x < r->at[0] || x >= r->at[r->nodes - 1])
        return -INFINITY;
    while (x >= r->at[k + 1])
        k++;
    cell = (r->at[k + 1] - r->at[k]) / RIDGE_CELLS;
    i = (size_t)((x - r->at[k]) / cell);
    i = k * RIDGE_CELLS + (i < RIDGE_CELLS ? i : RIDGE_CELLS - 1);
    node = mode_between(r, n, k, x, mode);
    /* The held unknown is at its 'mode' and adds nothing to either. */
    square = precision_square(&r->precision[node], n, z, mode);
    root = precision_log_root(&r->precision[node], n);
    root += log(r->mass[i] / cell) - 0.5 * (double)(n - 1) * log(2 * M_PI);
    return weigh_log_add(log1p(-MODE_WIDE_SHARE) + root - (double)(n - 1) * log(MODE_NEAR) -
                             0.5 * square / (MODE_NEAR * MODE_NEAR),
                         log(MODE_WIDE_SHARE) + root - (double)(n - 1) * log(MODE_WIDE) -
                             0.5 * square / (MODE_WIDE * MODE_WIDE));
}

void ridge_point(const struct ridge *r, size_t n, const double *u, double scale, double *z)
{
    double mode[WEIGH_UNKNOWNS_MAX], normal[WEIGH_UNKNOWNS_MAX], left = u[r->held], at, cell;
    size_t i = 0, k, node;

    while (i + 1 < (r->nodes - 1) * RIDGE_CELLS && left >= r->mass[i])
        left -= r->mass[i++];
    k = i / RIDGE_CELLS;
    cell = (r->at[k + 1] - r->at[k]) / RIDGE_CELLS;
    at = r->at[k] + cell * ((double)(i % RIDGE_CELLS) + fmin(1 - 1e-9, fmax(0, left / r->mass[i])));
    node = mode_between(r, n, k, at, mode);
    for (size_t j = 0; j < n; j++)
        normal[j] = j == r->held ? 0 : scale * gsl_cdf_ugaussian_Pinv(u[j]);
    precision_point(&r->precision[node], n, mode, normal, z);
}
