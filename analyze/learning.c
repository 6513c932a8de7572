#include "analyze/learning.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/lift.h"
#include "analyze/infer/reading.h"
#include "analyze/infer/suppose.h"
#include "analyze/model/input.h"

#define SHARED_MAX 320
#define SLOTS_MAX  80
#define DRAWS      2048 /* of the verdict's priors, for their spread: good to 2 % */
#define ROUNDS     4    /* of Gauss-Newton */
#define CAUTION    2.0  /* (n / (n + CAUTION))^2 of the information of n coils counts */
#define STEP       0.5
#define OFF_TURNS  0.06 /* relative, turns of a coil that is not as designed after all */
#define TEACHES    0.05 /* effect of a figure, in noises, below which an item says nothing of it */
#define LEARNT     0.93 /* u / prior u above which nothing was learnt */

/* What can move the readings. Up to SLOT_OWN the unknown is shared between coils. */
enum slot_kind {
    SLOT_MEAN_TURN,
    SLOT_RESISTIVITY,
    SLOT_WIRE,
    SLOT_CONTACT,
    SLOT_INPUT,
    SLOT_BUILD,
    SLOT_PULL,
    SLOT_INDUCTANCE,
    SLOT_TEMPERATURE,
    SLOT_LEADS,
    SLOT_GAIN,
    SLOT_UNNAMED, /* gain of instruments that nobody named, one for each kind of evidence */
    SLOT_OWN,     /* from here on: of this coil alone */
    SLOT_TURNS = SLOT_OWN,
    SLOT_LIMB_TURN,
    SLOT_LINK,
    SLOT_OWN_TURN, /* deviation of this coil from the shop's mean: of its mean turn, */
    SLOT_OWN_WIRE, /* of its wire, */
    SLOT_OWN_CONTACT
};

struct slot {
    enum slot_kind kind;
    int index; /* limb, input, instrument or kind of evidence */
    size_t at; /* row of shared unknowns */
    double u;
};

struct shared {
    char key[LEARNING_KEY_SIZE];
};

struct one {
    struct reading_bench bench;
    struct evidence_set set; /* only items that are used */
    struct input input[INPUT_LIST_MAX];
    struct slot slot[SLOTS_MAX];
    size_t slots;
    size_t fellows; /* coils of the same lot of wire */
    /* at the present answer: residual, and effect of one standard deviation of each slot */
    double rest[EVIDENCE_MAX];
    double effect[EVIDENCE_MAX][SLOTS_MAX];
    double noise[EVIDENCE_MAX];
};

struct learning {
    struct shared shared[SHARED_MAX];
    size_t shareds;
    struct one *coil[LEARNING_COILS_MAX];
    size_t coils;
    double x[SHARED_MAX];              /* in standard deviations of each prior */
    double spread[3], spread_u[3];     /* between coils: mean turn, wire lot, contact gap */
    gsl_matrix *covariance;            /* of x */
    double middle_contact[SHARED_MAX]; /* ln m, prior mean of a contact gap */
};

static const enum learn_quantity of_own[3] = {LEARN_MEAN_TURN, LEARN_WIRE_LOT, LEARN_CONTACT_GAP};

void learning_key(enum learn_quantity quantity, const struct design *design, const char *instrument,
                  char key[LEARNING_KEY_SIZE])
{
    const struct wire *w = &design->winding.wire;
    const char *spool = design->winding.spool;
    const char *winder = design->winding.winder;
    char size[WIRE_LABEL_SIZE];

    switch (quantity) {
    case LEARN_MEAN_TURN:
        snprintf(key, LEARNING_KEY_SIZE, "%s/%s%s%s", learn_name(quantity),
                 design_layers_word(design->winding.layers), *winder ? "/" : "", winder);
        return;
    case LEARN_WIRE_LOT:
        wire_size_text(w->system, w->gauge, w->diameter, size, sizeof size);
        if (w->strands > 1)
            snprintf(key, LEARNING_KEY_SIZE, "%s/%s%d x %s%s%s", learn_name(quantity),
                     w->metal == WIRE_ALUMINIUM ? "aluminium " : "", w->strands, size,
                     *spool ? "/" : "", spool);
        else
            snprintf(key, LEARNING_KEY_SIZE, "%s/%s%s%s%s", learn_name(quantity),
                     w->metal == WIRE_ALUMINIUM ? "aluminium " : "", size, *spool ? "/" : "",
                     spool);
        return;
    case LEARN_CONTACT_GAP:
        snprintf(key, LEARNING_KEY_SIZE, "%s/%.3g mm", learn_name(quantity),
                 1e3 * design->core.roughness.value);
        return;
    case LEARN_METER:
        snprintf(key, LEARNING_KEY_SIZE, "%s/%s", learn_name(quantity),
                 instrument ? instrument : "");
        return;
    case LEARN_QUANTITIES:
        break;
    }
    key[0] = '\0';
}

