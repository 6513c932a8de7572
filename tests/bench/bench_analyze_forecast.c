/* Scores the forecast of a battery's end on histories it has not seen, and lets two simple rules
 * run beside it in the same run.
 *
 * Usage: bench_analyze_forecast [-n HISTORIES] [-s SEED] [-k simulated|shepherd] [-v]
 *
 * simulated: the simulated bench's own cells, joints, missed days, meters and weather
 *   (simulated-bench --discharge). shepherd: cells after C. M. Shepherd, 'Design of primary and
 *   secondary cells II', J. Electrochem. Soc. 112 (1965) 657 (form from memory), with constants
 *   drawn at random about an alkaline cell: another shape of curve than either program has.
 * All data is invented. The rules beside it: a least-squares line through the loaded voltage of
 * the last two weeks, and rated capacity over mean current. */
#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

#include "analyze/infer/forecast.h"

#define ROWS_MAX 8000
#define AGES     4
#define RULES    3

static const double ages[AGES] = {0.25, 0.5, 0.75, 0.9};
static const char *const rules[RULES] = {"forecast", "straight line", "rated / mean"};

struct history {
    struct trend_site site;
    struct trend_row row[ROWS_MAX];
    size_t n;
    double end_s, falter_s, joint_s;
    double rated_ah;
    double truth_capacity;
};

struct score {
    size_t n, in90, in50, early, better[RULES];
    double *error[RULES]; /* of days left, relative */
};

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);

    return json_is_number(v) ? json_number_value(v) : NAN;
}

static double item(const json_t *row, size_t i)
{
    const json_t *v = json_array_get(row, i);

    return json_is_number(v) ? json_number_value(v) : NAN;
}

/* What a person would state about the site goes in; the truth stays out. */
static bool read_history(const char *line, struct history *h)
{
    json_t *o = json_loads(line, 0, NULL), *truth, *joint, *row;
    struct cell_battery battery;
    size_t i;

    if (!o)
        return false;
    truth = json_object_get(o, "truth");
    battery = cell_battery_of(cell_kind(json_string_value(json_object_get(o, "cell"))),
                              (int)number(o, "cells"));
    battery.end_v = number(o, "end_per_cell");
    h->site = trend_site_of(&battery);
    h->site.fitted_s = 0.0;
    h->site.coil_ohm = number(o, "coil_ohm");
    h->site.coil_h = number(o, "coil_tau_s") * h->site.coil_ohm;
    h->site.pulse_s = number(o, "pulse_s");
    h->site.period_s = number(o, "period_s");
    h->rated_ah = number(o, "rated_ah");
    h->end_s = number(truth, "end_hour") * 3600.0;
    h->falter_s = number(truth, "falter_hour") * 3600.0;
    h->truth_capacity = number(truth, "capacity_ah");
    joint = json_array_get(json_object_get(truth, "joint"), 0);
    h->joint_s = joint ? number(joint, "hour") * 3600.0 : NAN;
    h->n = 0;
    json_array_foreach(json_object_get(o, "rows"), i, row) if (h->n < ROWS_MAX) h->row[h->n++] =
        (struct trend_row){.time_s = item(row, 0) * 3600.0,
                           .temperature = item(row, 1),
                           .unloaded_v = item(row, 2),
                           .loaded_v = item(row, 3),
                           .pulses = item(row, 4)};
    json_decref(o);
    return h->n > 0;
}

