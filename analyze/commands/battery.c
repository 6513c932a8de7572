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
#include "analyze/batterynote.h"
#include "analyze/batteryshow.h"
#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/designfile.h"
#include "analyze/printing.h"
#include "db/store_bench.h"
#include "db/store_coil.h"

#define NAME "battery"

#define DAY           86400.0
#define WITHIN_S      (14.0 * DAY)
#define SILENT_S      (2.0 * DAY)
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

/* ---- lists ---- */

static int battery_row(const struct store_battery *b, void *user)
{
    struct table *t = user;
    char day[32];

    table_row(t);
    table_text(t, b->site);
    table_textf(t, "%lld x %s", (long long)b->cells, b->type);
    table_text(t, batteryshow_date(day, (double)b->fitted / 1e6));
    if (b->changed) {
        table_text(t, batteryshow_date(day, (double)b->changed / 1e6));
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
        struct design *design = calloc(1, sizeof *design);

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

static int life_table(const struct asking *a)
{
    struct batterylife *life = malloc(sizeof *life);
    struct status st;
    struct table *t;
    json_t *json;

    if (!life)
        return command_wrong(a->context, NAME, "no memory");
    if (life_input(a, life, &st) != STATUS_OK) {
        free(life);
        return command_failed(a->context, NAME, &st);
    }
    if (a->context->form == COMMAND_JSON) {
        json = batterylife_json(life);
        free(life);
        return printing_json(a->context, NAME, json);
    }
    t = batterylife_table(life);
    free(life);
    if (!t)
        return command_wrong(a->context, NAME, "no memory");
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

static int show(const struct asking *a, const struct batterybook *book)
{
    struct table *t;

    if (a->context->form == COMMAND_JSON)
        return printing_json(a->context, NAME, batteryshow_json(book));
    t = batteryshow_table(book);
    if (!t)
        return command_wrong(a->context, NAME, "no memory");
    if (a->context->form == COMMAND_TEXT && table_rows(t) == 0) { /* a head over nothing */
        table_free(t);
        fprintf(a->context->out, "%s: %s\n", book->name, book->word);
        return COMMAND_DONE;
    }
    return printing_table(a->context, NAME, t);
}

static int watch(const struct asking *a, struct store *store)
{
    struct batterybook_past *past;
    struct batterybook *book;
    struct status st;
    enum status_code code;
    char said[STORE_NAME_MAX + 80];
    int result;

    if (batterybook_past(store, &past, &st) != STATUS_OK)
        return command_failed(a->context, NAME, &st);
    code = batterybook_load(store, a->site, a->at, &a->alarm, past, &book, &st);
    batterybook_past_free(past);
    if (code != STATUS_OK)
        return command_failed(a->context, NAME, &st);
    if (a->confirm || a->dismiss) {
        bool done =
            batterynote_settle(store, book, a->confirm, said, sizeof said, &st) == STATUS_OK;

        batterybook_free(book);
        if (!done)
            return command_failed(a->context, NAME, &st);
        fprintf(a->context->out, "%s\n", said);
        return COMMAND_DONE;
    }
    result = show(a, book);
    if (result == COMMAND_DONE && a->plot)
        result = draw(a, store, book);
    if (result == COMMAND_DONE && a->note && batterynote_all(store, book, &st) != STATUS_OK)
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

        fprintf(a->context->out, "%s: %ld x %s recorded as fitted\n", a->site, a->cells,
                kind->name);
        printing_paragraph(a->context->out, 2, 2, kind->caution);
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
    .tables = true,
    .json = true,
    .run = run,
};
