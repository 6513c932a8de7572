#include "analyze/liftreport.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "analyze/printing.h"

#define WORDS 160

const char *const *liftreport_cautions(void)
{
    static const char *const cautions[] = {
        "Never stand or reach under a load: a magnet drops it when the supply fails, a lead comes "
        "off or the battery ends. Keep fingers from between pole and keeper.",
        "Left on, a winding gets hot enough to burn fingers and its own insulation.",
        "Switched off, it gives a voltage spike: fit a diode across it, do not hold the bare ends.",
        "This is advice for a bench. Real lifting gear is a matter for licensed practice and local "
        "rules.",
        NULL};

    return cautions;
}

struct lift_plan liftreport_plan(const struct lifting *l, double most)
{
    struct lift_plan_options options = {.start = log(l->predicted.value),
                                        .most = most > 0.0 ? log(most) : INFINITY,
                                        .width = 0.1,
                                        .trials = 24};

    /* the first load is one that should hold: a fall teaches the fingers, not the fit */
    options.start -= 0.5;
    return lift_next(l->trial, l->trials, &l->fit, &options);
}

/* ---- text ---- */

__attribute__((format(printf, 3, 4))) static void say(FILE *out, const char *name,
                                                      const char *format, ...)
{
    char text[800];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    fprintf(out, "  %-14s  ", name);
    printing_paragraph(out, -18, 18, text);
}

static const char *gap_words(char buf[WORDS], double gap)
{
    if (gap < 1e-9)
        snprintf(buf, WORDS, "contact");
    else
        snprintf(buf, WORDS, "a shim of %.3g mm", 1e3 * gap);
    return buf;
}

static const char *plan_words(char buf[2 * WORDS], const struct lift_plan *plan)
{
    char a[WORDS];

    switch (plan->advice) {
    case LIFT_TRY:
        if (isfinite(plan->next))
            snprintf(buf, 2 * WORDS, "try about %s", lifting_words(a, sizeof a, exp(plan->next)));
        else
            snprintf(buf, 2 * WORDS, "begin with a load that should hold");
        break;
    case LIFT_PRECISE:
        snprintf(buf, 2 * WORDS, "nothing: the pull is known within 10 %%");
        break;
    case LIFT_ENOUGH:
        snprintf(buf, 2 * WORDS, "nothing: as many trials as are worth their time");
        break;
    case LIFT_OUT_OF_LOAD:
        snprintf(buf, 2 * WORDS, "nothing: it holds the greatest load there is");
        break;
    }
    return buf;
}

static const char *mm(char buf[WORDS], double metre)
{
    if (metre <= 0.0)
        snprintf(buf, WORDS, "none");
    else if (!isfinite(metre))
        snprintf(buf, WORDS, "more than 5 mm");
    else
        snprintf(buf, WORDS, "%.2g mm", 1e3 * metre);
    return buf;
}

static void say_contact(FILE *out, const struct lifting *l)
{
    const struct lifting_figure *c = &l->contact;
    char a[WORDS];
    char b[WORDS];
    char d[WORDS];

    if (l->hint == LIFTING_NO_HINT)
        return;
    if (l->hint == LIFTING_TOO_STRONG) {
        say(out, "air left",
            "no air at all would not explain it: the pull is above what this design can give. "
            "Check the load's unit, the current and the turns.");
        return;
    }
    if (isfinite(c->value))
        say(out, "air left", "%s at each pole%s, 95 %% from %s to %s; the design allows %s",
            mm(a, c->value), l->gap > 0.0 ? " beside the shim" : "", mm(b, c->low), mm(d, c->high),
            mm((char[WORDS]){0}, l->contact_design));
    else if (isfinite(c->high))
        say(out, "air left", "at most %s at each pole%s; the design allows %s", mm(a, c->high),
            l->gap > 0.0 ? " beside the shim" : "", mm(b, l->contact_design));
    else
        say(out, "air left", "at least %s at each pole%s; the design allows %s", mm(a, c->low),
            l->gap > 0.0 ? " beside the shim" : "", mm(b, l->contact_design));
}

