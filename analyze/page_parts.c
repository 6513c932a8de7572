#include "analyze/page_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/page_bench.h"
#include "analyze/page_card.h"
#include "analyze/page_private.h"
#include "analyze/page_script.h"
#include "reports/style.h"
#include <libxml/xmlsave.h>

/* In the order in which a person on a phone reads them. */
static const struct page_part parts[PAGE_PARTS] = {
    {"step", "The next step", true, "polite", page_card_put_step},
    {"wanted", "The reading it asks for", true, NULL, page_bench_put_wanted},
    {"verdict", "What it looks like", false, "polite", page_card_put_verdict},
    {"act", "From here", false, NULL, page_act_put},
    {"taken", "Taken this sitting", false, NULL, page_card_put_taken},
    {"readings", "On the clips", false, NULL, page_bench_put},
    {"coils", "Coils", false, NULL, page_lists_put_coils},
    {"batteries", "Batteries", false, NULL, page_batteries_put},
};

const char *page_parts_id(size_t part)
{
    return part < PAGE_PARTS ? parts[part].id : NULL;
}

/* The children of node as HTML. */
static char *inside(xmlNode *node)
{
    xmlBuffer *buffer = xmlBufferCreate();
    xmlSaveCtxt *save =
        buffer ? xmlSaveToBuffer(buffer, "UTF-8", XML_SAVE_AS_HTML | XML_SAVE_NO_DECL) : NULL;
    bool good = save != NULL;
    char *text = NULL;

    for (xmlNode *child = node->children; good && child; child = child->next)
        good = xmlSaveTree(save, child) >= 0;
    if (save && xmlSaveClose(save) < 0)
        good = false;
    if (good)
        text = strdup((const char *)xmlBufferContent(buffer));
    xmlBufferFree(buffer);
    return text;
}

char *page_parts_markup(const struct page_view *view, size_t part)
{
    xmlDoc *doc = xmlNewDoc((const xmlChar *)"1.0");
    xmlNode *root = doc ? xmlNewDocNode(doc, NULL, (const xmlChar *)"div", NULL) : NULL;
    char *text = NULL;

    if (root) {
        xmlDocSetRootElement(doc, root);
        if (parts[part].put(view, root))
            text = inside(root);
    }
    xmlFreeDoc(doc);
    return text;
}

/* Puts what style_page does not know into the head: the script, the icon, the nonce of the style
 * and, for a browser without script, a reload. */
static bool finish_head(const struct page_view *view, xmlNode *html, const char *nonce)
{
    xmlNode *head = xmlFirstElementChild(html);
    xmlNode *node, *noscript;
    bool good = true;

    for (node = xmlFirstElementChild(head); node; node = xmlNextElementSibling(node))
        if (strcmp((const char *)node->name, "style") == 0)
            good = style_attribute(node, "nonce", nonce) && good;
    node = style_element(head, "link", NULL, NULL);
    good = good && style_attribute(node, "rel", "icon") &&
           style_attribute(node, "href", "/icon.svg") &&
           style_attribute(node, "type", "image/svg+xml");
    if (!view)
        return good;
    node = style_element(head, "script", NULL, NULL);
    good = good && style_attribute(node, "src", "/script.js") &&
           style_attribute(node, "defer", "defer");
    /* A form half filled in must not be swept away. */
    if (good && !view->session) {
        noscript = style_element(head, "noscript", NULL, NULL);
        node = style_element(noscript, "meta", NULL, NULL);
        good =
            style_attribute(node, "http-equiv", "refresh") && style_attribute(node, "content", "5");
    }
    return good;
}

static char *close_document(xmlDoc *doc, bool good, size_t *size)
{
    struct report_error error;
    char *out = NULL;

    if (good && !style_html(doc, &out, size, &error))
        out = NULL;
    xmlFreeDoc(doc);
    return out;
}

static bool put_part(const struct page_view *view, xmlNode *main_part, size_t i)
{
    const struct page_part *part = &parts[i];
    xmlNode *section = style_element(main_part, "section", NULL, NULL);
    xmlNode *place;
    char id[48];

    if (!style_attribute(section, "id", part->id))
        return false;
    if (part->untitled) {
        if (!style_attribute(section, "aria-label", part->title))
            return false;
    } else {
        snprintf(id, sizeof id, "%s-head", part->id);
        if (!style_attribute(style_element(section, "h2", NULL, part->title), "id", id) ||
            !style_attribute(section, "aria-labelledby", id))
            return false;
    }
    place = style_element(section, "div", NULL, NULL);
    snprintf(id, sizeof id, "%s-part", part->id);
    return style_attribute(place, "id", id) &&
           (!part->live || style_attribute(place, "aria-live", part->live)) &&
           part->put(view, place);
}

