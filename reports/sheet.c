#include "reports/sheet.h"

#include "reports/figure.h"
#include "reports/style.h"
#include "reports/text.h"
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* An A4 page less its margins, in mm. */
#define PAGE_HEIGHT 274.0
#define PAGE_WIDTH  188.0
#define SPARE       4.0 /* of the height, for faces wider than the estimate's */

/* Letters get smaller, and figures may be lower, step by step until the estimate says that all
 * fits; on paper the figures then take what the words leave. At the last step the caps are such
 * that the longest sheet fits: a test prints it. */
static const struct step {
    double letters; /* points */
    double figure;  /* mm, least height of a figure */
    size_t quantities, findings, facts, cautions, instruments;
    size_t words; /* characters of one text */
} steps[] = {
    {10.0, 54, 16, 8, 12, 8, 8, 480}, {9.5, 52, 16, 8, 12, 8, 8, 480},
    {9.0, 50, 16, 8, 12, 8, 8, 480},  {8.5, 48, 16, 8, 12, 7, 7, 480},
    {8.0, 46, 16, 7, 10, 6, 6, 480},  {7.8, 40, 16, 7, 10, 6, 6, 480},
    {7.4, 36, 16, 7, 10, 6, 6, 480},  {7.4, 36, 13, 6, 8, 5, 5, 110},
};
#define STEPS    (sizeof steps / sizeof steps[0])
#define FIGURES  4
#define MM_OF_PT 0.3528
#define LINE     1.34

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* ---- small parts ---- */

static xmlNode *element(xmlNode *parent, const char *name, const char *css_class)
{
    return style_element(parent, name, css_class, NULL);
}

/* Adds an element whose text keeps at most 'words' characters. */
static xmlNode *words(xmlNode *parent, const char *name, const char *css_class, const char *text,
                      size_t most)
{
    char *clean = text_clean(text, most);
    xmlNode *node = clean ? style_element(parent, name, css_class, clean) : NULL;
    free(clean);
    return node;
}

static xmlNode *wordsf(xmlNode *parent, const char *name, const char *css_class, const char *format,
                       ...) __attribute__((format(printf, 4, 5)));

static xmlNode *wordsf(xmlNode *parent, const char *name, const char *css_class, const char *format,
                       ...)
{
    char text[400];
    va_list list;
    va_start(list, format);
    vsnprintf(text, sizeof text, format, list);
    va_end(list);
    return style_element(parent, name, css_class, text);
}

static void and_more(xmlNode *parent, const char *name, size_t count, size_t shown,
                     const char *of_what)
{
    if (count > shown)
        wordsf(parent, name, "soft", "and %zu more %s", count - shown, of_what);
}

enum shape { SHAPE_DISC, SHAPE_HALF, SHAPE_CROSS, SHAPE_DASH };

/* A shape drawn as a path: no font is asked for it. Words always stand beside it. */
static void add_shape(xmlNode *parent, enum shape shape, const char *css_class)
{
    static const char *const paths[] = {
        [SHAPE_DISC] =
            "M12 1a11 11 0 1 0 .01 0zM6 12.5l4.5 4.5l8-9.5l-2-1.7l-6.200 7.400l-2.500-2.500z",
        [SHAPE_HALF] = "M12 1a11 11 0 1 0 .01 0zM12 3.5v17a8.5 8.5 0 0 0 0-17z",
        [SHAPE_CROSS] =
            ("M7 1h10l6 6v10l-6 6h-10l-6-6v-10zM8 6l-2 2l4 4l-4 4l2 2l4-4l4 4l2-2l-4-4l4-4"
             "l-2-2l-4 4z"),
        [SHAPE_DASH] = "M3 10h18v4h-18z"};
    xmlNode *svg = element(parent, "svg", css_class);
    style_attribute(svg, "viewBox", "0 0 24 24");
    style_attribute(svg, "aria-hidden", "true");
    xmlNode *path = element(svg, "path", NULL);
    style_attribute(path, "d", paths[shape]);
    style_attribute(path, "fill", "currentColor");
    style_attribute(path, "fill-rule", "evenodd");
}

static const struct {
    const char *word, *css_class;
    enum shape shape;
} verdicts[] = {[SHEET_PASS] = {"Pass", "pass", SHAPE_DISC},
                [SHEET_FAIL] = {"Fail", "fail", SHAPE_CROSS},
                [SHEET_UNDECIDED] = {"Undecided", "undecided", SHAPE_HALF}};

