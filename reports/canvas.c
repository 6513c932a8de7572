#include "reports/canvas.h"

#include "reports/style.h"
#include "reports/text.h"
#include <libxml/parser.h>
#include <libxml/tree.h>
#include <math.h>
#include <plot.h>
#include <png.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#if defined(__SANITIZE_ADDRESS__)
#define LEAKS_WATCHED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define LEAKS_WATCHED 1
#endif
#endif
#ifdef LEAKS_WATCHED
#include <sanitizer/lsan_interface.h>
#endif

/* PNG is drawn this many times larger and reduced: libplot itself draws no smooth edges. */
#define OVERSAMPLE 3
/* Helvetica's widths times this cover DejaVu Sans and Verdana, the widest usual sans-serifs. */
#define WIDEST      1.19
#define WIDEST_BOLD 1.30
#define ASCENT      0.80
#define DESCENT     0.24
#define TEXT_MAX    400
#define HALO        3.0

struct label {
    char *text;
    double x, y, size;
    enum canvas_anchor anchor;
    enum canvas_ink ink;
    bool bold, halo;
};

struct canvas {
    enum canvas_format format;
    double width, height;
    int pixels;
    plPlotterParams *parameters;
    plPlotter *plotter;
    FILE *stream, *nothing;
    char *bytes;
    size_t size;
    struct label *label;
    size_t labels, label_room;
    struct canvas_box *box; /* of labels and of kept places */
    bool *box_is_label;
    size_t boxes, box_room;
    bool broken;
};

/* Light and dark colour of each ink. Series colours were found by search: the least distance (CIE
 * Lab) between any two is above 33 in normal sight and as seen with no red, green or blue cones
 * (model of Machado, Oliveira and Fernandes, 2009), with a contrast of 4.6 (light) and 5.5 (dark)
 * to the paper. No two inks of the light column are alike: SVG is read back by them. */
static const struct {
    const char *name;
    unsigned light, dark;
} inks[CANVAS_INKS] = {
    [CANVAS_INK] = {"ink", 0x1B2126, 0xE8ECEE},
    [CANVAS_PAPER] = {"paper", 0xFFFFFE, 0x16191C},
    [CANVAS_SOFT] = {"soft", 0x566068, 0xA9B3BA},
    [CANVAS_GRID] = {"grid", 0xDBE0E3, 0x343B41},
    [CANVAS_IRON] = {"iron", 0xB4BBC1, 0x59636B},
    [CANVAS_COPPER] = {"copper", 0xE3B58F, 0x8A5A36},
    [CANVAS_SERIES_0 + 0] = {"s0", 0x0917A5, 0x8680FF},
    [CANVAS_SERIES_0 + 1] = {"s1", 0xBB5901, 0xE17749},
    [CANVAS_SERIES_0 + 2] = {"s2", 0x048469, 0x30FFAD},
    [CANVAS_SERIES_0 + 3] = {"s3", 0x9360B0, 0xAB82BD},
    [CANVAS_SERIES_0 + 4] = {"s4", 0x562301, 0xFFEF13},
    [CANVAS_SERIES_0 + 5] = {"s5", 0x120014, 0xC7F2FF},
    [CANVAS_TINT_0 + 0] = {"t0", 0xCFD2F0, 0x2C2D56},
    [CANVAS_TINT_0 + 1] = {"t1", 0xF5DFCB, 0x4A2F24},
    [CANVAS_TINT_0 + 2] = {"t2", 0xCBE6E0, 0x1B4A3A},
    [CANVAS_TINT_0 + 3] = {"t3", 0xE9DFF0, 0x3E3346},
    [CANVAS_TINT_0 + 4] = {"t4", 0xDDD2CB, 0x4B471A},
    [CANVAS_TINT_0 + 5] = {"t5", 0xD0CBD1, 0x38444A},
};

unsigned canvas_ink_colour(enum canvas_ink ink, bool dark)
{
    unsigned i = (unsigned)ink < CANVAS_INKS ? (unsigned)ink : 0;
    return dark ? inks[i].dark : inks[i].light;
}

const char *canvas_ink_name(enum canvas_ink ink)
{
    return inks[(unsigned)ink < CANVAS_INKS ? (unsigned)ink : 0].name;
}

/* ---- libplot ---- */

static plPlotter *new_plotter(const char *type, FILE *in, FILE *out, plPlotterParams *parameters)
{
    /* libplot 4.4 never frees its copies of the parameter strings and its table of colour names
     * (about 130 bytes a plotter, seen under valgrind in a ten-line program of its own). */
#ifdef LEAKS_WATCHED
    __lsan_disable();
#endif
    plPlotter *plotter = pl_newpl_r(type, in, out, out, parameters);
#ifdef LEAKS_WATCHED
    __lsan_enable();
#endif
    return plotter;
}

