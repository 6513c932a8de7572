#include "analyze/infer/suppose.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/direction.h"
#include "analyze/infer/fault.h"
#include "analyze/infer/likely.h"
#include "analyze/infer/nuisance.h"
#include "analyze/infer/spool.h"
#include "analyze/infer/variant.h"

struct suppose {
    struct reading_bench bench;
    struct evidence_set evidence;
    struct reading_plan plan;
    struct likely likely;
    bool costly[EVIDENCE_MAX];
    bool any_costly;
    struct nuisance_list nuisances;
    struct fault_scope scope;
    struct direction_set directions;
    struct suppose_variant variant; /* of the model in use */
};

/* ---- preparing ---- */

static enum status_code check_places(const struct suppose *s, struct status *st)
{
    for (size_t i = 0; i < s->evidence.count; i++) {
        const struct evidence_item *e = &s->evidence.item[i];

        if (e->place == EVIDENCE_LIMB_B && s->bench.limbs < 2)
            return status_fail(st, STATUS_INPUT,
                               "%s was measured, but the design has only one limb", e->source);
        if (e->instrument >= (int)s->evidence.instruments)
            return status_fail(st, STATUS_INPUT, "%s: instrument %d is not in the list", e->source,
                               e->instrument);
        if (!(e->u > 0))
            return status_fail(st, STATUS_INPUT, "%s: uncertainty %g cannot be; expected above 0",
                               e->source, e->u);
    }
    return status_ok(st);
}

/* What the coil as designed gives without current. */
static enum status_code expect(struct reading_bench *bench, struct status *st)
{
    struct coil_conditions k;

    coil_specimen_nominal(bench->coil, &bench->nominal);
    coil_conditions_nominal(bench->coil, &k);
    k.voltage = NAN;
    k.current = 0;
    return coil_forward(bench->coil, &bench->nominal, &k, COIL_ELECTRIC, &bench->expected, st);
}

enum status_code suppose_new(const struct design *design, const struct evidence_set *evidence,
                             const struct suppose_learnt *learnt, const struct finding_prior *prior,
                             struct suppose **out, struct status *st)
{
    struct suppose *s = calloc(1, sizeof *s);
    enum status_code code;

    *out = NULL;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory for a verdict");
    s->evidence = *evidence;
    code = coil_new(design, &s->bench.coil, st);
    if (code != STATUS_OK)
        goto fail;
    s->bench.limbs = design_limbs(coil_design(s->bench.coil));
    s->bench.ambient = coil_design(s->bench.coil)->supply.ambient.value;
    code = check_places(s, st);
    if (code == STATUS_OK)
        code = expect(&s->bench, st);
    if (code != STATUS_OK)
        goto fail;
    s->likely.set = &s->evidence;
    s->likely.mistake = prior->mistake;
    for (size_t i = 0; i < s->evidence.count; i++) {
        s->likely.noise[i] = reading_noise(&s->bench, &s->evidence.item[i]);
        s->costly[i] = reading_costly(s->evidence.item[i].kind);
        s->any_costly = s->any_costly || s->costly[i];
    }
    reading_plan_make(&s->bench, &s->evidence, &s->plan);
    nuisance_fill(&s->bench, &s->evidence, learnt, &s->nuisances);
    fault_scope_make(&s->bench, &s->evidence, prior, &s->scope);
    code = direction_find(&s->scope, &s->nuisances, &s->plan, &s->likely, &s->directions, st);
    if (code != STATUS_OK)
        goto fail;
    *out = s;
    return status_ok(st);
fail:
    suppose_free(s);
    return code;
}

void suppose_free(struct suppose *s)
{
    if (s) {
        coil_free(s->bench.coil);
        free(s);
    }
}

struct coil *suppose_coil(struct suppose *s)
{
    return s->bench.coil;
}

const struct design *suppose_design(const struct suppose *s)
{
    return coil_design(s->bench.coil);
}

const struct coil_specimen *suppose_nominal(const struct suppose *s)
{
    return &s->bench.nominal;
}

const struct coil_observables *suppose_expected(const struct suppose *s)
{
    return &s->bench.expected;
}

