/* take: waits until a channel is steady and notes its value for a coil. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/conditions.h"
#include "analyze/daemonlink.h"
#include "analyze/kinds.h"
#include "analyze/printing.h"
#include "analyze/sitting.h"
#include "analyze/steady.h"
#include "db/quantity.h"
#include "db/store_coil.h"
#include "db/store_evidence.h"
#include "db/store_read.h"

#define NAME "take"

/* What an overload says when the instrument does not tell its range, by the kind's SI unit. */
#define OVERLOAD_OHM 1e3

/* A channel without a reading for so long is not being polled. */
#define SILENT_US 3000000

struct taking {
    struct command_context *context;
    const struct kind *kind;
    struct conditions conditions;
    struct steady_options steady;
    const char *channel_name;
    const char *voltage_name;
    const char *temperature_name;
    const char *remark;
    int64_t channel;
    struct steady_value value;
};

/* The value of another channel over the same readings, for the conditions. */
static enum status_code beside(struct store *store, int64_t channel, const struct steady_value *v,
                               double *value, double *u, struct status *st)
{
    struct store_window window;
    /* slow channels: look a little further to both sides */
    int64_t margin = 3000000;
    enum status_code code =
        store_read_window(store, channel, v->from - margin, v->to + margin,
                          STORE_FLAG_OVERLOAD | STORE_FLAG_MIN | STORE_FLAG_MAX, &window, st);

    if (code != STATUS_OK || window.n == 0)
        return code;
    *value = window.mean;
    *u = window.n > 1 ? window.sd / sqrt((double)window.n) : NAN;
    return STATUS_OK;
}

/* Voltage across the coil for a current, and the temperature of the place, when the bench measures
 * them; a person's own figure counts more. */
static enum status_code put_conditions(struct taking *t, struct store *store, struct status *st)
{
    struct conditions *c = &t->conditions;
    int64_t instrument = 0;
    int64_t other;
    enum status_code code = steady_instrument(store, t->channel, &instrument, c, st);
    struct status quiet;

    if (code == STATUS_OK && strcmp(t->kind->word, "current") == 0 && !isfinite(c->voltage)) {
        code = steady_channel(store, t->voltage_name, "voltage", instrument, &other, st);
        if (code == STATUS_OK)
            code = beside(store, other, &t->value, &c->voltage, &c->voltage_u, st);
        if (code != STATUS_OK)
            return status_prefix(st, "a current says nothing without the voltage across the coil "
                                     "(--voltage, --voltage-channel)");
        if (!isfinite(c->voltage))
            return status_fail(st, STATUS_INPUT,
                               "no voltage was measured beside this current; give --voltage");
    }
    if (code == STATUS_OK && !isfinite(c->temperature) &&
        strcmp(t->kind->word, "temperature") != 0) {
        if (steady_channel(store, t->temperature_name, "temperature", instrument, &other, &quiet) ==
            STATUS_OK)
            code = beside(store, other, &t->value, &c->temperature, &c->temperature_u, st);
        else if (t->temperature_name)
            return status_fail(st, quiet.code, "%s", quiet.text);
        if (isfinite(c->temperature)) /* a thermistor or probe is rarely better than this */
            c->temperature_u = fmax(isfinite(c->temperature_u) ? c->temperature_u : 0.0, 0.7);
    }
    return code;
}

static enum status_code store_value(struct taking *t, struct store *store, const char *name,
                                    const char *place, int64_t *id, struct status *st)
{
    struct coilbook_entry *entry = malloc(sizeof *entry);
    struct store_observation o = {.quantity = t->kind->quantity,
                                  .place = place,
                                  .value = t->value.value,
                                  .u = t->value.u,
                                  .channel = t->channel,
                                  .from = t->value.from,
                                  .to = t->value.to,
                                  .n = t->value.n,
                                  .remark = t->remark};
    char *text;
    enum status_code code;

    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    snprintf(t->conditions.kind, sizeof t->conditions.kind, "%s", t->kind->word);
    if (t->value.overload) {
        t->conditions.bound = CONDITIONS_ABOVE;
        if (!isfinite(o.value))
            o.value = OVERLOAD_OHM;
    }
    t->conditions.accuracy_rel = t->value.accuracy_rel;
    t->conditions.accuracy_abs = t->value.accuracy_abs;
    t->conditions.resolution = t->value.resolution;
    t->conditions.doubtful = t->value.doubtful;
    text = conditions_text(&t->conditions);
    o.conditions = text;
    code = text ? coilbook_load(t->context->units, store, name, entry, st)
                : status_fail(st, STATUS_MEMORY, "no memory");
    if (code == STATUS_OK)
        code = store_begin(store, st);
    if (code == STATUS_OK) {
        o.coil = entry->coil;
        code = sitting_join(store, entry, &o.run, st);
        if (code == STATUS_OK)
            code = store_evidence_add_observation(store, &o, id, st);
        if (code == STATUS_OK)
            code = store_end(store, true, st);
        else
            store_end(store, false, NULL);
    }
    free(text);
    free(entry);
    return code;
}

