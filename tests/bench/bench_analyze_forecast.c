/* Scores the forecast of a battery's end on histories it has not seen, and lets simple rules run
 * beside it in the same run.
 *
 * Usage: bench_analyze_forecast [--full | -n SITES] [-s SEED] [-k simulated|shepherd|insertion]
 *                               [-c CELL] [-r person|exact] [-i] [-v]
 *
 * simulated: the simulated bench's own cells, joints, missed days, meters and weather
 *   (simulated-bench --discharge). shepherd, insertion: see forecast_cells.h; of every kind of
 *   cell unless -c names one. Without -k all of them; 6 sites of each, 100 with --full.
 * -r exact: capacities are drawn about the very rating that forecast and rule are told, with the
 *   spread of a box. person (the default): the makes of a type differ as well.
 * Each site uses three batteries one after another; the first is scored with nothing before it, the
 *   third with what the first two taught. One in four is of another make than the one before; every
 *   other one is changed before it is spent.
 * -i: an ideal forecaster, told the family of curves and its spreads (forecast_ideal.h), for the
 *   first batteries of shepherd and insertion. Slow.
 * All data is invented. The rules: a least-squares line through the loaded voltage of the last two
 * weeks; rated capacity over mean current; for a third battery, as long as those before lasted. */
#include <getopt.h>
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
#include "tests/bench/forecast_cells.h"
#include "tests/bench/forecast_ideal.h"

#define ROWS_MAX 8000
#define AGES     5
#define RULES    5
#define TURNS    3 /* batteries of a site */

static const double ages[AGES] = {0.1, 0.25, 0.5, 0.75, 0.9};
static const char *const rules[RULES] = {"forecast", "straight line", "rated / mean", "as before",
                                         "ideal"};

enum { FORECAST, LINE, RATED, BEFORE, IDEAL };

struct history {
    struct trend_site site;
    struct trend_row row[ROWS_MAX];
    size_t n;
    double end_s, falter_s, joint_s;
    double rated_ah, lasted_s; /* until it was changed */
    double truth_capacity;
};

struct score {
    size_t n, in90, in50, ideal90, early, spent, strange, better[RULES];
    double *error[RULES]; /* of days left, relative */
    double signed_error, width;
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

/* A site of made cells: coil, weather, meter, and the make its keeper buys. */
struct place {
    struct trend_site site;
    struct forecast_make make;
    double gain, tau, grain, mean, season, phase;
};

/* A life is some 200 days. */
static void settle(struct place *p, const struct forecast_kind *kind, gsl_rng *r)
{
    struct cell_battery battery = cell_battery_of(cell_kind(kind->name), kind->cells);
    double n = kind->cells, each, life;

    p->gain = gsl_ran_gaussian(r, 0.003);
    p->tau = 0.005 + 0.03 * gsl_rng_uniform(r);
    p->grain = gsl_rng_uniform(r) < 0.15 ? 0.01 : 0.001;
    p->mean = 5 + 15 * gsl_rng_uniform(r);
    p->season = 9 * gsl_rng_uniform(r);
    life = 86400.0 * 200.0 * exp(gsl_ran_gaussian(r, 0.5));
    if (isnan(battery.kind->capacity_ah.value))
        battery.capacity_ah = kind->rated_ah;
    battery.end_v = kind->end_v;
    p->site = trend_site_of(&battery);
    p->site.fitted_s = 0.0;
    p->site.coil_ohm = 8.5 * n * exp(gsl_ran_gaussian(r, 0.25));
    p->site.coil_h = p->tau * p->site.coil_ohm;
    p->site.pulse_s = 0.1 + 0.3 * gsl_rng_uniform(r);
    each = n * battery.kind->nominal_v.value / p->site.coil_ohm * p->site.pulse_s;
    p->site.period_s = each * life / (kind->rated_ah * 3600.0);
    forecast_make_draw(&p->make, r);
}

static void live(struct history *h, struct place *p, const struct forecast_kind *kind,
                 enum forecast_physics physics, double makers, gsl_rng *r)
{
    struct forecast_cell c;
    double gain = p->gain, tau = p->tau, grain = p->grain, pulses = 0.0, n = kind->cells;
    double mean = p->mean, season = p->season, phase = 2 * M_PI * gsl_rng_uniform(r);
    int away = (int)(400 * gsl_rng_uniform(r)), back = away;

