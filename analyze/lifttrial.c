#include "analyze/lifttrial.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include "analyze/lifting.h"
#include "analyze/recording.h"
#include "analyze/sitting.h"
#include "analyze/steady.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_read.h"

#define LOOK_EVERY_US 100000
#define GONE          60.0 /* s; a current older than this is no current of this trial at all */
#define NOT_A_VALUE   (STORE_FLAG_OVERLOAD | STORE_FLAG_MIN | STORE_FLAG_MAX | STORE_FLAG_HOLD)

/* A household scale, or the mark on a weight. Common practice, no source. */
#define LOAD_U 0.01

static const char *const results[] = {[LIFTTRIAL_NONE] = "",
                                      [LIFTTRIAL_HELD] = "held",
                                      [LIFTTRIAL_DROPPED] = "dropped",
                                      [LIFTTRIAL_SLID] = "slid",
                                      [LIFTTRIAL_NOT_LIFTED] = "not lifted",
                                      [LIFTTRIAL_STICKS] = "sticks",
                                      [LIFTTRIAL_FALLS] = "falls off"};

void lifttrial_init(struct lifttrial *t)
{
    memset(t, 0, sizeof *t);
    t->load = t->load_u = t->hold = NAN;
    conditions_init(&t->conditions);
    t->conditions.gap = 0.0;
    t->conditions.keeper = CONDITIONS_YES;
}

const char *lifttrial_result_words(enum lifttrial_result result)
{
    return (unsigned)result < sizeof results / sizeof *results ? results[result] : "";
}

/* ---- words ---- */

/* One piece of a load, without sign. */
static enum status_code one_load(struct units *units, const char *text, struct units_value *value,
                                 struct status *st)
{
    enum status_code code = units_parse_load(units, text, value, st);

    if (code == STATUS_OK && !(value->value >= 0.0))
        return status_fail(st, STATUS_INPUT, "read '%s': a load cannot be negative", text);
    return code;
}

/* A plus that joins two pieces, not one of limits ("+-", "+/-"). */
static char *joining_plus(char *text)
{
    for (char *p = strchr(text, '+'); p; p = strchr(p + 1, '+'))
        if (p[1] != '-' && p[1] != '/')
            return p;
    return NULL;
}

static enum status_code sum_of_loads(struct units *units, char *text, struct lifttrial *t,
                                     struct status *st)
{
    double square = 0.0;

    t->load = 0.0;
    for (char *piece = text; piece;) {
        char *plus = joining_plus(piece);
        struct units_value value;

        if (plus)
            *plus = '\0';
        while (*piece == ' ')
            ++piece;
        if (!*piece)
            return status_fail(st, STATUS_INPUT, "read '': a piece of the sum is missing");
        if (one_load(units, piece, &value, st) != STATUS_OK)
            return st->code;
        t->load += value.value;
        square += value.has_uncertainty ? value.half_width * value.half_width / 3.0
                                        : pow(LOAD_U * value.value, 2.0);
        piece = plus ? plus + 1 : NULL;
    }
    t->load_u = sqrt(square);
    return status_ok(st);
}

static enum status_code read_load(struct units *units, char *text, struct lifttrial *t,
                                  struct status *st)
{
    struct units_value low;
    struct units_value high;
    char *and;

    t->more_than = false;
    if (*text == '>' || strncasecmp(text, "more than ", 10) == 0) {
        t->more_than = true;
        text += *text == '>' ? 1 : 10;
    }
    text += strspn(text, " ");
    if (strncasecmp(text, "between ", 8) != 0)
        return sum_of_loads(units, text, t, st);
    and = strstr(text, " and ");
    if (!and)
        return status_fail(st, STATUS_INPUT, "expected 'between LOAD and LOAD'");
    *and = '\0';
    if (one_load(units, text + 8, &low, st) != STATUS_OK ||
        one_load(units, and+5, &high, st) != STATUS_OK)
        return st->code;
    if (!(high.value > low.value))
        return status_fail(st, STATUS_INPUT, "the second load is not above the first");
    t->load = 0.5 * (low.value + high.value);
    t->load_u = hypot(0.5 * (high.value - low.value) / sqrt(3.0), LOAD_U * t->load);
    return status_ok(st);
}