static const struct {
    const char *word, *css_class;
    enum shape shape;
} agreements[] = {[SHEET_AGREES] = {"agrees", "pass", SHAPE_DISC},
                  [SHEET_DOUBTFUL] = {"doubtful", "undecided", SHAPE_HALF},
                  [SHEET_DIFFERS] = {"differs", "fail", SHAPE_CROSS},
                  [SHEET_NOT_JUDGED] = {"not judged", "soft", SHAPE_DASH}};

/* ---- estimating ---- */

/* Width of a character in parts of the letter size, for common sans-serif faces, the wide ones. */
static double em_of(uint32_t c)
{
    if (c < 0x80 && strchr("iljtfrI.,:;'|!() ", (int)c))
        return 0.38;
    if (c < 0x80 && strchr("mwMW@%", (int)c))
        return 0.99;
    if (c >= 'A' && c <= 'Z')
        return 0.74;
    return c < 0x600 ? 0.63 : 1.05;
}

static double width_of(const char *text, size_t most, double letters)
{
    double em = 0;
    for (size_t n = 0; text && *text && n < most; n++)
        em += em_of(text_next(&text));
    return em * letters * MM_OF_PT;
}

/* Lines of a text in a column line_mm wide; breaking at words loses about an eighth. */
static double lines_of(const char *text, size_t most, double line_mm, double letters)
{
    double width = width_of(text, most, letters);
    return width > line_mm ? ceil(1.13 * width / line_mm) : width > 0 ? 1 : 0;
}

/* With an odd number of figures the facts of the design stand in the place of the next one, and the
 * findings have the width of the page. */
static bool facts_among_figures(const struct sheet *s)
{
    return s->fact_count && least(s->figure_count, FIGURES) % 2 == 1;
}

/* Characters of a finding: what its column holds in about three lines. */
static size_t finding_words(const struct sheet *s)
{
    return facts_among_figures(s) ? 180 : 140;
}

static const char note_on_u[] =
    "± is one standard uncertainty; predictions carry the tolerances of "
    "wire, sizes and temperature.";

/* ---- heights of the parts, mm: the same sums as the style's; err to the high side ---- */

/* The parts of a sheet that stand one below the other have this much between them, in letters. */
#define BETWEEN 0.7
#define HEADING (LINE + 0.25)
#define CELL    0.28 /* padding of a row */
#define RULE    0.27 /* mm, the line below a row */

static double height_of_top(const struct sheet *s, const struct step *step)
{
    double mm = step->letters * MM_OF_PT;
    double left = 1.7 * 1.15 * mm * fmax(1, lines_of(s->coil, 80, 110, step->letters * 1.7)) +
                  LINE * mm * lines_of(s->purpose, 160, 120, step->letters);
    double word = 1.9 * mm * (1.5 + 0.7 * (double)strlen(verdicts[s->verdict].word));
    double beside = PAGE_WIDTH - 5 - word;
    double why = LINE * mm *
                 (lines_of(s->verdict_text, step->words, beside, step->letters) +
                  lines_of(s->next, step->words, beside, step->letters));
    return fmax(left, 2 * LINE * mm) + 0.4 * mm + fmax(why, 2.1 * mm) + (0.6 + BETWEEN) * mm;
}

static double height_of_quantities(const struct sheet *s, const struct step *step)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->quantity_count, step->quantities);
    double total = n ? (HEADING + LINE + CELL + BETWEEN) * mm + RULE : 0;
    for (size_t i = 0; i < n; i++) {
        double name = lines_of(s->quantities[i].name, 80, 46, step->letters);
        double remark = lines_of(s->quantities[i].remark, 80, 46, step->letters);
        total += (LINE * fmax(1, fmax(name, remark)) + CELL) * mm + RULE;
    }
    if (s->quantity_count > n)
        total += LINE * mm;
    return n ? total + LINE * mm * 0.85 *
                           lines_of(note_on_u, sizeof note_on_u, PAGE_WIDTH, 0.85 * step->letters)
             : 0;
}

static double height_of_findings(const struct sheet *s, const struct step *step, double width)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->finding_count, step->findings);
    double total = n ? (HEADING + BETWEEN) * mm : 0;
    for (size_t i = 0; i < n; i++)
        total +=
            (LINE * fmax(1, lines_of(s->findings[i].text, finding_words(s), width, step->letters)) +
             CELL) *
            mm;
    return total + (s->finding_count > n ? LINE * mm : 0);
}

static double height_of_facts(const struct sheet *s, const struct step *step, double width)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->fact_count, step->facts);
    double total = n ? (HEADING + BETWEEN) * mm : 0;
    for (size_t i = 0; i < n; i++)
        total += LINE * mm *
                 fmax(1, fmax(lines_of(s->facts[i].value, 60, width * 0.57, step->letters),
                              lines_of(s->facts[i].name, 60, width * 0.37, step->letters)));
    return total + (s->fact_count > n ? LINE * mm : 0);
}