struct learning *learning_new(void)
{
    return calloc(1, sizeof(struct learning));
}

static void one_free(struct one *c)
{
    if (c) {
        coil_free(c->bench.coil);
        free(c);
    }
}

void learning_free(struct learning *l)
{
    if (!l)
        return;
    for (size_t i = 0; i < l->coils; i++)
        one_free(l->coil[i]);
    gsl_matrix_free(l->covariance);
    free(l);
}

/* ---- what bears on a coil ---- */

/* Row of a shared unknown; SHARED_MAX when there is no room. */
static size_t find_shared(struct learning *l, const char *key)
{
    for (size_t i = 0; i < l->shareds; i++)
        if (strcmp(l->shared[i].key, key) == 0)
            return i;
    if (l->shareds < SHARED_MAX)
        snprintf(l->shared[l->shareds++].key, LEARNING_KEY_SIZE, "%s", key);
    else
        return SHARED_MAX;
    return l->shareds - 1;
}

/* Adds an unknown; false when there is no room for it. */
static bool add_slot(struct learning *l, struct one *c, enum slot_kind kind, int index, double u,
                     const char *key)
{
    struct slot *s = &c->slot[c->slots];

    if (!(u > 0))
        return true;
    if (c->slots == SLOTS_MAX)
        return false;
    *s = (struct slot){.kind = kind, .index = index, .u = u};
    if (kind < SLOT_OWN)
        s->at = find_shared(l, key);
    c->slots++;
    return s->at < SHARED_MAX;
}

/* Standard deviations of the verdict's own priors, drawn from suppose.h so that they stand in one
 * place only. */
struct spreads {
    double turns[2], limb_turn, resistivity, link, build, pull, inductance;
};

static enum status_code draw_spreads(const struct design *design, struct spreads *out,
                                     struct status *st)
{
    const struct finding_prior prior = finding_prior_default();
    struct suppose_variant right = {.wire = -1, .instrument = -1};
    struct evidence_set *nothing = calloc(1, sizeof *nothing);
    struct suppose *s = NULL;
    double z[SUPPOSE_NUISANCES_MAX] = {0}, sum[8] = {0}, mean[8] = {0};
    enum status_code code;

    if (!nothing)
        return status_fail(st, STATUS_MEMORY, "no memory to learn");
    evidence_clear(nothing);
    code = suppose_new(design, nothing, NULL, &prior, &s, st);
    free(nothing);
    if (code != STATUS_OK)
        return code;
    for (size_t k = 1; k <= DRAWS; k++) {
        const struct coil_specimen *n = suppose_nominal(s);
        const double *y = suppose_expected(s)->y;
        struct reading_state d;
        double v[8];

        suppose_state(s, &right, z, k, &d);
        v[0] = d.specimen.turns[0] / n->turns[0];
        v[1] = n->turns[1] > 0 ? d.specimen.turns[1] / n->turns[1] : 0;
        v[2] = n->turns[1] > 0 ? (d.specimen.mean_turn_offset[0] / y[COIL_MEAN_TURN_A] -
                                  d.specimen.mean_turn_offset[1] / y[COIL_MEAN_TURN_B]) /
                                     sqrt(2)
                               : 0;
        v[3] = d.specimen.resistivity;
        v[4] = d.link;
        v[5] = d.build;
        v[6] = d.pull;
        v[7] = d.inductance;
        for (int i = 0; i < 8; i++) {
            double off = v[i] - mean[i];

            mean[i] += off / (double)k;
            sum[i] += off * (v[i] - mean[i]);
        }
    }
    suppose_free(s);
    for (int i = 0; i < 8; i++)
        sum[i] = sqrt(sum[i] / (DRAWS - 1));
    *out = (struct spreads){.turns = {sum[0], sum[1]},
                            .limb_turn = sum[2],
                            .resistivity = sum[3],
                            .link = sum[4],
                            .build = sum[5],
                            .pull = sum[6],
                            .inductance = sum[7]};
    return status_ok(st);
}

#define IN_SPECIMEN(field) offsetof(struct coil_specimen, field)

