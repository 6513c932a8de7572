/* capture: a fast block of samples while the coil is switched on, and what it says of R and L. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/conditions.h"
#include "analyze/daemonlink.h"
#include "analyze/printing.h"
#include "analyze/recording.h"
#include "analyze/rising.h"
#include "analyze/steady.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_coil.h"

#define NAME "capture"

struct capturing {
    struct command_context *context;
    struct conditions conditions;
    const char *place;
    const char *channel;
    double rate;
    long samples;
    double shunt_ohm;
    int64_t capture;
    int64_t channel_id;
    int64_t time;
    double duration; /* s */
    int64_t lost;
    double *at;
    double *current;
    size_t count;
    struct rise_fit fit;
};

static double sample_value(const struct store_capture *row, int64_t i)
{
    switch (row->type) {
    case STORE_INT16:
        return ((const int16_t *)row->samples)[i];
    case STORE_UINT16:
        return ((const uint16_t *)row->samples)[i];
    case STORE_INT32:
        return ((const int32_t *)row->samples)[i];
    case STORE_FLOAT32:
        return (double)((const float *)row->samples)[i];
    }
    return NAN;
}

/* Keeps the samples that came, in SI; lost ones are NaN or below the type's range and left out. */
static int keep_samples(const struct store_capture *row, void *user)
{
    struct capturing *c = user;

    c->at = calloc((size_t)row->n + 1, sizeof *c->at);
    c->current = calloc((size_t)row->n + 1, sizeof *c->current);
    if (!c->at || !c->current)
        return 1;
    for (int64_t i = 0; i < row->n; ++i) {
        double value = sample_value(row, i) * row->scale + row->offset;

        if (!isfinite(value))
            continue;
        c->at[c->count] = (double)(i - row->before) / row->rate;
        c->current[c->count++] = value;
    }
    c->channel_id = row->channel;
    c->time = row->time;
    c->duration = (double)row->n / row->rate;
    c->lost = row->lost;
    return 1;
}

static enum status_code ask_for_capture(struct capturing *c, struct status *st)
{
    const char *dot = strchr(c->channel, '.');
    json_t *answer = NULL;
    enum status_code code;

    if (!dot)
        return status_fail(st, STATUS_INPUT, "channel '%s': expected INSTRUMENT.CHANNEL",
                           c->channel);
    code = daemonlink_ask(c->context->database,
                          json_pack("{s:s, s:s%, s:s, s:f, s:I}", "do", "capture", "instrument",
                                    c->channel, (size_t)(dot - c->channel), "channel", dot + 1,
                                    "rate", c->rate, "samples", (json_int_t)c->samples),
                          30.0 + 3.0 * (double)c->samples / c->rate, &answer, st);
    if (code == STATUS_OK)
        c->capture = json_integer_value(json_object_get(answer, "capture"));
    json_decref(answer);
    return code;
}

static enum status_code fit(struct capturing *c, struct status *st)
{
    enum status_code code =
        rising_fit(&c->conditions, c->at, c->current, c->count, c->rate, &c->fit, st);

    return code == STATUS_OK ? code
                             : status_prefix(st, "capture %lld is kept", (long long)c->capture);
}

/* One figure of the fit as an observation that names the capture it came from. */
static enum status_code note(struct capturing *c, struct store *store, int64_t coil, int64_t run,
                             const struct rising_figure *figure, struct status *st)
{
    struct conditions conditions = c->conditions;
    struct store_observation o = {.run = run,
                                  .coil = coil,
                                  .quantity = figure->quantity,
                                  .place = c->place,
                                  .value = figure->value,
                                  .u = figure->u,
                                  .channel = c->channel_id,
                                  .from = c->time,
                                  .to = c->time + (int64_t)(c->duration * 1e6),
                                  .n = (int64_t)c->count};
    char remark[64];
    int64_t id;

    snprintf(conditions.kind, sizeof conditions.kind, "%s", figure->kind);
    conditions.bound = figure->below ? CONDITIONS_BELOW : CONDITIONS_EQUAL;
    snprintf(remark, sizeof remark, "from capture %lld", (long long)c->capture);
    o.remark = remark;
    return recording_add(store, &o, &conditions, 0, &id, st);
}