static int close_page(plPlotter *plotter)
{
    /* Its PNG writer never frees libpng's information about the picture, either. */
#ifdef LEAKS_WATCHED
    __lsan_disable();
#endif
    int result = pl_closepl_r(plotter);
#ifdef LEAKS_WATCHED
    __lsan_enable();
#endif
    return result;
}

static void set_parameter(plPlotterParams *parameters, const char *name, char *value)
{
    pl_setplparam(parameters, name, value);
}

static bool is_svg(const struct canvas *canvas)
{
    return canvas->format == CANVAS_SVG || canvas->format == CANVAS_SVG_INLINE;
}

struct canvas *canvas_new(enum canvas_format format, double width, double height, int pixels,
                          struct report_error *error)
{
    if (!(width >= 50 && width <= 2000 && height >= 50 && height <= 2000)) {
        report_error_set(error, "a drawing of %g by %g points is out of range: give 50 to 2000",
                         width, height);
        return NULL;
    }
    if (!pixels)
        pixels = (int)(2 * width < 4000 ? 2 * width : 4000);
    if (pixels < 50 || pixels > 4000) {
        report_error_set(error, "a PNG %d pixels wide is out of range: give 50 to 4000", pixels);
        return NULL;
    }
    double tall = pixels * height / width;
    if (format == CANVAS_PNG && (tall < 10 || tall > 4000)) {
        report_error_set(error, "a PNG of %d by %.0f pixels is out of range: at most 4000 a side",
                         pixels, tall);
        return NULL;
    }
    struct canvas *canvas = calloc(1, sizeof *canvas);
    if (!canvas)
        goto no_memory;
    canvas->format = format;
    canvas->width = width;
    canvas->height = height;
    canvas->pixels = pixels;
    canvas->parameters = pl_newplparams();
    canvas->stream = open_memstream(&canvas->bytes, &canvas->size);
    canvas->nothing = fopen("/dev/null", "r");
    if (!canvas->parameters || !canvas->stream || !canvas->nothing)
        goto no_memory;
    char page[96], bitmap[48], colour[] = "#fffffe";
    snprintf(page, sizeof page, "a4,xsize=%.4fin,ysize=%.4fin", width / 72, height / 72);
    snprintf(bitmap, sizeof bitmap, "%dx%d", pixels * OVERSAMPLE, (int)lround(tall) * OVERSAMPLE);
    set_parameter(canvas->parameters, "PAGESIZE", page);
    set_parameter(canvas->parameters, "BITMAPSIZE", bitmap);
    set_parameter(canvas->parameters, "BG_COLOR", colour);
    canvas->plotter = new_plotter(format == CANVAS_PNG  ? "png"
                                  : format == CANVAS_PS ? "ps"
                                                        : "svg",
                                  canvas->nothing, canvas->stream, canvas->parameters);
    if (!canvas->plotter || pl_openpl_r(canvas->plotter) < 0)
        goto no_memory;
    pl_fspace_r(canvas->plotter, 0, 0, width, height);
    pl_capmod_r(canvas->plotter, "round");
    pl_joinmod_r(canvas->plotter, "round");
    return canvas;
no_memory:
    canvas_free(canvas);
    report_error_set(error, "no memory for a drawing");
    return NULL;
}

void canvas_free(struct canvas *canvas)
{
    if (!canvas)
        return;
    if (canvas->plotter)
        pl_deletepl_r(canvas->plotter);
    if (canvas->parameters)
        pl_deleteplparams(canvas->parameters);
    if (canvas->stream)
        fclose(canvas->stream);
    if (canvas->nothing)
        fclose(canvas->nothing);
    free(canvas->bytes);
    for (size_t i = 0; i < canvas->labels; i++)
        free(canvas->label[i].text);
    free(canvas->label);
    free(canvas->box);
    free(canvas->box_is_label);
    free(canvas);
}

static void colour_of(enum canvas_ink ink, int *r, int *g, int *b)
{
    unsigned c = canvas_ink_colour(ink, false);
    *r = (int)(c >> 16 & 0xFF) * 0x101;
    *g = (int)(c >> 8 & 0xFF) * 0x101;
    *b = (int)(c & 0xFF) * 0x101;
}

static void pen(struct canvas *canvas, enum canvas_ink ink, double width, double dash)
{
    int r, g, b;
    colour_of(ink, &r, &g, &b);
    pl_pencolor_r(canvas->plotter, r, g, b);
    pl_pentype_r(canvas->plotter, 1);
    pl_filltype_r(canvas->plotter, 0);
    pl_flinewidth_r(canvas->plotter, width);
    if (dash > 0) {
        double pattern[2] = {dash, dash};
        pl_flinedash_r(canvas->plotter, 2, pattern, 0);
    } else {
        pl_linemod_r(canvas->plotter, "solid");
    }
}

