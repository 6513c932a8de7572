/* Scores the verdict on coils drawn at random by the simulated bench, whose physics is its own.
 *
 * Usage: bench_analyze_verdicts [-n COILS] [-s SEED] [--advised COILS] [-v] [--file DRAWN.jsonl]
 * --full is -n 2000 --advised 200; the default is 60 and 10.
 * Each coil is judged three times: after the first stage (resistance of both limbs, weight,
 * polarity), after the full sitting, and with the advisor choosing what to measure next from the
 * same sitting. Printed: share of leading findings that are right, reliability of their
 * probabilities, coverage of 95 % intervals, confident wrong verdicts, cancelling limbs missed,
 * minutes, and the confusion of findings. Invented data throughout. */
#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "analyze/infer/advise.h"
#include "analyze/infer/posterior.h"
#include "analyze/infer/verdict.h"
#include "analyze/rising.h"

#define BINS      10
#define KINDS_MAX 48

enum stage { STAGE_FIRST, STAGE_FULL, STAGE_ADVISED, STAGES };
static const char *const stage_names[STAGES] = {"first stage", "full sitting", "advised"};

struct score {
    size_t n, right, confident, confident_wrong, pass, fail, undecided;
    size_t wrong_pass, wrong_fail, cancel, cancel_missed;
    size_t bin_n[BINS];
    double bin_p[BINS], bin_right[BINS];
    size_t covered, intervals, covered_turns, turns;
    double minutes, items, seconds;
    size_t unexplained;
    size_t within; /* wrong as to the finding, with a truth that keeps every limit of the verdict */
    /* Weighted so that right coils and wrong ones are as many as the priors have them. */
    double sort_n[2][BINS], sort_p[2][BINS], sort_right[2][BINS]; /* wrong and right coils */
};

struct kind_count {
    char truth[48], said[48];
    size_t n;
};

struct bench {
    struct score score[STAGES];
    struct kind_count confusion[STAGES][512];
    size_t confusions[STAGES];
    bool verbose;
    bool rises; /* captured rises instead of the inductance that their area gives */
};

/* ---- reading a drawn coil ---- */

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);

    return json_is_number(v) ? json_number_value(v) : NAN;
}

static const char *text(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));

    return s ? s : "";
}

static double pair(const json_t *o, const char *key, size_t i)
{
    const json_t *v = json_array_get(json_object_get(o, key), i);

    return json_is_number(v) ? json_number_value(v) : NAN;
}

/* A ruler or caliper is good to so much: what a person writes in a design file. */
static struct amount ruled(double value, double u)
{
    return amount_of(value, u);
}

static bool read_design(const json_t *o, struct design *d)
{
    struct status st;
    double overall = number(o, "wire_overall"), bare = number(o, "wire"), scale;

    design_init(d);
    snprintf(d->name, sizeof d->name, "%s", text(o, "name"));
    d->core.form = number(o, "limbs") > 1 ? DESIGN_U_YOKE : DESIGN_BAR;
    d->core.limb.shape = DESIGN_ROUND;
    d->core.limb.width = ruled(number(o, "core"), 0.03e-3);
    d->core.limb_length = ruled(number(o, "limb_length"), 0.3e-3);
    d->core.spacing = ruled(number(o, "spacing"), 0.3e-3);
    d->core.yoke.shape = d->core.keeper.shape = DESIGN_RECTANGULAR;
    d->core.yoke.width = ruled(number(o, "yoke_width"), 0.05e-3);
    d->core.yoke.depth = ruled(number(o, "yoke_depth"), 0.05e-3);
    d->core.keeper.width = ruled(number(o, "keeper_width"), 0.05e-3);
    d->core.keeper.depth = ruled(number(o, "keeper_depth"), 0.05e-3);
    d->core.keeper_length = ruled(number(o, "keeper_length"), 0.3e-3);
    d->core.gap = ruled(number(o, "gap"), 0.2 * number(o, "gap"));
    snprintf(d->core.iron, sizeof d->core.iron, "%s",
             strcmp(text(o, "iron"), "soft") == 0 ? "annealed-iron" : "mild-steel");
    if (wire_make(&d->winding.wire, WIRE_COPPER, WIRE_DIAMETER, 0, bare, 1, WIRE_ENAMEL_1, &st) !=
        STATUS_OK) {
        fprintf(stderr, "%s\n", st.text);
        return false;
    }
    scale = overall / d->winding.wire.overall_nom;
    d->winding.wire.overall_min *= scale;
    d->winding.wire.overall_nom *= scale;
    d->winding.wire.overall_max *= scale;
    for (int limb = 0; limb < (number(o, "limbs") > 1 ? 2 : 1); limb++)
        d->winding.turns[limb] = amount_of(pair(o, "turns", (size_t)limb), 0);
    d->winding.layers = DESIGN_ORTHOCYCLIC;
    d->winding.wound_length = ruled(number(o, "wound_length"), 0.3e-3);
    d->winding.wrap = ruled(number(o, "wrap"), 0.05e-3);
    d->supply.voltage = amount_of(number(o, "supply"), 0.02 * number(o, "supply"));
    d->supply.source_resistance = amount_of(number(o, "source"), 0.2 * number(o, "source"));
    d->supply.ambient = amount_of(20, 3);
    design_complete(d);
    if (design_check(d, &st) != STATUS_OK) {
        fprintf(stderr, "%s\n", st.text);
        return false;
    }
    return true;
}

