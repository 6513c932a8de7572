/* Plots and coil drawings, read back with libxml2 and libpng. Contrast is that of WCAG 2.1,
 * success criteria 1.4.3 and 1.4.11, by its definition of relative luminance. What a browser makes
 * of the drawings is looked at in check_reports.sh. Random plots print their seed. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "gallery.h"
#include <errno.h>
#include <libxml/parser.h>
#include <libxml/tree.h>
#include <png.h>
#include <sys/stat.h>
#include <unistd.h>

static xmlDoc *read_svg(const char *svg, size_t size)
{
    return xmlReadMemory(svg, (int)size, "test.svg", NULL,
                         XML_PARSE_NONET | XML_PARSE_NOERROR | XML_PARSE_NOWARNING);
}

static bool is(const xmlNode *node, const char *name)
{
    return node->type == XML_ELEMENT_NODE && !strcmp((const char *)node->name, name);
}

static int count_elements(const xmlNode *node, const char *name)
{
    int count = 0;
    for (; node; node = node->next)
        count += is(node, name) + count_elements(node->children, name);
    return count;
}

static char *attribute(xmlNode *node, const char *name)
{
    return (char *)xmlGetProp(node, (const xmlChar *)name);
}

/* The height of the label with this text on the page, points; NaN if there is none. */
static double label_y(xmlNode *node, const char *text)
{
    for (; node; node = node->next) {
        if (is(node, "text")) {
            char *content = (char *)xmlNodeGetContent(node),
                 *transform = attribute(node, "transform");
            double x, y = NAN;
            bool same = !strcmp(content, text);
            if (same)
                assert_int_equal(sscanf(transform, "translate(%lf,%lf)", &x, &y), 2);
            xmlFree(content);
            xmlFree(transform);
            if (same)
                return y;
        }
        double y = label_y(node->children, text);
        if (!isnan(y))
            return y;
    }
    return NAN;
}

static void check_svg(const char *svg, size_t size)
{
    assert_int_equal(strlen(svg), size);
    xmlDoc *doc = read_svg(svg, size);
    assert_non_null(doc);
    xmlNode *root = xmlDocGetRootElement(doc);
    assert_true(is(root, "svg"));
    double box[4];
    char *view = attribute(root, "viewBox"), *role = attribute(root, "role");
    assert_int_equal(sscanf(view, "%lf %lf %lf %lf", box, box + 1, box + 2, box + 3), 4);
    assert_true(box[2] >= 200 && box[3] >= 120);
    assert_string_equal(role, "img");
    xmlFree(view);
    xmlFree(role);
    assert_int_equal(count_elements(root, "title"), 1);
    assert_int_equal(count_elements(root, "desc"), 1);
    assert_int_equal(count_elements(root, "script"), 0);
    assert_int_equal(count_elements(root, "b"), 0);
    assert_null(strstr(svg, " id="));
    assert_null(strstr(svg, "href"));
    xmlFreeDoc(doc);
}

static void gallery_is_well_formed(void **state)
{
    (void)state;
    for (int i = 0; i < GALLERY_PLOTS; i++) {
        struct plot *p = gallery_plot(i);
        struct report_error error = {""};
        for (int in_page = 0; in_page < 2; in_page++) {
            char *svg, *again;
            size_t size, size_again;
            if (!plot_svg(p, in_page, &svg, &size, &error))
                fail_msg("plot %d: %s", i, error.text);
            check_svg(svg, size);
            assert_int_equal(strncmp(svg, "<?xml", 5) == 0, !in_page);
            assert_int_equal(strstr(svg, "<style") != NULL, !in_page);
            /* The same plot gives the same bytes. */
            assert_true(plot_svg(p, in_page, &again, &size_again, &error));
            assert_int_equal(size, size_again);
            assert_memory_equal(svg, again, size);
            free(svg);
            free(again);
        }
        plot_free(p);
    }
}

