/* coil: adds a design, lists the coils, shows one. */
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/conditions.h"
#include "analyze/designfile.h"
#include "analyze/infer/evidence.h"
#include "analyze/kinds.h"
#include "analyze/printing.h"
#include "analyze/recording.h"
#include "db/quantity.h"
#include "db/store_coil.h"
#include "db/store_evidence.h"
#include "db/units.h"

#define NAME "coil"

/* Bytes of a note in the list of coils. */
#define NOTE_SHOWN 34

static const char *kind_word(enum design_form form)
{
    return form == DESIGN_BAR ? "bar" : "two-limb";
}

/* The whole text of a file, to be freed. */
static char *read_text(const char *path, struct status *st)
{
    FILE *in = fopen(path, "re");
    char *text = NULL;
    size_t size = 0;

    if (in) {
        text = malloc(STORE_DESIGN_MAX + 1);
        if (text)
            size = fread(text, 1, STORE_DESIGN_MAX, in);
        fclose(in);
    }
    if (!text)
        status_fail(st, STATUS_IO, "%s: cannot be read", path);
    else
        text[size] = '\0';
    return text;
}

static int add(struct command_context *context, const char *path)
{
    struct designfile_warnings warnings;
    struct store_coil coil = {0};
    struct store_design record = {.parsed = true};
    struct design design;
    struct store *store;
    struct status st;
    char digest[COILBOOK_DIGEST_SIZE];
    char *text;
    bool fresh = false;
    int64_t version = 0;
    int64_t id = 0;
    enum status_code code;

    if (designfile_read(context->units, path, &design, &warnings, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    text = read_text(path, &st);
    if (!text)
        return command_failed(context, NAME, &st);
    store = command_open(context, NAME, true);
    if (!store) {
        free(text);
        return COMMAND_WRONG;
    }
    coilbook_digest(text, strlen(text), digest);
    record.text = text;
    record.digest = digest;
    code = store_begin(store, &st);
    if (code == STATUS_OK) {
        code = store_coil_find(store, design.name, &id, &st);
        if (code == STATUS_NOT_FOUND) {
            coil.name = design.name;
            coil.kind = kind_word(design.core.form);
            coil.remark = design.note;
            fresh = true;
            code = store_coil_add(store, &coil, &id, &st);
        }
        record.coil = id;
        if (code == STATUS_OK)
            code = store_coil_add_design(store, &record, &version, &st);
        code = recording_end(store, code, &st);
    }
    free(text);
    store_close(store, NULL);
    if (code != STATUS_OK)
        return command_failed(context, NAME, &st);
    for (size_t i = 0; i < warnings.count; ++i)
        fprintf(context->err, "%s %s: note: %s\n", context->program, NAME, warnings.text[i]);
    if (context->form == COMMAND_JSON)
        return printing_json(context, NAME,
                             json_pack("{s:s, s:I, s:b}", "coil", design.name, "version",
                                       (json_int_t)version, "new", fresh));
    fprintf(context->out, "%s: design version %lld %s\n", design.name, (long long)version,
            fresh ? "recorded" : "is the newest");
    return COMMAND_DONE;
}

struct listing {
    struct command_context *context;
    struct store *store;
    struct table *table;
};

/* A long note is cut for the eye; JSON and CSV have it whole. */
static void note_cell(const struct listing *listing, const char *note)
{
    size_t length = note ? strlen(note) : 0;

    if (listing->context->form != COMMAND_TEXT || length <= NOTE_SHOWN) {
        table_text(listing->table, note);
        return;
    }
    length = NOTE_SHOWN;
    while (length > 0 && ((unsigned char)note[length] & 0xc0U) == 0x80U)
        --length; /* not in the middle of a character */
    table_textf(listing->table, "%.*s …", (int)length, note);
}

static int list_row(const struct store_coil *row, void *user)
{
    struct listing *listing = user;
    struct coilbook_entry entry;
    struct status st;
    const struct design *d = &entry.design;
    char added[32];
    const char *name = row->name;

    table_row(listing->table);
    table_text(listing->table, name);
    table_text(listing->table, row->kind);
    if (coilbook_load(listing->context->units, listing->store, name, &entry, &st) == STATUS_OK) {
        if (design_limbs(d) == 2)
            table_textf(listing->table, "%g + %g", d->winding.turns[0].value,
                        d->winding.turns[1].value);
        else
            table_textf(listing->table, "%g", d->winding.turns[0].value);
        table_text(listing->table, d->winding.wire.label);
        table_count(listing->table, entry.version);
    } else {
        table_absent(listing->table);
        table_text(listing->table, "its design cannot be read");
        table_absent(listing->table);
    }
    store_time_text(added, sizeof added, row->time);
    if (listing->context->form == COMMAND_TEXT)
        added[10] = '\0'; /* the day is enough to a person */
    table_text(listing->table, added);
    note_cell(listing, row->remark);
    return 0;
}

static int list(struct command_context *context)
{
    struct listing listing = {.context = context};
    struct status st;
    enum status_code code;

    listing.store = command_open(context, NAME, false);
    if (!listing.store)
        return COMMAND_WRONG;
    listing.table = table_new(NULL);
    if (listing.table) {
        table_column(listing.table, TABLE_NAME, "name", "coil", NULL);
        table_column(listing.table, TABLE_TEXT, "form", "form", NULL);
        table_column(listing.table, TABLE_NAME, "turns", "turns", NULL);
        table_column(listing.table, TABLE_NAME, "wire", "wire", NULL);
        table_column(listing.table, TABLE_FIGURE, "version", "design", NULL);
        table_column(listing.table, TABLE_TEXT, "added", "added", "UTC");
        table_column(listing.table, TABLE_TEXT, "note", "note", NULL);
        code = store_coil_list(listing.store, NULL, list_row, &listing, &st);
        if (code == STATUS_OK && table_rows(listing.table) == 0)
            table_note(listing.table, "no coils yet; 'truewound coil add FILE' adds one");
    } else
        code = status_fail(&st, STATUS_MEMORY, "no memory");
    store_close(listing.store, NULL);
    if (code != STATUS_OK) {
        table_free(listing.table);
        return command_failed(context, NAME, &st);
    }
    return printing_table(context, NAME, listing.table);
}

struct showing {
    struct command_context *context;
    int64_t version;
    char *text;
    char *digest;
    json_t *entries;
    json_t *trials;
};

static int keep_design(const struct store_design *row, void *user)
{
    struct showing *s = user;

    s->version = row->version;
    s->text = strdup(row->text);
    s->digest = strdup(row->digest ? row->digest : "");
    return 1;
}

/* As comments behind the design, so that the whole still is a design file. */
static int show_entry(const struct store_observation *row, void *user)
{
    struct showing *s = user;
    const struct kind *kind;
    struct conditions c;
    struct status st;
    char shown[UNITS_FORMAT_SIZE];
    char at[32];
    char replaced[48] = "";
    const char *bound;
    const char *word;

    if (conditions_parse(row->conditions, &c, &st) != STATUS_OK)
        conditions_init(&c);
    word = c.kind[0] ? c.kind : row->quantity;
    kind = kinds_find(word);
    bound = c.bound == CONDITIONS_ABOVE   ? "more than "
            : c.bound == CONDITIONS_BELOW ? "less than "
                                          : "";
    store_time_text(at, sizeof at, row->time);
    if (s->context->form == COMMAND_JSON) {
        json_array_append_new(
            s->entries,
            json_pack("{s:I, s:I, s:s, s:s, s:s, s:o, s:o, s:s, s:o, s:s?, s:s}", "entry",
                      (json_int_t)row->id, "run", (json_int_t)row->run, "time", at, "kind", word,
                      "place", row->place, "value", printing_number(row->value), "u",
                      printing_number(row->u), "unit", kind ? kind->dimension : "", "superseded_by",
                      row->superseded_by ? json_integer((json_int_t)row->superseded_by)
                                         : json_null(),
                      "remark", row->remark, "bound",
                      c.bound == CONDITIONS_ABOVE   ? "above"
                      : c.bound == CONDITIONS_BELOW ? "below"
                                                    : "equal"));
        return 0;
    }
    if (strcmp(row->quantity, "polarity") == 0)
        snprintf(shown, sizeof shown, "%s", evidence_pole(row->value));
    else
        units_format(shown, sizeof shown, row->value, row->u, quantity_find(row->quantity));
    if (row->superseded_by)
        snprintf(replaced, sizeof replaced, " (replaced by entry %lld)",
                 (long long)row->superseded_by);
    at[16] = '\0'; /* the minute is enough to a person */
    fprintf(s->context->out, "; entry %lld, %s UTC: %s of %s, %s%s%s\n", (long long)row->id, at,
            word, kinds_place_words(row->place), bound, shown, replaced);
    return 0;
}

static int show_trial(const struct store_trial *row, void *user)
{
    struct showing *s = user;
    char shown[UNITS_FORMAT_SIZE];
    char at[32];

    store_time_text(at, sizeof at, row->time);
    if (s->context->form == COMMAND_JSON) {
        json_array_append_new(
            s->trials,
            json_pack("{s:I, s:I, s:s, s:s, s:o, s:o, s:o, s:o}", "trial", (json_int_t)row->id,
                      "run", (json_int_t)row->run, "time", at, "outcome",
                      store_evidence_outcome_word(row->outcome), "load_n",
                      printing_number(row->load), "current_a", printing_number(row->current),
                      "gap_m", printing_number(row->gap), "superseded_by",
                      row->superseded_by ? json_integer((json_int_t)row->superseded_by)
                                         : json_null()));
        return 0;
    }
    at[16] = '\0';
    fprintf(s->context->out, "; trial %lld, %s UTC: %s, %s%s\n", (long long)row->id, at,
            store_evidence_outcome_word(row->outcome),
            units_format(shown, sizeof shown, row->load, row->load_u, quantity_get(QUANTITY_FORCE)),
            row->superseded_by ? " (withdrawn or replaced)" : "");
    return 0;
}

static int show(struct command_context *context, const char *name)
{
    struct showing s = {.context = context};
    struct coilbook_entry entry;
    struct status st;
    struct store *store = command_open(context, NAME, false);
    enum status_code code;
    size_t length;
    int result = COMMAND_DONE;

    if (!store)
        return COMMAND_WRONG;
    s.entries = json_array();
    s.trials = json_array();
    code = coilbook_load(context->units, store, name, &entry, &st);
    if (code == STATUS_OK)
        code = store_coil_design(store, entry.coil, 0, keep_design, &s, &st);
    if (code == STATUS_OK && (!s.entries || !s.trials || !s.text || !s.digest))
        code = status_fail(&st, STATUS_MEMORY, "no memory");
    if (code == STATUS_OK && context->form != COMMAND_JSON) {
        length = strlen(s.text);
        fprintf(context->out, "; %s, design version %lld\n%s%s", name, (long long)entry.version,
                s.text, length && s.text[length - 1] == '\n' ? "" : "\n");
    }
    if (code == STATUS_OK)
        code = store_evidence_observations(store, entry.coil, 0, true, show_entry, &s, &st);
    if (code == STATUS_OK)
        code = store_evidence_trials(store, entry.coil, 0, true, show_trial, &s, &st);
    store_close(store, NULL);
    if (code != STATUS_OK)
        result = command_failed(context, NAME, &st);
    else if (context->form == COMMAND_JSON)
        result = printing_json(context, NAME,
                               json_pack("{s:I, s:s, s:s, s:O, s:O}", "version",
                                         (json_int_t)s.version, "digest", s.digest, "text", s.text,
                                         "entries", s.entries, "trials", s.trials));
    json_decref(s.entries);
    json_decref(s.trials);
    free(s.text);
    free(s.digest);
    return result;
}

static int run(struct command_context *context, int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "add") == 0)
        return add(context, argv[2]);
    if (argc == 2 && strcmp(argv[1], "list") == 0)
        return list(context);
    if (argc == 3 && strcmp(argv[1], "show") == 0)
        return context->form == COMMAND_CSV
                   ? command_wrong(context, NAME,
                                   "'show' prints a design, no table: leave --csv "
                                   "out, or take --json")
                   : show(context, argv[2]);
    if (argc > 1 && strcmp(argv[1], "add") != 0 && strcmp(argv[1], "list") != 0 &&
        strcmp(argv[1], "show") != 0)
        return command_wrong(context, NAME,
                             "read '%s', expected add, list or show; a coil stays on record",
                             argv[1]);
    return command_wrong(context, NAME,
                         "expected 'add FILE', 'list' or 'show NAME'; 'truewound help coil' has an "
                         "example");
}

const struct command command_coil = {
    .name = NAME,
    .summary = "record a coil's design, list the coils, show one",
    .usage = "add FILE | list | show NAME",
    .help =
        "Records the design in FILE (see truewound-coil(5)) under the name it gives. A changed\n"
        "design becomes a new version; the older ones are kept. 'show' prints the newest design\n"
        "and what was noted of the coil, with the numbers that --supersedes wants.\n\n"
        "example: truewound coil add signal-arm.ini\n",
    .tables = true,
    .json = true,
    .run = run,
};