/* A channel that is measured only when asked for is asked for, and let go afterwards. */
static enum status_code take_steady(struct taking *t, struct store *store, struct status *st)
{
    struct store_reading latest;
    struct status quiet;
    bool asked = false;
    enum status_code code;

    if (t->channel_name &&
        (store_read_latest(store, t->channel, &latest, &quiet) != STATUS_OK ||
         store_now() - latest.time > SILENT_US) &&
        daemonlink_select(t->context->database, t->channel_name, &quiet) == STATUS_OK)
        asked = true;
    code = steady_take(store, t->channel, &t->steady, &t->value, st);
    if (asked) {
        char instrument[CONDITIONS_WORD_SIZE];

        snprintf(instrument, sizeof instrument, "%.*s", (int)strcspn(t->channel_name, "."),
                 t->channel_name);
        daemonlink_release(t->context->database, instrument, &quiet);
    }
    return code;
}

static enum status_code read_options(struct taking *t, int argc, char **argv, struct status *st)
{
    enum {
        CHANNEL = 1000,
        WIRES,
        KEEPER,
        GAP,
        VOLTAGE,
        TEMPERATURE,
        CURRENT,
        SOURCE,
        VOLTAGE_CHANNEL,
        TEMPERATURE_CHANNEL,
        TIMEOUT,
        STRETCH,
        REMARK
    };
    static const struct option options[] = {
        {"channel", required_argument, NULL, CHANNEL},
        {"wires", required_argument, NULL, WIRES},
        {"keeper", required_argument, NULL, KEEPER},
        {"gap", required_argument, NULL, GAP},
        {"voltage", required_argument, NULL, VOLTAGE},
        {"temperature", required_argument, NULL, TEMPERATURE},
        {"current", required_argument, NULL, CURRENT},
        {"source-resistance", required_argument, NULL, SOURCE},
        {"voltage-channel", required_argument, NULL, VOLTAGE_CHANNEL},
        {"temperature-channel", required_argument, NULL, TEMPERATURE_CHANNEL},
        {"timeout", required_argument, NULL, TIMEOUT},
        {"stretch", required_argument, NULL, STRETCH},
        {"remark", required_argument, NULL, REMARK},
        {NULL, 0, NULL, 0}};
    struct conditions *c = &t->conditions;
    struct units *units = t->context->units;
    int option;
    char *end;

    opterr = 0;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case CHANNEL:
            t->channel_name = optarg;
            break;
        case WIRES:
            c->wires = strtod(optarg, &end);
            if (*end || (c->wires != 2.0 && c->wires != 4.0))
                return status_fail(st, STATUS_INPUT, "--wires: read '%s', expected 2 or 4", optarg);
            break;
        case KEEPER:
            if (strcmp(optarg, "on") != 0 && strcmp(optarg, "off") != 0)
                return status_fail(st, STATUS_INPUT, "--keeper: read '%s', expected on or off",
                                   optarg);
            c->keeper = strcmp(optarg, "on") == 0 ? CONDITIONS_YES : CONDITIONS_NO;
            break;
        case GAP:
            code = units_parse(units, optarg, "m", &c->gap, st);
            break;
        case VOLTAGE:
            code = units_parse(units, optarg, "V", &c->voltage, st);
            break;
        case TEMPERATURE:
            code = units_parse(units, optarg, "K", &c->temperature, st);
            break;
        case CURRENT:
            code = units_parse(units, optarg, "A", &c->current, st);
            break;
        case SOURCE:
            code = units_parse(units, optarg, "ohm", &c->source_ohm, st);
            break;
        case VOLTAGE_CHANNEL:
            t->voltage_name = optarg;
            break;
        case TEMPERATURE_CHANNEL:
            t->temperature_name = optarg;
            break;
        case TIMEOUT:
            code = units_parse(units, optarg, "s", &t->steady.timeout, st);
            break;
        case STRETCH:
            code = units_parse(units, optarg, "s", &t->steady.stretch, st);
            break;
        case REMARK:
            t->remark = optarg;
            break;
        default:
            return status_fail(st, STATUS_INPUT,
                               "there is no option '%s', or it lacks its value; "
                               "'truewound help take' lists them",
                               argv[optind - 1]);
        }
        if (code != STATUS_OK)
            return status_prefix(st, "--%s", options[option - CHANNEL].name);
    }
    return STATUS_OK;
}