static struct evidence_record read_record(const json_t *o)
{
    struct evidence_record r = evidence_record_empty();
    const char *outcome = text(o, "outcome"), *bound = text(o, "bound");

    r.quantity = text(o, "quantity");
    r.place = text(o, "place");
    r.instrument = text(o, "instrument");
    r.value = number(o, "value");
    r.u = number(o, "u");
    r.accuracy_rel = number(o, "accuracy_rel");
    r.accuracy_abs = number(o, "accuracy_abs");
    r.resolution = number(o, "resolution");
    r.wires = (int)fmax(0, number(o, "wires"));
    r.overload = strcmp(bound, "above") == 0;
    r.below = strcmp(bound, "below") == 0;
    r.outcome = strcmp(outcome, "dropped") == 0      ? EVIDENCE_DROPPED
                : strcmp(outcome, "not lifted") == 0 ? EVIDENCE_NOT_LIFTED
                                                     : EVIDENCE_HELD;
    r.at.temperature = number(o, "temperature");
    r.at.temperature_u = number(o, "temperature_u");
    r.at.voltage = number(o, "voltage");
    r.at.voltage_u = number(o, "voltage_u");
    r.at.current = number(o, "current");
    r.at.current_u = number(o, "current_u");
    r.at.gap = number(o, "gap");
    r.at.gap_u = number(o, "gap_u");
    r.at.source_ohm = number(o, "source_ohm");
    r.at.source_ohm_u = number(o, "source_ohm_u");
    r.at.duration = number(o, "duration");
    r.at.keeper = json_is_true(json_object_get(o, "keeper"));
    return r;
}

/* ---- truth ---- */

#define COIL_FAULTS                                                                                \
    (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE | FINDING_GAUGE | FINDING_CANCEL |    \
     FINDING_SHORTED_A | FINDING_SHORTED_B | FINDING_OPEN_A | FINDING_OPEN_B | FINDING_BYPASS_A |  \
     FINDING_BYPASS_B | FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR | FINDING_LEAKAGE)

static unsigned truth_faults(const json_t *truth, char *name, size_t size)
{
    const json_t *list = json_object_get(truth, "faults");
    unsigned faults = 0;

    name[0] = '\0';
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *f = json_array_get(list, i);
        const char *kind = text(f, "kind"), *limb = text(f, "limb");
        bool a = strcmp(limb, "a") == 0, both = strcmp(limb, "both") == 0;
        size_t used = strlen(name);

        snprintf(name + used, size - used, "%s%s", used ? "+" : "", kind);
        if (strcmp(kind, "turns-missing") == 0)
            faults |= both ? FINDING_TURNS_ALIKE : a ? FINDING_TURNS_A : FINDING_TURNS_B;
        else if (strcmp(kind, "cancelling") == 0)
            faults |= FINDING_CANCEL;
        else if (strcmp(kind, "wire") == 0)
            faults |= FINDING_GAUGE;
        else if (strcmp(kind, "shorted") == 0)
            faults |= a ? FINDING_SHORTED_A : FINDING_SHORTED_B;
        else if (strcmp(kind, "open") == 0)
            faults |= a ? FINDING_OPEN_A : FINDING_OPEN_B;
        else if (strcmp(kind, "bypassed") == 0)
            faults |= a ? FINDING_BYPASS_A : FINDING_BYPASS_B;
        else if (strcmp(kind, "joint") == 0)
            faults |= a ? FINDING_JOINT_A : FINDING_JOINT_B;
        else if (strcmp(kind, "leakage") == 0)
            faults |= FINDING_LEAKAGE;
        else if (strcmp(kind, "warm") == 0)
            faults |= FINDING_WARM;
        else if (strcmp(kind, "hard-core") == 0)
            faults |= FINDING_HARD;
        else if (strcmp(kind, "gap") == 0)
            faults |= FINDING_GAP;
    }
    return faults;
}