enum status_code lifttrial_load(struct units *units, const char *text, struct lifttrial *t,
                                struct status *st)
{
    char copy[UNITS_TEXT_MAX + 1];

    if (strlen(text) > UNITS_TEXT_MAX)
        return status_fail(st, STATUS_INPUT, "load: longer than %d letters", UNITS_TEXT_MAX);
    snprintf(copy, sizeof copy, "%s", text);
    if (read_load(units, copy, t, st) != STATUS_OK)
        return status_prefix(st, "load");
    if (!(t->load > 0.0))
        return status_fail(st, STATUS_INPUT, "load: read '%s', expected more than nothing", text);
    return status_ok(st);
}

enum status_code lifttrial_result_read(const char *text, struct lifttrial *t, struct status *st)
{
    if (strcmp(text, "more than") == 0) {
        t->result = LIFTTRIAL_HELD;
        t->more_than = true;
        return status_ok(st);
    }
    for (unsigned i = LIFTTRIAL_HELD; i < sizeof results / sizeof *results; ++i)
        if (strcmp(text, results[i]) == 0) {
            t->result = (enum lifttrial_result)i;
            return status_ok(st);
        }
    return status_fail(st, STATUS_INPUT,
                       "outcome: read '%s', expected held, dropped, slid, 'not lifted', 'more "
                       "than', sticks or 'falls off'",
                       text);
}

static enum status_code put_words(char to[LIFTTRIAL_WORDS_SIZE], const char *word, const char *text,
                                  struct status *st)
{
    if (strlen(text) >= LIFTTRIAL_WORDS_SIZE)
        return status_fail(st, STATUS_INPUT, "%s: longer than %d letters", word,
                           LIFTTRIAL_WORDS_SIZE - 1);
    snprintf(to, LIFTTRIAL_WORDS_SIZE, "%s", text);
    return status_ok(st);
}

/* The unit is the last word that belongs to a length; what follows says what the shim is of. */
enum status_code lifttrial_gap(struct units *units, const char *text, struct lifttrial *t,
                               struct status *st)
{
    struct units_value value;
    char copy[LIFTTRIAL_WORDS_SIZE];
    char *end;
    struct status first;

    if (strcmp(text, "contact") == 0) {
        t->conditions.gap = 0.0;
        t->conditions.gap_u = NAN;
        t->shim[0] = '\0';
        return status_ok(st);
    }
    if (put_words(copy, "gap", text, st) != STATUS_OK)
        return st->code;
    if (units_parse_uncertain(units, copy, "m", &value, &first) != STATUS_OK) {
        /* "0.5 mm brass": without its last words it may be a length */
        while ((end = strrchr(copy, ' ')) != NULL) {
            *end = '\0';
            if (units_parse_uncertain(units, copy, "m", &value, st) == STATUS_OK)
                break;
        }
        if (!end)
            return status_fail(st, STATUS_INPUT, "gap: %s", first.text);
        snprintf(t->shim, sizeof t->shim, "%s", text + (end - copy) + 1);
    } else
        t->shim[0] = '\0';
    if (!(value.value >= 0.0 && value.value <= 0.05))
        return status_fail(st, STATUS_INPUT, "gap: read '%s', expected 0 to 50 mm", text);
    t->conditions.gap = value.value;
    t->conditions.gap_u = value.has_uncertainty ? value.half_width / sqrt(3.0) : NAN;
    return status_ok(st);
}

static enum status_code figure(struct units *units, const char *word, const char *text,
                               const char *dimension, double low, double *to, double *to_u,
                               struct status *st)
{
    struct units_value value;

    if (units_parse_uncertain(units, text, dimension, &value, st) != STATUS_OK)
        return status_prefix(st, "%s", word);
    if (value.value < low)
        return status_fail(st, STATUS_INPUT, "%s: read '%s', which cannot be negative", word, text);
    *to = value.value;
    if (to_u)
        *to_u = value.has_uncertainty ? value.half_width / sqrt(3.0) : NAN;
    return status_ok(st);
}

