#include "analyze/model/prediction.h"

#include <math.h>
#include <string.h>

#include "analyze/model/input.h"
#include "analyze/model/surrogate.h"
#include "analyze/model/uncertain.h"

/* Worst miss of the surface that stands in for the magnetic circuit in Monte Carlo draws, as a part
 * of the standard uncertainty. What it misses is drawn too, so that 0.3 leaves the uncertainty
 * right to a few per cent (the misses are taken as independent of the inputs, which is all they
 * lack). */
#define SURFACE_ERROR_MOST 0.3

struct task {
    struct coil *coil;
    struct coil_specimen specimen;
    struct coil_conditions conditions;
    unsigned want;
    const struct input *inputs;
    size_t n;
    const struct surrogate *surface; /* of what is magnetic; NULL: solve it */
    size_t drawn;
    bool plain; /* leave out the plain factor: the surface need not learn a multiplication */
};

static enum status_code run(void *context, const double *x, double *y, struct status *st)
{
    struct task *t = context;
    struct coil_specimen s = t->specimen;
    struct coil_conditions k = t->conditions;
    struct coil_observables out;
    enum status_code code;

    for (size_t i = 0; i < t->n; i++)
        input_set(&t->inputs[i], x[i], &s, &k);
    /* the covering cannot be thinner than nothing */
    for (int b = 0; b < 2; b++)
        s.wire_overall[b] = fmax(s.wire_overall[b], s.wire_diameter[b]);
    if (t->plain)
        s.remanence = 1.0;
    code = coil_forward(t->coil, &s, &k, t->surface ? COIL_ELECTRIC : t->want, &out, st);
    if (code)
        return code;
    if (t->surface) {
        surrogate_run(t->surface, x, t->drawn++, out.y + COIL_POLARITY_A);
        out.y[COIL_RESIDUAL_PULL] *= s.remanence * s.remanence;
    }
    memcpy(y, out.y, sizeof out.y);
    return STATUS_OK;
}

/* Only the magnetic results, for the surface. */
static enum status_code run_magnetic(void *context, const double *x, double *y, struct status *st)
{
    double all[COIL_QUANTITIES];
    enum status_code code = run(context, x, all, st);

    memcpy(y, all + COIL_POLARITY_A, (COIL_QUANTITIES - COIL_POLARITY_A) * sizeof *y);
    return code;
}

enum status_code prediction_make(struct coil *c, const struct coil_conditions *k, unsigned want,
                                 size_t draws, struct prediction *out, struct status *st)
{
    struct input inputs[INPUT_LIST_MAX];
    struct uncertain_input x[INPUT_LIST_MAX];
    struct uncertain_result first[COIL_QUANTITIES], mc[COIL_QUANTITIES];
    double components[COIL_QUANTITIES * INPUT_LIST_MAX], shares[INPUT_LIST_MAX];
    struct surrogate *surface = NULL;
    struct coil_observables nominal;
    struct task task = {.coil = c, .conditions = *k, .want = want, .inputs = inputs};
    enum status_code code;

    memset(out, 0, sizeof *out);
    coil_specimen_nominal(c, &task.specimen);
    code = coil_forward(c, &task.specimen, k, want, &nominal, st);
    if (code)
        return code;
    out->limit = nominal.limit;
    task.n = input_list(c, k, inputs);
    for (size_t i = 0; i < task.n; i++) {
        x[i] = (struct uncertain_input){.name = inputs[i].name,
                                        .shape = inputs[i].shape,
                                        .value = inputs[i].value,
                                        .u = inputs[i].u,
                                        .dof = INFINITY};
        input_range(&inputs[i], &x[i].low, &x[i].high);
    }
    code =
        uncertain_first_order(run, &task, x, task.n, NULL, COIL_QUANTITIES, first, components, st);
    out->surface_error = NAN;
    /* fitting the surface costs a few thousand solutions: not worth it for few draws */
    if (!code && draws >= 10000 && (want & COIL_ALL) && !isnan(nominal.y[COIL_CURRENT])) {
        task.plain = true;
        code = surrogate_fit(run_magnetic, &task, x, task.n, COIL_QUANTITIES - COIL_POLARITY_A,
                             components + COIL_POLARITY_A * task.n, 21u, &surface,
                             &out->surface_error, st);
        task.plain = false;
        if (!code && out->surface_error < SURFACE_ERROR_MOST)
            task.surface = surface;
        else
            out->surface_error = NAN;
    }
    if (!code && draws > 0)
        code = uncertain_monte_carlo(run, &task, x, task.n, NULL, COIL_QUANTITIES, draws, 20u, mc,
                                     &out->failed, st);
    surrogate_free(surface);
    if (code)
        return code;
    out->draws = draws - out->failed;
    for (size_t q = 0; q < COIL_QUANTITIES; q++) {
        struct prediction_figure *f = &out->figure[q];

        f->exists = !isnan(nominal.y[q]);
        f->value = nominal.y[q];
        f->u = isinf(f->value) ? 0.0 : first[q].u;
        f->low = isinf(f->value) ? f->value : first[q].low;
        f->high = isinf(f->value) ? f->value : first[q].high;
        f->mc_mean = f->mc_u = NAN;
        if (!f->exists || isinf(f->value))
            continue;
        uncertain_shares(components, task.n, NULL, q, shares);
        for (size_t i = 0; i < task.n; i++)
            f->share[inputs[i].cause] += shares[i];
        if (draws > 0 && isfinite(mc[q].u)) {
            f->mc_mean = mc[q].value;
            f->mc_u = mc[q].u;
            f->low = mc[q].low;
            f->high = mc[q].high;
            f->agrees = uncertain_agree(&first[q], &mc[q], 1);
        }
    }
    return status_ok(st);
}
