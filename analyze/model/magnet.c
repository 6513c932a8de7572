#include "analyze/model/magnet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/circuit.h"
#include "analyze/model/network.h"
#include "analyze/model/shape.h"
#include "analyze/model/sleeve.h"
#include "analyze/model/solenoid.h"
#include "analyze/model/stray.h"

struct magnet_workspace {
    struct network network;
};

struct magnet_workspace *magnet_workspace_create(void)
{
    struct magnet_workspace *w = malloc(sizeof *w);

    if (w && network_open(&w->network, NULL)) {
        free(w);
        return NULL;
    }
    return w;
}

void magnet_workspace_free(struct magnet_workspace *w)
{
    if (w)
        network_close(&w->network);
    free(w);
}

const char *magnet_part_name(enum magnet_part part)
{
    static const char *const names[MAGNET_PARTS] = {"limb 1 foot", "limb 1 pole", "limb 2 foot",
                                                    "limb 2 pole", "yoke",        "keeper",
                                                    "gap 1",       "gap 2"};

    return (unsigned)part < MAGNET_PARTS ? names[part] : "?";
}

double magnet_contact_gap(double ra1, double ra2)
{
    return 3.5 * (ra1 + ra2);
}

/* ---- checks ---- */

static enum status_code check_range(const char *what, double value, double low, double high,
                                    const char *unit, double scale, struct status *st)
{
    if (value >= low && value <= high)
        return STATUS_OK;
    return status_fail(st, STATUS_INPUT, "%s is %g %s; allowed is %g to %g %s", what, value * scale,
                       unit, low * scale, high * scale, unit);
}

static enum status_code check_length(const char *what, double value, double low, double high,
                                     struct status *st)
{
    return check_range(what, value, low, high, "mm", 1e3, st);
}

static enum status_code check_scale(const char *what, double value, struct status *st)
{
    if (value == 0)
        return STATUS_OK;
    return check_range(what, value, 0.05, 100, "", 1, st);
}

static enum status_code check_limb(const struct magnet_limb *l, int k, struct status *st)
{
    char what[64];
    const char *n = k ? "limb 2" : "limb 1";
    enum status_code code;

#define CHECK(call)                                                                                \
    do {                                                                                           \
        code = (call);                                                                             \
        if (code)                                                                                  \
            return code;                                                                           \
    } while (0)
#define NAME(text) (snprintf(what, sizeof what, "%s of %s", text, n), what)

    if (l->section.outline != MAGNET_ROUND && l->section.outline != MAGNET_RECTANGLE)
        return status_fail(st, STATUS_INPUT, "outline of %s is %d; allowed are round and rectangle",
                           n, (int)l->section.outline);
    CHECK(check_length(NAME("width"), l->section.width, 0.5e-3, 0.5, st));
    if (l->section.outline == MAGNET_RECTANGLE)
        CHECK(check_length(NAME("depth"), l->section.depth, 0.5e-3, 0.5, st));
    CHECK(check_length(NAME("length"), l->length, 1e-3, 1.0, st));
    CHECK(check_range(NAME("turns"), l->turns, 0, 1e6, "turns", 1, st));
    CHECK(check_length(NAME("start of the coil"), l->coil_start, 0, l->length, st));
    CHECK(check_length(NAME("end of the coil"), l->coil_end, 0, l->length, st));
    if (l->pole.width != 0) {
        if (l->pole.outline != l->section.outline)
            return status_fail(st, STATUS_INPUT, "the pole of %s has not the outline of the limb",
                               n);
        CHECK(check_length(NAME("width of the pole"), l->pole.width, 0.5e-3, 0.5, st));
        if (l->pole.outline == MAGNET_RECTANGLE)
            CHECK(check_length(NAME("depth of the pole"), l->pole.depth, 0.5e-3, 0.5, st));
    }
    CHECK(check_length(NAME("clearance under the coil"), l->coil_clearance, 0, 0.5, st));
    CHECK(check_length(NAME("height of the coil"), l->coil_height, 0, 0.5, st));
    if (!(l->coil_end > l->coil_start) && !(l->coil_end == 0 && l->coil_start == 0))
        return status_fail(
            st, STATUS_INPUT,
            "the coil of %s ends at %g mm from the foot; it must end beyond its start "
            "at %g mm",
            n, l->coil_end * 1e3, l->coil_start * 1e3);
    if (!l->iron)
        return status_fail(st, STATUS_INPUT, "the iron of %s is not named", n);
    CHECK(check_scale(NAME("field scale"), l->h_scale, st));
    return STATUS_OK;
}