static double height_of_cautions(const struct sheet *s, const struct step *step, double width)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->caution_count, step->cautions);
    double total = n ? (HEADING + BETWEEN) * mm : 0;
    for (size_t i = 0; i < n; i++)
        total += LINE * mm * fmax(1, lines_of(s->cautions[i], step->words, width, step->letters));
    return total + (s->caution_count > n ? LINE * mm : 0);
}

static double height_of_instruments(const struct sheet *s, const struct step *step, double width)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->instrument_count, step->instruments);
    double total = n ? (HEADING + BETWEEN) * mm : 0;
    for (size_t i = 0; i < n; i++) {
        const struct sheet_instrument *it = &s->instruments[i];
        double letters =
            width_of(it->name, 40, step->letters) + width_of(it->identity, 60, step->letters) +
            width_of(it->calibrated && *it->calibrated ? it->calibrated : "no date given", 30,
                     step->letters) +
            width_of(": ; calibrated ", 20, step->letters);
        total += LINE * mm * (letters > width ? ceil(1.13 * letters / width) : 1);
    }
    return total + (s->instrument_count > n ? LINE * mm : 0);
}

/* Rows of figures; in *fixed what they take beside the figures themselves: captions and gaps. */
static double rows_of_figures(const struct sheet *s, const struct step *step, double *fixed)
{
    double mm = step->letters * MM_OF_PT;
    size_t n = least(s->figure_count, FIGURES);
    double rows = ceil((double)n / 2);
    *fixed = n ? 2 * (rows - 1) + 0.6 * mm : 0;
    for (size_t i = 0; i < n; i += 2)
        if ((s->figures[i].caption && *s->figures[i].caption) ||
            (i + 1 < n && s->figures[i + 1].caption && *s->figures[i + 1].caption))
            *fixed += 2 * LINE * mm;
    return rows;
}

/* Height of all that is not a figure, mm, with figures of the step's least height. */
static double height_of(const struct sheet *s, const struct step *step)
{
    double mm = step->letters * MM_OF_PT, half = PAGE_WIDTH / 2 - 4, fixed;
    bool among = facts_among_figures(s);
    double rows = rows_of_figures(s, step, &fixed);
    double findings = height_of_findings(s, step, among ? 0.8 * PAGE_WIDTH - 5 * mm : half - 40);
    double facts = height_of_facts(s, step, half);
    double total = height_of_top(s, step) + height_of_quantities(s, step) + fixed;
    total += among ? findings : fmax(findings, facts);
    /* Rows are of one height, so a long list of facts makes all of them higher. */
    total += rows * fmax(step->figure, among ? facts : 0);
    total += fmax(height_of_cautions(s, step, half - 1.1 * mm - 4),
                  height_of_instruments(s, step, half - 1.1 * mm - 1));
    return total + (0.3 + 0.85 * LINE) * mm + 1;
}

/* ---- sections ---- */

static xmlNode *section(xmlNode *parent, const char *css_class, const char *heading)
{
    xmlNode *node = element(parent, "section", css_class);
    style_element(node, "h2", NULL, heading);
    return node;
}

static void add_number(xmlNode *row, const char *word, enum sheet_bound bound, double value,
                       double u, double magnitude, const char *unit)
{
    if (word) {
        words(row, "td", "figure", word, 40);
        return;
    }
    if (!isfinite(value)) {
        style_element(row, "td", "figure soft", "not known");
        return;
    }
    const char *prefix = "";
    double factor = figure_prefix(magnitude, unit, &prefix);
    char number[FIGURE_TEXT_SIZE];
    if (bound == SHEET_EQUAL)
        figure_text(number, value / factor, u / factor);
    else /* where the range ends is told without an uncertainty */
        snprintf(number, sizeof number, "%s %.4g", bound == SHEET_MORE ? ">" : "<", value / factor);
    char *clean = text_clean(unit, 16);
    wordsf(row, "td", "figure", "%s%s%s%s", number, clean && *clean ? " " : "", prefix,
           clean ? clean : "");
    free(clean);
}

