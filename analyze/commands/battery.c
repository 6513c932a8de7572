/* battery: the battery of a site: its record, its trend, and when it will end. */
#include <ctype.h>
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "analyze/batterybook.h"
#include "analyze/batterydraw.h"
#include "analyze/batterylife.h"
#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/designfile.h"
#include "analyze/printing.h"
#include "db/store_bench.h"
#include "db/store_coil.h"
#include "db/store_ingest.h"
#include "db/store_read.h"

#define NAME "battery"

#define DAY           86400.0
#define WITHIN_S      (14.0 * DAY)
#define SILENT_S      (2.0 * DAY)
#define REPEAT_US     ((int64_t)(7.0 * DAY * 1e6)) /* the same alarm is noted once in that time */
#define PRICE_MAX     1e6
#define DATE_EXPECTED "a date such as 2026-03-01 or '2026-03-01 14:30' (UTC)"

struct asking {
    struct command_context *context;
    const char *site;
    const char *unloaded, *loaded, *temperature, *pulses, *coil, *remark;
    struct store_site figures;
    bool setup;
    const char *fit, *cell;
    long cells;
    double price, capacity;
    int64_t on, at;
    bool confirm, dismiss, alarmed, note, history, life;
    struct batterybook_alarm alarm;
    const char *plot;
    double ambient;
};

/* ---- options ---- */

static enum status_code read_date(const char *option, const char *text, int64_t *out,
                                  struct status *st)
{
    static const char *const forms[] = {"%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"};

    for (size_t i = 0; i < sizeof forms / sizeof *forms; i++) {
        struct tm tm = {0};
        const char *end = strptime(text, forms[i], &tm);
        time_t t;

        if (!end || *end)
            continue;
        t = timegm(&tm);
        if (t > 0 && t < 9000000000LL) {
            *out = (int64_t)t * 1000000;
            return status_ok(st);
        }
    }
    return status_fail(st, STATUS_INPUT, "--%s: read '%s', expected " DATE_EXPECTED, option, text);
}

enum option_id {
    UNLOADED = 1000,
    LOADED,
    TEMPERATURE,
    PULSES,
    COIL,
    COIL_OHM,
    COIL_HENRY,
    PULSE,
    EVERY,
    STANDBY,
    END,
    REMARK,
    FIT,
    CELL,
    CELLS,
    ON,
    PRICE,
    CAPACITY,
    CONFIRM,
    DISMISS,
    ALARM,
    SILENT,
    NOTE,
    AT,
    PLOT,
    HISTORY,
    LIFE,
    AMBIENT
};

static const struct option options[] = {{"unloaded", required_argument, NULL, UNLOADED},
                                        {"loaded", required_argument, NULL, LOADED},
                                        {"temperature", required_argument, NULL, TEMPERATURE},
                                        {"pulses", required_argument, NULL, PULSES},
                                        {"coil", required_argument, NULL, COIL},
                                        {"coil-ohm", required_argument, NULL, COIL_OHM},
                                        {"inductance", required_argument, NULL, COIL_HENRY},
                                        {"pulse", required_argument, NULL, PULSE},
                                        {"every", required_argument, NULL, EVERY},
                                        {"standby", required_argument, NULL, STANDBY},
                                        {"end", required_argument, NULL, END},
                                        {"remark", required_argument, NULL, REMARK},
                                        {"fit", required_argument, NULL, FIT},
                                        {"cell", required_argument, NULL, CELL},
                                        {"cells", required_argument, NULL, CELLS},
                                        {"on", required_argument, NULL, ON},
                                        {"price", required_argument, NULL, PRICE},
                                        {"capacity", required_argument, NULL, CAPACITY},
                                        {"confirm", no_argument, NULL, CONFIRM},
                                        {"dismiss", no_argument, NULL, DISMISS},
                                        {"alarm", required_argument, NULL, ALARM},
                                        {"silent", required_argument, NULL, SILENT},
                                        {"note", no_argument, NULL, NOTE},
                                        {"at", required_argument, NULL, AT},
                                        {"plot", required_argument, NULL, PLOT},
                                        {"history", no_argument, NULL, HISTORY},
                                        {"life-table", no_argument, NULL, LIFE},
                                        {"ambient", required_argument, NULL, AMBIENT},
                                        {NULL, 0, NULL, 0}};

/* A figure with its unit, within what can be. */
static enum status_code read_figure(struct asking *a, const char *option, const char *dimension,
                                    double least, double most, double *out, struct status *st)
{
    if (units_parse(a->context->units, optarg, dimension, out, st) != STATUS_OK)
        return status_prefix(st, "--%s", option);
    if (!(*out >= least && *out <= most))
        return status_fail(st, STATUS_INPUT, "--%s: read '%s', expected %g to %g in SI units",
                           option, optarg, least, most);
    return status_ok(st);
}

static enum status_code read_pulse(struct asking *a, struct status *st)
{
    struct units_value value;

    if (units_parse_uncertain(a->context->units, optarg, "s", &value, st) != STATUS_OK)
        return status_prefix(st, "--pulse");
    if (!(value.value > 0.0 && value.value <= 3600.0))
        return status_fail(st, STATUS_INPUT, "--pulse: read '%s', expected above 0 to an hour",
                           optarg);
    a->figures.pulse = value.value;
    if (value.has_uncertainty)
        a->figures.pulse_u = value.half_width / sqrt(3.0);
    return status_ok(st);
}