static enum status_code record(struct capturing *c, struct store *store, const char *name,
                               struct status *st)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct rising_figure figure[RISING_FIGURES];
    size_t figures = rising_figures(&c->fit, &c->conditions, figure);
    int64_t run = 0;
    enum status_code code;

    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = coilbook_load(c->context->units, store, name, entry, st);
    if (code == STATUS_OK)
        code = recording_begin(store, entry, &run, st);
    if (code == STATUS_OK) {
        code = store_evidence_claim_capture(store, c->capture, run, st);
        for (size_t i = 0; i < figures && code == STATUS_OK; ++i)
            code = note(c, store, entry->coil, run, &figure[i], st);
        code = recording_end(store, code, st);
    }
    free(entry);
    return code;
}

static int print(const struct capturing *c)
{
    const struct command_context *context = c->context;
    const struct rise_fit *f = &c->fit;
    char a[UNITS_FORMAT_SIZE];
    char b[UNITS_FORMAT_SIZE];
    char d[UNITS_FORMAT_SIZE];

    if (context->form == COMMAND_JSON)
        return printing_json(
            context, NAME,
            json_pack("{s:I, s:I, s:I, s:f, s:f, s:f, s:f, s:f, s:o, s:b, s:o, s:o, s:b, s:b, "
                      "s:{s:s, s:s, s:s, s:s}}",
                      "capture", (json_int_t)c->capture, "samples", (json_int_t)c->count, "lost",
                      (json_int_t)c->lost, "resistance", f->resistance, "resistance_u",
                      f->resistance_u, "inductance", f->inductance, "inductance_u", f->inductance_u,
                      "tau", f->tau, "tau_u", printing_number(f->tau_u), "second", f->second,
                      "second_tau", printing_number(f->second ? f->second_tau : f->second_limit),
                      "second_tau_u", printing_number(f->second ? f->second_tau_u : NAN),
                      "saturating", f->saturating, "complete", f->complete, "units", "resistance",
                      "ohm", "inductance", "H", "tau", "s", "second_tau", "s"));
    fprintf(context->out, "capture %lld: %zu samples in %.3g s%s\n", (long long)c->capture,
            c->count, c->duration, c->lost ? ", some lost" : "");
    fprintf(context->out, "  resistance %s, inductance %s\n  time constant %s\n",
            units_format(a, sizeof a, f->resistance, f->resistance_u,
                         quantity_get(QUANTITY_RESISTANCE)),
            units_format(b, sizeof b, f->inductance, f->inductance_u,
                         quantity_get(QUANTITY_INDUCTANCE)),
            units_format(d, sizeof d, f->tau, f->tau_u, quantity_get(QUANTITY_TIME)));
    if (f->second)
        fprintf(
            context->out, "  a second time constant of %s: shorted turns, or a solid core\n",
            units_format(a, sizeof a, f->second_tau, f->second_tau_u, quantity_get(QUANTITY_TIME)));
    if (!f->complete)
        fprintf(context->out, "  the capture ended before the current did: take more samples\n");
    if (f->saturating)
        fprintf(context->out, "  the inductance falls as the current grows: the iron saturates\n");
    return COMMAND_DONE;
}

