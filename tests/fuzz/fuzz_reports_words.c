/* Any bytes as the words of a table, a plot and a test sheet: they come out as valid UTF-8, and the
 * sheet and the drawing in it stay well formed. */
#include "reports/plot.h"
#include "reports/sheet.h"
#include "reports/table.h"
#include "reports/text.h"
#include <libxml/parser.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool good)
{
    if (!good)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *words = malloc(size + 2);
    if (!words)
        return 0;
    memcpy(words, data, size);
    words[size] = '\0';
    if (!words[0])
        memcpy(words, "c", 2);

    char *clean = text_clean(words, 50), *again = clean ? text_clean(clean, 51) : NULL;
    must(clean && again && !strcmp(clean, again));
    free(clean);
    free(again);

    struct report_error error;
    struct table *table = table_new(words);
    must(table != NULL);
    table_column(table, TABLE_TEXT, "a", words, words);
    table_column(table, TABLE_MARK, "b", "b", NULL);
    table_row(table);
    table_text(table, words);
    table_mark(table, TABLE_MARK_WARN, words);
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    must(out && table_print(table, out, 40, false, &error) && table_csv(table, out, &error));
    fclose(out);
    free(text);
    json_t *json = table_json(table, &error);
    must(json != NULL);
    json_decref(json);
    table_free(table);

    const double x[] = {0, 1}, y[] = {1, 2};
    struct plot *plot = plot_new(words);
    must(plot != NULL);
    plot_size(plot, 340, 230);
    plot_subtitle(plot, words);
    plot_axis(plot, PLOT_X, words, words, PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, words, "V", PLOT_LOG);
    plot_line(plot, words, 2, x, y);
    plot_mark(plot, PLOT_Y, 1.5, words);
    struct sheet_figure figure = {NULL, 0, words};
    char *svg;
    must(plot_svg(plot, true, &svg, &figure.size, &error));
    plot_free(plot);
    xmlDoc *doc = xmlReadMemory(svg, (int)figure.size, "x.svg", NULL, XML_PARSE_NOERROR);
    must(doc != NULL);
    xmlFreeDoc(doc);
    figure.svg = svg;
    const char *const cautions[] = {words};
    const struct sheet_fact fact = {words, words};
    struct sheet sheet = {.coil = words,
                          .verdict_text = words,
                          .facts = &fact,
                          .fact_count = 1,
                          .figures = &figure,
                          .figure_count = 1,
                          .cautions = cautions,
                          .caution_count = 1,
                          .digest = words};
    char *html;
    must(sheet_html(&sheet, &html, &length, &error));
    must(!strstr(html, "<script") && strlen(html) == length);
    free(html);
    free(svg);
    free(words);
    return 0;
}
