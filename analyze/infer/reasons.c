#include "analyze/infer/reasons.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/doubt.h"
#include "analyze/infer/wording.h"

#define SAY_FINDING 0.02 /* findings below this are not worth a line */
#define WEAK_PULL   0.5  /* of the design's: less is more than any doubt about either */
#define UNTESTED    0.3  /* logarithm of the evidence for a finding over that for none */
#define ALIKE       0.33 /* as likely with a fault as without, or nearly */
#define HIDDEN_MOST 0.3  /* share of shorted turns beyond which they are said to be untried */

static void add_line(struct verdict *v, const char *text)
{
    if (v->lines < VERDICT_LINES_MAX && text[0])
        wording_say(v->line[v->lines++], "%s", text);
}

static void add_reserve(struct verdict *v, const char *text)
{
    if (v->lines < VERDICT_LINES_MAX && text[0])
        v->reserve[v->lines] = true;
    add_line(v, text);
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
    add_reserve(v, text);
}

/* A coil that fails, though no fault leads: by which figure. */
static void write_beyond(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    const struct verdict_estimate *worst = NULL;
    double most = 1, off = 0, allowed = 0;
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
            allowed = limit;
            worst = e;
        }
    }
    /* "... at 20 C" as a person has it. */
    snprintf(name, sizeof name, "%s", worst ? worst->name : "");
    if (worst && strcmp(worst->unit, "ohm") == 0 && strlen(name) > 2 &&
        strcmp(name + strlen(name) - 2, " C") == 0)
        snprintf(name + strlen(name) - 1, 8, "°C");
    if (worst && isfinite(off))
        wording_say(text,
                    "Not within its limits (%s): the %s is %.2g %% %s the design's, %.3g %% is "
                    "allowed.",
                    wording_percent(v->fail_probability, p), name, 100 * fabs(off),
                    off < 0 ? "below" : "above", 100 * allowed);
    else
        wording_say(text, "Not within its limits (%s), though no one fault stands out.",
                    wording_percent(v->fail_probability, p));
}

/* What keeps a coil from passing that nothing speaks against. */
static void write_doubt(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    char beyond[64] = "", less[64] = "could look much the same", p[16];

    if (v->doubt->faults & LIMITS_TURNS)
        snprintf(beyond, sizeof beyond, " by more than %.3g %%", 100 * v->limits.turns);
    else if (v->doubt->faults & LIMITS_SHORTED)
        snprintf(beyond, sizeof beyond, ", more than %.3g %% of them,",
                 100 * fmax(v->limits.shorted, v->limits.turns));
    if (v->doubt_factor < ALIKE)
        snprintf(less, sizeof less, "would be only %.0f times less likely", 1 / v->doubt_factor);
    if (v->finding[0].finding->class == FINDING_BENCH) {
        wording_say(text,
                    "Not decided: no fault of the coil need be looked for, but until the "
                    "measurement is put right %s%s might hide behind it.",
                    v->doubt->title, beyond);
        return;
    }
    wording_say(text,
                "Not decided: %s and most such coils are right (%s), but with %s%s these readings "
                "%s.",
                v->misfits ? "the rest fits a sound coil" : "nothing speaks against this coil",
                wording_percent(v->pass_probability, p), v->doubt->title, beyond, less);
}

/* Adds to a list in a sentence. */
static void list_on(char text[VERDICT_LINE_SIZE], bool given, const char *first,
                    const char *between, const char *word)
{
    size_t used = strlen(text);

    if (given)
        snprintf(text + used, VERDICT_LINE_SIZE - used, "%s%s", used ? between : first, word);
}

/* Shorted turns and joints of a coil that passes: what the readings say nothing about at all. */
static bool shorted_untried(const struct verdict *v)
{
    return v->result == VERDICT_PASS && v->shorted_hidden > HIDDEN_MOST;
}

static bool joint_untried(const struct suppose *s, const struct verdict *v)
{
    return v->result == VERDICT_PASS &&
           v->joint_hidden > HIDDEN_MOST * suppose_expected(s)->y[COIL_RESISTANCE_PAIR];
}

