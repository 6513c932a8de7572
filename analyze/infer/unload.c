#include "analyze/infer/unload.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>

#define KNOTS_MAX   10
#define COLUMNS_MAX (3 + 2 * KNOTS_MAX)
#define STEP        0.05 /* s, of the low pass */
#define LAG_LEAST   0.02 /* s */
#define LAG_MOST    6.0  /* s; a household scale is quicker */
#define REST        0.02 /* share of the greatest current that counts as none */
#define FELL        0.03 /* share by which the current must fall to be falling */
#define OFF_PAN     0.97 /* share of the block's weight at which it no longer rests on the pan */

/* A reading that is still moving is off by about what the scale moves in its lag: taken as this
 * many digits. Common practice, no source. */
#define UNSTABLE_DIGITS 4.0

struct work {
    const struct unload_input *input;
    double most;                /* A, greatest current */
    double digit;               /* N */
    double knot[KNOTS_MAX + 1]; /* A; the first is none */
    size_t knots;               /* above the first */
    bool falling;               /* a falling branch is fitted */
    size_t columns;
    double begin, end; /* s */
    size_t steps;
    double *current; /* A, on the grid of STEP */
    bool *down;      /* falling, on the grid */
    size_t rows;
    double *time, *value, *weight;
    gsl_matrix *x;
    gsl_vector *y, *w, *c;
    gsl_matrix *cov;
    gsl_multifit_linear_workspace *fit;
};

static void work_free(struct work *k)
{
    free(k->current);
    free(k->down);
    free(k->time);
    free(k->value);
    free(k->weight);
    gsl_matrix_free(k->x);
    gsl_vector_free(k->y);
    gsl_vector_free(k->w);
    gsl_vector_free(k->c);
    gsl_matrix_free(k->cov);
    gsl_multifit_linear_free(k->fit);
}

/* Column k of the basis at a current: a hat over knot k. */
static double hat(const struct work *w, size_t k, double current)
{
    double at = w->knot[k];
    double before = k > 0 ? w->knot[k - 1] : at;
    double after = k < w->knots ? w->knot[k + 1] : INFINITY;

    if (current <= at)
        return k == 0 ? 1.0 : current <= before ? 0.0 : (current - before) / (at - before);
    return isfinite(after) ? fmax(0.0, (after - current) / (after - at)) : 1.0;
}

/* The current as it was at the steps of the grid, straight between readings, and which way it was
 * going: falling from when it has left its greatest until it has been none and rises anew. */
static void lay_grid(struct work *w)
{
    const struct unload_sample *s = w->input->current;
    size_t n = w->input->currents;
    size_t at = 0;
    double top = 0.0;
    bool down = false;

    for (size_t i = 0; i < w->steps; ++i) {
        double t = w->begin + STEP * (double)i;
        double value;

        while (at + 2 < n && s[at + 1].time < t)
            ++at;
        if (t <= s[at].time)
            value = s[at].value;
        else if (t >= s[at + 1].time)
            value = s[at + 1].value;
        else
            value = s[at].value + (s[at + 1].value - s[at].value) * (t - s[at].time) /
                                      (s[at + 1].time - s[at].time);
        w->current[i] = fmax(0.0, value);
        top = fmax(top, value);
        if (value < top - FELL * w->most)
            down = true;
        else if (down && value > top) {
            down = false;
        }
        if (value >= top)
            down = false;
        w->down[i] = down;
    }
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;

    return (x > y) - (x < y);
}

/* Knots where the current dwelt, for a hand turns the supply in steps and waits. */
static bool choose_knots(struct work *w)
{
    double *sorted = malloc(w->steps * sizeof *sorted);
    size_t n = 0;

    if (!sorted)
        return false;
    for (size_t i = 0; i < w->steps; ++i)
        if (w->current[i] > REST * w->most)
            sorted[n++] = w->current[i];
    qsort(sorted, n, sizeof *sorted, by_size);
    w->knot[0] = 0.0;
    for (size_t i = 0; i < 2 * KNOTS_MAX && n; ++i) {
        double at = sorted[(size_t)((double)(n - 1) * ((double)i + 0.5) / (2 * KNOTS_MAX))];

        if (w->knots < KNOTS_MAX - 1 && at > w->knot[w->knots] + 0.07 * w->most)
            w->knot[++w->knots] = at;
    }
    if (w->knots == 0 || w->most - w->knot[w->knots] > 0.03 * w->most)
        w->knot[++w->knots] = w->most;
    else
        w->knot[w->knots] = w->most;
    free(sorted);
    return true;
}

