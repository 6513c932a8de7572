#include "analyze/infer/evidence.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What each kind may be, and what is taken when an uncertainty is not stated. The defaults are
 * common practice, no source: a hand meter is good to 1 % on ohms, a home-made current channel to
 * 1.5 %, a typed-in weight to half a gram, a caliper over a soft winding to 0.2 mm. */
struct kind {
    const char *word;
    const char *unit;
    double low, high; /* allowed, SI */
    double rel;       /* own noise, relative to the value */
    double abs;       /* own noise, SI */
    double gain;      /* limits of the shared gain error, relative */
    bool placed;      /* the place matters */
};

static const struct kind kinds[EVIDENCE_KINDS] = {
    [EVIDENCE_RESISTANCE] = {"resistance", "ohm", 0, 1e9, 0.001, 0.005, 0.01, true},
    [EVIDENCE_INSULATION] = {"insulation", "ohm", 0, 1e15, 0.1, 1, 0.05, false},
    [EVIDENCE_CURRENT] = {"current", "A", 0, 1000, 0.002, 1e-5, 0.015, true},
    [EVIDENCE_SAG] = {"sag", "V", 0, 1000, 0.05, 0.01, 0.01, true},
    [EVIDENCE_INDUCTANCE] = {"inductance", "H", 1e-9, 1e5, 0.03, 0, 0.02, true},
    [EVIDENCE_SECOND_TIME] = {"second-time", "s", 0, 1000, 0.15, 0, 0, false},
    [EVIDENCE_POLARITY] = {"polarity", "", -1, 1, 0, 1, 0, true},
    [EVIDENCE_WIRE_MASS] = {"wire-mass", "kg", 1e-6, 1000, 0.002, 0.5e-3, 0.002, true},
    [EVIDENCE_DIAMETER] = {"diameter", "m", 1e-4, 1, 0, 0.2e-3, 0, true},
    [EVIDENCE_WIRE_DIAMETER] = {"wire-diameter", "m", 5e-6, 0.015, 0, 3e-6, 0, false},
    [EVIDENCE_LIFT] = {"lift", "N", 0, 1e6, 0.02, 0.05, 0.01, true},
    [EVIDENCE_PULL] = {"pull", "N", 0, 1e6, 0.03, 0.05, 0.01, true},
    [EVIDENCE_RESIDUAL_PULL] = {"residual-pull", "N", 0, 1e6, 0.05, 0.05, 0.01, true},
    [EVIDENCE_DRIFT] = {"drift", "", -1, 1, 0, 0.0005, 0, true},
    [EVIDENCE_VOLT_DROP] = {"volt-drop", "V", 0, 1000, 0.001, 0.5e-3, 0.005, true},
};

static const char *const places[EVIDENCE_PLACES] = {"limb A", "limb B", "the pair"};

/* 2-wire readings of one coil differ among themselves by how the clips bite (common practice). */
#define CLIP_OHM 0.02
/* The digits of an ohmmeter's accuracy are the offset of its range and of its input, the same for
 * two readings of like size taken one after the other; this share of them is not (common
 * practice). */
#define OWN_DIGITS 0.3
/* Within these, two readings are the same figure read twice. */
#define SAME_TEMPERATURE 0.3  /* K */
#define SAME_DRIVE       2e-3 /* relative, of voltage and current */
#define SAME_GAP         2e-6 /* m */
#define SAME_VALUE       3.0  /* standard uncertainties of their difference */
/* Surroundings of an unheated room against what the thermometer on its wall says. */
#define AMBIENT_U 2.0

void evidence_clear(struct evidence_set *set)
{
    memset(set, 0, sizeof *set);
    set->lead_ohm_u = 0.05;
}

struct evidence_conditions evidence_conditions_unknown(void)
{
    struct evidence_conditions c = {
        .temperature = NAN,
        .temperature_u = NAN,
        .voltage = NAN,
        .voltage_u = NAN,
        .current = NAN,
        .current_u = NAN,
        .gap = NAN,
        .gap_u = NAN,
        .source_ohm = NAN,
        .source_ohm_u = NAN,
        .frequency = 0,
        .duration = NAN,
        .keeper = false,
    };

