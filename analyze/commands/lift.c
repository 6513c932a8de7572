/* lift: records lift trials and curves of unloading, and says what the coil holds. */
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/answers.h"
#include "analyze/commands/commands.h"
#include "analyze/liftdrawings.h"
#include "analyze/lifting.h"
#include "analyze/liftreport.h"
#include "analyze/lifttrial.h"
#include "analyze/liftunload.h"
#include "analyze/printing.h"
#include "analyze/recording.h"
#include "db/store_coil.h"

#define NAME "lift"

#define LIST_MAX  200
#define LINE_SIZE 512

enum way { GUIDED, ONE, LIST, UNDO, UNLOAD, REPORT };

struct lifts {
    struct command_context *context;
    const char *name;
    enum way way;
    struct lifttrial trial; /* what the options say of one trial, or of every one of a sitting */
    struct lifttrial_channels channels;
    struct lifting_options study;
    struct liftunload unload;
    const char *list;
    const char *undo;
    const char *answers;
    const char *plot;
    const char *figure;
    int64_t run;
    int64_t supersedes;
    double most; /* N, greatest load to be had */
};

/* ---- options ---- */

static enum status_code load_figure(struct units *units, const char *word, const char *text,
                                    double *newton, struct status *st)
{
    struct lifttrial t;

    lifttrial_init(&t);
    if (lifttrial_load(units, text, &t, st) != STATUS_OK)
        return status_prefix(st, "--%s", word);
    *newton = t.load;
    return status_ok(st);
}

static enum status_code number(const char *word, const char *text, double least, double *value,
                               struct status *st)
{
    char *end;
    double read = strtod(text, &end);

    if (end == text || *end || !(read >= least) || !isfinite(read))
        return status_fail(st, STATUS_INPUT, "--%s: read '%s', expected a number of %g or more",
                           word, text, least);
    *value = read;
    return status_ok(st);
}

static enum status_code whole(const char *word, const char *text, int64_t *value, struct status *st)
{
    char *end;

    errno = 0;
    *value = strtoll(text, &end, 10);
    if (end == text || *end || errno || *value < 1)
        return status_fail(st, STATUS_INPUT, "--%s: read '%s', expected a number from 1", word,
                           text);
    return status_ok(st);
}

/* For --report the same words mean the state to report on. */
static enum status_code study_field(struct lifts *l, struct status *st)
{
    const struct conditions *c = &l->trial.conditions;

    l->study.current = c->current;
    l->study.voltage = c->voltage;
    l->study.temperature = c->temperature - 273.15;
    l->study.load = l->trial.load;
    return status_ok(st);
}