/* Fills the matrix for a lag: weight, drift, pull left, hats rising, hats falling. */
static void fill(struct work *w, double lag)
{
    double state[COLUMNS_MAX] = {0.0};
    double keep = exp(-STEP / lag);
    size_t row = 0;

    gsl_matrix_set_zero(w->x);
    for (size_t i = 0; i < w->steps; ++i) {
        double t = w->begin + STEP * (double)i;

        for (size_t k = 1; k <= w->knots; ++k) {
            double h = hat(w, k, w->current[i]);
            double *up = &state[2 + k];

            *up = i == 0 ? h : h + (*up - h) * keep;
            if (w->falling && k < w->knots) {
                double d = w->down[i] ? h : 0.0;
                double *fell = &state[2 + w->knots + k];

                *fell = i == 0 ? d : d + (*fell - d) * keep;
            }
        }
        if (w->falling) {
            double d = w->down[i] ? hat(w, 0, w->current[i]) : 0.0;

            state[2] = i == 0 ? d : d + (state[2] - d) * keep;
        }
        for (; row < w->rows && w->time[row] < t + 0.5 * STEP; ++row) {
            gsl_matrix_set(w->x, row, 0, 1.0);
            gsl_matrix_set(w->x, row, 1, w->time[row] - w->begin);
            for (size_t k = 2; k < w->columns; ++k)
                gsl_matrix_set(w->x, row, k, -state[k]);
        }
    }
    /* The last rows hold what is known beforehand: a scale drifts little (a digit a minute), and
     * where the current never dwelt the falling curve is the rising one. */
    gsl_matrix_set(w->x, w->rows, 1, 60.0);
    for (size_t k = 2; k < w->columns; ++k)
        gsl_matrix_set(w->x, w->rows + k - 1, k, 1.0);
}

static double solve(struct work *w, double lag)
{
    double chi = INFINITY;

    fill(w, lag);
    if (gsl_multifit_wlinear(w->x, w->w, w->y, w->c, w->cov, &chi, w->fit) != GSL_SUCCESS)
        return INFINITY;
    return chi;
}

/* The lag that fits best, between LAG_LEAST and LAG_MOST, by golden section in its logarithm. */
static double best_lag(struct work *w)
{
    const double ratio = 0.6180339887498949;
    double best = INFINITY;
    double at = log(LAG_LEAST);
    double step = (log(LAG_MOST) - log(LAG_LEAST)) / 15.0;
    double a, b, c, d, fc, fd;

    for (int i = 0; i < 16; ++i) {
        double chi = solve(w, exp(log(LAG_LEAST) + step * i));

        if (chi < best) {
            best = chi;
            at = log(LAG_LEAST) + step * i;
        }
    }
    a = fmax(log(LAG_LEAST), at - step);
    b = fmin(log(LAG_MOST), at + step);
    c = b - ratio * (b - a);
    d = a + ratio * (b - a);
    fc = solve(w, exp(c));
    fd = solve(w, exp(d));
    while (b - a > 0.01)
        if (fc < fd) {
            b = d;
            d = c;
            fd = fc;
            c = b - ratio * (b - a);
            fc = solve(w, exp(c));
        } else {
            a = c;
            c = d;
            fc = fd;
            d = a + ratio * (b - a);
            fd = solve(w, exp(d));
        }
    return exp(0.5 * (a + b));
}

static enum status_code check(const struct unload_input *in, struct status *st)
{
    if (in->scales < 12 || in->currents < 6)
        return status_fail(st, STATUS_INPUT,
                           "%zu readings of the scale and %zu of the current: too few for a curve "
                           "(12 and 6); record for longer",
                           in->scales, in->currents);
    if (in->scales > UNLOAD_SAMPLES_MAX || in->currents > UNLOAD_SAMPLES_MAX)
        return status_fail(st, STATUS_INPUT, "more than %d readings in one curve",
                           UNLOAD_SAMPLES_MAX);
    if (in->scale[0].time > in->current[in->currents - 1].time ||
        in->current[0].time > in->scale[in->scales - 1].time)
        return status_fail(st, STATUS_INPUT, "scale and current were not recorded together");
    for (size_t i = 0; i < in->currents; ++i)
        if (!isfinite(in->current[i].value) ||
            (i > 0 && !(in->current[i].time > in->current[i - 1].time)))
            return status_fail(st, STATUS_INPUT, "reading %zu of the current has no value or time",
                               i + 1);
    for (size_t i = 1; i < in->scales; ++i)
        if (!(in->scale[i].time > in->scale[i - 1].time))
            return status_fail(st, STATUS_INPUT,
                               "reading %zu of the scale is not later than the "
                               "one before",
                               i + 1);
    if (!isnan(in->block) && !(in->block > 0.0))
        return status_fail(st, STATUS_INPUT, "a block of %g N; expected above 0", in->block);
    return status_ok(st);
}