/* Inputs of the design that are no unknown of their own below. */
static bool plain_input(const struct input *input)
{
    size_t at = input->specimen_offset;

    return at != INPUT_NO_OFFSET && input->cause != INPUT_CAUSE_TURNS &&
           at != IN_SPECIMEN(temperature) && at != IN_SPECIMEN(mean_turn_offset) &&
           at != IN_SPECIMEN(resistivity) && at != IN_SPECIMEN(roughness) &&
           at != IN_SPECIMEN(lead_resistance) && at != IN_SPECIMEN(model);
}

static enum status_code list_slots(struct learning *l, struct one *c, double doubt,
                                   struct status *st)
{
    const struct design *d = coil_design(c->bench.coil);
    struct coil_conditions k;
    struct spreads s = {.link = 0};
    char key[LEARNING_KEY_SIZE], wire[LEARNING_KEY_SIZE];
    enum status_code code = draw_spreads(d, &s, st);
    bool room = true;
    bool unnamed[EVIDENCE_KINDS] = {false};
    size_t inputs, contact;

    if (code != STATUS_OK)
        return code;
    learning_key(LEARN_MEAN_TURN, d, NULL, key);
    room &= add_slot(l, c, SLOT_MEAN_TURN, 0, learn_prior_of(LEARN_MEAN_TURN).u, key);
    learning_key(LEARN_WIRE_LOT, d, NULL, wire);
    room &= add_slot(l, c, SLOT_RESISTIVITY, 0, s.resistivity, wire);
    learning_key(LEARN_CONTACT_GAP, d, NULL, key);
    contact = find_shared(l, key);
    room &= add_slot(l, c, SLOT_CONTACT, 0, learn_prior_of(LEARN_CONTACT_GAP).u, key);
    if (contact < SHARED_MAX)
        l->middle_contact[contact] = log(fmax(c->bench.nominal.roughness, 1e-6));
    coil_conditions_nominal(c->bench.coil, &k);
    inputs = input_list(c->bench.coil, &k, c->input);
    for (size_t i = 0; i < inputs; i++) {
        bool diameter = c->input[i].specimen_offset == IN_SPECIMEN(wire_diameter);

        if (!plain_input(&c->input[i]))
            continue;
        /* Coils of the same size were cut by the same drawing and the same rule. */
        if (diameter)
            snprintf(key, sizeof key, "diameter of %.80s", wire);
        else
            snprintf(key, sizeof key, "%.40s %.6g", c->input[i].name, c->input[i].value);
        room &= add_slot(l, c, diameter ? SLOT_WIRE : SLOT_INPUT, (int)i, c->input[i].u, key);
    }
    snprintf(key, sizeof key, "build %s", design_layers_word(d->winding.layers));
    room &= add_slot(l, c, SLOT_BUILD, 0, s.build, key);
    room &= add_slot(l, c, SLOT_PULL, 0, s.pull, "pull");
    room &= add_slot(l, c, SLOT_INDUCTANCE, 0, s.inductance, "inductance");
    room &= add_slot(l, c, SLOT_TEMPERATURE, 0, 1, "thermometer");
    room &= add_slot(l, c, SLOT_LEADS, 0, c->set.lead_ohm_u, "leads");
    for (size_t i = 0; i < c->set.instruments; i++) {
        learning_key(LEARN_METER, d, c->set.instrument[i].name, key);
        room &= add_slot(l, c, SLOT_GAIN, (int)i, c->set.instrument[i].gain_u, key);
    }
    for (size_t i = 0; i < c->set.count; i++)
        if (c->set.item[i].instrument < 0)
            unnamed[c->set.item[i].kind] = true;
    for (int i = 0; i < EVIDENCE_KINDS; i++) {
        snprintf(key, sizeof key, "unnamed %s", evidence_quantity((enum evidence_kind)i));
        if (unnamed[i])
            room &= add_slot(l, c, SLOT_UNNAMED, i, 1, key);
    }
    for (int limb = 0; limb < c->bench.limbs; limb++) {
        room &= add_slot(l, c, SLOT_TURNS, limb, hypot(s.turns[limb], OFF_TURNS * sqrt(doubt)), "");
        room &= add_slot(l, c, SLOT_LIMB_TURN, limb, s.limb_turn, "");
    }
    room &= add_slot(l, c, SLOT_LINK, 0, s.link, "");
    for (int i = 0; i < 3; i++)
        room &= add_slot(l, c, (enum slot_kind)((int)SLOT_OWN_TURN + i), i,
                         learn_prior_of(of_own[i]).spread, "");
    return room ? status_ok(st)
                : status_fail(st, STATUS_FULL,
                              "too many different designs to learn from at once (%d unknowns)",
                              SHARED_MAX);
}

