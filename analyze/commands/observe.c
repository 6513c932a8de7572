/* observe: types in what no instrument sends. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/compare.h"
#include "analyze/conditions.h"
#include "analyze/gather.h"
#include "analyze/kinds.h"
#include "analyze/meaning.h"
#include "analyze/printing.h"
#include "analyze/recording.h"
#include "analyze/step.h"
#include "analyze/twin.h"
#include "analyze/typed.h"
#include "db/quantity.h"

#define NAME "observe"

struct observing {
    struct command_context *context;
    const struct kind *kind;
    struct conditions conditions;
    double value;
    double u;
    const char *outcome;
    const char *remark;
    double hold; /* s */
    int64_t supersedes;
    int64_t coil; /* once recorded */
    int64_t run;
    char slip[200];                  /* a question about the unit */
    char drop[MEANING_SIZE];         /* what a volt drop says beside that of the other limb */
    char caliper[STEP_CALIPER_SIZE]; /* which way it lies, of a limb that is not round */
};

/* An option that is a figure: its name and where it goes. */
struct figure_option {
    const char *name;
    const char *dimension;
    size_t value;
    size_t u; /* (size_t)-1: none */
};

#define AT(field) offsetof(struct conditions, field)
#define NO_U      ((size_t)-1)

static const struct figure_option figures[] = {
    {"temperature", "K", AT(temperature), AT(temperature_u)},
    {"voltage", "V", AT(voltage), AT(voltage_u)},
    {"current", "A", AT(current), AT(current_u)},
    {"gap", "m", AT(gap), AT(gap_u)},
    {"source-resistance", "ohm", AT(source_ohm), AT(source_ohm_u)},
    {"frequency", "Hz", AT(frequency), NO_U},
    {"duration", "s", AT(duration), NO_U},
    {"accuracy", "1", AT(accuracy_rel), NO_U},
    {"resolution", NULL, AT(resolution), NO_U}, /* in the unit of the kind */
};

#define FIGURES (sizeof figures / sizeof *figures)

static double *at(struct conditions *conditions, size_t offset)
{
    return (double *)(void *)((char *)conditions + offset);
}

static enum status_code read_figure(struct observing *o, const struct figure_option *option,
                                    const char *text, struct status *st)
{
    const char *dimension = option->dimension ? option->dimension : o->kind->dimension;
    struct units_value value;

    if (units_parse_uncertain(o->context->units, text, dimension, &value, st) != STATUS_OK)
        return status_prefix(st, "--%s", option->name);
    *at(&o->conditions, option->value) = value.value;
    if (option->u != NO_U && value.has_uncertainty)
        *at(&o->conditions, option->u) = value.half_width / sqrt(3.0);
    return STATUS_OK;
}

static enum status_code read_value(struct observing *o, const char *text, struct status *st)
{
    struct typed typed;

    if (typed_read(o->context->units, o->kind, text, &typed, st) != STATUS_OK)
        return st->code;
    o->value = typed.value;
    o->u = typed.u;
    o->conditions.resolution = typed.step;
    o->conditions.bound = typed.bound == TYPED_ABOVE   ? CONDITIONS_ABOVE
                          : typed.bound == TYPED_BELOW ? CONDITIONS_BELOW
                                                       : CONDITIONS_EQUAL;
    return STATUS_OK;
}

static enum status_code read_outcome(const char *word, enum store_outcome *outcome,
                                     struct status *st)
{
    for (int i = STORE_HELD; i <= STORE_MORE_THAN; ++i)
        if (strcmp(word, store_evidence_outcome_word((enum store_outcome)i)) == 0) {
            *outcome = (enum store_outcome)i;
            return STATUS_OK;
        }
    return status_fail(st, STATUS_INPUT,
                       "--outcome: read '%s', expected held, dropped, slid, 'not lifted' or "
                       "'more than'",
                       word);
}

