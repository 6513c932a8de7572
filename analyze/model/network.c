#include "analyze/model/network.h"

#include <math.h>
#include <string.h>

#include "analyze/model/iron.h"
#include "analyze/model/shape.h"

/* Chosen with the numbers of stray.c. */
#define CORNER 0.3 /* thicknesses of keeper and yoke that turning a corner takes */

/* Less air than an atom at a joint is none, and so weak a source none: beyond them the equations
 * are lost in rounding, or squares in underflow. */
#define JOINT_LEAST  1e-10
#define SOURCE_LEAST 1e-100

static bool same_section(const struct magnet_section *a, const struct magnet_section *b)
{
    return a->outline == b->outline && a->width == b->width &&
           (a->outline == MAGNET_ROUND || a->depth == b->depth);
}

/* Finds what depends on the shape alone. */
static enum status_code find_air(struct network *w, const struct magnet *m, struct status *st)
{
    int limbs = shape_limbs(m), k;
    enum status_code code;

    shape_cut(m, w->cut);
    code = stray_find(m, w->cut, w->stray, st);
    if (code)
        return code;
    for (k = 0; k < limbs; k++)
        w->spread[k] = stray_spread(&w->stray[k], shape_limb_length(m));
    if (limbs == 1)
        w->spread[1] = w->spread[0];
    if (!m->keeper.present)
        return STATUS_OK;
    rim_find(m, 0, w->cut, &w->rim[0]);
    if (limbs == 2 && m->gap[0] == m->gap[1] &&
        same_section(&m->limb[0].section, &m->limb[1].section) &&
        same_section(&m->limb[0].pole, &m->limb[1].pole))
        w->rim[1] = w->rim[0];
    else if (limbs == 2)
        rim_find(m, 1, w->cut, &w->rim[1]);
    return STATUS_OK;
}

/* The inputs that the air depends on, to know a shape again. */
static int air_key(const struct magnet *m, double *key)
{
    int n = 0, k;

    key[n++] = m->form;
    for (k = 0; k < shape_limbs(m); k++) {
        const struct magnet_limb *l = &m->limb[k];

        key[n++] = l->section.outline;
        key[n++] = l->section.width;
        key[n++] = l->section.outline == MAGNET_ROUND ? 0 : l->section.depth;
        key[n++] = l->pole.width;
        key[n++] = l->pole.width == 0 || l->pole.outline == MAGNET_ROUND ? 0 : l->pole.depth;
        key[n++] = l->length;
        key[n++] = m->gap[k];
    }
    key[n++] = m->contact_gap;
    key[n++] = m->keeper.present;
    if (m->keeper.present) {
        key[n++] = m->keeper.length;
        key[n++] = m->keeper.width;
        key[n++] = m->keeper.thickness;
    }
    if (m->form == MAGNET_U) {
        key[n++] = m->spacing;
        key[n++] = m->yoke.bent;
        key[n++] = m->yoke.bent ? 0 : m->yoke.length;
        key[n++] = m->yoke.bent ? 0 : m->yoke.width;
        key[n++] = m->yoke.bent ? 0 : m->yoke.thickness;
    }
    return n;
}

static double scale_of(double h_scale)
{
    return h_scale == 0 ? 1 : h_scale;
}

/* A keeper or yoke of that length between the middles of two limbs, `width` wide. Over a limb its
 * flux grows evenly from nothing to all, so what is lost there, averaged over the limb, is the
 * integral of x H(x B) width for x from 0 to 1, taken by the two-point rule for that weight (points
 * 0.355 and 0.845, weights 0.182 and 0.318): the second point as iron of greater section, the
 * first, which never saturates, as a little more length of the middle. */
static void add_bridge(struct circuit *c, int from, int to, int inside, const struct iron *iron,
                       double h_scale, double area, double length, double width)
{
    circuit_iron(c, from, inside, iron, h_scale, area,
                 length - width + 2 * 0.18196 * 0.35505 * width, 0);
    circuit_iron(c, inside, to, iron, h_scale, area / 0.84495, 2 * 0.31804 * width, 0);
}

enum status_code network_open(struct network *w, struct status *st)
{
    memset(w, 0, sizeof *w);
    return circuit_open(&w->circuit, st);
}

void network_close(struct network *w)
{
    circuit_close(&w->circuit);
}