/* ---- evidence ---- */

static bool usable(const struct evidence_item *e)
{
    if (e->doubtful || e->bound != EVIDENCE_EQUAL)
        return false;
    switch (e->kind) {
    case EVIDENCE_RESISTANCE:
    case EVIDENCE_CURRENT:
    case EVIDENCE_INDUCTANCE:
    case EVIDENCE_WIRE_MASS:
    case EVIDENCE_DIAMETER:
    case EVIDENCE_WIRE_DIAMETER:
    case EVIDENCE_PULL:
        return true;
    default:
        return false;
    }
}

static bool same_state(const struct evidence_item *a, const struct evidence_item *b)
{
    const struct evidence_conditions *p = &a->at, *q = &b->at;
    bool gap = (isnan(p->gap) && isnan(q->gap)) || fabs(p->gap - q->gap) < 1e-6;

    return gap && p->keeper == q->keeper && fabs(p->current - q->current) <= 0.02 * p->current;
}

/* Lift trials at one current and gap become one pull, if they held and fell. */
static void add_lifts(const struct evidence_set *from, const bool *skip, struct evidence_set *to)
{
    bool done[EVIDENCE_MAX] = {false};

    for (size_t i = 0; i < from->count; i++) {
        struct lift_trial trial[EVIDENCE_MAX];
        struct lift_options options = lift_options_default();
        struct evidence_item pull = from->item[i];
        struct lift_fit fit;
        struct status why;
        size_t n = 0;

        if (pull.kind != EVIDENCE_LIFT || done[i])
            continue;
        for (size_t j = i; j < from->count; j++) {
            const struct evidence_item *e = &from->item[j];

            if (e->kind != EVIDENCE_LIFT || done[j] || !same_state(&pull, e))
                continue;
            done[j] = true;
            /* Picking up across a gap is another matter than holding on. */
            if ((skip && skip[j]) || e->doubtful || e->outcome == EVIDENCE_NOT_LIFTED ||
                !(e->value > 0) || (e->bound == EVIDENCE_ABOVE && e->outcome != EVIDENCE_HELD))
                continue;
            trial[n++] =
                (struct lift_trial){.side = e->outcome == EVIDENCE_HELD ? LIFT_ABOVE : LIFT_BELOW,
                                    .value = log(e->value),
                                    .u = fmin(0.5, e->u / e->value),
                                    .lapse = 0.02};
        }
        if (n < 2 || lift_fit(trial, n, &options, &fit, &why) != STATUS_OK ||
            fit.kind != LIFT_INTERVAL || !isfinite(fit.low) || !isfinite(fit.high))
            continue;
        pull.kind = EVIDENCE_PULL;
        pull.bound = EVIDENCE_EQUAL;
        pull.value = exp(fit.mu);
        pull.u = pull.value * fmax(0.01, (fit.high - fit.low) / (2 * 1.96));
        pull.doubtful = false;
        if (to->count < EVIDENCE_MAX)
            to->item[to->count++] = pull;
    }
}

enum status_code learning_add(struct learning *l, const struct design *design,
                              const struct evidence_set *evidence, const bool *skip, double doubt,
                              struct status *st)
{
    struct one *c;
    struct coil_conditions k;
    enum status_code code;

    if (l->coils == LEARNING_COILS_MAX)
        return status_fail(st, STATUS_FULL, "more than %d coils to learn from at once",
                           LEARNING_COILS_MAX);
    c = calloc(1, sizeof *c);
    if (!c)
        return status_fail(st, STATUS_MEMORY, "no memory to learn");
    c->set = *evidence;
    c->set.count = 0;
    for (size_t i = 0; i < evidence->count; i++)
        if (usable(&evidence->item[i]) && !(skip && skip[i]))
            c->set.item[c->set.count++] = evidence->item[i];
    add_lifts(evidence, skip, &c->set);
    code = coil_new(design, &c->bench.coil, st);
    if (code == STATUS_OK) {
        coil_specimen_nominal(c->bench.coil, &c->bench.nominal);
        coil_conditions_nominal(c->bench.coil, &k);
        k.voltage = NAN;
        k.current = 0;
        c->bench.limbs = design_limbs(coil_design(c->bench.coil));
        c->bench.ambient = coil_design(c->bench.coil)->supply.ambient.value;
        code = coil_forward(c->bench.coil, &c->bench.nominal, &k, COIL_ELECTRIC, &c->bench.expected,
                            st);
    }
    if (code == STATUS_OK)
        code = list_slots(l, c, fmax(0, fmin(1, doubt)), st);
    if (code != STATUS_OK) {
        one_free(c);
        return code;
    }
    l->coil[l->coils++] = c;
    return status_ok(st);
}

