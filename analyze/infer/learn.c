#include "analyze/infer/learn.h"

#include <math.h>
#include <stdlib.h>

#define GRID 512

struct row {
    const char *name, *title, *reason;
    struct learn_prior prior;
};

/* Priors are common practice, no source; they match the nuisance priors of nuisance.c. */
static const struct row rows[LEARN_QUANTITIES] = {
    [LEARN_MEAN_TURN] = {"mean-turn",
                         "mean turn against geometry",
                         "hands wind 2 % tighter or looser than the geometry says, and one hand "
                         "keeps to about half a per cent",
                         {0, 0.02, 0.005}},
    [LEARN_WIRE_LOT] = {"wire-lot",
                        "resistance per metre against the table",
                        "tolerance on diameter makes a lot differ by 2 %, and one spool hardly "
                        "differs within itself",
                        {0, 0.02, 0.004}},
    [LEARN_CONTACT_GAP] = {"contact-gap",
                           "air left at contact (logarithm of metres)",
                           "filed faces leave some hundredths of a millimetre: 0.02 mm, within a "
                           "factor of two",
                           {-10.82, 0.7, 0.4}},
    [LEARN_METER] = {"meter",
                     "gain error of an instrument",
                     "hand meters are good to 1 % and keep their error for months",
                     {0, 0.006, 0.001}},
};

struct learn_prior learn_prior_of(enum learn_quantity quantity)
{
    const struct learn_prior none = {NAN, NAN, NAN};

    return (unsigned)quantity < LEARN_QUANTITIES ? rows[quantity].prior : none;
}

const char *learn_reason(enum learn_quantity quantity)
{
    return (unsigned)quantity < LEARN_QUANTITIES ? rows[quantity].reason : "";
}

const char *learn_name(enum learn_quantity quantity)
{
    return (unsigned)quantity < LEARN_QUANTITIES ? rows[quantity].name : "";
}

const char *learn_title(enum learn_quantity quantity)
{
    return (unsigned)quantity < LEARN_QUANTITIES ? rows[quantity].title : "";
}

static enum status_code check(const struct learn_prior *prior, const struct learn_example *example,
                              size_t count, struct status *st)
{
    if (!isfinite(prior->mean) || !(prior->u > 0) || !isfinite(prior->u))
        return status_fail(st, STATUS_INPUT,
                           "prior %g +- %g cannot be; expected a finite mean and "
                           "an uncertainty above 0",
                           prior->mean, prior->u);
    if (!(prior->spread > 0) || !isfinite(prior->spread))
        return status_fail(st, STATUS_INPUT, "spread between coils %g cannot be; expected above 0",
                           prior->spread);
    for (size_t i = 0; i < count; i++) {
        if (!isfinite(example[i].value))
            return status_fail(st, STATUS_INPUT, "example %zu: %g is not a number", i + 1,
                               example[i].value);
        if (!(example[i].u > 0) || !isfinite(example[i].u))
            return status_fail(st, STATUS_INPUT,
                               "example %zu: uncertainty %g cannot be; expected above 0", i + 1,
                               example[i].u);
    }
    return status_ok(st);
}

/* For a between-coil spread t: mean and variance of the shop's mean, and the log density of the
 * examples and t (up to a constant). */
static double at_spread(const struct learn_prior *prior, const struct learn_example *example,
                        size_t count, double t, double *mean, double *variance)
{
    double precision = 1 / (prior->u * prior->u), weighted = prior->mean * precision;
    double log_density = -0.5 * t * t / (prior->spread * prior->spread) - log(prior->u);

    for (size_t i = 0; i < count; i++) {
        double v = example[i].u * example[i].u + t * t;

        precision += 1 / v;
        weighted += example[i].value / v;
        log_density -= 0.5 * log(v);
    }
    *mean = weighted / precision;
    *variance = 1 / precision;
    log_density -= 0.5 * log(precision);
    log_density -= 0.5 * pow((*mean - prior->mean) / prior->u, 2);
    for (size_t i = 0; i < count; i++)
        log_density -=
            0.5 * pow(example[i].value - *mean, 2) / (example[i].u * example[i].u + t * t);
    return log_density;
}

enum status_code learn_update(const struct learn_prior *prior, const struct learn_example *example,
                              size_t count, struct learn_result *result, struct status *st)
{
    double density[GRID], mean[GRID], variance[GRID], spread[GRID];
    double top = -INFINITY, sum = 0, square = 0, spread2 = 0, most = 5 * prior->spread;
    double centre = 0, scatter = 0;
    enum status_code code = check(prior, example, count, st);

    if (code != STATUS_OK)
        return code;
    *result = (struct learn_result){.examples = count, .prior_weight = 1};
    for (size_t i = 0; i < count; i++)
        centre += example[i].value / (double)count;
    for (size_t i = 0; i < count; i++)
        scatter += pow(example[i].value - centre, 2) / (double)count;
    most = fmax(most, 3 * sqrt(scatter));
    for (size_t k = 0; k < GRID; k++) {
        spread[k] = most * ((double)k + 0.5) / GRID;
        density[k] = at_spread(prior, example, count, spread[k], &mean[k], &variance[k]);
        top = fmax(top, density[k]);
    }
    for (size_t k = 0; k < GRID; k++) {
        density[k] = exp(density[k] - top);
        sum += density[k];
    }
    result->prior_weight = 0;
    for (size_t k = 0; k < GRID; k++) {
        double w = density[k] / sum;

        result->mean += w * mean[k];
        square += w * (variance[k] + mean[k] * mean[k]);
        result->spread += w * spread[k];
        spread2 += w * spread[k] * spread[k];
        result->prior_weight += w * variance[k] / (prior->u * prior->u);
    }
    result->u = sqrt(fmax(0, square - result->mean * result->mean));
    result->spread_u = sqrt(fmax(0, spread2 - result->spread * result->spread));
    result->next = result->mean;
    result->next_u = sqrt(result->u * result->u + spread2);
    return status_ok(st);
}
