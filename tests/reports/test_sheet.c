/* The test sheet and the winding sheet, read back with libxml2's HTML parser. That they print on
 * one page, and their contrast, is looked at in a browser by check_reports.sh. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "gallery.h"
#include "reports/sheet.h"
#include "reports/style.h"
#include <libxml/HTMLparser.h>
#include <libxml/xpath.h>

#define MANY 100

/* Everything a sheet can hold, invented; figures are drawn once. */
struct fixture {
    struct sheet_figure figure[4];
    struct sheet_quantity quantity[7];
    struct sheet_finding finding[4];
    struct sheet_fact fact[5];
    const char *caution[3];
    struct sheet_instrument instrument[2];
    struct sheet_quantity many_quantities[MANY];
    struct sheet_finding many_findings[MANY];
    struct sheet_fact many_facts[MANY];
    const char *many_cautions[MANY];
    struct sheet_instrument many_instruments[MANY];
    struct sheet_layer layer[2 * MANY];
};

static struct sheet_figure figure_of(int which)
{
    struct sheet_figure figure = {NULL, 0, "A figure"};
    struct report_error error = {""};
    char *svg = NULL;
    if (which < 0) {
        struct coildraw coil = gallery_coil();
        assert_true(coildraw_svg(&coil, 340, 230, true, &svg, &figure.size, &error));
    } else {
        struct plot *p = gallery_plot(which);
        plot_size(p, 340, 230);
        assert_true(plot_svg(p, true, &svg, &figure.size, &error));
        plot_free(p);
    }
    figure.svg = svg;
    return figure;
}

static int set_up(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    f->figure[0] = figure_of(-1);
    f->figure[1] = figure_of(1);
    f->figure[2] = figure_of(5);
    f->figure[3] = figure_of(3);
    const struct sheet_quantity quantities[] = {
        {"Resistance, limb A", "Ω", 8.31, 0.02, 9.02, 0.15, SHEET_DIFFERS, "four wires, 21.3 °C",
         NULL, NULL, SHEET_EQUAL},
        {"Resistance, limb B", "Ω", 9.05, 0.02, 9.02, 0.15, SHEET_AGREES, NULL, NULL, NULL,
         SHEET_EQUAL},
        {"Current at 1.5 V", "A", 0.0862, 0.0004, 0.0831, 0.0014, SHEET_DOUBTFUL, NULL, NULL, NULL,
         SHEET_EQUAL},
        {"Mass of wire", "kg", NAN, NAN, 0.142, 0.003, SHEET_NOT_JUDGED, "not weighed", NULL, NULL,
         SHEET_EQUAL},
        {"Pull, faces touching", "N", 11.8, 1.1, 14.2, 2.9, SHEET_AGREES, "by six trials", NULL,
         NULL, SHEET_EQUAL},
        {"Insulation", "Ω", 20e6, NAN, 8.31, 0.2, SHEET_NOT_JUDGED, "beyond the range", NULL, NULL,
         SHEET_MORE},
        {"Inductance", "H", 0.141, 0.002, 0.138, 0.02, SHEET_AGREES, NULL, NULL, NULL,
         SHEET_EQUAL}};
    memcpy(f->quantity, quantities, sizeof quantities);
    const struct sheet_finding findings[] = {{"turns missing on limb A: 51 (38 to 64)", 0.91},
                                             {"limb A wound with the next gauge thicker", 0.052},
                                             {"shorted turns on limb A", 0.031},
                                             {"as designed", 0.003}};
    memcpy(f->finding, findings, sizeof findings);
    const struct sheet_fact facts[] = {{"Wire", "0.315 mm enamelled copper, grade 1"},
                                       {"Turns", "640 + 640"},
                                       {"Core", "10 mm round, soft iron"},
                                       {"Supply", "two dry cells, 3 V"},
                                       {"Duty", "0.5 s in 15 s"}};
    memcpy(f->fact, facts, sizeof facts);
    f->caution[0] = "The winding can get hot enough to burn: let it cool before touching.";
    f->caution[1] = "Switching off makes a voltage spike: fit a diode, do not hold the bare ends.";
    f->caution[2] = "A magnet drops its load when the supply fails. Never reach under it.";
    f->instrument[0] =
        (struct sheet_instrument){"resistance, four wires", "bench meter 1042", "2026-03-02"};
    f->instrument[1] = (struct sheet_instrument){"pull", "kitchen scale, 5 kg", NULL};
    for (int i = 0; i < 2 * MANY; i++)
        f->layer[i] = (struct sheet_layer){1 + i % 2, 1 + i / 2, 53 - i % 2, 53 * (1 + i / 2)};
    *state = f;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *f = *state;
    for (int i = 0; i < 4; i++) {
        void *svg;
        memcpy(&svg, &f->figure[i].svg, sizeof svg);
        free(svg);
    }
    free(f);
    xmlCleanupParser();
    return 0;
}

