#include "analyze/guided.h"

#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/compare.h"
#include "analyze/conditions.h"
#include "analyze/meaning.h"
#include "analyze/printing.h"
#include "analyze/recording.h"
#include "analyze/sitting.h"
#include "analyze/taking.h"
#include "analyze/twin.h"
#include "analyze/typed.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_evidence.h"

#define WIDTH       78
#define PLAIN_EVERY 5.0 /* s between lines while waiting, where a line cannot be updated */

/* A captured rise: what 'capture' takes by itself, and a rate that a small board keeps up with. */
#define RISE_SAMPLES  400.0
#define RISE_RATE_MAX 5000.0
#define RISE_RATE_MIN 50.0

/* Leads are nulled no better than this: contacts vary as much. Common practice, no source. */
#define NULL_OHM 0.005

/* Leads and clips in good order are well below this; common practice, no source. */
#define LEADS_OHM 1.0

static const char *named_channel(const struct guided *g, const char *kind)
{
    for (size_t i = 0; i < g->channels; ++i)
        if (strcmp(g->kind[i], kind) == 0)
            return g->channel[i];
    return NULL;
}

enum status_code guided_wiring(struct guided *g, struct status *st)
{
    const char *named = named_channel(g, "resistance");
    enum status_code code;

    snprintf(g->ohmmeter, sizeof g->ohmmeter, "%s", named ? named : "");
    code = wiring_settle(g->context->database, g->ohmmeter, &g->wires, st);
    if (code == STATUS_OK && !named && *g->ohmmeter && g->channels < GUIDED_CHANNELS_MAX) {
        g->channel[g->channels] = g->ohmmeter;
        snprintf(g->kind[g->channels++], sizeof g->kind[0], "resistance");
    }
    return code;
}

enum status_code guided_refresh(struct guided *g, struct status *st)
{
    struct judged *judged = NULL;
    enum status_code code;

    if (!g->judged) {
        code = judging_reach(g->context->units, g->store, g->name, GUIDE_NO_RUN, &g->judged, st);
        if (code != STATUS_OK)
            return code;
        guide_make(g->judged, &g->guide);
        for (size_t i = 0; i < g->guide.figures; ++i) /* few benches can; none is assumed */
            if (g->guide.figure[i].rise && !named_channel(g, "rise") &&
                !named_channel(g, g->guide.figure[i].kind->word))
                g->guide.figure[i].skipped = true;
    }
    code = sitting_current(g->store, &g->judged->entry, &g->run, st);
    if (code == STATUS_OK)
        code = judging_reach(g->context->units, g->store, g->name, g->run ? g->run : GUIDE_NO_RUN,
                             &judged, st);
    if (code != STATUS_OK)
        return code;
    judging_free(g->judged);
    g->judged = judged;
    return guide_mark(&g->guide, g->store, judged->entry.coil, g->run ? g->run : GUIDE_NO_RUN, st);
}

/* ---- the talk ---- */

void guided_say(struct guided *g, const char *text)
{
    printing_paragraph(g->out, 3, 3, text);
}

static bool is_word(const char *line, const char *word)
{
    return strcmp(line, word) == 0;
}

enum guided_end guided_ask(struct guided *g, const char *word, const char *question,
                           char line[ANSWERS_LINE_SIZE])
{
    switch (answers_ask(g->answers, word, question, line)) {
    case ANSWERS_GONE:
        return GUIDED_GONE;
    case ANSWERS_NONE:
        guided_say(g, "There are no more answers: the sitting stops here.");
        return GUIDED_STOP;
    case ANSWERS_LINE:
        break;
    }
    return is_word(line, "stop") ? GUIDED_STOP : GUIDED_STORED;
}

/* Asks for a plain quantity beside a figure; skipped leaves *value as it is. */
static enum guided_end ask_quantity(struct guided *g, const char *word, const char *question,
                                    const char *dimension, double *value)
{
    char line[ANSWERS_LINE_SIZE];
    struct status st;

    for (int tries = 0; tries < 3 || answers_live(g->answers); ++tries) {
        enum guided_end end = guided_ask(g, word, question, line);

        if (end != GUIDED_STORED)
            return end;
        if (is_word(line, "skip"))
            return GUIDED_SKIPPED;
        if ((!*line || is_word(line, "ready")) && isfinite(*value))
            return GUIDED_STORED;
        if (units_parse(g->context->units, line, dimension, value, &st) == STATUS_OK)
            return GUIDED_STORED;
        guided_say(g, st.text);
    }
    return GUIDED_SKIPPED;
}