static void add_quantities(xmlNode *leaf, const struct sheet *s, const struct step *step)
{
    size_t n = least(s->quantity_count, step->quantities);
    if (!n)
        return;
    xmlNode *part = section(leaf, NULL, "Measured and predicted");
    xmlNode *table = element(part, "table", NULL);
    xmlNode *head = element(element(table, "thead", NULL), "tr", NULL);
    static const char *const headings[] = {"Quantity", "Measured", "Predicted", "Agreement",
                                           "Remark"};
    for (int i = 0; i < 5; i++) {
        xmlNode *th = style_element(head, "th", i == 1 || i == 2 ? "figure" : NULL, headings[i]);
        style_attribute(th, "scope", "col");
    }
    xmlNode *body = element(table, "tbody", NULL);
    for (size_t i = 0; i < n; i++) {
        const struct sheet_quantity *q = &s->quantities[i];
        xmlNode *row = element(body, "tr", NULL);
        xmlNode *name = words(row, "th", NULL, q->name, 80);
        style_attribute(name, "scope", "row");
        double m = isfinite(q->measured) ? fabs(q->measured) : 0;
        double p = isfinite(q->predicted) ? fabs(q->predicted) : 0;
        /* One prefix for both, to be compared at a glance, unless they are worlds apart. */
        bool apart = m > 0 && p > 0 && (m > 100 * p || p > 100 * m);
        add_number(row, q->measured_word, q->bound, q->measured, q->measured_u,
                   apart ? m : fmax(m, p), q->unit);
        add_number(row, q->predicted_word, SHEET_EQUAL, q->predicted, q->predicted_u,
                   apart ? p : fmax(m, p), q->unit);
        unsigned a =
            (unsigned)q->agreement <= SHEET_NOT_JUDGED ? (unsigned)q->agreement : SHEET_NOT_JUDGED;
        char cell_class[40];
        snprintf(cell_class, sizeof cell_class, "agreement %s", agreements[a].css_class);
        xmlNode *cell = element(row, "td", cell_class);
        add_shape(cell, agreements[a].shape, "dot");
        wordsf(cell, "span", NULL, " %s", agreements[a].word);
        words(row, "td", NULL, q->remark, 80);
    }
    and_more(part, "p", s->quantity_count, n, "quantities");
    style_element(part, "p", "soft small", note_on_u);
}

static void add_findings(xmlNode *parent, const struct sheet *s, const struct step *step)
{
    size_t n = least(s->finding_count, step->findings);
    if (!n)
        return;
    xmlNode *part = section(parent, NULL, "What explains the measurements");
    xmlNode *table = element(part, "table", "findings");
    xmlNode *body = element(table, "tbody", NULL);
    for (size_t i = 0; i < n; i++) {
        double p = s->findings[i].probability;
        xmlNode *row = element(body, "tr", NULL);
        if (!(p >= 0 && p <= 1)) {
            style_element(row, "td", "figure soft", "not known");
            p = 0;
        } else {
            /* Never '0 %' or '100 %' of something not certain. */
            double percent = 100 * p;
            wordsf(row, "td", "figure",
                   p > 0 && percent < 0.5    ? "< 1 %%"
                   : p < 1 && percent > 99.5 ? "> 99 %%"
                                             : "%.0f %%",
                   percent);
        }
        xmlNode *bar = element(element(row, "td", "chart"), "span", "bar");
        xmlNode *fill = element(bar, "i", NULL);
        char width[40];
        snprintf(width, sizeof width, "width:%.1f%%", 100 * p);
        style_attribute(fill, "style", width);
        words(row, "td", NULL, s->findings[i].text, finding_words(s));
    }
    and_more(part, "p", s->finding_count, n, "findings, less likely");
}

static void add_facts(xmlNode *parent, const struct sheet_fact *facts, size_t count, size_t most,
                      const char *heading)
{
    size_t n = least(count, most);
    if (!n)
        return;
    xmlNode *part = section(parent, NULL, heading);
    xmlNode *list = element(part, "dl", NULL);
    for (size_t i = 0; i < n; i++) {
        words(list, "dt", NULL, facts[i].name, 60);
        words(list, "dd", NULL, facts[i].value, 60);
    }
    and_more(part, "p", count, n, "facts");
}

static void add_cautions(xmlNode *parent, const char *const *cautions, size_t count, size_t most,
                         size_t characters)
{
    size_t n = least(count, most);
    if (!n)
        return;
    xmlNode *part = section(parent, "cautions", "Take care");
    xmlNode *list = element(part, "ul", NULL);
    for (size_t i = 0; i < n; i++)
        words(list, "li", NULL, cautions[i], characters);
    and_more(part, "p", count, n, "cautions");
}

