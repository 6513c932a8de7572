#include "analyze/model/circuit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <string.h>

#define MAX_STEPS 200

enum status_code circuit_open(struct circuit *c, struct status *st)
{
    memset(c, 0, sizeof *c);
    c->finder = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!c->finder)
        return status_fail(st, STATUS_MEMORY, "no memory for a root finder");
    return status_ok(st);
}

void circuit_close(struct circuit *c)
{
    if (c->finder)
        gsl_root_fsolver_free(c->finder);
    c->finder = NULL;
}

void circuit_clear(struct circuit *c, int nodes)
{
    int i;

    c->nodes = nodes;
    c->branches = 0;
    for (i = 0; i < nodes; i++)
        memset(c->air[i], 0, sizeof c->air[i][0] * (size_t)nodes);
}

void circuit_air(struct circuit *c, int i, int j, double permeance)
{
    if (i >= 0)
        c->air[i][i] += permeance;
    if (j >= 0)
        c->air[j][j] += permeance;
    if (i >= 0 && j >= 0) {
        c->air[i][j] -= permeance;
        c->air[j][i] -= permeance;
    }
}

struct circuit_branch *circuit_iron(struct circuit *c, int i, int j, const struct iron *iron,
                                    double h_scale, double area, double length, double mmf)
{
    struct circuit_branch *b;

    if (c->branches >= CIRCUIT_BRANCHES)
        return NULL;
    b = &c->branch[c->branches++];
    memset(b, 0, sizeof *b);
    b->i = i;
    b->j = j;
    b->iron = iron;
    b->h_scale = h_scale;
    b->area = area;
    b->length = length;
    b->mmf = mmf;
    return b;
}

static double potential(const double *u, int i)
{
    return i < 0 ? 0.0 : u[i];
}

/* The width of the descending line that passes through remanence at H = 0. */
static double descent_width(const struct circuit_branch *b)
{
    return b->coercivity / tan(M_PI / 2 * fmin(fabs(b->remanence) / b->saturation, 0.98));
}

static void magnetise(struct circuit_branch *b)
{
    if (b->coercivity > 0) {
        double sign = b->remanence < 0 ? -1 : 1;
        double width = descent_width(b), x = (sign * b->h + b->coercivity) / width;
        double top = 2 / M_PI * b->saturation;

        b->b = IRON_MU0 * b->h + sign * top * atan(x);
        b->slope = IRON_MU0 + top / (width * (1 + x * x));
    } else {
        b->b = iron_b_slope(b->iron, b->h / b->h_scale, &b->slope);
        b->slope /= b->h_scale;
    }
    b->flux = b->area * b->b;
}

/* Fluxes of all branches at potentials u, and the unbalanced flux out of each node. Returns the
 * greatest flux anywhere. */
static double balance(struct circuit *c, const double *u, double *out)
{
    double greatest = 0;
    int i, j, k;

    for (i = 0; i < c->nodes; i++) {
        double sum = 0;

        for (j = 0; j < c->nodes; j++)
            sum += c->air[i][j] * u[j];
        out[i] = sum;
        greatest = fmax(greatest, fabs(sum));
    }
    for (k = 0; k < c->branches; k++) {
        struct circuit_branch *b = &c->branch[k];

        b->h = (potential(u, b->i) - potential(u, b->j) + b->mmf) / b->length;
        magnetise(b);
        greatest = fmax(greatest, fabs(b->flux));
        if (b->i >= 0)
            out[b->i] += b->flux + b->offset;
        if (b->j >= 0)
            out[b->j] -= b->flux + b->offset;
    }
    return greatest;
}

/* Jacobian and its Cholesky factor. False if it is not positive definite. */
static bool factorise(struct circuit *c)
{
    int i, j, k, n = c->nodes;

    for (i = 0; i < n; i++)
        memcpy(c->factor[i], c->air[i], sizeof c->air[0][0] * (size_t)(i + 1));
    for (k = 0; k < c->branches; k++) {
        const struct circuit_branch *b = &c->branch[k];
        double g = b->area * b->slope / b->length;

        if (b->i >= 0)
            c->factor[b->i][b->i] += g;
        if (b->j >= 0)
            c->factor[b->j][b->j] += g;
        if (b->i >= 0 && b->j >= 0)
            c->factor[b->i > b->j ? b->i : b->j][b->i > b->j ? b->j : b->i] -= g;
    }
    for (i = 0; i < n; i++) {
        double *restrict row = c->factor[i];
        double d;

        for (j = 0; j < i; j++) {
            const double *restrict other = c->factor[j];
            double s = row[j];

            for (k = 0; k < j; k++)
                s -= row[k] * other[k];
            row[j] = s * c->inverse_diagonal[j];
        }
        d = row[i];
        for (k = 0; k < i; k++)
            d -= row[k] * row[k];
        if (!(d > 0))
            return false;
        row[i] = sqrt(d);
        c->inverse_diagonal[i] = 1 / row[i];
    }
    return true;
}

static void substitute(const struct circuit *c, double *x)
{
    int i, k, n = c->nodes;

    for (i = 0; i < n; i++) {
        double s = x[i];

        for (k = 0; k < i; k++)
            s -= c->factor[i][k] * x[k];
        x[i] = s * c->inverse_diagonal[i];
    }
    for (i = n - 1; i >= 0; i--) {
        double s = x[i];

        for (k = i + 1; k < n; k++)
            s -= c->factor[k][i] * x[k];
        x[i] = s * c->inverse_diagonal[i];
    }
}

/* What the line search asks the root finder: the slope of the coenergy along a step, which only
 * rises with the distance since the coenergy is convex. */