static void say_meaning(FILE *out, const struct lifting *l)
{
    char a[WORDS];

    switch (l->hint) {
    case LIFTING_TOO_WEAK:
        say(out, "this says",
            "far weaker than any well seated face explains%s. Verify the "
            "polarity and resistance of each limb ('truewound verify').",
            isfinite(l->cancelling) && l->pull.value < 3.0 * l->cancelling
                ? ", and about what is left when one limb cancels the other"
                : ": a limb that cancels or is shorted, missing turns, or less current than read");
        break;
    case LIFTING_WIDE_GAP:
        say(out, "this says",
            "weaker than filed faces should give: look for paint, rust, a burr, or a keeper that "
            "rocks; then for missing turns ('truewound verify').");
        break;
    case LIFTING_OPEN:
        say(out, "this says",
            "nothing against the design yet, and little for it: a load that falls is wanted too.");
        break;
    case LIFTING_AGREES:
        if (isfinite(l->contact.low) && l->contact.low > l->contact_design)
            say(out, "this says",
                "the coil agrees with its design, but its faces sit as filed faces do, not as "
                "close "
                "as the design allows: lapping them would gain pull.");
        else
            say(out, "this says", "the pull agrees with the design and a face that sits well.");
        break;
    default:
        break;
    }
    if (l->limit)
        say(out, "saturation",
            "the %s saturates first: here one per cent more current gives %.2g %% more pull "
            "(2 %% without).",
            l->limit, l->saturation);
    if (isfinite(l->cancelling))
        say(out, "if cancelling", "one limb against the other would hold %s.",
            lifting_words(a, sizeof a, l->cancelling));
}

static void say_margin(FILE *out, const struct lifting *l)
{
    char a[WORDS];
    double best;
    double least;

    if (!l->worst)
        return;
    say(out, l->worst_battery ? "end of battery" : "worst day",
        "supply at %.3g V, winding at %.0f °C: %.3g mA", l->worst_voltage, l->worst_temperature,
        1e3 * l->worst_current);
    if (l->fit.kind == LIFT_NOTHING)
        return;
    if (l->hint == LIFTING_TOO_STRONG) {
        say(out, "holds then",
            "not worked out, and no safe load named: the trials contradict the "
            "design. Settle that first.");
        return;
    }
    say(out, "holds then", "%s", lifting_figure_words(a, sizeof a, &l->worst_pull));
    best = l->worst_pull.value / l->wanted;
    least = l->worst_pull.low / l->wanted;
    if (isfinite(l->wanted) && l->wanted > 0.0) {
        const char *when = l->worst_battery ? "at end-of-life battery" : "on its worst day";

        if (isfinite(best))
            say(out, "margin",
                "%s it still holds %.2g times the load of %s (at least %.2g, 95 %%).", when, best,
                lifting_words(a, sizeof a, l->wanted), least);
        else if (least > 0.0)
            say(out, "margin", "%s it still holds at least %.2g times the load of %s (95 %%).",
                when, least, lifting_words(a, sizeof a, l->wanted));
        else
            say(out, "margin", "%s it holds at most %.2g times the load of %s.", when,
                l->worst_pull.high / l->wanted, lifting_words(a, sizeof a, l->wanted));
    }
    if (isfinite(l->safe))
        say(out, "advice", "hang no more than %s on it: the sure pull%s over %.2g.",
            lifting_words(a, sizeof a, l->safe),
            l->untried ? " of the trials, for nothing was tried beyond," : "", l->factor);
    else
        say(out, "advice", "no safe load can be named: nothing held yet.");
}