static enum status_code read_price(double *price, struct status *st)
{
    char *end;

    *price = strtod(optarg, &end);
    if (end == optarg || *end || !(*price >= 0.0 && *price <= PRICE_MAX))
        return status_fail(st, STATUS_INPUT,
                           "--price: read '%s', expected a number in your own currency", optarg);
    return status_ok(st);
}

static enum status_code read_cells(long *cells, struct status *st)
{
    char *end;

    *cells = strtol(optarg, &end, 10);
    if (end == optarg || *end || *cells < 1 || *cells > 200)
        return status_fail(st, STATUS_INPUT, "--cells: read '%s', expected 1 to 200 in series",
                           optarg);
    return status_ok(st);
}

static enum status_code read_setup(struct asking *a, int option, struct status *st)
{
    a->setup = true;
    switch (option) {
    case UNLOADED:
        a->unloaded = optarg;
        return status_ok(st);
    case LOADED:
        a->loaded = optarg;
        return status_ok(st);
    case TEMPERATURE:
        a->temperature = optarg;
        return status_ok(st);
    case PULSES:
        a->pulses = optarg;
        return status_ok(st);
    case COIL:
        a->coil = optarg;
        return status_ok(st);
    case COIL_OHM:
        return read_figure(a, "coil-ohm", "ohm", 1e-3, 1e6, &a->figures.ohm, st);
    case COIL_HENRY:
        return read_figure(a, "inductance", "H", 0.0, 1e4, &a->figures.henry, st);
    case PULSE:
        return read_pulse(a, st);
    case EVERY:
        return read_figure(a, "every", "s", 1e-3, 1e7, &a->figures.period, st);
    case STANDBY:
        return read_figure(a, "standby", "A", 0.0, 100.0, &a->figures.standby, st);
    case END:
        return read_figure(a, "end", "V", 0.1, 3.0, &a->figures.end, st);
    default:
        a->remark = optarg;
        return status_ok(st);
    }
}

static enum status_code read_option(struct asking *a, int option, struct status *st)
{
    double kelvin;

    switch (option) {
    case FIT:
        a->fit = optarg;
        break;
    case CELL:
        a->cell = optarg;
        break;
    case CELLS:
        return read_cells(&a->cells, st);
    case ON:
        return read_date("on", optarg, &a->on, st);
    case PRICE:
        return read_price(&a->price, st);
    case CAPACITY:
        return read_figure(a, "capacity", "C", 3.6, 3.6e8, &a->capacity, st);
    case CONFIRM:
        a->confirm = true;
        break;
    case DISMISS:
        a->dismiss = true;
        break;
    case ALARM:
        a->alarmed = true;
        return read_figure(a, "alarm", "s", 0.0, 3650 * DAY, &a->alarm.within_s, st);
    case SILENT:
        return read_figure(a, "silent", "s", 60.0, 3650 * DAY, &a->alarm.silent_s, st);
    case NOTE:
        a->note = true;
        break;
    case AT:
        return read_date("at", optarg, &a->at, st);
    case PLOT:
        a->plot = optarg;
        break;
    case HISTORY:
        a->history = true;
        break;
    case LIFE:
        a->life = true;
        break;
    case AMBIENT:
        if (read_figure(a, "ambient", "K", 233.15, 333.15, &kelvin, st) != STATUS_OK)
            return st->code;
        a->ambient = kelvin - 273.15;
        break;
    default:
        return read_setup(a, option, st);
    }
    return status_ok(st);
}

/* ---- recording ---- */

static enum status_code find_channel(struct store *store, const char *option, const char *name,
                                     const char *quantity, int64_t *id, struct status *st);

struct channel_check {
    const char *quantity;
    bool right;
};

static int check_channel(const struct store_channel *row, void *user)
{
    struct channel_check *check = user;

    check->right = strcmp(row->quantity, check->quantity) == 0;
    return 1;
}

static enum status_code find_channel(struct store *store, const char *option, const char *name,
                                     const char *quantity, int64_t *id, struct status *st)
{
    struct channel_check check = {quantity, false};

    if (!name)
        return status_ok(st);
    if (store_bench_find_channel(store, name, id, st) != STATUS_OK ||
        store_bench_channel(store, *id, check_channel, &check, st) != STATUS_OK)
        return status_prefix(st, "--%s", option);
    if (!check.right)
        return status_fail(st, STATUS_INPUT, "--%s: %s is not a channel of %s", option, name,
                           quantity);
    return status_ok(st);
}

/* A coil by name, and what its design predicts where the person gave no figure. */
static enum status_code take_coil(struct asking *a, struct store *store, struct status *st)
{
    struct coilbook_entry *entry;
    double ohm, henry, u;
    enum status_code code;

    if (!a->coil)
        return status_ok(st);
    entry = malloc(sizeof *entry);
    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = coilbook_load(a->context->units, store, a->coil, entry, st);
    if (code == STATUS_OK) {
        const struct design_supply *supply = &entry->design.supply;

        a->figures.coil = entry->coil;
        code = batterylife_coil(&entry->design, &ohm, &henry, &u, st);
        if (code == STATUS_OK && isnan(a->figures.ohm))
            a->figures.ohm = ohm;
        if (code == STATUS_OK && isnan(a->figures.henry))
            a->figures.henry = henry;
        if (isnan(a->figures.pulse) && amount_given(supply->pulse)) {
            a->figures.pulse = supply->pulse.value;
            if (supply->pulse.u > 0.0)
                a->figures.pulse_u = supply->pulse.u;
        }
        if (isnan(a->figures.period) && amount_given(supply->period))
            a->figures.period = supply->period.value;
    }
    free(entry);
    return code;
}