/* What a kind cannot do without. */
static enum status_code check_needs(const struct observing *o, struct status *st)
{
    const struct conditions *c = &o->conditions;
    const char *word = o->kind->word;
    bool enough = true;

    if (strcmp(word, "current") == 0)
        enough = isfinite(c->voltage);
    else if (strcmp(word, "sag") == 0)
        enough = isfinite(c->voltage) && isfinite(c->source_ohm);
    else if (strcmp(word, "pull") == 0)
        enough = isfinite(c->current) && isfinite(c->gap);
    else if (strcmp(word, "lift") == 0)
        enough = isfinite(c->current) && o->outcome;
    else if (strcmp(word, "drift") == 0)
        enough = isfinite(c->duration);
    if (enough)
        return STATUS_OK;
    return status_fail(st, STATUS_INPUT, "%s says nothing without %s", word, o->kind->needs);
}

static enum status_code store_trial_row(struct store *store, const struct observing *o, int64_t *id,
                                        struct status *st)
{
    struct store_trial trial = {.run = o->run,
                                .coil = o->coil,
                                .current = o->conditions.current,
                                .gap = isfinite(o->conditions.gap) ? o->conditions.gap : 0.0,
                                .load = o->value,
                                .load_u = o->u,
                                .duration = o->hold,
                                .remark = o->remark};
    char *conditions = conditions_text(&o->conditions);
    enum status_code code = conditions ? read_outcome(o->outcome, &trial.outcome, st)
                                       : status_fail(st, STATUS_MEMORY, "no memory");

    trial.conditions = conditions;
    if (code == STATUS_OK)
        code = store_evidence_add_trial(store, &trial, id, st);
    if (code == STATUS_OK && o->supersedes)
        code = store_evidence_supersede_trial(store, o->supersedes, *id, st);
    free(conditions);
    return code;
}

/* The entry that is to be replaced. */
struct wrong_entry {
    int64_t id;
    bool found;
    char place[32], quantity[32];
};

static int find_wrong(const struct store_observation *row, void *user)
{
    struct wrong_entry *w = user;

    if (row->id != w->id)
        return 0;
    w->found = true;
    snprintf(w->place, sizeof w->place, "%s", row->place);
    snprintf(w->quantity, sizeof w->quantity, "%s", row->quantity);
    return 1;
}

/* A slip in the number would take another figure out of the record without a word. The place may
 * change: it may be what was wrong. */
static enum status_code check_replaced(struct store *store, const struct observing *o,
                                       const struct store_observation *by, struct status *st)
{
    struct wrong_entry w = {.id = o->supersedes};
    enum status_code code =
        store_evidence_observations(store, o->coil, 0, true, find_wrong, &w, st);

    if (code != STATUS_OK || !w.found || strcmp(w.quantity, by->quantity) == 0)
        return code;
    return status_fail(st, STATUS_INPUT,
                       "--supersedes %lld: that entry is the %s of %s, and would be replaced by a "
                       "%s of %s; 'truewound coil show NAME' tells the numbers",
                       (long long)o->supersedes, w.quantity, kinds_place_words(w.place),
                       by->quantity, kinds_place_words(by->place));
}

static enum status_code store_observation_row(struct store *store, const struct observing *o,
                                              const char *place, int64_t *id, struct status *st)
{
    struct store_observation observation = {.run = o->run,
                                            .coil = o->coil,
                                            .quantity = o->kind->quantity,
                                            .place = place,
                                            .value = o->value,
                                            .u = o->u,
                                            .typed = true,
                                            .remark = o->remark};

    if (o->supersedes && check_replaced(store, o, &observation, st) != STATUS_OK)
        return st->code;
    return recording_add(store, &observation, &o->conditions, o->supersedes, id, st);
}

