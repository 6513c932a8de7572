#include "analyze/taking.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/daemonlink.h"
#include "analyze/recording.h"
#include "db/store_read.h"

/* What an overload says when the instrument does not tell its range. */
#define OVERLOAD_OHM 1e3

void taking_init(struct taking *t)
{
    *t = (struct taking){.steady = steady_options_default()};
    conditions_init(&t->conditions);
}

enum status_code taking_wait(struct taking *t, const char *database, struct store *store,
                             struct status *st)
{
    struct status quiet;
    bool asked = false;
    enum status_code code;

    /* A channel that is always polled takes no harm from being asked for. */
    if (t->channel_name && daemonlink_select(database, t->channel_name, &quiet) == STATUS_OK)
        asked = true;
    code = steady_take(store, t->channel, &t->steady, &t->value, st);
    if (asked) {
        char instrument[CONDITIONS_WORD_SIZE];

        snprintf(instrument, sizeof instrument, "%.*s", (int)strcspn(t->channel_name, "."),
                 t->channel_name);
        daemonlink_release(database, instrument, &quiet);
    }
    if (code == STATUS_OK && t->value.overload && strcmp(t->kind->quantity, "resistance") != 0)
        return status_fail(st, STATUS_INPUT, "the instrument shows overload: choose a wider range");
    return code;
}

/* The value of another channel over the same readings, for the conditions. */
static enum status_code beside(struct store *store, int64_t channel, const struct steady_value *v,
                               double *value, double *u, struct status *st)
{
    struct store_window window;
    /* slow channels: look a little further to both sides */
    int64_t margin = 3000000;
    enum status_code code =
        store_read_window(store, channel, v->from - margin, v->to + margin,
                          STORE_FLAG_OVERLOAD | STORE_FLAG_MIN | STORE_FLAG_MAX, &window, st);

    if (code != STATUS_OK || window.n == 0)
        return code;
    *value = window.mean;
    *u = window.n > 1 ? window.sd / sqrt((double)window.n) : NAN;
    return STATUS_OK;
}

enum status_code taking_conditions(struct taking *t, struct store *store, struct status *st)
{
    struct conditions *c = &t->conditions;
    int64_t instrument = 0;
    int64_t other;
    enum status_code code = steady_instrument(store, t->channel, &instrument, c, st);
    struct status quiet;

    if (code == STATUS_OK && strcmp(t->kind->word, "current") == 0 && !isfinite(c->voltage)) {
        code = steady_channel(store, t->voltage_name, "voltage", instrument, &other, st);
        if (code == STATUS_OK)
            code = beside(store, other, &t->value, &c->voltage, &c->voltage_u, st);
        if (code != STATUS_OK)
            return status_prefix(st, "a current says nothing without the voltage across the coil "
                                     "(--voltage, --voltage-channel)");
        if (!isfinite(c->voltage))
            return status_fail(st, STATUS_INPUT,
                               "no voltage was measured beside this current; give --voltage");
    }
    if (code == STATUS_OK && !isfinite(c->temperature) &&
        strcmp(t->kind->word, "temperature") != 0) {
        if (steady_channel(store, t->temperature_name, "temperature", instrument, &other, &quiet) ==
            STATUS_OK)
            code = beside(store, other, &t->value, &c->temperature, &c->temperature_u, st);
        else if (t->temperature_name)
            return status_fail(st, quiet.code, "%s", quiet.text);
        if (isfinite(c->temperature)) /* a thermistor or probe is rarely better than this */
            c->temperature_u = fmax(isfinite(c->temperature_u) ? c->temperature_u : 0.0, 0.7);
    }
    return code;
}

/* The value's own side of the conditions. */
static void put_value(struct taking *t, struct store_observation *o)
{
    o->quantity = t->kind->quantity;
    o->value = t->value.value;
    o->u = t->value.u;
    o->channel = t->channel;
    o->from = t->value.from;
    o->to = t->value.to;
    o->n = t->value.n;
    o->remark = t->remark;
    snprintf(t->conditions.kind, sizeof t->conditions.kind, "%s", t->kind->word);
    if (t->value.overload) {
        t->conditions.bound = CONDITIONS_ABOVE;
        if (!isfinite(o->value))
            o->value = OVERLOAD_OHM;
    } else if (t->leads != 0.0) {
        o->value -= t->leads;
        o->u = hypot(o->u, isfinite(t->leads_u) ? t->leads_u : 0.0);
    }
    t->conditions.accuracy_rel = t->value.accuracy_rel;
    t->conditions.accuracy_abs = t->value.accuracy_abs;
    t->conditions.resolution = t->value.resolution;
    t->conditions.doubtful = t->value.doubtful;
}

enum status_code taking_store(struct taking *t, struct units *units, struct store *store,
                              const char *name, const char *place, int64_t *id, struct status *st)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct store_observation o = {.place = place};
    enum status_code code;

    if (!entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    put_value(t, &o);
    code = coilbook_load(units, store, name, entry, st);
    o.coil = entry->coil;
    if (code == STATUS_OK)
        code = recording_begin(store, entry, &o.run, st);
    if (code == STATUS_OK)
        code = recording_end(store, recording_add(store, &o, &t->conditions, t->supersedes, id, st),
                             st);
    t->coil = o.coil;
    t->run = o.run;
    free(entry);
    return code;
}
