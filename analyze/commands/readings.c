/* readings: what the daemon stored: channels, values, events. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/flagwords.h"
#include "analyze/livetext.h"
#include "analyze/printing.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_read.h"

#define NAME "readings"

#define LAST_STANDARD_S 600.0
#define ROWS_MAX        100000

struct listing {
    struct store *store;
    struct table *table;
    bool apart; /* for programs: value, u and unit in columns of their own */
    const struct quantity *quantity;
    double digit;                         /* SI, one digit of the channel listed; NaN not known */
    const char *instrument;               /* whose channels are being listed */
    struct store_calibration calibration; /* of the reading before; id 0 none yet */
    int64_t left;                         /* rows still to be printed */
    bool cut;
};

static void flag_cell(struct table *table, uint32_t bits)
{
    char text[FLAGWORDS_SIZE];

    table_text(table, flagwords_text(text, sizeof text, bits));
}

/* The value in the unit a person is shown. */
static double shown(const struct quantity *quantity, double value)
{
    return quantity ? value * quantity->shown_scale + quantity->shown_offset : value;
}

static int channel_row(const struct store_channel *row, void *user)
{
    struct listing *listing = user;
    const struct quantity *quantity = quantity_find(row->quantity);
    struct store_reading latest;
    struct status st;
    char time[32];
    char value[UNITS_FORMAT_SIZE];

    table_row(listing->table);
    table_textf(listing->table, "%s.%s", listing->instrument, row->name);
    table_text(listing->table, row->quantity);
    if (store_read_latest(listing->store, row->id, &latest, &st) == STATUS_OK) {
        double u = livetext_u_of(listing->store, &latest, row->resolution);

        if (listing->apart) {
            table_figure(listing->table, latest.value, NAN);
            table_figure(listing->table, u, NAN);
            table_text(listing->table, quantity ? quantity->unit : NULL);
        } else {
            if (latest.flags & STORE_FLAG_OVERLOAD && !isfinite(latest.value))
                snprintf(value, sizeof value, "beyond range");
            else if (isfinite(u))
                units_format(value, sizeof value, latest.value, u, quantity);
            else
                livetext_make(value, latest.value, row->resolution, quantity);
            table_text(listing->table, value);
        }
        store_time_text(time, sizeof time, latest.time);
        if (!listing->apart)
            time[strlen("2026-11-25 17:37")] = '\0'; /* the seconds take a terminal's room */
        table_text(listing->table, time);
        flag_cell(listing->table, latest.flags);
    }
    return 0;
}

static int instrument_rows(const struct store_instrument *row, void *user)
{
    struct listing *listing = user;
    struct status st;

    listing->instrument = row->name;
    return store_bench_channels(listing->store, row->id, channel_row, listing, &st) != STATUS_OK;
}

/* Begins a row; false when no more are wanted. */
static bool next_row(struct listing *listing)
{
    listing->cut = listing->left-- <= 0;
    if (!listing->cut)
        table_row(listing->table);
    return !listing->cut;
}

/* Rows of one channel mostly share a calibration. */
static double row_u(struct listing *listing, const struct store_reading *row)
{
    struct status st;

    if (!row->calibration)
        return NAN;
    if (listing->calibration.id != row->calibration &&
        store_bench_calibration_by_id(listing->store, row->calibration, &listing->calibration,
                                      &st) != STATUS_OK)
        return NAN;
    return livetext_u(&listing->calibration, row, listing->digit);
}

static int reading_row(const struct store_reading *row, void *user)
{
    struct listing *listing = user;
    double scale = listing->quantity ? listing->quantity->shown_scale : 1.0;
    char time[32];

    if (!next_row(listing))
        return 1;
    table_textf(listing->table, "%s.%03d", store_time_text(time, sizeof time, row->time),
                (int)(row->time / 1000 % 1000));
    table_digits(listing->table, shown(listing->quantity, row->value),
                 listing->quantity ? listing->digit * scale : NAN);
    table_figure(listing->table, row_u(listing, row) * scale, NAN);
    flag_cell(listing->table, row->flags);
    return 0;
}

static int event_row(const struct store_event *row, void *user)
{
    struct listing *listing = user;
    char time[32];

    if (!next_row(listing))
        return 1;
    table_text(listing->table, store_time_text(time, sizeof time, row->time));
    table_text(listing->table, row->kind);
    table_text(listing->table, row->text);
    return 0;
}

static int keep_channel(const struct store_channel *row, void *user)
{
    struct listing *listing = user;

    listing->quantity = quantity_find(row->quantity);
    listing->digit = row->resolution;
    return 1;
}