static void signs_are_utf8(void **state)
{
    (void)state;
    struct plot *p = plot_new("17 Ω ± 2 Ω at 20 °C, 5 µm: α → β ≤ 3 × 10²");
    double x[] = {0, 1e-5}, y[] = {0, 3e-6};
    plot_axis(p, PLOT_X, "gap", "m", PLOT_LINEAR);
    plot_axis(p, PLOT_Y, "resistance", "Ω", PLOT_LINEAR);
    plot_line(p, NULL, 2, x, y);
    char *out;
    size_t size;
    assert_true(plot_svg(p, true, &out, &size, NULL));
    assert_non_null(strstr(out, ">17 Ω ± 2 Ω at 20 °C, 5 µm: α → β ≤ 3 × 10²</text>"));
    assert_non_null(strstr(out, ">resistance, µΩ</text>"));
    assert_non_null(strstr(out, ">gap, µm</text>"));
    free(out);
    assert_true(plot_ps(p, &out, &size, NULL));
    assert_int_equal(strncmp(out, "%!PS-Adobe", 10), 0);
    assert_null(strstr(out, "%%CreationDate"));
    assert_non_null(strstr(out, "Symbol"));
    free(out);
    plot_free(p);
}

static void hostile_words_stay_words(void **state)
{
    (void)state;
    struct plot *p = gallery_plot(8);
    char *svg;
    size_t size;
    assert_true(plot_svg(p, true, &svg, &size, NULL));
    assert_null(strstr(svg, "<script"));
    assert_null(strstr(svg, "<rect/>"));
    assert_non_null(strstr(svg, "&lt;script&gt;alert(\"1\")&lt;/script&gt; &amp; ]]&gt; "));
    assert_null(strchr(svg, '\x1b'));
    assert_null(strchr(svg, '\x01'));
    assert_non_null(strstr(svg, "\\*W")); /* libplot's escapes mean nothing here */
    free(svg);
    plot_free(p);
}

static void a_dip_is_never_lost(void **state)
{
    (void)state;
    struct plot *p = gallery_plot(10);
    char *svg;
    size_t size;
    assert_true(plot_svg(p, true, &svg, &size, NULL));
    xmlDoc *doc = read_svg(svg, size);
    double y1 = label_y(xmlDocGetRootElement(doc), "1.0");
    double y2 = label_y(xmlDocGetRootElement(doc), "1.4");
    assert_false(isnan(y1) || isnan(y2));
    xmlFreeDoc(doc);
    /* The lowest corner of any line that is not an axis is the dip to 0.7 V. */
    double lowest = INFINITY;
    size_t corners = 0;
    for (const char *line = svg; (line = strstr(line, "<polyline points=\"")); line++) {
        const char *q = line + 18;
        double x, y;
        int n;
        while (sscanf(q, "%lf,%lf %n", &x, &y, &n) == 2) {
            lowest = fmin(lowest, y);
            q += n;
            corners++;
        }
    }
    double volts = 1.0 + (lowest - (y1 + 11 * 0.34)) * 0.4 / (y2 - y1);
    assert_true(fabs(volts - 0.7) < 0.005);
    assert_true(corners < 10000); /* and 200000 readings were thinned */
    free(svg);
    plot_free(p);
}

static void png_is_smooth_and_sized(void **state)
{
    (void)state;
    struct plot *p = gallery_plot(1);
    char *out;
    size_t size;
    struct report_error error = {""};
    for (int pixels = 0; pixels <= 500; pixels += 250) {
        assert_true(plot_png(p, pixels, &out, &size, &error));
        png_image image = {.version = PNG_IMAGE_VERSION};
        assert_true(png_image_begin_read_from_memory(&image, out, size));
        int wide = pixels ? pixels : 680;
        assert_int_equal(image.width, wide);
        assert_int_equal(image.height, lround(wide * 230 / 340.0));
        image.format = PNG_FORMAT_GRAY;
        unsigned char *grey = malloc(PNG_IMAGE_SIZE(image));
        assert_non_null(grey);
        assert_true(png_image_finish_read(&image, NULL, grey, 0, NULL));
        size_t levels[256] = {0}, used = 0;
        for (size_t i = 0; i < PNG_IMAGE_SIZE(image); i++)
            levels[grey[i]]++;
        for (int i = 0; i < 256; i++)
            used += levels[i] > 0;
        /* Nine samples in a pixel give many more greys than the eight inks drawn. */
        assert_true(used > 40);
        assert_true(levels[255] + levels[254] > PNG_IMAGE_SIZE(image) / 2); /* mostly paper */
        free(grey);
        free(out);
        png_image_free(&image);
    }
    assert_false(plot_png(p, 5000, &out, &size, &error));
    assert_string_equal(error.text, "a PNG 5000 pixels wide is out of range: give 50 to 4000");
    assert_null(out);
    plot_free(p);
}