/* ---- from unknowns to readings ---- */

static void apply(const struct one *c, const struct slot *s, double z, struct reading_state *state,
                  double *contact)
{
    struct coil_specimen *p = &state->specimen;
    const double *y = c->bench.expected.y;
    double x = z * s->u;

    switch (s->kind) {
    case SLOT_MEAN_TURN:
    case SLOT_OWN_TURN:
        p->mean_turn_offset[0] += x * y[COIL_MEAN_TURN_A];
        if (c->bench.limbs > 1)
            p->mean_turn_offset[1] += x * y[COIL_MEAN_TURN_B];
        break;
    case SLOT_RESISTIVITY:
    case SLOT_OWN_WIRE:
        p->resistivity *= 1 + x;
        break;
    case SLOT_CONTACT:
    case SLOT_OWN_CONTACT:
        *contact += x;
        break;
    case SLOT_WIRE:
    case SLOT_INPUT: {
        const struct input *input = &c->input[s->index];
        struct coil_conditions unused = {0};

        /* as the verdict does: a size known badly stays positive */
        input_set(input,
                  input->value > 0 && input->u > 0.2 * input->value
                      ? input->value * exp(fmin(1, input->u / input->value) * z)
                      : input->value + x,
                  p, &unused);
        break;
    }
    case SLOT_BUILD:
        state->build = fmax(0.3, 1 + x);
        break;
    case SLOT_PULL:
        state->pull = x;
        break;
    case SLOT_INDUCTANCE:
        state->inductance = x;
        break;
    case SLOT_TEMPERATURE:
        state->temperature = x;
        break;
    case SLOT_LEADS:
        state->lead_ohm = fmax(0, c->set.lead_ohm + x);
        break;
    case SLOT_GAIN:
        state->gain[s->index] += x;
        break;
    case SLOT_UNNAMED:
        break;
    case SLOT_TURNS:
        p->turns[s->index] = fmax(1, p->turns[s->index] * (1 + x));
        break;
    case SLOT_LIMB_TURN:
        p->mean_turn_offset[s->index] += x * y[s->index ? COIL_MEAN_TURN_B : COIL_MEAN_TURN_A];
        break;
    case SLOT_LINK:
        state->link = x;
        break;
    }
}

/* Readings with slot 'moved' a step off the present answer (SLOTS_MAX: none). */
static void read_all(const struct learning *l, const struct one *c, size_t moved,
                     double reading[EVIDENCE_MAX])
{
    struct reading_state state = {.specimen = c->bench.nominal,
                                  .lead_ohm = c->set.lead_ohm,
                                  .insulation = 1e12,
                                  .cooling = 900,
                                  .build = 1,
                                  .short_time = 1,
                                  .sticking = 1};
    double contact = log(fmax(c->bench.nominal.roughness, 1e-6));

    for (size_t i = 0; i < c->set.instruments; i++)
        state.gain[i] = c->set.instrument[i].bias;
    for (size_t i = 0; i < c->slots; i++) {
        const struct slot *s = &c->slot[i];
        double z = (s->kind < SLOT_OWN ? l->x[s->at] : 0) + (i == moved ? STEP : 0);

        apply(c, s, z, &state, &contact);
    }
    state.specimen.roughness = fmin(1e-3, exp(contact));
    for (size_t i = 0; i < c->set.count; i++)
        if (!reading_one(&c->bench, &state, &c->set.item[i], &reading[i]))
            reading[i] = NAN;
}

/* What an item says that its unnamed instrument does to it, on its scale. */
static double unnamed_effect(const struct evidence_item *e)
{
    return reading_by_log(e->kind) ? fmin(1, e->u / fmax(fabs(e->value), 1e-12)) : e->u;
}