size_t suppose_variants(const struct suppose *s, size_t finding,
                        struct suppose_variant variant[SUPPOSE_VARIANTS_MAX])
{
    return variant_list(&s->scope, finding, variant);
}

const char *suppose_wire(const struct suppose *s, int wire)
{
    return spool_label(&s->scope.spool, wire);
}

/* ---- the model to be weighed ---- */

static bool scalars_of(struct suppose *s, const double *z, bool costly, double *scalar)
{
    struct reading_state state;
    double reading[EVIDENCE_MAX];

    suppose_state(s, &s->variant, z, 0, &state);
    if (!reading_all(&s->bench, &state, &s->evidence, &s->plan, costly, reading))
        return false;
    for (size_t i = 0; i < s->evidence.count; i++)
        if (costly || !s->costly[i])
            scalar[i] = likely_scalar(&s->likely, i, reading[i]);
    return true;
}

static bool scalars(void *context, const double *z, double *scalar)
{
    return scalars_of(context, z, true, scalar);
}

static bool quick(void *context, const double *z, double *scalar)
{
    return scalars_of(context, z, false, scalar);
}

static double sound(void *context, size_t item, double scalar)
{
    return likely_sound(&((struct suppose *)context)->likely, item, scalar);
}

static double mistaken(void *context, size_t item, const double *scalar)
{
    return likely_mistaken(&((struct suppose *)context)->likely, item, scalar[item]);
}

static double mistake(void *context, size_t item)
{
    return likely_mistake(&((struct suppose *)context)->likely, item);
}

static double misfit(void *context, size_t item, double scalar)
{
    return likely_misfit(&((struct suppose *)context)->likely, item, scalar);
}

struct weigh_model suppose_model(struct suppose *s, const struct suppose_variant *variant)
{
    unsigned faults = finding_table(NULL)[variant->finding].faults;
    struct weigh_model m;

    s->variant = *variant;
    memset(&m, 0, sizeof m);
    m.bends = fault_unknowns(faults);
    m.unknowns = s->directions.count + fault_extras(&s->scope, faults) + m.bends;
    m.items = s->evidence.count;
    m.context = s;
    m.scalars = scalars;
    m.sound = sound;
    m.mistaken = mistaken;
    m.mistake = mistake;
    m.item_misfit = misfit;
    if (s->any_costly) {
        m.quick = quick;
        m.costly = s->costly;
    }
    m.slope = s->directions.slope[faults & FINDING_CANCEL ? 1 : 0];
    m.slopes = s->directions.count;
    return m;
}

void suppose_state(const struct suppose *s, const struct suppose_variant *variant, const double *z,
                   size_t tail, struct reading_state *state)
{
    double nuisance[SUPPOSE_NUISANCES_MAX];

    direction_nuisances(&s->directions, z, tail, nuisance);
    nuisance_state(&s->nuisances, &s->bench, nuisance, state);
    if (variant)
        fault_apply(&s->scope, variant, finding_table(NULL)[variant->finding].faults,
                    z + s->directions.count, state);
}

/* ---- other figures of a supposed coil ---- */

bool suppose_read(const struct suppose *s, const struct reading_state *state,
                  const struct evidence_item *item, double *reading, double *noise)
{
    *noise = reading_noise(&s->bench, item);
    if (!reading_one(&s->bench, state, item, reading))
        return false;
    if (item->kind == EVIDENCE_SECOND_TIME && *reading <= READING_NONE)
        likely_eddy(reading, noise);
    if (item->kind == EVIDENCE_POLARITY)
        *noise = 0.43; /* +1 and -1 are then told apart but for one reading in a hundred */
    return true;
}

double suppose_temperature(const struct suppose *s, const struct reading_state *state)
{
    struct evidence_item room = {.at = {.temperature = NAN}};

    for (size_t i = 0; i < s->evidence.count; i++)
        if (!isnan(s->evidence.item[i].at.temperature))
            return reading_temperature(&s->bench, state, &s->evidence.item[i]);
    return reading_temperature(&s->bench, state, &room);
}

double suppose_unknown(const struct suppose *s)
{
    return likely_unknown(&s->likely);
}
