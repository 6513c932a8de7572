#include "acquire/drivers/scpichannel.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "acquire/number.h"
#include "db/quantity.h"

const struct section_key scpichannel_keys[] = {
    {.name = "method", .kind = SECTION_CHOICE, .standard = "read", .choices = "read measure fetch"},
    {.name = "configure", .kind = SECTION_LIST},
    {.name = "query", .kind = SECTION_BYTES},
    {.name = "field", .kind = SECTION_INTEGER, .standard = "1", .min = 1, .max = 64},
    {.name = "unit_field", .kind = SECTION_INTEGER, .min = 1, .max = 64},
    {.name = "status_field", .kind = SECTION_INTEGER, .min = 1, .max = 64},
    {.name = "status_good", .kind = SECTION_LIST, .standard = "0"},
    {.name = "coupling", .kind = SECTION_CHOICE, .standard = "dc", .choices = "dc ac"},
    {.name = "range", .kind = SECTION_TEXT, .standard = "auto"},
    {.name = "nplc", .kind = SECTION_NUMBER, .min = 0.0001, .max = 1000},
    {.name = "pattern", .kind = SECTION_PATTERN},
    {.name = "unit_text", .kind = SECTION_LIST},
    {.name = "overload_from", .kind = SECTION_NUMBER, .min = -1e300, .max = 1e300},
    {.name = NULL},
};

/* The SCPI function that measures what the channel's number stands for, or NULL. */
static const char *function_of(const struct benchfile_channel *channel)
{
    static const struct {
        enum quantity_id id;
        const char *dc;
        const char *ac;
    } functions[] = {
        {QUANTITY_RESISTANCE, "RES", NULL},       {QUANTITY_VOLTAGE, "VOLT:DC", "VOLT:AC"},
        {QUANTITY_CURRENT, "CURR:DC", "CURR:AC"}, {QUANTITY_TEMPERATURE, "TEMP", NULL},
        {QUANTITY_FREQUENCY, "FREQ", NULL},       {QUANTITY_CAPACITANCE, "CAP", NULL}};
    const struct quantity *quantity = quantity_find(channel->quantity);
    enum quantity_id id = quantity ? quantity->id : QUANTITY_COUNT_OF_ALL;
    bool ac = strcmp(section_text(channel->values, "coupling"), "ac") == 0;

    if (!isnan(channel->calibration.shunt))
        id = QUANTITY_VOLTAGE; /* the meter sees the volts across the shunt */
    for (size_t i = 0; i < sizeof functions / sizeof functions[0]; ++i)
        if (functions[i].id == id) {
            if (id == QUANTITY_RESISTANCE && section_integer(channel->values, "wires") == 4)
                return "FRES";
            return ac ? functions[i].ac : functions[i].dc;
        }
    return NULL;
}

static enum status_code make_range(const struct section *values, struct scpichannel *out,
                                   char argument[32], struct status *st)
{
    const char *range = section_text(values, "range");
    struct number number;

    argument[0] = '\0';
    out->range = NAN;
    if (strcmp(range, "auto") == 0)
        return STATUS_OK;
    if (!number_read(range, strlen(range), NUMBER_POINT, &number) || number.used != strlen(range) ||
        !(number.value > 0.0))
        return section_fail(values, "range", st, "'%s' is neither 'auto' nor a number above 0",
                            range);
    out->range = number.value;
    snprintf(argument, 32, " %.10g", number.value);
    return STATUS_OK;
}

/* The pattern of the answer, and the commands given. */
static enum status_code make_own(const struct section *values, struct scpichannel *out,
                                 struct status *st)
{
    enum status_code code = STATUS_OK;
    const char *item;
    size_t length;
    struct status why;

    if (section_text(values, "pattern")) {
        if (pattern_new(section_text(values, "pattern"), &out->pattern, &why) != STATUS_OK)
            return section_fail(values, "pattern", st, "%s", why.text);
        out->value = pattern_group(out->pattern, "value");
        out->unit = pattern_group(out->pattern, "unit");
        if (out->value < 0)
            code = section_fail(values, "pattern", st, "the pattern needs a group (?<value>...)");
    }
    for (size_t i = 0; (item = section_item(values, "configure", i, &length)); ++i) {
        if (i == SCPICHANNEL_CONFIGURE_MAX || length >= SCPICHANNEL_COMMAND_MAX)
            return section_fail(values, "configure", st,
                                "more than %d commands, or one longer than %d bytes",
                                SCPICHANNEL_CONFIGURE_MAX, SCPICHANNEL_COMMAND_MAX - 1);
        snprintf(out->configure[out->configures++], SCPICHANNEL_COMMAND_MAX, "%s", item);
    }
    return code;
}