static void brush(struct canvas *canvas, enum canvas_ink ink)
{
    int r, g, b;
    colour_of(ink, &r, &g, &b);
    pl_fillcolor_r(canvas->plotter, r, g, b);
    pl_pencolor_r(canvas->plotter, r, g, b);
    pl_pentype_r(canvas->plotter, 0);
    pl_filltype_r(canvas->plotter, 1);
}

void canvas_polyline(struct canvas *canvas, size_t n, const double *x, const double *y,
                     enum canvas_ink ink, double width, double dash)
{
    if (canvas->broken || n < 2)
        return;
    pen(canvas, ink, width, dash);
    pl_fmove_r(canvas->plotter, x[0], y[0]);
    for (size_t i = 1; i < n; i++)
        pl_fcont_r(canvas->plotter, x[i], y[i]);
    pl_endpath_r(canvas->plotter);
}

void canvas_line(struct canvas *canvas, double x0, double y0, double x1, double y1,
                 enum canvas_ink ink, double width, double dash)
{
    const double x[] = {x0, x1}, y[] = {y0, y1};
    canvas_polyline(canvas, 2, x, y, ink, width, dash);
}

void canvas_area(struct canvas *canvas, size_t n, const double *x, const double *y,
                 enum canvas_ink ink)
{
    if (canvas->broken || n < 3)
        return;
    brush(canvas, ink);
    pl_fmove_r(canvas->plotter, x[0], y[0]);
    for (size_t i = 1; i < n; i++)
        pl_fcont_r(canvas->plotter, x[i], y[i]);
    pl_closepath_r(canvas->plotter);
}

void canvas_rectangle(struct canvas *canvas, struct canvas_box box, enum canvas_ink fill)
{
    if (canvas->broken)
        return;
    brush(canvas, fill);
    pl_fbox_r(canvas->plotter, box.x0, box.y0, box.x1, box.y1);
    pl_endpath_r(canvas->plotter);
}

void canvas_outline(struct canvas *canvas, struct canvas_box box, enum canvas_ink ink, double width)
{
    const double x[] = {box.x0, box.x1, box.x1, box.x0, box.x0};
    const double y[] = {box.y0, box.y0, box.y1, box.y1, box.y0};
    canvas_polyline(canvas, 5, x, y, ink, width, 0);
}

void canvas_mark(struct canvas *canvas, double x, double y, enum canvas_shape shape, double size,
                 enum canvas_ink ink)
{
    if (canvas->broken)
        return;
    double h = size / 2, s = h * 0.89;
    switch (shape) {
    case CANVAS_CIRCLE:
        brush(canvas, ink);
        pl_fcircle_r(canvas->plotter, x, y, h);
        break;
    case CANVAS_RING:
        pen(canvas, ink, size * 0.2, 0);
        pl_fcircle_r(canvas->plotter, x, y, h * 0.85);
        break;
    case CANVAS_SQUARE: {
        struct canvas_box box = {x - s, y - s, x + s, y + s};
        canvas_rectangle(canvas, box, ink);
        break;
    }
    case CANVAS_TRIANGLE: {
        const double px[] = {x - h * 1.1, x + h * 1.1, x};
        const double py[] = {y - h * 0.8, y - h * 0.8, y + h * 1.2};
        canvas_area(canvas, 3, px, py, ink);
        break;
    }
    case CANVAS_WEDGE: {
        const double px[] = {x - h * 1.1, x + h * 1.1, x};
        const double py[] = {y + h * 0.8, y + h * 0.8, y - h * 1.2};
        canvas_area(canvas, 3, px, py, ink);
        break;
    }
    case CANVAS_DIAMOND: {
        const double px[] = {x - h * 1.15, x, x + h * 1.15, x};
        const double py[] = {y, y - h * 1.15, y, y + h * 1.15};
        canvas_area(canvas, 4, px, py, ink);
        break;
    }
    case CANVAS_CROSS:
        canvas_line(canvas, x - s, y - s, x + s, y + s, ink, size * 0.26, 0);
        canvas_line(canvas, x - s, y + s, x + s, y - s, ink, size * 0.26, 0);
        break;
    case CANVAS_PLUS:
    case CANVAS_SHAPES:
        canvas_line(canvas, x - h, y, x + h, y, ink, size * 0.26, 0);
        canvas_line(canvas, x, y - h, x, y + h, ink, size * 0.26, 0);
        break;
    }
}