static void say_sticking(FILE *out, const struct lifting *l)
{
    char a[WORDS];
    char b[WORDS];
    char c[WORDS];

    if (!isfinite(l->residual))
        return;
    if (l->sticks.low > 0.0 || isfinite(l->sticks.high))
        say(out, "sticking", "%s left after switching off; predicted %s",
            lifting_figure_words(a, sizeof a, &l->sticks), lifting_words(b, sizeof b, l->residual));
    else
        say(out, "sticking",
            "predicted %s left after switching off (within a factor of two; hang "
            "a load, switch off, and note sticks or 'falls off')",
            lifting_words(a, sizeof a, l->residual));
    if (l->free_shim == 0.0)
        say(out, "frees itself", "%s pulls it off without a shim",
            lifting_words(a, sizeof a, l->release));
    else if (isfinite(l->free_shim))
        say(out, "frees itself",
            "with a brass or paper shim of %.2g mm at each pole, pulled off by %s; it then holds "
            "about %s",
            1e3 * l->free_shim, lifting_words(a, sizeof a, l->release),
            lifting_words(b, sizeof b, l->free_load));
    else
        say(out, "frees itself", "not with a shim up to 3 mm and %s: a softer iron is needed",
            lifting_words(c, sizeof c, l->release));
}

static void print_groups(FILE *out, const struct lifting *l)
{
    char a[WORDS];

    if (!l->groups)
        return;
    fprintf(out, "\n  %-20s %7s %5s %5s  %-18s %s\n", "gap at each pole", "trials", "held", "fell",
            "most held", "least that fell");
    for (size_t i = 0; i < l->groups; ++i) {
        const struct lifting_group *g = &l->group[i];
        char most[WORDS] = "-";
        char least[WORDS] = "-";

        if (isfinite(g->most_held))
            lifting_words(most, sizeof most, g->most_held);
        if (isfinite(g->least_fell))
            lifting_words(least, sizeof least, g->least_fell);
        fprintf(out, "  %-20s %7zu %5zu %5zu  %-18s %s\n", gap_words(a, g->gap), g->trials, g->held,
                g->fell, most, least);
    }
    fprintf(out, "\n");
}

static int print_text(const struct command_context *context, const struct lifting *l)
{
    struct lift_plan plan = liftreport_plan(l, NAN);
    FILE *out = context->out;
    char a[2 * WORDS];
    char b[WORDS];

    fprintf(out, "%s: lift at %.4g mA, %s\n", l->entry.design.name, 1e3 * l->current,
            gap_words(a, l->gap));
    print_groups(out, l);
    say(out, "holds", "%s", lifting_figure_words(a, sizeof a, &l->pull));
    say(out, "design says", "%s, 95 %% from %.3g N to %.3g N",
        lifting_words(b, sizeof b, l->predicted.value), l->predicted.low, l->predicted.high);
    if (l->fit.kind == LIFT_INTERVAL)
        say(out, "scatter", "%.2g %% from one seating to the next%s", 100.0 * l->fit.scatter,
            l->fit.overlap ? "" : " (taken from practice: held and fallen loads do not overlap)");
    say_contact(out, l);
    say_meaning(out, l);
    say_margin(out, l);
    say_sticking(out, l);
    say(out, "next", "%s", plan_words(a, &plan));
    for (size_t i = 0; i < l->gathered.notes; ++i) {
        snprintf(a, sizeof a, "note: %s", l->gathered.note[i]);
        printing_paragraph(out, 0, 6, a);
    }
    fprintf(out, "\n");
    for (const char *const *c = liftreport_cautions(); *c; ++c)
        printing_paragraph(out, 0, 2, *c);
    return COMMAND_DONE;
}

void liftreport_short(const struct command_context *context, const struct lifting *l)
{
    struct lift_plan plan = liftreport_plan(l, NAN);
    char a[2 * WORDS];

    say(context->out, "so far", "%s", lifting_figure_words(a, sizeof a, &l->pull));
    say(context->out, "next", "%s", plan_words(a, &plan));
}

/* ---- JSON ---- */