enum status_code lifttrial_field(struct units *units, const char *word, const char *text,
                                 struct lifttrial *t, struct status *st)
{
    struct conditions *c = &t->conditions;

    if (strcmp(word, "load") == 0)
        return lifttrial_load(units, text, t, st);
    if (strcmp(word, "outcome") == 0)
        return lifttrial_result_read(text, t, st);
    if (strcmp(word, "gap") == 0)
        return lifttrial_gap(units, text, t, st);
    if (strcmp(word, "current") == 0)
        return figure(units, word, text, "A", 0.0, &c->current, &c->current_u, st);
    if (strcmp(word, "voltage") == 0)
        return figure(units, word, text, "V", 0.0, &c->voltage, &c->voltage_u, st);
    if (strcmp(word, "temperature") == 0)
        return figure(units, word, text, "K", 0.0, &c->temperature, &c->temperature_u, st);
    if (strcmp(word, "hold") == 0)
        return figure(units, word, text, "s", 0.0, &t->hold, NULL, st);
    if (strcmp(word, "keeper") == 0)
        return put_words(t->keeper, word, text, st);
    if (strcmp(word, "remark") == 0)
        return put_words(t->remark, word, text, st);
    return status_fail(st, STATUS_NOT_FOUND,
                       "there is no '%s' in a trial; expected load, outcome, gap, current, "
                       "voltage, temperature, hold, keeper or remark",
                       word);
}

/* ---- the bench at that moment ---- */

static void beside(struct store *store, const char *name, const char *quantity, int64_t instrument,
                   int64_t at, double *value, double *u)
{
    struct store_window window;
    struct status st;
    int64_t channel;

    if (isfinite(*value) || steady_channel(store, name, quantity, instrument, &channel, &st) ||
        store_read_window(store, channel, at - 3000000, at + 1000000, NOT_A_VALUE, &window, &st) ||
        window.n == 0)
        return;
    *value = window.mean;
    *u = window.n > 1 ? window.sd / sqrt((double)window.n) : NAN;
}

/* Standard uncertainty of a reading of current, from the limits that the bench file states. */
static double accuracy(struct store *store, const struct store_reading *reading)
{
    struct store_calibration calibration;
    struct status st;
    double half = NAN;

    if (reading->calibration &&
        store_bench_calibration_by_id(store, reading->calibration, &calibration, &st) == STATUS_OK)
        half = store_bench_half_width(&calibration, reading->raw);
    if (!isfinite(half))
        half = quantity_get(QUANTITY_CURRENT)->assumed * fabs(reading->value);
    return half / sqrt(3.0);
}

enum status_code lifttrial_live(struct store *store, const struct lifttrial_channels *channels,
                                struct lifttrial *t, struct status *st)
{
    struct conditions *c = &t->conditions;
    struct store_reading latest = {0};
    struct store_window window;
    int64_t asked = store_now();
    int64_t instrument = 0;
    int64_t channel;
    enum status_code code = steady_channel(store, channels->current, "current", 0, &channel, st);

