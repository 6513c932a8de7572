#include "reports/style.h"

#include "reports/canvas.h"
#include "reports/text.h"
#include <libxml/HTMLtree.h>
#include <libxml/parser.h>
#include <libxml/xmlsave.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Colours of verdicts: text on the page has a contrast of at least 4.5 in both modes. */
static const char page_light[] = "--back:#f3f4f2;--leaf:#fffffe;--line:#c4cacf;--good:#0b5d48;"
                                 "--doubt:#6a4a00;--bad:#9b1c1c;--focus:#0917a5;";
static const char page_dark[] = "--back:#0d0f11;--leaf:#16191c;--line:#454e55;--good:#58d6ae;"
                                "--doubt:#efc05a;--bad:#ff9d94;--focus:#a5a0ff;";

static const char base_css[] =
    "*{box-sizing:border-box}"
    "html{color-scheme:light dark}"
    "body{margin:0;background:var(--back);color:var(--ink);"
    "font:16px/1.4 Helvetica,Arial,sans-serif}"
    "h1,h2,p,ul,dl,table,figure{margin:0;padding:0}"
    "h1{font-size:1.7em;line-height:1.15;overflow-wrap:anywhere}"
    "h2{font-size:1em;margin-bottom:.25em}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{text-align:left;vertical-align:top;padding:.14em .5em .14em 0;"
    "border-bottom:1px solid var(--line);overflow-wrap:anywhere}"
    "th{font-weight:bold}"
    ".figure{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}"
    ".soft{color:var(--soft)}"
    ".verdict{font-size:1.9em;font-weight:bold;line-height:1.1;white-space:nowrap}"
    ".pass{color:var(--good)}.fail{color:var(--bad)}.undecided{color:var(--doubt)}"
    ".bar{display:block;height:.5em;border:1px solid var(--soft);background:var(--leaf)}"
    ".bar i{display:block;height:100%;background:var(--s0)}"
    "a:focus,button:focus,input:focus{outline:3px solid var(--focus);outline-offset:2px}"
    "svg.drawing{display:block;width:100%;height:auto}";

static const char print_css[] = "@media print{html{color-scheme:light}body{background:none;"
                                "-webkit-print-color-adjust:exact;print-color-adjust:exact}}";

static void variables(FILE *out, bool dark)
{
    for (int i = 0; i < CANVAS_INKS; i++)
        fprintf(out, "--%s:#%06x;", canvas_ink_name((enum canvas_ink)i),
                canvas_ink_colour((enum canvas_ink)i, dark));
}

static void classes(FILE *out)
{
    for (int i = 0; i < CANVAS_INKS; i++) {
        const char *name = canvas_ink_name((enum canvas_ink)i);
        fprintf(out, ".s-%s{stroke:var(--%s)}.f-%s{fill:var(--%s)}", name, name, name, name);
    }
}

static char *closed(FILE *out, char **text)
{
    bool good = !ferror(out);
    if (fclose(out) || !good) {
        free(*text);
        *text = NULL;
    }
    return *text;
}

char *style_svg_css(void)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out)
        return NULL;
    fputs("svg{", out);
    variables(out, false);
    fputs("}@media screen and (prefers-color-scheme:dark){svg{", out);
    variables(out, true);
    fputs("}}", out);
    classes(out);
    return closed(out, &text);
}

char *style_css(void)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out)
        return NULL;
    fprintf(out, ":root{%s", page_light);
    variables(out, false);
    fprintf(out, "}@media screen and (prefers-color-scheme:dark){:root{%s", page_dark);
    variables(out, true);
    fputs("}}", out);
    fputs(base_css, out);
    classes(out);
    fputs(print_css, out);
    return closed(out, &text);
}

xmlNode *style_element(xmlNode *parent, const char *name, const char *css_class, const char *text)
{
    if (!parent)
        return NULL;
    xmlNode *node = xmlNewChild(parent, NULL, (const xmlChar *)name, NULL);
    if (!node)
        return NULL;
    if (css_class && !xmlSetProp(node, (const xmlChar *)"class", (const xmlChar *)css_class))
        return NULL;
    if (text) {
        char *clean = text_clean(text, 0);
        xmlNode *content = clean ? xmlNewDocText(node->doc, (const xmlChar *)clean) : NULL;
        free(clean);
        if (!content || !xmlAddChild(node, content)) {
            xmlFreeNode(content);
            return NULL;
        }
    }
    return node;
}

