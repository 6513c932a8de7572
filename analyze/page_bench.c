#include "analyze/page_bench.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/daemonlink.h"
#include "analyze/flagwords.h"
#include "analyze/kinds.h"
#include "analyze/livetext.h"
#include "analyze/page_private.h"
#include "db/store_bench.h"
#include "db/store_read.h"
#include "db/store_series.h"
#include "reports/style.h"

#define TRACE_US       120000000 /* shown */
#define TRACE_POINTS   160
#define TRACE_WIDTH    320.0
#define TRACE_HEIGHT   48.0
#define NOISE_RELATIVE 1e-3 /* of the value, and so many digits, still count as noise */
#define NOISE_STEPS    10.0
#define GAP_US         3000000    /* without a reading: the line is broken */
#define SILENT_US      3600000000 /* not worth a row */
#define DAEMON_S       0.4        /* for the daemon's answer */

struct trace {
    int64_t from;
    double low, high;
    double least; /* a span below this is noise, and is not blown up to the full height */
    size_t n;
    struct {
        double x, y;
        bool joined; /* to the one before */
    } point[TRACE_POINTS];
    int64_t last;
};

static int trace_point(const struct store_point *point, void *user)
{
    struct trace *t = user;

    if (!point->n || !isfinite(point->mean) || t->n >= TRACE_POINTS)
        return 0;
    t->point[t->n].x = (double)(point->time - t->from) / TRACE_US;
    t->point[t->n].y = point->mean;
    t->point[t->n].joined = t->n > 0 && point->time - t->last < GAP_US;
    t->low = fmin(t->low, point->min);
    t->high = fmax(t->high, point->max);
    t->last = point->end;
    ++t->n;
    return 0;
}

/* One line for each stretch without a gap; a lone point is a short stroke. */
static bool put_lines(const struct trace *t, xmlNode *svg)
{
    double span = fmax(t->high - t->low, t->least);
    double top = 0.5 * (t->high + t->low + span);
    bool good = true;

    for (size_t i = 0; good && i < t->n;) {
        char text[TRACE_POINTS * 16];
        size_t used = 0, begun = i;

        do {
            double y = span > 0.0 ? (top - t->point[i].y) / span : 0.5;
            double x = t->point[i].x * TRACE_WIDTH;

            used += (size_t)snprintf(text + used, sizeof text - used, "%.1f,%.1f ", x,
                                     3.0 + y * (TRACE_HEIGHT - 6.0));
            if (i == begun)
                used += (size_t)snprintf(text + used, sizeof text - used, "%.1f,%.1f ", x + 0.5,
                                         3.0 + y * (TRACE_HEIGHT - 6.0));
            ++i;
        } while (i < t->n && t->point[i].joined && used < sizeof text - 48);
        good = style_attribute(style_element(svg, "polyline", NULL, NULL), "points", text);
    }
    return good;
}

static bool put_trace(xmlNode *cell, const struct trace *t, const struct quantity *quantity,
                      double digit)
{
    char low[UNITS_FORMAT_SIZE], high[UNITS_FORMAT_SIZE];
    char text[2 * UNITS_FORMAT_SIZE + 64];
    xmlNode *svg;

    if (t->n < 2)
        return true;
    svg = style_element(cell, "svg", "trace", NULL);
    snprintf(text, sizeof text, "%s to %s", livetext_make(low, t->low, digit, quantity),
             livetext_make(high, t->high, digit, quantity));
    return style_attribute(svg, "viewBox", "0 0 320 48") &&
           style_attribute(svg, "preserveAspectRatio", "none") &&
           style_attribute(svg, "role", "img") && style_attribute(svg, "aria-label", text) &&
           put_lines(t, svg) && style_element(cell, "span", "range", text);
}

struct rows {
    const struct page_view *view;
    const char *instrument;
    xmlNode *body;
    size_t shown;
    char quiet[480]; /* names of channels that send nothing */
    size_t quiet_length;
    bool good;
};

