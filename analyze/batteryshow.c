#include "analyze/batteryshow.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "analyze/printing.h"

#define DAY 86400.0

const char *batteryshow_date(char buf[32], double time_s)
{
    store_time_text(buf, 32, (int64_t)(time_s * 1e6));
    buf[10] = '\0';
    return buf;
}

static void row(struct table *t, const char *figure, const char *remark, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void row(struct table *t, const char *figure, const char *remark, const char *format, ...)
{
    char text[120];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    table_row(t);
    table_text(t, figure);
    table_text(t, text);
    if (remark && *remark)
        table_text(t, remark);
    else
        table_absent(t);
}

static void battery_rows(struct table *t, const struct batterybook *book)
{
    char day[32], remark[120];
    const struct cell_kind *kind = cell_kind(book->type);

    if (!book->fitted)
        return;
    snprintf(remark, sizeof remark, "%s%s%s", kind ? kind->words : "",
             kind && kind->primary ? ", not to be charged" : "",
             book->battery.confirmed ? "" : "; found from the voltage, not confirmed");
    row(t, "battery", remark, "%lld x %s", (long long)book->battery.cells, book->type);
    row(t, "fitted", NULL, "%s", batteryshow_date(day, (double)book->battery.fitted / 1e6));
    if (book->n_change)
        row(t, "changed", "found from the voltage, not recorded; --confirm or --dismiss", "%s",
            batteryshow_date(day, book->change[book->n_change - 1].after_s));
}

static void latest_rows(struct table *t, const struct batterybook *book)
{
    const struct trend_day *d;
    char day[32];

    if (book->n_day == 0)
        return;
    d = &book->day[book->n_day - 1];
    row(t, "last day read", NULL, "%s", batteryshow_date(day, d->time_s));
    if (isfinite(d->unloaded_v)) {
        char remark[64] = "";

        if (isfinite(d->temperature))
            snprintf(remark, sizeof remark, "%.3f V corrected from %.1f °C to 20 °C",
                     d->unloaded_20, d->temperature);
        row(t, "unloaded", remark, "%.3f V", d->unloaded_v);
    }
    if (isfinite(d->loaded_v)) {
        char remark[64] = "";

        if (book->has_forecast)
            snprintf(remark, sizeof remark, "end point %.3f V", book->forecast.end_v);
        row(t, "in a pulse", remark, "%.3f V", d->loaded_v);
    }
}

/* "3 earlier": what they gave, and how sure it is that this one is like them. */
static void earlier_row(struct table *t, const struct batterybook *book)
{
    const struct forecast *f = &book->forecast;
    char remark[160] = "";
    size_t used = 0, given = 0;
    bool here = true;

    if (!f->earlier)
        return;
    for (size_t i = book->n_earlier; i-- > 0 && used < sizeof remark;)
        if (book->earlier[i].charged) {
            used += (size_t)snprintf(remark + used, sizeof remark - used, "%s%.3g",
                                     given++ ? ", " : "gave ", book->earlier[i].capacity_ah);
            here = here && book->earlier[i].here;
        }
    if (used < sizeof remark)
        snprintf(remark + used, sizeof remark - used, "%s%s; this is like %s: %.0f %%",
                 given ? " Ah" : "how long it lasted", here ? "" : ", not all here",
                 f->earlier > 1 ? "them" : "it", 100.0 * f->alike);
    row(t, "learnt from", remark, "%zu earlier", f->earlier);
}

static void trend_rows(struct table *t, const struct batterybook *book)
{
    const struct trend_joint *j = &book->joint;
    const struct forecast *f = &book->forecast;
    char remark[160] = "", day[32];

    if (book->has_slope) {
        snprintf(remark, sizeof remark,
                 "90 %% interval %.2f to %.2f; median of all slopes, 4 weeks",
                 1e3 * book->slope.low, 1e3 * book->slope.high);
        row(t, "trend", remark, "%.2f mV a day", 1e3 * book->slope.slope);
    }
    if (book->knee.found)
        row(t, "knee", "the fall became steeper then", "%s",
            batteryshow_date(day, book->knee.time_s));
    if (book->n_day && isfinite(j->ratio_now)) {
        snprintf(remark, sizeof remark, "with joints, from the dip, at 20 °C; scatter %.0f %%",
                 100.0 * j->scatter_now / fmax(1e-9, j->ratio_now));
        if (isfinite(book->setup.coil_ohm))
            row(t, "resistance", remark, "%.3f Ω", j->ratio_now * book->setup.coil_ohm);
        else
            row(t, "resistance", remark, "%.1f %% of the coil's", 100.0 * j->ratio_now);
    }
    if (j->cause == TREND_JOINT) {
        snprintf(remark, sizeof remark, "%s", trend_cause_words(j->cause));
        row(t, "joint", remark, "since %s", batteryshow_date(day, j->since_s));
    } else if (book->n_day) {
        row(t, "cause", trend_cause_words(j->cause), "%s",
            j->cause == TREND_RUNNING_DOWN ? "cells" : "-");
    }
    if (!book->has_forecast)
        return;
    if (isfinite(f->drawn_ah)) {
        snprintf(remark, sizeof remark, "of %.2f ± %.2f Ah as it shows; %.2f Ah by its rating",
                 f->capacity_ah, f->u_capacity, f->rated_ah);
        row(t, "charge drawn", remark, "%.2f Ah", f->drawn_ah);
        row(t, "mean current", "lately", "%.3g mA", 1e3 * f->mean_a);
    }
    earlier_row(t, book);
    if (f->answer != FORECAST_STRANGE)
        row(t, "used", "standard uncertainty", "%.0f ± %.0f %%", 100.0 * f->depth,
            100.0 * f->u_depth);
}

static void forecast_rows(struct table *t, const struct batterybook *book)
{
    const struct forecast *f = &book->forecast;
    char remark[160], low[32], high[32], likely[32];

    if (!book->has_forecast || f->answer == FORECAST_SPENT || f->answer == FORECAST_STRANGE)
        return;
    snprintf(remark, sizeof remark, "90 %%: %.0f to %.0f; 50 %%: %.0f to %.0f",
             f->days[FORECAST_Q05], f->days[FORECAST_Q95], f->days[FORECAST_Q25],
             f->days[FORECAST_Q75]);
    if (f->answer == FORECAST_TOO_EARLY) {
        row(t, "days left", remark, "too early");
        return;
    }
    row(t, "days left", remark, "%.0f", f->days[FORECAST_Q50]);
    snprintf(remark, sizeof remark, "90 %%: %s to %s",
             batteryshow_date(low, f->from_s + DAY * f->days[FORECAST_Q05]),
             batteryshow_date(high, f->from_s + DAY * f->days[FORECAST_Q95]));
    row(t, "end point on", remark, "%s",
        batteryshow_date(likely, f->from_s + DAY * f->days[FORECAST_Q50]));
    if (book->joint.cause == TREND_JOINT) {
        snprintf(remark, sizeof remark, "90 %%: %.0f to %.0f", f->falter_days[FORECAST_Q05],
                 f->falter_days[FORECAST_Q95]);
        row(t, "with joint so", remark, "%.0f days", f->falter_days[FORECAST_Q50]);
    }
}

static json_t *quantile_json(const double *days)
{
    return json_pack(
        "{s:o, s:o, s:o, s:o, s:o}", "q05", printing_number(days[FORECAST_Q05]), "q25",
        printing_number(days[FORECAST_Q25]), "q50", printing_number(days[FORECAST_Q50]), "q75",
        printing_number(days[FORECAST_Q75]), "q95", printing_number(days[FORECAST_Q95]));
}

static json_t *forecast_json(const struct forecast *f)
{
    static const char *const words[] = {"tells", "too early", "spent", "no cells"};
    const bool dated = f->answer == FORECAST_TELLS || f->answer == FORECAST_SPENT;
    char day[32];

    return json_pack(
        "{s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:o, s:o, s:o}",
        "answer", words[f->answer], "why", f->why, "days", quantile_json(f->days), "days_as_it_is",
        quantile_json(f->falter_days), "end_date",
        dated ? json_string(batteryshow_date(day, f->from_s + DAY * f->days[FORECAST_Q50]))
              : json_null(),
        "used", printing_number(f->depth), "used_u", printing_number(f->u_depth), "capacity_ah",
        printing_number(f->capacity_ah), "capacity_ah_u", printing_number(f->u_capacity),
        "expected_ah", printing_number(f->rated_ah), "drawn_ah", printing_number(f->drawn_ah),
        "mean_a", printing_number(f->mean_a), "end_v", printing_number(f->end_v), "learnt_from",
        (json_int_t)f->earlier, "learnt_ratio", printing_number(f->earlier_ratio), "learnt_ratio_u",
        printing_number(f->u_earlier), "like_them", printing_number(f->alike));
}

json_t *batteryshow_json(const struct batterybook *book)
{
    json_t *o, *notes = json_array(), *changes = json_array();
    const struct trend_day *d = book->n_day ? &book->day[book->n_day - 1] : NULL;
    char day[32];

    for (size_t i = 0; i < book->n_note; i++)
        json_array_append_new(notes, json_string(book->note[i]));
    for (size_t i = 0; i < book->n_change; i++)
        json_array_append_new(changes, json_pack("{s:s, s:f}", "on",
                                                 batteryshow_date(day, book->change[i].after_s),
                                                 "step_v", book->change[i].step_v));
    o = json_pack("{s:s, s:s, s:s, s:b, s:b, s:o, s:o}", "site", book->name, "state",
                  batterybook_state_word(book->state), "word", book->word, "alarm",
                  batterybook_alarming(book->state), "confirmed",
                  book->fitted && book->battery.confirmed, "changes_found", changes, "notes",
                  notes);
    if (o && book->fitted)
        json_object_update_new(
            o, json_pack("{s:s, s:I, s:s}", "cell", book->type, "cells",
                         (json_int_t)book->battery.cells, "fitted",
                         batteryshow_date(day, (double)book->battery.fitted / 1e6)));
    if (o && d)
        json_object_update_new(
            o, json_pack("{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:s}", "day",
                         batteryshow_date(day, d->time_s), "unloaded_v",
                         printing_number(d->unloaded_v), "unloaded_20_v",
                         printing_number(d->unloaded_20), "loaded_v", printing_number(d->loaded_v),
                         "temperature_c", printing_number(d->temperature), "resistance_ohm",
                         printing_number(book->joint.ratio_now * book->setup.coil_ohm),
                         "joint_excess_ohm", printing_number(book->joint.ohm_excess), "cause",
                         trend_cause_words(book->joint.cause)));
    if (o && book->has_slope)
        json_object_set_new(o, "slope_v_per_day",
                            json_pack("{s:f, s:f, s:f}", "median", book->slope.slope, "low",
                                      book->slope.low, "high", book->slope.high));
    if (o && book->knee.found)
        json_object_set_new(o, "knee", json_string(batteryshow_date(day, book->knee.time_s)));
    if (o && book->has_forecast)
        json_object_set_new(o, "forecast", forecast_json(&book->forecast));
    return o;
}

struct table *batteryshow_table(const struct batterybook *book)
{
    struct table *t;
    char title[STORE_NAME_MAX + 400];
    const struct cell_kind *kind = cell_kind(book->type);

    snprintf(title, sizeof title, "%s: %s", book->name, book->word);
    t = table_new(title);
    if (!t)
        return NULL;
    table_column(t, TABLE_NAME, "figure", "figure", NULL);
    table_column(t, TABLE_NAME, "value", "value", NULL);
    table_column(t, TABLE_TEXT, "remark", "remark", NULL);
    battery_rows(t, book);
    latest_rows(t, book);
    trend_rows(t, book);
    forecast_rows(t, book);
    for (size_t i = 0; i < book->n_note; i++)
        table_note(t, book->note[i]);
    if (book->n_change && kind && !kind->primary)
        table_note(t, "A rise that lasts is a charge or another battery; the forecast begins "
                      "after it.");
    if (kind && (book->state == BATTERYBOOK_SOON || book->state == BATTERYBOOK_SPENT)) {
        table_note(t, kind->caution);
        if (book->battery.cells > 1)
            table_note(t, "Change all the cells together, by new ones of one make and date; a "
                          "spent cell among good ones is driven backwards and leaks.");
    }
    return t;
}