/* True when what is wrong is less than the limits that the coil is held to: a verdict of 'as
 * designed' is then not the truth, but nothing a winder would mend. */
static bool within_limits(const json_t *truth, const json_t *design,
                          const struct verdict_limits *limits)
{
    const json_t *list = json_object_get(truth, "faults");

    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *f = json_array_get(list, i);
        const char *kind = text(f, "kind");
        size_t limb = strcmp(text(f, "limb"), "b") == 0;
        double amount = fabs(number(f, "amount"));

        if (strcmp(kind, "turns-missing") == 0) {
            if (!(amount <= limits->turns))
                return false;
        } else if (strcmp(kind, "shorted") == 0) {
            if (!(amount <= limits->shorted * pair(design, "turns", limb)))
                return false;
        } else if (strcmp(kind, "joint") == 0) {
            if (!(amount <=
                  limits->joint * (pair(truth, "resistance", 0) + pair(truth, "resistance", 1))))
                return false;
        } else if (strcmp(kind, "leakage") == 0) {
            if (!(amount >= limits->insulation))
                return false;
        } else {
            return false;
        }
    }
    return json_array_size(list) > 0;
}

static bool has_mistake(const json_t *truth, const char *word)
{
    const json_t *list = json_object_get(truth, "mistakes");

    for (size_t i = 0; i < json_array_size(list); i++) {
        const char *s = json_string_value(json_array_get(list, i));

        if (s && strcmp(s, word) == 0)
            return true;
    }
    return false;
}

/* Right: the same faults. What was wrong with the bench besides may be named or not. */
static bool is_right(unsigned said, unsigned truth, const json_t *line)
{
    const json_t *t = json_object_get(line, "truth");
    unsigned bench = 0;

    if (has_mistake(t, "coil still warm"))
        bench |= FINDING_WARM;
    if (has_mistake(t, "leads not nulled"))
        bench |= FINDING_LEADS;
    if (truth & COIL_FAULTS)
        return (said & COIL_FAULTS) == (truth & COIL_FAULTS);
    return (said & ~bench) == (truth & ~bench);
}

/* ---- scoring ---- */

static void cover(struct score *s, const struct verdict *v, const json_t *truth)
{
    for (size_t i = 0; i < v->estimates; i++) {
        const struct verdict_estimate *e = &v->estimate[i];
        double x = NAN;
        bool turns = strncmp(e->name, "turns of", 8) == 0;

        if (strcmp(e->name, "turns of limb A") == 0)
            x = pair(truth, "turns", 0);
        else if (strcmp(e->name, "turns of limb B") == 0)
            x = pair(truth, "turns", 1);
        else if (strncmp(e->name, "resistance of limb ", 19) == 0) {
            size_t limb = e->name[19] == 'B';
            double t = pair(truth, "temperature", limb);

            x = pair(truth, "resistance", limb) / wire_temperature_factor(WIRE_COPPER, t);
        } else if (strcmp(e->name, "bare wire diameter") == 0)
            x = number(truth, "wire");
        if (isnan(x))
            continue;
        s->intervals++;
        s->covered += x >= e->low && x <= e->high;
        if (turns) {
            s->turns++;
            /* Whole turns: the interval's ends are rounded outwards. */
            s->covered_turns += x >= floor(e->low) && x <= ceil(e->high);
        }
    }
}

static void confuse(struct bench *b, enum stage stage, const char *truth, const char *said)
{
    size_t i;

    for (i = 0; i < b->confusions[stage]; i++) {
        struct kind_count *c = &b->confusion[stage][i];

        if (strcmp(c->truth, truth) == 0 && strcmp(c->said, said) == 0)
            break;
    }
    if (i == 512)
        return;
    if (i == b->confusions[stage]) {
        b->confusions[stage]++;
        snprintf(b->confusion[stage][i].truth, sizeof b->confusion[stage][i].truth, "%s", truth);
        snprintf(b->confusion[stage][i].said, sizeof b->confusion[stage][i].said, "%s", said);
    }
    b->confusion[stage][i].n++;
}