static bool put_row(struct rows *rows, const struct store_channel *channel,
                    const struct store_reading *latest)
{
    const struct quantity *quantity = quantity_find(channel->quantity);
    const struct page *page = rows->view->page;
    struct trace *t = calloc(1, sizeof *t);
    int64_t age = page->now - latest->time;
    char text[2 * STORE_NAME_MAX + 2];
    char value[UNITS_FORMAT_SIZE];
    char words[FLAGWORDS_SIZE + 32];
    xmlNode *row = style_element(rows->body, "tr", age > PAGE_BENCH_OLD_US ? "old" : NULL, NULL);
    xmlNode *cell;
    struct status st;
    bool good;

    if (!t)
        return false;
    snprintf(text, sizeof text, "%s.%s", rows->instrument, channel->name);
    good = style_attribute(style_element(row, "th", NULL, text), "scope", "row");
    cell = style_element(row, "td", "value", NULL);
    good = good &&
           style_element(cell, "b", NULL,
                         latest->flags & STORE_FLAG_OVERLOAD && !isfinite(latest->value)
                             ? "beyond range"
                             : livetext_make(value, latest->value, channel->resolution, quantity));
    if (isfinite(latest->value))
        good = good &&
               style_element(cell, "span", "sure",
                             livetext_sure(value, latest->value,
                                           livetext_u_of(page->store, latest, channel->resolution),
                                           quantity));
    page_lists_ago(words, sizeof words, age);
    good = good && style_element(cell, "span", "age", words);
    flagwords_text(words, sizeof words, latest->flags);
    good = good && (!*words || style_element(cell, "span", "flags", words));
    *t = (struct trace){.from = page->now - TRACE_US, .low = INFINITY, .high = -INFINITY};
    t->least = fmax(NOISE_RELATIVE * fabs(latest->value),
                    isfinite(channel->resolution) ? NOISE_STEPS * channel->resolution : 0.0);
    if (!isfinite(t->least))
        t->least = 0.0;
    cell = style_element(row, "td", "path", NULL);
    good = good && store_series(page->store, channel->id, t->from, page->now + 1, TRACE_POINTS,
                                trace_point, t, &st) == STATUS_OK;
    good = good && put_trace(cell, t, quantity, channel->resolution);
    free(t);
    return good;
}

static int channel_row(const struct store_channel *channel, void *user)
{
    struct rows *rows = user;
    struct store_reading latest;
    struct status st;

    if (store_read_latest(rows->view->page->store, channel->id, &latest, &st) == STATUS_OK &&
        rows->view->page->now - latest.time < SILENT_US) {
        ++rows->shown;
        rows->good = put_row(rows, channel, &latest) && rows->good;
    } else if (rows->quiet_length + STORE_NAME_MAX < sizeof rows->quiet) {
        rows->quiet_length += (size_t)snprintf(
            rows->quiet + rows->quiet_length, sizeof rows->quiet - rows->quiet_length,
            "%s%.60s.%.60s", rows->quiet_length ? ", " : "", rows->instrument, channel->name);
    }
    return rows->good ? 0 : 1;
}

static int instrument_rows(const struct store_instrument *row, void *user)
{
    struct rows *rows = user;
    struct status st;

    rows->instrument = row->name;
    return store_bench_channels(rows->view->page->store, row->id, channel_row, rows, &st) !=
           STATUS_OK;
}

/* What the daemon says of itself: one sentence for each trouble. */
static bool put_daemon(const struct page_view *view, xmlNode *parent)
{
    json_t *answer, *instrument;
    struct status st;
    char text[512];
    size_t i;
    bool good = true;

    if (daemonlink_ask(view->page->database, json_pack("{s:s}", "do", "status"), DAEMON_S, &answer,
                       &st) != STATUS_OK)
        return style_element(parent, "p", "undecided",
                             st.code == STATUS_NOT_FOUND
                                 ? "truewoundd does not run on this database: nothing new comes in."
                                 : st.text) != NULL;
    json_array_foreach(json_object_get(answer, "instruments"), i, instrument)
    {
        const char *name = json_string_value(json_object_get(instrument, "name"));
        const char *trouble = json_string_value(json_object_get(instrument, "trouble"));

        if (json_is_true(json_object_get(instrument, "good")))
            continue;
        snprintf(text, sizeof text, "%.60s does not answer%s%.300s", name ? name : "an instrument",
                 trouble && *trouble ? ": " : ".", trouble ? trouble : "");
        good = style_element(parent, "p", "undecided", text) && good;
    }
    json_decref(answer);
    return good;
}