static enum status_code list_channels(struct listing *listing, struct status *st)
{
    table_column(listing->table, TABLE_NAME, "channel", "channel", NULL);
    table_column(listing->table, TABLE_NAME, "quantity", "quantity", NULL);
    if (listing->apart) {
        table_column(listing->table, TABLE_FIGURE, "latest", "latest", NULL);
        table_column(listing->table, TABLE_FIGURE, "u", "u", NULL);
        table_column(listing->table, TABLE_TEXT, "unit", "unit", NULL);
    } else {
        table_column(listing->table, TABLE_NAME, "latest", "latest ± u", NULL);
    }
    table_column(listing->table, TABLE_TEXT, "time", "at", "UTC");
    table_column(listing->table, TABLE_TEXT, "flags", "flags", NULL);
    return store_bench_instruments(listing->store, instrument_rows, listing, st);
}

static enum status_code list_readings(struct listing *listing, const char *name, int64_t from,
                                      int64_t to, struct status *st)
{
    int64_t channel;
    enum status_code code = store_bench_find_channel(listing->store, name, &channel, st);

    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no channel '%s'; 'truewound readings' shows them",
                           name);
    if (code == STATUS_OK)
        code = store_bench_channel(listing->store, channel, keep_channel, listing, st);
    if (code != STATUS_OK)
        return code;
    table_column(listing->table, TABLE_NAME, "time", "time", "UTC");
    table_column(listing->table, TABLE_FIGURE, "value",
                 listing->quantity ? listing->quantity->name : "value",
                 listing->quantity ? listing->quantity->symbol : NULL);
    table_column(listing->table, TABLE_FIGURE, "u", "u",
                 listing->quantity ? listing->quantity->symbol : NULL);
    table_column(listing->table, TABLE_TEXT, "flags", "flags", NULL);
    return store_read_range(listing->store, channel, from, to, reading_row, listing, st);
}

static enum status_code list_events(struct listing *listing, int64_t from, int64_t to,
                                    struct status *st)
{
    table_column(listing->table, TABLE_NAME, "time", "time", "UTC");
    table_column(listing->table, TABLE_NAME, "kind", "event", NULL);
    table_column(listing->table, TABLE_TEXT, "text", "what happened", NULL);
    return store_read_events(listing->store, from, to, 0, NULL, event_row, listing, st);
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { EVENTS = 1000, LAST, ROWS };
    static const struct option options[] = {{"events", no_argument, NULL, EVENTS},
                                            {"last", required_argument, NULL, LAST},
                                            {"rows", required_argument, NULL, ROWS},
                                            {NULL, 0, NULL, 0}};
    struct listing listing = {.left = ROWS_MAX, .apart = context->form != COMMAND_TEXT};
    struct status st;
    bool events = false;
    double last = LAST_STANDARD_S;
    int64_t to = store_now() + 1;
    int64_t from;
    enum status_code code;
    char *end;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case EVENTS:
            events = true;
            break;
        case LAST:
            if (units_parse(context->units, optarg, "s", &last, &st) != STATUS_OK)
                return command_failed(context, NAME, &st);
            break;
        case ROWS:
            listing.left = strtoll(optarg, &end, 10);
            if (*end || listing.left < 1 || listing.left > ROWS_MAX)
                return command_wrong(context, NAME, "--rows: read '%s', expected 1 to %d", optarg,
                                     ROWS_MAX);
            break;
        default:
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (argc - optind > 1 || (events && argc > optind))
        return command_wrong(context, NAME, "expected one channel, --events, or nothing");
    from = last < 1e11 ? to - (int64_t)(last * 1e6) : 0;
    listing.store = command_open(context, NAME, false);
    if (!listing.store)
        return COMMAND_WRONG;
    listing.table = table_new(NULL);
    if (!listing.table)
        code = status_fail(&st, STATUS_MEMORY, "no memory");
    else if (events)
        code = list_events(&listing, from, to, &st);
    else if (optind < argc)
        code = list_readings(&listing, argv[optind], from, to, &st);
    else
        code = list_channels(&listing, &st);
    if (code == STATUS_OK && table_rows(listing.table) == 0)
        table_note(listing.table, optind < argc || events
                                      ? "none in that time; --last '1 day' looks further back"
                                      : "nothing was measured yet; truewoundd stores readings");
    if (!events && table_rows(listing.table))
        table_note(listing.table, "u is one standard uncertainty by the accuracy that the bench "
                                  "file states; none where it states none");
    if (listing.cut)
        table_note(listing.table, "more rows follow; --rows and --last choose");
    store_close(listing.store, NULL);
    if (code != STATUS_OK) {
        table_free(listing.table);
        return command_failed(context, NAME, &st);
    }
    return printing_table(context, NAME, listing.table);
}

const struct command command_readings = {
    .name = NAME,
    .summary = "what was stored: channels, readings, events",
    .usage = "[CHANNEL | --events] [--last TIME] [--rows N]",
    .help = "Without a channel: every instrument and channel with its latest reading. With one\n"
            "(instrument.channel): its readings of the last ten minutes, or of --last.\n\n"
            "example: truewound readings meter.resistance --last '1 hour'\n",
    .tables = true,
    .json = true,
    .run = run,
};