static enum status_code wrong_kind(const char *name, struct status *st)
{
    char list[256] = "";
    size_t n, used = 0;
    const struct cell_kind *kinds = cell_kinds(&n);

    if (strncasecmp(name, "li", 2) == 0 || strncasecmp(name, "cr", 2) == 0 ||
        strncasecmp(name, "fr", 2) == 0 || strncasecmp(name, "er", 2) == 0)
        return status_fail(st, STATUS_INPUT,
                           "'%s': lithium cells are not known here: they hold their voltage to "
                           "the end, so it foretells nothing. Count the charge. Never charge, "
                           "short or open one: it burns",
                           name);
    for (size_t i = 0; i < n && used < sizeof list; i++)
        used +=
            (size_t)snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", kinds[i].name);
    return status_fail(st, STATUS_INPUT,
                       "cells of type '%s' are not known here; expected one of %s", name, list);
}

static enum status_code fit(struct asking *a, struct store *store, struct status *st)
{
    const struct cell_kind *kind = cell_kind(a->fit);
    struct store_battery battery = {.site = a->site,
                                    .cells = a->cells,
                                    .fitted = a->on,
                                    .price = a->price,
                                    .capacity = a->capacity,
                                    .confirmed = true,
                                    .remark = a->remark};
    struct cell_battery cells;
    int64_t id;

    if (!kind)
        return wrong_kind(a->fit, st);
    if (a->cells < 1)
        return status_fail(st, STATUS_INPUT, "--fit needs --cells N, the number in series");
    cells = cell_battery_of(kind, (int)a->cells);
    cells.capacity_ah = a->capacity / 3600.0;
    cells.end_v = a->figures.end;
    if (cell_check(&cells, st) != STATUS_OK)
        return st->code;
    battery.type = kind->name;
    return store_result_fit_battery(store, &battery, &id, st);
}

static enum status_code record(struct asking *a, struct store *store, struct status *st)
{
    int64_t id;

    a->figures.name = a->site;
    a->figures.remark = a->fit ? NULL : a->remark;
    if (find_channel(store, "unloaded", a->unloaded, "voltage", &a->figures.unloaded, st) ||
        find_channel(store, "loaded", a->loaded, "voltage", &a->figures.loaded, st) ||
        find_channel(store, "temperature", a->temperature, "temperature", &a->figures.temperature,
                     st) ||
        find_channel(store, "pulses", a->pulses, "count", &a->figures.pulses, st) ||
        take_coil(a, store, st) || store_site_put(store, &a->figures, &id, st))
        return st->code;
    if (a->figures.pulse > a->figures.period)
        return status_fail(st, STATUS_INPUT, "a pulse of %g s every %g s is longer than its period",
                           a->figures.pulse, a->figures.period);
    return a->fit ? fit(a, store, st) : status_ok(st);
}

/* ---- a change of battery ---- */

static enum status_code record_change(struct store *store, const struct batterybook *book,
                                      bool confirmed, struct status *st)
{
    const struct trend_change *last = &book->change[book->n_change - 1];
    struct store_battery battery = book->battery;
    int64_t id;

    battery.id = 0;
    battery.changed = 0;
    battery.fitted = (int64_t)(last->after_s * 1e6);
    battery.price = NAN;
    battery.confirmed = confirmed;
    battery.remark = "found from the voltage";
    return store_result_fit_battery(store, &battery, &id, st);
}

static enum status_code settle_change(const struct asking *a, struct store *store,
                                      const struct batterybook *book, char *said, size_t size,
                                      struct status *st)
{
    char day[32];
    int64_t when;
    enum status_code code;

    if (book->n_change) {
        when = (int64_t)(book->change[book->n_change - 1].after_s * 1e6);
        code = a->confirm ? record_change(store, book, true, st)
                          : store_site_dismiss(store, book->site.id, when, st);
    } else if (book->fitted && !book->battery.confirmed) {
        when = book->battery.fitted;
        code = store_result_confirm_battery(store, book->battery.id, a->confirm, st);
        if (code == STATUS_OK && a->dismiss)
            code = store_site_dismiss(store, book->site.id, when, st);
    } else {
        return status_fail(st, STATUS_NOT_FOUND, "%s: no change of battery waits for a word",
                           a->site);
    }
    snprintf(said, size, "%s: the change of %.10s is %s", a->site,
             store_time_text(day, sizeof day, when), a->confirm ? "confirmed" : "dismissed");
    return code;
}

/* ---- events ---- */

struct earlier {
    const char *start;
    bool seen;
};

static int seen_event(const struct store_event *row, void *user)
{
    struct earlier *e = user;

    e->seen = e->seen || strncmp(row->text, e->start, strlen(e->start)) == 0;
    return e->seen;
}

