#include "analyze/infer/likely.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sf_erf.h>
#include <math.h>

#include "analyze/infer/reading.h"
#include "analyze/infer/weigh.h"

/* All common practice, no source. */
#define POLARITY_MISREAD 0.01 /* a compass read or noted the wrong way round */
#define WEAK_MISREAD     0.25 /* the same of a limb without current, beside one with */
/* Chance that the needle does not stir at a pole: of aiding limbs hardly ever, of cancelling ones
 * and of a dead limb often enough, without current nearly always. */
#define STILL_AIDING     0.005
#define STILL_CANCELLING 0.2
#define STILL_WEAK       0.3
#define STILL_NONE       0.95
#define SLIP_AGAIN       0.1 /* of slips, when the figure is read or typed again */
#define DEAD_SUPPLY      0.03 /* a flat cell, a switch left open: no pole at all, whatever the coil */
#define BAD_SEAT         0.08   /* share of trials that fail only because the keeper rocked */
#define RING_SEEN        0.7    /* a second time constant that is there is seen */
#define RING_HIDDEN      0.3    /* or hidden, however long, where saturating iron bends the rise */
#define RING_OTHER       0.15   /* of those seen are something else: a fit that settled elsewhere */
#define RING_NONE_SEEN   0.2    /* one is seen though nothing is closed: edges of sheet, a frame */
#define EDDY_LOG_S       (-5.0) /* ln s of such another one, and its spread */
#define EDDY_LOG_U       1.3
#define DECIMAL_SHARE    0.25 /* of mistakes are a slipped decimal */
#define PREFIX_SHARE     0.10 /* or a kilo or milli too many */
#define WILD_SHARE       0.10 /* or anything at all, decades off */
#define WILD_LOG_U       4.0

static double log_normal_cdf(double x)
{
    return gsl_sf_log_erfc(-x / M_SQRT2) - M_LN2;
}

static double log_normal(double x, double u)
{
    return -0.5 * x * x / (u * u) - log(u) - 0.5 * log(2 * M_PI);
}

bool likely_leads_polarity(const struct likely *l, size_t item)
{
    for (size_t i = 0; i < l->set->count; i++)
        if (l->set->item[i].kind == EVIDENCE_POLARITY)
            return i == item;
    return false;
}

double likely_scalar(const struct likely *l, size_t item, double reading)
{
    const struct evidence_item *e = &l->set->item[item];

    if (e->kind == EVIDENCE_POLARITY)
        return reading;
    if (e->kind == EVIDENCE_SECOND_TIME && reading <= READING_NONE)
        return -WEIGH_FAR;
    return (reading - reading_scale(e->kind, e->value)) / l->noise[item];
}

/* All the polarities at once: the supply may be either way round, so one sign is free. */
static double poles(const struct likely *l, double product)
{
    double sum = -INFINITY;
    bool none = product > -0.5 && product < 0.5;
    bool weak = fabs(product) <= READING_WEAK_POLE;
    double misread = weak ? WEAK_MISREAD : POLARITY_MISREAD;
    double still = none          ? STILL_NONE
                   : product < 0 ? STILL_CANCELLING
                   : weak        ? STILL_WEAK
                                 : STILL_AIDING;

    for (int lead = -1; lead <= 1; lead += 2) {
        bool looked[EVIDENCE_PLACES] = {false};
        double p = log(0.5);

        for (size_t i = 0; i < l->set->count; i++) {
            const struct evidence_item *e = &l->set->item[i];
            double pole;

            if (e->kind != EVIDENCE_POLARITY || e->place == EVIDENCE_PAIR)
                continue;
            pole = e->place == EVIDENCE_LIMB_A ? lead : -lead * product;
            if (e->value == 0) {
                /* Trying again what did not stir says nothing new. */
                p += looked[e->place] ? 0 : log(still);
                looked[e->place] = true;
                continue;
            }
            p += log1p(-still);
            if (none)
                p += log(0.5);
            else
                p += e->value * pole > 0 ? log1p(-misread) : log(misread);
        }
        sum = weigh_log_add(sum, p);
    }
    return sum;
}

static double polarity(const struct likely *l, double product)
{
    return weigh_log_add(log1p(-DEAD_SUPPLY) + poles(l, product), log(DEAD_SUPPLY) + poles(l, 0));
}

static double second_time(const struct likely *l, size_t item, double scalar)
{
    const struct evidence_item *e = &l->set->item[item];
    double value = reading_scale(e->kind, e->value);
    bool ring = scalar > -0.5 * WEIGH_FAR;

    if (e->bound == EVIDENCE_BELOW)
        return ring ? log(RING_HIDDEN + (1 - RING_HIDDEN) * gsl_cdf_ugaussian_P(-scalar))
                    : log(1 - RING_NONE_SEEN);
    if (!ring)
        return log(RING_NONE_SEEN) + log_normal(value - EDDY_LOG_S, EDDY_LOG_U);
    return log(RING_SEEN) +
           weigh_log_add(log(1 - RING_OTHER) + log_normal(scalar * l->noise[item], l->noise[item]),
                         log(RING_OTHER) + log_normal(value - EDDY_LOG_S, EDDY_LOG_U));
}