static void add_instruments(xmlNode *parent, const struct sheet *s, const struct step *step)
{
    size_t n = least(s->instrument_count, step->instruments);
    if (!n)
        return;
    xmlNode *part = section(parent, NULL, "Measured with");
    xmlNode *list = element(part, "ul", NULL);
    for (size_t i = 0; i < n; i++) {
        const struct sheet_instrument *it = &s->instruments[i];
        xmlNode *item = element(list, "li", NULL);
        words(item, "b", NULL, it->name, 40);
        if (it->identity && *it->identity) {
            style_element(item, "span", NULL, ": ");
            words(item, "span", NULL, it->identity, 60);
        }
        if (it->calibrated && *it->calibrated) {
            style_element(item, "span", "soft", "; calibrated ");
            words(item, "span", "soft", it->calibrated, 30);
        } else {
            style_element(item, "span", "soft", "; calibrated: no date given");
        }
    }
    and_more(part, "p", s->instrument_count, n, "instruments");
}

/* *holder gets the node that holds the figures, NULL when there are none. */
static bool add_figures(xmlNode *leaf, const struct sheet_figure *figures, size_t count,
                        bool more_to_come, xmlNode **holder, struct report_error *error)
{
    size_t n = least(count, FIGURES);
    *holder = NULL;
    if (!n)
        return true;
    xmlNode *grid = element(leaf, "div", n == 1 && !more_to_come ? "figures one" : "figures");
    *holder = grid;
    for (size_t i = 0; i < n; i++) {
        xmlNode *figure = element(grid, "figure", NULL);
        if (!style_drawing(figure, figures[i].svg, figures[i].size, error))
            return false;
        if (figures[i].caption && *figures[i].caption)
            words(figure, "figcaption", "soft", figures[i].caption, 110);
    }
    and_more(leaf, "p", count, n, "figures");
    return true;
}

static void add_footer(xmlNode *leaf, const char *version, const char *digest)
{
    xmlNode *foot = element(leaf, "footer", "soft");
    style_element(foot, "span", NULL, "Truewound ");
    words(foot, "span", NULL, version && *version ? version : "of unknown version", 40);
    if (digest && *digest) {
        style_element(foot, "span", NULL, " · made from data ");
        words(foot, "code", NULL, digest, 80);
    }
}

/* ---- style ---- */

static const char sheet_css[] =
    "body{padding:0}"
    ".leaf{background:var(--leaf);max-width:210mm;margin:1em auto;padding:11mm;"
    "border-top:3px solid var(--ink)}"
    ".leaf{font-size:var(--letters);line-height:1.34}"
    ".top{display:flex;gap:6mm;justify-content:space-between;align-items:flex-start;"
    "padding-bottom:.4em;border-bottom:1px solid var(--ink)}"
    ".result{display:flex;gap:5mm;align-items:flex-start;margin:.6em 0 .7em}"
    ".result .verdict{display:flex;align-items:center;gap:.3em}"
    ".verdict svg{width:1.15em;height:1.15em}"
    ".agreement{white-space:nowrap}"
    ".dot{width:.8em;height:.8em;vertical-align:-.06em}"
    "section{margin:0 0 .7em}"
    ".two{display:grid;grid-template-columns:1fr 1fr;gap:0 8mm}"
    ".figures{display:grid;grid-template-columns:1fr 1fr;gap:2mm 8mm;margin:0 0 .6em}"
    ".figures.one{grid-template-columns:1fr}"
    "figure svg.drawing{max-height:var(--figure)}"
    "td,th{padding-right:.7em}thead th{border-bottom:1px solid var(--soft)}"
    "tbody th{font-weight:normal}"
    ".findings td{border:0}.findings .figure{width:4em}.findings .chart{width:14%;min-width:4em}"
    ".chart .bar{margin-top:.4em}"
    "dl{display:grid;grid-template-columns:2fr 3fr;gap:0 .8em}"
    "dt{color:var(--soft)}dd{margin:0}dt,dd,li,p{overflow-wrap:anywhere}"
    "ul{padding-left:1.1em}.cautions{border-left:3px solid var(--doubt);padding-left:.7em}"
    ".small{font-size:.85em}"
    "footer{border-top:1px solid var(--line);padding-top:.3em;font-size:.85em}"
    "code{font-family:monospace;overflow-wrap:anywhere}"
    "@media screen and (max-width:700px){.leaf{padding:4vw;margin:0;font-size:15px}"
    ".two,.figures{grid-template-columns:1fr}.top,.result{display:block}"
    "section{overflow-x:auto}table{font-size:13px}td,th{overflow-wrap:break-word;padding-right:."
    "4em}"
    ".figure{white-space:normal}figure svg.drawing{max-height:none}}"
    "@page{size:A4;margin:11mm}"
    "@media print{.leaf{margin:0;padding:0;max-width:none;border:0}"
    "section,figure,tr{break-inside:avoid}}";

/* On paper the figures take the height that the words leave, so that the page is full whatever the
 * face of the letters. */
