#include "analyze/infer/reasons.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/wording.h"

#define SAY_FINDING 0.02 /* findings below this are not worth a line */
#define UNTESTED    0.3  /* logarithm of the evidence for a finding over that for none */
#define HIDDEN_MOST 0.3  /* share of shorted turns beyond which they are said to be untried */

static void add_line(struct verdict *v, const char *text)
{
    if (v->lines < VERDICT_LINES_MAX && text[0])
        wording_say(v->line[v->lines++], "%s", text);
}

/* True when a finding is as likely as before for want of any measurement that bears on it: of a
 * coil that passes it is no rival explanation but something that was not tested. */
static bool untested(const struct verdict *v, const struct verdict_finding *f)
{
    for (size_t i = 0; i < v->findings; i++)
        if (v->finding[i].finding->faults == 0)
            return fabs(f->log_evidence - v->finding[i].log_evidence) < UNTESTED;
    return false;
}

static void write_untested(const struct limits_untried *untried, struct verdict *v)
{
    const unsigned iron = FINDING_HARD | FINDING_SATURATED | FINDING_GAP;
    char text[VERDICT_LINE_SIZE] = "", p[16];
    size_t used = 0;

    for (size_t i = 1; i < v->findings && v->finding[i].probability >= SAY_FINDING; i++) {
        const struct finding *f = v->finding[i].finding;

        /* These have a line of their own. */
        if (f->class == FINDING_BENCH || (f->faults & (LIMITS_SHORTED | LIMITS_JOINT)) ||
            !untested(v, &v->finding[i]) || (untried->iron && (f->faults & iron)) ||
            (untried->insulation && (f->faults & FINDING_LEAKAGE)) || used + 80 > sizeof text)
            continue;
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%s (%s)",
                                 used ? ", " : "Not tested by what was measured: ", f->title,
                                 wording_percent(v->finding[i].probability, p));
    }
    if (used && used + 2 < sizeof text)
        snprintf(text + used, sizeof text - used, ".");
    add_line(v, text);
}

/* A coil that fails, though no fault leads: by which figure. */
static void write_beyond(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    const struct verdict_estimate *worst = NULL;
    double most = 1, off = 0;
    char p[16], name[64];

    for (size_t i = 0; i < v->estimates; i++) {
        const struct verdict_estimate *e = &v->estimate[i];
        bool ohms = strncmp(e->name, "resistance of limb", 18) == 0;
        bool turns = strncmp(e->name, "turns of limb", 13) == 0;
        double limit = ohms ? v->limits.resistance : v->limits.turns, here;

        if ((!ohms && !turns) || !(e->expected > 0))
            continue;
        here = e->median / e->expected - 1;
        if (fabs(here) > most * limit) {
            most = fabs(here) / limit;
            off = here;
            worst = e;
        }
    }
    /* "... at 20 C" as a person has it. */
    snprintf(name, sizeof name, "%s", worst ? worst->name : "");
    if (worst && strcmp(worst->unit, "ohm") == 0 && strlen(name) > 2 &&
        strcmp(name + strlen(name) - 2, " C") == 0)
        snprintf(name + strlen(name) - 1, 8, "°C");
    if (worst && isfinite(off))
        wording_say(text, "Not within its limits (%s): the %s is %.0f %% %s the design's.",
                    wording_percent(v->fail_probability, p), name, 100 * fabs(off),
                    off < 0 ? "below" : "above");
    else
        wording_say(text, "Not within its limits (%s), though no one fault stands out.",
                    wording_percent(v->fail_probability, p));
}

/* What keeps a coil from passing that nothing speaks against. */
static void write_doubt(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    char beyond[32] = "";

    if (v->doubt->faults & (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE))
        snprintf(beyond, sizeof beyond, " by more than %.3g %%", 100 * v->limits.turns);
    wording_say(
        text,
        "Not decided: nothing speaks against this coil, but with %s%s these readings could look "
        "much the same.",
        v->doubt->title, beyond);
}