/* Notes an event once a week, so that a timer may ask every hour. */
static enum status_code note_event(struct store *store, int64_t at, const char *kind,
                                   const char *start, const char *rest, struct status *st)
{
    struct earlier earlier = {.start = start};
    char text[400];
    struct store_event event = {.time = at, .kind = kind, .text = text};
    enum status_code code =
        store_read_events(store, at - REPEAT_US, at + 1, 0, kind, seen_event, &earlier, st);

    if (code != STATUS_OK || earlier.seen)
        return code;
    snprintf(text, sizeof text, "%s: %s", start, rest);
    return store_ingest_event(store, &event, st);
}

static enum status_code note_all(struct store *store, struct batterybook *book, struct status *st)
{
    char start[STORE_NAME_MAX + 40], day[32];
    enum status_code code = STATUS_OK;

    if (batterybook_alarming(book->state)) {
        snprintf(start, sizeof start, "%s: %s", book->name, batterybook_state_word(book->state));
        code = note_event(store, book->at, "battery", start, book->word, st);
    }
    if (code == STATUS_OK && book->n_change) {
        snprintf(start, sizeof start, "%s: changed %.10s", book->name,
                 store_time_text(day, sizeof day,
                                 (int64_t)(book->change[book->n_change - 1].after_s * 1e6)));
        code = note_event(store, book->at, "battery", start,
                          "found from the voltage; confirm or dismiss it", st);
        if (code == STATUS_OK)
            code = record_change(store, book, false, st);
    }
    return code;
}

/* ---- showing ---- */

static const char *date_text(char buf[32], double time_s)
{
    store_time_text(buf, 32, (int64_t)(time_s * 1e6));
    buf[10] = '\0';
    return buf;
}