static double current_at(const struct work *w, double t)
{
    double i = (t - w->begin) / STEP;

    if (i <= 0.0)
        return w->current[0];
    return w->current[(size_t)fmin((double)(w->steps - 1), i)];
}

/* What the scale shows with no current and has shown for a while, from the start (way 1) or the end
 * (way -1). NaN when there is no such stretch. */
static double at_rest(const struct work *w, int way)
{
    const struct unload_input *in = w->input;
    double sum = 0.0;
    size_t n = 0;

    for (size_t k = 0; k < in->scales; ++k) {
        const struct unload_sample *s = &in->scale[way > 0 ? k : in->scales - 1 - k];

        if (current_at(w, s->time) > REST * w->most ||
            current_at(w, s->time - 0.3) > REST * w->most)
            break;
        if (s->mark != UNLOAD_OVER && (way > 0 || s->mark == UNLOAD_GOOD)) {
            sum += s->value;
            ++n;
        }
    }
    return n >= 3 ? sum / (double)n : NAN;
}

/* Readings that go into the fit. Returns the least current at which the scale no longer told. */
static double choose_rows(struct work *w, double rest, double block, struct unload_curve *curve)
{
    const struct unload_input *in = w->input;
    double ended = INFINITY;

    for (size_t i = 0; i < in->scales; ++i) {
        const struct unload_sample *s = &in->scale[i];
        double current = current_at(w, s->time);

        if (s->time < w->begin || s->time > w->end)
            continue;
        if (s->mark == UNLOAD_OVER || !isfinite(s->value)) {
            ++curve->over;
            if (current > REST * w->most)
                ended = fmin(ended, current);
            continue;
        }
        if (rest - s->value >= OFF_PAN * block) {
            curve->lifted_off = true;
            ended = fmin(ended, current);
            continue;
        }
        curve->unstable += s->mark == UNLOAD_UNSTABLE;
        w->time[w->rows] = s->time;
        w->value[w->rows] = s->value;
        w->weight[w->rows] = w->digit * (s->mark == UNLOAD_UNSTABLE ? UNSTABLE_DIGITS : 1.0);
        ++w->rows;
    }
    curve->used = w->rows;
    return ended;
}

/* Where the reading stands longest on its way, smallest step between different values: a digit. */
static double guess_digit(const struct unload_input *in)
{
    double least = INFINITY;

    if (in->resolution > 0.0)
        return in->resolution;
    for (size_t i = 1; i < in->scales; ++i) {
        double step = fabs(in->scale[i].value - in->scale[i - 1].value);

        if (step > 0.0 && isfinite(step))
            least = fmin(least, step);
    }
    return isfinite(least) ? fmax(least, 1e-5) : 0.01;
}

/* Highest of the two curves at a knot, its variance from the covariance of the fit. */
static void put_point(const struct work *w, size_t k, bool falling, double widen,
                      struct unload_curve *curve)
{
    struct unload_point *p = &curve->point[curve->points];
    size_t up = 2 + k;
    size_t fell = 2 + w->knots + k;
    double variance = gsl_matrix_get(w->cov, up, up);

    p->current = w->knot[k];
    p->pull = gsl_vector_get(w->c, up);
    p->falling = falling;
    p->more_than = false;
    if (falling) {
        p->pull += gsl_vector_get(w->c, fell);
        variance += gsl_matrix_get(w->cov, fell, fell) + 2.0 * gsl_matrix_get(w->cov, up, fell);
    }
    p->u = hypot(sqrt(fmax(0.0, variance)) * widen, w->digit / sqrt(12.0));
    ++curve->points;
}

/* Share of the sweep that dwelt near a knot, going the one way: no point where nothing was. */
static bool visited(const struct work *w, size_t k, bool falling)
{
    double reach = 0.04 * w->most;
    size_t n = 0;

    for (size_t i = 0; i < w->rows; ++i)
        if (fabs(current_at(w, w->time[i]) - w->knot[k]) < reach) {
            double at = (w->time[i] - w->begin) / STEP;

            n += w->down[(size_t)fmax(0.0, fmin((double)(w->steps - 1), at))] == falling;
        }
    return n >= 2;
}

