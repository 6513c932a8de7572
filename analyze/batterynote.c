#include "analyze/batterynote.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "db/store_ingest.h"
#include "db/store_read.h"

#define REPEAT_US ((int64_t)7 * 86400 * 1000000) /* the same alarm is noted once in that time */

static enum status_code record_change(struct store *store, const struct batterybook *book,
                                      bool confirmed, struct status *st)
{
    const struct trend_change *last = &book->change[book->n_change - 1];
    struct store_battery battery = book->battery;
    int64_t id;

    battery.id = 0;
    battery.changed = 0;
    battery.fitted = (int64_t)(last->after_s * 1e6);
    battery.price = NAN;
    battery.confirmed = confirmed;
    battery.remark = "found from the voltage";
    return store_result_fit_battery(store, &battery, &id, st);
}

enum status_code batterynote_settle(struct store *store, const struct batterybook *book,
                                    bool confirm, char *said, size_t size, struct status *st)
{
    char day[32];
    int64_t when;
    enum status_code code;

    if (book->n_change) {
        when = (int64_t)(book->change[book->n_change - 1].after_s * 1e6);
        code = confirm ? record_change(store, book, true, st)
                       : store_site_dismiss(store, book->site.id, when, st);
    } else if (book->fitted && !book->battery.confirmed) {
        when = book->battery.fitted;
        code = store_result_confirm_battery(store, book->battery.id, confirm, st);
        if (code == STATUS_OK && !confirm)
            code = store_site_dismiss(store, book->site.id, when, st);
    } else {
        return status_fail(st, STATUS_NOT_FOUND, "%s: no change of battery waits for a word",
                           book->name);
    }
    snprintf(said, size, "%s: the change of %.10s is %s", book->name,
             store_time_text(day, sizeof day, when), confirm ? "confirmed" : "dismissed");
    return code;
}

struct earlier {
    const char *start;
    bool seen;
};

static int seen_event(const struct store_event *row, void *user)
{
    struct earlier *e = user;

    e->seen = e->seen || strncmp(row->text, e->start, strlen(e->start)) == 0;
    return e->seen;
}

/* Notes an event once a week, so that a timer may ask every hour. */
static enum status_code note_event(struct store *store, int64_t at, const char *kind,
                                   const char *start, const char *rest, struct status *st)
{
    struct earlier earlier = {.start = start};
    char text[512];
    struct store_event event = {.time = at, .kind = kind, .text = text};
    enum status_code code =
        store_read_events(store, at - REPEAT_US, at + 1, 0, kind, seen_event, &earlier, st);

    if (code != STATUS_OK || earlier.seen)
        return code;
    snprintf(text, sizeof text, "%s: %s", start, rest);
    return store_ingest_event(store, &event, st);
}

enum status_code batterynote_all(struct store *store, const struct batterybook *book,
                                 struct status *st)
{
    char start[STORE_NAME_MAX + 40], day[32];
    enum status_code code = STATUS_OK;

    if (batterybook_alarming(book->state)) {
        snprintf(start, sizeof start, "%s: %s", book->name, batterybook_state_word(book->state));
        code = note_event(store, book->at, "battery", start, book->word, st);
    }
    if (code == STATUS_OK && book->n_change) {
        snprintf(start, sizeof start, "%s: changed %.10s", book->name,
                 store_time_text(day, sizeof day,
                                 (int64_t)(book->change[book->n_change - 1].after_s * 1e6)));
        code = note_event(store, book->at, "battery", start,
                          "found from the voltage; confirm or dismiss it", st);
        if (code == STATUS_OK)
            code = record_change(store, book, false, st);
    }
    return code;
}