/* ---- waiting at a channel ---- */

struct watching {
    struct guided *g;
    const struct quantity *quantity;
    bool interrupted;
};

static void end_live_line(struct guided *g)
{
    if (g->live_line)
        fprintf(g->out, "\r%*s\r", WIDTH, "");
    g->live_line = false;
}

static bool watch(double value, double seconds, void *user)
{
    struct watching *w = user;
    struct guided *g = w->g;
    char shown[UNITS_FORMAT_SIZE];

    if (answers_waiting(g->answers)) {
        w->interrupted = true;
        return false;
    }
    if (isfinite(value))
        units_format(shown, sizeof shown, value, NAN, w->quantity);
    else
        snprintf(shown, sizeof shown, "no figure");
    if (answers_live(g->answers)) {
        int used = fprintf(g->out, "\r   %s  waiting for it to rest, %.0f s", shown, seconds);

        fprintf(g->out, "%*s", used < 60 ? 60 - used : 0, "");
        g->live_line = true;
    } else if (seconds - g->shown_at >= PLAIN_EVERY) {
        g->shown_at = seconds;
        fprintf(g->out, "   %s after %.0f s, not yet at rest\n", shown, seconds);
    }
    fflush(g->out);
    return true;
}

/* The channel that sends a figure, if one does; *name is set where a person or its own name chose
 * it. What a scale or a caliper shows is not the figure itself, so those are typed. */
static bool find_channel(struct guided *g, const struct guide_figure *figure, const char **name,
                         int64_t *channel, struct status *st)
{
    const char *kind = figure->kind->word;
    bool measured = strcmp(kind, "temperature") == 0 || strcmp(kind, "resistance") == 0 ||
                    strcmp(kind, "current") == 0 || strcmp(kind, "insulation") == 0;

    *name = named_channel(g, kind);
    *st = (struct status){.code = STATUS_OK};
    if (!*name && strcmp(kind, "insulation") == 0 &&
        steady_channel_called(g->store, "insulation", g->insulation, sizeof g->insulation)) {
        *name = g->insulation; /* a range of its own */
    }
    if (!*name && !measured)
        return false;
    return steady_channel(g->store, *name, figure->kind->quantity, 0, channel, st) == STATUS_OK;
}

/* ---- one figure ---- */

/* What the record has for the figure now, said in words. */
static void say_meaning(struct guided *g, struct guide_figure *figure)
{
    struct gathered *gathered = malloc(sizeof *gathered);
    char text[MEANING_SIZE];
    struct status st = {.code = STATUS_MEMORY};

    if (gathered &&
        gather_evidence(g->store, &g->judged->entry, g->run, gathered, &st) == STATUS_OK &&
        meaning_of(&g->judged->entry.design, gathered, figure->entry,
                   g->judged->verdict.limits.insulation, text, &st) == STATUS_OK)
        guided_say(g, text);
    else
        guided_say(g, "Noted.");
    free(gathered);
}

static void say_beforehand(struct guided *g, const struct guide_figure *figure, double value)
{
    char shown[UNITS_FORMAT_SIZE];
    char text[200];

    units_format(shown, sizeof shown, value, NAN, quantity_find(figure->kind->quantity));
    if (strcmp(figure->place, "room") == 0)
        snprintf(text, sizeof text, "%s: what is measured is compared at this.", shown);
    else
        snprintf(text, sizeof text, "%s is taken off every reading with two leads.%s", shown,
                 value > LEADS_OHM ? " That is a lot: clean the clips, and do this again." : "");
    guided_say(g, text);
}

/* Finds the entry that was just stored, lets it replace an older one, and says what it means. */
static enum guided_end stored(struct guided *g, struct guide_figure *figure, double value)
{
    char twin[TWIN_SIZE];
    struct status st;
    bool before = figure->option == GUIDE_FIRST;