static struct sheet usual(struct fixture *f)
{
    return (struct sheet){
        .coil = "up-home-1",
        .purpose = "Signal arm magnet, up home signal, miniature railway",
        .date = "25 November 2026",
        .verdict = SHEET_FAIL,
        .verdict_text = "Limb A has about 51 turns too few (91 % sure). The coil draws 4 % more "
                        "current than designed; its pull is within what was predicted.",
        .next = "weigh limb A, or measure its inductance alone (3 minutes)",
        .facts = f->fact,
        .fact_count = 5,
        .quantities = f->quantity,
        .quantity_count = 7,
        .findings = f->finding,
        .finding_count = 4,
        .figures = f->figure,
        .figure_count = 4,
        .cautions = f->caution,
        .caution_count = 3,
        .instruments = f->instrument,
        .instrument_count = 2,
        .version = "0.1.0",
        .digest = "sha256 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    };
}

/* A sheet of far too much, all of it the same word. */
static struct sheet overfull(struct fixture *f, const char *words)
{
    for (int i = 0; i < MANY; i++) {
        f->many_quantities[i] = (struct sheet_quantity){words,
                                                        "Ω",
                                                        1e-3 * i,
                                                        1e-5,
                                                        12345.6 * i,
                                                        777,
                                                        (enum sheet_agreement)(i % 4),
                                                        words,
                                                        i % 5 ? NULL : words,
                                                        NULL,
                                                        SHEET_EQUAL};
        f->many_findings[i] = (struct sheet_finding){words, 0.01};
        f->many_facts[i] = (struct sheet_fact){words, words};
        f->many_cautions[i] = words;
        f->many_instruments[i] = (struct sheet_instrument){words, words, words};
    }
    return (struct sheet){.coil = words,
                          .purpose = words,
                          .date = words,
                          .verdict = SHEET_UNDECIDED,
                          .verdict_text = words,
                          .next = words,
                          .facts = f->many_facts,
                          .fact_count = MANY,
                          .quantities = f->many_quantities,
                          .quantity_count = MANY,
                          .findings = f->many_findings,
                          .finding_count = MANY,
                          .figures = f->figure,
                          .figure_count = 4,
                          .cautions = f->many_cautions,
                          .caution_count = MANY,
                          .instruments = f->many_instruments,
                          .instrument_count = MANY,
                          .version = words,
                          .digest = words};
}

static char *made(const struct sheet *s)
{
    char *html = NULL;
    size_t size = 0;
    struct report_error error = {""};
    if (!sheet_html(s, &html, &size, &error))
        fail_msg("%s", error.text);
    assert_int_equal(strlen(html), size);
    return html;
}

static htmlDocPtr read_html(const char *html)
{
    htmlDocPtr doc = htmlReadMemory(html, (int)strlen(html), "sheet.html", NULL,
                                    HTML_PARSE_NOERROR | HTML_PARSE_NOWARNING | HTML_PARSE_NONET);
    assert_non_null(doc);
    return doc;
}

static int count(htmlDocPtr doc, const char *path)
{
    xmlXPathContext *context = xmlXPathNewContext(doc);
    xmlXPathObject *found = xmlXPathEvalExpression((const xmlChar *)path, context);
    assert_non_null(found);
    int n = found->nodesetval ? found->nodesetval->nodeNr : 0;
    xmlXPathFreeObject(found);
    xmlXPathFreeContext(context);
    return n;
}

static void check_is(htmlDocPtr doc, const char *path, const char *expected)
{
    xmlXPathContext *context = xmlXPathNewContext(doc);
    xmlXPathObject *found = xmlXPathEvalExpression((const xmlChar *)path, context);
    assert_non_null(found);
    xmlChar *text = xmlXPathCastToString(found);
    assert_string_equal((const char *)text, expected);
    xmlFree(text);
    xmlXPathFreeObject(found);
    xmlXPathFreeContext(context);
}

/* No script, nothing fetched from anywhere. */
static void check_stands_alone(htmlDocPtr doc, const char *html)
{
    assert_int_equal(count(doc, "//script | //link | //img | //iframe | //object | //embed"), 0);
    assert_int_equal(count(doc, "//@src | //@href | //@*[starts-with(name(), 'on')]"), 0);
    assert_null(strstr(html, "url("));
    assert_null(strstr(html, "@import"));
}

static void everything_is_on_the_sheet(void **state)
{
    struct sheet s = usual(*state);
    char *html = made(&s), *again = made(&s);
    assert_string_equal(html, again); /* a sheet can be made again and compared */
    assert_int_equal(strncmp(html, "<!DOCTYPE html>\n", 16), 0);
    htmlDocPtr doc = read_html(html);
    check_stands_alone(doc, html);
    check_is(doc, "/html/@lang", "en");
    check_is(doc, "//title", "up-home-1: test sheet");
    check_is(doc, "//h1", "up-home-1");
    check_is(doc, "//p[contains(@class, 'verdict')]", "Fail");
    assert_int_equal(count(doc, "//p[contains(@class, 'verdict')]/svg/path"), 1);
    assert_int_equal(count(doc, "//table[1]/tbody/tr[th]"), 7);
    check_is(doc, "//tr[th='Resistance, limb A']/td[1]", "8.310 ± 0.020 Ω");
    check_is(doc, "//tr[th='Resistance, limb A']/td[2]", "9.02 ± 0.15 Ω");
    check_is(doc, "//tr[th='Resistance, limb A']/td[3]", " differs");
    check_is(doc, "//tr[th='Current at 1.5 V']/td[1]", "86.20 ± 0.40 mA");
    /* A bound is told as one, at its place. */
    check_is(doc, "//tr[th='Insulation']/td[1]", "> 20 MΩ");
    check_is(doc, "//tr[th='Insulation']/td[2]", "8.31 ± 0.20 Ω");
    check_is(doc, "//tr[th='Mass of wire']/td[1]", "not known"); /* never a made-up 0 */
    check_is(doc, "//table[@class='findings']//tr[1]/td[1]", "91 %");
    check_is(doc, "//table[@class='findings']//tr[4]/td[1]", "< 1 %");
    check_is(doc, "//table[@class='findings']//tr[1]//i/@style", "width:91.0%");
    assert_int_equal(count(doc, "//figure/svg[@role='img']"), 4);
    assert_int_equal(count(doc, "//section[contains(@class, 'cautions')]//li"), 3);
    assert_non_null(strstr(html, "calibrated: no date given"));
    assert_non_null(strstr(html, "sha256 9f86d081884c7d65"));
    assert_non_null(strstr(html, "@page{size:A4"));
    assert_null(strstr(html, "more quantities"));
    xmlFreeDoc(doc);
    free(html);
    free(again);
}

static void each_verdict_has_its_word_and_shape(void **state)
{
    struct sheet s = {.coil = "c"};
    (void)state;
    static const char *const words[] = {"Pass", "Fail", "Undecided"};
    char *shapes[3];
    for (int i = 0; i < 3; i++) {
        s.verdict = (enum sheet_verdict)i;
        char *html = made(&s);
        htmlDocPtr doc = read_html(html);
        check_is(doc, "//p[contains(@class, 'verdict')]", words[i]);
        xmlXPathContext *context = xmlXPathNewContext(doc);
        xmlXPathObject *d = xmlXPathEvalExpression(
            (const xmlChar *)"//p[contains(@class, 'verdict')]//path/@d", context);
        shapes[i] = (char *)xmlXPathCastToString(d);
        xmlXPathFreeObject(d);
        xmlXPathFreeContext(context);
        xmlFreeDoc(doc);
        free(html);
    }
    assert_string_not_equal(shapes[0], shapes[1]);
    assert_string_not_equal(shapes[0], shapes[2]);
    assert_string_not_equal(shapes[1], shapes[2]);
    for (int i = 0; i < 3; i++)
        xmlFree(shapes[i]);
}

static void hostile_words_stay_words(void **state)
{
    static const char hostile[] =
        "</style></title><script>alert(1)</script><img src=x onerror=\"a\">"
        "' & \"\x01\x1b[31m \xff\xc0\xaf ]]> <!-- \xe2\x80\xae";
    struct sheet s = overfull(*state, hostile);
    char *html = made(&s);
    htmlDocPtr doc = read_html(html);
    check_stands_alone(doc, html);
    assert_int_equal(count(doc, "//style"), 1);
    assert_int_equal(count(doc, "//comment()"), 0);
    assert_null(strstr(html, "<script"));
    assert_null(strstr(html, "<img"));
    assert_null(strchr(html, '\x1b'));
    assert_null(strchr(html, '\x01'));
    assert_null(strchr(html, '\xff'));
    /* What was written reads back as the very words. */
    check_is(doc, "substring(//h1, 1, 32)", "</style></title><script>alert(1)");
    xmlFreeDoc(doc);
    free(html);
}

static void what_does_not_fit_is_counted(void **state)
{
    struct sheet s = overfull(*state, "some words that go on for a while, as words do");
    char *html = made(&s);
    htmlDocPtr doc = read_html(html);
    static const struct {
        const char *rows, *of_what;
    } parts[] = {{"//table[1]/tbody/tr[th]", "quantities"},
                 {"//table[@class='findings']//tr", "findings, less likely"},
                 {"//dt", "facts"},
                 {"//section[contains(@class, 'cautions')]//li", "cautions"},
                 {"//li[b]", "instruments"}};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        char expected[80];
        int shown = count(doc, parts[i].rows);
        assert_true(shown >= 5 && shown < MANY);
        snprintf(expected, sizeof expected, "and %d more %s", MANY - shown, parts[i].of_what);
        if (!strstr(html, expected))
            fail_msg("'%s' is not said", expected);
    }
    xmlFreeDoc(doc);
    free(html);
}