enum status_code magnet_check(const struct magnet *m, struct status *st)
{
    int limbs = shape_limbs(m), k;
    enum status_code code;

    if (m->form != MAGNET_BAR && m->form != MAGNET_U)
        return status_fail(st, STATUS_INPUT, "form of the magnet is %d; allowed are bar and U",
                           (int)m->form);
    for (k = 0; k < limbs; k++)
        CHECK(check_limb(&m->limb[k], k, st));
    if (m->form == MAGNET_U) {
        const struct magnet_section a = shape_pole(&m->limb[0]), b = shape_pole(&m->limb[1]);
        double touching =
            shape_half_width(&m->limb[0].section) + shape_half_width(&m->limb[1].section);
        double poles = shape_half_width(&a) + shape_half_width(&b);

        CHECK(check_length("spacing of the limbs", m->spacing, 1.02 * touching, 2.0, st));
        CHECK(check_length("spacing of the limbs with such pole faces", m->spacing, 1.02 * poles,
                           2.0, st));
        if (!m->yoke.bent) {
            CHECK(check_length("width of the yoke", m->yoke.width, 0.5e-3, 0.5, st));
            CHECK(check_length("thickness of the yoke", m->yoke.thickness, 0.5e-3, 0.5, st));
            if (m->yoke.length != 0)
                CHECK(check_length("length of the yoke", m->yoke.length, m->spacing, 3.0, st));
            CHECK(check_length("joint gap of the yoke", m->yoke.joint_gap, 0, 5e-3, st));
        }
        CHECK(check_scale("field scale of the yoke", m->yoke.h_scale, st));
    }
    CHECK(check_length("contact gap", m->contact_gap, 0, 1e-3, st));
    if (m->keeper.present) {
        CHECK(check_length("width of the keeper", m->keeper.width, 0.5e-3, 0.5, st));
        CHECK(check_length("thickness of the keeper", m->keeper.thickness, 0.1e-3, 0.5, st));
        if (m->keeper.length != 0)
            CHECK(check_length("length of the keeper", m->keeper.length,
                               m->form == MAGNET_U ? m->spacing : 0.5e-3, 3.0, st));
        CHECK(check_scale("field scale of the keeper", m->keeper.h_scale, st));
        for (k = 0; k < limbs; k++) {
            CHECK(check_length(k ? "gap at pole 2" : "gap at pole 1", m->gap[k], 0, 0.1, st));
            CHECK(
                check_length(k ? "gap and contact gap at pole 2" : "gap and contact gap at pole 1",
                             m->gap[k] + m->contact_gap, 0.1e-6, 0.101, st));
        }
    }
    return status_ok(st);
}

/* ---- results ---- */

static void forget(struct magnet_result *r)
{
    int i;

    memset(r, 0, sizeof *r);
    for (i = 0; i < MAGNET_PARTS; i++)
        r->flux[i] = r->b[i] = NAN;
    r->b_max[0] = r->b_max[1] = NAN;
    r->gap_mmf[0] = r->gap_mmf[1] = NAN;
    r->pull_at[0] = r->pull_at[1] = r->pull_near = NAN;
    r->limit_ratio = r->iron_share = r->pull = r->coenergy = r->residual = NAN;
    r->linkage[0] = r->linkage[1] = NAN;
    for (i = 0; i < 4; i++)
        r->inductance[i / 2][i % 2] = NAN;
}

/* The pull: minus the change of the air's energy with the gap at these potentials. */
static void find_pull(const struct network *w, const struct magnet *m, struct magnet_result *r)
{
    const struct stray_nodes *at = &w->at;
    const double *u = w->circuit.u;
    double far = 0;
    int k, i, parity;

    r->pull = r->pull_at[0] = r->pull_near = 0;
    if (at->limbs == 2)
        r->pull_at[1] = 0;
    if (!m->keeper.present)
        return;
    for (parity = 0; parity < at->limbs; parity++)
        far += stray_pull(&w->stray[parity], parity, at, u);
    for (k = 0; k < at->limbs; k++) {
        const struct rim *rim = &w->rim[k];
        double d = u[at->pole[k]] - u[at->keeper[k]];

        r->pull_at[k] = -0.5 * d * d * rim->face.slope + far / at->limbs;
        for (i = 0; i < SHAPE_TIPS; i++) {
            d = u[at->segment[k][i]] - u[at->keeper[k]];
            r->pull_at[k] -= 0.5 * d * d * rim->tip[i].slope;
        }
        r->pull += r->pull_at[k];
        r->pull_near += r->pull_at[k] - far / at->limbs;
    }
}