static void score(struct bench *b, enum stage stage, const struct verdict *v, const json_t *line,
                  double minutes, size_t items, double seconds)
{
    const json_t *truth = json_object_get(line, "truth");
    char name[48];
    unsigned faults = truth_faults(truth, name, sizeof name);
    struct score *s = &b->score[stage];
    const struct verdict_finding *lead = &v->finding[0];
    bool right = is_right(lead->finding->faults, faults, line);
    int bin = (int)(lead->probability * BINS);
    bool good = (faults & (COIL_FAULTS | FINDING_HARD | FINDING_GAP)) == 0;
    int sort = faults == 0;

    bin = bin >= BINS ? BINS - 1 : bin;
    s->n++;
    s->right += right;
    s->bin_n[bin]++;
    s->bin_p[bin] += lead->probability;
    s->bin_right[bin] += right;
    s->sort_n[sort][bin] += 1;
    s->sort_p[sort][bin] += lead->probability;
    s->sort_right[sort][bin] += right;
    s->within += !right && lead->finding->faults == 0 &&
                 within_limits(truth, json_object_get(line, "design"), &v->limits);
    if (lead->probability > 0.95) {
        s->confident++;
        s->confident_wrong += !right;
    }
    s->pass += v->result == VERDICT_PASS;
    s->fail += v->result == VERDICT_FAIL;
    s->undecided += v->result == VERDICT_UNDECIDED;
    s->wrong_pass += v->result == VERDICT_PASS && !good;
    s->wrong_fail += v->result == VERDICT_FAIL && good;
    if (faults & FINDING_CANCEL) {
        s->cancel++;
        s->cancel_missed += v->result == VERDICT_PASS;
    }
    s->unexplained += v->unexplained;
    s->minutes += minutes;
    s->items += (double)items;
    s->seconds += seconds;
    cover(s, v, truth);
    confuse(b, stage, name, lead->finding->name);
    if (b->verbose && !right) {
        printf("coil %.0f, %s: truth %s, said %s (%.3f), fit %.3g", number(line, "n"),
               stage_names[stage], name, lead->finding->name, lead->probability, v->fit_p);
        for (size_t i = 0; i < v->findings; i++)
            if (is_right(v->finding[i].finding->faults, faults, line)) {
                printf(", truth's share %.4f", v->finding[i].probability);
                break;
            }
        printf("\n");
    }
}

/* ---- captured rises ---- */

static void put(json_t *item, const char *key, double value)
{
    if (isfinite(value))
        json_object_set_new(item, key, json_real(value));
}

/* Items of one captured rise, fitted and taken as 'truewound capture' does. What shows no rise is
 * kept, and is no evidence. */
static void take_rise(const json_t *rise, json_t *sitting)
{
    const json_t *current = json_object_get(rise, "current");
    struct rising_figure figure[RISING_FIGURES];
    size_t n = json_array_size(current), figures = 0;
    double *at = calloc(n + 1, sizeof *at), *ampere = calloc(n + 1, sizeof *ampere);
    struct conditions c;
    struct rise_fit fit;
    struct status st;

    conditions_init(&c);
    c.voltage = number(rise, "voltage");
    c.voltage_u = 0.005 * c.voltage;
    c.source_ohm = number(rise, "source_ohm") + number(rise, "shunt");
    c.source_ohm_u = hypot(0.2 * number(rise, "source_ohm"), 0.01 * number(rise, "shunt"));
    for (size_t k = 0; at && ampere && k < n; k++) {
        at[k] = (double)k / number(rise, "rate");
        ampere[k] = json_number_value(json_array_get(current, k));
    }
    if (at && ampere && rising_fit(&c, at, ampere, n, number(rise, "rate"), &fit, &st) == STATUS_OK)
        figures = rising_figures(&fit, &c, figure);
    free(at);
    free(ampere);
    for (size_t k = 0; k < figures; k++) {
        json_t *item = json_object();

        json_object_set_new(item, "quantity", json_string(figure[k].kind));
        json_object_set_new(item, "place", json_string("pair"));
        json_object_set_new(item, "bound", json_string(figure[k].below ? "below" : "equal"));
        json_object_set(item, "keeper", json_object_get(rise, "keeper"));
        put(item, "value", figure[k].value);
        put(item, "u", figure[k].u);
        put(item, "minutes", k == 0 ? number(rise, "minutes") : 0);
        put(item, "voltage", c.voltage);
        put(item, "voltage_u", c.voltage_u);
        put(item, "current", c.current);
        put(item, "current_u", c.current_u);
        put(item, "source_ohm", c.source_ohm);
        put(item, "source_ohm_u", c.source_ohm_u);
        json_array_append_new(sitting, item);
    }
}