static const char full_page_css[] =
    "@media print{.leaf{height:274mm;display:flex;flex-direction:column}"
    ".leaf>*{flex:none}.leaf>footer{margin-top:auto}"
    ".leaf>.figures{flex:1 1 0;min-height:0;grid-auto-rows:1fr}"
    "figure{min-height:0;display:flex;flex-direction:column}"
    "figure svg.drawing{flex:1 1 0;min-height:0;max-height:none;height:0}}";

/* The last step: every cell and item is one line, cut with an ellipsis where it is longer, so that
 * the height no longer depends on the words. */
static const char tight_css[] =
    "table{table-layout:fixed}thead th:nth-child(1){width:27%}thead th:nth-child(4){width:13%}"
    "h1,td,th,li,dt,dd,.top p,figcaption{white-space:nowrap;overflow:hidden;text-overflow:ellipsis}"
    ".top{display:grid;grid-template-columns:3fr 1fr}.top div,.two section{min-width:0}"
    ".findings .figure{width:12%}"
    ".result div p{display:-webkit-box;-webkit-box-orient:vertical;-webkit-line-clamp:2;"
    "overflow:hidden}footer{white-space:nowrap;overflow:hidden;text-overflow:ellipsis}";

static char *css_of(double letters, double figure, const char *more)
{
    char *text = NULL;
    if (asprintf(&text, "%s:root{--letters:%gpt;--figure:%gmm}%s", sheet_css, letters, figure,
                 more) < 0)
        return NULL;
    return text;
}

static xmlDoc *page(const char *coil, const char *kind, const char *css, xmlNode **leaf)
{
    char *name = text_clean(coil, 80), *title = NULL;
    xmlNode *body = NULL;
    xmlDoc *doc = NULL;
    if (name && css && asprintf(&title, "%s: %s", name, kind) >= 0)
        doc = style_page("en", title, css, &body);
    free(title);
    free(name);
    *leaf = doc ? element(body, "main", "leaf") : NULL;
    return doc;
}

static xmlNode *top(xmlNode *leaf, const char *coil, const char *purpose)
{
    xmlNode *head = element(leaf, "header", "top");
    xmlNode *left = element(head, "div", NULL);
    words(left, "h1", NULL, coil, 80);
    if (purpose && *purpose)
        words(left, "p", NULL, purpose, 160);
    return element(head, "div", NULL);
}

bool sheet_html(const struct sheet *s, char **out, size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (!s->coil || !*s->coil)
        return report_error_set(error, "a test sheet needs the name of its coil");
    if ((unsigned)s->verdict > SHEET_UNDECIDED)
        return report_error_set(error, "a test sheet needs a verdict");
    size_t k = 0;
    while (k + 1 < STEPS && height_of(s, &steps[k]) > PAGE_HEIGHT - SPARE)
        k++;
    const struct step *step = &steps[k];
    bool tight = k + 1 == STEPS;
    char more[sizeof full_page_css + sizeof tight_css];
    snprintf(more, sizeof more, "%s%s", full_page_css, tight ? tight_css : "");
    char *css = css_of(step->letters, 72, more);
    xmlNode *leaf;
    xmlDoc *doc = page(s->coil, "test sheet", css, &leaf);
    free(css);
    if (!leaf) {
        xmlFreeDoc(doc);
        return report_error_set(error, "no memory for a test sheet");
    }
    xmlNode *right = top(leaf, s->coil, s->purpose);
    style_element(right, "p", NULL, "Test sheet");
    if (s->date && *s->date)
        words(right, "p", "soft", s->date, 60);
    xmlNode *result = element(leaf, "section", "result");
    char verdict_class[40];
    snprintf(verdict_class, sizeof verdict_class, "verdict %s", verdicts[s->verdict].css_class);
    xmlNode *verdict = element(result, "p", verdict_class);
    add_shape(verdict, verdicts[s->verdict].shape, NULL);
    style_element(verdict, "span", NULL, verdicts[s->verdict].word);
    xmlNode *why = element(result, "div", NULL);
    if (s->verdict_text && *s->verdict_text)
        words(why, "p", NULL, s->verdict_text, step->words);
    if (s->next && *s->next) {
        xmlNode *next = element(why, "p", NULL);
        static const char label[] = "Next: ";
        bool labelled = strncmp(s->next, label, sizeof label - 1) == 0;
        if (labelled)
            style_element(next, "b", NULL, label);
        words(next, "span", NULL, s->next + (labelled ? sizeof label - 1 : 0), step->words);
    }
    add_quantities(leaf, s, step);
    bool among = facts_among_figures(s);
    if (s->finding_count || (s->fact_count && !among)) {
        xmlNode *two = element(leaf, "div", among ? NULL : "two");
        add_findings(two, s, step);
        if (!among)
            add_facts(two, s->facts, s->fact_count, step->facts, "As designed");
    }
    xmlNode *grid;
    bool good = add_figures(leaf, s->figures, s->figure_count, among, &grid, error);
    if (good) {
        if (among)
            add_facts(grid, s->facts, s->fact_count, step->facts, "As designed");
        if (s->caution_count || s->instrument_count) {
            xmlNode *two = element(leaf, "div", "two");
            add_cautions(two, s->cautions, s->caution_count, step->cautions, step->words);
            add_instruments(two, s, step);
        }
        add_footer(leaf, s->version, s->digest);
        good = style_html(doc, out, size, error);
    }
    xmlFreeDoc(doc);
    return good;
}

