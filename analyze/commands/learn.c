/* learn: what good coils have taught about the shop; learns more of it, or forgets it. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/judging.h"
#include "analyze/learning.h"
#include "analyze/printing.h"
#include "db/store_coil.h"
#include "db/store_result.h"

#define NAME "learn"

/* A coil that passes may yet be a little off. To learn from it, it has to be more likely right. */
#define AS_DESIGNED 0.7

struct named {
    char name[DESIGN_NAME_SIZE];
};

struct learn_command {
    struct command_context *context;
    struct store *store;
    struct learning *learning;
    struct named *named;
    size_t names;
    const char *batch; /* coils whose name begins with it; "" all; NULL only those named */
    bool choose;       /* pass over what is not good; else refuse it */
    bool even_so;
    json_t *from;   /* coils and runs learnt from */
    json_t *passed; /* sentences on coils passed over */
};

static json_t *member(json_t *root, const char *key)
{
    json_t *value = json_object_get(root, key);

    return json_is_number(value) ? value : NULL;
}

/* The quantity of a key, LEARN_QUANTITIES for none. */
static enum learn_quantity quantity_of(const char *key)
{
    for (int q = 0; q < LEARN_QUANTITIES; ++q) {
        const char *name = learn_name((enum learn_quantity)q);

        if (strncmp(key, name, strlen(name)) == 0 && key[strlen(name)] == '/')
            return (enum learn_quantity)q;
    }
    return LEARN_QUANTITIES;
}

/* A figure as a person reads it: per cent, or millimetres of air. */
static void shown(enum learn_quantity quantity, double value, double u, double *out, double *out_u)
{
    bool gap = quantity == LEARN_CONTACT_GAP;

    *out = gap ? 1e3 * exp(value) : 100 * value;
    *out_u = gap ? *out * u : 100 * u;
}

/* ---- showing ---- */

struct showing {
    struct table *table;
    bool all;
};

static int show_row(const struct store_learnt *row, void *user)
{
    struct showing *s = user;
    enum learn_quantity quantity = quantity_of(row->key);
    json_t *from = row->from ? json_loads(row->from, 0, NULL) : NULL;
    const json_t *share = member(from, "prior_share");
    const json_t *prior = member(from, "prior");
    const json_t *prior_u = member(from, "prior_u");
    double value, u, before, before_u;
    char time[32];

    if (quantity != LEARN_QUANTITIES) {
        table_row(s->table);
        table_text(s->table, row->key);
        shown(quantity, row->value, row->u, &value, &u);
        table_figure(s->table, value, u);
        table_text(s->table, quantity == LEARN_CONTACT_GAP ? "mm" : "%");
        shown(quantity, prior ? json_number_value(prior) : NAN,
              prior_u ? json_number_value(prior_u) : NAN, &before, &before_u);
        table_figure(s->table, before, before_u);
        table_count(s->table, row->n);
        if (share)
            table_count(s->table, llround(100 * json_number_value(share)));
        else
            table_absent(s->table);
        /* so much narrower is what it leads to, where nothing else is in doubt */
        if (row->u > 0 && prior_u)
            table_textf(s->table, "%.1f x", json_number_value(prior_u) / row->u);
        else
            table_absent(s->table);
        store_time_text(time, sizeof time, row->time);
        table_textf(s->table, "%.10s", time);
        if (s->all)
            table_text(s->table, row->forgotten_at ? "forgotten" : "in use");
    }
    json_decref(from);
    return 0;
}

static int show(struct learn_command *c, bool all)
{
    struct showing s = {table_new("what good coils have taught"), all};
    struct status st;
    enum status_code code;

    if (!s.table)
        return command_wrong(c->context, NAME, "no memory");
    table_column(s.table, TABLE_NAME, "key", "figure", NULL);
    table_column(s.table, TABLE_FIGURE, "value", "next coil", NULL);
    table_column(s.table, TABLE_NAME, "unit", "", NULL);
    table_column(s.table, TABLE_FIGURE, "before", "before", NULL);
    table_column(s.table, TABLE_FIGURE, "coils", "coils", NULL);
    table_column(s.table, TABLE_FIGURE, "prior_share", "prior", "%");
    table_column(s.table, TABLE_NAME, "narrower", "narrower", NULL);
    table_column(s.table, TABLE_NAME, "learnt", "learnt", NULL);
    if (all)
        table_column(s.table, TABLE_NAME, "state", "state", NULL);
    code = store_result_learnts(c->store, NULL, all, show_row, &s, &st);
    if (code != STATUS_OK) {
        table_free(s.table);
        return command_failed(c->context, NAME, &st);
    }
    if (table_rows(s.table) == 0)
        table_note(s.table, "nothing is learnt yet: 'truewound learn --good' learns from the coils "
                            "that pass");
    else
        table_note(s.table,
                   "± is one standard deviation for the next coil; 'prior' is the share that is "
                   "still the published prior's; 'narrower' is what the figure's doubt has "
                   "shrunk by. A new spool, winder or meter: "
                   "'truewound learn --forget FIGURE'");
    return printing_table(c->context, NAME, s.table);
}