static void bad_use_is_an_error(void **state)
{
    struct fixture *f = *state;
    struct sheet s = {.verdict = SHEET_PASS};
    char *html;
    size_t size;
    struct report_error error = {""};
    assert_false(sheet_html(&s, &html, &size, &error));
    assert_string_equal(error.text, "a test sheet needs the name of its coil");
    assert_null(html);
    s.coil = "c";
    s.verdict = (enum sheet_verdict)9;
    assert_false(sheet_html(&s, &html, &size, &error));
    s.verdict = SHEET_PASS;
    struct sheet_figure broken = {"<svg><g></svg>", 14, NULL};
    s.figures = &broken;
    s.figure_count = 1;
    assert_false(sheet_html(&s, &html, &size, &error));
    assert_string_equal(error.text, "a drawing for the page is not an SVG picture");
    broken.svg = "<html/>";
    broken.size = 7;
    assert_false(sheet_html(&s, &html, &size, &error));
    struct sheet_layer layer = {3, 1, 50, 50};
    struct sheet_winding w = {.coil = "c", .layers = &layer, .layer_count = 1};
    assert_false(sheet_winding_html(&w, &html, &size, &error));
    layer.limb = 1;
    layer.turns = NAN;
    assert_false(sheet_winding_html(&w, &html, &size, &error));
    w.coil = "";
    assert_false(sheet_winding_html(&w, &html, &size, &error));
    (void)f;
}