static void put_points(struct work *w, double ended, double ended_at, double widen,
                       struct unload_curve *curve)
{
    double most = -INFINITY;
    double most_u = 0.0;
    size_t top = 2 + w->knots;

    for (int falling = 0; falling <= (w->falling ? 1 : 0); ++falling)
        for (size_t k = 1; k <= w->knots; ++k) {
            if (curve->points + 1 >= UNLOAD_POINTS_MAX || (falling && k == w->knots))
                break;
            if (w->knot[k] < ended && visited(w, k, falling))
                put_point(w, k, falling, widen, curve);
        }
    if (isfinite(ended)) {
        curve->point[curve->points++] = (struct unload_point){
            .current = fmin(w->most, ended), .pull = ended_at, .u = w->digit, .more_than = true};
    }
    curve->left = curve->left_u = curve->hysteresis = curve->hysteresis_u = NAN;
    if (!w->falling)
        return;
    if (w->down[w->steps - 1] && w->current[w->steps - 1] < REST * w->most) {
        curve->left = gsl_vector_get(w->c, 2);
        curve->left_u = sqrt(fmax(0.0, gsl_matrix_get(w->cov, 2, 2))) * widen;
    }
    for (size_t k = 1; k < w->knots; ++k) {
        size_t fell = top + k;
        double up = gsl_vector_get(w->c, 2 + k);
        double more = gsl_vector_get(w->c, fell) / up;
        double u = sqrt(fmax(0.0, gsl_matrix_get(w->cov, fell, fell))) * widen / up;

        /* near nothing every ratio is large */
        if (up > 10.0 * w->digit && visited(w, k, true) && visited(w, k, false) && more > most) {
            most = more;
            most_u = u;
        }
    }
    if (isfinite(most)) {
        curve->hysteresis = most;
        curve->hysteresis_u = most_u;
    }
}

/* Readings of a filtering scale hang together: as many independent ones fewer. */
static double widening(const struct work *w, double chi, struct unload_curve *curve)
{
    double before = 0.0;
    double square = 0.0;
    double product = 0.0;
    double plain = 0.0;
    double r;
    double free_rows = fmax(1.0, (double)w->rows - (double)w->columns);

    for (size_t i = 0; i < w->rows; ++i) {
        gsl_vector_const_view row = gsl_matrix_const_row(w->x, i);
        double fitted, u;

        gsl_multifit_linear_est(&row.vector, w->c, w->cov, &fitted, &u);
        plain += pow(w->value[i] - fitted, 2.0);
        fitted = (w->value[i] - fitted) / w->weight[i];
        square += fitted * fitted;
        if (i > 0)
            product += fitted * before;
        before = fitted;
    }
    curve->scatter = sqrt(plain / free_rows);
    r = square > 0.0 ? fmin(0.95, fmax(0.0, product / square)) : 0.0;
    return sqrt(fmax(0.1, chi / free_rows) * (1.0 + r) / (1.0 - r));
}

static enum status_code prepare(struct work *w, struct status *st)
{
    const struct unload_input *in = w->input;
    const double first = in->scale[0].time;
    const double last = in->scale[in->scales - 1].time;

    w->digit = guess_digit(in);
    w->begin = fmin(first, in->current[0].time);
    w->end = fmax(last, in->current[in->currents - 1].time);
    if (w->end - w->begin > 3600.0)
        return status_fail(st, STATUS_INPUT, "a curve over %.0f s; expected at most an hour",
                           w->end - w->begin);
    w->steps = (size_t)((w->end - w->begin) / STEP) + 2;
    for (size_t i = 0; i < in->currents; ++i)
        w->most = fmax(w->most, in->current[i].value);
    if (!(w->most > 0.0))
        return status_fail(st, STATUS_INPUT, "no current flowed: nothing pulled at the block");
    w->current = calloc(w->steps, sizeof *w->current);
    w->down = calloc(w->steps, sizeof *w->down);
    w->time = calloc(in->scales, sizeof *w->time);
    w->value = calloc(in->scales, sizeof *w->value);
    w->weight = calloc(in->scales, sizeof *w->weight);
    if (!w->current || !w->down || !w->time || !w->value || !w->weight)
        return status_fail(st, STATUS_MEMORY, "no memory");
    lay_grid(w);
    if (!choose_knots(w))
        return status_fail(st, STATUS_MEMORY, "no memory");
    for (size_t i = 0; i < w->steps; ++i)
        w->falling |= w->down[i] && w->current[i] > REST * w->most;
    w->columns = 3 + w->knots + (w->falling ? w->knots - 1 : 0);
    return status_ok(st);
}