/* ---- learning ---- */

static int keep_name(const struct store_coil *row, void *user)
{
    struct learn_command *c = user;

    if (c->names == LEARNING_COILS_MAX)
        return 1;
    if (strncmp(row->name, c->batch, strlen(c->batch)) == 0)
        snprintf(c->named[c->names++].name, DESIGN_NAME_SIZE, "%s", row->name);
    return 0;
}

/* Why a coil is no good to learn from; "" when it is. */
static void find_fault(const struct judged *judged, double right, char *why, size_t size)
{
    const struct verdict *v = &judged->verdict;

    why[0] = '\0';
    if (judged->gathered.evidence.count == 0)
        snprintf(why, size, "nothing was measured on it");
    else if (v->unexplained)
        snprintf(why, size, "none of the findings explains its measurements");
    else if (v->result != VERDICT_PASS)
        snprintf(why, size, "its verdict is %s (%.1f %% that every limit holds)",
                 verdict_word(v->result), 100 * v->pass_probability);
    else if (right < AS_DESIGNED)
        snprintf(why, size, "it passes, yet it is only %.0f %% likely to be as designed",
                 100 * right);
}

static enum status_code take_coil(struct learn_command *c, const char *name, struct status *st)
{
    struct judged *judged = NULL;
    bool skip[EVIDENCE_MAX] = {false};
    double right = 0;
    char why[160];
    char line[256];
    enum status_code code = judging_unlearnt(c->context->units, c->store, name, &judged, st);

    if (code != STATUS_OK)
        return code;
    for (size_t i = 0; i < judged->verdict.findings; ++i)
        if (judged->verdict.finding[i].finding->class == FINDING_GOOD)
            right += judged->verdict.finding[i].probability;
    for (size_t i = 0; i < judged->verdict.misfits; ++i)
        skip[judged->verdict.misfit[i].item] = true;
    find_fault(judged, right, why, sizeof why);
    if (why[0] && c->choose) {
        snprintf(line, sizeof line, "%s: %s", name, why);
        json_array_append_new(c->passed, json_string(line));
    } else if (why[0] && !c->even_so) {
        code = status_fail(st, STATUS_INPUT,
                           "%s is not proven good: %s; measure it further, leave it out, or say "
                           "--even-so",
                           name, why);
    } else {
        code = learning_add(c->learning, &judged->entry.design, &judged->gathered.evidence, skip,
                            1 - right, st);
        if (code == STATUS_OK)
            json_array_append_new(c->from, json_pack("{s:s, s:I, s:s}", "coil", name, "run",
                                                     (json_int_t)judged->run, "digest",
                                                     judged->gathered.digest));
    }
    judging_free(judged);
    return code;
}

static enum status_code record(struct store *store, const struct learning_figure *f, json_t *coils,
                               struct status *st)
{
    json_t *from =
        json_pack("{s:O, s:f, s:f, s:f, s:f, s:f, s:s}", "coils", coils, "mean_u", f->mean_u,
                  "spread", f->spread, "prior", f->prior, "prior_u", f->prior_u, "prior_share",
                  f->prior_share, "version", TRUEWOUND_VERSION);
    char *text = from ? json_dumps(from, JSON_COMPACT) : NULL;
    struct store_learnt row = {
        .key = f->key, .value = f->value, .u = f->u, .n = (int64_t)f->coils, .from = text};
    int64_t id;
    enum status_code code = text ? store_result_learn(store, &row, &id, st)
                                 : status_fail(st, STATUS_MEMORY, "no memory");

    json_decref(from);
    free(text);
    return code;
}

