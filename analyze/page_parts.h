/* page_parts: the bench page as one document, and its changing parts one by one. */
#ifndef TRUEWOUND_PAGE_PARTS_H
#define TRUEWOUND_PAGE_PARTS_H

#include <stdbool.h>
#include <stddef.h>

struct page_view;

#define PAGE_PARTS 8

/* The id of a part, or NULL beyond the last. */
const char *page_parts_id(size_t part);

/* The markup of one part, to be freed; NULL without memory. */
char *page_parts_markup(const struct page_view *view, size_t part);

/* The whole page, to be freed; NULL without memory. nonce: of its style. */
char *page_parts_document(const struct page_view *view, const char *nonce, size_t *size);

/* A page of one message, with a way back to the coil; with ask, the form for the token. */
char *page_parts_message(const char *title, const char *text, const char *coil, bool ask,
                         const char *nonce, size_t *size);

#endif