struct line {
    struct circuit *c;
    const double *u, *step;
    double scale;
    double at[CIRCUIT_NODES], out[CIRCUIT_NODES];
    double greatest;
};

static double slope_at(double t, void *data)
{
    struct line *l = data;
    double s = 0;
    int i;

    for (i = 0; i < l->c->nodes; i++)
        l->at[i] = l->u[i] + t * l->step[i];
    l->greatest = balance(l->c, l->at, l->out);
    for (i = 0; i < l->c->nodes; i++)
        s += l->out[i] * l->step[i];
    return s * l->scale;
}

/* The step length in (0, 1] where the coenergy along the step is about least, given that its slope
 * is -1 at 0 and positive at 1. */
static void shorten(struct circuit *c, struct line *l)
{
    gsl_function f = {slope_at, l};
    int i;

    if (gsl_root_fsolver_set(c->finder, &f, 0.0, 1.0) != GSL_SUCCESS)
        return;
    for (i = 0; i < 60; i++) {
        double s;

        if (gsl_root_fsolver_iterate(c->finder) != GSL_SUCCESS)
            break;
        s = slope_at(gsl_root_fsolver_root(c->finder), l);
        if (fabs(s) < 0.1 && gsl_root_fsolver_root(c->finder) > 0)
            break;
    }
}

enum status_code circuit_solve(struct circuit *c, struct status *st)
{
    struct line line = {.c = c};
    double step[CIRCUIT_NODES], out[CIRCUIT_NODES];
    double greatest, worst = 0;
    int i, k, n = c->nodes;

    /* The first step takes every branch at a high constant permeability: it starts Newton's method
     * from potentials like those of the answer instead of from deep saturation. */
    memset(c->u, 0, sizeof c->u);
    balance(c, c->u, out);
    memset(out, 0, sizeof out);
    for (k = 0; k < c->branches; k++) {
        struct circuit_branch *b = &c->branch[k];
        double source = b->mmf;

        b->slope = 1000 * IRON_MU0;
        if (b->coercivity > 0) {
            b->slope = IRON_MU0 + fabs(b->remanence) / b->coercivity;
            source += (b->remanence < 0 ? -1 : 1) * b->coercivity * b->length;
        }
        source *= b->area * b->slope / b->length;
        source += b->offset;
        if (b->i >= 0)
            out[b->i] -= source;
        if (b->j >= 0)
            out[b->j] += source;
    }
    c->iterations = 0;
    if (!factorise(c))
        return status_fail(st, STATUS_NUMERIC, "the magnetic network has a part joined to nothing");
    substitute(c, out);
    memcpy(c->u, out, sizeof c->u[0] * (size_t)n);
    greatest = balance(c, c->u, out);

    for (c->iterations = 1; c->iterations <= MAX_STEPS; c->iterations++) {
        double slope = 0;

        worst = 0;
        for (i = 0; i < n; i++)
            worst = fmax(worst, fabs(out[i]));
        c->residual = greatest > 0 ? worst / greatest : 0;
        if (!factorise(c))
            break;
        if (!isfinite(worst))
            break;
        if (c->residual < CIRCUIT_TOLERANCE)
            return status_ok(st);
        for (i = 0; i < n; i++)
            step[i] = -out[i];
        substitute(c, step);
        for (i = 0; i < n; i++)
            slope += out[i] * step[i];
        if (!(slope < 0))
            break;
        line.u = c->u;
        line.step = step;
        line.scale = -1 / slope;
        if (slope_at(1.0, &line) > 0.5)
            shorten(c, &line);
        greatest = line.greatest;
        memcpy(out, line.out, sizeof out[0] * (size_t)n);
        memcpy(c->u, line.at, sizeof c->u[0] * (size_t)n);
    }
    return status_fail(st, STATUS_NUMERIC,
                       "the magnetic network did not balance: after %d steps %.3g of the greatest "
                       "flux is left over, %.0e is allowed",
                       c->iterations, c->residual, CIRCUIT_TOLERANCE);
}

void circuit_respond(const struct circuit *c, const double *dmmf, const double *doffset, double *du)
{
    int i, k;

    for (i = 0; i < c->nodes; i++)
        du[i] = 0;
    for (k = 0; k < c->branches; k++) {
        const struct circuit_branch *b = &c->branch[k];
        double flux = b->area * b->slope / b->length * dmmf[k] + doffset[k];

        if (b->i >= 0)
            du[b->i] -= flux;
        if (b->j >= 0)
            du[b->j] += flux;
    }
    substitute(c, du);
}

double circuit_coenergy(const struct circuit *c)
{
    double w = 0;
    int i, j, k;

    for (i = 0; i < c->nodes; i++)
        for (j = 0; j < c->nodes; j++)
            w += 0.5 * c->u[i] * c->air[i][j] * c->u[j];
    for (k = 0; k < c->branches; k++) {
        const struct circuit_branch *b = &c->branch[k];
        double density;

        if (b->coercivity > 0) {
            /* integral of B dH from H = 0 */
            double sign = b->remanence < 0 ? -1 : 1, width = descent_width(b);
            double x0 = b->coercivity / width, x = (sign * b->h + b->coercivity) / width;

            density = IRON_MU0 * b->h * b->h / 2 +
                      2 / M_PI * b->saturation * width *
                          (x * atan(x) - log1p(x * x) / 2 - x0 * atan(x0) + log1p(x0 * x0) / 2);
        } else {
            density = b->h_scale * (b->b * b->h / b->h_scale - iron_energy(b->iron, b->b));
        }
        w += b->area * b->length * density;
        w += b->offset * (potential(c->u, b->i) - potential(c->u, b->j));
    }
    return w;
}