bool style_attribute(xmlNode *node, const char *name, const char *value)
{
    char *clean = node ? text_clean(value, 0) : NULL;
    bool good = clean && xmlSetProp(node, (const xmlChar *)name, (const xmlChar *)clean);
    free(clean);
    return good;
}

xmlDoc *style_page(const char *lang, const char *title, const char *extra_css, xmlNode **body)
{
    *body = NULL;
    char *css = style_css(), *sheet = NULL;
    if (css && asprintf(&sheet, "%s%s", css, extra_css ? extra_css : "") < 0)
        sheet = NULL;
    free(css);
    xmlDoc *doc = htmlNewDocNoDtD(NULL, NULL);
    xmlNode *html = doc ? xmlNewDocNode(doc, NULL, (const xmlChar *)"html", NULL) : NULL;
    if (!sheet || !html) {
        free(sheet);
        xmlFreeNode(html);
        xmlFreeDoc(doc);
        return NULL;
    }
    xmlDocSetRootElement(doc, html);
    xmlNode *head = style_element(html, "head", NULL, NULL);
    xmlNode *view = style_element(head, "meta", NULL, NULL);
    xmlNode *name = style_element(head, "title", NULL, title ? title : "");
    xmlNode *style = style_element(head, "style", NULL, NULL);
    xmlNode *rules = style ? xmlNewDocText(doc, (const xmlChar *)sheet) : NULL;
    free(sheet);
    if (rules && !xmlAddChild(style, rules)) {
        xmlFreeNode(rules);
        rules = NULL;
    }
    *body = style_element(html, "body", NULL, NULL);
    if (!view || !name || !rules || !*body ||
        !xmlSetProp(html, (const xmlChar *)"lang", (const xmlChar *)lang) ||
        !xmlSetProp(view, (const xmlChar *)"name", (const xmlChar *)"viewport") ||
        !xmlSetProp(view, (const xmlChar *)"content",
                    (const xmlChar *)"width=device-width, initial-scale=1")) {
        xmlFreeDoc(doc);
        *body = NULL;
        return NULL;
    }
    return doc;
}

bool style_drawing(xmlNode *parent, const char *svg, size_t size, struct report_error *error)
{
    if (!parent || !svg || size > INT_MAX)
        return report_error_set(error, "a drawing for the page is missing");
    xmlDoc *doc = xmlReadMemory(svg, (int)size, "drawing.svg", NULL,
                                XML_PARSE_NONET | XML_PARSE_NOERROR | XML_PARSE_NOWARNING);
    xmlNode *root = doc ? xmlDocGetRootElement(doc) : NULL;
    if (!root || strcmp((const char *)root->name, "svg") != 0) {
        xmlFreeDoc(doc);
        return report_error_set(error, "a drawing for the page is not an SVG picture");
    }
    xmlNode *copy = xmlDocCopyNode(root, parent->doc, 1);
    bool good = copy && xmlAddChild(parent, copy);
    if (!good)
        xmlFreeNode(copy);
    xmlFreeDoc(doc);
    return good ? true : report_error_set(error, "no memory for a page");
}

bool style_html(xmlDoc *doc, char **out, size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    xmlBuffer *buffer = xmlBufferCreate();
    xmlSaveCtxt *save =
        buffer ? xmlSaveToBuffer(buffer, "UTF-8", XML_SAVE_AS_HTML | XML_SAVE_NO_DECL) : NULL;
    bool good = save && xmlSaveDoc(save, doc) >= 0;
    if (save && xmlSaveClose(save) < 0)
        good = false;
    if (good) {
        int length = xmlBufferLength(buffer);
        int written =
            asprintf(out, "<!DOCTYPE html>\n%.*s", length, (const char *)xmlBufferContent(buffer));
        good = written >= 0;
        if (good)
            *size = (size_t)written;
        else
            *out = NULL;
    }
    xmlBufferFree(buffer);
    return good ? true : report_error_set(error, "no memory for a page");
}