static enum status_code read_options(struct capturing *c, int argc, char **argv, struct status *st)
{
    enum { CHANNEL = 1000, RATE, SAMPLES, VOLTAGE, SOURCE, KEEPER, GAP };
    static const struct option options[] = {{"channel", required_argument, NULL, CHANNEL},
                                            {"rate", required_argument, NULL, RATE},
                                            {"samples", required_argument, NULL, SAMPLES},
                                            {"voltage", required_argument, NULL, VOLTAGE},
                                            {"source-resistance", required_argument, NULL, SOURCE},
                                            {"keeper", required_argument, NULL, KEEPER},
                                            {"gap", required_argument, NULL, GAP},
                                            {NULL, 0, NULL, 0}};
    struct units *units = c->context->units;
    struct units_value value;
    int option;
    char *end;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case CHANNEL:
            c->channel = optarg;
            break;
        case RATE:
            code = units_parse(units, optarg, "Hz", &c->rate, st);
            break;
        case SAMPLES:
            c->samples = strtol(optarg, &end, 10);
            if (*end || c->samples < 8 || c->samples > 1000000)
                code = status_fail(st, STATUS_INPUT, "read '%s', expected 8 to 1000000", optarg);
            break;
        case VOLTAGE:
            code = units_parse_uncertain(units, optarg, "V", &value, st);
            if (code == STATUS_OK) {
                c->conditions.voltage = value.value;
                if (value.has_uncertainty)
                    c->conditions.voltage_u = value.half_width / sqrt(3.0);
            }
            break;
        case SOURCE:
            code = units_parse_uncertain(units, optarg, "ohm", &value, st);
            if (code == STATUS_OK) {
                c->conditions.source_ohm = value.value;
                if (value.has_uncertainty)
                    c->conditions.source_ohm_u = value.half_width / sqrt(3.0);
            }
            break;
        case KEEPER:
            code = conditions_read_keeper(&c->conditions, optarg, st);
            break;
        case GAP:
            code = units_parse(units, optarg, "m", &c->conditions.gap, st);
            break;
        default:
            return command_option_wrong(NAME, argv, option, st);
        }
        if (code != STATUS_OK)
            return status_prefix(st, "--%s", options[option - CHANNEL].name);
    }
    if (!c->channel)
        return status_fail(st, STATUS_INPUT,
                           "--channel is missing: which channel the board sends the current by");
    if (!(c->conditions.voltage > 0.0))
        return status_fail(st, STATUS_INPUT, "--voltage is needed: what the coil was switched to");
    if (c->conditions.keeper == CONDITIONS_UNKNOWN)
        return status_fail(st, STATUS_INPUT, "--keeper on or off is needed: it changes L");
    if (!(c->rate > 0.0))
        return status_fail(st, STATUS_INPUT, "--rate: expected samples a second, such as '5 kHz'");
    return STATUS_OK;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct capturing c = {.context = context, .rate = 5000.0, .samples = 400};
    struct store *store;
    struct status st;
    enum status_code code;
    int64_t coil;
    int result;

    conditions_init(&c.conditions);
    if (argc < 3 || argv[1][0] == '-' || argv[2][0] == '-')
        return command_wrong(context, NAME, "expected NAME PLACE and then options");
    c.place = argv[2];
    if (strcmp(c.place, "pair") != 0 && strcmp(c.place, "limb-a") != 0 &&
        strcmp(c.place, "limb-b") != 0)
        return command_wrong(context, NAME, "place '%s': expected limb-a, limb-b or pair", c.place);
    if (read_options(&c, argc - 2, argv + 2, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    store = command_open_known(context, NAME);
    if (!store)
        return COMMAND_WRONG;
    code = store_coil_find(store, argv[1], &coil, &st);
    if (code == STATUS_NOT_FOUND)
        status_fail(&st, code, "there is no coil '%s'; 'truewound coil list' shows them", argv[1]);
    if (code == STATUS_OK)
        code = ask_for_capture(&c, &st);
    if (code == STATUS_OK)
        code = store_evidence_capture(store, c.capture, keep_samples, &c, &st);
    if (code == STATUS_OK)
        code = fit(&c, &st);
    if (code == STATUS_OK)
        code = record(&c, store, argv[1], &st);
    store_close(store, NULL);
    result = code == STATUS_OK ? print(&c) : command_failed(context, NAME, &st);
    free(c.at);
    free(c.current);
    return result;
}

const struct command command_capture = {
    .name = NAME,
    .summary = "capture a current rise and note R, L and a second time constant",
    .usage = "NAME PLACE --channel C --voltage V --keeper on|off [OPTION ...]",
    .help = "Asks the board, through truewoundd, for a fast block of current samples while it\n"
            "switches the coil on, stores the block, and fits resistance and inductance to it.\n"
            "The coil needs its diode: switching off gives a voltage spike.\n\n"
            "  --rate F (5 kHz)  --samples N (400)  --source-resistance R  --gap X\n\n"
            "example: truewound capture arm-1 pair --channel board.current \\\n"
            "             --voltage '3 V' --keeper on\n",
    .json = true,
    .run = run,
};