enum status_code network_build(struct network *w, const struct magnet *m, const double current[2],
                               struct status *st)
{
    struct circuit *c = &w->circuit;
    struct stray_nodes *at = &w->at;
    double key[NETWORK_KEYS];
    int keys = air_key(m, key), n = 0, keeper_inside, yoke_inside, k, i;

    at->limbs = shape_limbs(m);
    w->keeper_branch = w->yoke_branch = STRAY_NONE;
    if (keys != w->keys || memcmp(key, w->key, sizeof key[0] * (size_t)keys) != 0) {
        enum status_code code;

        w->keys = 0;
        code = find_air(w, m, st);
        if (code)
            return code;
        memcpy(w->key, key, sizeof key[0] * (size_t)keys);
        w->keys = keys;
    }
    for (k = 0; k < at->limbs; k++) {
        at->pole[k] = n++;
        for (i = 0; i < SHAPE_SEGMENTS; i++)
            at->segment[k][i] = n++;
        at->keeper[k] = m->keeper.present ? n++ : STRAY_NONE;
        if (at->limbs == 2) {
            at->yoke[k] = n++;
            at->foot[k] = !m->yoke.bent && m->yoke.joint_gap > JOINT_LEAST ? n++ : at->yoke[k];
        } else {
            at->yoke[k] = STRAY_NONE;
            at->foot[k] = n++;
        }
    }
    keeper_inside = m->keeper.present && at->limbs == 2 ? n++ : STRAY_NONE;
    yoke_inside = at->limbs == 2 && !m->yoke.bent ? n++ : STRAY_NONE;
    circuit_clear(c, n);
    for (k = 0; k < at->limbs; k++)
        stray_add(c, &w->stray[k], k, at);
    for (k = 0; k < at->limbs; k++) {
        const struct magnet_limb *l = &m->limb[k];
        double sign = k ? -1 : 1;

        w->limb_branch[k] = c->branches;
        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            int below = i == SHAPE_SEGMENTS ? at->foot[k] : at->segment[k][i];
            int above = i == 0 ? at->pole[k] : at->segment[k][i - 1];
            double low, high, source;

            shape_span(w->cut, l->length, i, &low, &high);
            source = sign * current[k] * shape_turns(l, low, high);
            circuit_iron(c, below, above, l->iron, scale_of(l->h_scale), shape_area(&l->section),
                         high - low, fabs(source) > SOURCE_LEAST ? source : 0);
        }
        if (m->keeper.present) {
            circuit_air(c, at->pole[k], at->keeper[k], w->rim[k].face.value);
            for (i = 0; i < SHAPE_TIPS; i++)
                circuit_air(c, at->segment[k][i], at->keeper[k], w->rim[k].tip[i].value);
        }
        if (at->limbs == 2 && at->foot[k] != at->yoke[k])
            circuit_air(c, at->foot[k], at->yoke[k],
                        IRON_MU0 * shape_area(&l->section) / m->yoke.joint_gap);
    }
    sleeve_add(&w->sleeve, m, w->cut, w->spread, w->limb_branch, c);
    if (at->limbs == 2) {
        double width = shape_mean(m->limb[0].section.width, m->limb[1].section.width, 2);

        if (m->keeper.present) {
            const struct magnet_section a = shape_pole(&m->limb[0]), b = shape_pole(&m->limb[1]);

            w->keeper_branch = c->branches;
            add_bridge(c, at->keeper[0], at->keeper[1], keeper_inside,
                       m->keeper.iron ? m->keeper.iron : m->limb[0].iron,
                       scale_of(m->keeper.h_scale), m->keeper.width * m->keeper.thickness,
                       m->spacing + 2 * CORNER * m->keeper.thickness,
                       shape_mean(a.width, b.width, 2));
        }
        w->yoke_branch = c->branches;
        if (m->yoke.bent)
            circuit_iron(c, at->yoke[1], at->yoke[0], m->yoke.iron ? m->yoke.iron : m->limb[0].iron,
                         scale_of(m->yoke.h_scale), shape_area(&m->limb[0].section),
                         M_PI / 2 * m->spacing, 0);
        else
            add_bridge(c, at->yoke[1], at->yoke[0], yoke_inside,
                       m->yoke.iron ? m->yoke.iron : m->limb[0].iron, scale_of(m->yoke.h_scale),
                       m->yoke.width * m->yoke.thickness,
                       m->spacing + 2 * CORNER * m->yoke.thickness, width);
    }
    return STATUS_OK;
}