void likely_eddy(double *reading, double *noise)
{
    *reading = EDDY_LOG_S;
    *noise = EDDY_LOG_U;
}

double likely_sound(const struct likely *l, size_t item, double scalar)
{
    const struct evidence_item *e = &l->set->item[item];

    switch (e->kind) {
    case EVIDENCE_POLARITY:
        return likely_leads_polarity(l, item) ? polarity(l, scalar) : 0;
    case EVIDENCE_SECOND_TIME:
        return second_time(l, item, scalar);
    case EVIDENCE_LIFT:
        if (e->outcome == EVIDENCE_HELD)
            return log_normal_cdf(scalar);
        /* 'More than so much' was not lifted: any load would do. */
        if (e->bound == EVIDENCE_ABOVE)
            return 0;
        return weigh_log_add(log(BAD_SEAT), log1p(-BAD_SEAT) + log_normal_cdf(-scalar));
    default:
        break;
    }
    if (e->bound == EVIDENCE_ABOVE)
        return log_normal_cdf(scalar);
    if (e->bound == EVIDENCE_BELOW)
        return log_normal_cdf(-scalar);
    return log_normal(scalar, 1) - log(l->noise[item]);
}

double likely_misfit(const struct likely *l, size_t item, double scalar)
{
    const struct evidence_item *e = &l->set->item[item];

    if (e->kind == EVIDENCE_POLARITY || e->kind == EVIDENCE_SECOND_TIME ||
        e->kind == EVIDENCE_LIFT || e->bound != EVIDENCE_EQUAL)
        return -1;
    return scalar * scalar;
}

double likely_mistake(const struct likely *l, size_t item)
{
    const struct evidence_item *e = &l->set->item[item];

    /* Those carry their own allowance for being misread. */
    if (e->kind == EVIDENCE_POLARITY || e->kind == EVIDENCE_SECOND_TIME)
        return 0;
    return fmin(0.3, l->mistake * (e->doubtful ? 8 : 1) * pow(SLIP_AGAIN, e->readings - 1));
}

/* Log density of ln(value / expected) when a decade or three were lost on the way. */
static double slipped(double ratio, double u)
{
    double decimal = weigh_log_add(log_normal(ratio - M_LN10, u), log_normal(ratio + M_LN10, u));
    double prefix =
        weigh_log_add(log_normal(ratio - 3 * M_LN10, u), log_normal(ratio + 3 * M_LN10, u));

    return weigh_log_add(log(DECIMAL_SHARE / 2) + decimal, log(PREFIX_SHARE / 2) + prefix);
}

double likely_mistaken(const struct likely *l, size_t item, double scalar)
{
    const struct evidence_item *e = &l->set->item[item];
    double value = reading_scale(e->kind, e->value), middle = l->middle[item];
    double expect = value + scalar * l->noise[item], sum;
    const double other = log1p(-DECIMAL_SHARE - PREFIX_SHARE - WILD_SHARE), wild = log(WILD_SHARE);

    if (e->kind == EVIDENCE_LIFT || e->bound != EVIDENCE_EQUAL)
        return log(0.3);
    if (reading_by_log(e->kind))
        return weigh_log_add(weigh_log_add(other + log_normal(value - middle, 1.5),
                                           wild + log_normal(value - middle, WILD_LOG_U)),
                             slipped(value - expect, 0.15));
    if (e->kind == EVIDENCE_DRIFT || !(middle > 0))
        return log_normal(value - middle, fmax(0.05, fabs(middle)));
    if (!(value > 0))
        return log(0.02) - log(fabs(middle));
    sum = weigh_log_add(other + log_normal(log(value / middle), 0.8),
                        wild + log_normal(log(value / middle), WILD_LOG_U));
    /* Of an open circuit there is no figure whose decimal could slip. */
    if (expect > 0 && scalar < WEIGH_FAR)
        sum = weigh_log_add(sum, slipped(log(value / expect), 0.03));
    return sum - log(value);
}

double likely_unknown(const struct likely *l)
{
    double sum = 0;

    for (size_t i = 0; i < l->set->count; i++) {
        const struct evidence_item *e = &l->set->item[i];
        double value = reading_scale(e->kind, e->value), middle = l->middle[i];

        if (e->kind == EVIDENCE_POLARITY)
            sum += likely_leads_polarity(l, i) ? polarity(l, 1) - M_LN2 : 0;
        else if (e->kind == EVIDENCE_SECOND_TIME)
            sum +=
                log(0.5) +
                (e->bound == EVIDENCE_EQUAL ? log_normal(value - EDDY_LOG_S, 2 * EDDY_LOG_U) : 0);
        else if (e->kind == EVIDENCE_LIFT || e->bound != EVIDENCE_EQUAL)
            sum += log(0.3);
        else if (reading_by_log(e->kind))
            sum += log_normal(value - middle, 1);
        else if (e->kind == EVIDENCE_DRIFT || !(middle > 0) || !(value > 0))
            sum += log_normal(value - middle, fmax(0.05, fabs(middle)));
        else
            sum += log_normal(log(value / middle), 0.4) - log(value);
    }
    return sum;
}
