#include "analyze/infer/settle.h"

#include <math.h>
#include <stdbool.h>

#define LEAST    8
#define WINDOW   3.0 /* s */
#define DIGITS   3.0
#define RELATIVE 1e-3
#define SIDE     2.0 /* standard uncertainties for about 95 % */
#define GROWTH   1.5 /* from one window tried to the next */
#define LAG_MOST 0.95

/* Criteria with the standard values filled in. */
struct limits {
    double resolution, tolerance, window, timeout;
    size_t least;
};

/* A straight line through the latest readings; times from their middle. */
struct line {
    size_t n;
    double span; /* s from first to last */
    double mean, slope;
    double sd; /* about the line */
    double mean_u, slope_u;
    double remaining; /* NaN: no exponential approach is seen */
    double tau;       /* of it, s */
};

/* Least squares over value[from..to), NaN left out. Centred sums, so that a small slope on a large
 * value is not lost to rounding. */
static void fit(const double *time, const double *value, size_t from, size_t to, struct line *line)
{
    double t_mean = 0.0, v_mean = 0.0, tt = 0.0, tv = 0.0, rr = 0.0, lag = 0.0;
    double before = NAN, widen;
    double first = NAN, last = NAN;
    size_t n = 0;

    for (size_t i = from; i < to; ++i)
        if (!isnan(value[i])) {
            ++n;
            t_mean += (time[i] - t_mean) / (double)n;
            v_mean += (value[i] - v_mean) / (double)n;
            first = isnan(first) ? time[i] : first;
            last = time[i];
        }
    *line = (struct line){.n = n,
                          .span = n > 0 ? last - first : 0.0,
                          .mean = n > 0 ? v_mean : (double)NAN,
                          .slope = NAN,
                          .sd = NAN,
                          .mean_u = NAN,
                          .slope_u = NAN,
                          .remaining = NAN,
                          .tau = NAN};
    if (n < 3)
        return;
    for (size_t i = from; i < to; ++i)
        if (!isnan(value[i])) {
            tt += (time[i] - t_mean) * (time[i] - t_mean);
            tv += (time[i] - t_mean) * (value[i] - v_mean);
        }
    if (!(tt > 0.0))
        return;
    line->slope = tv / tt;
    for (size_t i = from; i < to; ++i)
        if (!isnan(value[i])) {
            double r = value[i] - v_mean - line->slope * (time[i] - t_mean);

            rr += r * r;
            if (!isnan(before))
                lag += r * before;
            before = r;
        }
    line->sd = sqrt(rr / (double)(n - 2));
    /* First-order autocorrelation r widens a mean's variance by (1 + r) / (1 - r). */
    lag = rr > 0.0 ? lag / rr : 0.0;
    lag = lag < 0.0 ? 0.0 : lag > LAG_MOST ? LAG_MOST : lag;
    widen = (1.0 + lag) / (1.0 - lag);
    line->mean_u = line->sd * sqrt(widen / (double)n);
    line->slope_u = line->sd * sqrt(widen / tt);
}

/* Means of three equal parts of the window tell an exponential approach: the ratio r of the two
 * steps between them gives its time constant, a third of the span divided by -ln r, and what is
 * still to come. Only when both steps stand out of the scatter. */
static void see_approach(const double *time, const double *value, size_t from, size_t to,
                         struct line *line)
{
    double sum[3] = {0.0, 0.0, 0.0};
    size_t count[3] = {0, 0, 0};
    double end = time[to - 1];
    double step1, step2, ratio, noise;

    for (size_t i = from; i < to; ++i) {
        double place = 3.0 * (1.0 - (end - time[i]) / line->span);
        int part = place < 1.0 ? 0 : place < 2.0 ? 1 : 2;

        if (!isnan(value[i])) {
            sum[part] += value[i];
            ++count[part];
        }
    }
    if (count[0] == 0 || count[1] == 0 || count[2] == 0)
        return;
    step1 = sum[1] / (double)count[1] - sum[0] / (double)count[0];
    step2 = sum[2] / (double)count[2] - sum[1] / (double)count[1];
    noise = SIDE * line->mean_u * sqrt(6.0); /* of a difference of two means of a third each */
    ratio = step2 / step1;
    if (fabs(step1) <= noise || fabs(step2) <= noise || !(ratio > 0.0 && ratio < 1.0))
        return;
    line->tau = line->span / 3.0 / -log(ratio);
    /* With x = A exp(-t/tau) the mean of a part is its first value times k = (1 - r) / -ln r, so
     * step2 = -A k r (1 - r), and what is to come after the end is -A r^3. */
    line->remaining = step2 * ratio * ratio * -log(ratio) / ((1.0 - ratio) * (1.0 - ratio));
}

/* A short window of coarse digits looks still in the middle of a slow approach. True when a longer
 * look back sees one that has more to come than the tolerance, and the short window's own slope
 * does not speak against it (as it does after a step, which has no more to come). */
static bool is_slow_approach(const double *time, const double *value, size_t start, size_t n,
                             const struct limits *limits, const struct line *near, double tolerance,
                             struct line *far)
{
    double window = near->span * 3.0;

    for (; window < 40.0 * limits->window; window *= 2.0) {
        size_t from = n - 1;
        double allowed;

        while (from > start && time[n - 1] - time[from - 1] <= window)
            --from;
        fit(time, value, from, n, far);
        if (far->span < near->span * 2.0)
            return false;
        see_approach(time, value, from, n, far);
        allowed = SIDE * near->slope_u + limits->resolution / near->span;
        if (!isnan(far->remaining) && fabs(far->remaining) > tolerance &&
            fabs(near->slope - far->remaining / far->tau) <= allowed)
            return true;
        if (from == start)
            return false;
    }
    return false;
}

