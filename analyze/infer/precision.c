#include "analyze/infer/precision.h"

#include <math.h>

bool precision_factor(struct precision *p, size_t n)
{
    for (size_t j = 0; j < n; j++) {
        double d = p->root[j][j];

        for (size_t k = 0; k < j; k++)
            d -= p->root[j][k] * p->root[j][k];
        if (!(d > 0))
            return false;
        d = sqrt(d);
        p->root[j][j] = d;
        for (size_t i = j + 1; i < n; i++) {
            double s = p->root[i][j];

            for (size_t k = 0; k < j; k++)
                s -= p->root[i][k] * p->root[j][k];
            p->root[i][j] = s / d;
        }
    }
    return true;
}

void precision_solve(const struct precision *p, size_t n, const double *b, double *x)
{
    for (size_t i = 0; i < n; i++) {
        double s = b[i];

        for (size_t k = 0; k < i; k++)
            s -= p->root[i][k] * x[k];
        x[i] = s / p->root[i][i];
    }
    for (size_t i = n; i-- > 0;) {
        double s = x[i];

        for (size_t k = i + 1; k < n; k++)
            s -= p->root[k][i] * x[k];
        x[i] = s / p->root[i][i];
    }
}

double precision_square(const struct precision *p, size_t n, const double *a, const double *b)
{
    double square = 0;

    for (size_t j = 0; j < n; j++) {
        double s = 0;

        for (size_t i = j; i < n; i++)
            s += p->root[i][j] * (a[i] - b[i]);
        square += s * s;
    }
    return square;
}

double precision_log_root(const struct precision *p, size_t n)
{
    double sum = 0;

    for (size_t j = 0; j < n; j++)
        sum += log(p->root[j][j]);
    return sum;
}

void precision_point(const struct precision *p, size_t n, const double *mode, const double *normal,
                     double *z)
{
    for (size_t i = n; i-- > 0;) {
        double s = normal[i];

        for (size_t k = i + 1; k < n; k++)
            s -= p->root[k][i] * (z[k] - mode[k]);
        z[i] = mode[i] + s / p->root[i][i];
    }
}