    if (sitting_current(g->store, &g->judged->entry, &g->run, &st) != STATUS_OK ||
        guide_mark(&g->guide, g->store, g->judged->entry.coil, g->run, &st) != STATUS_OK) {
        guided_say(g, st.text);
        return GUIDED_STOP;
    }
    ++g->taken;
    if (figure->stale && store_evidence_supersede_observation(g->store, figure->stale,
                                                              figure->entry, &st) != STATUS_OK)
        guided_say(g, st.text);
    if (before) {
        say_beforehand(g, figure, value);
        return GUIDED_STORED;
    }
    say_meaning(g, figure);
    if (twin_question(g->store, g->judged->entry.coil, g->run, figure->entry, twin, &st) ==
            STATUS_OK &&
        twin[0]) {
        guided_say(g, twin);
        guided_say(g, "If not, put them right and type 'again'; if they are, go on.");
    }
    return GUIDED_STORED;
}

static int keep_leads(const struct store_observation *row, void *user)
{
    double *leads = user;

    if (strcmp(row->place, "leads") == 0) {
        leads[0] = row->value;
        leads[1] = row->u;
    }
    return 0;
}

/* What the leads take: value and uncertainty, for a figure measured with two of them. */
static void find_leads(struct guided *g, const struct guide_figure *figure, double leads[2])
{
    struct status st;

    leads[0] = 0.0;
    leads[1] = NAN;
    if (g->wires == 2 && g->run && strcmp(figure->kind->word, "resistance") == 0 &&
        strcmp(figure->place, "leads") != 0)
        store_evidence_observations(g->store, g->judged->entry.coil, g->run, false, keep_leads,
                                    leads, &st);
}

static void put_known(const struct guided *g, const struct guide_figure *figure,
                      struct conditions *c)
{
    if (strcmp(figure->kind->word, "resistance") == 0 && g->wires)
        c->wires = g->wires;
    if (figure->keeper_counts)
        c->keeper = figure->keeper ? CONDITIONS_YES : CONDITIONS_NO;
}

/* What a kind cannot do without, asked for; GUIDED_STORED when it is all there. */
static enum guided_end ask_needs(struct guided *g, const struct guide_figure *figure,
                                 struct conditions *c)
{
    const char *kind = figure->kind->word;
    char word[80];
    enum guided_end end;

    if (strcmp(kind, "current") == 0 && !isfinite(c->voltage)) {
        snprintf(word, sizeof word, "%s voltage", figure->word);
        end = ask_quantity(g, word, "   voltage across the coil with this current> ", "V",
                           &c->voltage);
        return end == GUIDED_STORED && !isfinite(c->voltage) ? GUIDED_SKIPPED : end;
    }
    if (strcmp(kind, "pull") == 0) {
        snprintf(word, sizeof word, "%s current", figure->word);
        end = ask_quantity(g, word, "   current through the coil at this pull> ", "A", &c->current);
        c->gap = 0.0;
        c->keeper = CONDITIONS_YES;
        return end == GUIDED_STORED && !isfinite(c->current) ? GUIDED_SKIPPED : end;
    }
    return GUIDED_STORED;
}

static enum guided_end take(struct guided *g, struct guide_figure *figure, const char *name,
                            int64_t channel)
{
    struct watching watching = {.g = g, .quantity = quantity_find(figure->kind->quantity)};
    struct taking t;
    struct status st;
    int64_t id;
    double leads[2];
    enum guided_end end;

    taking_init(&t);
    t.kind = figure->kind;
    t.channel = channel;
    t.channel_name = name;
    t.voltage_name = named_channel(g, "voltage");
    t.steady = g->steady;
    t.steady.watch = watch;
    t.steady.user = &watching;
    if (strcmp(figure->place, "leads") == 0)
        t.steady.tolerance = NULL_OHM;
    t.supersedes = figure->entry;
    put_known(g, figure, &t.conditions);
    find_leads(g, figure, leads);
    t.leads = leads[0];
    t.leads_u = leads[1];
    if (leads[0] != 0.0)
        t.remark = "the leads are taken off";
    g->shown_at = 0.0;
    if (taking_wait(&t, g->context->database, g->store, &st) != STATUS_OK) {
        end_live_line(g);
        if (!watching.interrupted)
            guided_say(g, st.text);
        return GUIDED_RETRY;
    }
    end_live_line(g);
    if (taking_conditions(&t, g->store, &st) != STATUS_OK) {
        end = ask_needs(g, figure, &t.conditions);
        if (end != GUIDED_STORED)
            return end;
    }
    if (taking_store(&t, g->context->units, g->store, g->name, figure->place, &id, &st) !=
        STATUS_OK) {
        guided_say(g, st.text);
        return GUIDED_RETRY;
    }
    return stored(g, figure, t.value.value);
}

