#include "reports/coildraw.h"

#include "reports/canvas.h"
#include "reports/figure.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LETTERS   10.0
#define SMALL     9.0
#define MARGIN    6.0
#define SIDE_MOST 0.30 /* of the width left free at each side for words */
#define GAP_SEEN  5.0  /* points: a gap is drawn at least this wide */
#define MM        1000.0

/* Where things are: lengths in metres from the middle of the pole faces, upwards; then points. */
struct view {
    const struct coildraw *coil;
    struct canvas *canvas;
    double scale, x0, y0; /* points = x0 + scale * metres */
    double half;          /* of the widest part of the coil, m */
    double gap;           /* as drawn, m */
    bool gap_wider;
    double limb_x[2];
};

static double or_zero(double v)
{
    return v > 0 && isfinite(v) ? v : 0;
}

static double px(const struct view *v, double x)
{
    return v->x0 + v->scale * x;
}

static double py(const struct view *v, double y)
{
    return v->y0 + v->scale * y;
}

static struct canvas_box part(const struct view *v, double x0, double y0, double x1, double y1)
{
    return (struct canvas_box){px(v, x0), py(v, y0), px(v, x1), py(v, y1)};
}

static void solid(const struct view *v, struct canvas_box box, enum canvas_ink fill)
{
    canvas_rectangle(v->canvas, box, fill);
    canvas_outline(v->canvas, box, CANVAS_INK, 0.9);
}

static char *millimetres(char out[FIGURE_TEXT_SIZE], double length)
{
    double mm = length * MM;
    snprintf(out, FIGURE_TEXT_SIZE, mm >= 100 ? "%.4g mm" : "%.3g mm", mm);
    return out;
}

/* The winding's lower end: it is drawn in the middle of the limb. */
static double winding_low(const struct view *v, const struct coildraw_limb *limb)
{
    const struct coildraw *c = v->coil;
    double rest = c->limb_length - limb->winding_length;
    return rest / 2;
}

static void draw_limb(const struct view *v, int i)
{
    const struct coildraw *c = v->coil;
    const struct coildraw_limb *limb = &c->limb[i];
    double x = v->limb_x[i], core = c->core_diameter / 2, inner = core + or_zero(c->insulation);
    double outer = limb->outer_diameter / 2, low = winding_low(v, limb);
    double high = low + limb->winding_length;
    solid(v, part(v, x - core, 0, x + core, c->limb_length), CANVAS_IRON);
    for (int side = -1; side <= 1; side += 2) {
        double a = side * inner, b = side * outer;
        struct canvas_box box = part(v, x + fmin(a, b), low, x + fmax(a, b), high);
        canvas_rectangle(v->canvas, box, CANVAS_COPPER);
        /* Layers closer than a point and a half would only blacken the picture. */
        double pitch = limb->layers > 0 ? (outer - inner) / limb->layers * v->scale : 0;
        for (int k = 1; pitch >= 1.5 && k < limb->layers; k++) {
            double at = px(v, x + side * (inner + (outer - inner) * k / limb->layers));
            canvas_line(v->canvas, at, box.y0, at, box.y1, CANVAS_PAPER, 0.5, 0);
        }
        canvas_outline(v->canvas, box, CANVAS_INK, 0.9);
    }
    double thick = or_zero(c->flange_thickness), wide = or_zero(c->flange_diameter) / 2;
    if (thick > 0 && wide > core) {
        for (int side = -1; side <= 1; side += 2) {
            double a = x + side * core, b = x + side * wide;
            solid(v, part(v, fmin(a, b), high, fmax(a, b), high + thick), CANVAS_PAPER);
            solid(v, part(v, fmin(a, b), low - thick, fmax(a, b), low), CANVAS_PAPER);
        }
    }
    if (limb->turn != COILDRAW_UNKNOWN) {
        /* Seen from the pole face, clockwise turns run left to right on the near side. */
        double way = limb->turn == COILDRAW_CLOCKWISE ? 1 : -1;
        double reach = (inner + (outer - inner) * 0.55) * way;
        for (int k = 0; k < 3; k++) {
            double y = py(v, low + limb->winding_length * (0.25 + 0.25 * k));
            canvas_arrow(v->canvas, px(v, x - reach), y, px(v, x + reach), y, CANVAS_SERIES_0, 1.6);
        }
    }
}

/* Start and finish as letters on short leads at the outer side of the limb. An even number of
 * layers ends where it began, at the yoke; an odd number at the pole face. */
