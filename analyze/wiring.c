#include "analyze/wiring.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#include "analyze/daemonlink.h"

#define WAIT_S 2.0

struct ohmmeter {
    char name[WIRING_NAME_SIZE];
    int wires; /* 0 not stated */
};

/* What is looked for, and what the bench has. */
struct search {
    const char *channel;
    int wires;
    struct ohmmeter named, fitting, any; /* the last of each */
    size_t n_named, n_fitting, n_any;
};

static bool is_named(const struct search *s, const char *full)
{
    const char *dot = strchr(full, '.');

    return strcmp(s->channel, full) == 0 || (dot && strcmp(s->channel, dot + 1) == 0);
}

static void look_at(struct search *s, const char *instrument, const json_t *row)
{
    const char *name = json_string_value(json_object_get(row, "name"));
    const char *quantity = json_string_value(json_object_get(row, "quantity"));
    struct ohmmeter meter = {.wires = (int)json_integer_value(json_object_get(row, "wires"))};

    /* a channel called so has a range of its own, for the winding against the core */
    if (!name || !quantity || strcmp(quantity, "resistance") != 0 ||
        (strcmp(name, "insulation") == 0 && !is_named(s, name)) ||
        snprintf(meter.name, sizeof meter.name, "%s.%s", instrument, name) >=
            (int)sizeof meter.name)
        return;
    s->any = meter;
    ++s->n_any;
    if (is_named(s, meter.name)) {
        s->named = meter;
        ++s->n_named;
    }
    if (s->wires && meter.wires == s->wires) {
        s->fitting = meter;
        ++s->n_fitting;
    }
}

static void look_at_all(struct search *s, const json_t *answer)
{
    const json_t *instrument;
    const json_t *channel;
    size_t i;
    size_t k;

    json_array_foreach(json_object_get(answer, "instruments"), i, instrument)
    {
        const char *name = json_string_value(json_object_get(instrument, "name"));

        json_array_foreach(json_object_get(instrument, "channels"), k, channel) if (name)
            look_at(s, name, channel);
    }
}

enum status_code wiring_settle(const char *database, char channel[WIRING_NAME_SIZE], int *wires,
                               struct status *st)
{
    struct search s = {.channel = channel, .wires = *wires};
    const struct ohmmeter *meter = NULL;
    json_t *answer = NULL;
    struct status quiet;

    if (daemonlink_ask(database, json_pack("{s:s}", "do", "status"), WAIT_S, &answer, &quiet) !=
        STATUS_OK)
        return status_ok(st);
    look_at_all(&s, answer);
    json_decref(answer);
    if (*channel)
        meter = s.n_named == 1 ? &s.named : NULL;
    else if (s.n_fitting == 1)
        meter = &s.fitting;
    else if (s.n_any == 1)
        meter = &s.any;
    if (!meter)
        return status_ok(st);
    if (*wires && meter->wires && meter->wires != *wires)
        return status_fail(st, STATUS_INPUT,
                           "the bench file says that %s has %d wires, not %d: name another channel "
                           "(--channel), or put its 'wires' right",
                           meter->name, meter->wires, *wires);
    if (!*wires)
        *wires = meter->wires;
    snprintf(channel, WIRING_NAME_SIZE, "%s", meter->name);
    return status_ok(st);
}