static enum status_code read_options(struct lifts *l, int argc, char **argv, struct status *st)
{
    struct report_error error = {""};
    enum {
        FIELD = 1000, /* load ... remark, as lifttrial_field knows them */
        FIELD_LAST = FIELD + 8,
        CHANNEL,
        VOLTAGE_CHANNEL,
        TEMPERATURE_CHANNEL,
        SCALE,
        FROM,
        UNDO_ENTRY,
        UNLOADING,
        REPORTING,
        FOR,
        BLOCK,
        FACTOR,
        RELEASE,
        MOST,
        ANSWERS,
        PLOT,
        FIGURE,
        RUN,
        SUPERSEDES
    };
    static const struct option options[] = {
        {"load", required_argument, NULL, FIELD},
        {"outcome", required_argument, NULL, FIELD + 1},
        {"gap", required_argument, NULL, FIELD + 2},
        {"current", required_argument, NULL, FIELD + 3},
        {"voltage", required_argument, NULL, FIELD + 4},
        {"temperature", required_argument, NULL, FIELD + 5},
        {"hold", required_argument, NULL, FIELD + 6},
        {"keeper", required_argument, NULL, FIELD + 7},
        {"remark", required_argument, NULL, FIELD + 8},
        {"channel", required_argument, NULL, CHANNEL},
        {"voltage-channel", required_argument, NULL, VOLTAGE_CHANNEL},
        {"temperature-channel", required_argument, NULL, TEMPERATURE_CHANNEL},
        {"scale", required_argument, NULL, SCALE},
        {"from", required_argument, NULL, FROM},
        {"undo", required_argument, NULL, UNDO_ENTRY},
        {"unload", no_argument, NULL, UNLOADING},
        {"report", no_argument, NULL, REPORTING},
        {"for", required_argument, NULL, FOR},
        {"block", required_argument, NULL, BLOCK},
        {"factor", required_argument, NULL, FACTOR},
        {"release", required_argument, NULL, RELEASE},
        {"most", required_argument, NULL, MOST},
        {"answers", required_argument, NULL, ANSWERS},
        {"plot", required_argument, NULL, PLOT},
        {"figure", required_argument, NULL, FIGURE},
        {"run", required_argument, NULL, RUN},
        {"supersedes", required_argument, NULL, SUPERSEDES},
        {NULL, 0, NULL, 0}};
    struct units *units = l->context->units;
    bool gap = false;
    bool trial = false;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case CHANNEL:
            l->channels.current = l->unload.current_name = optarg;
            break;
        case VOLTAGE_CHANNEL:
            l->channels.voltage = optarg;
            break;
        case TEMPERATURE_CHANNEL:
            l->channels.temperature = optarg;
            break;
        case SCALE:
            l->unload.scale_name = optarg;
            break;
        case FROM:
            l->list = optarg;
            l->way = LIST;
            break;
        case UNDO_ENTRY:
            l->undo = optarg;
            l->way = UNDO;
            break;
        case UNLOADING:
            l->way = UNLOAD;
            break;
        case REPORTING:
            l->way = REPORT;
            break;
        case FOR:
            code = units_parse(units, optarg, "s", &l->unload.seconds, st);
            if (code == STATUS_OK && !(l->unload.seconds >= 5.0 && l->unload.seconds <= 3600.0))
                code = status_fail(st, STATUS_INPUT, "read '%s', expected 5 s to an hour", optarg);
            if (code != STATUS_OK)
                return status_prefix(st, "--for");
            break;
        case BLOCK:
            code = load_figure(units, "block", optarg, &l->unload.block, st);
            break;
        case FACTOR:
            code = number("factor", optarg, 1.0, &l->study.factor, st);
            break;
        case RELEASE:
            code = load_figure(units, "release", optarg, &l->study.release, st);
            break;
        case MOST:
            code = load_figure(units, "most", optarg, &l->most, st);
            break;
        case ANSWERS:
            l->answers = optarg;
            break;
        case PLOT:
            l->plot = optarg;
            break;
        case FIGURE:
            l->figure = optarg;
            break;
        case RUN:
            code = whole("run", optarg, &l->run, st);
            break;
        case SUPERSEDES:
            code = whole("supersedes", optarg, &l->supersedes, st);
            break;
        default:
            if (option < FIELD || option > FIELD_LAST)
                return command_option_wrong(NAME, argv, option, st);
            if (lifttrial_field(units, options[option - FIELD].name, optarg, &l->trial, st) !=
                STATUS_OK)
                return st->code;
            gap |= option == FIELD + 2;
            trial |= option <= FIELD + 1;
        }
        if (code != STATUS_OK)
            return code;
    }
    if (argc - optind != 1)
        return status_fail(st, STATUS_INPUT, "expected the name of one coil, and options");
    l->name = argv[optind];
    if (l->way == GUIDED && trial)
        l->way = ONE;
    if (gap)
        l->study.gap = l->trial.conditions.gap;
    if (l->figure && strcmp(l->figure, "current") != 0 && strcmp(l->figure, "gap") != 0 &&
        strcmp(l->figure, "chance") != 0)
        return status_fail(st, STATUS_INPUT, "--figure: read '%s', expected current, gap or chance",
                           l->figure);
    if (l->plot && !plot_path(l->plot, &error))
        return status_fail(st, STATUS_INPUT, "--plot: %s", error.text);
    if (l->way == GUIDED && l->plot && !l->answers)
        l->way = REPORT; /* who asks for a picture wants no sitting */
    return l->way == REPORT ? study_field(l, st) : status_ok(st);
}

