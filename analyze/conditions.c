#include "analyze/conditions.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <jansson.h>

/* The plain numbers of the struct, by the name they have in the text. */
static const struct {
    const char *name;
    size_t offset;
} numbers[] = {
#define NUMBER(field)                                                                              \
    {                                                                                              \
#field, offsetof(struct conditions, field)                                                 \
    }
    NUMBER(wires),     NUMBER(temperature),  NUMBER(temperature_u), NUMBER(voltage),
    NUMBER(voltage_u), NUMBER(current),      NUMBER(current_u),     NUMBER(gap),
    NUMBER(gap_u),     NUMBER(source_ohm),   NUMBER(source_ohm_u),  NUMBER(frequency),
    NUMBER(duration),  NUMBER(accuracy_rel), NUMBER(accuracy_abs),  NUMBER(resolution),
#undef NUMBER
};

#define NUMBERS (sizeof numbers / sizeof *numbers)

static double *number_at(struct conditions *c, size_t i)
{
    return (double *)(void *)((char *)c + numbers[i].offset);
}

void conditions_init(struct conditions *c)
{
    memset(c, 0, sizeof *c);
    for (size_t i = 0; i < NUMBERS; ++i)
        *number_at(c, i) = NAN;
}

char *conditions_text(const struct conditions *c)
{
    struct conditions copy = *c;
    json_t *object = json_object();
    char *text = NULL;
    int failed = 0;

    if (!object)
        return NULL;
    if (copy.kind[0])
        failed |= json_object_set_new(object, "kind", json_string(copy.kind));
    if (copy.instrument[0])
        failed |= json_object_set_new(object, "instrument", json_string(copy.instrument));
    for (size_t i = 0; i < NUMBERS; ++i)
        if (isfinite(*number_at(&copy, i)))
            failed |= json_object_set_new(object, numbers[i].name, json_real(*number_at(&copy, i)));
    if (copy.keeper != CONDITIONS_UNKNOWN)
        failed |=
            json_object_set_new(object, "keeper", json_boolean(copy.keeper == CONDITIONS_YES));
    if (copy.bound != CONDITIONS_EQUAL)
        failed |= json_object_set_new(
            object, "bound", json_string(copy.bound == CONDITIONS_ABOVE ? "above" : "below"));
    if (copy.doubtful)
        failed |= json_object_set_new(object, "doubtful", json_true());
    if (!failed)
        text = json_dumps(object, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(object);
    return text;
}

static enum status_code take_word(json_t *object, const char *name, char to[CONDITIONS_WORD_SIZE],
                                  struct status *st)
{
    json_t *value = json_object_get(object, name);

    if (!value)
        return STATUS_OK;
    if (!json_is_string(value) || json_string_length(value) >= CONDITIONS_WORD_SIZE)
        return status_fail(st, STATUS_INPUT, "conditions: '%s' is not a short text", name);
    snprintf(to, CONDITIONS_WORD_SIZE, "%s", json_string_value(value));
    return STATUS_OK;
}

enum status_code conditions_parse(const char *text, struct conditions *c, struct status *st)
{
    json_error_t error;
    json_t *object;
    json_t *value;
    char bound[CONDITIONS_WORD_SIZE] = "";
    enum status_code code = STATUS_OK;

    conditions_init(c);
    if (!text || !*text)
        return status_ok(st);
    object = json_loads(text, 0, &error);
    if (!json_is_object(object)) {
        json_decref(object);
        return status_fail(st, STATUS_INPUT, "conditions: not a JSON object");
    }
    for (size_t i = 0; i < NUMBERS && code == STATUS_OK; ++i) {
        value = json_object_get(object, numbers[i].name);
        if (!value)
            continue;
        if (json_is_number(value))
            *number_at(c, i) = json_number_value(value);
        else
            code =
                status_fail(st, STATUS_INPUT, "conditions: '%s' is not a number", numbers[i].name);
    }
    if (code == STATUS_OK)
        code = take_word(object, "kind", c->kind, st);
    if (code == STATUS_OK)
        code = take_word(object, "instrument", c->instrument, st);
    if (code == STATUS_OK)
        code = take_word(object, "bound", bound, st);
    if (strcmp(bound, "above") == 0)
        c->bound = CONDITIONS_ABOVE;
    else if (strcmp(bound, "below") == 0)
        c->bound = CONDITIONS_BELOW;
    value = json_object_get(object, "keeper");
    if (json_is_boolean(value))
        c->keeper = json_is_true(value) ? CONDITIONS_YES : CONDITIONS_NO;
    c->doubtful = json_is_true(json_object_get(object, "doubtful"));
    json_decref(object);
    return code;
}

enum status_code conditions_read_wires(struct conditions *c, const char *text, struct status *st)
{
    if (strcmp(text, "2") != 0 && strcmp(text, "4") != 0)
        return status_fail(st, STATUS_INPUT, "read '%s', expected 2 or 4", text);
    c->wires = *text - '0';
    return status_ok(st);
}

enum status_code conditions_read_keeper(struct conditions *c, const char *text, struct status *st)
{
    if (strcmp(text, "on") != 0 && strcmp(text, "off") != 0)
        return status_fail(st, STATUS_INPUT, "read '%s', expected on or off", text);
    c->keeper = strcmp(text, "on") == 0 ? CONDITIONS_YES : CONDITIONS_NO;
    return status_ok(st);
}
