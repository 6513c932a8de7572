#include "acquire/benchchannel.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "acquire/benchvalue.h"
#include "acquire/unitword.h"
#include "db/quantity.h"

const struct section_key benchchannel_keys[] = {
    {.name = "quantity", .kind = SECTION_TEXT, .required = true},
    {.name = "unit", .kind = SECTION_TEXT},
    {.name = "when", .kind = SECTION_CHOICE, .standard = "always", .choices = "always asked"},
    {.name = "scale", .kind = SECTION_NUMBER, .standard = "1", .min = -1e30, .max = 1e30},
    {.name = "offset", .kind = SECTION_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "shunt", .kind = SECTION_NUMBER, .min = 1e-9, .max = 1e9},
    {.name = "shunt_tolerance", .kind = SECTION_NUMBER, .standard = "0", .min = 0, .max = 50},
    {.name = "lead_null", .kind = SECTION_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "point1", .kind = SECTION_TEXT},
    {.name = "point2", .kind = SECTION_TEXT},
    {.name = "gain", .kind = SECTION_NUMBER, .standard = "1", .min = -1e30, .max = 1e30},
    {.name = "zero", .kind = SECTION_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "gain_uncertainty", .kind = SECTION_NUMBER, .standard = "0", .min = 0, .max = 100},
    {.name = "calibrated", .kind = SECTION_TEXT, .standard = ""},
    {.name = "accuracy", .kind = SECTION_LIST},
    {.name = "resolution", .kind = SECTION_NUMBER, .min = 1e-30, .max = 1e30},
    {.name = "wires", .kind = SECTION_INTEGER, .min = 2, .max = 4},
    {.name = "lowest", .kind = SECTION_NUMBER, .min = -1e30, .max = 1e30},
    {.name = "highest", .kind = SECTION_NUMBER, .min = -1e30, .max = 1e30},
    {.name = NULL},
};

static void take_accuracy(struct benchfile_channel *channel, const struct section *values)
{
    struct calibration *c = &channel->calibration;
    const char *item;

    for (size_t i = 0; (item = section_item(values, "accuracy", i, NULL)); ++i) {
        struct calibration_accuracy accuracy;

        if (!benchvalue_accuracy(item, &accuracy)) {
            section_fail(values, "accuracy", NULL,
                         "'%s' is not understood; expected '0.5 %% + 3 digits', "
                         "'0.5 %% + 3 digits of 0.01' or 'up to 2: 0.5 %% + 3 digits'",
                         item);
            continue;
        }
        if (c->ranges == CALIBRATION_RANGES_MAX ||
            (c->ranges > 0 && accuracy.up_to <= c->accuracy[c->ranges - 1].up_to)) {
            section_fail(values, "accuracy", NULL,
                         "the ranges must grow ('up to' larger each time), and there can be %d",
                         CALIBRATION_RANGES_MAX);
            continue;
        }
        if (isnan(accuracy.digit))
            accuracy.digit = channel->resolution;
        if (accuracy.digits > 0.0 && isnan(accuracy.digit)) {
            section_fail(values, "accuracy", NULL,
                         "'%s' does not say what a digit is worth; write 'digits of 0.01', or "
                         "give the resolution",
                         item);
            continue;
        }
        c->accuracy[c->ranges++] = accuracy;
    }
}

static void take_calibration(struct benchfile_channel *channel, const struct section *values)
{
    struct calibration *c = &channel->calibration;
    const char *point[2] = {section_text(values, "point1"), section_text(values, "point2")};
    const char *date = section_text(values, "calibrated");
    double shown[2], right[2];
    struct status why;

    /* Points, gain's zero and the lead null are in the unit of what comes out: amperes behind a
     * shunt, else the channel's unit. Only a factor counts for differences; a temperature's
     * points are shifted with their zero. */
    bool shunted = !isnan(c->shunt);
    double factor = shunted ? 1.0 : c->unit_factor;
    double shift = shunted ? 0.0 : c->unit_offset;

    c->lead_null = section_number(values, "lead_null") * factor;
    c->gain = section_number(values, "gain");
    c->gain_uncertainty = section_number(values, "gain_uncertainty") / 100.0;
    c->zero = section_number(values, "zero") * factor + shift - c->gain * shift;
    c->calibrated = section_given(values, "gain") || section_given(values, "zero");
    if (c->gain == 0.0)
        section_fail(values, "gain", NULL, "a gain of 0 makes every reading the same");
    if (!point[0] != !point[1]) {
        section_fail(values, point[0] ? "point2" : "point1", NULL,
                     "missing; a two-point calibration needs both points");
    } else if (point[0] && c->calibrated) {
        section_fail(values, "point1", NULL, "give two points or gain and zero, not both");
    } else if (point[0]) {
        bool good = true;

        for (int i = 0; i < 2; ++i)
            if (!benchvalue_pair(point[i], &shown[i], &right[i])) {
                section_fail(values, i ? "point2" : "point1", NULL,
                             "'%s' is not two numbers: what the channel showed and what was "
                             "right",
                             point[i]);
                good = false;
            } else {
                shown[i] = shown[i] * factor + shift;
                right[i] = right[i] * factor + shift;
            }
        if (good && calibration_two_points(shown[0], right[0], shown[1], right[1], &c->gain,
                                           &c->zero, &why) != STATUS_OK)
            section_fail(values, "point2", NULL, "%s", why.text);
        c->calibrated = true;
    }
    if (*date && !benchvalue_is_date(date)) {
        section_fail(values, "calibrated", NULL, "'%s' is not a date; expected YYYY-MM-DD", date);
    } else {
        snprintf(c->date, sizeof c->date, "%s", date);
    }
    take_accuracy(channel, values);
}