void canvas_arrow(struct canvas *canvas, double x0, double y0, double x1, double y1,
                  enum canvas_ink ink, double width)
{
    double length = hypot(x1 - x0, y1 - y0);
    if (canvas->broken || !(length > 0))
        return;
    double head = fmin(4 + 2 * width, length), ux = (x1 - x0) / length, uy = (y1 - y0) / length;
    double bx = x1 - head * ux, by = y1 - head * uy;
    if (length > head)
        canvas_line(canvas, x0, y0, bx, by, ink, width, 0);
    const double px[] = {x1, bx - uy * head * 0.42, bx + uy * head * 0.42};
    const double py[] = {y1, by + ux * head * 0.42, by - ux * head * 0.42};
    canvas_area(canvas, 3, px, py, ink);
}

/* ---- labels ---- */

/* libplot's own way of writing characters outside ASCII: ISO 8859-1 bytes, and escapes for Greek
 * and a few signs. PNG and PostScript can show no others; those become '?'. */
static void to_libplot(const char *text, char *out, size_t size)
{
    static const struct {
        uint32_t c;
        const char *as;
    } known[] = {{0x2126, "\\*W"}, {0x2212, "-"},    {0x2013, "-"},    {0x2014, "-"},
                 {0x2026, "..."},  {0x2018, "'"},    {0x2019, "'"},    {0x201C, "\""},
                 {0x201D, "\""},   {0x03BC, "\xB5"}, {0x2192, "\\->"}, {0x2190, "\\<-"},
                 {0x2264, "\\<="}, {0x2265, "\\>="}, {0x2248, "\\~~"}, {0x2070, "0"},
                 {0x2009, " "},    {0x202F, " "},    {0x5C, "/"}};
    /* Letters of libplot for U+0391..U+03A9 and U+03B1..U+03C9. */
    static const char greek[] = "abgdezyhiklmncoprQstufxqw";
    size_t n = 0;
    for (uint32_t c; (c = text_next(&text)) && n + 8 < size;) {
        const char *as = NULL;
        for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
            if (known[i].c == c)
                as = known[i].as;
        if (as) {
            n += (size_t)snprintf(out + n, size - n, "%s", as);
        } else if (c >= 0x391 && c <= 0x3A9 && c != 0x3A2) {
            n += (size_t)snprintf(out + n, size - n, "\\*%c", greek[c - 0x391] - 'a' + 'A');
        } else if (c >= 0x3B1 && c <= 0x3C9 && c != 0x3C2) {
            n += (size_t)snprintf(out + n, size - n, "\\*%c", greek[c - 0x3B1]);
        } else {
            out[n++] = c < 0x7F || (c >= 0xA0 && c <= 0xFF) ? (char)c : '?';
        }
    }
    out[n] = '\0';
}

static void font(struct canvas *canvas, double size, bool bold)
{
    pl_fontname_r(canvas->plotter, canvas->format == CANVAS_PNG
                                       ? (bold ? "HersheySans-Bold" : "HersheySans")
                                       : (bold ? "Helvetica-Bold" : "Helvetica"));
    pl_ffontsize_r(canvas->plotter, size);
}

static double text_width(struct canvas *canvas, const char *text, double size, bool bold)
{
    /* Characters Helvetica has no width for count as a full square: never too narrow. */
    double wide = 0;
    char latin[TEXT_MAX + 1];
    size_t n = 0;
    for (uint32_t c; (c = text_next(&text)) && n < TEXT_MAX;) {
        if (c < 0x7F || (c >= 0xA0 && c <= 0xFF))
            latin[n++] = c == '\\' ? '/' : (char)c;
        else if ((c >= 0x370 && c < 0x400) || c == 0x2126 || (c >= 0x2010 && c < 0x2080))
            wide += 0.72;
        else
            wide += 1.05;
    }
    latin[n] = '\0';
    font(canvas, size, bold);
    double width = pl_flabelwidth_r(canvas->plotter, latin);
    if (is_svg(canvas))
        width *= bold ? WIDEST_BOLD : WIDEST;
    return width + wide * size;
}

struct canvas_box canvas_text_box(struct canvas *canvas, double x, double y,
                                  enum canvas_anchor anchor, double size, bool bold,
                                  const char *text)
{
    double width = text_width(canvas, text, size, bold);
    double x0 = anchor == CANVAS_START ? x : anchor == CANVAS_MIDDLE ? x - width / 2 : x - width;
    return (struct canvas_box){x0, y - DESCENT * size, x0 + width, y + ASCENT * size};
}

static bool meet(struct canvas_box a, struct canvas_box b)
{
    return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;
}

bool canvas_clear(const struct canvas *canvas, struct canvas_box box)
{
    if (box.x0 < 0 || box.y0 < 0 || box.x1 > canvas->width || box.y1 > canvas->height)
        return false;
    for (size_t i = 0; i < canvas->boxes; i++)
        if (meet(canvas->box[i], box))
            return false;
    return true;
}