static void row(struct table *t, const char *figure, const char *remark, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void row(struct table *t, const char *figure, const char *remark, const char *format, ...)
{
    char text[120];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    table_row(t);
    table_text(t, figure);
    table_text(t, text);
    if (remark && *remark)
        table_text(t, remark);
    else
        table_absent(t);
}

static void battery_rows(struct table *t, const struct batterybook *book)
{
    char day[32], remark[120];
    const struct cell_kind *kind = cell_kind(book->type);

    if (!book->fitted)
        return;
    snprintf(remark, sizeof remark, "%s%s%s", kind ? kind->words : "",
             kind && kind->primary ? ", not to be charged" : "",
             book->battery.confirmed ? "" : "; found from the voltage, not confirmed");
    row(t, "battery", remark, "%lld x %s", (long long)book->battery.cells, book->type);
    row(t, "fitted", NULL, "%s", date_text(day, (double)book->battery.fitted / 1e6));
    if (book->n_change)
        row(t, "changed", "found from the voltage, not recorded; --confirm or --dismiss", "%s",
            date_text(day, book->change[book->n_change - 1].after_s));
}

static void latest_rows(struct table *t, const struct batterybook *book)
{
    const struct trend_day *d;
    char day[32];

    if (book->n_day == 0)
        return;
    d = &book->day[book->n_day - 1];
    row(t, "last day read", NULL, "%s", date_text(day, d->time_s));
    if (isfinite(d->unloaded_v)) {
        char remark[64] = "";

        if (isfinite(d->temperature))
            snprintf(remark, sizeof remark, "%.3f V corrected from %.1f °C to 20 °C",
                     d->unloaded_20, d->temperature);
        row(t, "unloaded", remark, "%.3f V", d->unloaded_v);
    }
    if (isfinite(d->loaded_v)) {
        char remark[64] = "";

        if (book->has_forecast)
            snprintf(remark, sizeof remark, "end point %.3f V", book->forecast.end_v);
        row(t, "in a pulse", remark, "%.3f V", d->loaded_v);
    }
}

static void trend_rows(struct table *t, const struct batterybook *book)
{
    const struct trend_joint *j = &book->joint;
    const struct forecast *f = &book->forecast;
    char remark[160] = "", day[32];

    if (book->has_slope) {
        snprintf(remark, sizeof remark,
                 "90 %% interval %.2f to %.2f; median of all slopes, 4 weeks",
                 1e3 * book->slope.low, 1e3 * book->slope.high);
        row(t, "trend", remark, "%.2f mV a day", 1e3 * book->slope.slope);
    }
    if (book->knee.found)
        row(t, "knee", "the fall became steeper then", "%s", date_text(day, book->knee.time_s));
    if (book->n_day && isfinite(j->ratio_now)) {
        snprintf(remark, sizeof remark, "with joints, from the dip, at 20 °C; scatter %.0f %%",
                 100.0 * j->scatter_now / fmax(1e-9, j->ratio_now));
        if (isfinite(book->setup.coil_ohm))
            row(t, "resistance", remark, "%.3f Ω", j->ratio_now * book->setup.coil_ohm);
        else
            row(t, "resistance", remark, "%.1f %% of the coil's", 100.0 * j->ratio_now);
    }
    if (j->cause == TREND_JOINT) {
        snprintf(remark, sizeof remark, "%s", trend_cause_words(j->cause));
        row(t, "joint", remark, "since %s", date_text(day, j->since_s));
    } else if (book->n_day) {
        row(t, "cause", trend_cause_words(j->cause), "%s",
            j->cause == TREND_RUNNING_DOWN ? "cells" : "-");
    }
    if (!book->has_forecast)
        return;
    if (isfinite(f->drawn_ah)) {
        snprintf(remark, sizeof remark, "of %.2f ± %.2f Ah as it shows; %.2f Ah expected of it",
                 f->capacity_ah, f->u_capacity, f->rated_ah);
        row(t, "charge drawn", remark, "%.2f Ah", f->drawn_ah);
        row(t, "mean current", "lately", "%.3g mA", 1e3 * f->mean_a);
    }
    row(t, "used", "standard uncertainty", "%.0f ± %.0f %%", 100.0 * f->depth, 100.0 * f->u_depth);
}

static void forecast_rows(struct table *t, const struct batterybook *book)
{
    const struct forecast *f = &book->forecast;
    char remark[160], low[32], high[32], likely[32];

    if (!book->has_forecast || f->answer == FORECAST_SPENT)
        return;
    snprintf(remark, sizeof remark, "90 %%: %.0f to %.0f; 50 %%: %.0f to %.0f",
             f->days[FORECAST_Q05], f->days[FORECAST_Q95], f->days[FORECAST_Q25],
             f->days[FORECAST_Q75]);
    row(t, "days left", remark, "%.0f%s", f->days[FORECAST_Q50],
        f->answer == FORECAST_TOO_EARLY ? " (too early)" : "");
    snprintf(remark, sizeof remark, "90 %%: %s to %s",
             date_text(low, f->from_s + DAY * f->days[FORECAST_Q05]),
             date_text(high, f->from_s + DAY * f->days[FORECAST_Q95]));
    row(t, "end point on", remark, "%s",
        date_text(likely, f->from_s + DAY * f->days[FORECAST_Q50]));
    if (book->joint.cause == TREND_JOINT) {
        snprintf(remark, sizeof remark, "90 %%: %.0f to %.0f", f->falter_days[FORECAST_Q05],
                 f->falter_days[FORECAST_Q95]);
        row(t, "with joint so", remark, "%.0f days", f->falter_days[FORECAST_Q50]);
    }
}

static json_t *quantile_json(const double *days)
{
    return json_pack(
        "{s:o, s:o, s:o, s:o, s:o}", "q05", printing_number(days[FORECAST_Q05]), "q25",
        printing_number(days[FORECAST_Q25]), "q50", printing_number(days[FORECAST_Q50]), "q75",
        printing_number(days[FORECAST_Q75]), "q95", printing_number(days[FORECAST_Q95]));
}

static json_t *forecast_json(const struct forecast *f)
{
    static const char *const words[] = {"tells", "too early", "spent"};
    char day[32];

    return json_pack("{s:s, s:s, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "answer",
                     words[f->answer], "why", f->why, "days", quantile_json(f->days),
                     "days_as_it_is", quantile_json(f->falter_days), "end_date",
                     date_text(day, f->from_s + DAY * f->days[FORECAST_Q50]), "used",
                     printing_number(f->depth), "used_u", printing_number(f->u_depth),
                     "capacity_ah", printing_number(f->capacity_ah), "capacity_ah_u",
                     printing_number(f->u_capacity), "expected_ah", printing_number(f->rated_ah),
                     "drawn_ah", printing_number(f->drawn_ah), "mean_a", printing_number(f->mean_a),
                     "end_v", printing_number(f->end_v));
}

static int show_json(const struct asking *a, const struct batterybook *book)
{
    json_t *o, *notes = json_array(), *changes = json_array();
    const struct trend_day *d = book->n_day ? &book->day[book->n_day - 1] : NULL;
    char day[32];

    for (size_t i = 0; i < book->n_note; i++)
        json_array_append_new(notes, json_string(book->note[i]));
    for (size_t i = 0; i < book->n_change; i++)
        json_array_append_new(changes,
                              json_pack("{s:s, s:f}", "on", date_text(day, book->change[i].after_s),
                                        "step_v", book->change[i].step_v));
    o = json_pack("{s:s, s:s, s:s, s:b, s:b, s:o, s:o}", "site", book->name, "state",
                  batterybook_state_word(book->state), "word", book->word, "alarm",
                  batterybook_alarming(book->state), "confirmed",
                  book->fitted && book->battery.confirmed, "changes_found", changes, "notes",
                  notes);
    if (o && book->fitted)
        json_object_update_new(o, json_pack("{s:s, s:I, s:s}", "cell", book->type, "cells",
                                            (json_int_t)book->battery.cells, "fitted",
                                            date_text(day, (double)book->battery.fitted / 1e6)));
    if (o && d)
        json_object_update_new(
            o,
            json_pack("{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:s}", "day", date_text(day, d->time_s),
                      "unloaded_v", printing_number(d->unloaded_v), "unloaded_20_v",
                      printing_number(d->unloaded_20), "loaded_v", printing_number(d->loaded_v),
                      "temperature_c", printing_number(d->temperature), "resistance_ohm",
                      printing_number(book->joint.ratio_now * book->setup.coil_ohm),
                      "joint_excess_ohm", printing_number(book->joint.ohm_excess), "cause",
                      trend_cause_words(book->joint.cause)));
    if (o && book->has_slope)
        json_object_set_new(o, "slope_v_per_day",
                            json_pack("{s:f, s:f, s:f}", "median", book->slope.slope, "low",
                                      book->slope.low, "high", book->slope.high));
    if (o && book->knee.found)
        json_object_set_new(o, "knee", json_string(date_text(day, book->knee.time_s)));
    if (o && book->has_forecast)
        json_object_set_new(o, "forecast", forecast_json(&book->forecast));
    return printing_json(a->context, NAME, o);
}

static int show(const struct asking *a, const struct batterybook *book)
{
    struct table *t;
    char title[STORE_NAME_MAX + 400];
    const struct cell_kind *kind = cell_kind(book->type);

    if (a->context->form == COMMAND_JSON)
        return show_json(a, book);
    snprintf(title, sizeof title, "%s: %s", book->name, book->word);
    t = table_new(title);
    if (!t)
        return command_wrong(a->context, NAME, "no memory");
    table_column(t, TABLE_NAME, "figure", "figure", NULL);
    table_column(t, TABLE_NAME, "value", "value", NULL);
    table_column(t, TABLE_TEXT, "remark", "remark", NULL);
    battery_rows(t, book);
    latest_rows(t, book);
    trend_rows(t, book);
    forecast_rows(t, book);
    for (size_t i = 0; i < book->n_note; i++)
        table_note(t, book->note[i]);
    if (kind && (book->state == BATTERYBOOK_SOON || book->state == BATTERYBOOK_SPENT)) {
        table_note(t, kind->caution);
        if (book->battery.cells > 1)
            table_note(t, "Change all the cells together, by new ones of one make and date; a "
                          "spent cell among good ones is driven backwards and leaks.");
    }
    return printing_table(a->context, NAME, t);
}

/* ---- lists ---- */

static int battery_row(const struct store_battery *b, void *user)
{
    struct table *t = user;
    char day[32];

    table_row(t);
    table_text(t, b->site);
    table_textf(t, "%lld x %s", (long long)b->cells, b->type);
    table_text(t, date_text(day, (double)b->fitted / 1e6));
    if (b->changed) {
        table_text(t, date_text(day, (double)b->changed / 1e6));
        table_textf(t, "%.0f", (double)(b->changed - b->fitted) / 1e6 / DAY);
    } else {
        table_text(t, "in there");
        table_absent(t);
    }
    if (isfinite(b->price))
        table_textf(t, "%.2f", b->price);
    else
        table_absent(t);
    table_text(t, b->confirmed ? "" : "not confirmed");
    return 0;
}

static int list(const struct asking *a, struct store *store)
{
    struct table *t = table_new(NULL);
    struct status st;

    if (!t)
        return command_wrong(a->context, NAME, "no memory");
    table_column(t, TABLE_NAME, "site", "site", NULL);
    table_column(t, TABLE_NAME, "battery", "battery", NULL);
    table_column(t, TABLE_NAME, "fitted", "fitted", NULL);
    table_column(t, TABLE_NAME, "changed", "changed", NULL);
    table_column(t, TABLE_NAME, "days", "lasted", "days");
    table_column(t, TABLE_NAME, "price", "price", NULL);
    table_column(t, TABLE_TEXT, "remark", "remark", NULL);
    if (store_result_batteries(store, a->site, battery_row, t, &st) != STATUS_OK) {
        table_free(t);
        return command_failed(a->context, NAME, &st);
    }
    if (table_rows(t) == 0)
        table_note(t, "no battery is recorded; 'truewound battery SITE --fit LR20 --cells 2' "
                      "records one");
    return printing_table(a->context, NAME, t);
}

/* ---- the life table ---- */

static enum status_code life_design(const struct asking *a, struct design *design,
                                    struct status *st)
{
    struct designfile_warnings warnings;
    struct coilbook_entry *entry;
    struct store *store = NULL;
    size_t length = strlen(a->site);
    enum status_code code;

    if (strchr(a->site, '/') || (length > 4 && strcmp(a->site + length - 4, ".ini") == 0))
        return designfile_read(a->context->units, a->site, design, &warnings, st);
    entry = malloc(sizeof *entry);
    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = store_open(a->context->database, STORE_READ, &store, st);
    if (code == STATUS_OK)
        code = coilbook_load(a->context->units, store, a->site, entry, st);
    if (code == STATUS_OK)
        *design = entry->design;
    store_close(store, NULL);
    free(entry);
    return code;
}

static enum status_code life_input(const struct asking *a, struct batterylife *life,
                                   struct status *st)
{
    static const double lengths[BATTERYLIFE_LENGTHS] = {0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.75, 1.0};
    static const double periods[BATTERYLIFE_PERIODS] = {12.0, 15.0, 18.0};
    const char *type = a->cell ? a->cell : a->fit;
    long cells = a->cells;
    enum status_code code;

    *life = (struct batterylife){
        .circuit = {.coil_ohm = a->figures.ohm, .coil_h = a->figures.henry, .source_ohm = 0.0},
        .temperature = isfinite(a->ambient) ? a->ambient : 20.0,
        .u_coil = 0.05};
    memcpy(life->length_s, lengths, sizeof lengths);
    for (int i = 0; i < BATTERYLIFE_PERIODS; i++)
        life->period_s[i] =
            isfinite(a->figures.period) ? a->figures.period * periods[i] / 15.0 : periods[i];
    if (a->site) {
        struct design *design = malloc(sizeof *design);

        if (!design)
            return status_fail(st, STATUS_MEMORY, "no memory");
        code = life_design(a, design, st);
        if (code == STATUS_OK)
            code = batterylife_coil(design, &life->circuit.coil_ohm, &life->circuit.coil_h,
                                    &life->u_coil, st);
        if (code == STATUS_OK && !type && design->supply.battery[0]) {
            const struct cell_kind *kind = cell_kind(design->supply.battery);

            type = kind ? kind->name : NULL;
            cells = cells > 0 ? cells : design->supply.cells_series;
        }
        free(design);
        if (code != STATUS_OK)
            return code;
    }
    if (isnan(life->circuit.coil_ohm))
        return status_fail(st, STATUS_INPUT,
                           "--life-table needs a design, a coil's name or --coil-ohm R");
    if (isnan(life->circuit.coil_h))
        life->circuit.coil_h = 0.0;
    if (!type || cells < 1)
        return status_fail(st, STATUS_INPUT, "--life-table needs --cell LR20 --cells N");
    if (!cell_kind(type))
        return wrong_kind(type, st);
    life->battery = cell_battery_of(cell_kind(type), (int)cells);
    life->battery.capacity_ah = a->capacity / 3600.0;
    life->battery.end_v = a->figures.end;
    return batterylife_make(life, st);
}

static void life_cell(struct table *t, const struct drive_life *life)
{
    if (life->limit == DRIVE_NEVER)
        table_text(t, "never");
    else
        table_textf(t, "%.0f (%.0f–%.0f)%s", life->days, life->low_days, life->high_days,
                    life->limit == DRIVE_SHELF ? " *" : "");
}

static int life_json(const struct asking *a, const struct batterylife *life)
{
    json_t *rows = json_array();

    for (int i = 0; i < BATTERYLIFE_LENGTHS; i++)
        for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
            const struct drive_life *l = &life->life[i][j];

            json_array_append_new(
                rows,
                json_pack("{s:f, s:f, s:o, s:o, s:o, s:o, s:o, s:s}", "pulse_s", life->length_s[i],
                          "period_s", life->period_s[j], "reached_a",
                          printing_number(l->fresh.end_a), "charge_c",
                          printing_number(l->fresh.charge_c), "days", printing_number(l->days),
                          "low_days", printing_number(l->low_days), "high_days",
                          printing_number(l->high_days), "limit", drive_limit_words(l->limit)));
        }
    return printing_json(
        a->context, NAME,
        json_pack("{s:s, s:i, s:f, s:f, s:f, s:o}", "cell", life->battery.kind->name, "cells",
                  life->battery.series, "coil_ohm", life->circuit.coil_ohm, "coil_h",
                  life->circuit.coil_h, "temperature_c", life->temperature, "rows", rows));
}