enum status_code scpichannel_fill(const struct benchfile_channel *channel, struct scpichannel *out,
                                  struct status *st)
{
    const struct section *values = channel->values;
    const char *function = function_of(channel);
    const char *method = section_text(values, "method");
    const char *query = section_bytes(values, "query", NULL);
    bool measure = strcmp(method, "measure") == 0;
    double nplc = section_number(values, "nplc");
    enum status_code code = STATUS_OK;
    char argument[32];

    out->field = section_integer(values, "field");
    out->unit_field = section_integer(values, "unit_field");
    out->status_field = section_integer(values, "status_field");
    if (out->unit_field > 0 && section_given(values, "pattern"))
        code = section_fail(values, "unit_field", st,
                            "has no effect beside pattern; give it a group (?<unit>...)");
    if (out->status_field > 0 && section_given(values, "pattern"))
        code =
            section_fail(values, "status_field", st,
                         "has no effect beside pattern; let the pattern match good answers only");
    if (section_given(values, "status_good") && out->status_field == 0)
        code = section_fail(values, "status_field", st, "missing; status_good is what it holds");
    if (make_range(values, out, argument, st) != STATUS_OK ||
        make_own(values, out, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (query && strlen(query) >= SCPICHANNEL_COMMAND_MAX)
        code =
            section_fail(values, "query", st, "longer than %d bytes", SCPICHANNEL_COMMAND_MAX - 1);
    if (query)
        snprintf(out->query, sizeof out->query, "%s", query);
    else if (measure && function)
        snprintf(out->query, sizeof out->query, "MEAS:%s?%s", function, argument);
    else
        snprintf(out->query, sizeof out->query, "%s",
                 strcmp(method, "fetch") == 0 ? "FETC?" : "READ?");
    if (out->configures > 0 || query || measure) {
        if (!isnan(nplc))
            code = section_fail(values, "nplc", st,
                                "has no effect beside configure, query or method = measure; put "
                                "the command among the configure lines");
        if (!query && !function && measure && *channel->quantity)
            code = section_fail(values, "query", st, "missing; SCPI has no standard query for %s",
                                channel->quantity);
        return code;
    }
    if (!*channel->quantity)
        return STATUS_INPUT; /* that has been said */
    if (!function)
        return section_fail(values, "query", st,
                            "missing; SCPI has no standard function for %s here",
                            channel->quantity);
    out->standard = true;
    snprintf(out->configure[out->configures++], SCPICHANNEL_COMMAND_MAX, "CONF:%s%s", function,
             argument);
    if (!isnan(nplc))
        snprintf(out->configure[out->configures++], SCPICHANNEL_COMMAND_MAX, "%s:NPLC %.10g",
                 function, nplc);
    return code;
}

bool scpichannel_is_essential(const struct scpichannel *channel, size_t index)
{
    bool any = false;

    for (size_t i = 0; i < channel->configures; ++i) {
        bool chooses = false;

        for (const char *at = channel->configure[i]; at && *at; at = strchr(at, ';')) {
            at += strspn(at, ";: ");
            if (strncasecmp(at, "SENS", 4) == 0 && strchr(at, ':'))
                at = strchr(at, ':') + 1;
            chooses = chooses || strncasecmp(at, "CONF", 4) == 0 || strncasecmp(at, "FUNC", 4) == 0;
        }
        if (i == index && chooses)
            return true;
        any = any || chooses;
    }
    return !any;
}

bool scpichannel_same_configuration(const struct scpichannel *a, const struct scpichannel *b)
{
    if (a->configures != b->configures)
        return false;
    for (size_t i = 0; i < a->configures; ++i)
        if (strcmp(a->configure[i], b->configure[i]) != 0)
            return false;
    return true;
}