static void winding_sheet_has_a_box_for_every_ten_turns(void **state)
{
    struct fixture *f = *state;
    struct sheet_winding w = {.coil = "up-home-1",
                              .purpose = "Signal arm magnet",
                              .facts = f->fact,
                              .fact_count = 5,
                              .layers = f->layer,
                              .layer_count = 24,
                              .figure = f->figure,
                              .cautions = f->caution,
                              .caution_count = 3,
                              .version = "0.1.0",
                              .digest = "none"};
    char *html;
    size_t size;
    struct report_error error = {""};
    assert_true(sheet_winding_html(&w, &html, &size, &error));
    htmlDocPtr doc = read_html(html);
    check_stands_alone(doc, html);
    assert_int_equal(count(doc, "//table[@class='layers']"), 2);
    assert_int_equal(count(doc, "//table[@class='layers']/tbody/tr"), 24);
    /* 52 and 53 turns: five boxes of ten and one for the rest. */
    assert_int_equal(count(doc, "//td[@class='tally']/i"), 24 * 6);
    assert_non_null(strstr(html, "Tick one box for every 10 turns"));
    check_is(doc, "//h2[.='Limb B']/../table/tbody/tr[12]/td[2]", "52");
    assert_int_equal(count(doc, "//figure/svg"), 1);
    assert_int_equal(count(doc, "//th[.='Layer']"), 2);
    xmlFreeDoc(doc);
    free(html);
    w.row_name = "Stretch";
    assert_true(sheet_winding_html(&w, &html, &size, &error));
    doc = read_html(html);
    assert_int_equal(count(doc, "//th[.='Stretch']"), 2);
    assert_int_equal(count(doc, "//th[.='Layer']"), 0);
    assert_int_equal(count(doc, "//p[@class='weigh']"), 0);
    xmlFreeDoc(doc);
    free(html);
    /* A place to write at for each weighing, and no more than a line holds. */
    const char *const weighings[] = {"before limb A", "before <limb> B", "after limb B", "d", "e"};
    w.weighings = weighings;
    w.weighing_count = 5;
    assert_true(sheet_winding_html(&w, &html, &size, &error));
    doc = read_html(html);
    check_stands_alone(doc, html);
    assert_int_equal(count(doc, "//p[@class='weigh']/span[i]"), 4);
    check_is(doc, "//p[@class='weigh']/span[2]/b", "before <limb> B");
    xmlFreeDoc(doc);
    free(html);
}