static void anything_can_be_plotted(void **state)
{
    (void)state;
    static const double odd[] = {0,         1,      -1,   1e-300, 1e300, -1e300, NAN,   INFINITY,
                                 -INFINITY, 5e-324, 1e18, 3.5,    3.6,   1e9,    1.7e9, 42};
    for (uint64_t start = 1; start <= 400; start++) {
        uint64_t seed = start * 2654435761u;
        struct plot *p = plot_new(start % 7 ? "title" : NULL);
        plot_size(p, 200 + 600 * gallery_random(&seed), 180 + 300 * gallery_random(&seed));
        plot_axis(p, PLOT_X, "x", start % 2 ? "s" : "", (enum plot_scale)(start % 3));
        plot_axis(p, PLOT_Y, "y", start % 5 ? "V" : NULL, (enum plot_scale)(start / 3 % 3));
        double v[6][40];
        for (int k = 0; k < 3; k++) {
            size_t n = (size_t)(40 * gallery_random(&seed));
            for (int a = 0; a < 6; a++)
                for (size_t i = 0; i < n; i++)
                    v[a][i] = gallery_random(&seed) < 0.3 ? odd[(int)(16 * gallery_random(&seed))]
                                                          : gallery_random(&seed) * 10;
            switch ((int)(6 * gallery_random(&seed))) {
            case 0:
                plot_line(p, "line", n, v[0], v[1]);
                break;
            case 1:
                plot_steps(p, "steps", n, v[0], v[1]);
                break;
            case 2:
                plot_band(p, "band", n, v[0], v[1], v[2]);
                break;
            case 3:
                plot_envelope(p, "envelope", n, v[0], v[1], v[2]);
                break;
            case 4:
                plot_points(p, "points", (enum canvas_shape)(start % 8), n, v[0], v[1], v[2], v[3]);
                break;
            default:
                plot_censored(p, "more than", CANVAS_SQUARE, (enum plot_direction)(start % 4), n,
                              v[0], v[1]);
            }
        }
        plot_mark(p, PLOT_X, odd[start % 16], "mark");
        plot_mark(p, PLOT_Y, odd[start / 16 % 16], "another mark");
        char *svg;
        size_t size;
        struct report_error error = {""};
        if (!plot_svg(p, false, &svg, &size, &error))
            fail_msg("start %llu: %s", (unsigned long long)start, error.text);
        if (strstr(svg, "nan") || strstr(svg, "inf,"))
            fail_msg("start %llu: a place that is no number", (unsigned long long)start);
        check_svg(svg, size);
        free(svg);
        plot_free(p);
    }
}

static void bad_use_is_an_error(void **state)
{
    (void)state;
    char *out;
    size_t size;
    struct report_error error = {""};
    struct plot *p = plot_new("x");
    plot_size(p, 10, 10);
    assert_false(plot_svg(p, true, &out, &size, &error));
    assert_string_equal(error.text, "a plot is 200 to 2000 points wide and 120 to 2000 high");
    plot_free(p);
    p = plot_new("x");
    plot_range(p, PLOT_X, 3, 3);
    assert_false(plot_ps(p, &out, &size, &error));
    plot_free(p);
    p = plot_new("x");
    assert_false(plot_write(p, "drawing.jpeg", &error));
    assert_string_equal(error.text, "'drawing.jpeg': a plot is written as .svg, .png or .ps");
    assert_false(plot_write(p, "/no/such/folder/x.svg", &error));
    assert_non_null(strstr(error.text, strerror(ENOENT)));
    plot_free(p);
    plot_free(NULL);
    assert_null(canvas_new(CANVAS_SVG, NAN, 100, 0, &error));
    canvas_free(NULL);
}

