/* text: UTF-8 text made fit to be shown. What comes from a serial line, a file or a database may
 * hold anything; nothing reaches a terminal, a picture or a page before text_clean has seen it. */
#ifndef TRUEWOUND_TEXT_H
#define TRUEWOUND_TEXT_H

#include <stddef.h>
#include <stdint.h>

/* Returns a new string (free it) of valid UTF-8 made from s, or NULL without memory. Invalid bytes
 * become U+FFFD; tabs and line ends become one space; other control characters, and the marks that
 * turn the direction of writing, become U+FFFD. At most max_characters are kept (0: 10000), the
 * last of them U+2026 if something was cut. NULL is read as "". */
char *text_clean(const char *s, size_t max_characters);

/* Reads one character at *s and moves *s past it. Returns 0 at the end of the string and U+FFFD for
 * a byte that is not UTF-8 (RFC 3629: no overlong forms, no surrogates, nothing over U+10FFFF). */
uint32_t text_next(const char **s);

/* Writes character c as UTF-8 to out (not terminated) and returns its bytes, 1 to 4. */
size_t text_put(uint32_t c, char out[4]);

/* Tells how many columns a text takes on a terminal. Made from the C library's tables for UTF-8,
 * whatever locale the program runs in. */
struct text_ruler;

/* Returns a new ruler, or NULL without memory. Free it with text_ruler_free. */
struct text_ruler *text_ruler_new(void);
void text_ruler_free(struct text_ruler *ruler);

/* Columns of character c: 0 for a combining mark, 2 for a wide character. A character that cannot
 * be printed counts 1. ruler may be NULL: every character then counts 1. */
size_t text_ruler_character(const struct text_ruler *ruler, uint32_t c);

/* Columns of the whole of s. */
size_t text_ruler_width(const struct text_ruler *ruler, const char *s);

#endif