static void linearise(const struct learning *l, struct one *c)
{
    double here[EVIDENCE_MAX], there[EVIDENCE_MAX];

    read_all(l, c, SLOTS_MAX, here);
    for (size_t i = 0; i < c->set.count; i++) {
        const struct evidence_item *e = &c->set.item[i];

        c->noise[i] = hypot(reading_noise(&c->bench, e), e->zero);
        if (e->kind == EVIDENCE_WIRE_MASS)
            c->noise[i] = hypot(c->noise[i], READING_DRESSING_U * e->value);
        c->rest[i] = reading_scale(e->kind, e->value) - here[i];
    }
    for (size_t k = 0; k < c->slots; k++) {
        const struct slot *s = &c->slot[k];

        if (s->kind != SLOT_UNNAMED)
            read_all(l, c, k, there);
        for (size_t i = 0; i < c->set.count; i++) {
            const struct evidence_item *e = &c->set.item[i];

            if (s->kind != SLOT_UNNAMED) {
                c->effect[i][k] = (there[i] - here[i]) / STEP;
            } else {
                c->effect[i][k] =
                    e->instrument < 0 && (int)e->kind == s->index ? unnamed_effect(e) : 0;
                c->rest[i] -= l->x[s->at] * c->effect[i][k];
            }
        }
    }
    /* An item that the physics has no answer for says nothing. */
    for (size_t i = 0; i < c->set.count; i++) {
        bool fine = isfinite(c->rest[i]);

        for (size_t k = 0; k < c->slots; k++)
            fine = fine && isfinite(c->effect[i][k]);
        if (fine)
            continue;
        c->rest[i] = 0;
        memset(c->effect[i], 0, sizeof c->effect[i]);
    }
}

/* ---- the sums ---- */

/* Own deviations come with the spread between coils as it is known by now, not as it was listed. */
static double own_scale(const struct learning *l, const struct slot *s)
{
    return s->kind >= SLOT_OWN_TURN ? l->spread[s->kind - SLOT_OWN_TURN] / s->u : 1;
}

/* Covariance of the items given what is shared, without the own deviation 'but'. Factored. */
static gsl_matrix *factor_items(const struct learning *l, const struct one *c, int but)
{
    gsl_matrix *m = gsl_matrix_calloc(c->set.count, c->set.count);

    if (!m)
        return NULL;
    for (size_t i = 0; i < c->set.count; i++)
        gsl_matrix_set(m, i, i, c->noise[i] * c->noise[i]);
    for (size_t k = 0; k < c->slots; k++) {
        double scale = own_scale(l, &c->slot[k]);

        if (c->slot[k].kind < SLOT_OWN || (int)c->slot[k].kind == but)
            continue;
        for (size_t i = 0; i < c->set.count; i++)
            for (size_t j = 0; j < c->set.count; j++)
                gsl_matrix_set(m, i, j,
                               gsl_matrix_get(m, i, j) +
                                   scale * scale * c->effect[i][k] * c->effect[j][k]);
    }
    if (gsl_linalg_cholesky_decomp1(m) == 0)
        return m;
    gsl_matrix_free(m);
    return NULL;
}

/* Adds one coil to the normal equations. */
static bool add_normal(const struct learning *l, const struct one *c, gsl_matrix *normal,
                       gsl_vector *right)
{
    double weight = pow((double)c->fellows / ((double)c->fellows + CAUTION), 2);
    gsl_matrix *factor;
    gsl_vector *column;

    if (c->set.count == 0)
        return true;
    factor = factor_items(l, c, -1);
    column = gsl_vector_alloc(c->set.count);
    for (size_t a = 0; factor && column && a < c->slots; a++) {
        if (c->slot[a].kind >= SLOT_OWN)
            continue;
        for (size_t i = 0; i < c->set.count; i++)
            gsl_vector_set(column, i, c->effect[i][a]);
        gsl_linalg_cholesky_svx(factor, column);
        for (size_t b = 0; b < c->slots; b++) {
            double sum = 0, *at;

            if (c->slot[b].kind >= SLOT_OWN)
                continue;
            for (size_t i = 0; i < c->set.count; i++)
                sum += gsl_vector_get(column, i) * c->effect[i][b];
            at = gsl_matrix_ptr(normal, c->slot[a].at, c->slot[b].at);
            *at += weight * sum;
            *gsl_vector_ptr(right, c->slot[a].at) += weight * sum * l->x[c->slot[b].at];
        }
        for (size_t i = 0; i < c->set.count; i++)
            *gsl_vector_ptr(right, c->slot[a].at) +=
                weight * gsl_vector_get(column, i) * c->rest[i];
    }
    gsl_vector_free(column);
    gsl_matrix_free(factor);
    return factor && column;
}

static enum status_code solve(struct learning *l, struct status *st)
{
    gsl_matrix *normal = gsl_matrix_calloc(l->shareds, l->shareds);
    gsl_vector *right = gsl_vector_calloc(l->shareds);
    bool fine = normal && right;