/* A pass is one for what was tried. */
static void write_pass(const struct suppose *s, const struct limits_untried *untried,
                       const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    char tried[VERDICT_LINE_SIZE] = "", p[16];

    list_on(tried, true, "", "", "wire, turns, resistance at 20 °C");
    list_on(tried, design_limbs(suppose_design(s)) > 1, "", ", ", "direction");
    list_on(tried, !joint_untried(s, v), "", ", ", "joints");
    list_on(tried, !shorted_untried(v), "", ", ", "shorted turns");
    list_on(tried, !untried->iron, "", ", ", "iron and gap");
    list_on(tried, !untried->insulation, "", ", ", "insulation");
    wording_say(text, "Within its limits (%s), as far as was tried: %s.",
                wording_percent(v->pass_probability, p), tried);
}

static void write_untried(const struct suppose *s, const struct limits_untried *untried,
                          struct verdict *v)
{
    const char *lead = "Not tried: ";
    char text[VERDICT_LINE_SIZE] = "";

    list_on(text, untried->iron, lead, "; ",
            "iron and gap (no pull, nor inductance with keeper, taken)");
    list_on(text, untried->insulation, lead, "; ", "insulation to the core");
    list_on(text, shorted_untried(v), lead, "; ", "shorted turns");
    list_on(text, joint_untried(s, v), lead, "; ", "joints");
    list_on(text, text[0] != '\0', "", "", ".");
    add_reserve(v, text);
}

/* What a coil may have and pass. */
static void write_hidden(const struct suppose *s, struct verdict *v)
{
    const char *lead = "Would not show in these readings: ";
    char text[VERDICT_LINE_SIZE] = "", ohm[24], part[80];
    double n = v->shorted_hidden * suppose_nominal(s)->turns[0];

    if (v->turns_hidden > v->limits.turns) {
        wording_say(
            text,
            "That the turns keep %.3g %% is likely, not shown: less than about %.0f %% wrong "
            "would hardly show in these readings.",
            100 * v->limits.turns, ceil(100 * v->turns_hidden));
        add_reserve(v, text);
        text[0] = '\0';
    }
    snprintf(part, sizeof part, "fewer than about %.0f shorted turns on a limb",
             fmax(2, n > 30 ? 5 * ceil(n / 5) : ceil(n)));
    list_on(text, n > 0 && !shorted_untried(v), lead, "; ", part);
    if (v->joint_hidden > 0 && !joint_untried(s, v)) {
        wording_ohm(v->joint_hidden, ohm);
        snprintf(part, sizeof part, "a bad joint below about %s", ohm);
        list_on(text, true, lead, "; ", part);
    }
    list_on(text, text[0] != '\0', "", "", ".");
    add_reserve(v, text);
}

/* "150 g" */
static void value_text(const struct evidence_item *e, char out[48])
{
    const char *unit = evidence_unit(e->kind);
    double scale = 1;

    if (strcmp(unit, "ohm") == 0)
        unit = wording_ohm_unit(e->value, &scale);
    else if (strcmp(unit, "kg") == 0 && e->value < 1)
        unit = "g", scale = 1e-3;
    else if (strcmp(unit, "m") == 0)
        unit = "mm", scale = 1e-3;
    if (e->kind == EVIDENCE_POLARITY)
        snprintf(out, 48, "%s", evidence_pole(e->value));
    else if (e->kind == EVIDENCE_DRIFT)
        snprintf(out, 48, "%.3g %%", 100 * e->value);
    else
        snprintf(out, 48, "%.4g%s%s", e->value / scale, *unit ? " " : "", unit);
}

/* Readings that do not fit the rest. */
static void write_misfits(const struct evidence_set *evidence, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], name[EVIDENCE_SOURCE_SIZE], value[48], p[16];
    char part[EVIDENCE_SOURCE_SIZE + 64];
    const struct evidence_item *e;

    if (v->misfits == 0)
        return;
    if (v->slips == 1) {
        e = &evidence->item[v->misfit[0].item];
        value_text(e, value);
        wording_item(e, name);
        wording_say(text,
                    "The %s, %s, does not fit the rest (%s a mistake at the bench): take it again.",
                    name, value, wording_percent(v->misfit[0].probability, p));
        add_line(v, text);
        return;
    }
    text[0] = '\0';
    for (size_t i = 0; i < v->misfits && i < 3; i++) {
        e = &evidence->item[v->misfit[i].item];
        value_text(e, value);
        wording_item(e, name);
        snprintf(part, sizeof part, "%s, %s", name, value);
        list_on(text, true, "Readings that contradict the others: ", "; ", part);
    }
    list_on(text, v->misfits > 3, "", "; ", "and more");
    list_on(text, true, "", "", ".");
    add_line(v, text);
    add_line(v,
             "One slip is common, two are not: were all taken on this coil, with the right unit? "
             "Take them again.");
}