/* The factor and offset that bring the channel's unit to SI. A unit as instruments write it is
 * taken as well, and of a mass before all others: to UDUNITS-2 a ct is a hundredth of a tonne. */
static enum status_code find_factor(struct units **units, const char *unit, const char *dimension,
                                    struct calibration *calibration, struct status *st)
{
    bool mass = strcmp(dimension, "kg") == 0;
    struct unitword word;
    enum status_code code = STATUS_INPUT;

    if (strcmp(unit, dimension) == 0)
        return status_ok(st);
    if (!*units && units_open(units, st) != STATUS_OK)
        return st->code;
    if (!mass)
        code = units_convert_factor(*units, unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
    if (code != STATUS_OK && unitword_read(unit, dimension, &word)) {
        code = units_convert_factor(*units, word.unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
        calibration->unit_factor *= word.factor;
    } else if (mass) {
        code = units_convert_factor(*units, unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
    }
    return code;
}

/* The channel's unit, which must be one of the quantity, or of volts before a shunt. */
static void take_unit(struct benchfile_channel *channel, const struct quantity *quantity,
                      struct units **units)
{
    const struct section *values = channel->values;
    const char *dimension = quantity->unit;
    struct status why;

    if (!isnan(channel->calibration.shunt)) {
        channel->calibration.shunt_tolerance = section_number(values, "shunt_tolerance") / 100.0;
        dimension = "V";
        if (quantity->id != QUANTITY_CURRENT)
            section_fail(values, "shunt", NULL,
                         "a shunt turns a voltage into a current, but the quantity is '%s'",
                         quantity->name);
    }
    if (snprintf(channel->unit, sizeof channel->unit, "%s",
                 section_given(values, "unit") ? section_text(values, "unit") : dimension) >=
            (int)sizeof channel->unit ||
        find_factor(units, channel->unit, dimension, &channel->calibration, &why) != STATUS_OK)
        section_fail(values, "unit", NULL, "'%.40s' is not a unit of %s%s (SI: %s)",
                     section_text(values, "unit"),
                     isnan(channel->calibration.shunt) ? "" : "the voltage across the shunt of ",
                     quantity->name, dimension);
}

void benchchannel_fill(struct benchfile_channel *channel, struct section *values,
                       struct units **units)
{
    const struct quantity *quantity;

    channel->values = values;
    calibration_none(&channel->calibration);
    channel->resolution = channel->limit_low = channel->limit_high = NAN;
    quantity = quantity_find(section_text(values, "quantity"));
    channel->calibration.shunt = section_number(values, "shunt");
    if (quantity) {
        snprintf(channel->quantity, sizeof channel->quantity, "%s", quantity->name);
        take_unit(channel, quantity, units);
    } else if (section_given(values, "quantity")) {
        section_fail(values, "quantity", NULL,
                     "'%s' is not a quantity known here; expected resistance, voltage, current, "
                     "temperature, mass, force or another of truewound-bench(5)",
                     section_text(values, "quantity"));
    }
    channel->asked_only = strcmp(section_text(values, "when"), "asked") == 0;
    channel->calibration.scale = section_number(values, "scale");
    channel->calibration.offset = section_number(values, "offset");
    if (channel->calibration.scale == 0.0)
        section_fail(values, "scale", NULL, "a scale of 0 makes every reading the same");
    channel->resolution = section_number(values, "resolution");
    take_calibration(channel, values);
    channel->wires = (int)section_integer(values, "wires");
    if (channel->wires == 3) {
        section_fail(values, "wires", NULL, "3 wires; expected 2 or 4");
    }
    channel->limit_low = section_number(values, "lowest");
    channel->limit_high = section_number(values, "highest");
    if (channel->limit_low >= channel->limit_high)
        section_fail(values, "highest", NULL, "must be more than lowest (%g)", channel->limit_low);
}