static int life_table(const struct asking *a)
{
    struct batterylife *life = malloc(sizeof *life);
    struct status st;
    struct table *t;
    char text[160], key[32];
    bool shelf = false;

    if (!life)
        return command_wrong(a->context, NAME, "no memory");
    if (life_input(a, life, &st) != STATUS_OK) {
        free(life);
        return command_failed(a->context, NAME, &st);
    }
    if (a->context->form == COMMAND_JSON) {
        int result = life_json(a, life);

        free(life);
        return result;
    }
    snprintf(text, sizeof text, "%d x %s on %.3g Ω, %.3g H, %.0f °C: days by length of pulse",
             life->battery.series, life->battery.kind->name, life->circuit.coil_ohm,
             life->circuit.coil_h, life->temperature);
    t = table_new(text);
    if (!t) {
        free(life);
        return command_wrong(a->context, NAME, "no memory");
    }
    table_column(t, TABLE_NAME, "pulse", "pulse", "ms");
    table_column(t, TABLE_NAME, "reached", "reaches", "mA");
    table_column(t, TABLE_NAME, "charge", "takes", "mC");
    for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
        snprintf(key, sizeof key, "days_%g", life->period_s[j]);
        snprintf(text, sizeof text, "every %g s", life->period_s[j]);
        table_column(t, TABLE_NAME, key, text, "days");
    }
    for (int i = 0; i < BATTERYLIFE_LENGTHS; i++) {
        const struct drive_life *first = &life->life[i][0];

        table_row(t);
        table_textf(t, "%.0f", 1e3 * life->length_s[i]);
        table_textf(t, "%.1f", 1e3 * first->fresh.end_a);
        table_textf(t, "%.2f", 1e3 * first->fresh.charge_c);
        for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
            life_cell(t, &life->life[i][j]);
            shelf = shelf || life->life[i][j].limit == DRIVE_SHELF;
        }
    }
    table_note(t, "In brackets the 95 % interval, mostly from the cell's capacity. Halving the "
                  "pulse nearly doubles the life, until the current no longer rises in time.");
    if (shelf)
        table_note(t, "* the shelf life of the cell comes first.");
    table_note(t, life->battery.kind->caution);
    free(life);
    return printing_table(a->context, NAME, t);
}