/* Puts the rises in the place of the inductances that the board made of their areas. */
static void take_rises(json_t *line)
{
    json_t *sitting = json_object_get(line, "sitting");
    const json_t *rises = json_object_get(line, "rises");

    for (size_t i = json_array_size(sitting); i-- > 0;) {
        const json_t *item = json_array_get(sitting, i);

        if (strcmp(text(item, "quantity"), "inductance") == 0)
            json_array_remove(sitting, i);
    }
    for (size_t i = 0; i < json_array_size(rises); i++)
        take_rise(json_array_get(rises, i), sitting);
}

static bool in_first_stage(const char *quantity, const char *place)
{
    return (strcmp(quantity, "resistance") == 0 && strcmp(place, "pair") != 0) ||
           strcmp(quantity, "wire-mass") == 0 || strcmp(quantity, "polarity") == 0;
}

static double now(void)
{
    struct timespec t;

    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void start_set(const json_t *line, struct evidence_set *set)
{
    const json_t *list = json_object_get(line, "instruments");

    evidence_clear(set);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *o = json_array_get(list, i);

        if (strcmp(text(o, "name"), "meter") == 0 && !isnan(number(o, "lead_ohm"))) {
            set->lead_ohm = number(o, "lead_ohm");
            set->lead_ohm_u = fmax(0.01, number(o, "lead_ohm_u"));
        }
    }
}

static bool judge(struct bench *b, enum stage stage, const struct design *d, const json_t *line)
{
    const json_t *sitting = json_object_get(line, "sitting");
    struct evidence_set *set = malloc(sizeof *set);
    struct verdict *v = malloc(sizeof *v);
    struct verdict_options o = verdict_options_default(d);
    struct status st;
    double minutes = 0, began = now();
    bool done = false;

    if (!set || !v)
        goto out;
    start_set(line, set);
    for (size_t i = 0; i < json_array_size(sitting); i++) {
        const json_t *item = json_array_get(sitting, i);
        struct evidence_record r = read_record(item);

        if (stage == STAGE_FIRST && !in_first_stage(r.quantity, r.place))
            continue;
        minutes += number(item, "minutes");
        if (evidence_add(set, &r, &st) != STATUS_OK) {
            fprintf(stderr, "coil %.0f: %s\n", number(line, "n"), st.text);
            goto out;
        }
    }
    if (verdict_reach(d, set, &o, v, &st) != STATUS_OK) {
        fprintf(stderr, "coil %.0f: %s\n", number(line, "n"), st.text);
        goto out;
    }
    score(b, stage, v, line, minutes, set->count, now() - began);
    verdict_free(v);
    done = true;
out:
    free(set);
    free(v);
    return done;
}

/* What can still be measured, grouped as a person would do it at one go. */
struct group {
    char key[64];
    size_t item[16];
    size_t items;
    double minutes;
    bool taken;
};

static size_t group_sitting(const json_t *sitting, struct group *group, size_t max)
{
    size_t n = 0;

    for (size_t i = 0; i < json_array_size(sitting); i++) {
        const json_t *o = json_array_get(sitting, i);
        const char *quantity = text(o, "quantity");
        bool whole = strcmp(quantity, "polarity") == 0 || strcmp(quantity, "diameter") == 0;
        char key[64];
        size_t k;

        /* One rise gives both. */
        if (strcmp(quantity, "second-time") == 0)
            quantity = "inductance";
        /* Each lift trial is a step by itself; poles and diameters are taken on both limbs. */
        snprintf(key, sizeof key, "%s %s %d %g", quantity, whole ? "" : text(o, "place"),
                 json_is_true(json_object_get(o, "keeper")),
                 strcmp(quantity, "lift") == 0 ? (double)i : 0.0);
        for (k = 0; k < n; k++)
            if (strcmp(group[k].key, key) == 0)
                break;
        if (k == max)
            continue;
        if (k == n) {
            memset(&group[n++], 0, sizeof *group);
            snprintf(group[k].key, sizeof group[k].key, "%s", key);
        }
        if (group[k].items < 16) {
            group[k].item[group[k].items++] = i;
            group[k].minutes += fmax(0.1, number(o, "minutes"));
        }
    }
    return n;
}

