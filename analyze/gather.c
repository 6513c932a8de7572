#include "analyze/gather.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <nettle/sha2.h>

#define KELVIN 273.15

struct gathering {
    struct gathered *out;
    const struct design *design;
    struct sha256_ctx digest;
    double room;   /* K, the last temperature noted for the room */
    double room_u; /* K */
};

__attribute__((format(printf, 2, 3))) static void note(struct gathered *out, const char *format,
                                                       ...)
{
    va_list args;

    if (out->notes == GATHER_NOTES_MAX)
        return;
    va_start(args, format);
    vsnprintf(out->note[out->notes++], sizeof *out->note, format, args);
    va_end(args);
}

const char *gather_place(const char *stored)
{
    static const char *const places[][2] = {
        {"limb-a", "a"}, {"limb-b", "b"}, {"pair", "pair"}, {"core", "pair"}, {"coil", "pair"}};

    for (size_t i = 0; stored && i < sizeof places / sizeof *places; ++i)
        if (strcmp(places[i][0], stored) == 0)
            return places[i][1];
    return NULL;
}

/* The word of the inference for an observation that does not carry one. */
static const char *kind_of(const struct store_observation *row)
{
    static const char *const kinds[][2] = {
        {"resistance", "resistance"}, {"current", "current"},  {"voltage", "sag"},
        {"inductance", "inductance"}, {"time", "second-time"}, {"polarity", "polarity"},
        {"mass", "wire-mass"},        {"length", "diameter"},  {"force", "pull"}};

    if (strcmp(row->quantity, "resistance") == 0 && strcmp(row->place, "core") == 0)
        return "insulation";
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; ++i)
        if (strcmp(kinds[i][0], row->quantity) == 0)
            return kinds[i][1];
    return NULL;
}

static struct evidence_conditions to_evidence(const struct conditions *c,
                                              const struct gathering *gathering)
{
    struct evidence_conditions at = evidence_conditions_unknown();
    bool own = isfinite(c->temperature);

    at.temperature = (own ? c->temperature : gathering->room) - KELVIN;
    at.temperature_u = own ? c->temperature_u : gathering->room_u;
    at.voltage = c->voltage;
    at.voltage_u = c->voltage_u;
    at.current = c->current;
    at.current_u = c->current_u;
    at.gap = c->gap;
    at.gap_u = c->gap_u;
    at.source_ohm = c->source_ohm;
    at.source_ohm_u = c->source_ohm_u;
    if (isfinite(c->frequency))
        at.frequency = c->frequency;
    at.duration = c->duration;
    at.keeper = c->keeper == CONDITIONS_YES;
    return at;
}

/* Why a coil of this design has no such figure; NULL when it has. */
static const char *no_such(const struct design *design, const struct evidence_record *record)
{
    enum evidence_kind kind;

    if (design_limbs(design) < 2 && strcmp(record->place, "limb-b") == 0)
        return "the design is a bar, which has one limb, limb A";
    if (!evidence_kind_of(record->quantity, &kind))
        return NULL;
    if ((kind == EVIDENCE_LIFT || kind == EVIDENCE_PULL || kind == EVIDENCE_RESIDUAL_PULL) &&
        !amount_given(design->core.keeper.width))
        return "the design says nothing of what is pulled; a [keeper] section does";
    return NULL;
}

/* Adds one record; one that the inference refuses becomes a note. Stops when the set is full. */
static int add(struct gathering *gathering, const struct evidence_record *record, int64_t id,
               bool trial, int64_t time)
{
    struct gathered *out = gathering->out;
    struct status why;
    const char *unfit = no_such(gathering->design, record);
    enum status_code code;
    bool full;

    if (unfit) {
        note(out, "%s %lld is left out: %s", trial ? "trial" : "observation", (long long)id, unfit);
        return 0;
    }
    code = evidence_add(&out->evidence, record, &why);
    full = out->evidence.count == EVIDENCE_MAX;
    if (code == STATUS_FULL && !full) {
        /* More instruments than are kept apart: the error of this one counts as the reading's own.
         */
        struct evidence_record apart = *record;

        apart.instrument = "";
        code = evidence_add(&out->evidence, &apart, &why);
    }
    if (code != STATUS_OK) {
        note(out, "%s %lld%s left out: %s", trial ? "trial" : "observation", (long long)id,
             full ? " and what was taken after it are" : " is", why.text);
        return full;
    }
    out->source[out->evidence.latest] = id;
    out->trial[out->evidence.latest] = trial;
    if (time > out->newest)
        out->newest = time;
    return 0;
}

static void digest_row(struct gathering *gathering, char kind, int64_t id, double value)
{
    char text[80];
    int length = snprintf(text, sizeof text, "%c %lld %.17g\n", kind, (long long)id, value);

    sha256_update(&gathering->digest, (size_t)length, (const uint8_t *)text);
}