/* ---- one trial ---- */

static enum status_code live(const struct lifts *l, struct store *store, struct lifttrial *t,
                             struct status *st)
{
    if (isfinite(t->conditions.current) || t->result == LIFTTRIAL_STICKS ||
        t->result == LIFTTRIAL_FALLS)
        return status_ok(st);
    return lifttrial_live(store, &l->channels, t, st);
}

static enum status_code store_all(struct store *store, const struct coilbook_entry *entry,
                                  const struct lifttrial *t, size_t n, int64_t supersedes,
                                  int64_t *id, struct status *st)
{
    enum status_code code = store_begin(store, st);

    if (code != STATUS_OK)
        return code;
    for (size_t i = 0; i < n && code == STATUS_OK; ++i)
        code = lifttrial_store(store, entry, &t[i], supersedes, &id[i], st);
    return recording_end(store, code, st);
}

static void tell(const struct lifts *l, const struct lifttrial *t, int64_t id)
{
    FILE *out = l->context->out;
    char a[64];
    bool stick = t->result == LIFTTRIAL_STICKS || t->result == LIFTTRIAL_FALLS;

    fprintf(out, "noted as %s %lld: %s, %s%s", stick ? "entry" : "trial", (long long)id,
            lifttrial_result_words(t->result), t->more_than ? "more than " : "",
            lifting_words(a, sizeof a, t->load));
    if (isfinite(t->conditions.current))
        fprintf(out, ", %.4g mA", 1e3 * t->conditions.current);
    if (t->conditions.gap > 0.0)
        fprintf(out, ", shim %.3g mm", 1e3 * t->conditions.gap);
    fputc('\n', out);
    if (t->age > LIFTTRIAL_STALE)
        fprintf(out, "  the current is %.1f s old: marked doubtful\n", t->age);
    if (t->result == LIFTTRIAL_SLID)
        fprintf(out, "  slid off sideways: kept, but it says nothing of the pull\n");
}

static int tell_json(const struct lifts *l, const struct lifttrial *t, int64_t id)
{
    return printing_json(
        l->context, NAME,
        json_pack("{s:I, s:s, s:o, s:o, s:b, s:o, s:o, s:b}", "trial", (json_int_t)id, "outcome",
                  lifttrial_result_words(t->result), "load", printing_number(t->load), "load_u",
                  printing_number(t->load_u), "more_than", t->more_than, "current",
                  printing_number(t->conditions.current), "gap", printing_number(t->conditions.gap),
                  "doubtful", t->conditions.doubtful));
}

static enum status_code study(const struct lifts *l, struct store *store, double gap,
                              struct lifting **out, struct status *st)
{
    struct lifting_options options = l->study;

    if (isfinite(gap))
        options.gap = gap;
    return lifting_study(l->context->units, store, l->name, l->run, &options, out, st);
}

static void tell_so_far(const struct lifts *l, struct store *store, double gap)
{
    struct lifting *lifting;
    struct status st;

    if (l->context->form != COMMAND_TEXT || study(l, store, gap, &lifting, &st) != STATUS_OK)
        return;
    liftreport_short(l->context, lifting);
    lifting_free(lifting);
}

