#include "analyze/infer/costly.h"

#include <gsl/gsl_eigen.h>
#include <gsl/gsl_matrix.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define EXACT_DRAWS 24   /* on which costly items are worked out exactly */
#define STRAIGHT    0.05 /* a change of a costly item over a step too small to look at closely */

/* What one fit needs beside the parabolas. */
struct fit {
    struct integrand *integrand;
    const struct mode *mode;                        /* about which */
    double up[WEIGH_UNKNOWNS_MAX][WEIGH_ITEMS_MAX]; /* scalars one step up each axis */
    double size[WEIGH_UNKNOWNS_MAX]; /* most that an axis does to a costly item; 0: not looked at */
};

/* Principal axes of the normal approximation: eigenvectors of the precision matrix. */
static bool find_axes(const struct mode *c, size_t n, struct parabola *p)
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
                    sum += c->precision.root[i][k] * c->precision.root[j][k];
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

/* Scalars at so many steps from the mode along two axes. */
static bool look(const struct fit *fit, size_t a, double steps_a, size_t b, double steps_b,
                 double *scalar)
{
    const struct parabola *p = &fit->integrand->parabola;
    double z[WEIGH_UNKNOWNS_MAX];

    for (size_t j = 0; j < fit->integrand->model->unknowns; j++)
        z[j] = fit->mode->at[j] + steps_a * p->step[a] * p->axis[a][j] +
               steps_b * p->step[b] * p->axis[b][j];
    return integrand_scalars(fit->integrand, z, scalar);
}

/* Slope along an axis from that of the mode; bend 0. True when it is worth looking closer. */
static bool begin_axis(struct fit *fit, size_t k)
{
    const struct weigh_model *m = fit->integrand->model;
    const struct mode *c = fit->mode;
    struct parabola *p = &fit->integrand->parabola;
    bool matters = false;

    fit->size[k] = 0;
    for (size_t i = 0; i < m->items; i++) {
        p->slope[i][k] = p->bend[i][k] = 0;
        for (size_t j = 0; j < m->unknowns; j++)
            p->slope[i][k] += c->slope[i][j] * p->axis[k][j] * p->step[k];
        fit->up[k][i] = c->scalar[i] + p->slope[i][k];
        if (m->costly[i] && fabs(p->slope[i][k]) > STRAIGHT)
            matters = true;
    }
    /* What the finding does to the costly items is seldom straight. */
    for (size_t j = m->slopes; j < m->unknowns; j++)
        matters = matters || fabs(p->axis[k][j] * p->step[k]) > 0.1;
    return matters;
}

/* Slope and bend along an axis from a step up and a step down. */
static void bend_axis(struct fit *fit, size_t k)
{
    const struct weigh_model *m = fit->integrand->model;
    struct parabola *p = &fit->integrand->parabola;
    double *up = fit->up[k], down[WEIGH_ITEMS_MAX];
    bool have_up = look(fit, k, 1, k, 0, up);
    bool have_down = look(fit, k, -1, k, 0, down);

    for (size_t i = 0; i < m->items; i++) {
        double f = fit->mode->scalar[i];

        if (!have_up && !have_down)
            up[i] = down[i] = f;
        else if (!have_up)
            up[i] = 2 * f - down[i];
        else if (!have_down)
            down[i] = 2 * f - up[i];
        p->slope[i][k] = (up[i] - down[i]) / 2;
        p->bend[i][k] = up[i] - 2 * f + down[i];
        if (m->costly[i] && fabs(f) < WEIGH_FAR)
            fit->size[k] =
                fmax(fit->size[k], p->step[k] * fabs(p->slope[i][k]) + fabs(p->bend[i][k]));
    }
}

/* Chooses the axes that do most, and finds the mixed terms between them. */
static void twist_axes(struct fit *fit)
{
    const struct weigh_model *m = fit->integrand->model;
    struct parabola *p = &fit->integrand->parabola;
    size_t n = m->unknowns;

    memset(p->twist, 0, sizeof p->twist);
    p->crosses = 0;
    while (p->crosses < PARABOLA_CROSS_MAX) {
        size_t best = n;

        for (size_t k = 0; k < n; k++)
            if (fit->size[k] > STRAIGHT && (best == n || fit->size[k] > fit->size[best]))
                best = k;
        if (best == n)
            break;
        fit->size[best] = 0;
        p->cross[p->crosses++] = best;
    }
    for (size_t a = 0; a < p->crosses; a++) {
        for (size_t b = 0; b < a; b++) {
            size_t ka = p->cross[a], kb = p->cross[b];
            double both[WEIGH_ITEMS_MAX];

            if (!look(fit, ka, 1, kb, 1, both))
                continue;
            for (size_t i = 0; i < m->items; i++)
                if (m->costly[i])
                    p->twist[i][a][b] =
                        both[i] - fit->up[ka][i] - fit->up[kb][i] + fit->mode->scalar[i];
        }
    }
}

/* The slopes of the parabolas are better than those of the search: a better proposal. */
static bool improve(const struct integrand *f, const struct mode *c, struct mode *better)
{
    const struct weigh_model *m = f->model;
    const struct parabola *p = &f->parabola;
    double gradient[WEIGH_UNKNOWNS_MAX];

    *better = *c;
    for (size_t i = 0; i < m->items; i++) {
        if (!m->costly[i])
            continue;
        for (size_t j = 0; j < m->unknowns; j++) {
            better->slope[i][j] = 0;
            for (size_t k = 0; k < m->unknowns; k++)
                better->slope[i][j] += p->slope[i][k] / p->step[k] * p->axis[k][j];
        }
    }
    return mode_normal(m, better, gradient);
}

bool costly_fit(struct integrand *f, struct mode *c)
{
    struct parabola *p = &f->parabola;
    struct mode *better = malloc(sizeof *better);
    struct fit *fit = malloc(sizeof *fit);
    size_t n = f->model->unknowns;
    bool good = better && fit && (n == 0 || (mode_sharpen(f->model, c) && find_axes(c, n, p)));

    if (good) {
        fit->integrand = f;
        fit->mode = c;
        memcpy(p->centre, c->at, sizeof p->centre);
        memcpy(p->value, c->scalar, sizeof p->value);
        for (size_t k = 0; k < n; k++)
            if (begin_axis(fit, k))
                bend_axis(fit, k);
        twist_axes(fit);
        if (improve(f, c, better))
            *c = *better;
    }
    free(better);
    free(fit);
    return good;
}

double costly_ratio(struct integrand *f, const struct sample *s, double *u)
{
    const struct weigh_model *m = f->model;
    struct sample_walk walk = sample_begin(s, EXACT_DRAWS);
    double mean = 0, square = 0;

    for (size_t k = 0; k < EXACT_DRAWS; k++) {
        double near[WEIGH_ITEMS_MAX], exact[WEIGH_ITEMS_MAX], ratio = 0;
        const double *z = sample_point(s, sample_next(&walk));

        if (integrand_near(f, z, near) && integrand_scalars(f, z, exact))
            ratio = exp(integrand_mixture(m, z, exact, NULL) - integrand_mixture(m, z, near, NULL));
        mean += ratio / EXACT_DRAWS;
        square += ratio * ratio / EXACT_DRAWS;
    }
    *u = mean > 0 ? sqrt(fmax(0, square - mean * mean) / (EXACT_DRAWS - 1)) / mean : 0;
    return mean;
}
