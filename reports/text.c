#include "reports/text.h"

#include <locale.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <wchar.h>

#define REPLACEMENT 0xFFFDu
#define ELLIPSIS    0x2026u

uint32_t text_next(const char **s)
{
    const unsigned char *p = (const unsigned char *)*s;
    if (!p[0])
        return 0;
    if (p[0] < 0x80) {
        (*s)++;
        return p[0];
    }
    int more = p[0] >= 0xC2 && p[0] <= 0xDF   ? 1
               : p[0] >= 0xE0 && p[0] <= 0xEF ? 2
               : p[0] >= 0xF0 && p[0] <= 0xF4 ? 3
                                              : 0;
    uint32_t c = more == 1 ? p[0] & 0x1Fu : more == 2 ? p[0] & 0x0Fu : p[0] & 0x07u;
    for (int i = 1; i <= more; i++) {
        if ((p[i] & 0xC0) != 0x80) {
            more = 0; /* the byte that broke off is read again as a character of its own */
            break;
        }
        c = c << 6 | (p[i] & 0x3Fu);
    }
    static const uint32_t smallest[] = {0, 0x80, 0x800, 0x10000};
    if (!more || c < smallest[more] || (c >= 0xD800 && c <= 0xDFFF) || c > 0x10FFFF) {
        (*s)++;
        return REPLACEMENT;
    }
    *s += more + 1;
    return c;
}

size_t text_put(uint32_t c, char out[4])
{
    if (c < 0x80) {
        out[0] = (char)c;
        return 1;
    }
    size_t n = c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;
    for (size_t i = n - 1; i > 0; i--, c >>= 6)
        out[i] = (char)(0x80 | (c & 0x3F));
    static const unsigned lead[] = {0, 0, 0xC0, 0xE0, 0xF0};
    out[0] = (char)(lead[n] | c);
    return n;
}

static uint32_t shown(uint32_t c)
{
    /* C0 and C1 controls, DEL; marks that turn the writing direction (they could make a line read
     * as something it is not); zero-width and line separators; what is no character at all. */
    if (c < 0x20 || (c >= 0x7F && c <= 0x9F) || (c >= 0x200B && c <= 0x200F) ||
        (c >= 0x2028 && c <= 0x202E) || (c >= 0x2060 && c <= 0x206F) || c == 0x061C ||
        c == 0xFEFF || (c >= 0xFDD0 && c <= 0xFDEF) || (c & 0xFFFE) == 0xFFFE ||
        (c >= 0xE0000 && c <= 0xE0FFF))
        return REPLACEMENT;
    return c;
}

char *text_clean(const char *s, size_t max_characters)
{
    if (!s)
        s = "";
    if (!max_characters)
        max_characters = 10000;
    /* Every character kept comes from at least one byte and takes at most four. */
    size_t length = strnlen(s, 4 * max_characters + 4);
    size_t most = (length < max_characters ? length : max_characters) + 1;
    char *out = malloc(4 * most + 1);
    if (!out)
        return NULL;
    size_t n = 0, last = 0, count = 0;
    for (const char *p = s; *p;) {
        uint32_t c = text_next(&p);
        if (c == '\r' && *p == '\n')
            continue;
        c = c == '\t' || c == '\n' || c == '\r' ? ' ' : shown(c);
        if (count == max_characters) {
            n = last;
            n += text_put(ELLIPSIS, out + n);
            break;
        }
        last = n;
        n += text_put(c, out + n);
        count++;
    }
    out[n] = '\0';
    return out;
}

struct text_ruler {
    locale_t locale; /* of UTF-8 characters; 0 if the system has none */
};

struct text_ruler *text_ruler_new(void)
{
    struct text_ruler *ruler = calloc(1, sizeof *ruler);
    if (ruler)
        ruler->locale = newlocale(LC_CTYPE_MASK, "C.UTF-8", (locale_t)0);
    return ruler;
}

void text_ruler_free(struct text_ruler *ruler)
{
    if (!ruler)
        return;
    if (ruler->locale)
        freelocale(ruler->locale);
    free(ruler);
}

static size_t width_of(uint32_t c)
{
    if (c < 0x80)
        return 1;
    int width = wcwidth((wchar_t)c);
    return width < 0 ? 1 : (size_t)width;
}

size_t text_ruler_character(const struct text_ruler *ruler, uint32_t c)
{
    if (!ruler || !ruler->locale || c < 0x80)
        return 1;
    locale_t old = uselocale(ruler->locale);
    size_t width = width_of(c);
    uselocale(old);
    return width;
}

size_t text_ruler_width(const struct text_ruler *ruler, const char *s)
{
    size_t total = 0;
    bool known = ruler && ruler->locale;
    locale_t old = known ? uselocale(ruler->locale) : (locale_t)0;
    for (uint32_t c; (c = text_next(&s));)
        total += known ? width_of(c) : 1;
    if (known)
        uselocale(old);
    return total;
}
