/* style: the one place for how pages look, on a screen in light and dark and on paper. */
#ifndef TRUEWOUND_STYLE_H
#define TRUEWOUND_STYLE_H

#include "reports/report_error.h"
#include <libxml/tree.h>

/* Style for every page: colours as custom properties (light, dark, print), plain elements, figures,
 * verdicts (class 'verdict pass|fail|undecided'), bars. A new string (free it), or NULL. */
char *style_css(void);

/* Style for drawings alone, put into SVG files that stand by themselves. New string, or NULL. */
char *style_svg_css(void);

/* Adds element name with text (cleaned; NULL: none) and class (NULL: none) under parent. Escaping
 * is the library's. Returns the node, or NULL without memory. */
xmlNode *style_element(xmlNode *parent, const char *name, const char *css_class, const char *text);

/* Sets an attribute to a value (cleaned). Returns false without memory, or if node is NULL. */
bool style_attribute(xmlNode *node, const char *name, const char *value);

/* Begins an HTML document: doctype, html with lang, head with viewport, title, the style
 * and extra_css (may be NULL), and an empty body. Returns the document (xmlFreeDoc) and *body, or
 * NULL. No script, nothing from elsewhere. */
xmlDoc *style_page(const char *lang, const char *title, const char *extra_css, xmlNode **body);

/* Puts an SVG drawing made by plot_svg or coildraw_svg under parent. */
bool style_drawing(xmlNode *parent, const char *svg, size_t size, struct report_error *error);

/* Writes the document as HTML in UTF-8, which its head then states (free *out). */
bool style_html(xmlDoc *doc, char **out, size_t *size, struct report_error *error);

#endif