static enum status_code record(struct observing *o, struct store *store, const char *coil,
                               const char *place, int64_t *id, struct status *st)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    enum status_code code;

    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    snprintf(o->conditions.kind, sizeof o->conditions.kind, "%s", o->kind->word);
    code = coilbook_load(o->context->units, store, coil, entry, st);
    o->coil = entry->coil;
    if (code == STATUS_OK && strcmp(place, "limb-b") == 0 && design_limbs(&entry->design) < 2)
        code = status_fail(st, STATUS_INPUT, "%s is a bar with one limb, limb-a; it has no limb-b",
                           coil);
    if (code == STATUS_OK && strcmp(o->kind->word, "diameter") == 0)
        step_caliper(&entry->design, o->caliper);
    if (code == STATUS_OK)
        code = recording_begin(store, entry, &o->run, st);
    if (code == STATUS_OK) {
        code = strcmp(o->kind->word, "lift") == 0 ? store_trial_row(store, o, id, st)
                                                  : store_observation_row(store, o, place, id, st);
        code = recording_end(store, code, st);
    }
    free(entry);
    return code;
}

static enum status_code read_options(struct observing *o, int argc, char **argv, struct status *st)
{
    enum { WIRES = 1000, KEEPER, INSTRUMENT, OUTCOME, HOLD, REMARK, SUPERSEDES, DOUBTFUL };
    static const struct option fixed[] = {
        {"wires", required_argument, NULL, WIRES},
        {"keeper", required_argument, NULL, KEEPER},
        {"instrument", required_argument, NULL, INSTRUMENT},
        {"outcome", required_argument, NULL, OUTCOME},
        {"hold", required_argument, NULL, HOLD},
        {"remark", required_argument, NULL, REMARK},
        {"supersedes", required_argument, NULL, SUPERSEDES},
        {"doubtful", no_argument, NULL, DOUBTFUL},
    };
    struct option options[FIGURES + sizeof fixed / sizeof *fixed + 1] = {{0}};
    size_t n = 0;
    int option;
    char *end;

    for (size_t i = 0; i < FIGURES; ++i)
        options[n++] = (struct option){figures[i].name, required_argument, NULL, (int)i + 1};
    for (size_t i = 0; i < sizeof fixed / sizeof *fixed; ++i)
        options[n++] = fixed[i];
    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case WIRES:
            if (conditions_read_wires(&o->conditions, optarg, st) != STATUS_OK)
                return status_prefix(st, "--wires");
            break;
        case KEEPER:
            if (conditions_read_keeper(&o->conditions, optarg, st) != STATUS_OK)
                return status_prefix(st, "--keeper");
            break;
        case INSTRUMENT:
            snprintf(o->conditions.instrument, sizeof o->conditions.instrument, "%s", optarg);
            break;
        case OUTCOME:
            o->outcome = optarg;
            break;
        case HOLD:
            if (units_parse(o->context->units, optarg, "s", &o->hold, st) != STATUS_OK)
                return status_prefix(st, "--hold");
            break;
        case REMARK:
            o->remark = optarg;
            break;
        case SUPERSEDES:
            o->supersedes = strtoll(optarg, &end, 10);
            if (*end || o->supersedes < 1)
                return status_fail(st, STATUS_INPUT,
                                   "--supersedes: read '%s', expected the number of an entry",
                                   optarg);
            break;
        case DOUBTFUL:
            o->conditions.doubtful = true;
            break;
        default:
            if (option < 1 || option > (int)FIGURES)
                return command_option_wrong(NAME, argv, option, st);
            if (read_figure(o, &figures[option - 1], optarg, st) != STATUS_OK)
                return st->code;
        }
    }
    return STATUS_OK;
}

/* A figure that many times what the design says, or so little of it, is in another unit before it
 * is a fault: 5 is less than the 25.4 from millimetres to inches and the 28 from grams to ounces.
 */
#define UNIT_SLIP 5.0

