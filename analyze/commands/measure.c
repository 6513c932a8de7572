/* measure: leads a person through the measurements of one coil. */
#include <getopt.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/guided.h"
#include "analyze/sitting.h"
#include "db/store_coil.h"

#define NAME "measure"

#define NOTHING_YET "Nothing was noted yet in this talk."

struct measuring {
    struct guided guided;
    const char *script;
    bool fresh; /* --new */
    bool more;  /* the person wants to go on beyond what the verdict needs */
    bool stopped;
    bool gone;
};

static enum status_code read_channel(struct guided *g, const char *text, struct status *st)
{
    const char *equals = strchr(text, '=');
    size_t length = equals ? (size_t)(equals - text) : 0;
    char *kind;

    if (!equals || length == 0 || length >= sizeof g->kind[0] || !equals[1])
        return status_fail(st, STATUS_INPUT,
                           "--channel: read '%s', expected KIND=CHANNEL such as "
                           "insulation=meter.insulation",
                           text);
    if (g->channels == GUIDED_CHANNELS_MAX)
        return status_fail(st, STATUS_INPUT, "--channel: at most %d", GUIDED_CHANNELS_MAX);
    kind = g->kind[g->channels];
    snprintf(kind, sizeof g->kind[0], "%.*s", (int)length, text);
    if (!kinds_find(kind) && strcmp(kind, "voltage") != 0 && strcmp(kind, "rise") != 0)
        return status_fail(st, STATUS_INPUT,
                           "--channel: there is no kind '%s'; 'truewound help observe' lists them, "
                           "and 'voltage' and 'rise' go too",
                           kind);
    g->channel[g->channels++] = equals + 1;
    return STATUS_OK;
}

static enum status_code read_options(struct measuring *m, int argc, char **argv, struct status *st)
{
    enum { ANSWERS = 1000, CHANNEL, WIRES, NEW, TIMEOUT, STRETCH };
    static const struct option options[] = {{"answers", required_argument, NULL, ANSWERS},
                                            {"channel", required_argument, NULL, CHANNEL},
                                            {"wires", required_argument, NULL, WIRES},
                                            {"new", no_argument, NULL, NEW},
                                            {"timeout", required_argument, NULL, TIMEOUT},
                                            {"stretch", required_argument, NULL, STRETCH},
                                            {NULL, 0, NULL, 0}};
    struct guided *g = &m->guided;
    struct units *units = g->context->units;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case ANSWERS:
            m->script = optarg;
            break;
        case CHANNEL:
            code = read_channel(g, optarg, st);
            break;
        case WIRES:
            if (strcmp(optarg, "2") != 0 && strcmp(optarg, "4") != 0)
                return status_fail(st, STATUS_INPUT, "--wires: read '%s', expected 2 or 4", optarg);
            g->wires = *optarg - '0';
            break;
        case NEW:
            m->fresh = true;
            break;
        case TIMEOUT:
            code = units_parse(units, optarg, "s", &g->steady.timeout, st);
            break;
        case STRETCH:
            code = units_parse(units, optarg, "s", &g->steady.stretch, st);
            break;
        default:
            return command_option_wrong(NAME, argv, option, st);
        }
        if (code != STATUS_OK)
            return code;
    }
    if (argc - optind != 1)
        return status_fail(st, STATUS_INPUT,
                           argc == optind ? "expected the name of a coil; 'truewound coil list' "
                                            "shows them"
                                          : "expected the name of one coil and options, no more");
    g->name = argv[optind];
    if (!(g->steady.timeout > 0.0) || !(g->steady.stretch > 0.0))
        return status_fail(st, STATUS_INPUT, "--timeout and --stretch must be above 0 s");
    return STATUS_OK;
}

/* How many leads the meter has on the coil: it is not in any reading. */
static enum guided_end ask_wires(struct measuring *m)
{
    struct guided *g = &m->guided;
    char line[ANSWERS_LINE_SIZE];

