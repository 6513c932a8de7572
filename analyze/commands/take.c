/* take: waits until a channel is steady and notes its value for a coil. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/kinds.h"
#include "analyze/printing.h"
#include "analyze/steady.h"
#include "analyze/taking.h"
#include "analyze/twin.h"
#include "analyze/wiring.h"
#include "db/quantity.h"
#include "db/store_coil.h"

#define NAME "take"

struct take {
    struct command_context *context;
    struct taking taking;
    char ohmmeter[WIRING_NAME_SIZE];
    char twin[TWIN_SIZE]; /* what to ask about the reading */
};

static enum status_code read_options(struct take *take, int argc, char **argv, struct status *st)
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
    struct taking *t = &take->taking;
    struct conditions *c = &t->conditions;
    struct units *units = take->context->units;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case CHANNEL:
            t->channel_name = optarg;
            break;
        case WIRES:
            code = conditions_read_wires(c, optarg, st);
            break;
        case KEEPER:
            code = conditions_read_keeper(c, optarg, st);
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
            return command_option_wrong(NAME, argv, option, st);
        }
        if (code != STATUS_OK)
            return status_prefix(st, "--%s", options[option - CHANNEL].name);
    }
    return STATUS_OK;
}

static int print_taken(const struct take *take, const char *place, int64_t id)
{
    const struct command_context *context = take->context;
    const struct taking *t = &take->taking;
    char shown[UNITS_FORMAT_SIZE];
    /* The maker's limits, as rectangles (JCGM 100, 4.3.7), beside the scatter; as evidence does. */
    double u = hypot(
        t->value.u, hypot(t->value.accuracy_rel * t->value.value, t->value.accuracy_abs) / sqrt(3));

    if (isfinite(t->value.resolution))
        u = hypot(u, t->value.resolution / sqrt(12));
    if (context->form == COMMAND_JSON)
        return printing_json(context, NAME,
                             json_pack("{s:I, s:s, s:s, s:b, s:o, s:o, s:o, s:s, s:I}", "entry",
                                       (json_int_t)id, "kind", t->kind->word, "place", place,
                                       "overload", t->value.overload, "value",
                                       printing_number(t->value.value), "u", printing_number(u),
                                       "scatter", printing_number(t->value.u), "unit",
                                       t->kind->dimension, "readings", (json_int_t)t->value.n));
    if (t->value.overload)
        fprintf(context->out, "noted as entry %lld: %s of %s, beyond the range of the instrument\n",
                (long long)id, t->kind->word, kinds_place_words(place));
    else
        fprintf(
            context->out, "noted as entry %lld: %s of %s, %s from %lld readings\n", (long long)id,
            t->kind->word, kinds_place_words(place),
            units_format(shown, sizeof shown, t->value.value, u, quantity_find(t->kind->quantity)),
            (long long)t->value.n);
    if (take->twin[0])
        printing_paragraph(context->out, 2, 4, take->twin);
    if (!t->value.overload && isnan(u))
        printing_paragraph(context->out, 2, 4,
                           "How far the instrument can be trusted is not known: give its channel "
                           "an 'accuracy' in the bench file (truewound-bench(5)).");
    return COMMAND_DONE;
}

/* Which channel, and with how many wires, of a resistance; an insulation is taken by the channel
 * that is called so, which has a range of its own. */
static enum status_code settle_ohmmeter(struct take *take, struct store *store, struct status *st)
{
    struct taking *t = &take->taking;
    int wires = isfinite(t->conditions.wires) ? (int)t->conditions.wires : 0;
    enum status_code code;

    if (strcmp(t->kind->word, "insulation") == 0 && !t->channel_name &&
        steady_channel_called(store, "insulation", take->ohmmeter, sizeof take->ohmmeter))
        t->channel_name = take->ohmmeter;
    if (strcmp(t->kind->word, "resistance") != 0)
        return STATUS_OK;
    snprintf(take->ohmmeter, sizeof take->ohmmeter, "%s", t->channel_name ? t->channel_name : "");
    code = wiring_settle(take->context->database, take->ohmmeter, &wires, st);
    if (*take->ohmmeter)
        t->channel_name = take->ohmmeter;
    if (wires)
        t->conditions.wires = wires;
    return code;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct take take = {.context = context};
    struct taking *t = &take.taking;
    struct store *store;
    struct status st;
    int64_t id = 0;
    enum status_code code;

    taking_init(t);
    if (argc < 4 || argv[1][0] == '-' || argv[2][0] == '-' || argv[3][0] == '-')
        return command_wrong(context, NAME,
                             "expected NAME PLACE KIND and then options, such as: arm-1 limb-a "
                             "resistance");
    t->kind = kinds_find(argv[3]);
    if (!t->kind || strcmp(t->kind->word, "lift") == 0 || strcmp(t->kind->word, "polarity") == 0)
        return command_wrong(
            context, NAME,
            "'%s' is no figure that a channel gives; 'truewound help take' lists them, "
            "'truewound observe' types one in",
            argv[3]);
    if (!kinds_place_fits(t->kind, argv[2]))
        return command_wrong(context, NAME, "place '%s' has no %s; expected one of: %s", argv[2],
                             t->kind->word, t->kind->places);
    if (read_options(&take, argc - 3, argv + 3, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (3 + optind != argc)
        return command_wrong(context, NAME, "'%s' is one word too many", argv[3 + optind]);
    store = command_open_known(context, NAME);
    if (!store)
        return COMMAND_WRONG;
    code = store_coil_find(store, argv[1], &id, &st);
    if (code == STATUS_NOT_FOUND)
        status_fail(&st, code, "there is no coil '%s'; 'truewound coil list' shows them", argv[1]);
    if (code == STATUS_OK)
        code = settle_ohmmeter(&take, store, &st);
    if (code == STATUS_OK)
        code = steady_channel(store, t->channel_name, t->kind->quantity, 0, &t->channel, &st);
    if (code == STATUS_OK)
        code = taking_wait(t, context->database, store, &st);
    if (code == STATUS_OK)
        code = taking_conditions(t, store, &st);
    if (code == STATUS_OK)
        code = taking_store(t, context->units, store, argv[1], argv[2], &id, &st);
    if (code == STATUS_OK)
        code = twin_question(store, t->coil, t->run, id, take.twin, &st);
    store_close(store, NULL);
    return code == STATUS_OK ? print_taken(&take, argv[2], id) : command_failed(context, NAME, &st);
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
        "  --wires 2|4              leads on the coil, of a resistance (as the bench file says,\n"
        "                           or 2); of several ohmmeters the one that has as many\n"
        "  --voltage V              across the coil, or --voltage-channel C, of a current\n"
        "  --temperature T          of the room, or --temperature-channel C\n"
        "  --keeper on|off --gap X --current I --source-resistance R\n"
        "  --timeout T (60 s)  --stretch T (2 s)  --remark TEXT\n\n"
        "example: truewound take arm-1 limb-a resistance --wires 4\n",
    .json = true,
    .run = run,
};
