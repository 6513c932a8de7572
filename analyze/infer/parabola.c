#include "analyze/infer/parabola.h"

#include <math.h>

#define END 3.5 /* steps from the centre beyond which it is not followed */

void parabola_fill(const struct parabola *p, const struct weigh_model *m, const double *z,
                   double *scalar)
{
    double y[WEIGH_UNKNOWNS_MAX];

    for (size_t k = 0; k < m->unknowns; k++) {
        y[k] = 0;
        for (size_t j = 0; j < m->unknowns; j++)
            y[k] += p->axis[k][j] * (z[j] - p->centre[j]);
        y[k] = fmax(-END, fmin(END, y[k] / p->step[k]));
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
}