/* What a coil may have and pass. */
static void write_hidden(const struct suppose *s, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE] = "", ohm[24];
    const char *lead = "Would not show in these readings: ";
    double n = v->shorted_hidden * suppose_nominal(s)->turns[0];
    bool no_shorted = v->shorted_hidden > HIDDEN_MOST;
    bool no_joint = v->joint_hidden > HIDDEN_MOST * suppose_expected(s)->y[COIL_RESISTANCE_PAIR];
    size_t used = 0;

    if (no_shorted || no_joint) {
        wording_say(text, "Not tried: %s%s%s.", no_shorted ? "shorted turns" : "",
                    no_shorted && no_joint ? ", " : "", no_joint ? "joints" : "");
        add_line(v, text);
        text[0] = '\0';
    }
    if (v->turns_hidden > v->limits.turns) {
        used += (size_t)snprintf(text + used, sizeof text - used,
                                 "%sturns wrong by less than about %.0f %%", lead,
                                 ceil(100 * v->turns_hidden));
        lead = "; ";
    }
    if (n > 0 && !no_shorted) {
        used += (size_t)snprintf(text + used, sizeof text - used,
                                 "%sfewer than about %.0f shorted turns on a limb", lead,
                                 fmax(2, n > 30 ? 5 * ceil(n / 5) : ceil(n)));
        lead = "; ";
    }
    if (v->joint_hidden > 0 && !no_joint) {
        wording_ohm(v->joint_hidden, ohm);
        used += (size_t)snprintf(text + used, sizeof text - used, "%sa bad joint below about %s",
                                 lead, ohm);
    }
    if (used && used + 2 < sizeof text) {
        snprintf(text + used, sizeof text - used, ".");
        add_line(v, text);
    }
}

/* A bar has no other pole to compare with. */
static void write_reversed(const struct suppose *s, const struct evidence_set *evidence,
                           struct verdict *v)
{
    bool seen = false;

    for (size_t i = 0; i < evidence->count && design_limbs(suppose_design(s)) < 2; i++)
        seen = seen || (evidence->item[i].kind == EVIDENCE_POLARITY && evidence->item[i].value < 0);
    if (seen)
        add_line(v, "The free end is a south pole with current from start to finish: harmless by "
                    "itself; where the pole matters, swap the two ends of the coil.");
}