/* The finding that leads, and what to do about it if it is so. */
static void write_lead(const struct verdict_finding *lead, bool cure, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16];

    wording_say(text, "Most likely: %s (%s).", lead->text, wording_percent(lead->probability, p));
    add_line(v, text);
    if (cure && lead->remedy[0]) {
        wording_say(text, "If so: %s.", lead->remedy);
        add_line(v, text);
    }
}

static void write_passed(const struct suppose *s, const struct limits_untried *untried,
                         const struct verdict_finding *lead, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16];

    write_pass(s, untried, v, text);
    add_line(v, text);
    if (v->direction_thin)
        add_reserve(v, "That the limbs aid rests on one reading of each pole.");
    if (lead->finding->class == FINDING_BENCH) {
        wording_say(text, "Most likely: %s (%s), which is no fault of the coil.", lead->text,
                    wording_percent(lead->probability, p));
        add_line(v, text);
    } else if (lead->finding->class != FINDING_GOOD) {
        wording_say(text, "Yet most likely not quite as designed: %s (%s).", lead->text,
                    wording_percent(lead->probability, p));
        add_reserve(v, text);
    }
}

static void write_failed(const struct verdict_finding *lead, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16], q[16];

    if (lead->finding->class == FINDING_COIL || lead->finding->class == FINDING_IRON) {
        wording_say(text, "Not within its limits (%s): %s (%s).",
                    wording_percent(v->fail_probability, p), lead->text,
                    wording_percent(lead->probability, q));
        add_line(v, text);
        if (lead->remedy[0]) {
            wording_say(text, "What to do: %s.", lead->remedy);
            add_line(v, text);
        }
        return;
    }
    write_beyond(v, text);
    add_line(v, text);
    if (lead->finding->class == FINDING_BENCH) {
        write_lead(lead, true, v);
        return;
    }
    wording_say(text,
                "No fault of the winding need be looked for (%s): wire at the edge of its "
                "tolerance, or a hand that winds tighter or looser than the design has it. If "
                "such coils do, widen the limit in the design.",
                wording_percent(lead->probability, p));
    add_line(v, text);
}

static void write_undecided(const struct suppose *s, const struct evidence_set *evidence,
                            const struct verdict_finding *lead, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16], q[16];
    bool likely = lead->finding->class != FINDING_GOOD && lead->probability > 0.5;

    if (v->doubt)
        write_doubt(v, text);
    else if (v->unexplained && v->fail_probability >= v->limits.sure)
        wording_say(
            text,
            "Not decided, since they do not fit together; taken as they stand this is no coil "
            "of this design (%s): is it the right one that is on the clips?",
            wording_percent(v->fail_probability, q));
    else if (v->slips > 1)
        wording_say(text,
                    "Not decided: readings that contradict each other neither pass a coil nor "
                    "fail it.");
    else if (!v->unexplained && v->pass_probability >= v->limits.sure &&
             doubt_of_mistakes(s, evidence, v))
        wording_say(text, "Not decided: a sound coil would explain it only with those readings "
                          "wrong, and a pass must not rest on that.");
    else
        wording_say(text, "Not decided: within its limits %s, not within them %s.",
                    wording_percent(v->pass_probability, p),
                    wording_percent(v->fail_probability, q));
    add_line(v, text);
    write_lead(lead, (v->doubt || likely) && v->slips < 2, v);
}

/* True of a finding that nothing measured could have shown: that it was not tried is said in a
 * line of its own. */
static bool beyond_reach(const struct limits_untried *untried, const struct verdict_finding *f)
{
    const unsigned iron = FINDING_HARD | FINDING_SATURATED | FINDING_GAP;

    return (untried->iron && (f->finding->faults & iron)) ||
           (untried->insulation && f->finding->faults == FINDING_LEAKAGE);
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

/* What is left when nothing measured tells aiding limbs from cancelling ones. */
static void write_open_direction(const struct evidence_set *evidence, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16];
    size_t still = 0, stirred = 0;

    for (size_t i = 0; i < evidence->count; i++)
        if (evidence->item[i].kind == EVIDENCE_POLARITY) {
            still += evidence->item[i].value == 0;
            stirred += evidence->item[i].value != 0;
        }
    if (still > 0 && stirred == 0)
        add_line(v, "The needle stirred at no pole: was the current on, switch and clips closed? "
                    "See it flow, then read both poles again.");
    else if (still > 0)
        add_line(v,
                 "The needle stirred at one pole and not at the other: bring it to the middle of "
                 "each face, current on, and read both again.");
    /* Another fault that is all but sure says nothing of the direction, whatever share it leaves.
     */
    if (v->cancel_probability < 0.02)
        wording_say(text, "Nothing measured so far tells aiding limbs from cancelling ones "
                          "(resistance is the same either way): that stays open until polarity, "
                          "pull or inductance is seen.");
    else
        wording_say(text,
                    "%s aiding limbs from cancelling ones (resistance is the same either way); "
                    "cancelling is %s likely until %spolarity, pull or inductance is seen.",
                    still + stirred > 0 ? "What was read does not surely tell"
                                        : "Nothing measured so far tells",
                    wording_percent(v->cancel_probability, p),
                    still + stirred > 0 ? "a clear " : "");
    add_line(v, text);
}