/* ---- the blank sheet for winding ---- */

#define LIMB_ROWS        42  /* rows of each limb that one page holds */
#define ROW_LEAST        3.7 /* mm */
#define ROW_MOST         8.0
#define WINDING_FACTS    8
#define WINDING_CAUTIONS 5
#define WINDING_WORDS    120
#define WEIGHINGS        4
#define WEIGHING_WORDS   20
#define WEIGHING_LINE    (LINE + 1.2)

static const char winding_css[] =
    ".tally{white-space:nowrap}"
    ".tally i{display:inline-block;width:3.1mm;height:3.1mm;border:1px solid var(--soft);"
    "margin-right:.5mm;vertical-align:middle}"
    ".weigh{margin:.7em 0 .5em}.weigh span{display:inline-block;white-space:nowrap;"
    "margin-left:4mm}"
    ".weigh i{display:inline-block;width:21mm;margin-left:1mm;border-bottom:1px solid var(--soft)}"
    ".write{border-bottom:1px solid var(--soft);min-width:12mm}"
    ".layers thead th{white-space:nowrap}"
    ".layers td,.layers th{padding-top:0;padding-bottom:0;height:var(--row);vertical-align:middle;"
    "padding-right:.35em}";

/* Turns that one box stands for: 1, 2 or 5 times a power of ten, so that ten boxes do. */
static double box_of(double most)
{
    double power = 1;
    while (power < 1e9) {
        static const double part[] = {1, 2, 5};
        for (int i = 0; i < 3; i++)
            if (most <= 10 * part[i] * power)
                return part[i] * power;
        power *= 10;
    }
    return power;
}

/* Height of all that is neither a layer nor a figure, mm. */
static double height_round_layers(const struct sheet_winding *s, double letters)
{
    struct step step = {.letters = letters,
                        .facts = WINDING_FACTS,
                        .cautions = WINDING_CAUTIONS,
                        .words = WINDING_WORDS};
    struct sheet like = {.coil = s->coil,
                         .purpose = s->purpose,
                         .verdict_text = "Tick one box for every turn.",
                         .facts = s->facts,
                         .fact_count = s->fact_count,
                         .cautions = s->cautions,
                         .caution_count = s->caution_count};
    double mm = letters * MM_OF_PT, half = PAGE_WIDTH / 2 - 4;
    return height_of_top(&like, &step) + (HEADING + 2 * BETWEEN) * mm +
           fmax(height_of_facts(&like, &step, half),
                height_of_cautions(&like, &step, half - 1.1 * mm - 4)) +
           (0.6 + 0.3 + 0.85 * LINE + (s->weighing_count ? WEIGHING_LINE : 0)) * mm + 1;
}

/* One line to write weights on: what the reel loses from one to the next is the wire of a limb. */
static void add_weighings(xmlNode *parent, const struct sheet_winding *s)
{
    if (!s->weighing_count)
        return;
    xmlNode *line = style_element(parent, "p", "weigh", "Weigh the reel, in g:");
    for (size_t i = 0; i < least(s->weighing_count, WEIGHINGS); i++) {
        xmlNode *one = element(line, "span", NULL);
        words(one, "b", NULL, s->weighings[i], WEIGHING_WORDS);
        element(one, "i", NULL);
    }
}