static int do_one(struct lifts *l, struct store *store, const struct coilbook_entry *entry)
{
    struct status st;
    int64_t id;

    if (!isfinite(l->trial.load) || l->trial.result == LIFTTRIAL_NONE) {
        lifttrial_check(&entry->design, &l->trial, &st);
        return command_failed(l->context, NAME, &st);
    }
    if (live(l, store, &l->trial, &st) != STATUS_OK ||
        lifttrial_check(&entry->design, &l->trial, &st) != STATUS_OK ||
        store_all(store, entry, &l->trial, 1, l->supersedes, &id, &st) != STATUS_OK)
        return command_failed(l->context, NAME, &st);
    if (l->context->form == COMMAND_JSON)
        return tell_json(l, &l->trial, id);
    tell(l, &l->trial, id);
    tell_so_far(l, store, l->trial.conditions.gap);
    return COMMAND_DONE;
}

/* ---- a list ---- */

static char *trim(char *text)
{
    size_t length;

    text += strspn(text, " \t\r\n");
    length = strlen(text);
    while (length && strchr(" \t\r\n", text[length - 1]))
        text[--length] = '\0';
    return text;
}

/* "load 1.2 kg; held; gap contact; current 176 mA". A lone outcome needs no word before it. */
static enum status_code read_line(struct lifts *l, char *line, struct lifttrial *t,
                                  struct status *st)
{
    char *rest = NULL;

    for (char *piece = strtok_r(line, ";", &rest); piece; piece = strtok_r(NULL, ";", &rest)) {
        char word[32];
        size_t length;
        struct status unused;

        piece = trim(piece);
        if (!*piece)
            continue;
        if (lifttrial_result_read(piece, t, &unused) == STATUS_OK)
            continue;
        length = strcspn(piece, " \t");
        snprintf(word, sizeof word, "%.*s", (int)length, piece);
        if (lifttrial_field(l->context->units, word, trim(piece + length), t, st) != STATUS_OK)
            return st->code;
    }
    return status_ok(st);
}

static enum status_code read_list(struct lifts *l, const struct design *design, FILE *in,
                                  struct lifttrial *list, size_t *n, struct status *st)
{
    struct lifttrial usual = l->trial;
    char line[LINE_SIZE];

    for (int number = 1; fgets(line, sizeof line, in); ++number) {
        char *hash = strchr(line, '#');
        char *text;
        enum status_code code;

        if (!strchr(line, '\n') && !feof(in))
            return status_fail(st, STATUS_INPUT, "%s:%d: longer than %d letters", l->list, number,
                               LINE_SIZE - 2);
        if (hash)
            *hash = '\0';
        text = trim(line);
        if (!*text)
            continue;
        if (strncmp(text, "always ", 7) == 0) {
            if (read_line(l, text + 7, &usual, st) != STATUS_OK)
                return status_prefix(st, "%s:%d", l->list, number);
            continue;
        }
        if (*n == LIST_MAX)
            return status_fail(st, STATUS_INPUT, "%s:%d: more than %d trials in one list", l->list,
                               number, LIST_MAX);
        list[*n] = usual;
        code = read_line(l, text, &list[*n], st);
        if (code == STATUS_OK)
            code = lifttrial_check(design, &list[*n], st);
        if (code != STATUS_OK)
            return status_prefix(st, "%s:%d", l->list, number);
        ++*n;
    }
    if (ferror(in))
        return status_fail(st, STATUS_IO, "%s cannot be read: %s", l->list, strerror(errno));
    if (*n == 0)
        return status_fail(st, STATUS_INPUT, "%s: no trial in it", l->list);
    return status_ok(st);
}