static bool judge_advised(struct bench *b, const struct design *d, const json_t *line)
{
    const json_t *sitting = json_object_get(line, "sitting");
    struct evidence_set *set = malloc(sizeof *set);
    struct verdict *v = malloc(sizeof *v);
    struct verdict_options o = verdict_options_default(d);
    struct group group[ADVISE_MAX];
    struct advise_option *option = calloc(ADVISE_MAX, sizeof *option);
    size_t groups = group_sitting(sitting, group, ADVISE_MAX), back[ADVISE_MAX];
    struct advise_result *advice = malloc(sizeof *advice);
    struct status st;
    double minutes = 0, began = now();
    bool done = false;

    if (!set || !v || !option || !advice)
        goto out;
    start_set(line, set);
    for (;;) {
        size_t options = 0, pick;

        if (verdict_reach(d, set, &o, v, &st) != STATUS_OK) {
            fprintf(stderr, "coil %.0f: %s\n", number(line, "n"), st.text);
            goto out;
        }
        for (size_t k = 0; k < groups; k++) {
            if (group[k].taken)
                continue;
            memset(&option[options], 0, sizeof *option);
            option[options].name = group[k].key;
            option[options].minutes = group[k].minutes;
            for (size_t i = 0; i < group[k].items && i < 4; i++)
                option[options].expect[option[options].expects++] =
                    read_record(json_array_get(sitting, group[k].item[i]));
            back[options++] = k;
        }
        if (options == 0 || v->finding[0].probability >= 0.97)
            break;
        if (advise_next(v, set, option, options, advice, &st) != STATUS_OK || advice->enough)
            break;
        pick = advice->gains ? back[advice->gain[0].option] : back[0];
        group[pick].taken = true;
        minutes += group[pick].minutes;
        for (size_t i = 0; i < group[pick].items; i++) {
            struct evidence_record r = read_record(json_array_get(sitting, group[pick].item[i]));

            if (evidence_add(set, &r, &st) != STATUS_OK)
                fprintf(stderr, "coil %.0f: %s\n", number(line, "n"), st.text);
        }
        verdict_free(v);
    }
    score(b, STAGE_ADVISED, v, line, minutes, set->count, now() - began);
    verdict_free(v);
    done = true;
out:
    free(set);
    free(v);
    free(option);
    free(advice);
    return done;
}

/* ---- report ---- */

/* Expected calibration error if sound coils were as many as the priors have them: the usual mix of
 * the simulated bench has more faults, so that there are enough of each to count. */
static double calibration_by_priors(const struct score *s)
{
    size_t rows;
    const struct finding *table = finding_table(&rows);
    double sum = 0, count[2] = {0, 0}, weight[2], error = 0;

    for (size_t i = 0; i < rows; i++)
        sum += table[i].prior;
    for (int k = 0; k < BINS; k++)
        for (int sort = 0; sort < 2; sort++)
            count[sort] += s->sort_n[sort][k];
    if (!(count[0] > 0) || !(count[1] > 0))
        return NAN;
    weight[0] = (1 - table[0].prior / sum) / count[0];
    weight[1] = table[0].prior / sum / count[1];
    for (int k = 0; k < BINS; k++)
        error += fabs(weight[0] * (s->sort_p[0][k] - s->sort_right[0][k]) +
                      weight[1] * (s->sort_p[1][k] - s->sort_right[1][k]));
    return error;
}