static double luminance(unsigned colour)
{
    static const double weight[] = {0.2126, 0.7152, 0.0722};
    double sum = 0;
    for (int i = 0; i < 3; i++) {
        double c = (colour >> (16 - 8 * i) & 0xFF) / 255.0;
        sum += weight[i] * (c <= 0.03928 ? c / 12.92 : pow((c + 0.055) / 1.055, 2.4));
    }
    return sum;
}

static double contrast(unsigned a, unsigned b)
{
    double la = luminance(a), lb = luminance(b);
    return (fmax(la, lb) + 0.05) / (fmin(la, lb) + 0.05);
}

static void inks_have_contrast(void **state)
{
    (void)state;
    assert_true(fabs(contrast(0, 0xFFFFFF) - 21) < 1e-9); /* WCAG 2.1: black on white is 21 to 1 */
    for (int dark = 0; dark < 2; dark++) {
        unsigned paper = canvas_ink_colour(CANVAS_PAPER, dark);
        assert_true(contrast(canvas_ink_colour(CANVAS_INK, dark), paper) >= 7);
        assert_true(contrast(canvas_ink_colour(CANVAS_SOFT, dark), paper) >= 4.5);
        for (int i = 0; i < 6; i++) {
            unsigned series = canvas_ink_colour((enum canvas_ink)(CANVAS_SERIES_0 + i), dark);
            unsigned tint = canvas_ink_colour((enum canvas_ink)(CANVAS_TINT_0 + i), dark);
            assert_true(contrast(series, paper) >= 4.5); /* 1.4.3: they write labels */
            assert_true(contrast(series, tint) >= 3);    /* 1.4.11: a line in its own band */
        }
    }
    for (int i = 0; i < CANVAS_INKS; i++)
        for (int k = 0; k < i; k++)
            assert_int_not_equal(canvas_ink_colour((enum canvas_ink)i, false),
                                 canvas_ink_colour((enum canvas_ink)k, false));
}

static void labels_keep_apart(void **state)
{
    (void)state;
    for (uint64_t start = 1; start <= 30; start++) {
        uint64_t seed = start;
        struct canvas *c = canvas_new(CANVAS_SVG_INLINE, 300, 200, 0, NULL);
        assert_non_null(c);
        size_t written = 0;
        for (int i = 0; i < 300; i++) {
            char text[30];
            snprintf(text, sizeof text, "label %.*s", (int)(12 * gallery_random(&seed)),
                     "ΩµMMMMMMMMM");
            char *clean = text;
            written += canvas_text(c, 300 * gallery_random(&seed), 200 * gallery_random(&seed),
                                   (enum canvas_anchor)(i % 3), 6 + 8 * gallery_random(&seed),
                                   i % 4, i % 2, CANVAS_INK, clean);
        }
        assert_int_equal(canvas_labels(c), written);
        assert_true(written > 5 && written < 300);
        assert_int_equal(canvas_overlaps(c), 0);
        canvas_free(c);
    }
}