    for (int tries = 0; !g->wires && tries < 3; ++tries) {
        enum guided_end end = guided_ask(
            g, "wires", "\n   leads from the ohmmeter to the coil, 2 or 4 (Enter: 2)> ", line);

        if (end != GUIDED_STORED)
            return end;
        if (!*line || strcmp(line, "2") == 0)
            g->wires = 2;
        else if (strcmp(line, "4") == 0)
            g->wires = 4;
        else
            guided_say(g, "Two leads: one pair of clips carries the current and is measured with "
                          "the coil. Four: the voltage is sensed at the coil itself. Type 2 or 4.");
    }
    if (!g->wires)
        g->wires = 2;
    return GUIDED_STORED;
}

/* Enough is known: whether to end, and in *again whether the last figure is to be repeated. */
static bool end_here(struct measuring *m, bool *again)
{
    struct guided *g = &m->guided;
    char line[ANSWERS_LINE_SIZE];
    char text[160];
    enum guided_end end;

    fputc('\n', g->out);
    guided_say(g, g->judged->advice.line);
    snprintf(text, sizeof text, "   %zu more could be measured (Enter ends, 'more' goes on)> ",
             guide_left(&g->guide));
    end = guided_ask(g, "more", text, line);
    m->gone = end == GUIDED_GONE;
    m->more = end == GUIDED_STORED && strcmp(line, "more") == 0;
    *again = end == GUIDED_STORED && strcmp(line, "again") == 0;
    return !m->more && !*again;
}

/* What follows a figure: the rest of a captured rise is not asked for by itself. */
static void settle(struct guide *guide, const struct guide_figure *done)
{
    for (size_t i = 0; done->rise && i < guide->figures; ++i)
        if (guide->figure[i].rise && guide->figure[i].option == done->option &&
            !guide->figure[i].done)
            guide->figure[i].skipped = true;
}

static const char *reason(enum guide_why why)
{
    return why == GUIDE_ADVICE ? "tells most for its minutes now"
           : why == GUIDE_LIST ? "in the usual order, as no advice can be had"
                               : "";
}

static enum status_code talk(struct measuring *m, struct status *st)
{
    struct guided *g = &m->guided;
    struct guide_figure *figure = NULL;
    struct guide_figure *last = NULL;
    struct guide_figure *back = NULL;
    enum guide_why why;
    enum guided_end end;
    bool again = false;

    if (!g->wires)
        g->wires = g->guide.wires;
    if (guided_wiring(g, st) != STATUS_OK)
        return st->code;
    end = ask_wires(m);
    m->gone = end == GUIDED_GONE;
    m->stopped = end == GUIDED_STOP;
    while (!m->gone && !m->stopped) {
        if (back) {
            figure = back;
            why = GUIDE_GROUP;
        } else
            figure = guide_next(&g->guide, g->judged, g->wires == 2, last, &why);
        if (!figure || (why == GUIDE_ENOUGH && !m->more && end_here(m, &again)))
            break;
        if (again && !last) {
            guided_say(g, NOTHING_YET);
            continue;
        }
        if (again) {
            figure = last;
            why = GUIDE_GROUP;
            again = false;
        }
        back = NULL;
        end = guided_figure(g, figure, reason(why));
        m->gone = end == GUIDED_GONE;
        m->stopped = end == GUIDED_STOP;
        if (end == GUIDED_BACK) {
            back = last;
            if (!last)
                guided_say(g, NOTHING_YET);
        }
        if (end == GUIDED_STORED || end == GUIDED_SKIPPED) {
            last = figure;
            settle(&g->guide, figure);
        }
        if (end == GUIDED_STORED && guided_refresh(g, st) != STATUS_OK)
            return st->code;
    }
    return status_ok(st);
}

static void say_state(struct measuring *m)
{
    struct guided *g = &m->guided;
    size_t left = guide_left(&g->guide);
    size_t done = 0;
    bool rise = false;
    char text[240];

    for (size_t i = 0; i < g->guide.figures; ++i) {
        done += g->guide.figure[i].done;
        rise |= g->guide.figure[i].rise && !g->guide.figure[i].skipped;
    }
    if (done == 0)
        snprintf(text, sizeof text, "%s: a new sitting.", g->name);
    else
        snprintf(text, sizeof text,
                 "%s: going on with sitting %lld, which has %zu figure%s; %zu could follow. "
                 "'--new' begins afresh.",
                 g->name, (long long)g->run, done, done == 1 ? "" : "s", left);
    fprintf(g->out, "\n");
    guided_say(g, text);
    guided_say(g, "Enter when what is asked for is done, or type the figure; skip, again and stop "
                  "work everywhere, ? explains. Behind ± stands one standard uncertainty.");
    if (!rise)
        guided_say(g, "Current rises are left out: '--channel rise=CHANNEL' names what captures "
                      "them.");
}

