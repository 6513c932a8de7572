/* Scores lift intervals on sittings of the simulated bench, whose physics and chance are its own.
 *
 * Usage: bench_infer_lift [--full | -n SITTINGS] [-s SEED] [-m PRIOR] [-x TIMES]
 * --full is 1000 sittings, else 200.
 * PRIOR: median of the prior scatter; TIMES: seatings that scatter so many times as much as the
 * bench's own
 * A magnet is drawn and wound, its keeper seated anew for every trial. A person hangs the lumps at
 * hand that come nearest to what lift_next() advises, on a scale with an error of its own, at a
 * current that wanders as the winding warms. Truth: the load that is held, for as long as a trial
 * lasts, in half of all seatings. Printed: how often the 95 % interval has it, how often the
 * one-sided bounds do, widths and trials. Invented data throughout. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/lift.h"
#include "fixtures/bench/coil.h"
#include "fixtures/bench/constants.h"
#include "fixtures/bench/draw.h"

#define TRIALS_MAX 24

/* What a magnet that saturates a little does; what is wrong with it is carried as uncertainty. */
#define EXPONENT   1.4
#define EXPONENT_U 0.4

enum kind { FINE_STEPS, COARSE_LUMPS, PULLED_OFF, FEW, ENDS_AT_SCALE, KINDS };
static const char *const kind_words[KINDS] = {"fine steps", "coarse lumps", "pulled off too",
                                              "six trials", "scale ends"};

struct score {
    size_t n, intervals, covered, low_missed, high_missed;
    size_t bounds, bounds_hold, silent;
    double width, trials;
};

/* The lump at hand that is nearest to a wanted load, lighter than one that fell just now and
 * heavier than one that held. */
static double lump(enum kind kind, double wanted, const struct lift_trial *last, struct rng *r)
{
    double step = kind == COARSE_LUMPS ? 0.25 : 0.03;
    double at = step * round(log(wanted) / step);

    if (last && last->side == LIFT_BELOW && at > last->value - 0.5 * step)
        at -= step;
    else if (last && last->side == LIFT_ABOVE && at < last->value + 0.5 * step)
        at += step;
    return exp(at) * (1 + 0.001 * rng_normal(r));
}

static void sit(struct coil *c, double current, enum kind kind, double median, struct rng *r,
                struct score *score)
{
    struct lift_trial t[TRIALS_MAX + 4];
    struct lift_options options = lift_options_default();
    struct lift_plan_options po = {.width = 0.06, .trials = kind == FEW ? 6 : TRIALS_MAX};
    struct lift_plan plan;
    struct lift_fit fit;
    struct status st;
    double truth = 0.97 * coil_field(c, current).pull;
    double gain = 1 + 0.006 * rng_normal(r);  /* of the scale, for the whole sitting */
    double shunt = 1 + 0.006 * rng_normal(r); /* of the ammeter, likewise */
    double end = kind == ENDS_AT_SCALE ? truth * exp(rng_between(r, -0.8, 0.4)) : INFINITY;
    double now = current;
    size_t n = 0;

    options.scatter = median;
    options.shared_u = hypot(0.006, EXPONENT * 0.006);
    po.start = log(truth) + 0.35 * rng_normal(r) - 0.3; /* what the design promises */
    po.most = log(end);
    lift_fit(t, 0, &options, &fit, &st);
    plan = lift_next(t, 0, &fit, &po);
    while (plan.advice == LIFT_TRY && n < TRIALS_MAX) {
        double load = fmin(lump(kind, exp(plan.next), n ? &t[n - 1] : NULL, r), end);
        double pull = coil_seated_pull(c, now);
        double held = load < 0.97 * pull;
        double read = load * gain * (1 + 0.003 * rng_normal(r));
        double ammeter = now * shunt * (1 + 0.002 * rng_normal(r));
        double move = EXPONENT * log(ammeter / current);

        t[n++] = (struct lift_trial){.side = held > 0 ? LIFT_ABOVE : LIFT_BELOW,
                                     .value = log(read) - move,
                                     .u = hypot(0.004, EXPONENT_U * log(ammeter / current)),
                                     .lapse = 0.01};
        if (kind == PULLED_OFF && n % 4 == 0)
            t[n++] = (struct lift_trial){.side = LIFT_EXACT,
                                         .value = log(0.97 * coil_seated_pull(c, now) * gain) -
                                                  move + 0.01 * rng_normal(r),
                                         .u = hypot(0.01, EXPONENT_U * log(ammeter / current))};
        now = current * (1 - 0.03 * (1 - exp(-(double)n / 8))); /* it warms under the supply */
        if (lift_fit(t, n, &options, &fit, &st) != STATUS_OK) {
            fprintf(stderr, "%s\n", st.text);
            exit(1);
        }
        plan = lift_next(t, n, &fit, &po);
    }
    ++score->n;
    score->trials += (double)n;
    if (fit.kind == LIFT_INTERVAL && isfinite(fit.low) && isfinite(fit.high)) {
        ++score->intervals;
        score->covered += log(truth) >= fit.low && log(truth) <= fit.high;
        score->low_missed += log(truth) < fit.low;
        score->high_missed += log(truth) > fit.high;
        score->width += 0.5 * (fit.high - fit.low);
    } else if (isfinite(fit.low) || isfinite(fit.high)) {
        ++score->bounds;
        score->bounds_hold += log(truth) >= fit.low && log(truth) <= fit.high;
    } else
        ++score->silent;
}