char *page_parts_document(const struct page_view *view, const char *nonce, size_t *size)
{
    char title[STORE_NAME_MAX + 32];
    char *query = page_lists_link("", view->coil ? view->coil : "");
    xmlNode *body, *html, *header, *main_part, *line, *link;
    const struct page_judgement *judgement;
    xmlDoc *doc;
    bool good;

    snprintf(title, sizeof title, "%s at the bench", view->coil ? view->coil : "no coil");
    doc = style_page("en", title, page_script_css(), &body);
    if (!doc || !query) {
        free(query);
        xmlFreeDoc(doc);
        return NULL;
    }
    html = xmlDocGetRootElement(doc);
    good = finish_head(view, html, nonce) && style_attribute(html, "data-boot", view->page->boot) &&
           style_attribute(html, "data-query", query);
    header = style_element(body, "header", NULL, NULL);
    good = good && style_element(header, "h1", NULL, view->coil ? view->coil : "No coil yet");
    judgement = view->coil
                    ? page_judge_look(&view->page->judge, view->page->database, view->page->units,
                                      view->page->store, view->coil, view->page->now)
                    : NULL;
    if (good && judgement && *judgement->note)
        good = style_element(header, "p", "soft", judgement->note) != NULL;
    line = style_element(header, "p", "soft", NULL);
    good = good && style_attribute(line, "id", "link") && style_attribute(line, "role", "status");
    if (good) {
        xmlNode *noscript = style_element(line, "noscript", NULL, NULL);

        link = style_element(noscript, "a", NULL, "look again");
        good = style_attribute(link, "href", *query ? query : "/");
    }
    free(query);
    main_part = style_element(body, "main", NULL, NULL);
    for (size_t i = 0; good && i < PAGE_PARTS; ++i)
        good = put_part(view, main_part, i);
    return close_document(doc, good, size);
}

static bool put_question(xmlNode *parent, const char *coil)
{
    xmlNode *form = style_element(parent, "form", NULL, NULL);
    xmlNode *label = style_element(form, "label", NULL, "token from the terminal");
    xmlNode *input = style_element(form, "input", NULL, NULL);
    xmlNode *hidden = style_element(form, "input", NULL, NULL);
    xmlNode *button = style_element(form, "button", NULL, "unlock");

    return button && style_attribute(form, "method", "post") &&
           style_attribute(form, "action", "/unlock") && style_attribute(label, "for", "token") &&
           style_attribute(input, "id", "token") && style_attribute(input, "name", "token") &&
           style_attribute(input, "maxlength", "20") &&
           style_attribute(input, "autocomplete", "off") &&
           style_attribute(input, "autocapitalize", "off") &&
           style_attribute(input, "spellcheck", "false") &&
           style_attribute(input, "required", "required") &&
           style_attribute(input, "autofocus", "autofocus") &&
           style_attribute(hidden, "type", "hidden") && style_attribute(hidden, "name", "coil") &&
           style_attribute(hidden, "value", coil) && style_attribute(button, "type", "submit");
}

char *page_parts_message(const char *title, const char *text, const char *coil, bool ask,
                         const char *nonce, size_t *size)
{
    xmlNode *body, *header, *main_part, *section, *link;
    xmlDoc *doc = style_page("en", title, page_script_css(), &body);
    char *address = page_lists_link("/", coil);
    bool good = doc && address && finish_head(NULL, xmlDocGetRootElement(doc), nonce);

    if (good) {
        header = style_element(body, "header", NULL, NULL);
        main_part = style_element(body, "main", NULL, NULL);
        section = style_element(main_part, "section", NULL, NULL);
        good = style_element(header, "h1", NULL, title) &&
               style_element(section, "p", NULL, text) && (!ask || put_question(section, coil));
        link =
            style_element(style_element(section, "p", NULL, NULL), "a", NULL, "back to the bench");
        good = good && style_attribute(link, "href", *coil ? address : "/");
    }
    free(address);
    return close_document(doc, good, size);
}