/* ---- the whole ---- */

static int draw(const struct asking *a, struct store *store, const struct batterybook *book)
{
    struct report_error error;
    struct status st;
    struct plot *plot = batterydraw(store, book, &st);
    bool drawn;

    if (!plot)
        return command_failed(a->context, NAME, &st);
    drawn = plot_write(plot, a->plot, &error);
    plot_free(plot);
    return drawn ? COMMAND_DONE : command_wrong(a->context, NAME, "%s", error.text);
}

static int watch(const struct asking *a, struct store *store)
{
    struct batterybook *book;
    struct status st;
    char said[STORE_NAME_MAX + 80];
    int result;

    if (batterybook_load(store, a->site, a->at, &a->alarm, &book, &st) != STATUS_OK)
        return command_failed(a->context, NAME, &st);
    if (a->confirm || a->dismiss) {
        bool done = settle_change(a, store, book, said, sizeof said, &st) == STATUS_OK;

        batterybook_free(book);
        if (!done)
            return command_failed(a->context, NAME, &st);
        fprintf(a->context->out, "%s\n", said);
        return COMMAND_DONE;
    }
    result = show(a, book);
    if (result == COMMAND_DONE && a->plot)
        result = draw(a, store, book);
    if (result == COMMAND_DONE && a->note && note_all(store, book, &st) != STATUS_OK)
        result = command_failed(a->context, NAME, &st);
    if (result == COMMAND_DONE && a->alarmed) {
        if (batterybook_alarming(book->state))
            result = COMMAND_FAIL;
        else if (book->state != BATTERYBOOK_FINE)
            result = COMMAND_UNDECIDED;
    }
    batterybook_free(book);
    return result;
}