int main(int argc, char **argv)
{
    struct plan_wire wires[PLAN_WIRES_MAX];
    size_t sizes = plan_wires_usual(wires);
    struct score score[KINDS] = {{0}};
    struct score all = {0};
    unsigned long sittings = 200;
    uint64_t seed = 6;
    double median = LIFT_SCATTER;
    double times = 1;
    struct rng rng;

    for (int i = 1; i < argc; ++i) {
        if (strcmp(argv[i], "--full") == 0)
            sittings = 1000;
        else if (strcmp(argv[i], "-n") == 0 && i + 1 < argc)
            sittings = strtoul(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "-s") == 0 && i + 1 < argc)
            seed = strtoul(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "-m") == 0 && i + 1 < argc)
            median = strtod(argv[++i], NULL);
        else if (strcmp(argv[i], "-x") == 0 && i + 1 < argc)
            times = strtod(argv[++i], NULL);
    }
    rng_seed(&rng, seed);
    for (unsigned long k = 0; k < sittings;) {
        enum kind kind = (enum kind)(k % KINDS);
        struct rng own = rng_fork(&rng);
        struct plan_fault right = {.kind = PLAN_RIGHT};
        struct plan plan;
        struct coil coil;
        double current;

        plan_init(&plan);
        draw_plan(&plan, wires, sizes, &own);
        coil_wind(&coil, "drawn", &plan, &right, 1, wires, sizes, 20, rng_bits(&own));
        coil.magnet.keeper = true;
        coil.tilt *= times;
        coil.magnet.shim = rng_chance(&own, 0.3) ? rng_between(&own, 0.1e-3, 0.6e-3) : 0;
        current = plan.supply / (coil_resistance(&coil) + plan.source);
        if (!isfinite(current) || coil_field(&coil, current).pull < 0.05)
            continue; /* nothing that anybody would hang a load on */
        sit(&coil, current, kind, median, &own, &score[kind]);
        ++k;
    }
    printf("%-16s %8s %9s %8s %8s %8s %8s %8s %12s\n", "sittings", "", "intervals", "covered",
           "too low", "too high", "half", "trials", "bounds hold");
    for (int k = 0; k <= KINDS; ++k) {
        const struct score *s = k < KINDS ? &score[k] : &all;

        if (k < KINDS) {
            all.n += s->n;
            all.intervals += s->intervals;
            all.covered += s->covered;
            all.low_missed += s->low_missed;
            all.high_missed += s->high_missed;
            all.bounds += s->bounds;
            all.bounds_hold += s->bounds_hold;
            all.silent += s->silent;
            all.width += s->width;
            all.trials += s->trials;
        }
        printf("%-16s %8zu %9zu %6.1f %% %6.1f %% %6.1f %% %6.1f %% %8.1f %6zu/%zu\n",
               k < KINDS ? kind_words[k] : "all", s->n, s->intervals,
               100.0 * (double)s->covered / fmax(1, (double)s->intervals),
               100.0 * (double)s->high_missed / fmax(1, (double)s->intervals),
               100.0 * (double)s->low_missed / fmax(1, (double)s->intervals),
               100.0 * s->width / fmax(1, (double)s->intervals), s->trials / fmax(1, (double)s->n),
               s->bounds_hold, s->bounds);
    }
    return 0;
}
