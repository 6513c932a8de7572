#include "analyze/page_act.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/kinds.h"
#include "analyze/page_bench.h"
#include "analyze/page_private.h"
#include "db/store_bench.h"
#include "db/store_coil.h"
#include "db/store_read.h"
#include "reports/style.h"

#define NOTE_S 20.0
#define TAKE_S 90.0 /* 'take' itself gives up after 60 s */

#define REMARK "from the bench page"

/* A kind that says enough by itself and that an instrument sends. */
static bool from_channel(const struct kind *kind)
{
    return !kind->needs && strcmp(kind->quantity, "polarity") != 0 &&
           strcmp(kind->word, "lift") != 0;
}

/* ---- doing ---- */

static enum status_code check_coil(struct page *page, const char *coil, struct status *st)
{
    int64_t id;

    if (!*coil || coil[0] == '-')
        return status_fail(st, STATUS_INPUT, "no coil was named that can be worked on from here");
    return store_coil_find(page->store, coil, &id, st);
}

static enum status_code begin(struct page *page, const char *const *words, double seconds,
                              struct status *st)
{
    struct page_act *act = &page->act;
    enum status_code code = page_child_start(&act->child, page->database, words, seconds, st);

    if (code == STATUS_OK)
        act->last[0] = '\0';
    return code;
}

enum status_code page_act_note(struct page *page, const struct page_act_fields *fields,
                               struct status *st)
{
    const char *words[] = {"observe",    fields->coil, fields->place, "polarity",
                           fields->pole, "--remark",   REMARK,        NULL};

    if (check_coil(page, fields->coil, st) != STATUS_OK)
        return st->code;
    if (!kinds_place_fits(kinds_find("polarity"), fields->place))
        return status_fail(st, STATUS_INPUT, "'%s' has no polarity; expected limb-a or limb-b",
                           fields->place);
    if (strcmp(fields->pole, "north") != 0 && strcmp(fields->pole, "south") != 0 &&
        strcmp(fields->pole, "none") != 0)
        return status_fail(st, STATUS_INPUT, "polarity: read '%s', expected north, south or none",
                           fields->pole);
    if (begin(page, words, NOTE_S, st) == STATUS_OK)
        snprintf(page->act.running, sizeof page->act.running, "noting the polarity of %s",
                 kinds_place_words(fields->place));
    return st->code;
}

enum status_code page_act_take(struct page *page, const struct page_act_fields *fields,
                               struct status *st)
{
    char kind_word[32], place[16];
    const struct kind *kind;
    int64_t channel;
    const char *words[] = {"take",     fields->coil, place, kind_word, "--channel", fields->channel,
                           "--remark", REMARK,       NULL,  NULL,      NULL};

    if (check_coil(page, fields->coil, st) != STATUS_OK)
        return st->code;
    kind = sscanf(fields->what, "%31s %15s", kind_word, place) == 2 ? kinds_find(kind_word) : NULL;
    if (!kind || !from_channel(kind) || !kinds_place_fits(kind, place))
        return status_fail(st, STATUS_INPUT, "'%s' cannot be taken", fields->what);
    if (store_bench_find_channel(page->store, fields->channel, &channel, st) != STATUS_OK)
        return st->code;
    if (strcmp(kind->quantity, "resistance") == 0) {
        if (strcmp(fields->wires, "2") != 0 && strcmp(fields->wires, "4") != 0)
            return status_fail(st, STATUS_INPUT, "leads: read '%s', expected 2 or 4",
                               fields->wires);
        words[8] = "--wires";
        words[9] = fields->wires;
    }
    if (begin(page, words, TAKE_S, st) == STATUS_OK)
        snprintf(page->act.running, sizeof page->act.running, "%s of %s", kind->word,
                 kinds_place_words(place));
    return st->code;
}

const char *page_act_running(const struct page_act *act)
{
    return act->child.pid ? act->running : NULL;
}

bool page_act_step(struct page_act *act)
{
    const char *text, *colon;

    if (!page_child_step(&act->child))
        return false;
    act->last_good = act->child.status == 0;
    text = act->last_good ? act->child.text : act->child.errors;
    /* "truewound take: sentence" */
    colon = act->last_good ? NULL : strstr(text, ": ");
    if (colon)
        text = colon + 2;
    snprintf(act->last, sizeof act->last, "%.*s", (int)strcspn(text, "\n"),
             *text ? text : "it ended without a word");
    return true;
}