static int print_taken(const struct taking *t, const char *place, int64_t id)
{
    const struct command_context *context = t->context;
    char shown[UNITS_FORMAT_SIZE];

    if (context->form == COMMAND_JSON)
        return printing_json(
            context, NAME,
            json_pack("{s:I, s:s, s:s, s:b, s:o, s:o, s:I}", "entry", (json_int_t)id, "kind",
                      t->kind->word, "place", place, "overload", t->value.overload, "value",
                      printing_number(t->value.value), "u", printing_number(t->value.u), "readings",
                      (json_int_t)t->value.n));
    if (t->value.overload)
        fprintf(context->out, "noted as entry %lld: %s of %s, beyond the range of the instrument\n",
                (long long)id, t->kind->word, kinds_place_words(place));
    else
        fprintf(context->out, "noted as entry %lld: %s of %s, %s from %lld readings\n",
                (long long)id, t->kind->word, kinds_place_words(place),
                units_format(shown, sizeof shown, t->value.value, t->value.u,
                             quantity_find(t->kind->quantity)),
                (long long)t->value.n);
    return COMMAND_DONE;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct taking t = {.context = context, .steady = steady_options_default()};
    struct store *store;
    struct status st;
    int64_t id = 0;
    enum status_code code;

    conditions_init(&t.conditions);
    if (argc < 4 || argv[1][0] == '-' || argv[2][0] == '-' || argv[3][0] == '-')
        return command_wrong(context, NAME, "expected NAME PLACE KIND and then options");
    t.kind = kinds_find(argv[3]);
    if (!t.kind || strcmp(t.kind->word, "lift") == 0 || strcmp(t.kind->word, "polarity") == 0)
        return command_wrong(context, NAME,
                             "'%s' cannot be taken from a channel; 'truewound help take'", argv[3]);
    if (!kinds_place_fits(t.kind, argv[2]))
        return command_wrong(context, NAME, "place '%s' has no %s; expected one of: %s", argv[2],
                             t.kind->word, t.kind->places);
    if (read_options(&t, argc - 3, argv + 3, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (3 + optind != argc)
        return command_wrong(context, NAME, "'%s' is one word too many", argv[3 + optind]);
    store = command_open(context, NAME, false); /* it must exist: the daemon makes it */
    if (!store)
        return COMMAND_WRONG;
    store_close(store, NULL);
    store = command_open(context, NAME, true);
    if (!store)
        return COMMAND_WRONG;
    code = store_coil_find(store, argv[1], &id, &st);
    if (code == STATUS_OK)
        code = steady_channel(store, t.channel_name, t.kind->quantity, 0, &t.channel, &st);
    if (code == STATUS_OK)
        code = take_steady(&t, store, &st);
    if (code == STATUS_OK && t.value.overload && strcmp(t.kind->quantity, "resistance") != 0)
        code =
            status_fail(&st, STATUS_INPUT, "the instrument shows overload: choose a wider range");
    if (code == STATUS_OK)
        code = put_conditions(&t, store, &st);
    if (code == STATUS_OK)
        code = store_value(&t, store, argv[1], argv[2], &id, &st);
    store_close(store, NULL);
    return code == STATUS_OK ? print_taken(&t, argv[2], id) : command_failed(context, NAME, &st);
}

const struct command command_take = {
    .name = NAME,
    .summary = "wait until a reading is steady and note it for a coil",
    .usage = "NAME PLACE KIND [OPTION ...]",
    .help =
        "Takes KIND (resistance, current, wire-mass, pull ...) of PLACE (limb-a, limb-b, pair,\n"
        "core, room) from a channel of the bench, once it is steady. Clip the leads on first:\n"
        "only readings from now on count.\n\n"
        "  --channel C              which channel, when several send that quantity\n"
        "  --wires 2|4              how a resistance is connected (2)\n"
        "  --voltage V              across the coil, or --voltage-channel C, of a current\n"
        "  --temperature T          of the room, or --temperature-channel C\n"
        "  --keeper on|off --gap X --current I --source-resistance R\n"
        "  --timeout T (60 s)  --stretch T (2 s)  --remark TEXT\n\n"
        "example: truewound take arm-1 limb-a resistance --wires 4\n",
    .run = run,
};