    forecast_cell_of(&c, &p->make, kind, physics, makers, r);
    if (gsl_rng_uniform(r) < 0.3)
        back += (int)(2 + 28 * gsl_rng_uniform(r));
    h->site = p->site;
    h->rated_ah = kind->rated_ah;
    h->truth_capacity = c.capacity;
    h->end_s = h->falter_s = h->joint_s = NAN;
    h->n = 0;
    for (int day = 0; day < ROWS_MAX; day++) {
        double usual = mean - season * cos(2 * M_PI * day / 365.25 + phase);
        double t = usual + gsl_ran_gaussian(r, 2.0), i, ohm = h->site.coil_ohm;
        double u = n * forecast_cell_volt(&c, t), lost = 0.03 + n * forecast_cell_ohm(&c, t);
        double loaded = u * ohm / (ohm + lost);
        double level = n * forecast_cell_volt(&c, usual) * ohm /
                       (ohm + 0.03 + n * forecast_cell_ohm(&c, usual));

        if (level < n * kind->end_v)
            h->end_s = day * 86400.0 + 43200.0;
        if (gsl_rng_uniform(r) > 0.05 && (day < away || day >= back))
            h->row[h->n++] = (struct trend_row){
                .time_s = day * 86400.0 + 43200.0,
                .temperature = t + gsl_ran_gaussian(r, 0.3),
                .unloaded_v = round((u * (1 + gain) + gsl_ran_gaussian(r, 0.002)) / grain) * grain,
                .loaded_v =
                    round((loaded * (1 + gain) + gsl_ran_gaussian(r, 0.003)) / grain) * grain,
                .pulses = floor(pulses)};
        if (isfinite(h->end_s)) /* the last row is one below the end point */
            break;
        i = loaded / ohm;
        pulses += 86400.0 / h->site.period_s;
        c.used +=
            i * (h->site.pulse_s - tau * -expm1(-h->site.pulse_s / tau)) * 86400.0 /
                h->site.period_s / 3600.0 +
            kind->self_year * exp2((usual - 20.0) / 10.0) * fmax(0.0, c.capacity - c.used) / 365.25;
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

/* What a site's earlier batteries taught. */
struct past {
    struct forecast_earlier earlier[TURNS];
    size_t n;
    double lasted_s; /* sum of those that were judged */
    size_t lives;
};

static void judge(const struct history *h, const struct past *past, unsigned k, int age,
                  struct score *s, bool verbose, struct ideal *ideal)
{
    struct trend_day *day;
    struct trend_joint joint;
    struct forecast f;
    struct status st;
    size_t n = 0, days;
    double left, said[RULES], error[RULES], q[3] = {NAN, NAN, NAN};

    while (n < h->n && h->row[n].time_s <= ages[age] * h->end_s)
        n++;
    if (n < 5 || trend_days(&h->site, h->row, n, &day, &days, &st) != STATUS_OK)
        return;
    trend_joint(&h->site, day, days, &joint);
    if (forecast_make(&h->site, day, days, &joint, past->earlier, past->n, &f, &st) != STATUS_OK) {
        printf("history %u at %.2f: %s\n", k, ages[age], st.text);
        free(day);
        s->n++;
        return;
    }
    left = (h->end_s - f.from_s) / 86400.0;
    if (f.answer == FORECAST_STRANGE) { /* wrong here: they are all batteries */
        if (verbose)
            printf("%3u %s age %.2f: %s\n", k, h->site.battery.kind->name, ages[age], f.why);
        s->strange++;
        free(day);
        return;
    }
    said[FORECAST] = f.days[FORECAST_Q50];
    said[LINE] = straight_line(day, days, f.end_v);
    said[RATED] = rated_mean(h, day, days);
    said[BEFORE] =
        past->lives ? fmax(0.0, past->lasted_s / (double)past->lives - f.from_s) / 86400.0 : NAN;
    if (ideal) {
        ideal->site = &h->site;
        ideal_read(ideal, day, days);
        ideal_forecast(ideal, q);
        s->ideal90 += left >= q[0] && left <= q[2];
    }
    said[IDEAL] = q[1];
    for (int i = 0; i < RULES; i++) {
        error[i] = fabs(said[i] - left) / left;
        s->error[i][s->n] = error[i];
        s->better[i] += error[0] <= error[i];
    }
    s->in90 += left >= f.days[FORECAST_Q05] && left <= f.days[FORECAST_Q95];
    s->in50 += left >= f.days[FORECAST_Q25] && left <= f.days[FORECAST_Q75];
    s->early += f.answer == FORECAST_TOO_EARLY;
    s->spent += f.answer == FORECAST_SPENT;
    s->signed_error += log(fmax(0.5, said[0]) / left);
    s->width += log(fmax(0.5, f.days[FORECAST_Q95]) / fmax(0.5, f.days[FORECAST_Q05]));
    s->n++;
    if (verbose)
        printf("%3u %s age %.2f left %6.1f said %6.1f [%6.1f %6.1f] depth %.3f cap %.2f of %.2f "
               "(rated %.2f) line %.0f mean %.0f ideal %.0f%s\n",
               k, h->site.battery.kind->name, ages[age], left, said[0], f.days[FORECAST_Q05],
               f.days[FORECAST_Q95], f.depth, f.capacity_ah, h->truth_capacity, f.rated_ah,
               said[LINE], said[RATED], said[IDEAL],
               f.answer == FORECAST_TOO_EARLY ? " early" : "");
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

/* The battery is taken out; something may be learnt of it. */
static void take_out(const struct history *h, double share, struct past *past, clock_t *spent)
{
    struct trend_joint joint;
    struct trend_day *day;
    struct status st;
    size_t n = 0, days;
    clock_t start = clock();

    while (n < h->n && h->row[n].time_s <= share * h->end_s)
        n++;
    past->lasted_s += share * h->end_s;
    past->lives++;
    if (n < 5 || trend_days(&h->site, h->row, n, &day, &days, &st) != STATUS_OK)
        return;
    trend_joint(&h->site, day, days, &joint);
    if (forecast_learn(&h->site, day, days, &joint, &past->earlier[past->n], &st) == STATUS_OK)
        past->earlier[past->n++].here = true;
    free(day);
    *spent += clock() - start;
}

struct asked {
    unsigned long sites, seed;
    const char *cell;
    bool verbose, ideal, exact;
};

static void report(const char *which, const struct score score[AGES])
{
    printf("%s\n age    n  90 %% holds  50 %% holds  early  no cells  bias  width   median error "
           "(better than line, rated, before)\n",
           which);
    for (int a = 0; a < AGES; a++) {
        const struct score *s = &score[a];
        double n = (double)s->n;

        printf("%.2f %4zu   %5.1f %%     %5.1f %%  %5.1f  %8zu  %+.2f   %.2f ", ages[a], s->n,
               100 * (double)s->in90 / n, 100 * (double)s->in50 / n,
               100 * (double)(s->early + s->spent) / n, s->strange, s->signed_error / n,
               s->width / n);
        for (int i = 0; i < RULES; i++)
            if (s->n && isfinite(s->error[i][0]))
                printf("  %s %.1f %%", rules[i], 100 * median(s->error[i], s->n));
        printf(" (%.0f, %.0f, %.0f of 100)", 100 * (double)s->better[LINE] / n,
               100 * (double)s->better[RATED] / n, 100 * (double)s->better[BEFORE] / n);
        if (s->ideal90)
            printf(" ideal holds %.0f", 100 * (double)s->ideal90 / n);
        printf("\n");
    }
}

/* Both scores of one kind of physics and cell, with the joints beside them. */
struct tally {
    struct score first[AGES], third[AGES];
    size_t bad, named, good, wrong, forecasts;
    clock_t spent;
};

static void tally_room(struct tally *t, double *errors, size_t sites)
{
    struct score *all[2] = {t->first, t->third};

    *t = (struct tally){0};
    for (size_t b = 0; b < 2; b++)
        for (size_t a = 0; a < AGES; a++)
            for (size_t i = 0; i < RULES; i++)
                all[b][a].error[i] = errors + ((b * AGES + a) * RULES + i) * sites;
}

static void score_battery(const struct asked *asked, const struct history *h, unsigned site,
                          unsigned turn, struct past *past, struct ideal *ideal, struct tally *t)
{
    clock_t start = clock();

    if (turn == 0)
        *past = (struct past){.n = 0};
    if (turn != 1)
        for (int a = 0; a < AGES; a++, t->forecasts++)
            judge(h, past, site, a, turn ? &t->third[a] : &t->first[a], asked->verbose,
                  turn == 0 ? ideal : NULL);
    t->spent += clock() - start;
    if (turn + 1 < TURNS)
        /* The one is used up, the other changed early; which is which goes by the site. */
        take_out(h, (site + turn) % 2 ? 1.0 : 0.7 + 0.01 * (site * 7 % 30), past, &t->spent);
    if (turn == 0)
        judge_joint(h, &t->bad, &t->named, &t->good, &t->wrong);
}

/* All sites of one kind of physics and cell. */
static int score_kind(const struct asked *asked, const char *physics,
                      const struct forecast_kind *kind, struct history *h, gsl_rng *rng)
{
    struct tally t;
    struct past past = {.n = 0};
    struct place place;
    char command[512], title[128], *line = NULL;
    size_t size = 0;
    double *errors = calloc(asked->sites * AGES * RULES * 2, sizeof *errors);
    double makers = asked->exact ? 0.0 : kind ? kind->makers : forecast_kinds[0].makers;
    FILE *in = NULL;
    struct ideal ideal = {.kind = kind,
                          .physics =
                              strcmp(physics, "shepherd") ? FORECAST_INSERTION : FORECAST_SHEPHERD,
                          .spread = kind ? hypot(kind->spread, makers) : NAN};

    if (!errors)
        return 2;
    tally_room(&t, errors, asked->sites);
    gsl_rng_set(rng, asked->seed);
    if (!kind) {
        snprintf(command, sizeof command,
                 "%s/fixtures/simulated-bench --discharge %lu --seed %lu --batteries %d "
                 "--makers %g",
                 TEST_BUILD_DIR, asked->sites, asked->seed, TURNS, makers);
        in = popen(command, "r");
        if (!in) {
            free(errors);
            return 2;
        }
    }
    for (unsigned k = 0; k < asked->sites * TURNS; k++) {
        unsigned turn = k % TURNS;

        if (in && (getline(&line, &size, in) < 0 || !read_history(line, h)))
            break;
        if (!in) {
            if (turn == 0)
                settle(&place, kind, rng);
            else if (gsl_rng_uniform(rng) < 0.25)
                forecast_make_draw(&place.make, rng);
            live(h, &place, kind, ideal.physics, makers, rng);
        }
        if (isfinite(h->end_s))
            score_battery(asked, h, k / TURNS, turn, &past, asked->ideal && kind ? &ideal : NULL,
                          &t);
    }
    snprintf(title, sizeof title, "%s %s, rating known %s, first battery", physics,
             kind ? kind->name : "alkaline", asked->exact ? "exactly" : "as a person knows it");
    report(title, t.first);
    snprintf(title, sizeof title, "%s %s, rating known %s, third battery", physics,
             kind ? kind->name : "alkaline", asked->exact ? "exactly" : "as a person knows it");
    report(title, t.third);
    printf("joints: %zu of %zu that went bad are named 45 days on; %zu of %zu good ones called "
           "bad; %.0f ms a forecast\n\n",
           t.named, t.bad, t.wrong, t.good,
           1e3 * (double)t.spent / CLOCKS_PER_SEC / (double)(t.forecasts ? t.forecasts : 1));
    fflush(stdout);
    if (in)
        pclose(in);
    free(errors);
    free(line);
    return 0;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"full", no_argument, NULL, 'F'}, {NULL, 0, NULL, 0}};
    static const char *const physics[] = {"simulated", "shepherd", "insertion"};
    struct asked asked = {.sites = 6, .seed = 977};
    const char *only = NULL;
    struct history *h;
    gsl_rng *rng;
    int option, result = 0;

    while ((option = getopt_long(argc, argv, "n:s:k:c:r:vi", options, NULL)) != -1)
        switch (option) {
        case 'n':
            asked.sites = strtoul(optarg, NULL, 10);
            break;
        case 'F':
            asked.sites = 100;
            break;
        case 's':
            asked.seed = strtoul(optarg, NULL, 10);
            break;
        case 'k':
            only = optarg;
            break;
        case 'c':
            asked.cell = optarg;
            break;
        case 'r':
            asked.exact = strcmp(optarg, "exact") == 0;
            if (!asked.exact && strcmp(optarg, "person") != 0)
                return 2;
            break;
        case 'i':
            asked.ideal = true;
            break;
        case 'v':
            asked.verbose = true;
            break;
        default:
            return 2;
        }
    if (asked.sites < 1 || asked.sites > 100000)
        return 2;
    h = malloc(sizeof *h);
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!h || !rng) {
        free(h);
        return 2;
    }
    printf("%lu sites of each, three batteries one after another, seed %lu; invented\n\n",
           asked.sites, asked.seed);
    for (size_t p = 0; p < sizeof physics / sizeof *physics && result == 0; p++) {
        if (only && strcmp(only, physics[p]) != 0)
            continue;
        if (p == 0) {
            if (!asked.cell)
                result = score_kind(&asked, physics[p], NULL, h, rng);
            continue;
        }
        for (size_t k = 0; k < FORECAST_KINDS && result == 0; k++)
            if (!asked.cell || strcmp(asked.cell, forecast_kinds[k].name) == 0)
                result = score_kind(&asked, physics[p], &forecast_kinds[k], h, rng);
    }
    free(h);
    gsl_rng_free(rng);
    return result;
}