static void consider_limit(struct magnet_result *r, enum magnet_part part, double b,
                           const struct iron *iron)
{
    double ratio = fabs(b) / iron_facts(iron)->knee;

    if (ratio > r->limit_ratio) {
        r->limit_ratio = ratio;
        r->limit = part;
    }
}

static void set_part(struct magnet_result *r, enum magnet_part part, double flux, double area)
{
    r->flux[part] = flux;
    r->b[part] = flux / area;
}

/* What a winding has without iron. No iron is less permeable than air, so that none leaves it less;
 * deep in saturation, where little is left, the network may. 0 where `found`, H, is plainly more.
 */
static double air_inductance(const struct magnet_limb *l, double found)
{
    double inner = shape_perimeter(&l->section) / (2 * M_PI) + l->coil_clearance;
    double outer = inner + l->coil_height, span = l->turns > 0 ? l->turns / shape_density(l) : 0;

    if (!(l->turns > 0) || found > IRON_MU0 * M_PI * outer * outer * l->turns * l->turns / span)
        return 0;
    return solenoid_inductance(0.5 * (inner + outer), span, fmax(l->coil_height, 1e-3 * inner),
                               l->turns);
}

static void report(const struct network *w, const struct magnet *m, const double current[2],
                   struct magnet_result *r)
{
    const struct circuit *c = &w->circuit;
    const struct stray_nodes *at = &w->at;
    const struct sleeve *sleeve = &w->sleeve;
    double iron_mmf = 0, source = 0, coenergy = 0;
    int k, i, j;

    r->iterations = c->iterations;
    r->residual = c->residual;
    r->limit_ratio = 0;
    r->limit = MAGNET_LIMB1_FOOT;
    for (k = 0; k < at->limbs; k++) {
        const struct circuit_branch *b = &c->branch[w->limb_branch[k]];
        enum magnet_part foot = k ? MAGNET_LIMB2_FOOT : MAGNET_LIMB1_FOOT;
        enum magnet_part pole = k ? MAGNET_LIMB2_POLE : MAGNET_LIMB1_POLE;
        double sign = k ? -1 : 1, area = shape_area(&m->limb[k].section);
        double linkage = 0;

        r->b_max[k] = 0;
        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            double low, high;

            shape_span(w->cut, m->limb[k].length, i, &low, &high);
            linkage += shape_turns(&m->limb[k], low, high) *
                       (b[i].flux + sleeve_flux(sleeve, c, c->u, k, i));
            r->b_max[k] = fmax(r->b_max[k], fabs(b[i].b));
            consider_limit(r, i < (SHAPE_SEGMENTS + 1) / 2 ? pole : foot, b[i].b, m->limb[k].iron);
            iron_mmf += fabs(b[i].h) * b[i].length;
            source += fabs(b[i].mmf);
        }
        r->linkage[k] = sign * linkage + sleeve->within[k] * current[k];
        coenergy += 0.5 * sleeve->within[k] * current[k] * current[k];
        set_part(r, foot, sign * b[SHAPE_SEGMENTS].flux, area);
        set_part(r, pole, sign * b[0].flux, area);
        if (m->keeper.present) {
            const struct magnet_section end = shape_pole(&m->limb[k]);
            double d = c->u[at->pole[k]] - c->u[at->keeper[k]];

            r->gap_mmf[k] = sign * d;
            set_part(
                r, k ? MAGNET_GAP2 : MAGNET_GAP1,
                sign * d *
                    (IRON_MU0 * w->rim[k].area / (m->gap[k] + m->contact_gap) + w->rim[k].spill),
                shape_area(&end));
        }
    }
    if (w->keeper_branch != STRAY_NONE) {
        const struct circuit_branch *b = &c->branch[w->keeper_branch];

        set_part(r, MAGNET_KEEPER, b->flux, b->area);
        iron_mmf += fabs(b->h) * b->length + fabs(b[1].h) * b[1].length;
        consider_limit(r, MAGNET_KEEPER, b->b, b->iron);
    }
    if (w->yoke_branch != STRAY_NONE) {
        const struct circuit_branch *b = &c->branch[w->yoke_branch];

        set_part(r, MAGNET_YOKE, b->flux, b->area);
        iron_mmf += fabs(b->h) * b->length;
        if (!m->yoke.bent)
            iron_mmf += fabs(b[1].h) * b[1].length;
        consider_limit(r, MAGNET_YOKE, b->b, b->iron);
    }
    r->iron_share = source > 0 ? fmin(iron_mmf / source, 1) : 0;
    r->coenergy = fmax(coenergy + circuit_coenergy(c), 0);
    /* incremental inductances: the answer of the balanced network to one ampere more */
    for (j = 0; j < at->limbs; j++) {
        double dmmf[CIRCUIT_BRANCHES] = {0}, doffset[CIRCUIT_BRANCHES], du[CIRCUIT_NODES];

        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            double low, high;

            shape_span(w->cut, m->limb[j].length, i, &low, &high);
            dmmf[w->limb_branch[j] + i] = (j ? -1 : 1) * shape_turns(&m->limb[j], low, high);
        }
        sleeve_offsets(sleeve, c, dmmf, doffset);
        circuit_respond(c, dmmf, doffset, du);
        for (k = 0; k < at->limbs; k++) {
            double sum = 0;

            for (i = 0; i <= SHAPE_SEGMENTS; i++) {
                int n = w->limb_branch[k] + i;
                const struct circuit_branch *b = &c->branch[n];
                double low, high;

                shape_span(w->cut, m->limb[k].length, i, &low, &high);
                sum += shape_turns(&m->limb[k], low, high) *
                       (b->area * b->slope / b->length * (du[b->i] - du[b->j] + dmmf[n]) +
                        sleeve_flux(sleeve, c, du, k, i));
            }
            r->inductance[k][j] = (k ? -1 : 1) * sum;
            if (k == j) {
                r->inductance[k][j] += sleeve->within[k];
                r->inductance[k][j] =
                    fmax(r->inductance[k][j], air_inductance(&m->limb[k], r->inductance[k][j]));
            }
        }
    }
    find_pull(w, m, r);
}