static bool add_box(struct canvas *canvas, struct canvas_box box, bool label)
{
    if (canvas->boxes == canvas->box_room) {
        size_t room = canvas->box_room ? 2 * canvas->box_room : 64;
        struct canvas_box *boxes = realloc(canvas->box, room * sizeof *boxes);
        if (boxes)
            canvas->box = boxes;
        bool *is_label = realloc(canvas->box_is_label, room * sizeof *is_label);
        if (is_label)
            canvas->box_is_label = is_label;
        if (!boxes || !is_label) {
            canvas->broken = true;
            return false;
        }
        canvas->box_room = room;
    }
    canvas->box_is_label[canvas->boxes] = label;
    canvas->box[canvas->boxes++] = box;
    return true;
}

void canvas_keep(struct canvas *canvas, struct canvas_box box)
{
    add_box(canvas, box, false);
}

/* Draws a label with libplot's own letters, or in SVG as a number that is replaced afterwards. */
static void draw_label(struct canvas *canvas, const struct label *label, struct canvas_box box)
{
    plPlotter *plotter = canvas->plotter;
    char text[TEXT_MAX * 4 + 8];
    int side = label->anchor == CANVAS_START ? 'l' : label->anchor == CANVAS_MIDDLE ? 'c' : 'r';
    if (is_svg(canvas)) {
        snprintf(text, sizeof text, "%zu", canvas->labels - 1);
        pen(canvas, label->ink, 1, 0);
        font(canvas, label->size, label->bold);
        pl_fmove_r(plotter, label->x, label->y);
        pl_alabel_r(plotter, 'l', 'x', text);
        return;
    }
    if (label->halo) {
        struct canvas_box under = {box.x0 - 1, box.y0, box.x1 + 1, box.y1};
        canvas_rectangle(canvas, under, CANVAS_PAPER);
    }
    to_libplot(label->text, text, sizeof text);
    pen(canvas, label->ink, 0.5, 0);
    font(canvas, label->size, label->bold);
    if (canvas->format == CANVAS_PS) {
        pl_fmove_r(plotter, label->x, label->y);
        pl_alabel_r(plotter, side, 'x', text);
        return;
    }
    /* Hershey letters are lines one pixel thin however large the bitmap: a few strokes side by
     * side make them as thick as they should be. */
    double pixel = canvas->width / canvas->pixels / OVERSAMPLE;
    double thick = label->size * (label->bold ? 0.105 : 0.085);
    int steps = (int)ceil(thick / pixel);
    steps = steps < 1 ? 1 : steps > 24 ? 24 : steps;
    for (int i = 0; i < steps; i++) {
        for (int j = 0; j < steps; j++) {
            double dx = (i - (steps - 1) / 2.0) * pixel, dy = (j - (steps - 1) / 2.0) * pixel;
            if (hypot(dx, dy) > thick / 2 + pixel / 4)
                continue;
            pl_fmove_r(plotter, label->x + dx, label->y + dy);
            pl_alabel_r(plotter, side, 'x', text);
        }
    }
}

bool canvas_text(struct canvas *canvas, double x, double y, enum canvas_anchor anchor, double size,
                 bool bold, bool halo, enum canvas_ink ink, const char *text)
{
    if (canvas->broken || !text || !text[0])
        return false;
    char *clean = text_clean(text, TEXT_MAX);
    if (!clean) {
        canvas->broken = true;
        return false;
    }
    struct canvas_box box = canvas_text_box(canvas, x, y, anchor, size, bold, clean);
    if (!canvas_clear(canvas, box)) {
        free(clean);
        return false;
    }
    if (canvas->labels == canvas->label_room) {
        size_t room = canvas->label_room ? 2 * canvas->label_room : 64;
        struct label *label = realloc(canvas->label, room * sizeof *label);
        if (!label) {
            free(clean);
            canvas->broken = true;
            return false;
        }
        canvas->label = label;
        canvas->label_room = room;
    }
    struct label label = {clean, x, y, size, anchor, ink, bold, halo};
    canvas->label[canvas->labels++] = label;
    if (!add_box(canvas, box, true))
        return false;
    draw_label(canvas, &label, box);
    return true;
}