static int record_and_say(struct asking *a, struct store *store)
{
    struct status st;

    if (store_begin(store, &st) != STATUS_OK)
        return command_failed(a->context, NAME, &st);
    if (record(a, store, &st) != STATUS_OK) {
        store_end(store, false, NULL);
        return command_failed(a->context, NAME, &st);
    }
    if (store_end(store, true, &st) != STATUS_OK)
        return command_failed(a->context, NAME, &st);
    if (a->fit) {
        const struct cell_kind *kind = cell_kind(a->fit);

        fprintf(a->context->out, "%s: %ld x %s recorded as fitted. %s\n", a->site, a->cells,
                kind->name, kind->caution);
    } else {
        fprintf(a->context->out, "%s: recorded\n", a->site);
    }
    return COMMAND_DONE;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct asking a = {.context = context,
                       .figures = {.ohm = NAN,
                                   .henry = NAN,
                                   .pulse = NAN,
                                   .pulse_u = NAN,
                                   .period = NAN,
                                   .standby = NAN,
                                   .end = NAN},
                       .price = NAN,
                       .capacity = NAN,
                       .ambient = NAN,
                       .alarm = {WITHIN_S, SILENT_S}};
    struct store *store;
    struct status st;
    int option, result;
    bool write;

    opterr = 0;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        if (option == '?')
            return command_wrong(context, NAME, "there is no option '%s', or it lacks its value",
                                 argv[optind - 1]);
        if (read_option(&a, option, &st) != STATUS_OK)
            return command_failed(context, NAME, &st);
    }
    if (argc - optind > 1)
        return command_wrong(context, NAME, "expected one site; '%s' is one word too many",
                             argv[optind + 1]);
    a.site = optind < argc ? argv[optind] : NULL;
    if (a.life)
        return life_table(&a);
    if (!a.site && (a.setup || a.fit || a.confirm || a.dismiss || a.alarmed || a.note || a.plot))
        return command_wrong(context, NAME, "which site? SITE comes first");
    if (a.confirm && a.dismiss)
        return command_wrong(context, NAME, "--confirm and --dismiss exclude each other");
    write = a.setup || a.fit || a.confirm || a.dismiss || a.note;
    store = command_open(context, NAME, write);
    if (!store)
        return COMMAND_WRONG;
    if (!a.site || a.history)
        result = list(&a, store);
    else if (a.setup || a.fit)
        result = record_and_say(&a, store);
    else
        result = watch(&a, store);
    store_close(store, NULL);
    return result;
}

const struct command command_battery = {
    .name = NAME,
    .summary = "a site's battery: its record, its trend, when it will end",
    .usage = "[SITE [OPTION ...]] | --life-table [DESIGN|COIL] [OPTION ...]",
    .help =
        "Alone: every battery recorded. With a site: its voltages, resistance, charge used, and\n"
        "the days left with 50 % and 90 % intervals, or that it is too early to tell.\n\n"
        "The site (once):\n"
        "  --unloaded CH  --loaded CH  --temperature CH  --pulses CH   channels that watch it\n"
        "  --coil NAME | --coil-ohm R --inductance L    what it works\n"
        "  --pulse '0.3 s +- 0.02 s'  --every '14 s'  --standby I  --end V (of one cell)\n"
        "A battery put in:\n"
        "  --fit LR20 --cells 2 [--on DATE] [--price P] [--capacity '18 A hour'] [--remark TEXT]\n"
        "A change found from the voltage:  --confirm | --dismiss\n"
        "To be told (cron, systemd timer):\n"
        "  --alarm TIME   exit 1 when it may not last so long (1 in 20), is spent, has a bad\n"
        "                 joint or is silent; 3 when that cannot be told\n"
        "  --silent TIME  no reading for so long is silent (2 days)\n"
        "  --note         store alarms and changes found as events\n"
        "To look:  --plot FILE.svg|.png|.ps   --history   --at DATE (as it was known then)\n\n"
        "--life-table: days of life by length and period of the pulses, from a design, a coil or\n"
        "  --coil-ohm R --inductance L, with --cell LR20 --cells N --every T --ambient T\n\n"
        "example: truewound battery weir-signal --alarm '14 days' --note\n",
    .run = run,
};
