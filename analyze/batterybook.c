#include "analyze/batterybook.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "db/store_bench.h"
#include "db/store_coil.h"
#include "db/store_read.h"
#include "db/store_series.h"

#define DAY     86400.0
#define SECOND  1000000LL
#define BUCKETS 4000        /* of a battery's whole time */
#define POINTS  16000       /* asked of the store for each channel */
#define EARLY_S (2.0 * DAY) /* a step so soon after the date of fitting is the fitting */

const char *batterybook_state_word(enum batterybook_state state)
{
    static const char *const words[BATTERYBOOK_STATES] = {
        "good", "too early", "soon", "spent", "joint", "no cells", "silent", "no word"};

    return state < BATTERYBOOK_STATES ? words[state] : "unknown";
}

bool batterybook_alarming(enum batterybook_state state)
{
    return state == BATTERYBOOK_SOON || state == BATTERYBOOK_SPENT || state == BATTERYBOOK_JOINT ||
           state == BATTERYBOOK_SILENT;
}

double batterybook_days(const struct batterybook *book, enum forecast_quantile quantile)
{
    if (!book->has_forecast || book->forecast.answer == FORECAST_TOO_EARLY)
        return NAN;
    return fmin(book->forecast.days[quantile], book->forecast.falter_days[quantile]);
}