bool canvas_text_fit(struct canvas *canvas, double x, double y, enum canvas_anchor anchor,
                     double size, bool bold, bool halo, enum canvas_ink ink, const char *text,
                     double room)
{
    if (canvas->broken || !text || !text[0])
        return false;
    char *clean = text_clean(text, TEXT_MAX);
    if (!clean) {
        canvas->broken = true;
        return false;
    }
    bool written = false;
    if (text_width(canvas, clean, size, bold) <= room) {
        written = canvas_text(canvas, x, y, anchor, size, bold, halo, ink, clean);
    } else {
        size_t low = 1, high = 0; /* the most characters that fit, by halving */
        for (const char *p = clean; text_next(&p);)
            high++;
        while (low < high) {
            size_t middle = (low + high + 1) / 2;
            char *cut = text_clean(clean, middle);
            bool fits = cut && text_width(canvas, cut, size, bold) <= room;
            free(cut);
            if (fits)
                low = middle;
            else
                high = middle - 1;
        }
        char *cut = low > 1 ? text_clean(clean, low) : NULL;
        if (cut)
            written = canvas_text(canvas, x, y, anchor, size, bold, halo, ink, cut);
        free(cut);
    }
    free(clean);
    return written;
}

size_t canvas_labels(const struct canvas *canvas)
{
    return canvas->labels;
}

size_t canvas_overlaps(const struct canvas *canvas)
{
    size_t count = 0;
    for (size_t i = 0; i < canvas->boxes; i++)
        for (size_t j = i + 1; j < canvas->boxes; j++)
            count += canvas->box_is_label[i] && canvas->box_is_label[j] &&
                     meet(canvas->box[i], canvas->box[j]);
    return count;
}

/* ---- SVG ---- */

static bool set(xmlNode *node, const char *name, const char *value)
{
    return xmlSetProp(node, (const xmlChar *)name, (const xmlChar *)value) != NULL;
}