/* Asks whether the unit is right; nothing where the figure is near the design's. */
static void ask_unit(struct observing *o, const struct coilbook_entry *entry,
                     const struct evidence_item *item, int64_t id)
{
    struct compare_prediction expected;
    struct design design = entry->design;
    struct coil *coil = NULL;
    struct status st;
    char text[UNITS_FORMAT_SIZE];
    double ratio;

    if ((item->kind != EVIDENCE_RESISTANCE && item->kind != EVIDENCE_WIRE_MASS &&
         item->kind != EVIDENCE_DIAMETER) ||
        coil_new(&design, &coil, &st) != STATUS_OK)
        return;
    if (compare_item(coil_design(coil), item, &expected, &st) == STATUS_OK && expected.exists) {
        ratio = item->value / expected.amount.value;
        if (ratio > UNIT_SLIP || ratio < 1.0 / UNIT_SLIP)
            snprintf(o->slip, sizeof o->slip,
                     "The design says %s: is the unit right? If not, note it again with "
                     "--supersedes %lld.",
                     units_format(text, sizeof text, expected.amount.value, expected.amount.u,
                                  quantity_find(o->kind->quantity)),
                     (long long)id);
    }
    coil_free(coil);
}

/* The standard uncertainty that verdicts give the entry just noted; NaN where it is no such figure.
 */
static double weighed_u(struct observing *o, struct store *store, const char *name, int64_t id)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct gathered *gathered = calloc(1, sizeof *gathered);
    struct status st;
    double u = NAN;

    if (entry && gathered &&
        coilbook_load(o->context->units, store, name, entry, &st) == STATUS_OK &&
        gather_evidence(store, entry, o->run, gathered, &st) == STATUS_OK)
        for (size_t i = 0; i < gathered->evidence.count; ++i)
            if (!gathered->trial[i] && gathered->source[i] == id) {
                u = compare_measured_u(&gathered->evidence, &gathered->evidence.item[i]);
                ask_unit(o, entry, &gathered->evidence.item[i], id);
                if (gathered->evidence.item[i].kind == EVIDENCE_VOLT_DROP &&
                    meaning_of(&entry->design, gathered, id, NAN, o->drop, &st) != STATUS_OK)
                    o->drop[0] = '\0';
            }
    free(gathered);
    free(entry);
    return u;
}