static void note(struct batterybook *book, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void note(struct batterybook *book, const char *format, ...)
{
    va_list args;

    if (book->n_note >= BATTERYBOOK_NOTES)
        return;
    va_start(args, format);
    vsnprintf(book->note[book->n_note++], BATTERYBOOK_NOTE, format, args);
    va_end(args);
}

/* ---- the record ---- */

static int keep_site(const struct store_site *row, void *user)
{
    struct batterybook *book = user;

    book->site = *row;
    snprintf(book->name, sizeof book->name, "%s", row->name);
    book->site.name = book->name;
    book->site.remark = NULL;
    return 0;
}

static int keep_battery(const struct store_battery *row, void *user)
{
    struct batterybook *book = user;
    int64_t at = book->at ? book->at : INT64_MAX;

    /* The one that was in there at that time. */
    if (row->fitted > at || (row->changed && row->changed <= at))
        return 0;
    book->fitted = true;
    book->battery = *row;
    snprintf(book->type, sizeof book->type, "%s", row->type);
    book->battery.type = book->type;
    book->battery.site = book->name;
    book->battery.remark = NULL;
    return 0;
}

static int keep_coil(const struct store_coil *row, void *user)
{
    struct batterybook *book = user;

    snprintf(book->coil, sizeof book->coil, "%s", row->name);
    return 1;
}

/* ---- readings into rows on one grid of time ---- */

struct bucket {
    double sum, weight, low, high;
    size_t n;
};

struct filling {
    struct bucket *bucket;
    size_t n;
    int64_t from, width;
    int64_t readings, first, last;
};

static int fill_point(const struct store_point *p, void *user)
{
    struct filling *f = user;
    int64_t middle = p->time + (p->end - p->time) / 2;
    size_t i = (size_t)((middle - f->from) / f->width);
    struct bucket *b;

    if (middle < f->from || i >= f->n || p->n == 0)
        return 0;
    b = &f->bucket[i];
    b->sum += (double)p->n * p->mean;
    b->weight += (double)p->n;
    b->low = b->n ? fmin(b->low, p->min) : p->min;
    b->high = b->n ? fmax(b->high, p->max) : p->max;
    b->n++;
    f->first = f->readings ? f->first : p->time;
    f->last = p->end;
    f->readings += p->n;
    return 0;
}

static enum status_code fill(struct store *store, int64_t channel, struct filling *f, int64_t to,
                             struct status *st)
{
    memset(f->bucket, 0, f->n * sizeof *f->bucket);
    f->readings = f->first = f->last = 0;
    if (!channel)
        return status_ok(st);
    return store_series(store, channel, f->from, to, POINTS, fill_point, f, st);
}

enum use { USE_MEAN, USE_LOW, USE_HIGH };

static double bucket_value(const struct bucket *b, enum use use)
{
    if (b->n == 0)
        return NAN;
    return use == USE_MEAN ? b->sum / b->weight : use == USE_LOW ? b->low : b->high;
}

static double spacing_s(const struct filling *f)
{
    if (f->readings < 2)
        return NAN;
    return (double)(f->last - f->first) / (double)(f->readings - 1) / (double)SECOND;
}

/* How the voltage in a pulse was caught, and what was missed. */
static enum use loaded_use(struct store *store, struct batterybook *book, const struct filling *f)
{
    double period = book->setup.period_s, pulse = book->setup.pulse_s, every = spacing_s(f);
    struct store_reading latest;
    struct status st;
    bool least = store_read_latest(store, book->site.loaded, &latest, &st) == STATUS_OK &&
                 (latest.flags & STORE_FLAG_MIN);

    if (least)
        /* A minimum over more than a period has a pulse in it; over less, only some have. */
        return period > 0.0 && every < 1.5 * period ? USE_LOW : USE_MEAN;
    if (isnan(every) || isnan(pulse))
        return USE_LOW;
    if (every > 0.5 * pulse)
        note(book,
             "a reading every %.3g s sees a pulse of %.3g s only by chance%s: the dip may be "
             "missed. Let the board send the least value since its last line (kind = minimum).",
             every, pulse, period > pulse && period > 0.0 ? ", in few of them" : "");
    return USE_LOW;
}

static enum status_code load_rows(struct store *store, struct batterybook *book, int64_t from,
                                  int64_t to, struct status *st)
{
    int64_t hour = 3600 * SECOND, width = (to - from) / BUCKETS + 1;
    struct filling f = {.from = from};
    enum use use = USE_MEAN;
    size_t n;
    enum status_code code;

    width = (width + hour - 1) / hour * hour;
    f.width = width;
    f.n = (size_t)((to - from) / width) + 1;
    f.bucket = calloc(f.n, sizeof *f.bucket);
    book->row = calloc(f.n, sizeof *book->row);
    if (!f.bucket || !book->row) {
        free(f.bucket);
        return status_fail(st, STATUS_MEMORY, "no memory for the readings");
    }
    code = fill(store, book->site.unloaded, &f, to, st);
    for (size_t i = 0; i < f.n; i++) {
        struct trend_row *r = &book->row[i];

        r->time_s = ((double)from + ((double)i + 0.5) * (double)width) / (double)SECOND;
        r->unloaded_v = bucket_value(&f.bucket[i], USE_MEAN);
    }
    if (code == STATUS_OK)
        code = fill(store, book->site.loaded, &f, to, st);
    if (code == STATUS_OK && book->site.loaded)
        use = loaded_use(store, book, &f);
    for (size_t i = 0; i < f.n; i++)
        book->row[i].loaded_v = bucket_value(&f.bucket[i], use);
    if (code == STATUS_OK)
        code = fill(store, book->site.temperature, &f, to, st);
    for (size_t i = 0; i < f.n; i++)
        book->row[i].temperature = bucket_value(&f.bucket[i], USE_MEAN) - 273.15;
    if (code == STATUS_OK)
        code = fill(store, book->site.pulses, &f, to, st);
    for (size_t i = 0; i < f.n; i++)
        book->row[i].pulses = bucket_value(&f.bucket[i], USE_HIGH);
    free(f.bucket);
    n = 0;
    for (size_t i = 0; i < f.n; i++)
        if (isfinite(book->row[i].unloaded_v) || isfinite(book->row[i].loaded_v))
            book->row[n++] = book->row[i];
    book->n_row = n;
    return code;
}

/* ---- what they say ---- */

static void keep_change(struct batterybook *book, const struct trend_change *change)
{
    if (change->after_s - book->setup.fitted_s <= EARLY_S)
        return;
    if (book->n_change == BATTERYBOOK_CHANGES)
        memmove(book->change, book->change + 1, --book->n_change * sizeof *book->change);
    book->change[book->n_change++] = *change;
}

/* Changes that nobody took back; the rows then begin after the last of them. */
static void find_changes(struct store *store, struct batterybook *book)
{
    struct trend_change all[BATTERYBOOK_CHANGES];
    double from = -INFINITY;
    size_t keep = 0, start = 0, n;

    do { /* a battery that is charged every week has more of them than one call finds */
        n = trend_changes(&book->setup, book->row + start, book->n_row - start, all,
                          BATTERYBOOK_CHANGES);
        for (size_t i = 0; i < n; i++) {
            bool dismissed = false;
            struct status st;

            if (store_site_dismissed(store, book->site.id, (int64_t)(all[i].after_s * 1e6),
                                     (int64_t)(DAY * 1e6), &dismissed, &st) != STATUS_OK ||
                dismissed)
                continue;
            from = all[i].after_s;
            keep_change(book, &all[i]);
        }
        while (n && start < book->n_row && book->row[start].time_s < all[n - 1].after_s)
            start++;
    } while (n == BATTERYBOOK_CHANGES);
    for (size_t i = 0; i < book->n_row; i++)
        if (book->row[i].time_s >= from)
            book->row[keep++] = book->row[i];
    book->n_row = keep;
    if (book->n_change)
        book->setup.fitted_s = book->change[book->n_change - 1].after_s;
}

static void find_slope(struct batterybook *book)
{
    double *x = malloc(2 * book->n_day * sizeof *x), *y;
    struct status st;
    size_t n = 0;

    if (!x)
        return;
    y = x + book->n_day;
    for (size_t i = 0; i < book->n_day; i++)
        if (isfinite(book->day[i].unloaded_20) &&
            book->day[book->n_day - 1].time_s - book->day[i].time_s <= 28.0 * DAY) {
            x[n] = book->day[i].time_s / DAY;
            y[n++] = book->day[i].unloaded_20;
        }
    book->has_slope = n >= 3 && trend_slope(x, y, n, 0.9, &book->slope, &st) == STATUS_OK;
    free(x);
}

static void say(struct batterybook *book, enum batterybook_state state, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void say(struct batterybook *book, enum batterybook_state state, const char *format, ...)
{
    va_list args;

    book->state = state;
    va_start(args, format);
    vsnprintf(book->word, sizeof book->word, format, args);
    va_end(args);
}

static void conclude(struct batterybook *book, const struct batterybook_alarm *alarm)
{
    const struct forecast *f = &book->forecast;
    double soon = batterybook_days(book, FORECAST_Q05),
           likely = batterybook_days(book, FORECAST_Q50);

    if (book->silent_s > alarm->silent_s)
        say(book, BATTERYBOOK_SILENT, "nothing was heard for %.1f days: look there",
            book->silent_s / DAY);
    else if (!book->has_forecast)
        return;
    else if (f->answer == FORECAST_SPENT)
        say(book, BATTERYBOOK_SPENT, "change the battery now: %s", f->why);
    else if (f->answer == FORECAST_STRANGE)
        say(book, BATTERYBOOK_STRANGE, "no date: %s", f->why);
    else if (book->joint.cause == TREND_JOINT)
        say(book, BATTERYBOOK_JOINT, "%s%s: clean and tighten, then measure again",
            trend_cause_words(TREND_JOINT),
            f->falter_days[FORECAST_Q50] < 1.0 ? ", and it falters now" : "");
    else if (soon * DAY < alarm->within_s)
        say(book, BATTERYBOOK_SOON, "it may not last another %.0f days: likely %.0f, %.0f at worst",
            alarm->within_s / DAY, likely, soon);
    else if (f->answer == FORECAST_TOO_EARLY)
        say(book, BATTERYBOOK_EARLY, "too early to tell: %s", f->why);
    else
        say(book, BATTERYBOOK_FINE, "likely good for another %.0f days", likely);
}

static void notes(struct batterybook *book)
{
    const struct forecast *f = &book->forecast;

    if (!book->site.unloaded)
        note(book, "the voltage between pulses is not read (--unloaded), so a bad joint cannot be "
                   "told from a tired cell, and the forecast is wider");
    if (!book->site.loaded)
        note(book, "the voltage in a pulse is not read (--loaded), so a bad joint cannot be told "
                   "from a tired cell");
    if (!book->site.temperature)
        note(book, "temperature is not read (--temperature); voltages are not corrected");
    if (book->has_forecast && isnan(f->drawn_ah))
        note(book, "the charge used is not known (coil, pulse length and count); the forecast "
                   "rests on the shape of the curve alone");
    if (f->shelf)
        note(book, "the shelf life of this kind of cell may come first");
}

static void find_earlier(struct store *store, struct batterybook_past *past,
                         struct batterybook *book);

static void work_out(struct store *store, struct batterybook *book,
                     const struct batterybook_alarm *alarm, struct batterybook_past *past)
{
    struct status st;

    find_changes(store, book);
    if (trend_days(&book->setup, book->row, book->n_row, &book->day, &book->n_day, &st) !=
        STATUS_OK) {
        say(book, BATTERYBOOK_NO_WORD, "%s", st.text);
        return;
    }
    find_slope(book);
    trend_knee(book->day, book->n_day, &book->knee);
    trend_joint(&book->setup, book->day, book->n_day, &book->joint);
    if (past)
        find_earlier(store, past, book);
    book->has_forecast =
        forecast_make(&book->setup, book->day, book->n_day, &book->joint, book->earlier,
                      book->n_earlier, &book->forecast, &st) == STATUS_OK;
    if (!book->has_forecast)
        say(book, BATTERYBOOK_NO_WORD, "%s", st.text);
    conclude(book, alarm);
    notes(book);
}

static enum status_code make_setup(struct batterybook *book, struct status *st)
{
    const struct store_site *site = &book->site;
    const struct cell_kind *kind = cell_kind(book->battery.type);
    struct cell_battery cells;

    if (!kind)
        return status_fail(st, STATUS_INPUT, "cells of type '%s' are not known here",
                           book->battery.type);
    cells = cell_battery_of(kind, (int)book->battery.cells);
    cells.capacity_ah = book->battery.capacity / 3600.0;
    cells.end_v = site->end;
    book->setup = trend_site_of(&cells);
    book->setup.fitted_s = (double)book->battery.fitted / (double)SECOND;
    book->setup.coil_ohm = site->ohm;
    book->setup.coil_h = site->henry;
    book->setup.pulse_s = site->pulse;
    book->setup.u_pulse = site->pulse_u;
    book->setup.period_s = site->period;
    book->setup.standby_a = site->standby > 0.0 ? site->standby : 0.0;
    return cell_check(&cells, st);
}

/* ---- batteries that were taken out ---- */

struct past_battery {
    char site[BATTERYBOOK_NAME], type[BATTERYBOOK_NAME];
    struct store_battery battery; /* texts point into the fields above */
    bool looked;                  /* at its readings */
    struct forecast_earlier learnt;
};

struct batterybook_past {
    struct past_battery *battery;
    size_t n, room;
    bool full;
};

static int keep_past(const struct store_battery *row, void *user)
{
    struct batterybook_past *past = user;
    struct past_battery *b;

    if (!row->changed || row->changed <= row->fitted)
        return 0;
    if (past->n == past->room) {
        size_t room = past->room ? 2 * past->room : 64;
        struct past_battery *more = realloc(past->battery, room * sizeof *more);

        past->full = !more;
        if (!more)
            return 1;
        past->battery = more;
        past->room = room;
    }
    b = &past->battery[past->n++];
    *b = (struct past_battery){.battery = *row, .learnt.u = INFINITY};
    snprintf(b->site, sizeof b->site, "%s", row->site);
    snprintf(b->type, sizeof b->type, "%s", row->type);
    return 0;
}

static int latest_last(const void *a, const void *b)
{
    const struct past_battery *x = a, *y = b;

    return (x->battery.changed > y->battery.changed) - (x->battery.changed < y->battery.changed);
}

enum status_code batterybook_past(struct store *store, struct batterybook_past **past,
                                  struct status *st)
{
    enum status_code code;

    *past = calloc(1, sizeof **past);
    if (!*past)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = store_result_batteries(store, NULL, keep_past, *past, st);
    if (code == STATUS_OK && (*past)->full)
        code = status_fail(st, STATUS_MEMORY, "no memory for the batteries of the past");
    if (code != STATUS_OK) {
        batterybook_past_free(*past);
        *past = NULL;
        return code;
    }
    for (size_t i = 0; i < (*past)->n; i++) {
        (*past)->battery[i].battery.site = NULL; /* the row has moved */
        (*past)->battery[i].battery.type = NULL;
        (*past)->battery[i].battery.remark = NULL;
    }
    if ((*past)->n)
        qsort((*past)->battery, (*past)->n, sizeof *(*past)->battery, latest_last);
    return status_ok(st);
}

void batterybook_past_free(struct batterybook_past *past)
{
    if (past)
        free(past->battery);
    free(past);
}

static enum status_code make_setup(struct batterybook *book, struct status *st);

/* Reads it through once more and learns what it gave. A battery that teaches nothing (no readings,
 * another supply) keeps its infinite uncertainty. */
static void look_back(struct store *store, struct past_battery *b)
{
    struct batterybook *book = calloc(1, sizeof *book);
    struct status st;

    b->looked = true;
    if (!book)
        return;
    if (store_site_list(store, b->site, keep_site, book, &st) == STATUS_OK) {
        book->battery = b->battery;
        snprintf(book->type, sizeof book->type, "%s", b->type);
        book->battery.type = book->type;
        if (make_setup(book, &st) == STATUS_OK && (book->site.unloaded || book->site.loaded) &&
            load_rows(store, book, b->battery.fitted, b->battery.changed, &st) == STATUS_OK &&
            trend_days(&book->setup, book->row, book->n_row, &book->day, &book->n_day, &st) ==
                STATUS_OK) {
            trend_joint(&book->setup, book->day, book->n_day, &book->joint);
            if (forecast_learn(&book->setup, book->day, book->n_day, &book->joint, &b->learnt,
                               &st) != STATUS_OK)
                b->learnt.u = INFINITY;
        }
    }
    batterybook_free(book);
}

/* The latest of this type: here first, then elsewhere. */
static void find_earlier(struct store *store, struct batterybook_past *past,
                         struct batterybook *book)
{
    for (int elsewhere = 0; elsewhere < 2; elsewhere++)
        for (size_t i = past->n; i-- > 0 && book->n_earlier < BATTERYBOOK_EARLIER;) {
            struct past_battery *b = &past->battery[i];
            bool here = strcmp(b->site, book->name) == 0;

            if (here == (elsewhere == 1) || strcmp(b->type, book->type) != 0 ||
                b->battery.changed >
                    (here ? book->battery.fitted + (int64_t)(DAY * 1e6) : book->at))
                continue;
            if (here && b->battery.id == book->battery.id)
                continue;
            if (!b->looked)
                look_back(store, b);
            if (!isfinite(b->learnt.u))
                continue;
            book->earlier[book->n_earlier] = b->learnt;
            book->earlier[book->n_earlier++].here = here;
        }
}

static int count_point(const struct store_point *p, void *user)
{
    *(int64_t *)user += p->n;
    return 0;
}

/* Readings of the weeks before now, later ones, and none between: a clock that jumped and was put
 * right. Readings that go on from now without a break are a clock's own business. */
static bool clock_was_ahead(struct store *store, int64_t channel, int64_t now)
{
    const int64_t day = (int64_t)DAY * SECOND;
    int64_t before = 0, between = 0;
    struct status st;

    return store_series(store, channel, now - 30 * day, now + day, 100, count_point, &before,
                        &st) == STATUS_OK &&
           store_series(store, channel, now + day, now + 15 * day, 100, count_point, &between,
                        &st) == STATUS_OK &&
           before > 0 && between == 0;
}

static enum status_code fill_book(struct store *store, const char *name, int64_t at,
                                  const struct batterybook_alarm *alarm,
                                  struct batterybook_past *past, struct batterybook *book,
                                  struct status *st)
{
    struct store_reading latest = {.time = 0};
    int64_t channel;
    enum status_code code = store_site_list(store, name, keep_site, book, st);

    if (code != STATUS_OK)
        return code;
    book->at = at;
    code = store_result_batteries(store, book->name, keep_battery, book, st);
    if (code == STATUS_OK && book->site.coil)
        code = store_coil_get(store, book->site.coil, keep_coil, book, st);
    if (code != STATUS_OK)
        return code;
    if (!book->fitted) {
        say(book, BATTERYBOOK_NO_WORD, "no battery is recorded: --fit LR20 --cells 2 does");
        return status_ok(st);
    }
    if (make_setup(book, st) != STATUS_OK) {
        say(book, BATTERYBOOK_NO_WORD, "%s", st->text);
        return status_ok(st);
    }
    channel = book->site.unloaded ? book->site.unloaded : book->site.loaded;
    if (!channel) {
        say(book, BATTERYBOOK_NO_WORD, "no channel is named: --unloaded CHANNEL does");
        return status_ok(st);
    }
    code = store_read_latest(store, channel, &latest, st);
    if (code != STATUS_OK && code != STATUS_NOT_FOUND)
        return code;
    if (!at) {
        int64_t now = store_now();

        book->at = latest.time > now ? latest.time : now;
        if (latest.time > now && clock_was_ahead(store, channel, now)) {
            book->at = now;
            note(book, "readings dated after now are left out: a clock was wrong when they were "
                       "taken");
        }
    }
    if (book->at + 1 <= book->battery.fitted || latest.time <= book->battery.fitted) {
        say(book, BATTERYBOOK_NO_WORD, "nothing was read yet of this battery");
        return status_ok(st);
    }
    code = load_rows(store, book, book->battery.fitted, book->at + 1, st);
    if (code != STATUS_OK)
        return code;
    if (book->n_row == 0) {
        say(book, BATTERYBOOK_NO_WORD, "nothing was read yet of this battery");
        return status_ok(st);
    }
    book->last =
        latest.time < book->at ? latest.time : (int64_t)(book->row[book->n_row - 1].time_s * 1e6);
    book->silent_s = fmax(0.0, (double)(book->at - book->last) / (double)SECOND);
    work_out(store, book, alarm, past);
    return status_ok(st);
}

enum status_code batterybook_load(struct store *store, const char *name, int64_t at,
                                  const struct batterybook_alarm *alarm,
                                  struct batterybook_past *past, struct batterybook **book,
                                  struct status *st)
{
    enum status_code code;

    *book = calloc(1, sizeof **book);
    if (!*book)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = fill_book(store, name, at, alarm, past, *book, st);
    if (code != STATUS_OK) {
        batterybook_free(*book);
        *book = NULL;
    }
    return code;
}

void batterybook_free(struct batterybook *book)
{
    if (book) {
        free(book->row);
        free(book->day);
    }
    free(book);
}