void page_act_free(struct page_act *act)
{
    page_child_free(&act->child);
}

/* ---- forms ---- */

static bool put_hidden(xmlNode *form, const char *name, const char *value)
{
    xmlNode *input = style_element(form, "input", NULL, NULL);

    return style_attribute(input, "type", "hidden") && style_attribute(input, "name", name) &&
           style_attribute(input, "value", value);
}

static xmlNode *put_form(const struct page_view *view, xmlNode *parent, const char *action)
{
    xmlNode *form = style_element(parent, "form", NULL, NULL);
    char purpose[STORE_NAME_MAX + 32];
    char word[PAGE_GATE_FORM_SIZE];

    snprintf(purpose, sizeof purpose, "%s %s", action, view->coil ? view->coil : "");
    page_gate_form(&view->page->gate, view->session, purpose, word);
    return style_attribute(form, "method", "post") && style_attribute(form, "action", action) &&
                   put_hidden(form, "coil", view->coil ? view->coil : "") &&
                   put_hidden(form, "form", word)
               ? form
               : NULL;
}

static bool put_button(xmlNode *form, const char *id, const char *name, const char *value,
                       const char *words)
{
    xmlNode *button = style_element(form, "button", NULL, words);

    return style_attribute(button, "id", id) && style_attribute(button, "type", "submit") &&
           (!name ||
            (style_attribute(button, "name", name) && style_attribute(button, "value", value)));
}

static bool put_poles(const struct page_view *view, xmlNode *parent, const char *place)
{
    xmlNode *form = put_form(view, parent, "/note");
    char id[32], words[64];

    if (!form || !put_hidden(form, "place", place))
        return false;
    snprintf(words, sizeof words, "%s, free end:", kinds_place_words(place));
    if (!style_element(form, "span", "lead", words))
        return false;
    snprintf(id, sizeof id, "north-%s", place);
    if (!put_button(form, id, "pole", "north", "north"))
        return false;
    snprintf(id, sizeof id, "south-%s", place);
    if (!put_button(form, id, "pole", "south", "south"))
        return false;
    snprintf(id, sizeof id, "none-%s", place);
    return put_button(form, id, "pole", "none", "does not stir");
}

struct offer {
    const struct page_view *view;
    xmlNode *select;
    char instrument[STORE_NAME_MAX + 1];
    unsigned long have; /* quantities that some channel gives, by quantity_id */
    const char *wanted; /* quantity of the take that the step asks for; NULL */
    bool chosen;
    xmlNode *ohms; /* the option of a channel that sends resistance now; NULL */
    bool good;
};

static int channel_option(const struct store_channel *row, void *user)
{
    struct offer *o = user;
    const struct quantity *quantity = quantity_find(row->quantity);
    struct store_reading latest;
    struct status st;
    char name[2 * STORE_NAME_MAX + 2];
    xmlNode *option;

    if (!quantity)
        return 0;
    o->have |= 1ul << quantity->id;
    snprintf(name, sizeof name, "%s.%s", o->instrument, row->name);
    option = style_element(o->select, "option", NULL, name);
    o->good = style_attribute(option, "value", name) && o->good;
    if (store_read_latest(o->view->page->store, row->id, &latest, &st) == STATUS_OK &&
        o->view->page->now - latest.time < PAGE_BENCH_OLD_US && isfinite(latest.value)) {
        if (o->wanted && !o->chosen && strcmp(o->wanted, row->quantity) == 0)
            o->chosen = style_attribute(option, "selected", "selected");
        if (!o->ohms && quantity->id == QUANTITY_RESISTANCE)
            o->ohms = option;
    }
    return o->good ? 0 : 1;
}

static int instrument_options(const struct store_instrument *row, void *user)
{
    struct offer *o = user;
    struct status st;

    snprintf(o->instrument, sizeof o->instrument, "%s", row->name);
    return store_bench_channels(o->view->page->store, row->id, channel_option, o, &st) != STATUS_OK;
}

static bool put_choice(xmlNode *form, const char *id, const char *words, xmlNode **select)
{
    xmlNode *label = style_element(form, "label", NULL, words);

    *select = style_element(form, "select", NULL, NULL);
    return style_attribute(label, "for", id) && style_attribute(*select, "id", id) &&
           style_attribute(*select, "name", id);
}