    return c;
}

struct evidence_record evidence_record_empty(void)
{
    struct evidence_record r = {
        .quantity = "",
        .place = "",
        .instrument = "",
        .value = NAN,
        .u = NAN,
        .accuracy_rel = NAN,
        .accuracy_abs = NAN,
        .resolution = NAN,
        .outcome = EVIDENCE_HELD,
    };

    r.at = evidence_conditions_unknown();
    return r;
}

const char *evidence_quantity(enum evidence_kind kind)
{
    return (unsigned)kind < EVIDENCE_KINDS ? kinds[kind].word : "unknown";
}

const char *evidence_unit(enum evidence_kind kind)
{
    return (unsigned)kind < EVIDENCE_KINDS ? kinds[kind].unit : "";
}

const char *evidence_pole(double value)
{
    return value > 0 ? "north" : value < 0 ? "south" : "none";
}

bool evidence_kind_of(const char *quantity, enum evidence_kind *kind)
{
    for (size_t k = 0; k < EVIDENCE_KINDS; k++) {
        if (quantity && strcmp(kinds[k].word, quantity) == 0) {
            *kind = (enum evidence_kind)k;
            return true;
        }
    }
    return false;
}

const char *evidence_place_name(enum evidence_place place)
{
    return (unsigned)place < EVIDENCE_PLACES ? places[place] : "the coil";
}

static enum status_code check_condition(const char *quantity, const char *what, const char *unit,
                                        double value, double low, double high, struct status *st)
{
    if (isnan(value))
        return status_ok(st);
    if (!isfinite(value) || value < low || value > high)
        return status_fail(st, STATUS_INPUT, "%s: %s %g %s cannot be; expected %g to %g %s",
                           quantity, what, value, unit, low, high, unit);
    return status_ok(st);
}

static enum status_code check_conditions(const char *word, const struct evidence_conditions *c,
                                         struct status *st)
{
    const struct {
        const char *what, *unit;
        double value, low, high;
    } list[] = {
        {"temperature", "C", c->temperature, -60, 300},
        {"uncertainty of temperature", "K", c->temperature_u, 0, 100},
        {"voltage", "V", c->voltage, 0, 10000},
        {"uncertainty of voltage", "V", c->voltage_u, 0, 10000},
        {"current", "A", c->current, 0, 1000},
        {"uncertainty of current", "A", c->current_u, 0, 1000},
        {"gap", "m", c->gap, 0, 0.1},
        {"uncertainty of gap", "m", c->gap_u, 0, 0.1},
        {"source resistance", "ohm", c->source_ohm, 0, 1e6},
        {"uncertainty of source resistance", "ohm", c->source_ohm_u, 0, 1e6},
        {"frequency", "Hz", c->frequency, 0, 1e7},
        {"duration", "s", c->duration, 0, 1e6},
    };

    for (size_t i = 0; i < sizeof list / sizeof *list; i++) {
        enum status_code code = check_condition(word, list[i].what, list[i].unit, list[i].value,
                                                list[i].low, list[i].high, st);

        if (code != STATUS_OK)
            return code;
    }
    return status_ok(st);
}

static enum status_code place_of(const char *word, const char *text, enum evidence_place *place,
                                 struct status *st)
{
    if (!text || !*text || strcmp(text, "pair") == 0)
        *place = EVIDENCE_PAIR;
    else if (strcmp(text, "a") == 0)
        *place = EVIDENCE_LIMB_A;
    else if (strcmp(text, "b") == 0)
        *place = EVIDENCE_LIMB_B;
    else
        return status_fail(st, STATUS_INPUT,
                           "%s: place '%.20s' is not known; expected a, b or pair", word, text);
    return status_ok(st);
}