static int do_list(struct lifts *l, struct store *store, const struct coilbook_entry *entry)
{
    struct lifttrial *list = calloc(LIST_MAX, sizeof *list);
    int64_t *id = calloc(LIST_MAX, sizeof *id);
    bool dash = strcmp(l->list, "-") == 0;
    FILE *in = dash ? stdin : fopen(l->list, "re");
    struct status st;
    size_t n = 0;
    enum status_code code;

    if (!list || !id)
        code = status_fail(&st, STATUS_MEMORY, "no memory");
    else if (!in)
        code = status_fail(&st, STATUS_IO, "%s cannot be read: %s", l->list, strerror(errno));
    else
        code = read_list(l, &entry->design, in, list, &n, &st);
    if (in && !dash)
        fclose(in);
    if (code == STATUS_OK)
        code = store_all(store, entry, list, n, 0, id, &st);
    if (code == STATUS_OK && l->context->form == COMMAND_JSON) {
        json_t *trials = json_array();

        for (size_t i = 0; i < n; ++i)
            json_array_append_new(trials, json_integer((json_int_t)id[i]));
        printing_json(l->context, NAME, json_pack("{s:o}", "trials", trials));
    } else if (code == STATUS_OK) {
        for (size_t i = 0; i < n; ++i)
            tell(l, &list[i], id[i]);
        tell_so_far(l, store, NAN);
    }
    free(list);
    free(id);
    return code == STATUS_OK ? COMMAND_DONE : command_failed(l->context, NAME, &st);
}

/* ---- undo ---- */

static int do_undo(struct lifts *l, struct store *store, const struct coilbook_entry *entry)
{
    bool curve = strcmp(l->undo, "curve") == 0;
    int64_t number = 0;
    int points = 0;
    struct status st;
    enum status_code code = STATUS_OK;

    if (!curve && strcmp(l->undo, "last") != 0) {
        char *end;

        number = strtoll(l->undo, &end, 10);
        if (*end || number < 1)
            return command_wrong(l->context, NAME,
                                 "--undo: read '%s', expected last, curve or a trial's number",
                                 l->undo);
    }
    code = store_begin(store, &st);
    if (code == STATUS_OK) {
        code = curve ? liftunload_withdraw(store, entry, &points, &st)
                     : lifttrial_withdraw(store, entry, &number, &st);
        code = recording_end(store, code, &st);
    }
    if (code != STATUS_OK)
        return command_failed(l->context, NAME, &st);
    if (l->context->form == COMMAND_JSON)
        return printing_json(l->context, NAME,
                             curve ? json_pack("{s:i}", "points", points)
                                   : json_pack("{s:I}", "trial", (json_int_t)number));
    if (curve)
        fprintf(l->context->out, "the curve of unloading is withdrawn (%d points)\n", points);
    else
        fprintf(l->context->out, "trial %lld is withdrawn; it stays in the record\n",
                (long long)number);
    return COMMAND_DONE;
}

/* ---- unloading ---- */

static bool watch_unload(double seconds, double newton, double ampere, void *user)
{
    const struct lifts *l = user;

    if (l->context->colour)
        fprintf(l->context->err, "\r%4.0f s of %.0f   scale %8.3f N   current %8.2f mA ", seconds,
                l->unload.seconds, newton, 1e3 * ampere);
    return true;
}

static bool write_plot(const struct lifts *l, struct plot *plot, const char *what)
{
    struct report_error error = {""};
    bool done;

    if (!plot) {
        command_wrong(l->context, NAME, "there is nothing to draw for '%s' yet", what);
        return false;
    }
    done = plot_write(plot, l->plot, &error);
    plot_free(plot);
    if (!done)
        command_wrong(l->context, NAME, "%s", error.text);
    else if (l->context->form == COMMAND_TEXT)
        fprintf(l->context->out, "plot in %s\n", l->plot);
    return done;
}