/* Every kind that needs no other figure beside it, at every place it has. */
static bool put_whats(xmlNode *select, unsigned long have, int limbs, const char *wanted_kind,
                      const char *wanted_place)
{
    static const char *const places[] = {"limb-a", "limb-b", "pair", "core", "room"};
    const struct kind *kind;

    for (size_t i = 0; (kind = kinds_at(i)) != NULL; ++i) {
        const struct quantity *quantity = quantity_find(kind->quantity);

        if (!from_channel(kind) || !quantity || !(have & 1ul << quantity->id))
            continue;
        for (size_t p = 0; p < sizeof places / sizeof *places; ++p) {
            char value[64], words[96];
            xmlNode *option;

            if (!kinds_place_fits(kind, places[p]) ||
                (limbs < 2 && (strcmp(places[p], "limb-b") == 0)))
                continue;
            snprintf(value, sizeof value, "%s %s", kind->word, places[p]);
            snprintf(words, sizeof words, "%s, %s", kind->word, kinds_place_words(places[p]));
            option = style_element(select, "option", NULL, words);
            if (!style_attribute(option, "value", value))
                return false;
            if (wanted_kind && strcmp(wanted_kind, kind->word) == 0 &&
                strcmp(wanted_place, places[p]) == 0 &&
                !style_attribute(option, "selected", "selected"))
                return false;
        }
    }
    return true;
}

static bool put_wires(xmlNode *form)
{
    xmlNode *select, *two, *four;

    if (!put_choice(form, "wires", "leads of a resistance", &select))
        return false;
    two = style_element(select, "option", NULL, "two");
    four = style_element(select, "option", NULL, "four");
    return style_attribute(two, "value", "2") && style_attribute(four, "value", "4");
}

static bool put_take(const struct page_view *view, xmlNode *parent, const struct page_judgement *j)
{
    const json_t *step = j->verdict ? json_object_get(j->verdict, "step") : NULL;
    const json_t *take = json_array_get(json_object_get(step, "takes"), 0);
    const char *kind = json_string_value(json_object_get(take, "kind"));
    const char *place = json_string_value(json_object_get(take, "place"));
    struct offer offer = {.view = view, .good = true, .wanted = page_bench_wanted(j)};
    xmlNode *form = put_form(view, parent, "/take");
    xmlNode *what;
    struct status st;

    if (!form || !put_choice(form, "what", "take", &what) ||
        !put_choice(form, "channel", "from", &offer.select))
        return false;
    if (store_bench_instruments(view->page->store, instrument_options, &offer, &st) != STATUS_OK ||
        !offer.good)
        return false;
    if (!offer.chosen && offer.ohms && !style_attribute(offer.ohms, "selected", "selected"))
        return false;
    if (!offer.have) {
        xmlUnlinkNode(form);
        xmlFreeNode(form);
        return style_element(parent, "p", "soft",
                             "No instrument is on record; truewoundd records them.") != NULL;
    }
    return put_whats(what, offer.have, j->limbs, place ? kind : NULL, place) && put_wires(form) &&
           put_button(form, "take", NULL, NULL, "take it when it rests");
}

static bool put_way(const struct page_view *view, xmlNode *parent)
{
    xmlNode *line = style_element(parent, "p", NULL, NULL);
    xmlNode *link = style_element(line, "a", NULL, "Note things from here");
    char *address = page_lists_link("/unlock", view->coil ? view->coil : "");
    bool good = address && style_attribute(link, "href", address) &&
                style_attribute(link, "id", "unlock-link");

    free(address);
    return good &&
           style_element(line, "span", "soft", ": wants the token that the terminal shows.");
}

bool page_act_put(const struct page_view *view, xmlNode *parent)
{
    const struct page_act *act = &view->page->act;
    const struct page_judgement *j =
        view->coil ? page_judge_look(&view->page->judge, view->page->database, view->page->units,
                                     view->page->store, view->coil, view->page->now)
                   : NULL;
    xmlNode *form;

    if (*act->last && !style_element(parent, "p", act->last_good ? "pass" : "fail", act->last))
        return false;
    if (!view->session)
        return put_way(view, parent);
    if (page_act_running(act))
        return style_element(parent, "p", "soft", act->running) != NULL;
    if (j && *j->digest && view->coil[0] != '-')
        if (!put_take(view, parent, j) || !put_poles(view, parent, "limb-a") ||
            (j->limbs > 1 && !put_poles(view, parent, "limb-b")))
            return false;
    form = put_form(view, parent, "/lock");
    return form && put_button(form, "lock", NULL, NULL, "look only");
}