static bool setf(xmlNode *node, const char *name, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static bool setf(xmlNode *node, const char *name, const char *format, ...)
{
    char value[160];
    va_list list;
    va_start(list, format);
    vsnprintf(value, sizeof value, format, list);
    va_end(list);
    return set(node, name, value);
}

static int ink_of(const xmlChar *colour)
{
    unsigned value = 0;
    if (colour && colour[0] == '#' && strlen((const char *)colour) == 7)
        value = (unsigned)strtoul((const char *)colour + 1, NULL, 16);
    else
        return -1;
    for (int i = 0; i < CANVAS_INKS; i++)
        if (inks[i].light == value)
            return i;
    return -1;
}

/* Gives an element classes for its colours, so that a style sheet can swap them in the dark. */
static bool add_classes(xmlNode *node)
{
    char classes[64];
    size_t n = 0;
    static const char *const attributes[] = {"stroke", "fill"};
    for (int i = 0; i < 2; i++) {
        xmlChar *colour = xmlGetProp(node, (const xmlChar *)attributes[i]);
        int ink = ink_of(colour);
        if (ink >= 0)
            n += (size_t)snprintf(classes + n, sizeof classes - n, "%s%c-%s", n ? " " : "",
                                  attributes[i][0], inks[ink].name);
        xmlFree(colour);
    }
    return !n || set(node, "class", classes);
}

static bool write_label(xmlNode *node, const struct label *label)
{
    static const char *const anchors[] = {"start", "middle", "end"};
    static const char *const dead[] = {"font-family", "stroke", "font-weight", "fill"};
    for (size_t i = 0; i < sizeof dead / sizeof dead[0]; i++)
        xmlUnsetProp(node, (const xmlChar *)dead[i]);
    xmlNodeSetContent(node, NULL);
    xmlNode *text = xmlNewDocText(node->doc, (const xmlChar *)label->text);
    if (!text || !xmlAddChild(node, text)) {
        xmlFreeNode(text);
        return false;
    }
    unsigned colour = inks[label->ink].light;
    return setf(node, "transform", "translate(%.2f,%.2f) scale(1,-1)", label->x, label->y) &&
           setf(node, "font-size", "%.4g", label->size) &&
           set(node, "text-anchor", anchors[label->anchor]) &&
           (!label->bold || set(node, "font-weight", "bold")) &&
           setf(node, "fill", "#%06x", colour) && set(node, "stroke", "none") &&
           (!label->halo ||
            (setf(node, "stroke-width", "%g", HALO) && set(node, "paint-order", "stroke") &&
             setf(node, "stroke", "#%06x", inks[CANVAS_PAPER].light)));
}

static bool rewrite(struct canvas *canvas, xmlNode *node)
{
    for (xmlNode *next; node; node = next) {
        next = node->next;
        if (node->type != XML_ELEMENT_NODE) {
            xmlUnlinkNode(node);
            xmlFreeNode(node);
            continue;
        }
        if (!strcmp((const char *)node->name, "text")) {
            xmlChar *number = xmlNodeGetContent(node);
            size_t i = number ? strtoul((const char *)number, NULL, 10) : canvas->labels;
            xmlFree(number);
            if (i >= canvas->labels || !write_label(node, &canvas->label[i]))
                return false;
        }
        if (!add_classes(node))
            return false;
    }
    return true;
}

static bool finish_svg(struct canvas *canvas, const char *title, const char *description)
{
    bool done = false;
    xmlDoc *doc =
        xmlReadMemory(canvas->bytes, (int)canvas->size, "drawing.svg", NULL,
                      XML_PARSE_NONET | XML_PARSE_NOERROR | XML_PARSE_NOWARNING | XML_PARSE_HUGE);
    xmlNode *root = doc ? xmlDocGetRootElement(doc) : NULL, *content = NULL;
    char *clean_title = text_clean(title, 300), *clean_text = text_clean(description, 2000);
    if (!root || !clean_title || !clean_text)
        goto out;
    for (xmlNode *node = root->children, *next; node; node = next) {
        next = node->next;
        if (node->type == XML_ELEMENT_NODE && !strcmp((const char *)node->name, "g")) {
            content = node;
        } else {
            xmlUnlinkNode(node);
            xmlFreeNode(node);
        }
    }
    if (!content)
        goto out;
    while (root->properties)
        xmlRemoveProp(root->properties);
    while (content->properties)
        xmlRemoveProp(content->properties);
    /* libplot declares name spaces that nothing uses. */
    for (xmlNs *ns = root->nsDef; ns && ns->next;) {
        if (ns->next->prefix) {
            xmlNs *unused = ns->next;
            ns->next = unused->next;
            xmlFreeNs(unused);
        } else {
            ns = ns->next;
        }
    }
    bool good = setf(root, "viewBox", "0 0 %.6g %.6g", canvas->width, canvas->height) &&
                set(root, "preserveAspectRatio", "xMinYMid meet") && set(root, "role", "img") &&
                set(root, "aria-label", clean_title) && set(root, "class", "drawing") &&
                set(root, "font-family", "Helvetica, Arial, sans-serif");
    if (canvas->format == CANVAS_SVG)
        good = good && setf(root, "width", "%.6g", canvas->width) &&
               setf(root, "height", "%.6g", canvas->height);
    good = good && setf(content, "transform", "translate(0,%.6g) scale(1,-1)", canvas->height) &&
           set(content, "fill", "none") && set(content, "stroke-linecap", "round") &&
           set(content, "stroke-linejoin", "round") && rewrite(canvas, content->children);
    xmlNode *first = content;
    const char *const parts[] = {"title", "desc"};
    const char *const texts[] = {clean_title, clean_text};
    for (int i = 0; good && i < 2; i++) {
        if (!texts[i][0])
            continue;
        xmlNode *node =
            xmlNewTextChild(root, root->ns, (const xmlChar *)parts[i], (const xmlChar *)texts[i]);
        good = node && xmlAddPrevSibling(first, node);
    }
    if (good && canvas->format == CANVAS_SVG) {
        char *css = style_svg_css();
        xmlNode *style =
            css ? xmlNewTextChild(root, root->ns, (const xmlChar *)"style", (const xmlChar *)css)
                : NULL;
        good = style && xmlAddPrevSibling(first, style);
        free(css);
        xmlNode *paper = good ? xmlNewChild(root, root->ns, (const xmlChar *)"rect", NULL) : NULL;
        good = paper && setf(paper, "width", "%.6g", canvas->width) &&
               setf(paper, "height", "%.6g", canvas->height) &&
               setf(paper, "fill", "#%06x", inks[CANVAS_PAPER].light) && add_classes(paper) &&
               xmlAddPrevSibling(first, paper);
    }
    if (!good)
        goto out;
    xmlDtd *dtd = xmlGetIntSubset(doc);
    if (dtd) {
        xmlUnlinkNode((xmlNode *)dtd);
        xmlFreeDtd(dtd);
    }
    xmlChar *text = NULL;
    int length = 0;
    if (canvas->format == CANVAS_SVG) {
        doc->standalone = -1;
        xmlDocDumpMemoryEnc(doc, &text, &length, "UTF-8");
    } else {
        xmlBuffer *buffer = xmlBufferCreate();
        if (buffer && xmlNodeDump(buffer, doc, root, 0, 0) >= 0) {
            length = xmlBufferLength(buffer);
            text = xmlBufferDetach(buffer);
        }
        xmlBufferFree(buffer);
    }
    if (text) {
        char *copy = malloc((size_t)length + 1);
        if (copy) {
            memcpy(copy, text, (size_t)length);
            copy[length] = '\0';
            free(canvas->bytes);
            canvas->bytes = copy;
            canvas->size = (size_t)length;
            done = true;
        }
        xmlFree(text);
    }
out:
    free(clean_title);
    free(clean_text);
    xmlFreeDoc(doc);
    return done;
}

/* ---- PNG and PostScript ---- */

static bool finish_png(struct canvas *canvas)
{
    png_image image = {.version = PNG_IMAGE_VERSION};
    png_uint_16p large = NULL, small = NULL;
    char *out = NULL;
    bool done = false;
    if (!png_image_begin_read_from_memory(&image, canvas->bytes, canvas->size))
        goto end;
    /* Averages are taken in linear light, as the eye takes them. */
    image.format = PNG_FORMAT_LINEAR_Y | PNG_FORMAT_FLAG_COLOR;
    size_t width = image.width / OVERSAMPLE, height = image.height / OVERSAMPLE;
    size_t row = (size_t)image.width * 3;
    large = malloc(PNG_IMAGE_SIZE(image));
    small = malloc(width * height * 3 * sizeof *small);
    if (!width || !height || !large || !small ||
        !png_image_finish_read(&image, NULL, large, 0, NULL))
        goto end;
    for (size_t y = 0; y < height; y++) {
        for (size_t i = 0; i < width * 3; i++) {
            size_t x = i / 3, k = i % 3;
            uint32_t sum = 0;
            for (size_t dy = 0; dy < OVERSAMPLE; dy++)
                for (size_t dx = 0; dx < OVERSAMPLE; dx++)
                    sum += large[(y * OVERSAMPLE + dy) * row + (x * OVERSAMPLE + dx) * 3 + k];
            small[y * width * 3 + i] = (png_uint_16)(sum / (OVERSAMPLE * OVERSAMPLE));
        }
    }
    png_image result = {.version = PNG_IMAGE_VERSION,
                        .width = (png_uint_32)width,
                        .height = (png_uint_32)height,
                        .format = PNG_FORMAT_LINEAR_Y | PNG_FORMAT_FLAG_COLOR};
    png_alloc_size_t length = 0;
    if (png_image_write_to_memory(&result, NULL, &length, 1, small, 0, NULL) &&
        (out = malloc(length + 1)) &&
        png_image_write_to_memory(&result, out, &length, 1, small, 0, NULL)) {
        out[length] = '\0';
        free(canvas->bytes);
        canvas->bytes = out;
        canvas->size = length;
        out = NULL;
        done = true;
    }
    png_image_free(&result);
end:
    png_image_free(&image);
    free(large);
    free(small);
    free(out);
    return done;
}

/* The same drawing is to give the same bytes: the date of drawing goes. The title comes in. */
static bool finish_ps(struct canvas *canvas, const char *title)
{
    char *clean = text_clean(title, 100);
    char *out = NULL;
    size_t size = 0;
    FILE *stream = open_memstream(&out, &size);
    if (clean && stream) {
        bool header = true;
        for (const char *p = canvas->bytes; p < canvas->bytes + canvas->size;) {
            const char *end = memchr(p, '\n', (size_t)(canvas->bytes + canvas->size - p));
            size_t n = end ? (size_t)(end - p) + 1 : (size_t)(canvas->bytes + canvas->size - p);
            header = header && strncmp(p, "%%EndComments", 13) != 0;
            if (header && !strncmp(p, "%%Title:", 8)) {
                fputs("%%Title: ", stream);
                for (const char *t = clean; *t; t++)
                    fputc(*t >= 0x20 && *t < 0x7F ? *t : '?', stream);
                fputc('\n', stream);
            } else if (!header || strncmp(p, "%%CreationDate:", 15) != 0) {
                fwrite(p, 1, n, stream);
            }
            p += n;
        }
    }
    bool good = clean && stream && !ferror(stream);
    if (stream && fclose(stream))
        good = false;
    free(clean);
    if (!good) {
        free(out);
        return false;
    }
    free(canvas->bytes);
    canvas->bytes = out;
    canvas->size = size;
    return true;
}

bool canvas_finish(struct canvas *canvas, const char *title, const char *description, char **out,
                   size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (canvas->broken || !canvas->plotter)
        return report_error_set(error, "no memory for a drawing");
    bool good = close_page(canvas->plotter) >= 0;
    pl_deletepl_r(canvas->plotter);
    canvas->plotter = NULL;
    canvas->broken = true; /* drawing is over */
    good = !fclose(canvas->stream) && good;
    canvas->stream = NULL;
    if (!good || !canvas->bytes)
        return report_error_set(error, "the drawing library could not finish a drawing");
    if (is_svg(canvas))
        good = finish_svg(canvas, title, description);
    else if (canvas->format == CANVAS_PNG)
        good = finish_png(canvas);
    else
        good = finish_ps(canvas, title);
    if (!good)
        return report_error_set(error, "no memory to finish a drawing");
    *out = canvas->bytes;
    *size = canvas->size;
    canvas->bytes = NULL;
    return true;
}