static enum status_code make_matrices(struct work *w, struct status *st)
{
    size_t known = w->columns - 1; /* rows of what is known beforehand */
    size_t rows = w->rows + known;

    w->x = gsl_matrix_alloc(rows, w->columns);
    w->y = gsl_vector_calloc(rows);
    w->w = gsl_vector_alloc(rows);
    w->c = gsl_vector_alloc(w->columns);
    w->cov = gsl_matrix_alloc(w->columns, w->columns);
    w->fit = gsl_multifit_linear_alloc(rows, w->columns);
    if (!w->x || !w->y || !w->w || !w->c || !w->cov || !w->fit)
        return status_fail(st, STATUS_MEMORY, "no memory");
    for (size_t i = 0; i < w->rows; ++i) {
        gsl_vector_set(w->y, i, w->value[i]);
        gsl_vector_set(w->w, i, 1.0 / (w->weight[i] * w->weight[i]));
    }
    for (size_t i = w->rows; i < rows; ++i) {
        size_t column = i - w->rows + 1;
        double range = 1e4 * w->digit;
        /* drift a digit a minute; a rising knot anything; what is left and what a falling knot has
         * more, some tens of digits, unless the readings say otherwise */
        double u = column == 1                            ? w->digit
                   : column == 2 || column > 2 + w->knots ? 0.02 * range
                                                          : 100.0 * range;

        gsl_vector_set(w->w, i, 1.0 / (u * u));
    }
    return status_ok(st);
}

static enum status_code run(struct work *w, struct unload_curve *curve, struct status *st)
{
    double rest, after, block, ended, chi, widen;
    enum status_code code = prepare(w, st);

    if (code != STATUS_OK)
        return code;
    rest = at_rest(w, 1);
    after = at_rest(w, -1);
    if (!isfinite(rest))
        rest = after;
    if (!isfinite(rest))
        return status_fail(st, STATUS_INPUT,
                           "no readings of the scale without current: leave the supply off for a "
                           "few seconds at the start, so that the block is weighed");
    curve->tared = fabs(rest) <= 5.0 * w->digit;
    /* not set to zero: what it shows at rest is all that can be lost */
    block = isfinite(w->input->block)     ? w->input->block
            : !curve->tared && rest > 0.0 ? rest
                                          : INFINITY;
    ended = choose_rows(w, rest, block, curve);
    if (w->rows < w->columns + 4)
        return status_fail(st, STATUS_INPUT,
                           "only %zu usable readings of the scale for a curve of %zu currents: "
                           "record for longer, or raise the current more slowly",
                           w->rows, w->knots);
    code = make_matrices(w, st);
    if (code != STATUS_OK)
        return code;
    curve->lag = best_lag(w);
    chi = solve(w, curve->lag);
    if (!isfinite(chi))
        return status_fail(st, STATUS_NUMERIC, "the curve of unloading could not be fitted");
    widen = widening(w, chi, curve);
    curve->tare = gsl_vector_get(w->c, 0);
    curve->tare_u = sqrt(fmax(0.0, gsl_matrix_get(w->cov, 0, 0))) * widen;
    curve->drift = gsl_vector_get(w->c, 1);
    curve->drift_u = sqrt(fmax(0.0, gsl_matrix_get(w->cov, 1, 1))) * widen;
    if (curve->lifted_off)
        put_points(w, ended, OFF_PAN * block, widen, curve);
    else {
        double most = 0.0;

        for (size_t i = 0; i < w->rows; ++i)
            most = fmax(most, rest - w->value[i]);
        put_points(w, ended, most, widen, curve);
    }
    if (curve->points == 0)
        return status_fail(st, STATUS_INPUT,
                           "the current never stayed anywhere long enough for the scale to tell");
    return status_ok(st);
}

enum status_code unload_curve(const struct unload_input *input, struct unload_curve *curve,
                              struct status *st)
{
    struct work w = {.input = input};
    gsl_error_handler_t *handler;
    enum status_code code;

    memset(curve, 0, sizeof *curve);
    code = check(input, st);
    if (code != STATUS_OK)
        return code;
    handler = gsl_set_error_handler_off();
    code = run(&w, curve, st);
    gsl_set_error_handler(handler);
    work_free(&w);
    return code;
}
