#include "analyze/windsheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/drawings.h"
#include "analyze/model/winding.h"
#include "reports/sheet.h"

#define ROWS_MAX      400
#define FACTS_MAX     8
#define STRETCHES     24 /* at most, of a limb wound without order */
#define FIGURE_WIDTH  400.0
#define FIGURE_HEIGHT 240.0

struct making {
    const struct design *design;
    struct sheet_winding sheet;
    struct sheet_layer layer[ROWS_MAX];
    struct sheet_fact fact[FACTS_MAX];
    char value[FACTS_MAX][96];
};

static char *fact(struct making *m, const char *name)
{
    size_t i = m->sheet.fact_count++;

    m->fact[i] = (struct sheet_fact){name, m->value[i]};
    return m->value[i];
}

static void put_facts(struct making *m, const struct prediction *prediction)
{
    const struct design *d = m->design;
    const struct prediction_figure *figure = prediction->figure;
    size_t size = sizeof *m->value;

    if (design_limbs(d) == 2)
        snprintf(fact(m, "turns"), size, "%g on limb A, %g on limb B", d->winding.turns[0].value,
                 d->winding.turns[1].value);
    else
        snprintf(fact(m, "turns"), size, "%g", d->winding.turns[0].value);
    snprintf(fact(m, "wire"), size, "%s, %s", d->winding.wire.label,
             wire_covering_word(d->winding.wire.covering));
    snprintf(fact(m, "wound length"), size, "%.4g mm on each limb",
             1e3 * d->winding.wound_length.value);
    snprintf(fact(m, "outside"), size, "%.3g mm when done%s", 1e3 * figure[COIL_OUTSIDE_A].value,
             d->core.limb.shape == DESIGN_ROUND ? "" : ", along the first size of the limb");
    snprintf(fact(m, "wire needed"), size, "%.3g m, %.3g g", figure[COIL_WIRE_LENGTH].value,
             1e3 * figure[COIL_WIRE_MASS].value);
    if (d->winding.in_hand > 1)
        snprintf(fact(m, "in hand"), size, "%d wires side by side, counted together",
                 d->winding.in_hand);
    if (d->winding.sections > 1)
        snprintf(fact(m, "sections"), size, "%d on each limb; the rows are those of one",
                 d->winding.sections);
    else if (d->winding.layers == DESIGN_SCRAMBLE)
        snprintf(fact(m, "rows"), size, "stretches of the count, not layers");
    else
        snprintf(fact(m, "rows"), size, "layers of nominal wire; count what lies there");
}

static bool put_row(struct making *m, int limb, int row, double turns, double total)
{
    if (m->sheet.layer_count == ROWS_MAX)
        return false;
    m->layer[m->sheet.layer_count++] =
        (struct sheet_layer){.limb = limb, .layer = row, .turns = turns, .total = total};
    return true;
}

/* Stretches of 1, 2 or 5 times a power of ten, so that a sheet holds them. */
static void put_stretches(struct making *m, int limb, long turns)
{
    static const long part[] = {1, 2, 5};
    long power = 1;
    long stretch = 1;
    int row = 0;

    for (size_t i = 0; stretch * STRETCHES < turns; stretch = part[i] * power)
        if (++i == sizeof part / sizeof *part) {
            i = 0;
            power *= 10;
        }
    for (long on = 0; on < turns; on += stretch)
        if (!put_row(m, limb, ++row, (double)(on + stretch < turns ? stretch : turns - on),
                     (double)(on + stretch < turns ? on + stretch : turns)))
            return;
}

/* The last turn of a layer is the last for which no more layers are needed. */
static enum status_code put_layers(struct making *m, int limb, const struct winding_form *form,
                                   long turns, struct status *st)
{
    struct winding_result all;
    struct winding_result part;
    long on = 0;
    enum status_code code = winding_lay(form, turns, &all, st);

    for (int row = 1; code == STATUS_OK && on < turns; ++row) {
        long low = on + 1;
        long high = turns;

        while (low < high && code == STATUS_OK) {
            long middle = high - (high - low) / 2;

            code = winding_lay(form, middle, &part, st);
            if (code == STATUS_OK && part.layers <= row)
                low = middle;
            else
                high = middle - 1;
        }
        if (code != STATUS_OK || !put_row(m, limb, row, (double)(low - on), (double)low))
            break;
        on = low;
    }
    return code;
}

static enum status_code put_rows(struct making *m, struct status *st)
{
    const struct design_winding *w = &m->design->winding;
    struct winding_form form;
    enum status_code code = STATUS_OK;

    winding_form_of(m->design, &form);
    if (w->sections > 1) {
        form.length = (form.length - (w->sections - 1) * form.section_wall) / w->sections;
        form.sections = 1;
    }
    for (int i = 0; i < design_limbs(m->design) && code == STATUS_OK; ++i) {
        long turns = lround(ceil(w->turns[i].value / w->sections));

        if (w->layers == DESIGN_SCRAMBLE)
            put_stretches(m, i + 1, turns);
        else
            code = put_layers(m, i + 1, &form, turns, st);
    }
    return code;
}

enum status_code windsheet_html(const struct design *design, const struct prediction *prediction,
                                const char *digest, char **html, size_t *size, struct status *st)
{
    static const char *const cautions[] = {
        "Keep fingers, sleeves and hair from a winder that turns; fine wire under tension cuts.",
        "Fix the start so that it cannot be pulled out, and mark start and finish before they "
        "look alike."};
    /* Weight tells turns that are not there from turns that are shorted, but only limb by limb. */
    static const char *const weighings[] = {"before limb A", "before limb B", "after limb B"};
    static const char *const weighings_bar[] = {"before", "after"};
    struct making *m = calloc(1, sizeof *m);
    struct report_error error = {""};
    struct drawings_labels labels;
    struct sheet_figure figure = {0};
    struct coildraw shape;
    char *svg = NULL;
    enum status_code code;

    *html = NULL;
    *size = 0;
    if (!m)
        return status_fail(st, STATUS_MEMORY, "no memory");
    m->design = design;
    put_facts(m, prediction);
    code = put_rows(m, st);
    if (code == STATUS_OK) {
        m->sheet.coil = design->name;
        m->sheet.purpose = design->note;
        if (design->winding.layers == DESIGN_SCRAMBLE)
            m->sheet.row_name = "Stretch";
        m->sheet.facts = m->fact;
        m->sheet.layers = m->layer;
        m->sheet.weighings = design_limbs(design) == 2 ? weighings : weighings_bar;
        m->sheet.weighing_count = design_limbs(design) == 2 ? 3 : 2;
        m->sheet.cautions = cautions;
        m->sheet.caution_count = sizeof cautions / sizeof *cautions;
        m->sheet.version = TRUEWOUND_VERSION;
        m->sheet.digest = digest;
        drawings_coil(design, prediction, &shape, &labels);
        if (coildraw_svg(&shape, FIGURE_WIDTH, FIGURE_HEIGHT, true, &svg, &figure.size, &error)) {
            figure.svg = svg;
            m->sheet.figure = &figure;
        }
        if (!sheet_winding_html(&m->sheet, html, size, &error))
            code = status_fail(st, STATUS_IO, "%s", error.text);
    }
    free(svg);
    free(m);
    return code;
}