static int wrong_kind(const struct command_context *context, const char *word)
{
    fprintf(context->err, "%s %s: there is no '%s' to note; expected one of:\n", context->program,
            NAME, word);
    for (size_t i = 0; kinds_at(i); ++i)
        fprintf(context->err, "  %-14s of %-20s such as %s\n", kinds_at(i)->word,
                kinds_at(i)->places, kinds_at(i)->example);
    return COMMAND_WRONG;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct observing o = {.context = context, .u = NAN, .hold = NAN};
    struct store *store;
    struct status st;
    enum status_code code;
    int64_t id = 0;
    const char *place;
    const char *drop;
    char shown[UNITS_FORMAT_SIZE];
    char twin[TWIN_SIZE] = "";
    double u = NAN;

    conditions_init(&o.conditions);
    /* The words first, so that a figure option knows the kind's unit. */
    if (argc < 5 || argv[1][0] == '-' || argv[2][0] == '-' || argv[3][0] == '-')
        return command_wrong(
            context, NAME,
            "expected NAME PLACE KIND VALUE and then options, such as: arm-1 limb-a "
            "resistance '42 ohm'");
    place = argv[2];
    o.kind = kinds_find(argv[3]);
    if (!o.kind)
        return wrong_kind(context, argv[3]);
    if (!kinds_place_fits(o.kind, place))
        return command_wrong(context, NAME, "place '%s' has no %s; expected one of: %s", place,
                             o.kind->word, o.kind->places);
    if (argc > 5 && argv[5][0] != '-')
        return command_wrong(context, NAME,
                             "'%s' is one word too many; quote a value with its unit: '8.7 ohm'",
                             argv[5]);
    if (read_value(&o, argv[4], &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (read_options(&o, argc - 4, argv + 4, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (4 + optind != argc)
        return command_wrong(context, NAME,
                             "'%s' is one word too many; quote a value with its "
                             "unit: '8.7 ohm'",
                             argv[4 + optind]);
    if (check_needs(&o, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    store = command_open_known(context, NAME);
    if (!store)
        return COMMAND_WRONG;
    code = record(&o, store, argv[1], place, &id, &st);
    if (code == STATUS_OK && strcmp(o.kind->word, "resistance") == 0)
        code = twin_question(store, o.coil, o.run, id, twin, &st);
    if (code == STATUS_OK && o.conditions.bound == CONDITIONS_EQUAL &&
        strcmp(o.kind->word, "lift") != 0)
        u = weighed_u(&o, store, argv[1], id);
    store_close(store, NULL);
    if (code != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (context->form == COMMAND_JSON)
        return printing_json(context, NAME,
                             json_pack("{s:I, s:s, s:s, s:f, s:o, s:s}", "entry", (json_int_t)id,
                                       "kind", o.kind->word, "place", place, "value", o.value, "u",
                                       printing_number(u), "unit", o.kind->dimension));
    if (strcmp(o.kind->quantity, "polarity") == 0)
        snprintf(shown, sizeof shown, "%s", evidence_pole(o.value));
    else
        units_format(shown, sizeof shown, o.value, isfinite(u) ? u : o.u,
                     quantity_find(o.kind->quantity));
    fprintf(context->out, "noted as entry %lld: %s of %s, %s%s\n", (long long)id, o.kind->word,
            kinds_place_words(place),
            o.conditions.bound == CONDITIONS_ABOVE   ? "more than "
            : o.conditions.bound == CONDITIONS_BELOW ? "less than "
                                                     : "",
            shown);
    if (twin[0])
        printing_paragraph(context->out, 2, 4, twin);
    if (o.slip[0])
        printing_paragraph(context->out, 2, 4, o.slip);
    /* The figure alone stands in the line above. */
    drop = strstr(o.drop, ": as designed") ? o.drop : strstr(o.drop, ". It is ");
    if (drop)
        printing_paragraph(context->out, 2, 4, drop == o.drop ? drop : drop + 2);
    if (o.caliper[0])
        printing_paragraph(context->out, 2, 4, o.caliper);
    if (isfinite(u) && !isfinite(o.u) && !isfinite(o.conditions.accuracy_rel) &&
        strcmp(o.kind->quantity, "polarity") != 0)
        printing_paragraph(context->out, 2, 4,
                           "± is what such a figure is usually good for; limits typed behind it, "
                           "as in '8.7 ohm +- 0.1 ohm', say it better.");
    return COMMAND_DONE;
}

const struct command command_observe = {
    .name = NAME,
    .summary = "type in what no instrument sends",
    .usage = "NAME PLACE KIND VALUE [OPTION ...]",
    .help = "Notes one figure of a coil. PLACE is limb-a, limb-b, pair, core or room. KIND is\n"
            "resistance, insulation, current, sag, inductance, second-time, polarity, wire-mass,\n"
            "diameter, wire-diameter, pull, residual-pull, drift, temperature, volt-drop or lift.\n"
            "VALUE has its unit, may have limits ('8.7 ohm +- 0.1 ohm') and may be a bound\n"
            "('> 20 Mohm', 'open'). Polarity is north, south or none: the pole at the free end of\n"
            "the limb, current flowing from start to finish.\n\n"
            "  --temperature T    of the room at that moment   --wires 2|4  of a resistance\n"
            "  --voltage V        across the coil              --keeper on|off\n"
            "  --current I        through it                   --gap X      at each pole\n"
            "  --source-resistance R   --frequency F   --duration T\n"
            "  --outcome held|dropped|slid|'not lifted'|'more than'   --hold T   of a lift\n"
            "  --instrument NAME  --accuracy P  --resolution X  --doubtful\n"
            "  --remark TEXT      --supersedes N   puts this entry in place of entry N\n\n"
            "example: truewound observe arm-1 limb-a polarity north\n",
    .json = true,
    .run = run,
};