/* Stores what a person typed. */
static enum guided_end note(struct guided *g, struct guide_figure *figure, const char *line)
{
    struct store_observation o = {
        .coil = g->judged->entry.coil, .place = figure->place, .typed = true};
    struct conditions c;
    struct typed typed;
    struct status st;
    double leads[2];
    int64_t id;
    enum guided_end end;
    enum status_code code;

    if (typed_read(g->context->units, figure->kind, line, &typed, &st) != STATUS_OK) {
        guided_say(g, st.text);
        return GUIDED_RETRY;
    }
    conditions_init(&c);
    put_known(g, figure, &c);
    end = ask_needs(g, figure, &c);
    if (end != GUIDED_STORED)
        return end;
    find_leads(g, figure, leads);
    snprintf(c.kind, sizeof c.kind, "%s", figure->kind->word);
    c.resolution = typed.step;
    c.bound = typed.bound == TYPED_ABOVE   ? CONDITIONS_ABOVE
              : typed.bound == TYPED_BELOW ? CONDITIONS_BELOW
                                           : CONDITIONS_EQUAL;
    o.quantity = figure->kind->quantity;
    o.value = typed.value;
    o.u = typed.u;
    if (typed.bound == TYPED_EQUAL && leads[0] != 0.0) {
        o.value -= leads[0];
        o.remark = "the leads are taken off";
    }
    code = recording_begin(g->store, &g->judged->entry, &o.run, &st);
    if (code == STATUS_OK)
        code =
            recording_end(g->store, recording_add(g->store, &o, &c, figure->entry, &id, &st), &st);
    if (code != STATUS_OK) {
        guided_say(g, st.text);
        return GUIDED_RETRY;
    }
    return stored(g, figure, o.value);
}

/* What the design says of one figure at the pair; NaN where it says nothing. */
static double designed(const struct guided *g, enum evidence_kind kind, bool keeper)
{
    struct evidence_item item = {
        .kind = kind, .place = EVIDENCE_PAIR, .at = evidence_conditions_unknown()};
    struct compare_prediction prediction;
    struct status st;

    item.at.keeper = keeper;
    if (kind == EVIDENCE_INDUCTANCE) /* as the rise will see it, not a small signal */
        item.at.voltage = g->judged->entry.design.supply.voltage.value;
    if (compare_item(&g->judged->entry.design, &item, &prediction, &st) != STATUS_OK ||
        !prediction.exists)
        return NAN;
    return prediction.amount.value;
}

/* Samples a second that let RISE_SAMPLES last for eight time constants of the coil as designed. */
static double rise_rate(const struct guided *g, bool keeper)
{
    double tau =
        designed(g, EVIDENCE_INDUCTANCE, keeper) / designed(g, EVIDENCE_RESISTANCE, keeper);

    if (!(tau > 0.0))
        return RISE_RATE_MAX;
    return fmin(RISE_RATE_MAX, fmax(RISE_RATE_MIN, RISE_SAMPLES / (8.0 * tau)));
}

/* A current rise, by the command that captures one. */
static enum guided_end capture(struct guided *g, struct guide_figure *figure)
{
    const struct command *command = command_find("capture");
    struct amount supply = g->judged->entry.design.supply.voltage;
    struct command_context context = *g->context;
    const char *channel = named_channel(g, "rise");
    double voltage = amount_given(supply) ? supply.value : NAN;
    char question[160];
    char volts[40];
    char rate[40];
    char word[80];
    char name[64];
    char place[16];
    enum guided_end end;