static void report(const struct bench *b)
{
    for (int stage = 0; stage < STAGES; stage++) {
        const struct score *s = &b->score[stage];
        double n = (double)s->n, ece = 0;

        if (s->n == 0)
            continue;
        printf("\n%s, %zu coils\n", stage_names[stage], s->n);
        printf("  leading finding right        %5.1f %%  (to reach: %s)\n",
               100 * (double)s->right / n, stage == STAGE_FIRST ? "80" : "95");
        if (s->within)
            printf("    of those wrong, %zu said 'as designed' of a fault within the limits\n",
                   s->within);
        printf("  over 95 %% sure and wrong     %zu of %zu coils (%zu were over 95 %% sure; to "
               "reach: 1 in 200)\n",
               s->confident_wrong, s->n, s->confident);
        printf("  pass %zu (wrongly %zu), fail %zu (wrongly %zu), undecided %zu, unexplained %zu\n",
               s->pass, s->wrong_pass, s->fail, s->wrong_fail, s->undecided, s->unexplained);
        printf("  cancelling limbs             %zu, passed %zu (to reach: 0)\n", s->cancel,
               s->cancel_missed);
        if (s->intervals)
            printf(
                "  95 %% intervals cover         %5.1f %% of %zu (turns %5.1f %% of %zu; to reach: "
                "93 to 97)\n",
                100 * (double)s->covered / (double)s->intervals, s->intervals,
                100 * (double)s->covered_turns / (double)(s->turns ? s->turns : 1), s->turns);
        printf("  measurements %.1f, minutes %.1f, computing %.0f ms a coil\n", s->items / n,
               s->minutes / n, 1e3 * s->seconds / n);
        printf("  said      coils  right\n");
        for (int k = 0; k < BINS; k++) {
            double m = (double)s->bin_n[k];

            if (s->bin_n[k] == 0)
                continue;
            printf("  %5.1f %% %6zu %5.1f %%\n", 100 * s->bin_p[k] / m, s->bin_n[k],
                   100 * s->bin_right[k] / m);
            ece += fabs(s->bin_p[k] - s->bin_right[k]) / n;
        }
        printf("  expected calibration error   %.3f  (to reach: 0.03); with as many sound coils as "
               "the priors have, %.3f\n",
               ece, calibration_by_priors(s));
        for (size_t i = 0; i < b->confusions[stage]; i++)
            printf("    %-24s said %-24s %zu\n", b->confusion[stage][i].truth,
                   b->confusion[stage][i].said, b->confusion[stage][i].n);
    }
}

int main(int argc, char **argv)
{
    struct bench *b = calloc(1, sizeof *b);
    const char *file = NULL;
    long coils = 60, seed = 1, advised = 10;
    char command[1024];
    char *buffer = NULL;
    size_t size = 0, bad = 0;
    FILE *in;

    if (!b)
        return 1;
    b->rises = true;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "-n") == 0 && i + 1 < argc)
            coils = strtol(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "-s") == 0 && i + 1 < argc)
            seed = strtol(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "--full") == 0)
            coils = 2000, advised = 200;
        else if (strcmp(argv[i], "--no-rises") == 0)
            b->rises = false;
        else if (strcmp(argv[i], "-v") == 0)
            b->verbose = true;
        else if (strcmp(argv[i], "--advised") == 0 && i + 1 < argc)
            advised = strtol(argv[++i], NULL, 10);
        else if (strcmp(argv[i], "--file") == 0 && i + 1 < argc)
            file = argv[++i];
        else {
            fprintf(
                stderr,
                "usage: %s [--full] [-n COILS] [-s SEED] [--advised COILS] [-v] [--file DRAWN]\n",
                argv[0]);
            return 2;
        }
    }
    snprintf(command, sizeof command, "'%s/fixtures/simulated-bench' --draw %ld --seed %ld",
             TEST_BUILD_DIR, coils, seed);
    in = file ? fopen(file, "r") : popen(command, "r");
    if (!in) {
        fprintf(stderr, "%s: cannot be read\n", file ? file : command);
        return 1;
    }
    while (coils-- > 0 && getline(&buffer, &size, in) > 0) {
        json_t *line = json_loads(buffer, 0, NULL);
        struct design d;

        if (!line || !read_design(json_object_get(line, "design"), &d)) {
            bad++;
        } else {
            if (b->rises)
                take_rises(line);
            if (!judge(b, STAGE_FIRST, &d, line) || !judge(b, STAGE_FULL, &d, line) ||
                (advised-- > 0 && !judge_advised(b, &d, line)))
                bad++;
        }
        json_decref(line);
    }
    if (file)
        fclose(in);
    else
        pclose(in);
    free(buffer);
    report(b);
    if (bad)
        printf("%zu coils could not be judged\n", bad);
    bad += b->score[STAGE_FULL].n == 0;
    free(b);
    return bad ? 1 : 0;
}