static void tell_curve(const struct lifts *l)
{
    const struct unload_curve *c = &l->unload.curve;
    FILE *out = l->context->out;
    char text[300];

    fprintf(out, "noted as entries %lld to %lld: pull by unloading, %zu readings\n\n",
            (long long)l->unload.first, (long long)l->unload.last, c->used);
    fprintf(out, "  %-10s %14s %12s\n", "current", "pull", "+-");
    for (size_t i = 0; i < c->points; ++i) {
        const struct unload_point *p = &c->point[i];

        fprintf(out, "  %7.1f mA %s%11.3f N", 1e3 * p->current, p->more_than ? ">" : " ", p->pull);
        if (p->more_than)
            fprintf(out, "\n");
        else
            fprintf(out, " %10.3f N%s\n", p->u, p->falling ? "  falling" : "");
    }
    snprintf(text, sizeof text, "scale lag %.2g s, drift %.2g N a minute, scatter %.2g N%s", c->lag,
             60.0 * c->drift, c->scatter,
             c->tared ? ""
                      : "; not set to zero with the block on it: its weight was found from the "
                        "readings without current and taken off");
    fputc('\n', out);
    printing_paragraph(out, 2, 4, text);
    if (c->unstable || c->over)
        fprintf(out, "  %zu readings were marked unstable and count less, %zu beyond the range\n",
                c->unstable, c->over);
    if (c->lifted_off)
        fprintf(out, "  the block left the pan: from there on the pull is only 'more than'\n");
    if (isfinite(c->hysteresis))
        fprintf(out, "  falling current pulls up to %.1f %% (+- %.1f) more than rising current\n",
                100.0 * c->hysteresis, 100.0 * c->hysteresis_u);
    if (isfinite(c->left))
        fprintf(out, "  left after switching off %.3f N +- %.3f N\n", c->left, c->left_u);
}

static int tell_curve_json(const struct lifts *l)
{
    const struct unload_curve *c = &l->unload.curve;
    json_t *points = json_array();

    for (size_t i = 0; i < c->points; ++i)
        json_array_append_new(points,
                              json_pack("{s:f, s:f, s:f, s:b, s:b}", "current", c->point[i].current,
                                        "pull", c->point[i].pull, "u", c->point[i].u, "falling",
                                        c->point[i].falling, "more_than", c->point[i].more_than));
    return printing_json(
        l->context, NAME,
        json_pack("{s:I, s:I, s:o, s:f, s:b, s:f, s:f, s:o, s:o, s:f, s:I, s:I, s:I, s:b}", "first",
                  (json_int_t)l->unload.first, "last", (json_int_t)l->unload.last, "points", points,
                  "tare", c->tare, "tared", c->tared, "drift", c->drift, "lag", c->lag,
                  "hysteresis", printing_number(c->hysteresis), "left", printing_number(c->left),
                  "scatter", c->scatter, "readings", (json_int_t)c->used, "unstable",
                  (json_int_t)c->unstable, "over", (json_int_t)c->over, "lifted_off",
                  c->lifted_off));
}

static int do_unload(struct lifts *l, struct store *store, const struct coilbook_entry *entry)
{
    struct status st;
    enum status_code code;

    if (l->context->form == COMMAND_TEXT) {
        fprintf(l->context->out,
                "recording scale and current for %.0f s: leave the current off for 5 s, raise it\n"
                "in steps of 2 to 3 s, lower it the same way, and end with it off. Keep hands off\n"
                "the pan, and fingers from between pole and block.\n",
                l->unload.seconds);
        fflush(l->context->out);
    }
    l->unload.watch = watch_unload;
    l->unload.user = l;
    code = liftunload_record(store, &l->unload, &st);
    if (l->context->colour)
        fputc('\n', l->context->err);
    if (code == STATUS_OK)
        code = store_begin(store, &st);
    if (code == STATUS_OK) {
        code = liftunload_store(store, entry, &l->trial, &l->unload, &st);
        code = recording_end(store, code, &st);
    }
    if (code != STATUS_OK)
        return command_failed(l->context, NAME, &st);
    if (l->plot && !write_plot(l, liftdrawings_unload(l->name, &l->unload.curve), "unloading"))
        return COMMAND_WRONG;
    if (l->context->form == COMMAND_JSON)
        return tell_curve_json(l);
    tell_curve(l);
    return COMMAND_DONE;
}

/* ---- report ---- */