static void coils_are_to_scale(void **state)
{
    (void)state;
    struct coildraw coil = gallery_coil();
    struct report_error error = {""};
    char *svg;
    size_t size;
    if (!coildraw_svg(&coil, 340, 250, true, &svg, &size, &error))
        fail_msg("%s", error.text);
    check_svg(svg, size);
    static const char *const words[] = {">S<",           ">F<",        "limb A",      "640 turns",
                                        "anticlockwise", "gap 0.3 mm", "drawn wider", "40 mm",
                                        "18.5 mm",       "32 mm"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (!strstr(svg, words[i]))
            fail_msg("'%s' is missing", words[i]);
    /* The iron: yoke, two limbs, keeper, in this order of size. 58 mm by 8 against 10 by 50. */
    double width[16], height[16];
    int n = 0;
    for (const char *p = svg; (p = strstr(p, "<rect ")) && n < 16; p++) {
        const char *end = strchr(p, '>'), *fill = strstr(p, "f-iron");
        if (!fill || fill > end)
            continue;
        assert_int_equal(sscanf(strstr(p, "width="), "width=\"%lf", &width[n]), 1);
        assert_int_equal(sscanf(strstr(p, "height="), "height=\"%lf", &height[n]), 1);
        n++;
    }
    assert_int_equal(n, 4);
    double scale = width[0] / 42; /* spacing 32 + core 10 */
    assert_true(fabs(height[0] / scale - 8) < 0.02);
    assert_true(fabs(width[1] / scale - 10) < 0.02 && fabs(height[1] / scale - 50) < 0.02);
    assert_true(fabs(height[3] / scale - 6) < 0.02);
    free(svg);
    char *png;
    assert_true(coildraw_png(&coil, 340, 250, 400, &png, &size, &error));
    assert_memory_equal(png, "\x89PNG", 4);
    free(png);
    coil.limbs = 3;
    assert_false(coildraw_svg(&coil, 340, 250, true, &svg, &size, &error));
    assert_string_equal(error.text, "a coil drawing shows 1 or 2 limbs, not 3");
    coil = gallery_coil();
    coil.core_diameter = NAN;
    assert_false(coildraw_svg(&coil, 340, 250, true, &svg, &size, &error));
    coil = gallery_coil();
    coil.limb[1].outer_diameter = 0.009;
    assert_false(coildraw_svg(&coil, 340, 250, true, &svg, &size, &error));
    assert_null(svg);
}

static void odd_coils_are_drawn(void **state)
{
    (void)state;
    for (uint64_t start = 1; start <= 200; start++) {
        uint64_t seed = start * 7919;
        struct coildraw c = gallery_coil();
        double *lengths[] = {&c.core_diameter,         &c.limb_length,  &c.insulation,
                             &c.flange_diameter,       &c.limb_spacing, &c.flange_thickness,
                             &c.yoke_thickness,        &c.gap,          &c.keeper_thickness,
                             &c.limb[0].winding_length};
        for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++)
            *lengths[i] = gallery_random(&seed) < 0.15 ? NAN : pow(10, -5 * gallery_random(&seed));
        c.limbs = 1 + (int)(start % 2);
        c.limb[0].layers = (int)(start % 3) * 7000;
        char *svg;
        size_t size;
        struct report_error error = {""};
        if (coildraw_svg(&c, 340, 250, true, &svg, &size, &error)) {
            check_svg(svg, size);
            if (strstr(svg, "nan"))
                fail_msg("start %llu: a place that is no number", (unsigned long long)start);
            free(svg);
        } else {
            assert_true(error.text[0] != '\0');
        }
    }
}

/* With GALLERY_DIR set, the drawings are left there for check_reports.sh to look at. */
static void gallery_is_written(void **state)
{
    (void)state;
    const char *folder = getenv("GALLERY_DIR");
    if (!folder)
        return;
    char path[512];
    struct report_error error = {""};
    for (int i = 0; i < GALLERY_PLOTS; i++) {
        struct plot *p = gallery_plot(i);
        snprintf(path, sizeof path, "%s/plot-%02d.svg", folder, i);
        if (!plot_write(p, path, &error))
            fail_msg("%s", error.text);
        plot_free(p);
    }
    for (int i = 0; i < 3; i++) {
        struct coildraw c = gallery_coil();
        c.limbs = i == 1 ? 1 : 2;
        c.limb_length = i == 2 ? 0.2 : c.limb_length;
        char *svg;
        size_t size;
        assert_true(coildraw_svg(&c, 340, 250, false, &svg, &size, &error));
        snprintf(path, sizeof path, "%s/coil-%d.svg", folder, i);
        FILE *file = fopen(path, "w");
        assert_non_null(file);
        assert_int_equal(fwrite(svg, 1, size, file), size);
        assert_int_equal(fclose(file), 0);
        free(svg);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gallery_is_well_formed),   cmocka_unit_test(signs_are_utf8),
        cmocka_unit_test(hostile_words_stay_words), cmocka_unit_test(a_dip_is_never_lost),
        cmocka_unit_test(png_is_smooth_and_sized),  cmocka_unit_test(anything_can_be_plotted),
        cmocka_unit_test(bad_use_is_an_error),      cmocka_unit_test(inks_have_contrast),
        cmocka_unit_test(labels_keep_apart),        cmocka_unit_test(coils_are_to_scale),
        cmocka_unit_test(odd_coils_are_drawn),      cmocka_unit_test(gallery_is_written),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    xmlCleanupParser();
    return failed;
}