static enum status_code check_current(const struct magnet *m, const double current[2],
                                      struct status *st)
{
    enum status_code code = magnet_check(m, st);

    if (code)
        return code;
    CHECK(check_range("current in limb 1", current[0], -1e4, 1e4, "A", 1, st));
    if (m->form == MAGNET_U)
        CHECK(check_range("current in limb 2", current[1], -1e4, 1e4, "A", 1, st));
    return STATUS_OK;
}

enum status_code magnet_solve(struct magnet_workspace *w, const struct magnet *m,
                              const double current[2], struct magnet_result *r, struct status *st)
{
    struct network *net = &w->network;
    enum status_code code;

    forget(r);
    CHECK(check_current(m, current, st));
    CHECK(network_build(net, m, current, st));
    CHECK(circuit_solve(&net->circuit, st));
    report(net, m, current, r);
    return status_ok(st);
}

/* How much of the remanence and coercive force of a fully magnetised piece is left by a peak flux
 * density b: in proportion below the knee (common practice, no source). */
static double retained(double b, const struct iron *iron)
{
    return fmin(1, fabs(b) / iron_facts(iron)->knee);
}

static void keep_magnetised(struct circuit_branch *b, double peak)
{
    const struct iron_facts *facts = iron_facts(b->iron);
    double part = retained(peak, b->iron);

    if (!(part > 1e-6))
        return;
    b->saturation = facts->saturation;
    b->remanence = copysign(facts->remanence * part, peak);
    b->coercivity = facts->coercivity * b->h_scale * part;
}

enum status_code magnet_residual(struct magnet_workspace *w, const struct magnet *m,
                                 const struct magnet_result *before, double *pull,
                                 struct magnet_result *after, struct status *st)
{
    static const double off[2] = {0, 0};
    struct network *net = &w->network;
    struct circuit *c = &net->circuit;
    enum status_code code;
    int k, i;

    forget(after);
    *pull = NAN;
    CHECK(magnet_check(m, st));
    CHECK(network_build(net, m, off, st));
    for (k = 0; k < net->at.limbs; k++) {
        double sign = k ? -1 : 1;
        double foot = before->b[k ? MAGNET_LIMB2_FOOT : MAGNET_LIMB1_FOOT];
        double pole = before->b[k ? MAGNET_LIMB2_POLE : MAGNET_LIMB1_POLE];

        if (!isfinite(foot) || !isfinite(pole))
            return status_fail(st, STATUS_INPUT,
                               "the flux density of limb %d before switching off is not known",
                               k + 1);
        for (i = 0; i <= SHAPE_SEGMENTS; i++)
            keep_magnetised(&c->branch[net->limb_branch[k] + i],
                            sign * (pole + (foot - pole) * i / SHAPE_SEGMENTS));
    }
    if (net->keeper_branch != STRAY_NONE && isfinite(before->b[MAGNET_KEEPER]))
        for (i = 0; i < 2; i++)
            keep_magnetised(&c->branch[net->keeper_branch + i], before->b[MAGNET_KEEPER]);
    if (net->yoke_branch != STRAY_NONE && isfinite(before->b[MAGNET_YOKE]))
        for (i = 0; i < (m->yoke.bent ? 1 : 2); i++)
            keep_magnetised(&c->branch[net->yoke_branch + i], before->b[MAGNET_YOKE]);
    CHECK(circuit_solve(c, st));
    report(net, m, off, after);
    *pull = after->pull;
    return status_ok(st);
}

