#include "analyze/infer/fade.h"

#include <math.h>

#include <gsl/gsl_interp.h>

/* The widths are judgement (common practice, no source); tests/bench/bench_analyze_forecast.c
 * scores them on three unlike kinds of physics. */
#define TIRED     1.5 /* curve.u by which a working cell of manganese dioxide lies below a rested */
#define TIRED_FEW 0.7 /* lead and nickel recover in hours, manganese dioxide in days */
#define STRAIGHT  4   /* the table's curve is straight for three points from this one */
#define STEEPEST  (-2.0) /* V beyond the end, at least: a cell that is used up collapses */

/* How far beyond the end Shepherd's equation has its pole, in depth. */
static const double knees[FADE_KNEES] = {0.01, 0.03, 0.08, 0.2};

static double steepest(const double volt[FADE_POINTS])
{
    return fmin(STEEPEST, (volt[FADE_POINTS - 1] - volt[FADE_POINTS - 2]) * (FADE_POINTS - 1));
}

/* The working curve made smooth (Steffen, monotone) as far as it is straight, and from there to
 * the end point by a knee of each sharpness, the form from C. M. Shepherd, J. Electrochem. Soc. 112
 * (1965) 657. */
bool fade_make(const struct cell_kind *kind, struct fade *f)
{
    gsl_interp *steffen = gsl_interp_alloc(gsl_interp_steffen, CELL_POINTS);
    double tired = (kind->primary ? TIRED : TIRED_FEW) * kind->curve.u;
    double x[CELL_POINTS], volt[CELL_POINTS], slope, from = (double)STRAIGHT / (CELL_POINTS - 1);
    /* Current and resistance are those of one ampere hour where the kind has no capacity. */
    double end =
        kind->end_v.value + kind->capacity_at_a * kind->ohm.value * kind->growth[CELL_POINTS - 1];

    if (!steffen)
        return false;
    for (int i = 0; i < CELL_POINTS; i++) {
        x[i] = (double)i / (CELL_POINTS - 1);
        volt[i] = kind->ocv[i] - tired;
    }
    gsl_interp_init(steffen, x, volt, CELL_POINTS);
    slope = (volt[STRAIGHT + 3] - volt[STRAIGHT]) * (CELL_POINTS - 1) / 3.0;
    for (int k = 0; k < FADE_KNEES; k++) {
        double far = knees[k], p0 = far / (1.0 + far - from);

        for (int i = 0; i < FADE_POINTS; i++) {
            double at = (double)i / (FADE_POINTS - 1), share;

            share = (far / (1.0 + far - at) - p0) / (1.0 - p0);
            if (at <= from)
                f->volt[k][i] = gsl_interp_eval(steffen, x, volt, at, NULL);
            else
                f->volt[k][i] = volt[STRAIGHT] + slope * (at - from) +
                                share * (end - volt[STRAIGHT] - slope * (1.0 - from));
        }
        f->steepest[k] = steepest(f->volt[k]);
    }
    gsl_interp_free(steffen);
    f->per_k = kind->volt_per_k.value;
    return true;
}

void fade_set_like(struct fade *f, const double volt[FADE_POINTS])
{
    for (int i = 0; i < FADE_POINTS; i++)
        f->volt[FADE_LIKE][i] = volt[i];
    f->steepest[FADE_LIKE] = steepest(volt);
}

double fade_volt(const struct fade *f, int which, double x, double kelvin)
{
    const double *curve = f->volt[which];
    double at = fmax(x, 0.0) * (FADE_POINTS - 1), volt;
    int i = (int)at;

    if (x >= 1.0)
        volt = curve[FADE_POINTS - 1] + (x - 1.0) * f->steepest[which];
    else
        volt = curve[i] + (at - i) * (curve[i + 1] - curve[i]);
    return volt + f->per_k * kelvin;
}

double fade_least_fall(const struct fade *f, double share)
{
    int step = (int)(share * (FADE_POINTS - 1));
    double least = INFINITY;

    for (int k = 0; k < FADE_KNEES; k++)
        for (int i = 0; i + step < FADE_POINTS; i++)
            least = fmin(least, f->volt[k][i] - f->volt[k][i + step]);
    return least;
}