void reasons_write(const struct suppose *s, const struct evidence_set *evidence,
                   const struct limits_untried *untried, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16], q[16];
    const struct verdict_finding *lead = v->findings ? &v->finding[0] : NULL;

    if (evidence->count == 0) {
        add_line(v, "Nothing has been measured yet.");
        return;
    }
    if (v->unexplained) {
        wording_say(text,
                    "None of the findings explains the measurements together (p = %.2g): check the "
                    "readings and the design before acting on this.",
                    v->fit_p);
        add_line(v, text);
    }
    for (size_t i = 0; i < v->misfits && i < 2; i++) {
        const struct evidence_item *e = &evidence->item[v->misfit[i].item];
        const char *unit = evidence_unit(e->kind);
        double scale = 1;
        char value[48];

        if (strcmp(unit, "ohm") == 0)
            unit = wording_ohm_unit(e->value, &scale);
        else if (strcmp(unit, "kg") == 0 && e->value < 1)
            unit = "g", scale = 1e-3;
        else if (strcmp(unit, "m") == 0)
            unit = "mm", scale = 1e-3;
        if (e->kind == EVIDENCE_POLARITY)
            snprintf(value, sizeof value, "%s", e->value > 0 ? "north" : "south");
        else
            snprintf(value, sizeof value, "%.4g%s%s", e->value / scale, *unit ? " " : "", unit);
        wording_say(text,
                    "The %s, %s, does not fit the rest (%s a mistake at the bench): take it again.",
                    e->source, value, wording_percent(v->misfit[i].probability, p));
        add_line(v, text);
    }
    if (lead && v->result == VERDICT_PASS) {
        wording_say(text, "Within its limits (%s).", wording_percent(v->pass_probability, p));
        add_line(v, text);
        if (lead->finding->class != FINDING_GOOD) {
            wording_say(text, "Yet most likely not quite as designed: %s (%s).", lead->text,
                        wording_percent(lead->probability, q));
            add_line(v, text);
        }
    } else if (lead && v->result == VERDICT_FAIL) {
        bool faulty = lead->finding->class != FINDING_GOOD && lead->finding->class != FINDING_BENCH;

        if (faulty) {
            wording_say(text, "Not within its limits (%s): %s (%s).",
                        wording_percent(v->fail_probability, p), lead->text,
                        wording_percent(lead->probability, q));
            add_line(v, text);
        } else {
            write_beyond(v, text);
            add_line(v, text);
            wording_say(text, "Most likely: %s (%s).", lead->text,
                        wording_percent(lead->probability, p));
            add_line(v, text);
        }
        if (lead->remedy[0]) {
            wording_say(text, "What to do: %s.", lead->remedy);
            add_line(v, text);
        }
    } else if (lead && v->doubt) {
        write_doubt(v, text);
        add_line(v, text);
        wording_say(text, "Most likely: %s (%s).", lead->text,
                    wording_percent(lead->probability, p));
        add_line(v, text);
        if (lead->remedy[0]) {
            wording_say(text, "If so: %s.", lead->remedy);
            add_line(v, text);
        }
    } else if (lead) {
        if (v->unexplained && v->fail_probability >= v->limits.sure)
            wording_say(
                text,
                "Not decided, since they do not fit together; taken as they stand this is no coil "
                "of this design (%s): is it the right one that is on the clips?",
                wording_percent(v->fail_probability, q));
        else
            wording_say(text, "Not decided: within its limits %s, not within them %s.",
                        wording_percent(v->pass_probability, p),
                        wording_percent(v->fail_probability, q));
        add_line(v, text);
        wording_say(text, "Most likely: %s (%s).", lead->text,
                    wording_percent(lead->probability, p));
        add_line(v, text);
        if (lead->finding->class != FINDING_GOOD && lead->probability > 0.5 && lead->remedy[0]) {
            wording_say(text, "If so: %s.", lead->remedy);
            add_line(v, text);
        }
    }
    for (size_t i = 1; i < v->findings && v->lines < VERDICT_LINES_MAX - 3 && i < 4; i++) {
        if (v->finding[i].probability < SAY_FINDING)
            break;
        if (v->result == VERDICT_PASS && untested(v, &v->finding[i]))
            continue;
        wording_say(text, "Or: %s (%s).", v->finding[i].text,
                    wording_percent(v->finding[i].probability, p));
        add_line(v, text);
    }
    if (v->result == VERDICT_PASS) {
        write_untested(untried, v);
        write_hidden(s, v);
    }
    write_reversed(s, evidence, v);
    if (v->direction_open && design_limbs(suppose_design(s)) > 1) {
        wording_say(
            text,
            "Nothing measured so far tells aiding limbs from cancelling ones (resistance is the "
            "same either way); cancelling is %s likely until polarity, pull or inductance is seen.",
            wording_percent(v->cancel_probability, p));
        add_line(v, text);
    }
    if (untried->iron || untried->insulation) {
        wording_say(text, "Not tried: %s%s%s.",
                    untried->iron ? "iron and gap (no pull, nor inductance with keeper, taken)"
                                  : "",
                    untried->iron && untried->insulation ? "; " : "",
                    untried->insulation ? "insulation to the core" : "");
        add_line(v, text);
    }
    if (v->limits.turns_default || v->limits.resistance_default) {
        wording_say(text, "Limits used: turns +-%.0f %%%s, resistance +-%.0f %%%s.",
                    100 * v->limits.turns, v->limits.turns_default ? " (trade default)" : "",
                    100 * v->limits.resistance,
                    v->limits.resistance_default ? " (trade default)" : "");
        add_line(v, text);
    }
}