static void draw_leads(const struct view *v, int i)
{
    const struct coildraw *c = v->coil;
    const struct coildraw_limb *limb = &c->limb[i];
    double side = i == 0 ? -1 : 1, x = v->limb_x[i];
    double inner = c->core_diameter / 2 + or_zero(c->insulation), outer = limb->outer_diameter / 2;
    double low = winding_low(v, limb), high = low + limb->winding_length;
    double reach = fmax(outer, or_zero(c->flange_diameter) / 2);
    double end = px(v, x + side * reach) + side * 9;
    enum canvas_anchor anchor = side < 0 ? CANVAS_END : CANVAS_START;
    double y = py(v, high) - 2.5;
    canvas_mark(v->canvas, px(v, x + side * (inner + (outer - inner) * 0.06)), y, CANVAS_CIRCLE, 4,
                CANVAS_INK);
    canvas_line(v->canvas, px(v, x + side * (inner + (outer - inner) * 0.06)), y, end, y,
                CANVAS_INK, 1, 0);
    canvas_text(v->canvas, end + side * 3, y - LETTERS * 0.3, anchor, LETTERS, true, false,
                CANVAS_INK, "S");
    bool same_end = limb->layers % 2 == 0;
    if (limb->layers <= 0)
        return; /* where it finishes is not known */
    y = same_end ? y - LETTERS * 1.25 : py(v, low) + 2.5;
    double from = px(v, x + side * (outer - (outer - inner) * 0.06));
    canvas_mark(v->canvas, from, y, CANVAS_CIRCLE, 4, CANVAS_INK);
    canvas_line(v->canvas, from, y, end, y, CANVAS_INK, 1, 0);
    canvas_text(v->canvas, end + side * 3, y - LETTERS * 0.3, anchor, LETTERS, true, false,
                CANVAS_INK, "F");
}

static void across(const struct view *v, double x0, double x1, double y, const char *name,
                   double length)
{
    char size[FIGURE_TEXT_SIZE], text[2 * FIGURE_TEXT_SIZE];
    snprintf(text, sizeof text, "%s%s", name, millimetres(size, length));
    double a = px(v, x0), b = px(v, x1), middle = (a + b) / 2;
    canvas_line(v->canvas, a, y + 4, a, y - 4, CANVAS_SOFT, 0.6, 0);
    canvas_line(v->canvas, b, y + 4, b, y - 4, CANVAS_SOFT, 0.6, 0);
    canvas_arrow(v->canvas, middle, y, a, y, CANVAS_SOFT, 0.6);
    canvas_arrow(v->canvas, middle, y, b, y, CANVAS_SOFT, 0.6);
    if (!canvas_text(v->canvas, middle, y - SMALL * 1.1, CANVAS_MIDDLE, SMALL, false, false,
                     CANVAS_INK, text))
        canvas_text(v->canvas, middle, y - SMALL * 2.3, CANVAS_MIDDLE, SMALL, false, false,
                    CANVAS_INK, text);
}

static void upright(const struct view *v, double x, double y0, double y1, const char *name,
                    double length)
{
    char size[FIGURE_TEXT_SIZE];
    double a = py(v, y0), b = py(v, y1), middle = (a + b) / 2;
    canvas_line(v->canvas, x - 4, a, x + 4, a, CANVAS_SOFT, 0.6, 0);
    canvas_line(v->canvas, x - 4, b, x + 4, b, CANVAS_SOFT, 0.6, 0);
    canvas_arrow(v->canvas, x, middle, x, a, CANVAS_SOFT, 0.6);
    canvas_arrow(v->canvas, x, middle, x, b, CANVAS_SOFT, 0.6);
    canvas_text(v->canvas, x - 4, middle - SMALL * 0.3, CANVAS_END, SMALL, false, true, CANVAS_INK,
                millimetres(size, length));
    canvas_text(v->canvas, x - 4, middle + SMALL * 0.85, CANVAS_END, SMALL, false, true, CANVAS_INK,
                name);
}

static const char *turn_words(enum coildraw_turn turn)
{
    switch (turn) {
    case COILDRAW_CLOCKWISE:
        return "clockwise";
    case COILDRAW_COUNTER:
        return "anticlockwise";
    case COILDRAW_UNKNOWN:
        break;
    }
    return NULL;
}

static bool positive(double v)
{
    return isfinite(v) && v > 0 && v < 100;
}

static bool check(const struct coildraw *c, struct report_error *error)
{
    if (c->limbs != 1 && c->limbs != 2)
        return report_error_set(error, "a coil drawing shows 1 or 2 limbs, not %d", c->limbs);
    if (!positive(c->core_diameter) || !positive(c->limb_length))
        return report_error_set(error, "a coil drawing needs a core diameter and a limb length");
    for (int i = 0; i < c->limbs; i++) {
        const struct coildraw_limb *limb = &c->limb[i];
        if (!positive(limb->winding_length) || !positive(limb->outer_diameter) ||
            limb->outer_diameter <= c->core_diameter)
            return report_error_set(error,
                                    "a coil drawing needs a winding length, and a winding wider "
                                    "than the core, for limb %d",
                                    i + 1);
        if (limb->layers < 0 || limb->layers > 100000)
            return report_error_set(error, "limb %d cannot have %d layers", i + 1, limb->layers);
    }
    if (c->limbs == 2 && !positive(c->limb_spacing))
        return report_error_set(error, "a coil drawing of two limbs needs their spacing");
    return true;
}