static enum status_code instrument_of(struct evidence_set *set, const char *name, double gain_u,
                                      int *index, struct status *st)
{
    if (!name || !*name) {
        *index = -1;
        return status_ok(st);
    }
    for (size_t i = 0; i < set->instruments; i++) {
        if (strncmp(set->instrument[i].name, name, EVIDENCE_INSTRUMENT_SIZE - 1) == 0) {
            *index = (int)i;
            set->instrument[i].gain_u = fmax(set->instrument[i].gain_u, gain_u);
            return status_ok(st);
        }
    }
    if (set->instruments == EVIDENCE_INSTRUMENT_MAX)
        return status_fail(st, STATUS_FULL, "more than %d instruments on one coil",
                           EVIDENCE_INSTRUMENT_MAX);
    *index = (int)set->instruments++;
    memset(&set->instrument[*index], 0, sizeof set->instrument[*index]);
    snprintf(set->instrument[*index].name, sizeof set->instrument[*index].name, "%s", name);
    set->instrument[*index].gain_u = gain_u;
    return status_ok(st);
}

/* What a kind cannot be weighed without. */
static enum status_code check_needs(enum evidence_kind kind, const struct evidence_record *r,
                                    struct status *st)
{
    const char *word = kinds[kind].word;

    switch (kind) {
    case EVIDENCE_CURRENT:
        if (!(r->at.voltage > 0))
            return status_fail(st, STATUS_INPUT,
                               "%s: the voltage across the coil is needed with it", word);
        break;
    case EVIDENCE_SAG:
        if (!(r->at.voltage > 0) || !(r->at.source_ohm > 0))
            return status_fail(st, STATUS_INPUT,
                               "%s: the supply's voltage and internal resistance are needed", word);
        break;
    case EVIDENCE_LIFT:
    case EVIDENCE_PULL:
        if (!(r->at.current >= 0) && !(r->at.voltage >= 0))
            return status_fail(st, STATUS_INPUT, "%s: the current at that moment is needed", word);
        break;
    case EVIDENCE_POLARITY:
        if (r->value != 1 && r->value != -1 && r->value != 0)
            return status_fail(st, STATUS_INPUT,
                               "%s: %g cannot be; expected 1 (north), -1 (south) or 0 (none)", word,
                               r->value);
        break;
    case EVIDENCE_VOLT_DROP:
        if (!(r->value > 0))
            return status_fail(st, STATUS_INPUT,
                               "%s: %g V cannot be; expected more than 0, or 'less than' the "
                               "last digit of a voltmeter that shows nothing",
                               word, r->value);
        break;
    case EVIDENCE_DRIFT:
        if (!(r->at.duration > 0))
            return status_fail(st, STATUS_INPUT, "%s: the time it took is needed", word);
        break;
    default:
        break;
    }
    return status_ok(st);
}

/* Both unknown, or within 'by' of each other. */
static bool alike(double a, double b, double by)
{
    return isnan(a) ? isnan(b) : fabs(a - b) <= by;
}

static bool same_figure(const struct evidence_item *a, const struct evidence_item *b)
{
    const struct evidence_conditions *p = &a->at, *q = &b->at;

    switch (a->kind) {
    case EVIDENCE_RESISTANCE:
    case EVIDENCE_INSULATION:
    case EVIDENCE_CURRENT:
    case EVIDENCE_SAG:
    case EVIDENCE_INDUCTANCE:
    case EVIDENCE_WIRE_MASS:
    case EVIDENCE_DIAMETER:
    case EVIDENCE_WIRE_DIAMETER:
    case EVIDENCE_VOLT_DROP:
        break;
    default:
        return false;
    }
    return a->kind == b->kind && a->place == b->place && a->bound == EVIDENCE_EQUAL &&
           b->bound == EVIDENCE_EQUAL && a->instrument == b->instrument && a->wires == b->wires &&
           a->doubtful == b->doubtful && p->keeper == q->keeper &&
           alike(p->temperature, q->temperature, SAME_TEMPERATURE) &&
           alike(p->voltage, q->voltage, SAME_DRIVE * fabs(p->voltage)) &&
           alike(p->current, q->current, SAME_DRIVE * fabs(p->current)) &&
           alike(p->gap, q->gap, SAME_GAP) && alike(p->frequency, q->frequency, 0) &&
           alike(p->source_ohm, q->source_ohm, 1e-6) &&
           fabs(a->value - b->value) <= SAME_VALUE * hypot(a->u, b->u);
}