static int do_report(struct lifts *l, struct store *store)
{
    struct lifting *lifting;
    struct status st;
    int result;

    if (study(l, store, NAN, &lifting, &st) != STATUS_OK)
        return command_failed(l->context, NAME, &st);
    result = liftreport_print(l->context, lifting);
    if (l->plot) {
        const char *figure = l->figure ? l->figure : "current";
        struct plot *plot = strcmp(figure, "gap") == 0      ? liftdrawings_gap(lifting)
                            : strcmp(figure, "chance") == 0 ? liftdrawings_chance(lifting)
                                                            : liftdrawings_current(lifting);

        if (!write_plot(l, plot, figure))
            result = COMMAND_WRONG;
    }
    lifting_free(lifting);
    return result;
}

/* ---- guided ---- */

#define TRIES 3

/* Asks until the answer can be read into the trial. False: no more answers, or the person left. */
static bool ask(struct lifts *l, struct answers *answers, const char *word, const char *question,
                const char *field, struct lifttrial *t, bool *stop)
{
    char line[ANSWERS_LINE_SIZE];
    struct status st;

    for (int i = 0; i < TRIES; ++i) {
        if (answers_ask(answers, word, question, line) != ANSWERS_LINE)
            return false;
        if (strcmp(line, "done") == 0 || strcmp(line, "stop") == 0) {
            *stop = true;
            return true;
        }
        if (!*line || strcmp(line, "-") == 0)
            return true;
        if (lifttrial_field(l->context->units, field, line, t, &st) == STATUS_OK)
            return true;
        fprintf(l->context->out, "   %s\n", st.text);
    }
    return false;
}

static void greet(const struct lifts *l)
{
    FILE *out = l->context->out;

    fprintf(out, "lift trials of %s\n", l->name);
    for (const char *const *c = liftreport_cautions(); *c; ++c)
        printing_paragraph(out, 2, 2, *c);
    fprintf(out, "Answer 'done' at any question to end.\n\n");
}

/* One trial after another; false at the end. */
static bool one_guided(struct lifts *l, struct answers *answers, struct store *store,
                       const struct coilbook_entry *entry, int *result)
{
    struct lifttrial t = l->trial;
    struct status st;
    bool stop = false;
    bool more;
    int64_t id;

    if (!ask(l, answers, "load", "   load that hangs on it, keeper included> ", "load", &t,
             &stop) ||
        stop || !isfinite(t.load))
        return false;
    if (!ask(l, answers, "outcome", "   held, dropped, slid, not lifted, more than> ", "outcome",
             &t, &stop) ||
        stop || t.result == LIFTTRIAL_NONE)
        return false;
    /* before further questions: the current of this moment */
    if (live(l, store, &t, &st) != STATUS_OK) {
        *result = command_failed(l->context, NAME, &st);
        return false;
    }
    /* what was tried is noted even when the person leaves here */
    more = t.result == LIFTTRIAL_NOT_LIFTED ||
           ask(l, answers, "hold", "   for how long (- or Enter: not timed)> ", "hold", &t, &stop);
    more = more && !stop &&
           ask(l, answers, "remark", "   remark (- or Enter: none)> ", "remark", &t, &stop) &&
           !stop;
    if (lifttrial_check(&entry->design, &t, &st) != STATUS_OK) {
        fprintf(l->context->out, "   not noted: %s\n", st.text);
        return more;
    }
    if (store_all(store, entry, &t, 1, 0, &id, &st) != STATUS_OK) {
        *result = command_failed(l->context, NAME, &st);
        return false;
    }
    tell(l, &t, id);
    return more;
}