static void describe(const struct coildraw *c, char *text, size_t size)
{
    char a[FIGURE_TEXT_SIZE], b[FIGURE_TEXT_SIZE], d[FIGURE_TEXT_SIZE];
    int n = snprintf(text, size, "%s, cut through the middle, to scale. Core %s, limb length %s.",
                     c->limbs == 2 ? "A coil of two limbs" : "A coil of one limb",
                     millimetres(a, c->core_diameter), millimetres(b, c->limb_length));
    for (int i = 0; i < c->limbs && n > 0 && (size_t)n < size; i++) {
        const char *turn = turn_words(c->limb[i].turn);
        n += snprintf(
            text + n, size - (size_t)n, " %.100s: winding %s long, %s across, %s.",
            c->limb[i].label ? c->limb[i].label : "Limb", millimetres(a, c->limb[i].winding_length),
            millimetres(d, c->limb[i].outer_diameter), turn ? turn : "direction not given");
    }
    if (n > 0 && (size_t)n < size && or_zero(c->gap) > 0)
        snprintf(text + n, size - (size_t)n, " Gap %s.", millimetres(a, c->gap));
}

static void write_words(const struct view *v, double width, double height)
{
    const struct coildraw *c = v->coil;
    for (int i = 0; i < c->limbs; i++) {
        const struct coildraw_limb *limb = &c->limb[i];
        double low = winding_low(v, limb), y = py(v, low + limb->winding_length) + LETTERS * 1.1;
        bool left = i == 0 && c->limbs == 2;
        double edge = left ? MARGIN : width - MARGIN;
        enum canvas_anchor anchor = left ? CANVAS_START : CANVAS_END;
        double room = (left ? px(v, -v->half) : width - px(v, v->half)) - MARGIN - 36;
        const char *turn = turn_words(limb->turn);
        y = fmin(y, py(v, c->limb_length));
        /* Beside a short winding the words stand above its dimension, not across it. */
        y = fmax(y, py(v, low + limb->winding_length / 2) + SMALL * 2.1 + LETTERS * 2.6);
        y = fmin(y, height - MARGIN - LETTERS);
        /* Label in its parts, so that it stands in a narrow margin: broken at ': '. */
        char first[120] = "", second[120] = "";
        if (limb->label) {
            const char *cut = strstr(limb->label, ": ");
            int head = cut ? (int)(cut - limb->label) : (int)strlen(limb->label);
            snprintf(first, sizeof first, "%.*s", head < 110 ? head : 110, limb->label);
            if (cut)
                snprintf(second, sizeof second, "%.110s", cut + 2);
        }
        const char *const lines[] = {first, second, turn ? turn : ""};
        for (int k = 0; k < 3; k++) {
            if (!lines[k][0])
                continue;
            canvas_text_fit(v->canvas, edge, y, anchor, LETTERS, k == 0, false,
                            k == 2 ? CANVAS_SERIES_0 : CANVAS_INK, lines[k], room);
            y += LETTERS * -1.2;
        }
    }
}