/* Half of what a reading is off by comes again with the next (common practice, no source). */
static void take_mean(struct evidence_item *of, const struct evidence_item *next)
{
    double n = of->readings, before = 0.5 + 0.5 / n, after = 0.5 + 0.5 / (n + 1);

    of->value = (n * of->value + next->value) / (n + 1);
    of->u = fmax(of->u / sqrt(before), next->u) * sqrt(after);
    of->zero = fmax(of->zero, next->zero);
    of->readings++;
}

size_t evidence_readings(const struct evidence_set *set)
{
    size_t n = 0;

    for (size_t i = 0; i < set->count; i++)
        n += (size_t)set->item[i].readings;
    return n;
}

enum status_code evidence_add(struct evidence_set *set, const struct evidence_record *record,
                              struct status *st)
{
    enum evidence_kind kind = EVIDENCE_KINDS;
    struct evidence_item item;
    const struct kind *k;
    struct evidence_instrument instruments[EVIDENCE_INSTRUMENT_MAX];
    size_t known = set->instruments;
    double limit_rel, limit_abs, gain_u, own;
    enum status_code code;

    if (!evidence_kind_of(record->quantity, &kind))
        return status_fail(st, STATUS_INPUT, "evidence of '%.30s' is not known",
                           record->quantity ? record->quantity : "");
    k = &kinds[kind];
    memset(&item, 0, sizeof item);
    item.kind = kind;
    item.at = record->at;
    item.outcome = record->outcome;
    item.doubtful = record->doubtful;
    item.value = record->value;
    code = place_of(k->word, record->place, &item.place, st);
    if (code != STATUS_OK)
        return code;
    if (!isfinite(record->value) || record->value < k->low || record->value > k->high)
        return status_fail(st, STATUS_INPUT, "%s: %g %s cannot be; expected %g to %g %s", k->word,
                           record->value, k->unit, k->low, k->high, k->unit);
    if (!isnan(record->u) && !(record->u >= 0 && isfinite(record->u)))
        return status_fail(st, STATUS_INPUT, "%s: uncertainty %g %s cannot be; expected 0 or more",
                           k->word, record->u, k->unit);
    if (!isnan(record->accuracy_rel) && !(record->accuracy_rel >= 0 && record->accuracy_rel <= 1))
        return status_fail(st, STATUS_INPUT, "%s: accuracy %g cannot be; expected 0 to 1", k->word,
                           record->accuracy_rel);
    if (!isnan(record->accuracy_abs) &&
        !(record->accuracy_abs >= 0 && isfinite(record->accuracy_abs)))
        return status_fail(st, STATUS_INPUT, "%s: accuracy %g %s cannot be; expected 0 or more",
                           k->word, record->accuracy_abs, k->unit);
    if (record->wires != 0 && record->wires != 2 && record->wires != 4)
        return status_fail(st, STATUS_INPUT, "%s: %d wires cannot be; expected 2 or 4", k->word,
                           record->wires);
    code = check_conditions(k->word, &record->at, st);
    if (code == STATUS_OK)
        code = check_needs(kind, record, st);
    if (code != STATUS_OK)
        return code;