bool page_bench_put(const struct page_view *view, xmlNode *parent)
{
    struct rows rows = {.view = view, .good = true};
    xmlNode *table;
    struct status st;
    char text[600];
    bool good = put_daemon(view, parent);

    table = style_element(parent, "table", "readings", NULL);
    rows.body = style_element(table, "tbody", NULL, NULL);
    if (store_bench_instruments(view->page->store, instrument_rows, &rows, &st) != STATUS_OK)
        return style_element(parent, "p", "fail", st.text) != NULL;
    if (!rows.shown) {
        xmlUnlinkNode(table);
        xmlFreeNode(table);
        good = good && style_element(parent, "p", "soft", "Nothing was measured in the last hour.");
    }
    if (rows.quiet_length) {
        snprintf(text, sizeof text, "Silent: %s.", rows.quiet);
        good = good && style_element(parent, "p", "soft", text);
    }
    return good && rows.good;
}

const char *page_bench_wanted(const struct page_judgement *judgement)
{
    const json_t *step =
        judgement && judgement->verdict ? json_object_get(judgement->verdict, "step") : NULL;
    const json_t *take = json_array_get(json_object_get(step, "takes"), 0);
    const char *word = json_string_value(json_object_get(take, "kind"));
    const struct kind *kind = word ? kinds_find(word) : NULL;

    return kind ? kind->quantity : NULL;
}

struct wanted {
    const struct page_view *view;
    const char *quantity;
    const char *instrument;
    char name[2 * STORE_NAME_MAX + 2];
    struct store_reading latest;
    double digit; /* of that channel, SI; NaN not known */
};

/* A channel that shows a value is rather meant than one that shows overload. */
static bool better(const struct wanted *w, const struct store_reading *reading)
{
    bool has = isfinite(reading->value), had = isfinite(w->latest.value);

    if (!*w->name || has != had)
        return !*w->name || has;
    return reading->time > w->latest.time + PAGE_BENCH_OLD_US;
}

static int wanted_channel(const struct store_channel *channel, void *user)
{
    struct wanted *w = user;
    struct store_reading reading;
    struct status st;

    if (strcmp(channel->quantity, w->quantity) == 0 &&
        store_read_latest(w->view->page->store, channel->id, &reading, &st) == STATUS_OK &&
        w->view->page->now - reading.time < PAGE_BENCH_OLD_US &&
        !(reading.flags & (STORE_FLAG_MIN | STORE_FLAG_MAX)) && better(w, &reading)) {
        w->latest = reading;
        w->digit = channel->resolution;
        snprintf(w->name, sizeof w->name, "%s.%s", w->instrument, channel->name);
    }
    return 0;
}

static int wanted_instrument(const struct store_instrument *row, void *user)
{
    struct wanted *w = user;
    struct status st;

    w->instrument = row->name;
    return store_bench_channels(w->view->page->store, row->id, wanted_channel, w, &st) != STATUS_OK;
}

bool page_bench_put_wanted(const struct page_view *view, xmlNode *parent)
{
    struct page *page = view->page;
    const struct page_judgement *j =
        view->coil ? page_judge_look(&page->judge, page->database, page->units, page->store,
                                     view->coil, page->now)
                   : NULL;
    struct wanted w = {.view = view, .quantity = page_bench_wanted(j)};
    char text[UNITS_FORMAT_SIZE];
    char words[FLAGWORDS_SIZE];
    struct status st;
    bool good;

    if (!w.quantity)
        return true;
    if (store_bench_instruments(page->store, wanted_instrument, &w, &st) != STATUS_OK)
        return style_element(parent, "p", "fail", st.text) != NULL;
    if (!*w.name)
        return true;
    good = style_element(parent, "span", "name", w.name) &&
           style_element(parent, "b", NULL,
                         isfinite(w.latest.value) ? livetext_make(text, w.latest.value, w.digit,
                                                                  quantity_find(w.quantity))
                                                  : "beyond range");
    if (isfinite(w.latest.value))
        good = good && style_element(parent, "span", "sure",
                                     livetext_sure(text, w.latest.value,
                                                   livetext_u_of(page->store, &w.latest, w.digit),
                                                   quantity_find(w.quantity)));
    flagwords_text(words, sizeof words, w.latest.flags);
    return good && (!*words || style_element(parent, "span", "flags", words));
}
