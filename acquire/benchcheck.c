#include "acquire/benchcheck.h"

#include <stdio.h>
#include <string.h>

#include "acquire/pattern.h"
#include "db/quantity.h"

struct work {
    benchfile_report report;
    void *to;
    size_t count;
};

static void warn(struct work *work, const struct status *st)
{
    ++work->count;
    work->report(work->to, st->text);
}

static void check_accuracy(struct work *work, const struct benchfile_channel *channel)
{
    const struct quantity *quantity = quantity_find(channel->quantity);
    double percent = quantity ? 100.0 * quantity->assumed : 0.0;
    struct status st;

    if (channel->calibration.ranges > 0 || percent == 0.0)
        return;
    section_fail(channel->values, "accuracy", &st,
                 "no accuracy is given: limits of %g %% of the reading will be assumed; the "
                 "instrument's manual has its own",
                 percent);
    warn(work, &st);
}

/* Whether a group of this name means something to the lines driver. */
static bool is_known(const struct benchfile_instrument *instrument, const char *group)
{
    static const char *const names[] = {"unit", "stable",      "unstable",
                                        "hold", "low_battery", "sequence"};

    for (size_t i = 0; i < sizeof names / sizeof names[0]; ++i)
        if (strcmp(group, names[i]) == 0)
            return true;
    if (strncmp(group, "other", 5) == 0)
        return true; /* it keeps what it takes away from the numbers beside it */
    for (size_t i = 0; i < instrument->channels; ++i) {
        const struct benchfile_channel *channel = &instrument->channel[i];
        const char *field = section_text(channel->values, "field");
        const char *unit = section_text(channel->values, "unit_field");
        const char *name = field ? field : channel->name;
        size_t length = strlen(name);

        if (strncmp(group, name, length) == 0 &&
            (group[length] == '\0' || strcmp(group + length, "_unit") == 0 ||
             strcmp(group + length, "_oz") == 0 || strcmp(group + length, "_minus") == 0 ||
             strcmp(group + length, "_decimals") == 0))
            return true;
        if (unit && strcmp(group, unit) == 0)
            return true;
    }
    return false;
}

/* Whether the pattern speaks of the end of the line at all. */
static bool has_end(const char *text)
{
    for (; *text; ++text)
        if (*text == '\\' && text[1])
            if (*++text == 'z' || *text == 'Z')
                return true;
            else
                continue;
        else if (*text == '$')
            return true;
    return false;
}

static void check_groups(struct work *work, const struct benchfile_instrument *instrument)
{
    const char *text;

    for (size_t i = 0; (text = section_item(instrument->values, "pattern", i, NULL)); ++i) {
        struct pattern *pattern;
        const char *group;
        struct status st;

        if (pattern_new(text, &pattern, &st) != STATUS_OK)
            continue;
        if (!pattern_is_anchored(pattern)) {
            section_fail(instrument->values, "pattern", &st,
                         "'%.60s' does not begin with ^ and so matches the rest of a longer line, "
                         "too",
                         text);
            warn(work, &st);
        }
        if (!has_end(text)) {
            section_fail(instrument->values, "pattern", &st,
                         "'%.60s' has no $ and so matches a line that goes on, too", text);
            warn(work, &st);
        }
        for (size_t k = 0; (group = pattern_group_name(pattern, k)); ++k)
            if (!is_known(instrument, group)) {
                section_fail(instrument->values, "pattern", &st,
                             "the group (?<%.40s>...) is no channel's and means nothing", group);
                warn(work, &st);
            }
        pattern_free(pattern);
    }
}

/* A meter that stays in the function before tells so in its error queue only. */
static void check_errors(struct work *work, const struct benchfile_instrument *instrument)
{
    size_t chosen = 0;
    struct status st;

    for (size_t i = 0; i < instrument->channels; ++i) {
        const struct section *values = instrument->channel[i].values;

        chosen += !section_given(values, "query") &&
                  strcmp(section_text(values, "method"), "measure") != 0;
    }
    if (section_switch(instrument->values, "errors") || chosen == 0)
        return;
    section_fail(instrument->values, "errors", &st,
                 "without the error queue a function that the meter does not know goes unnoticed");
    warn(work, &st);
}

size_t benchcheck_warn(const struct benchfile *bench, benchfile_report report, void *to)
{
    struct work work = {.report = report, .to = to};

    for (size_t i = 0; i < bench->instruments; ++i) {
        const struct benchfile_instrument *instrument = &bench->instrument[i];

        if (strcmp(instrument->driver, "lines") == 0)
            check_groups(&work, instrument);
        if (strcmp(instrument->driver, "scpi") == 0)
            check_errors(&work, instrument);
        for (size_t k = 0; k < instrument->channels; ++k)
            check_accuracy(&work, &instrument->channel[k]);
    }
    return work.count;
}