    if (code != STATUS_OK)
        return status_prefix(st, "the current of the trial is not known (--current I tells it)");
    do {
        code = store_read_latest(store, channel, &latest, st);
        if (code != STATUS_OK && code != STATUS_NOT_FOUND)
            return code;
        if (code == STATUS_OK && latest.time >= asked)
            break;
        usleep(LOOK_EVERY_US);
    } while ((double)(store_now() - asked) * 1e-6 < 1.5 * LIFTTRIAL_STALE + 0.5);
    if (code != STATUS_OK)
        return status_prefix(st, "the current of the trial");
    t->age = fmax(0.0, (double)(asked - latest.time) * 1e-6);
    if (t->age > GONE)
        return status_fail(st, STATUS_INPUT,
                           "the last current is %.0f s old: is truewoundd running, and the "
                           "instrument on? --current I gives it by hand",
                           t->age);
    code = store_read_window(store, channel, latest.time - 1000000, latest.time + 1, NOT_A_VALUE,
                             &window, st);
    if (code != STATUS_OK)
        return code;
    if (window.n == 0)
        return status_fail(st, STATUS_INPUT,
                           "the instrument shows no current (overload or hold): choose a wider "
                           "range, or give --current");
    c->current = window.mean;
    c->current_u =
        hypot(window.n > 1 ? window.sd / sqrt((double)window.n) : 0.0, accuracy(store, &latest));
    if (t->age > LIFTTRIAL_STALE)
        c->doubtful = true;
    code = steady_instrument(store, channel, &instrument, c, st);
    c->instrument[0] = '\0'; /* it measured the current, not the load */
    if (code != STATUS_OK)
        return code;
    beside(store, channels->voltage, "voltage", instrument, latest.time, &c->voltage,
           &c->voltage_u);
    beside(store, channels->temperature, "temperature", instrument, latest.time, &c->temperature,
           &c->temperature_u);
    if (isfinite(c->temperature)) /* a probe is rarely better than this */
        c->temperature_u = fmax(isfinite(c->temperature_u) ? c->temperature_u : 0.0, 0.7);
    return status_ok(st);
}

/* ---- checks and the record ---- */

static bool of_sticking(const struct lifttrial *t)
{
    return t->result == LIFTTRIAL_STICKS || t->result == LIFTTRIAL_FALLS;
}

enum status_code lifttrial_check(const struct design *design, const struct lifttrial *t,
                                 struct status *st)
{
    double possible = lifting_possible(design);
    char a[64];
    char b[64];

    if (!isfinite(t->load))
        return status_fail(st, STATUS_INPUT, "the load is missing, such as --load '1.2 kg'");
    if (t->result == LIFTTRIAL_NONE)
        return status_fail(
            st, STATUS_INPUT,
            "the outcome is missing: held, dropped, slid, 'not lifted', 'more than', "
            "sticks or 'falls off'");
    if (of_sticking(t))
        return status_ok(st);
    if (!(t->conditions.current > 0.0))
        return status_fail(st, STATUS_INPUT,
                           "the current is %g A: nothing holds without one (is the supply on?)",
                           t->conditions.current);
    if (isfinite(possible) && t->load > possible && t->result != LIFTTRIAL_NOT_LIFTED)
        return status_fail(st, STATUS_INPUT,
                           "%s is beyond any possible pull: no iron gives more than %s through "
                           "these poles; check the unit",
                           lifting_words(a, sizeof a, t->load),
                           lifting_words(b, sizeof b, possible));
    return status_ok(st);
}

static void put_remark(const struct lifttrial *t, char remark[3 * LIFTTRIAL_WORDS_SIZE])
{
    size_t used = 0;

    remark[0] = '\0';
    if (t->remark[0])
        used += (size_t)snprintf(remark, 2 * LIFTTRIAL_WORDS_SIZE, "%s", t->remark);
    if (t->shim[0])
        used += (size_t)snprintf(remark + used, LIFTTRIAL_WORDS_SIZE + 8, "%sshim of %s",
                                 used ? "; " : "", t->shim);
    if (t->age > LIFTTRIAL_STALE)
        snprintf(remark + used, 3 * LIFTTRIAL_WORDS_SIZE - used, "%scurrent %.1f s old",
                 used ? "; " : "", t->age);
}

static enum status_code store_stick(struct store *store, const struct coilbook_entry *entry,
                                    const struct lifttrial *t, int64_t run, const char *remark,
                                    int64_t *id, struct status *st)
{
    struct conditions c = t->conditions;
    struct store_observation o = {.run = run,
                                  .coil = entry->coil,
                                  .quantity = "force",
                                  .place = "pair",
                                  .value = t->load,
                                  .u = t->load_u,
                                  .typed = true,
                                  .remark = remark};

    snprintf(c.kind, sizeof c.kind, "residual-pull");
    c.bound = t->result == LIFTTRIAL_STICKS ? CONDITIONS_ABOVE : CONDITIONS_BELOW;
    return recording_add(store, &o, &c, 0, id, st);
}