    limit_rel = isnan(record->accuracy_rel) ? k->gain : record->accuracy_rel;
    limit_abs = isnan(record->accuracy_abs) ? 0 : record->accuracy_abs;
    gain_u = limit_rel / sqrt(3);
    memcpy(instruments, set->instrument, sizeof instruments);
    /* What a voltmeter and the current are off is common to the drops of one coil, and is weighed
     * once for all of them. */
    code = instrument_of(set, kind == EVIDENCE_VOLT_DROP ? "" : record->instrument, gain_u,
                         &item.instrument, st);
    if (code != STATUS_OK)
        return code;

    own = k->abs;
    /* Half a gram is for a scale of which nothing is known. */
    if (kind == EVIDENCE_WIRE_MASS && record->resolution > 0)
        own = fmin(own, record->resolution);
    item.u = isnan(record->u) ? hypot(k->rel * fabs(record->value), own) : record->u;
    if (kind == EVIDENCE_RESISTANCE && item.instrument >= 0) {
        item.zero = limit_abs / sqrt(3);
        item.u = hypot(item.u, OWN_DIGITS * item.zero);
    } else {
        item.u = hypot(item.u, limit_abs / sqrt(3));
    }
    if (record->resolution > 0)
        item.u = hypot(item.u, record->resolution / sqrt(12));
    if (item.instrument < 0 && kind != EVIDENCE_VOLT_DROP)
        item.u = hypot(item.u, gain_u * fabs(record->value));
    if (kind == EVIDENCE_RESISTANCE) {
        item.wires = record->wires ? record->wires : 2;
        if (item.wires == 2)
            item.u = hypot(item.u, CLIP_OHM);
    }
    /* No figure is exact: the floor keeps one reading from claiming more than a part in 1e5. */
    item.u = fmax(item.u, fmax(1e-5 * fabs(item.value), 1e-12));
    if (record->overload)
        item.bound = EVIDENCE_ABOVE;
    else if (record->below)
        item.bound = EVIDENCE_BELOW;
    if (isnan(item.at.temperature_u))
        item.at.temperature_u = AMBIENT_U;
    if (isnan(item.at.gap_u))
        item.at.gap_u = item.at.gap > 0 ? 0.1 * item.at.gap : 0;
    if (isnan(item.at.current_u))
        item.at.current_u = isnan(item.at.current) ? NAN : 0.01 * item.at.current;
    if (isnan(item.at.voltage_u))
        item.at.voltage_u = isnan(item.at.voltage) ? NAN : 0.005 * item.at.voltage;
    if (isnan(item.at.source_ohm_u))
        item.at.source_ohm_u = isnan(item.at.source_ohm) ? NAN : 0.2 * item.at.source_ohm;
    if (k->placed)
        snprintf(item.source, sizeof item.source, "%s of %s", k->word, places[item.place]);
    else
        snprintf(item.source, sizeof item.source, "%s", k->word);
    item.readings = 1;
    for (size_t i = 0; i < set->count; i++) {
        if (same_figure(&set->item[i], &item)) {
            take_mean(&set->item[i], &item);
            set->latest = i;
            return status_ok(st);
        }
    }
    if (set->count == EVIDENCE_MAX) {
        memcpy(set->instrument, instruments, sizeof instruments);
        set->instruments = known;
        return status_fail(st, STATUS_FULL, "more than %d items of evidence on one coil",
                           EVIDENCE_MAX);
    }
    set->latest = set->count;
    set->item[set->count++] = item;
    return status_ok(st);
}

bool evidence_tells_direction(const struct evidence_set *set)
{
    bool a = false, b = false;

    for (size_t i = 0; i < set->count; i++) {
        const struct evidence_item *e = &set->item[i];

        switch (e->kind) {
        case EVIDENCE_POLARITY:
            a = a || (e->value != 0 && e->place == EVIDENCE_LIMB_A);
            b = b || (e->value != 0 && e->place == EVIDENCE_LIMB_B);
            break;
        case EVIDENCE_INDUCTANCE:
        case EVIDENCE_LIFT:
        case EVIDENCE_PULL:
            if (e->place == EVIDENCE_PAIR)
                return true;
            break;
        default:
            break;
        }
    }
    return a && b;
}