static int finish(struct measuring *m)
{
    struct guided *g = &m->guided;
    const struct command *verify = command_find("verify");
    char words[2][80] = {"verify"};
    char *argv[] = {words[0], words[1], NULL};
    int result = COMMAND_UNDECIDED;

    snprintf(words[1], sizeof words[1], "%s", g->name);
    if (answers_unused(g->answers))
        fprintf(g->out, "\n   The answer for '%s' was not asked for.\n",
                answers_unused(g->answers));
    if (!g->run) {
        fprintf(g->out, "\n   Nothing was noted. 'truewound measure %s' begins again.\n", g->name);
        return COMMAND_UNDECIDED;
    }
    fputc('\n', g->out);
    fflush(g->out);
    optind = 0;
    if (verify)
        result = verify->run(g->context, 2, argv);
    if (m->stopped || guide_left(&g->guide))
        fprintf(g->out, "\n  truewound measure %s    goes on where this stopped\n", g->name);
    fprintf(g->out, "%s  truewound sheet %s -o %s.html    one page for the drawer\n",
            m->stopped || guide_left(&g->guide) ? "" : "\n", g->name, g->name);
    if (command_find("lift") && result == COMMAND_DONE)
        fprintf(g->out, "  truewound help lift    how to prove the pull\n");
    return result;
}

static enum status_code begin(struct measuring *m, struct status *st)
{
    struct guided *g = &m->guided;
    enum status_code code = guided_refresh(g, st);

    if (code == STATUS_OK && m->fresh && g->run) {
        code = store_coil_end_run(g->store, g->run, 0, st);
        if (code == STATUS_OK)
            code = guided_refresh(g, st);
    }
    return code;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct measuring m = {.guided = {.context = context, .steady = steady_options_default()}};
    struct guided *g = &m.guided;
    struct status st;
    enum status_code code;
    int result = COMMAND_UNDECIDED;

    g->out = context->form == COMMAND_TEXT ? context->out : context->err;
    if (read_options(&m, argc, argv, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    g->store = command_open_known(context, NAME);
    if (!g->store)
        return COMMAND_WRONG;
    code = begin(&m, &st);
    if (code == STATUS_OK)
        code = answers_open(m.script, g->out, &g->answers, &st);
    if (code == STATUS_OK) {
        say_state(&m);
        code = talk(&m, &st);
    }
    if (code == STATUS_OK && !m.gone)
        result = finish(&m);
    answers_close(g->answers);
    judging_free(g->judged);
    store_close(g->store, NULL);
    return code == STATUS_OK ? result : command_failed(context, NAME, &st);
}

const struct command command_measure = {
    .name = NAME,
    .summary = "a guided sitting: one connection at a time, until the verdict",
    .usage = "NAME [--answers FILE] [--wires 2|4] [--channel KIND=CHANNEL] [--new]",
    .help =
        "Asks for one connection at a time, waits until the reading rests, notes it and says what\n"
        "it means. What tells most for its minutes comes first. Where no instrument serves, the\n"
        "figure is typed. Everything is kept as it comes: 'stop', or a closed terminal, loses\n"
        "nothing, and the same command goes on where it stopped (for twelve hours).\n"
        "Exit status 0 pass, 1 fail, 3 undecided.\n\n"
        "  --answers FILE         answers from a file, one a line; - is standard input. A line\n"
        "                         'limb-a resistance: ready' waits for that question, 'others: '\n"
        "                         answers every other; # begins a comment\n"
        "  --wires 2|4            leads from the ohmmeter to the coil; the bench file may say it\n"
        "  --channel KIND=CHANNEL  which channel sends a kind; also voltage= beside a current\n"
        "                          and rise= for a captured current rise\n"
        "  --new                  ends the open sitting and begins another\n"
        "  --timeout T (60 s)     how long to wait for a steady reading\n"
        "  --stretch T (2 s)      how long it must rest\n\n"
        "example: truewound measure arm-1 --channel insulation=meter.insulation\n",
    .json = true,
    .run = run,
};