/* V = E0 - K Q / (Q - q) + A exp(-B q), a cell. */
static void shepherd(struct history *h, gsl_rng *r)
{
    struct cell_battery battery = cell_battery_of(cell_kind("LR20"), 2);
    double capacity = 18.0 * exp(0.12 * gsl_ran_gaussian(r, 1.0));
    double e0 = 1.44 + 0.02 * gsl_ran_gaussian(r, 1.0);
    double k = 0.05 * exp(0.35 * gsl_ran_gaussian(r, 1.0));
    double a = 0.15 * exp(0.2 * gsl_ran_gaussian(r, 1.0));
    double b = 9.0 * exp(0.3 * gsl_ran_gaussian(r, 1.0)) / capacity;
    double ohm = 0.14 * exp(0.3 * gsl_ran_gaussian(r, 1.0)), gain = gsl_ran_gaussian(r, 0.003);
    double q = capacity * gsl_ran_exponential(r, 0.01), pulses = 0.0,
           mean = 8 + 10 * gsl_rng_uniform(r);
    double phase = 2 * M_PI * gsl_rng_uniform(r),
           top = capacity * (1.04 + 0.04 * gsl_rng_uniform(r));

    battery.end_v = 0.9;
    h->site = trend_site_of(&battery);
    h->site.fitted_s = 0.0;
    h->site.coil_ohm = 17.0 * exp(0.2 * gsl_ran_gaussian(r, 1.0));
    h->site.coil_h = 0.02 * h->site.coil_ohm;
    h->site.pulse_s = 0.1 + 0.3 * gsl_rng_uniform(r);
    h->site.period_s = 10.0 + 8.0 * gsl_rng_uniform(r);
    h->rated_ah = 18.0;
    h->truth_capacity = capacity;
    h->end_s = h->falter_s = h->joint_s = NAN;
    h->n = 0;
    for (int day = 0; day < ROWS_MAX; day++) {
        double t = mean + 7 * cos(2 * M_PI * day / 365.25 + phase) + gsl_ran_gaussian(r, 2.0);
        double inner = ohm * exp2((20.0 - t) / 26.0) * (1 + 2 * q / capacity);
        double u = 2 * (e0 - k * top / (top - q) + a * exp(-b * q) - 0.0002 * (t - 20.0));
        double loaded = u * h->site.coil_ohm / (h->site.coil_ohm + 2 * inner);
        double i = loaded / h->site.coil_ohm, tau = 0.02;
        double each = i * (h->site.pulse_s - tau * -expm1(-h->site.pulse_s / tau));

        if (loaded < 1.8 || q >= 0.999 * top) {
            h->end_s = day * 86400.0 + 43200.0;
            break;
        }
        if (gsl_rng_uniform(r) > 0.05)
            h->row[h->n++] = (struct trend_row){
                .time_s = day * 86400.0 + 43200.0,
                .temperature = t + gsl_ran_gaussian(r, 0.3),
                .unloaded_v = round((u * (1 + gain) + gsl_ran_gaussian(r, 0.002)) * 1e3) / 1e3,
                .loaded_v = round((loaded * (1 + gain) + gsl_ran_gaussian(r, 0.003)) * 1e3) / 1e3,
                .pulses = floor(pulses)};
        pulses += 86400.0 / h->site.period_s;
        q += each * 86400.0 / h->site.period_s / 3600.0 + 0.02 * (capacity - q) / 365.25;
    }
}

/* Days left by a line through the loaded voltage of the last two weeks. */
static double straight_line(const struct trend_day *day, size_t n, double end_v)
{
    double sx = 0, sy = 0, sxx = 0, sxy = 0, m = 0, slope, x0 = day[n - 1].time_s;

    for (size_t i = 0; i < n; i++)
        if (x0 - day[i].time_s <= 14 * 86400.0 && isfinite(day[i].loaded_v)) {
            double x = (day[i].time_s - x0) / 86400.0;

            m += 1;
            sx += x;
            sy += day[i].loaded_v;
            sxx += x * x;
            sxy += x * day[i].loaded_v;
        }
    slope = (m * sxy - sx * sy) / (m * sxx - sx * sx);
    if (!(m >= 2) || !(slope < 0))
        return 3650.0;
    return fmin(3650.0, fmax(0.0, (end_v - (sy - slope * sx) / m) / slope));
}

static double rated_mean(const struct history *h, const struct trend_day *day, size_t n)
{
    double mean = 3600.0 * day[n - 1].drawn_ah / (day[n - 1].time_s - day[0].time_s);

    return fmax(0.0, h->rated_ah * 3600.0 / mean - day[n - 1].time_s) / 86400.0;
}

static void judge(const struct history *h, unsigned k, int age, struct score *s, bool verbose)
{
    struct trend_day *day;
    struct trend_joint joint;
    struct forecast f;
    struct status st;
    size_t n = 0, days;
    double left, said[RULES], error[RULES];

    while (n < h->n && h->row[n].time_s <= ages[age] * h->end_s)
        n++;
    if (n < 5 || trend_days(&h->site, h->row, n, &day, &days, &st) != STATUS_OK)
        return;
    trend_joint(&h->site, day, days, &joint);
    if (forecast_make(&h->site, day, days, &joint, &f, &st) != STATUS_OK) {
        printf("history %u at %.2f: %s\n", k, ages[age], st.text);
        free(day);
        s->n++;
        return;
    }
    left = (h->end_s - f.from_s) / 86400.0;
    said[0] = f.days[FORECAST_Q50];
    said[1] = straight_line(day, days, f.end_v);
    said[2] = rated_mean(h, day, days);
    for (int i = 0; i < RULES; i++) {
        error[i] = fabs(said[i] - left) / left;
        s->error[i][s->n] = error[i];
        s->better[i] += error[0] <= error[i];
    }
    s->in90 += left >= f.days[FORECAST_Q05] && left <= f.days[FORECAST_Q95];
    s->in50 += left >= f.days[FORECAST_Q25] && left <= f.days[FORECAST_Q75];
    s->early += f.answer == FORECAST_TOO_EARLY;
    s->n++;
    if (verbose)
        printf("%3u %s age %.2f left %6.1f said %6.1f [%6.1f %6.1f] depth %.3f cap %.2f of %.2f "
               "(rated %.2f) line %.0f mean %.0f%s\n",
               k, h->site.battery.kind->name, ages[age], left, said[0], f.days[FORECAST_Q05],
               f.days[FORECAST_Q95], f.depth, f.capacity_ah, h->truth_capacity, f.rated_ah, said[1],
               said[2], f.answer == FORECAST_TOO_EARLY ? " early" : "");
    free(day);
}