static int take_observation(const struct store_observation *row, void *user)
{
    struct gathering *gathering = user;
    struct evidence_record record = evidence_record_empty();
    struct conditions conditions;
    struct status why;
    const char *kind;

    digest_row(gathering, 'o', row->id, row->value);
    if (strcmp(row->place, "leads") == 0) /* already taken off the readings after it */
        return 0;
    if (conditions_parse(row->conditions, &conditions, &why) != STATUS_OK) {
        note(gathering->out, "observation %lld is left out: %s", (long long)row->id, why.text);
        return 0;
    }
    if (strcmp(row->quantity, "temperature") == 0) {
        gathering->room = row->value;
        gathering->room_u = row->u;
        return 0;
    }
    if (strcmp(conditions.kind, "withdrawn") == 0) /* it only took another out of the record */
        return 0;
    kind = conditions.kind[0] ? conditions.kind : kind_of(row);
    record.quantity = kind ? kind : row->quantity;
    record.place = gather_place(row->place);
    if (!record.place) {
        note(gathering->out, "observation %lld is left out: place '%.20s' says nothing of the coil",
             (long long)row->id, row->place);
        return 0;
    }
    /* a megohm range, or a tester, shares no gain error with the ohms of the winding */
    record.instrument = kind && strcmp(kind, "insulation") == 0 ? "" : conditions.instrument;
    record.value = row->value;
    record.u = row->u;
    record.accuracy_rel = conditions.accuracy_rel;
    record.accuracy_abs = conditions.accuracy_abs;
    record.resolution = conditions.resolution;
    record.wires = isfinite(conditions.wires) ? (int)conditions.wires : 0;
    record.overload = conditions.bound == CONDITIONS_ABOVE;
    record.below = conditions.bound == CONDITIONS_BELOW;
    record.doubtful = conditions.doubtful;
    record.at = to_evidence(&conditions, gathering);
    return add(gathering, &record, row->id, false, row->time);
}

static int take_trial(const struct store_trial *row, void *user)
{
    struct gathering *gathering = user;
    struct evidence_record record = evidence_record_empty();
    struct conditions conditions;
    struct status why;

    digest_row(gathering, 't', row->id, row->load);
    if (conditions_parse(row->conditions, &conditions, &why) != STATUS_OK) {
        note(gathering->out, "trial %lld is left out: %s", (long long)row->id, why.text);
        return 0;
    }
    if (strcmp(conditions.kind, "withdrawn") == 0) /* it only took another out of the record */
        return 0;
    record.quantity = "lift";
    record.place = "pair";
    record.instrument = conditions.instrument;
    record.value = row->load;
    record.u = row->load_u;
    record.at = to_evidence(&conditions, gathering);
    record.at.current = row->current;
    record.at.current_u = conditions.current_u;
    record.at.gap = row->gap;
    record.at.gap_u = conditions.gap_u;
    record.at.keeper = true;
    record.doubtful = conditions.doubtful;
    record.overload = conditions.bound == CONDITIONS_ABOVE;
    switch (row->outcome) {
    case STORE_HELD:
        record.outcome = EVIDENCE_HELD;
        break;
    case STORE_MORE_THAN: /* it held, and the load was above what the scale could show */
        record.outcome = EVIDENCE_HELD;
        record.overload = true;
        break;
    case STORE_DROPPED:
        record.outcome = EVIDENCE_DROPPED;
        break;
    case STORE_NOT_LIFTED:
        record.outcome = EVIDENCE_NOT_LIFTED;
        break;
    case STORE_SLID:
        note(gathering->out, "trial %lld slid off sideways: kept, but not counted as a pull",
             (long long)row->id);
        return 0;
    }
    return add(gathering, &record, row->id, true, row->time);
}

enum status_code gather_evidence(struct store *store, const struct coilbook_entry *entry,
                                 int64_t run, struct gathered *out, struct status *st)
{
    struct gathering gathering = {.out = out, .design = &entry->design, .room = NAN, .room_u = NAN};
    uint8_t bytes[SHA256_DIGEST_SIZE];
    enum status_code code;

    memset(out, 0, sizeof *out);
    evidence_clear(&out->evidence);
    sha256_init(&gathering.digest);
    sha256_update(&gathering.digest, strlen(entry->digest), (const uint8_t *)entry->digest);
    code = store_evidence_observations(store, entry->coil, run, false, take_observation, &gathering,
                                       st);
    if (code == STATUS_OK)
        code = store_evidence_trials(store, entry->coil, run, false, take_trial, &gathering, st);
    if (code == STATUS_OK)
        code = recall_find(store, &entry->design, &out->evidence, &out->recalled, st);
    if (out->recalled.count)
        sha256_update(&gathering.digest, strlen(out->recalled.text),
                      (const uint8_t *)out->recalled.text);
    sha256_digest(&gathering.digest, sizeof bytes, bytes);
    for (size_t i = 0; i < sizeof bytes; ++i)
        snprintf(out->digest + 2 * i, 3, "%02x", bytes[i]);
    return code;
}