/* A pull that is far below the design's can be no fault of the winding, and then weighs little in
 * the findings; the person must hear of it all the same. Once may be a keeper that rocked. */
static void write_weak_pull(const struct suppose *s, const struct evidence_set *evidence,
                            const struct verdict_finding *lead, struct verdict *v)
{
    double z[WEIGH_UNKNOWNS_MAX] = {0}, least = INFINITY, designed = NAN;
    struct reading_state state;
    char text[VERDICT_LINE_SIZE];
    size_t weak = 0;

    if (lead->finding->class != FINDING_GOOD && lead->finding->class != FINDING_BENCH)
        return;
    suppose_state(s, NULL, z, 0, &state);
    for (size_t i = 0; i < evidence->count; i++) {
        const struct evidence_item *e = &evidence->item[i];
        bool let_go = e->kind == EVIDENCE_LIFT && e->outcome != EVIDENCE_HELD;
        double reading, noise, newton;

        if ((e->kind != EVIDENCE_PULL && !let_go) || e->bound != EVIDENCE_EQUAL ||
            !suppose_read(s, &state, e, &reading, &noise))
            continue;
        newton = reading_unscale(e->kind, reading);
        if (!(e->value < WEAK_PULL * newton))
            continue;
        weak++;
        if (e->value < least) {
            least = e->value;
            designed = newton;
        }
    }
    if (weak < 2)
        return;
    wording_say(text,
                "It let go at %.3g N, where as designed it would hold about %.3g N: look for dirt, "
                "paint or a keeper that rocks; 'truewound lift NAME --report' says more.",
                least, designed);
    add_reserve(v, text);
}

void reasons_write(const struct suppose *s, const struct evidence_set *evidence,
                   const struct limits_untried *untried, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16];
    const struct verdict_finding *lead = v->findings ? &v->finding[0] : NULL;

    if (evidence->count == 0) {
        add_line(v, "Nothing has been measured yet.");
        return;
    }
    if (v->unexplained) {
        /* A p that is not small is not what speaks against the findings then. */
        if (v->fit_p < 0.05)
            snprintf(p, sizeof p, " (p = %.2g)", v->fit_p);
        wording_say(text,
                    "None of the findings explains the measurements together%s: check the readings "
                    "and the design before acting on this.",
                    v->fit_p < 0.05 ? p : "");
        add_line(v, text);
    }
    write_misfits(evidence, v);
    if (lead && v->result == VERDICT_PASS)
        write_passed(s, untried, lead, v);
    else if (lead && v->result == VERDICT_FAIL)
        write_failed(lead, v);
    else if (lead)
        write_undecided(s, evidence, lead, v);
    if (lead)
        write_weak_pull(s, evidence, lead, v);
    for (size_t i = 1; i < v->findings && v->lines < VERDICT_LINES_MAX - 3 && i < 4; i++) {
        if (v->finding[i].probability < SAY_FINDING)
            break;
        if (beyond_reach(untried, &v->finding[i]) ||
            (v->result == VERDICT_PASS && untested(v, &v->finding[i])))
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
    if (v->direction_open && design_limbs(suppose_design(s)) > 1)
        write_open_direction(evidence, v);
    write_untried(s, untried, v);
    if (v->limits.turns_default || v->limits.resistance_default) {
        wording_say(text, "Limits used: turns +-%.0f %%%s, resistance at 20 °C +-%.0f %%%s.",
                    100 * v->limits.turns, v->limits.turns_default ? " (trade default)" : "",
                    100 * v->limits.resistance,
                    v->limits.resistance_default ? " (trade default)" : "");
        add_line(v, text);
    }
}