static enum status_code record_all(struct learn_command *c, const struct learning_figure *figure,
                                   size_t count, struct status *st)
{
    enum status_code code = store_begin(c->store, st);
    struct status ended;

    if (code != STATUS_OK)
        return code;
    for (size_t i = 0; i < count && code == STATUS_OK; ++i)
        code = record(c->store, &figure[i], c->from, st);
    if (store_end(c->store, code == STATUS_OK, &ended) != STATUS_OK && code == STATUS_OK) {
        *st = ended;
        code = ended.code;
    }
    return code;
}

static int print_learnt(struct learn_command *c, const struct learning_figure *figure, size_t count)
{
    struct table *table = table_new("learnt just now");
    char text[320];

    if (!table)
        return command_wrong(c->context, NAME, "no memory");
    table_column(table, TABLE_NAME, "key", "figure", NULL);
    table_column(table, TABLE_FIGURE, "value", "next coil", NULL);
    table_column(table, TABLE_NAME, "unit", "", NULL);
    table_column(table, TABLE_FIGURE, "before", "before", NULL);
    table_column(table, TABLE_FIGURE, "coils", "coils", NULL);
    table_column(table, TABLE_FIGURE, "prior_share", "prior", "%");
    for (size_t i = 0; i < count; ++i) {
        const struct learning_figure *f = &figure[i];
        double value, u;

        table_row(table);
        table_text(table, f->key);
        shown(f->quantity, f->value, f->u, &value, &u);
        table_figure(table, value, u);
        table_text(table, f->quantity == LEARN_CONTACT_GAP ? "mm" : "%");
        shown(f->quantity, f->prior, f->prior_u, &value, &u);
        table_figure(table, value, u);
        table_count(table, (long long)f->coils);
        table_count(table, llround(100 * f->prior_share));
    }
    for (size_t i = 0; i < json_array_size(c->passed); ++i) {
        snprintf(text, sizeof text, "passed over %s",
                 json_string_value(json_array_get(c->passed, i)));
        table_note(table, text);
    }
    if (count == 0)
        table_note(table, "these coils left every figure nearly as it was: nothing is stored");
    for (size_t i = 0; i < count; ++i) {
        snprintf(text, sizeof text, "%s beforehand: %s", learn_title(figure[i].quantity),
                 learn_reason(figure[i].quantity));
        table_note(table, text);
    }
    return printing_table(c->context, NAME, table);
}

static enum status_code learn_all(struct learn_command *c, struct learning_figure *figure,
                                  size_t *count, struct status *st)
{
    enum status_code code = STATUS_OK;

    if (c->batch)
        code = store_coil_list(c->store, NULL, keep_name, c, st);
    if (code == STATUS_OK && c->names == 0)
        code = status_fail(st, STATUS_INPUT, "there is no coil%s%s%s to learn from",
                           c->batch && *c->batch ? " whose name begins with '" : "",
                           c->batch ? c->batch : "", c->batch && *c->batch ? "'" : "");
    for (size_t i = 0; i < c->names && code == STATUS_OK; ++i)
        for (size_t j = 0; j < i && code == STATUS_OK; ++j)
            if (strcmp(c->named[i].name, c->named[j].name) == 0)
                code = status_fail(st, STATUS_INPUT, "'%s' is named twice", c->named[i].name);
    for (size_t i = 0; i < c->names && code == STATUS_OK; ++i)
        code = take_coil(c, c->named[i].name, st);
    if (code == STATUS_OK && json_array_size(c->from) == 0)
        code = status_fail(
            st, STATUS_INPUT, "none of the %zu coils is proven good%s%s", c->names,
            json_array_size(c->passed) ? "; " : "",
            json_array_size(c->passed) ? json_string_value(json_array_get(c->passed, 0)) : "");
    if (code == STATUS_OK)
        code = learning_finish(c->learning, figure, count, st);
    if (code == STATUS_OK)
        code = record_all(c, figure, *count, st);
    return code;
}