static void add_layers(xmlNode *parent, const struct sheet_winding *s, int limb, double box)
{
    size_t count = 0, shown = 0;
    for (size_t i = 0; i < s->layer_count; i++)
        count += s->layers[i].limb == limb;
    if (!count)
        return;
    char heading[40];
    snprintf(heading, sizeof heading, "Limb %c", 'A' + limb - 1);
    xmlNode *part = section(parent, NULL, heading);
    xmlNode *table = element(part, "table", "layers");
    xmlNode *head = element(element(table, "thead", NULL), "tr", NULL);
    const char *const headings[] = {s->row_name ? s->row_name : "Layer", "Turns", "In all", "Tally",
                                    "Counted"};
    for (int i = 0; i < 5; i++) {
        xmlNode *th = style_element(head, "th", i < 3 ? "figure" : NULL, headings[i]);
        style_attribute(th, "scope", "col");
    }
    xmlNode *body = element(table, "tbody", NULL);
    for (size_t i = 0; i < s->layer_count && shown < LIMB_ROWS; i++) {
        const struct sheet_layer *layer = &s->layers[i];
        if (layer->limb != limb)
            continue;
        shown++;
        xmlNode *row = element(body, "tr", NULL);
        wordsf(row, "td", "figure", "%d", layer->layer);
        wordsf(row, "td", "figure", "%.0f", layer->turns);
        wordsf(row, "td", "figure", "%.0f", layer->total);
        xmlNode *tally = element(row, "td", "tally");
        int boxes = (int)ceil(layer->turns / box - 1e-9);
        for (int k = 0; k < boxes && k < 10; k++)
            element(tally, "i", NULL);
        element(row, "td", "write");
    }
    and_more(part, "p", count, shown, "rows, not on this sheet");
}

bool sheet_winding_html(const struct sheet_winding *s, char **out, size_t *size,
                        struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (!s->coil || !*s->coil)
        return report_error_set(error, "a winding sheet needs the name of its coil");
    double most = 0;
    size_t rows[2] = {0, 0};
    for (size_t i = 0; i < s->layer_count; i++) {
        const struct sheet_layer *layer = &s->layers[i];
        if (layer->limb < 1 || layer->limb > 2 || !(layer->turns >= 0 && layer->turns <= 1e7) ||
            !(layer->total >= 0 && layer->total <= 1e9))
            return report_error_set(error,
                                    "layer %zu of a winding sheet needs limb 1 or 2 and a number "
                                    "of turns",
                                    i + 1);
        most = fmax(most, layer->turns);
        rows[layer->limb - 1]++;
    }
    double box = box_of(most);
    size_t longest = least(rows[0] > rows[1] ? rows[0] : rows[1], LIMB_ROWS);
    bool figure = s->figure != NULL && longest <= 24, tight = false;
    double letters = longest > 30 ? 8 : 9.2;
    double left = PAGE_HEIGHT - SPARE - height_round_layers(s, letters);
    double row = (left - (figure ? 40 : 0)) / (double)(longest + 2);
    if (row < ROW_LEAST) { /* all that is not a layer gets one line */
        tight = true;
        row = (PAGE_HEIGHT - 95 - (s->weighing_count ? 8 : 0)) / (double)(longest + 2);
    }
    row = fmax(ROW_LEAST, fmin(row, ROW_MOST));
    char more[sizeof winding_css + 400];
    snprintf(more, sizeof more, "%s:root{--row:%.1fmm}%s", winding_css, row,
             tight ? ".top div:first-child p,h1,li,dt,dd{white-space:nowrap;overflow:hidden;"
                     "text-overflow:ellipsis}.top div:first-child,.two section{min-width:0}"
                     ".top div:last-child{flex:none}"
                   : "");
    char *css = css_of(letters, fmin(95, left - (double)(longest + 2) * row), more);
    xmlNode *leaf;
    xmlDoc *doc = page(s->coil, "winding sheet", css, &leaf);
    free(css);
    if (!leaf) {
        xmlFreeDoc(doc);
        return report_error_set(error, "no memory for a winding sheet");
    }
    xmlNode *right = top(leaf, s->coil, s->purpose);
    style_element(right, "p", NULL, "Winding sheet");
    style_element(right, "p", "soft", "Wound by ______________  on ____________");
    xmlNode *result = element(leaf, "section", "result");
    if (box == 1)
        style_element(result, "p", NULL, "Tick one box for every turn.");
    else
        wordsf(result, "p", NULL,
               "Tick one box for every %.0f turns, the last box for what is left.", box);
    xmlNode *two = element(leaf, "div", "two");
    add_layers(two, s, 1, box);
    add_layers(two, s, 2, box);
    add_weighings(leaf, s);
    xmlNode *grid;
    bool good = !figure || add_figures(leaf, s->figure, 1, false, &grid, error);
    if (good) {
        xmlNode *last = element(leaf, "div", "two");
        add_facts(last, s->facts, s->fact_count, WINDING_FACTS, "As designed");
        add_cautions(last, s->cautions, s->caution_count, WINDING_CAUTIONS, WINDING_WORDS);
        add_footer(leaf, s->version, s->digest);
        good = style_html(doc, out, size, error);
    }
    xmlFreeDoc(doc);
    return good;
}