    if (!command || !channel)
        return GUIDED_RETRY;
    if (isfinite(voltage))
        snprintf(question, sizeof question,
                 "   voltage the coil is switched to (Enter: %.4g V, as designed)> ", voltage);
    else
        snprintf(question, sizeof question, "   voltage the coil is switched to> ");
    snprintf(word, sizeof word, "%s voltage", figure->word);
    end = ask_quantity(g, word, question, "V", &voltage);
    if (end != GUIDED_STORED)
        return end;
    snprintf(volts, sizeof volts, "%.9g V", voltage);
    snprintf(rate, sizeof rate, "%.4g Hz", rise_rate(g, figure->keeper));
    snprintf(name, sizeof name, "%s", g->name);
    snprintf(place, sizeof place, "%s", figure->place);
    {
        char words[7][16] = {"capture", "--channel", "--voltage", "--keeper",
                             "on",      "off",       "--rate"};
        char *from = strdup(channel);
        char *argv[] = {words[0], name,     place,
                        words[1], from,     words[2],
                        volts,    words[3], figure->keeper ? words[4] : words[5],
                        words[6], rate,     NULL};
        int result;

        context.out = g->out;
        context.form = COMMAND_TEXT;
        optind = 0;
        result = from ? command->run(&context, 11, argv) : COMMAND_WRONG;
        free(from);
        if (result != COMMAND_DONE) {
            guided_say(g, "Look at supply, clips and board, and try again; or skip.");
            return GUIDED_RETRY;
        }
    }
    return stored(g, figure, NAN);
}

static void say_help(struct guided *g, bool channel)
{
    guided_say(g, channel
                      ? "Enter (or 'ready') when the leads are on: the reading is taken once it "
                        "rests. Or type the figure with its unit."
                      : "Type the figure with its unit; '> 20 Mohm' and '8.7 ohm +- 0.1 ohm' "
                        "are understood.");
    guided_say(g, "'again' repeats the last figure and puts it in place of the old one, 'skip' "
                  "leaves this one out, 'stop' ends for now: everything noted is kept, and the "
                  "same command goes on later.");
}

enum guided_end guided_figure(struct guided *g, struct guide_figure *figure, const char *why)
{
    struct guide_words words;
    struct status st;
    const char *name = NULL;
    char caution[sizeof words.caution + 8];
    char question[120];
    char line[ANSWERS_LINE_SIZE];
    int64_t channel = 0;
    bool found;
    enum guided_end end = GUIDED_RETRY;

    guide_words(figure, g->judged, &words);
    fprintf(g->out, "\n%lu. %s%s%s\n", ++g->asked, words.title, *why ? "  - " : "", why);
    guided_say(g, words.say);
    if (words.caution[0]) {
        snprintf(caution, sizeof caution, "Mind: %s",
                 strcmp(words.caution, g->caution) == 0 ? "as before." : words.caution);
        guided_say(g, caution);
    }
    snprintf(g->caution, sizeof g->caution, "%s", words.caution);
    found = find_channel(g, figure, &name, &channel, &st);
    found = found || (figure->rise && named_channel(g, "rise"));
    snprintf(question, sizeof question, "   %s (%s)> ", figure->word,
             found ? "Enter when ready, or type it" : "type it, or skip");
    for (int tries = 0; end == GUIDED_RETRY; ++tries) {
        if (tries == 3 && !answers_live(g->answers)) {
            guided_say(g, "Left out after three attempts.");
            end = GUIDED_SKIPPED;
            break;
        }
        end = guided_ask(g, figure->word, question, line);
        if (end != GUIDED_STORED)
            return end;
        if (is_word(line, "skip"))
            end = GUIDED_SKIPPED;
        else if (is_word(line, "again"))
            end = GUIDED_BACK;
        else if (is_word(line, "?") || is_word(line, "help")) {
            say_help(g, found);
            end = GUIDED_RETRY;
        } else if (*line && !is_word(line, "ready"))
            end = note(g, figure, line);
        else if (figure->rise && named_channel(g, "rise"))
            end = capture(g, figure);
        else if (find_channel(g, figure, &name, &channel, &st)) /* it may have come meanwhile */
            end = take(g, figure, name, channel);
        else {
            guided_say(g, st.code == STATUS_INPUT
                              ? st.text
                              : "No instrument sends this now: type it with its unit, or skip.");
            end = GUIDED_RETRY;
        }
    }
    if (end == GUIDED_SKIPPED)
        figure->skipped = true;
    return end;
}