static int do_guided(struct lifts *l, struct store *store, const struct coilbook_entry *entry)
{
    struct answers *answers;
    struct status st;
    bool stop = false;
    int result = COMMAND_DONE;

    if (answers_open(l->answers, l->context->out, &answers, &st) != STATUS_OK)
        return command_failed(l->context, NAME, &st);
    greet(l);
    if (ask(l, answers, "keeper", "   which keeper (- or Enter: the design's)> ", "keeper",
            &l->trial, &stop) &&
        !stop &&
        ask(l, answers, "gap",
            "   gap: contact, or a shim such as '0.5 mm brass' (- or Enter: contact)> ", "gap",
            &l->trial, &stop) &&
        !stop) {
        do {
            fputc('\n', l->context->out);
            tell_so_far(l, store, l->trial.conditions.gap);
        } while (one_guided(l, answers, store, entry, &result));
    }
    answers_close(answers);
    if (result == COMMAND_DONE) {
        fputc('\n', l->context->out);
        l->study.gap = l->trial.conditions.gap;
        result = do_report(l, store);
    }
    return result;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct lifts *l = calloc(1, sizeof *l);
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct store *store = NULL;
    struct status st;
    int result = COMMAND_WRONG;

    if (!l || !entry) {
        free(l);
        free(entry);
        return command_wrong(context, NAME, "no memory");
    }
    l->context = context;
    l->study = lifting_options_default();
    l->unload.seconds = 60.0;
    l->unload.block = NAN;
    l->most = NAN;
    lifttrial_init(&l->trial);
    if (read_options(l, argc, argv, &st) != STATUS_OK) {
        result = command_failed(context, NAME, &st);
    } else if ((store = command_open(context, NAME, false)) != NULL) {
        if (coilbook_load(context->units, store, l->name, entry, &st) != STATUS_OK)
            result = command_failed(context, NAME, &st);
        else if (l->way == REPORT)
            result = do_report(l, store);
        else {
            store_close(store, NULL);
            store = command_open(context, NAME, true);
            if (store)
                result = l->way == ONE      ? do_one(l, store, entry)
                         : l->way == LIST   ? do_list(l, store, entry)
                         : l->way == UNDO   ? do_undo(l, store, entry)
                         : l->way == UNLOAD ? do_unload(l, store, entry)
                                            : do_guided(l, store, entry);
        }
    }
    store_close(store, NULL);
    free(l);
    free(entry);
    return result;
}

const struct command command_lift = {
    .name = NAME,
    .summary = "prove the pull: lift trials, a scale unloaded, and what they say",
    .usage = "NAME [--load L --outcome O | --from FILE | --unload | --undo N | --report] ...",
    .help =
        "Without --load leads through trials one by one and says which load to try next. With it\n"
        "notes one trial; its current is read from the bench unless --current gives it.\n\n"
        "  --load L           all that hangs, keeper included: '1.2 kg', '1 kg + 4 oz', '9 N',\n"
        "                     'more than 5 kg' (the scale ended), 'between 1 kg and 1.2 kg' (an\n"
        "                     unknown lump weighed by comparison)\n"
        "  --outcome O        held, dropped, slid, 'not lifted', 'more than'; with the current\n"
        "                     switched off, sticks or 'falls off'\n"
        "  --gap G            contact, or a shim: '0.5 mm brass'\n"
        "  --current I --voltage V --temperature T --hold T --keeper TEXT --remark TEXT\n"
        "  --supersedes N     the trial takes the place of trial N\n"
        "  --from FILE        a list, one trial a line: load 1.2 kg; held; current 176 mA\n"
        "                     (a line 'always current 176 mA; gap contact' holds from there on)\n"
        "  --answers FILE     answers of the guided sitting, one a line\n"
        "  --undo N|last|curve\n"
        "                     takes a trial, or the last curve, out; both stay on record\n"
        "  --unload           records a scale under the magnet while you sweep the current:\n"
        "                     --for T (60 s) --scale C --channel C --block LOAD --gap G\n"
        "  --report           the result: [--gap G] [--current I] [--load L] [--factor F]\n"
        "                     [--voltage V] [--temperature T] [--release L] [--run N]\n"
        "  --plot FILE.svg    draws the result, with --figure current|gap|chance; with --unload\n"
        "                     the curve\n\n"
        "Never stand or reach under a load: a magnet drops it when the supply fails.\n\n"
        "example: truewound lift arm-1 --load '1 kg + 4 oz' --outcome held\n",
    .json = true,
    .run = run,
};