static json_t *figure(const struct lifting_figure *f)
{
    return json_pack("{s:o, s:o, s:o}", "value", printing_number(f->value), "low",
                     f->low > 0.0 ? printing_number(f->low) : json_null(), "high",
                     printing_number(f->high));
}

static void put(json_t *root, const char *name, json_t *value)
{
    json_object_set_new(root, name, value ? value : json_null());
}

static int print_json(const struct command_context *context, const struct lifting *l)
{
    static const char *const kinds[] = {[LIFT_NOTHING] = "nothing",
                                        [LIFT_INTERVAL] = "interval",
                                        [LIFT_AT_LEAST] = "at least",
                                        [LIFT_AT_MOST] = "at most"};
    static const char *const hints[] = {
        [LIFTING_NO_HINT] = "none",      [LIFTING_OPEN] = "open",
        [LIFTING_AGREES] = "agrees",     [LIFTING_TOO_WEAK] = "too weak",
        [LIFTING_WIDE_GAP] = "wide gap", [LIFTING_TOO_STRONG] = "too strong"};
    struct lift_plan plan = liftreport_plan(l, NAN);
    json_t *root = json_object();
    json_t *groups = json_array();
    json_t *notes = json_array();

    for (size_t i = 0; i < l->groups; ++i)
        json_array_append_new(
            groups, json_pack("{s:f, s:I, s:I, s:I, s:o, s:o}", "gap", l->group[i].gap, "trials",
                              (json_int_t)l->group[i].trials, "held", (json_int_t)l->group[i].held,
                              "fell", (json_int_t)l->group[i].fell, "most_held",
                              printing_number(l->group[i].most_held), "least_fell",
                              printing_number(l->group[i].least_fell)));
    for (size_t i = 0; i < l->gathered.notes; ++i)
        json_array_append_new(notes, json_string(l->gathered.note[i]));
    put(root, "coil", json_string(l->entry.design.name));
    put(root, "current", printing_number(l->current));
    put(root, "gap", printing_number(l->gap));
    put(root, "groups", groups);
    put(root, "trials", json_integer((json_int_t)l->trials));
    put(root, "kind", json_string(kinds[l->fit.kind]));
    put(root, "pull", figure(&l->pull));
    put(root, "predicted", figure(&l->predicted));
    put(root, "scatter", printing_number(l->fit.scatter));
    put(root, "overlap", json_boolean(l->fit.overlap));
    put(root, "contact", figure(&l->contact));
    put(root, "contact_design", printing_number(l->contact_design));
    put(root, "meaning", json_string(hints[l->hint]));
    put(root, "saturates", l->limit ? json_string(l->limit) : NULL);
    put(root, "exponent", printing_number(l->saturation));
    put(root, "cancelling", printing_number(l->cancelling));
    put(root, "end_of_battery", json_boolean(l->worst_battery));
    put(root, "worst_voltage", printing_number(l->worst ? l->worst_voltage : NAN));
    put(root, "worst_temperature", printing_number(l->worst ? l->worst_temperature : NAN));
    put(root, "worst_current", printing_number(l->worst ? l->worst_current : NAN));
    put(root, "worst_pull", figure(&l->worst_pull));
    put(root, "wanted", printing_number(l->wanted));
    put(root, "factor", printing_number(l->factor));
    put(root, "safe_load", printing_number(l->safe));
    put(root, "residual_predicted", printing_number(l->residual));
    put(root, "sticks", figure(&l->sticks));
    put(root, "release", printing_number(l->release));
    put(root, "free_shim", printing_number(l->free_shim));
    put(root, "next", printing_number(exp(plan.next)));
    put(root, "stop", json_boolean(plan.advice != LIFT_TRY));
    put(root, "notes", notes);
    return printing_json(context, "lift", root);
}

int liftreport_print(const struct command_context *context, const struct lifting *lifting)
{
    return context->form == COMMAND_JSON ? print_json(context, lifting)
                                         : print_text(context, lifting);
}