static double median(double *v, size_t n)
{
    gsl_sort(v, 1, n);
    return n ? gsl_stats_median_from_sorted_data(v, 1, n) : NAN;
}

/* Joints: of the histories whose joint went bad a month before the end, how many are named a
 * month on; of those with good joints, how many are called bad at three quarters. */
static void judge_joint(const struct history *h, size_t *bad, size_t *named, size_t *good,
                        size_t *wrong)
{
    bool is_bad = h->joint_s + 60 * 86400.0 < h->end_s;
    double until = is_bad ? h->joint_s + 45 * 86400.0 : 0.75 * h->end_s;
    struct trend_day *day;
    struct trend_joint joint;
    struct status st;
    size_t n = 0, days;

    if (!is_bad && h->joint_s < h->end_s)
        return;
    while (n < h->n && h->row[n].time_s <= until)
        n++;
    if (n < 5 || (is_bad && h->joint_s < h->row[0].time_s + 10 * 86400.0) ||
        trend_days(&h->site, h->row, n, &day, &days, &st) != STATUS_OK)
        return;
    trend_joint(&h->site, day, days, &joint);
    *(is_bad ? bad : good) += 1;
    if (joint.cause == TREND_JOINT)
        *(is_bad ? named : wrong) += 1;
    free(day);
}

int main(int argc, char **argv)
{
    unsigned long histories = 200, seed = 977;
    const char *kind = "simulated";
    bool verbose = false;
    struct score score[AGES] = {{0}};
    struct history *h = malloc(sizeof *h);
    size_t bad = 0, named = 0, good = 0, wrong = 0, asked = 0;
    char command[512], *line = NULL;
    size_t size = 0;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    FILE *in = NULL;
    clock_t spent = 0;
    int option;

    while ((option = getopt(argc, argv, "n:s:k:v")) != -1)
        switch (option) {
        case 'n':
            histories = strtoul(optarg, NULL, 10);
            break;
        case 's':
            seed = strtoul(optarg, NULL, 10);
            break;
        case 'k':
            kind = optarg;
            break;
        case 'v':
            verbose = true;
            break;
        default:
            return 2;
        }
    if (!h || !rng || histories < 1 || histories > 100000)
        return 2;
    for (int a = 0; a < AGES; a++)
        for (int i = 0; i < RULES; i++)
            score[a].error[i] = calloc(histories, sizeof(double));
    gsl_rng_set(rng, seed);
    if (strcmp(kind, "simulated") == 0) {
        snprintf(command, sizeof command, "%s/fixtures/simulated-bench --discharge %lu --seed %lu",
                 TEST_BUILD_DIR, histories, seed);
        in = popen(command, "r");
        if (!in)
            return 2;
    }
    for (unsigned k = 0; k < histories; k++) {
        clock_t start;

        if (in && (getline(&line, &size, in) < 0 || !read_history(line, h)))
            break;
        if (!in)
            shepherd(h, rng);
        if (!isfinite(h->end_s))
            continue;
        start = clock();
        for (int a = 0; a < AGES; a++)
            judge(h, k, a, &score[a], verbose);
        asked += AGES;
        spent += clock() - start;
        judge_joint(h, &bad, &named, &good, &wrong);
    }
    printf("%lu %s histories, seed %lu; invented\n", histories, kind, seed);
    printf("age   n   90 %% holds  50 %% holds  too early   median error of days left (better "
           "than it)\n");
    for (int a = 0; a < AGES; a++) {
        struct score *s = &score[a];
        double n = (double)s->n;

        printf("%.2f %4zu   %5.1f %%     %5.1f %%    %5.1f %%  ", ages[a], s->n,
               100 * (double)s->in90 / n, 100 * (double)s->in50 / n, 100 * (double)s->early / n);
        for (int i = 0; i < RULES; i++)
            printf("  %s %.1f %%%s", rules[i], 100 * median(s->error[i], s->n), i ? "" : ",");
        printf(" (%.0f, %.0f of 100)\n", 100 * (double)s->better[1] / n,
               100 * (double)s->better[2] / n);
    }
    printf("joints: %zu of %zu that went bad are named 45 days on; %zu of %zu good ones called "
           "bad\n",
           named, bad, wrong, good);
    printf("%.0f ms a forecast\n", 1e3 * (double)spent / CLOCKS_PER_SEC / (double)asked);
    if (in)
        pclose(in);
    for (int a = 0; a < AGES; a++)
        for (int i = 0; i < RULES; i++)
            free(score[a].error[i]);
    free(line);
    free(h);
    gsl_rng_free(rng);
    return 0;
}