enum status_code lifttrial_store(struct store *store, const struct coilbook_entry *entry,
                                 const struct lifttrial *t, int64_t supersedes, int64_t *id,
                                 struct status *st)
{
    static const enum store_outcome outcomes[] = {[LIFTTRIAL_HELD] = STORE_HELD,
                                                  [LIFTTRIAL_DROPPED] = STORE_DROPPED,
                                                  [LIFTTRIAL_SLID] = STORE_SLID,
                                                  [LIFTTRIAL_NOT_LIFTED] = STORE_NOT_LIFTED};
    char remark[3 * LIFTTRIAL_WORDS_SIZE];
    struct conditions c = t->conditions;
    struct store_trial trial = {.coil = entry->coil,
                                .current = c.current,
                                .gap = c.gap,
                                .load = t->load,
                                .load_u = t->load_u,
                                .duration = t->hold,
                                .keeper = t->keeper[0] ? t->keeper : NULL};
    char *text;
    enum status_code code = sitting_join(store, entry, &trial.run, st);

    if (code != STATUS_OK)
        return code;
    put_remark(t, remark);
    if (of_sticking(t)) {
        if (supersedes)
            return status_fail(st, STATUS_INPUT, "a trial of sticking cannot replace one of lift");
        return store_stick(store, entry, t, trial.run, remark[0] ? remark : NULL, id, st);
    }
    trial.outcome = outcomes[t->result];
    if (t->more_than && t->result == LIFTTRIAL_HELD)
        trial.outcome = STORE_MORE_THAN;
    else if (t->more_than) /* the load was above what is written, and it fell: kept, and weak */
        c.bound = CONDITIONS_ABOVE;
    snprintf(c.kind, sizeof c.kind, "lift");
    text = conditions_text(&c);
    if (!text)
        return status_fail(st, STATUS_MEMORY, "no memory");
    trial.conditions = text;
    trial.remark = remark[0] ? remark : NULL;
    code = store_evidence_add_trial(store, &trial, id, st);
    if (code == STATUS_OK && supersedes)
        code = store_evidence_supersede_trial(store, supersedes, *id, st);
    free(text);
    return code;
}

struct finding {
    int64_t wanted; /* 0: the latest */
    struct store_trial trial;
    bool found;
};

static int keep_trial(const struct store_trial *row, void *user)
{
    struct finding *f = user;
    struct conditions c;
    struct status st;

    if ((f->wanted && row->id != f->wanted) ||
        (conditions_parse(row->conditions, &c, &st) == STATUS_OK &&
         strcmp(c.kind, LIFTTRIAL_WITHDRAWN) == 0))
        return 0;
    f->trial = *row;
    f->trial.keeper = f->trial.conditions = f->trial.remark = NULL;
    f->found = true;
    return 0;
}

enum status_code lifttrial_withdraw(struct store *store, const struct coilbook_entry *entry,
                                    int64_t *number, struct status *st)
{
    struct finding f = {.wanted = *number};
    char remark[64];
    int64_t id;
    enum status_code code = store_evidence_trials(store, entry->coil, 0, false, keep_trial, &f, st);

    if (code != STATUS_OK)
        return code;
    if (!f.found && *number)
        return status_fail(st, STATUS_NOT_FOUND, "trial %lld of %s does not stand",
                           (long long)*number, entry->design.name);
    if (!f.found)
        return status_fail(st, STATUS_NOT_FOUND, "no trial of %s stands", entry->design.name);
    *number = f.trial.id;
    snprintf(remark, sizeof remark, "withdraws trial %lld", (long long)f.trial.id);
    f.trial.time = 0;
    f.trial.outcome = STORE_SLID; /* says nothing, to any reader of the table */
    f.trial.conditions = "{\"kind\":\"" LIFTTRIAL_WITHDRAWN "\"}";
    f.trial.remark = remark;
    code = store_evidence_add_trial(store, &f.trial, &id, st);
    if (code == STATUS_OK)
        code = store_evidence_supersede_trial(store, *number, id, st);
    return code;
}