static int learn(struct learn_command *c, int argc, char **argv)
{
    struct learning_figure *figure = calloc(LEARNING_FIGURES_MAX, sizeof *figure);
    struct status st;
    enum status_code code;
    size_t count = 0;
    int result;

    c->learning = learning_new();
    c->named = calloc(LEARNING_COILS_MAX, sizeof *c->named);
    c->from = json_array();
    c->passed = json_array();
    if (!figure || !c->learning || !c->named || !c->from || !c->passed)
        code = status_fail(&st, STATUS_MEMORY, "no memory");
    else if (argc - optind > LEARNING_COILS_MAX)
        code = status_fail(&st, STATUS_FULL, "more than %d coils to learn from at once",
                           LEARNING_COILS_MAX);
    else {
        for (int i = optind; i < argc; ++i)
            snprintf(c->named[c->names++].name, DESIGN_NAME_SIZE, "%s", argv[i]);
        code = learn_all(c, figure, &count, &st);
    }
    result =
        code == STATUS_OK ? print_learnt(c, figure, count) : command_failed(c->context, NAME, &st);
    free(figure);
    free(c->named);
    learning_free(c->learning);
    json_decref(c->from);
    json_decref(c->passed);
    return result;
}

static int forget(struct learn_command *c, const char *key)
{
    struct status st;

    if (store_result_forget(c->store, key, &st) != STATUS_OK)
        return command_failed(c->context, NAME, &st);
    if (c->context->form == COMMAND_JSON)
        return printing_json(c->context, NAME, json_pack("{s:s}", "forgotten", key));
    fprintf(c->context->out, "%s is forgotten; verdicts rest on the published prior again\n", key);
    return COMMAND_DONE;
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { FROM = 1000, BATCH, GOOD, FORGET, EVEN_SO, ALL };
    static const struct option options[] = {{"from", no_argument, NULL, FROM},
                                            {"batch", required_argument, NULL, BATCH},
                                            {"good", no_argument, NULL, GOOD},
                                            {"forget", required_argument, NULL, FORGET},
                                            {"even-so", no_argument, NULL, EVEN_SO},
                                            {"all", no_argument, NULL, ALL},
                                            {NULL, 0, NULL, 0}};
    struct learn_command c = {.context = context};
    const char *key = NULL;
    struct status st;
    bool from = false;
    bool all = false;
    int option;
    int result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case FROM:
            from = true;
            break;
        case BATCH:
            c.batch = optarg;
            break;
        case GOOD:
            c.choose = true;
            break;
        case FORGET:
            key = optarg;
            break;
        case EVEN_SO:
            c.even_so = true;
            break;
        case ALL:
            all = true;
            break;
        default:
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (from == (argc == optind))
        return command_wrong(context, NAME,
                             from ? "--from: expected the names of coils after it"
                                  : "read '%s'; to learn from coils say --from before their names",
                             argv[argc - 1]);
    if ((from && c.batch) || (key && (from || c.batch || c.choose || c.even_so)) ||
        (all && (key || from || c.batch || c.choose)) || (c.even_so && !from && !c.batch) ||
        (c.even_so && c.choose))
        return command_wrong(context, NAME, "these options do not go together; see --help");
    if (c.choose && !from && !c.batch)
        c.batch = "";
    c.store = from || c.batch || key ? command_open_known(context, NAME)
                                     : command_open(context, NAME, false);
    if (!c.store)
        return COMMAND_WRONG;
    if (key)
        result = forget(&c, key);
    else if (from || c.batch)
        result = learn(&c, argc, argv);
    else
        result = show(&c, all);
    store_close(c.store, NULL);
    return result;
}

const struct command command_learn = {
    .name = NAME,
    .summary = "what good coils have taught: hand, wire lot, faces, meters",
    .usage = "[--all] | --good | [--good] --batch PREFIX | --from NAME ... | --forget FIGURE",
    .help =
        "Without options: every learnt figure as it is expected of the next coil, with\n"
        "one standard deviation, the value beforehand, from how many coils, and how much\n"
        "of it is still the prior. Verdicts use these figures and get narrower by them.\n\n"
        "  --good           learn from every coil that passes and is most likely as designed\n"
        "  --batch PREFIX   from coils whose name begins so (with --good: the good ones)\n"
        "  --from NAME ...  from these\n"
        "  --even-so        also from coils that are not proven good\n"
        "  --forget FIGURE  take a figure out of use: a new spool, winder, or meter\n"
        "  --all            show those that were forgotten, too\n\n"
        "Coils are judged anew for this by the published prior alone. Learning again\n"
        "replaces a figure; the one before stays in the record. What all coils share, such\n"
        "as the error of one meter, stays in the figure's uncertainty however many they are.\n\n"
        "example: truewound learn --good --batch arm-\n",
    .tables = true,
    .json = true,
    .run = run,
};