    for (size_t i = 0; fine && i < l->shareds; i++)
        gsl_matrix_set(normal, i, i, 1);
    for (size_t i = 0; fine && i < l->coils; i++)
        fine = add_normal(l, l->coil[i], normal, right);
    fine = fine && gsl_linalg_cholesky_decomp1(normal) == 0 &&
           gsl_linalg_cholesky_svx(normal, right) == 0;
    for (size_t i = 0; fine && i < l->shareds; i++) {
        /* a long step of a bent model is taken in shorter ones */
        double x = gsl_vector_get(right, i);

        fine = isfinite(x);
        l->x[i] += fmax(-3, fmin(3, x - l->x[i]));
    }
    if (fine)
        fine = gsl_linalg_cholesky_invert(normal) == 0;
    gsl_vector_free(right);
    gsl_matrix_free(l->covariance);
    l->covariance = fine ? normal : NULL;
    if (fine)
        return status_ok(st);
    gsl_matrix_free(normal);
    return status_fail(st, STATUS_NUMERIC, "what these coils teach together cannot be worked out");
}

/* The spread between coils of one quantity: each coil's own deviation, through learn_update(). */
static enum status_code find_spread(struct learning *l, int which, struct status *st)
{
    int kind = (int)SLOT_OWN_TURN + which;
    struct learn_prior prior = learn_prior_of(of_own[which]);
    struct learn_example *example = calloc(LEARNING_COILS_MAX, sizeof *example);
    struct learn_result r;
    enum status_code code;
    size_t n = 0;

    if (!example)
        return status_fail(st, STATUS_MEMORY, "no memory to learn");
    prior.mean = 0; /* deviations are from the shop's mean, which is fitted already */
    for (size_t i = 0; i < l->coils; i++) {
        struct one *c = l->coil[i];
        gsl_matrix *factor = c->set.count ? factor_items(l, c, kind) : NULL;
        gsl_vector *column = c->set.count ? gsl_vector_alloc(c->set.count) : NULL;
        double precision = 0, sum = 0;

        for (size_t k = 0; factor && column && k < c->slots; k++) {
            if ((int)c->slot[k].kind != kind)
                continue;
            for (size_t j = 0; j < c->set.count; j++)
                gsl_vector_set(column, j, c->effect[j][k] / c->slot[k].u);
            gsl_linalg_cholesky_svx(factor, column);
            for (size_t j = 0; j < c->set.count; j++) {
                precision += gsl_vector_get(column, j) * c->effect[j][k] / c->slot[k].u;
                sum += gsl_vector_get(column, j) * c->rest[j];
            }
        }
        gsl_vector_free(column);
        gsl_matrix_free(factor);
        if (precision > 0 && 1 / sqrt(precision) < 3 * prior.u)
            example[n++] =
                (struct learn_example){.value = sum / precision, .u = 1 / sqrt(precision)};
    }
    code = learn_update(&prior, example, n, &r, st);
    free(example);
    if (code != STATUS_OK)
        return code;
    l->spread[which] = fmax(0.3 * prior.spread, r.spread);
    l->spread_u[which] = r.spread_u;
    return status_ok(st);
}

/* ---- figures ---- */

/* Whether an instrument measured what one at least twice as good measured too. */
static bool checked_meter(const struct one *c, int instrument)
{
    const struct evidence_set *set = &c->set;
    double own = set->instrument[instrument].gain_u;

    for (size_t i = 0; i < set->count; i++)
        for (size_t j = 0; j < set->count; j++) {
            const struct evidence_item *a = &set->item[i], *b = &set->item[j];

            if (a->instrument == instrument && b->instrument >= 0 && b->instrument != instrument &&
                a->kind == EVIDENCE_RESISTANCE && b->kind == EVIDENCE_RESISTANCE &&
                a->place == b->place && set->instrument[b->instrument].gain_u <= 0.5 * own)
                return true;
        }
    return false;
}

static bool teaches(const struct one *c, size_t slot)
{
    for (size_t i = 0; i < c->set.count; i++)
        if (fabs(c->effect[i][slot]) > TEACHES * c->noise[i])
            return true;
    return false;
}

static const struct slot *find_slot(const struct one *c, enum slot_kind kind)
{
    for (size_t k = 0; k < c->slots; k++)
        if (c->slot[k].kind == kind)
            return &c->slot[k];
    return NULL;
}

static double covariance(const struct learning *l, size_t a, size_t b)
{
    return gsl_matrix_get(l->covariance, a, b);
}

/* The figure of one slot of one coil. */
static void fill_figure(const struct learning *l, const struct one *c, const struct slot *s,
                        struct learning_figure *f)
{
    double x = s->u * l->x[s->at], square = s->u * s->u * covariance(l, s->at, s->at);
    double spread = 0, spread_u = 0;

