/* The full prediction of a U magnet, 100 000 Monte Carlo draws, on one core; against a plain loop
 * that solves every draw and keeps no statistics, timed side by side. The design is invented. */
#include <gsl/gsl_errno.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "analyze/model/coil.h"
#include "analyze/model/input.h"
#include "analyze/model/prediction.h"
#include "analyze/model/uncertain.h"

#define DRAWS  100000
#define LOOP   4000
#define SOLVED 9999 /* below 10 000 every draw is solved */

static double seconds(void)
{
    struct timespec t;

    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void stop(const struct status *st)
{
    fprintf(stderr, "%s\n", st->text);
    exit(1);
}

static struct design signal_arm(double gap, double volts)
{
    struct design d;
    struct status st;

    design_init(&d);
    d.core.form = DESIGN_U_YOKE;
    d.core.limb = (struct design_section){DESIGN_ROUND, amount_of(9.5e-3, 0.05e-3), amount_none()};
    d.core.limb_length = amount_of(42e-3, 0.2e-3);
    d.core.spacing = amount_of(26e-3, 0.2e-3);
    snprintf(d.core.iron, sizeof d.core.iron, "low-carbon-steel");
    d.core.yoke = (struct design_section){DESIGN_RECTANGULAR, amount_of(12e-3, 0.1e-3),
                                          amount_of(8e-3, 0.1e-3)};
    d.core.keeper = d.core.yoke;
    d.core.gap = amount_of(gap, 0.05e-3);
    if (wire_make(&d.winding.wire, WIRE_COPPER, WIRE_DIAMETER, 0, 0.25e-3, 1, WIRE_ENAMEL_1, &st))
        stop(&st);
    d.winding.turns[0] = d.winding.turns[1] = amount_of(500.0, 2.0);
    d.winding.wound_length = amount_of(36e-3, 0.3e-3);
    d.winding.wrap = amount_of(0.4e-3, 0.1e-3);
    d.supply.voltage = amount_of(volts, 0.02 * volts);
    d.supply.source_resistance = amount_of(0.4, 0.1);
    return d;
}

/* Every draw solved, nothing kept: what the statistics and the surface are measured against. */
static double plain_loop(struct coil *coil, const struct coil_conditions *k, unsigned want)
{
    struct input inputs[INPUT_LIST_MAX];
    size_t n = input_list(coil, k, inputs);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct coil_specimen nominal;
    double start, sum = 0.0;

    coil_specimen_nominal(coil, &nominal);
    start = seconds();
    for (int i = 0; i < LOOP; i++) {
        struct coil_specimen s = nominal;
        struct coil_conditions c = *k;
        struct coil_observables o;
        struct status st;

        for (size_t j = 0; j < n; j++)
            input_set(&inputs[j],
                      inputs[j].value +
                          inputs[j].u * fmax(-2.0, uncertain_draw(rng, inputs[j].shape)),
                      &s, &c);
        for (int b = 0; b < 2; b++)
            s.wire_overall[b] = fmax(s.wire_overall[b], s.wire_diameter[b]);
        if (coil_forward(coil, &s, &c, want, &o, &st) == STATUS_OK)
            sum += o.y[COIL_RESISTANCE_PAIR];
    }
    start = seconds() - start;
    gsl_rng_free(rng);
    if (!(sum > 0.0))
        exit(1);
    return start * DRAWS / LOOP;
}

static void one(const char *name, double gap, double volts)
{
    static struct prediction p, solved; /* large */
    struct design d = signal_arm(gap, volts);
    struct coil *coil;
    struct coil_conditions k;
    struct status st;
    double whole, loop, electric;
    static const enum coil_quantity shown[] = {COIL_RESISTANCE_PAIR, COIL_CURRENT,
                                               COIL_WIRE_MASS,       COIL_PULL,
                                               COIL_INDUCTANCE_ON,   COIL_RESIDUAL_PULL};

    if (coil_new(&d, &coil, &st))
        stop(&st);
    coil_conditions_nominal(coil, &k);
    whole = seconds();
    if (prediction_make(coil, &k, COIL_ALL, DRAWS, &p, &st))
        stop(&st);
    whole = seconds() - whole;
    if (prediction_make(coil, &k, COIL_ALL, SOLVED, &solved, &st))
        stop(&st);
    loop = plain_loop(coil, &k, COIL_ALL);
    electric = plain_loop(coil, &k, COIL_ELECTRIC);
    printf("%s: %zu draws in %.2f s, %.0f draws/s; plain loop solving each %.2f s, ratio %.2f; "
           "electric half alone %.3f s; surface error %.4f u; %zu failed\n",
           name, p.draws, whole, (double)p.draws / whole, loop, whole / loop, electric,
           p.surface_error, p.failed);
    for (size_t i = 0; i < sizeof shown / sizeof shown[0]; i++) {
        const struct prediction_figure *f = &p.figure[shown[i]];

        const struct prediction_figure *g = &solved.figure[shown[i]];

        printf("  %-22s first order %9.4g +- %-8.3g draws %9.4g +- %-8.3g [%.4g, %.4g]%s\n"
               "  %-22s %d draws, each solved: %15.4g +- %-8.3g [%.4g, %.4g], u ratio %.3f\n",
               coil_quantity_words(shown[i]), f->value, f->u, f->mc_mean, f->mc_u, f->low, f->high,
               f->agrees ? " agree" : "", "", SOLVED, g->mc_mean, g->mc_u, g->low, g->high,
               f->mc_u / g->mc_u);
    }
    coil_free(coil);
}

int main(void)
{
    gsl_set_error_handler_off();
    one("1 mm gap, 3 V", 1e-3, 3.0);
    one("0.2 mm gap, 12 V, saturating", 0.2e-3, 12.0);
    one("contact, 3 V", 0.02e-3, 3.0);
    return 0;
}