static bool draw(const struct coildraw *c, enum canvas_format format, double width, double height,
                 int pixels, char **out, size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (!check(c, error))
        return false;
    struct view v = {.coil = c};
    double widest = fmax(c->core_diameter, or_zero(c->flange_diameter));
    for (int i = 0; i < c->limbs; i++)
        widest = fmax(widest, c->limb[i].outer_diameter);
    v.half = widest / 2 + (c->limbs == 2 ? c->limb_spacing / 2 : 0);
    if (c->limbs == 2) {
        v.limb_x[0] = -c->limb_spacing / 2;
        v.limb_x[1] = c->limb_spacing / 2;
    }
    double yoke = or_zero(c->yoke_thickness), keeper = or_zero(c->keeper_thickness);
    double tall = yoke + c->limb_length + keeper;
    bool turns = c->limb[0].turn != COILDRAW_UNKNOWN ||
                 (c->limbs == 2 && c->limb[1].turn != COILDRAW_UNKNOWN);
    double below = MARGIN + SMALL * 4.0 + (turns ? SMALL * 1.3 : 0) +
                   (c->join && c->join[0] ? LETTERS * 1.3 : 0);
    double above = MARGIN + (c->limbs == 2 ? SMALL * 2.4 : 4);
    double seen = keeper > 0 ? GAP_SEEN : 0;
    v.scale = fmin((height - below - above - seen) / (tall + (keeper > 0 ? or_zero(c->gap) : 0)),
                   width * (1 - 2 * SIDE_MOST) / (2 * v.half));
    if (!(v.scale > 0) || !isfinite(v.scale))
        return report_error_set(error, "%g by %g points is too small for a coil drawing", width,
                                height);
    v.gap = keeper > 0 ? fmax(or_zero(c->gap), GAP_SEEN / v.scale) : 0;
    v.gap_wider = keeper > 0 && or_zero(c->gap) < v.gap * 0.999;
    v.x0 = width / 2;
    double used = (tall + v.gap) * v.scale;
    v.y0 = below + (height - below - above - used) / 2 + (keeper + v.gap) * v.scale;

    v.canvas = canvas_new(format, width, height, pixels, error);
    if (!v.canvas)
        return false;
    double core = c->core_diameter / 2;
    double edge = c->limbs == 2 ? c->limb_spacing / 2 + core : core * 1.6;
    if (yoke > 0)
        solid(&v, part(&v, -edge, c->limb_length, edge, c->limb_length + yoke), CANVAS_IRON);
    for (int i = 0; i < c->limbs; i++)
        draw_limb(&v, i);
    if (keeper > 0)
        solid(&v, part(&v, -edge, -v.gap - keeper, edge, -v.gap), CANVAS_IRON);
    for (int i = 0; i < c->limbs; i++)
        draw_leads(&v, i);

    const struct coildraw_limb *first = &c->limb[0];
    double bottom = py(&v, -v.gap - keeper) - 8;
    across(&v, v.limb_x[0] - first->outer_diameter / 2, v.limb_x[0] + first->outer_diameter / 2,
           bottom, "winding ", first->outer_diameter);
    if (c->limbs == 2)
        across(&v, v.limb_x[1] - core, v.limb_x[1] + core, bottom, "core ", c->core_diameter);
    if (c->limbs == 2) {
        double y = py(&v, c->limb_length + yoke) + SMALL * 1.5;
        across(&v, v.limb_x[0], v.limb_x[1], y, "", c->limb_spacing);
    }
    double low = winding_low(&v, first);
    double x = px(&v, -v.half) - 28;
    upright(&v, x, low, low + first->winding_length, "winding", first->winding_length);
    double right = px(&v, v.half) + 8;
    char text[2 * FIGURE_TEXT_SIZE], length[FIGURE_TEXT_SIZE];
    if (keeper > 0) {
        double y = py(&v, -v.gap / 2);
        if (or_zero(c->gap) > 0)
            snprintf(text, sizeof text, "gap %s", millimetres(length, c->gap));
        else
            snprintf(text, sizeof text, "faces touch");
        canvas_line(v.canvas, px(&v, edge) + 2, y, right + 8, y, CANVAS_SOFT, 0.6, 0);
        canvas_text(v.canvas, right + 11, y - SMALL * 0.3, CANVAS_START, SMALL, false, false,
                    CANVAS_INK, text);
        if (v.gap_wider)
            canvas_text(v.canvas, right + 11, y - SMALL * 1.45, CANVAS_START, SMALL, false, false,
                        CANVAS_SOFT, "drawn wider");
    }
    if (c->limbs == 1) {
        snprintf(text, sizeof text, "core %s", millimetres(length, c->core_diameter));
        canvas_text(v.canvas, v.x0, bottom - SMALL * 2.3, CANVAS_MIDDLE, SMALL, false, false,
                    CANVAS_INK, text);
    }
    write_words(&v, width, height);
    double foot = MARGIN;
    if (turns) {
        canvas_text_fit(v.canvas, width / 2, foot, CANVAS_MIDDLE, SMALL, false, false, CANVAS_SOFT,
                        "arrows: turns on the near side; clockwise as seen from the pole face",
                        width - 2 * MARGIN);
        foot += SMALL * 1.3;
    }
    if (c->join && c->join[0])
        canvas_text_fit(v.canvas, width / 2, foot, CANVAS_MIDDLE, LETTERS, false, false, CANVAS_INK,
                        c->join, width - 2 * MARGIN);
    char said[700];
    describe(c, said, sizeof said);
    bool good = canvas_finish(v.canvas, c->title, said, out, size, error);
    canvas_free(v.canvas);
    return good;
}

bool coildraw_svg(const struct coildraw *coil, double width, double height, bool inline_in_page,
                  char **out, size_t *size, struct report_error *error)
{
    return draw(coil, inline_in_page ? CANVAS_SVG_INLINE : CANVAS_SVG, width, height, 0, out, size,
                error);
}

bool coildraw_png(const struct coildraw *coil, double width, double height, int pixels, char **out,
                  size_t *size, struct report_error *error)
{
    return draw(coil, CANVAS_PNG, width, height, pixels, out, size, error);
}