static void save(const char *folder, const char *name, char *html)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s.html", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(html, file) >= 0);
    assert_int_equal(fclose(file), 0);
    free(html);
}

/* With GALLERY_DIR set, sheets are left there for check_reports.sh to look at. */
static void gallery_is_written(void **state)
{
    struct fixture *f = *state;
    const char *folder = getenv("GALLERY_DIR");
    if (!folder)
        return;
    struct sheet s = usual(f);
    save(folder, "sheet-usual", made(&s));
    s.figure_count = 2;
    s.verdict = SHEET_PASS;
    save(folder, "sheet-two-figures", made(&s));
    s.figure_count = 0;
    s.verdict = SHEET_UNDECIDED;
    save(folder, "sheet-no-figure", made(&s));
    /* Sheets of growing length, so that every step of letter size is printed. */
    static const char sentence[] =
        "some words of the usual lengths, that go on for a while as words "
        "do and then come to their end";
    for (int n = 2; n <= 16; n += 2) {
        struct sheet grown = overfull(f, sentence + (n % 4 ? 60 : 30));
        grown.quantity_count = grown.finding_count = grown.fact_count = (size_t)n;
        grown.caution_count = grown.instrument_count = (size_t)n / 2;
        char name[40];
        snprintf(name, sizeof name, "sheet-of-%02d", n);
        save(folder, name, made(&grown));
    }
    char wide[4001], unbroken[4001];
    memset(unbroken, 'W', 4000);
    memcpy(wide, unbroken, 4000);
    wide[4000] = unbroken[4000] = '\0';
    for (int i = 7; i < 4000; i += 8)
        wide[i] = ' ';
    struct sheet full = overfull(f, wide);
    save(folder, "sheet-overfull", made(&full));
    full = overfull(f, unbroken);
    save(folder, "sheet-unbroken", made(&full));
    static const char *const weighings[] = {"before limb A", "before limb B", "after limb B"};
    struct sheet_winding w = {.coil = "up-home-1",
                              .purpose = "Signal arm magnet",
                              .facts = f->fact,
                              .fact_count = 5,
                              .layers = f->layer,
                              .weighings = weighings,
                              .weighing_count = 3,
                              .figure = f->figure,
                              .cautions = f->caution,
                              .caution_count = 3,
                              .version = "0.1.0",
                              .digest = "none"};
    static const size_t layers[] = {0, 2, 24, 48, 70, 2 * MANY};
    for (int i = 0; i < 7; i++) {
        w.layer_count = layers[i < 6 ? i : 5];
        if (i == 6) {
            w.coil = w.purpose = wide;
            w.facts = f->many_facts;
            w.cautions = f->many_cautions;
            w.fact_count = w.caution_count = MANY;
        }
        char *html, name[40];
        size_t size;
        assert_true(sheet_winding_html(&w, &html, &size, NULL));
        snprintf(name, sizeof name, "winding-%d", i);
        save(folder, name, html);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_is_on_the_sheet),
        cmocka_unit_test(each_verdict_has_its_word_and_shape),
        cmocka_unit_test(hostile_words_stay_words),
        cmocka_unit_test(what_does_not_fit_is_counted),
        cmocka_unit_test(bad_use_is_an_error),
        cmocka_unit_test(winding_sheet_has_a_box_for_every_ten_turns),
        cmocka_unit_test(gallery_is_written),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