/* Flux that turns[branch] link when the sources changed by dmmf[branch] and the potentials by du.
 */
static double answer(const struct network *w, const double *turns, const double *dmmf,
                     const double *du)
{
    const struct circuit *c = &w->circuit;
    double sum = 0;
    int k, i;

    for (k = 0; k < w->at.limbs; k++) {
        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            int n = w->limb_branch[k] + i;
            const struct circuit_branch *b = &c->branch[n];

            sum += turns[n] * (b->area * b->slope / b->length * (du[b->i] - du[b->j] + dmmf[n]) +
                               sleeve_flux(&w->sleeve, c, du, k, i));
        }
    }
    return sum;
}

enum status_code magnet_shorted(struct magnet_workspace *w, const struct magnet *m, double current,
                                int sense, int limb, double turns, double where,
                                struct magnet_short *s, struct status *st)
{
    struct magnet left = *m;
    struct magnet_limb ring;
    double both[2] = {current, sense < 0 ? -current : current};
    double primary[CIRCUIT_BRANCHES] = {0}, second[CIRCUIT_BRANCHES] = {0};
    double offset[CIRCUIT_BRANCHES], du[CIRCUIT_NODES];
    double start, end, span, share;
    struct network *net = &w->network;
    enum status_code code;
    int k, i, n;

    *s = (struct magnet_short){NAN, NAN, NAN, NAN, NAN};
    CHECK(check_current(m, both, st));
    if (limb < 0 || limb >= shape_limbs(m))
        return status_fail(st, STATUS_INPUT, "limb %d has no coil in this magnet", limb + 1);
    if (!(turns > 0 && turns < m->limb[limb].turns))
        return status_fail(
            st, STATUS_INPUT,
            "shorted turns are %g; allowed is more than 0 and less than the limb's %g", turns,
            m->limb[limb].turns);
    CHECK(check_range("place of the shorted turns", where, 0, 1, "of the coil", 1, st));
    /* the ring of shorted turns takes its share of the coil's length about that place */
    ring = m->limb[limb];
    start = ring.coil_start;
    end = ring.coil_end > 0 ? ring.coil_end : ring.length;
    span = (end - start) * turns / ring.turns;
    ring.coil_start = start + where * (end - start - span);
    ring.coil_end = ring.coil_start + span;
    ring.turns = turns;
    left.limb[limb].turns -= turns;
    CHECK(network_build(net, &left, both, st));
    CHECK(circuit_solve(&net->circuit, st));
    for (k = 0; k < net->at.limbs; k++) {
        double sign = k ? -1 : 1, way = k && sense < 0 ? -1 : 1;

        for (i = 0; i <= SHAPE_SEGMENTS; i++) {
            double low, high, all, shorted = 0;

            shape_span(net->cut, m->limb[k].length, i, &low, &high);
            all = shape_turns(&m->limb[k], low, high);
            if (k == limb)
                shorted = shape_turns(&ring, low, high);
            n = net->limb_branch[k] + i;
            primary[n] = sign * way * (all - shorted);
            second[n] = sign * way * shorted;
        }
    }
    sleeve_offsets(&net->sleeve, &net->circuit, primary, offset);
    circuit_respond(&net->circuit, primary, offset, du);
    s->primary = answer(net, primary, primary, du);
    s->mutual = answer(net, second, primary, du);
    sleeve_offsets(&net->sleeve, &net->circuit, second, offset);
    circuit_respond(&net->circuit, second, offset, du);
    s->self = answer(net, second, second, du);
    /* in the space of the winding the two lie beside each other and share no field of their own;
     * there the rest is as dense as the whole was */
    share = m->limb[limb].turns / left.limb[limb].turns;
    for (k = 0; k < net->at.limbs; k++)
        s->primary += net->sleeve.within[k] * (k == limb ? share : 1);
    s->self += net->sleeve.within[limb] * share * turns / left.limb[limb].turns;
    s->coupling = fmin(fabs(s->mutual) / sqrt(s->self * s->primary), 1);
    s->low = s->primary * (1 - s->coupling * s->coupling);
    return status_ok(st);
}