    memset(f, 0, sizeof *f);
    snprintf(f->key, sizeof f->key, "%s", l->shared[s->at].key);
    f->value = x;
    f->prior_u = s->u;
    switch (s->kind) {
    case SLOT_MEAN_TURN:
        f->quantity = LEARN_MEAN_TURN;
        spread = l->spread[0];
        spread_u = l->spread_u[0];
        break;
    case SLOT_RESISTIVITY: {
        const struct slot *w = find_slot(c, SLOT_WIRE);
        double part = w ? -2 * w->u / c->input[w->index].value : 0;

        /* ohms per metre go by resistivity and by the section */
        f->quantity = LEARN_WIRE_LOT;
        if (w) {
            f->value = (1 + x) / pow(1 - 0.5 * part * l->x[w->at], 2) - 1;
            square += part * part * covariance(l, w->at, w->at) +
                      2 * part * s->u * covariance(l, s->at, w->at);
            f->prior_u = hypot(s->u, part);
        }
        spread = l->spread[1];
        spread_u = l->spread_u[1];
        break;
    }
    case SLOT_CONTACT:
        f->quantity = LEARN_CONTACT_GAP;
        f->prior = l->middle_contact[s->at];
        f->value += f->prior;
        spread = l->spread[2];
        spread_u = l->spread_u[2];
        break;
    default:
        f->quantity = LEARN_METER;
        f->value += c->set.instrument[s->index].bias;
        spread = learn_prior_of(LEARN_METER).spread;
        break;
    }
    f->mean_u = sqrt(fmax(0, square));
    f->spread = spread;
    f->u = sqrt(square + spread * spread + spread_u * spread_u);
    f->prior_share = fmin(1, square / (f->prior_u * f->prior_u));
}

static bool is_figure(const struct one *c, const struct slot *s)
{
    return s->kind == SLOT_MEAN_TURN || s->kind == SLOT_RESISTIVITY || s->kind == SLOT_CONTACT ||
           (s->kind == SLOT_GAIN && checked_meter(c, s->index));
}

static void collect(const struct learning *l, struct learning_figure *figure, size_t *count)
{
    size_t n = 0, kept = 0;

    for (size_t i = 0; i < l->coils; i++) {
        const struct one *c = l->coil[i];

        for (size_t k = 0; k < c->slots; k++) {
            struct learning_figure f;
            size_t at = 0;

            if (!is_figure(c, &c->slot[k]) || !teaches(c, k))
                continue;
            fill_figure(l, c, &c->slot[k], &f);
            while (at < n && strcmp(figure[at].key, f.key) != 0)
                at++;
            if (at == LEARNING_FIGURES_MAX)
                continue;
            if (at == n)
                figure[n++] = f;
            figure[at].coils++;
        }
    }
    for (size_t i = 0; i < n; i++)
        if (figure[i].u < LEARNT * figure[i].prior_u)
            figure[kept++] = figure[i];
    *count = kept;
}

enum status_code learning_finish(struct learning *l,
                                 struct learning_figure figure[LEARNING_FIGURES_MAX], size_t *count,
                                 struct status *st)
{
    enum status_code code = STATUS_OK;
    gsl_error_handler_t *handler;

    *count = 0;
    if (l->coils == 0)
        return status_ok(st);
    handler = gsl_set_error_handler_off();
    memset(l->x, 0, sizeof l->x);
    for (int q = 0; q < 3; q++)
        l->spread[q] = learn_prior_of(of_own[q]).spread;
    for (size_t i = 0; i < l->coils; i++) {
        const struct slot *lot = find_slot(l->coil[i], SLOT_RESISTIVITY);

        l->coil[i]->fellows = 1;
        for (size_t j = 0; lot && j < l->coils; j++) {
            const struct slot *other = find_slot(l->coil[j], SLOT_RESISTIVITY);

            l->coil[i]->fellows += j != i && other && other->at == lot->at;
        }
    }
    for (int round = 0; round < ROUNDS && code == STATUS_OK; round++) {
        for (size_t i = 0; i < l->coils; i++)
            linearise(l, l->coil[i]);
        for (int q = 0; q < 3 && code == STATUS_OK && round > 0; q++)
            code = find_spread(l, q, st);
        if (code == STATUS_OK)
            code = solve(l, st);
    }
    gsl_set_error_handler(handler);
    if (code == STATUS_OK)
        collect(l, figure, count);
    return code;
}