static struct limits fill_in(const struct settle_criteria *criteria)
{
    struct limits limits = {.window = WINDOW, .least = LEAST};

    if (!criteria)
        return limits;
    /* Comparisons with NaN are false, so that unknown stays at the standard. */
    if (criteria->resolution > 0.0)
        limits.resolution = criteria->resolution;
    if (criteria->tolerance > 0.0)
        limits.tolerance = criteria->tolerance;
    if (criteria->window > 0.0)
        limits.window = criteria->window;
    if (criteria->timeout > 0.0)
        limits.timeout = criteria->timeout;
    if (criteria->least > 2)
        limits.least = criteria->least;
    return limits;
}

static double tolerance_at(const struct limits *limits, double mean)
{
    if (limits->tolerance > 0.0)
        return limits->tolerance;
    if (limits->resolution > 0.0)
        return DIGITS * limits->resolution;
    return RELATIVE * fabs(mean);
}

/* How far the window is from being at rest: 1 and below is at rest. */
static double badness(const struct line *line, double tolerance)
{
    double drift = (fabs(line->slope) + SIDE * line->slope_u) * line->span;
    double worst = drift / tolerance;

    if (!isnan(line->remaining) && fabs(line->remaining) / tolerance > worst)
        worst = fabs(line->remaining) / tolerance;
    if (SIDE * line->mean_u / (0.5 * tolerance) > worst)
        worst = SIDE * line->mean_u / (0.5 * tolerance);
    return worst;
}

/* A guess at the seconds still needed: a known approach decays by its time constant; scatter goes
 * down with the root of the number of readings. */
static double time_needed(const struct line *line, double tolerance, double window, double left)
{
    double worst = badness(line, tolerance);
    double more;

    if (isnan(worst))
        return NAN;
    if (!isnan(line->tau))
        more = line->tau * log(fmax(fabs(line->remaining) / tolerance, 1.0)) + window;
    else if (fabs(line->slope) * line->span > tolerance)
        more = NAN; /* it drifts, and nothing says that it will stop */
    else
        more = line->span * (worst * worst - 1.0);
    if (more < 0.0)
        more = 0.0;
    return left > 0.0 && more > left ? left : more;
}

static double uncertainty(const struct line *line, const struct limits *limits)
{
    double scatter = isnan(line->mean_u) ? 0.0 : line->mean_u;
    double digit = limits->resolution / sqrt(12.0);
    double drift = isnan(line->slope) ? 0.0 : line->slope * line->span / sqrt(12.0);
    double remaining = isnan(line->remaining) ? 0.0 : line->remaining / sqrt(3.0);

    return sqrt(scatter * scatter + digit * digit + drift * drift + remaining * remaining);
}

static void report(struct settle_result *result, const struct line *line,
                   const struct limits *limits)
{
    result->n = line->n;
    result->mean = line->mean;
    result->sd = line->sd;
    result->slope = line->slope;
    result->slope_u = line->slope_u;
    result->remaining = line->remaining;
    result->u = line->n > 0 ? uncertainty(line, limits) : (double)NAN;
}

/* The first of the latest readings whose times grow without a break. */
static size_t usable_from(const double *time, size_t n)
{
    size_t from = n > 0 ? n - 1 : 0;

    while (from > 0 && time[from - 1] < time[from])
        --from;
    return from;
}

void settle_judge(const double *time, const double *value, size_t n,
                  const struct settle_criteria *criteria, struct settle_result *result)
{
    struct limits limits = fill_in(criteria);
    struct line line;
    size_t start = usable_from(time, n);
    double window = limits.window;
    double elapsed = n > 0 ? time[n - 1] - time[start] : 0.0;
    bool last_try = false;

    *result = (struct settle_result){.state = SETTLE_MORE,
                                     .mean = NAN,
                                     .u = NAN,
                                     .sd = NAN,
                                     .slope = NAN,
                                     .slope_u = NAN,
                                     .remaining = NAN,
                                     .more = NAN};
    if (n == 0)
        return;
    if (isnan(value[n - 1])) {
        result->state = SETTLE_LOST;
        return;
    }
    while (!last_try) {
        size_t from = n - 1;
        double tolerance;

        while (from > start && (time[n - 1] - time[from - 1] <= window || n - from < limits.least))
            --from;
        last_try = from == start;
        fit(time, value, from, n, &line);
        if (line.n >= limits.least && line.span >= limits.window * (1.0 - 1e-9)) {
            see_approach(time, value, from, n, &line);
            tolerance = tolerance_at(&limits, line.mean);
            report(result, &line, &limits);
            if (badness(&line, tolerance) <= 1.0) {
                struct line far;

                if (!is_slow_approach(time, value, start, n, &limits, &line, tolerance, &far)) {
                    result->state = SETTLE_STEADY;
                    result->more = 0.0;
                    return;
                }
                line.remaining = far.remaining;
                line.tau = far.tau;
                report(result, &line, &limits);
            }
            result->more = time_needed(&line, tolerance, limits.window,
                                       limits.timeout > 0.0 ? limits.timeout - elapsed : 0.0);
        } else if (last_try && isnan(result->mean)) {
            report(result, &line, &limits);
            result->more = limits.window > line.span ? limits.window - line.span : (double)NAN;
        }
        window *= GROWTH;
    }
    if (limits.timeout > 0.0 && elapsed >= limits.timeout) {
        result->state = SETTLE_TIMEOUT;
        result->more = 0.0;
    }
}

const char *settle_word(enum settle_state state)
{
    static const char *const words[] = {"more", "steady", "time-out", "lost"};

    return (unsigned)state < 4U ? words[state] : "unknown";
}
