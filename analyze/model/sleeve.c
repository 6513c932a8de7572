#include "analyze/model/sleeve.h"

#include <math.h>
#include <string.h>

#include "analyze/model/iron.h"

/* Chosen with the numbers of stray.c. */
#define SLEEVE_MOST 0.7 /* widths of the iron: winding beyond that is not reckoned with */

/* The network takes a winding for a thin sheet on the iron: just outside it the field along the
 * limb is H = du/dz, the rise of the stray potential, which at a distance falls off as that does,
 * by psi. In a winding some way off and of some height a share f of its n ampere-turns per metre
 * lies inside the radius r, so that the field there is psi H + (1 - f) n. To first order the
 * coenergy changes by mu0 n H times the integral of (1 - f) psi over the section and mu0 n^2 / 2
 * times that of (1 - f)^2. Here these two integrals, psi for the even and the odd stray field. A
 * winding much higher than its iron is wide is more than a first order can say. */
static void areas(const struct magnet_limb *l, double room, const double spread[2], double along[2],
                  double *within)
{
    static const double point[3] = {0.11270166537925831, 0.5, 0.88729833462074169};
    static const double weight[3] = {5.0 / 18, 8.0 / 18, 5.0 / 18};
    double round = shape_perimeter(&l->section),
           most = fmin(SLEEVE_MOST * sqrt(shape_area(&l->section)), room);
    int layer, i, k;

    along[0] = along[1] = *within = 0;
    for (layer = 0; layer < 2; layer++) {
        double start = layer ? fmin(l->coil_clearance, most) : 0;
        double high = fmin(layer ? l->coil_height : l->coil_clearance, most - start);

        for (i = 0; i < 3; i++) {
            double out = start + point[i] * high, free = layer ? 1 - point[i] : 1;
            double area = weight[i] * high * (round + 2 * M_PI * out);
            double fall = log1p(2 * M_PI * out / round);

            for (k = 0; k < 2; k++)
                along[k] += area * free * fmax(1 - spread[k] * fall, 0);
            *within += area * free * free;
        }
    }
}

static void find(struct sleeve *s, const struct magnet *m, const double cut[SHAPE_SEGMENTS + 1],
                 const double spread[2])
{
    int k, i;

    for (k = 0; k < s->limbs; k++) {
        double along[2], within, room = INFINITY;

        /* a winding ends at the other's place, whatever it is said to be */
        if (s->limbs == 2)
            room = 0.5 * m->spacing - shape_half_width(&m->limb[k].section);
        areas(&m->limb[k], fmax(room, 0), spread, along, &within);
        /* potentials of this limb and the other as half the sum and half the difference */
        s->along[k][0] = IRON_MU0 * (s->limbs == 2 ? 0.5 * (along[0] + along[1]) : along[0]);
        s->along[k][1] = IRON_MU0 * (s->limbs == 2 ? 0.5 * (along[0] - along[1]) : 0);
        s->within[k] = 0;
        for (i = 0; i <= SHAPE_SEGMENTS && m->limb[k].turns > 0; i++) {
            double low, high, turns, open;

            shape_span(cut, m->limb[k].length, i, &low, &high);
            turns = shape_turns(&m->limb[k], low, high);
            /* where a branch is wound over a part only, H beside the winding is steeper than the
             * branch's mean by that which the iron does not spend */
            open = 1 - turns / shape_density(&m->limb[k]) / (high - low);
            s->within[k] += turns * shape_density(&m->limb[k]) *
                            (IRON_MU0 * within - 2 * s->along[k][0] * open);
        }
    }
}

void sleeve_offsets(const struct sleeve *s, const struct circuit *c, const double *mmf,
                    double *offset)
{
    int k, i;

    memset(offset, 0, sizeof *offset * (size_t)c->branches);
    for (k = 0; k < s->limbs; k++) {
        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            int n = s->branch[k] + i;
            double slope = mmf[n] / c->branch[n].length;

            offset[n] += s->along[k][0] * slope;
            if (s->limbs == 2)
                offset[s->branch[1 - k] + i] += s->along[k][1] * slope;
        }
    }
}

double sleeve_flux(const struct sleeve *s, const struct circuit *c, const double *u, int k, int i)
{
    const struct circuit_branch *b = &c->branch[s->branch[k] + i];
    double flux = s->along[k][0] * (u[b->i] - u[b->j]);

    if (s->limbs == 2) {
        const struct circuit_branch *other = &c->branch[s->branch[1 - k] + i];

        flux += s->along[k][1] * (u[other->i] - u[other->j]);
    }
    return flux / b->length;
}

void sleeve_add(struct sleeve *s, const struct magnet *m, const double cut[SHAPE_SEGMENTS + 1],
                const double spread[2], const int branch[2], struct circuit *c)
{
    double mmf[CIRCUIT_BRANCHES] = {0}, offset[CIRCUIT_BRANCHES];
    int k;

    s->limbs = shape_limbs(m);
    for (k = 0; k < s->limbs; k++)
        s->branch[k] = branch[k];
    find(s, m, cut, spread);
    for (k = 0; k < c->branches; k++)
        mmf[k] = c->branch[k].mmf;
    sleeve_offsets(s, c, mmf, offset);
    for (k = 0; k < c->branches; k++)
        c->branch[k].offset = offset[k];
}
