#include "acquire/benchvalue.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "acquire/number.h"
#include "acquire/pattern.h"

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    c = (char)tolower((unsigned char)c);
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* Resolves the escapes of text into fresh memory. NULL with *why on a wrong escape. */
static char *resolve_escapes(const char *text, size_t *length, const char **why)
{
    char *bytes = malloc(strlen(text) + 1);
    size_t n = 0;

    *why = "no memory";
    if (!bytes)
        return NULL;
    for (; *text; ++text) {
        if (*text != '\\') {
            bytes[n++] = *text;
            continue;
        }
        ++text;
        switch (*text) {
        case 'r':
            bytes[n++] = '\r';
            break;
        case 'n':
            bytes[n++] = '\n';
            break;
        case 't':
            bytes[n++] = '\t';
            break;
        case 's':
            bytes[n++] = ' ';
            break;
        case '0':
            bytes[n++] = '\0';
            break;
        case '\\':
            bytes[n++] = '\\';
            break;
        case 'x':
            if (hex_digit(text[1]) >= 0 && hex_digit(text[2]) >= 0) {
                bytes[n++] = (char)(hex_digit(text[1]) * 16 + hex_digit(text[2]));
                text += 2;
                break;
            }
            __attribute__((fallthrough));
        default:
            *why = "a backslash must begin \\r \\n \\t \\s \\0 \\\\ or \\xHH";
            free(bytes);
            return NULL;
        }
    }
    bytes[n] = '\0';
    *length = n;
    return bytes;
}

/* A number and nothing behind it but white space. */
static bool whole_number(const char *text, double *number)
{
    struct number parsed;
    size_t length = strlen(text);

    if (!number_read(text, length, NUMBER_POINT, &parsed))
        return false;
    while (parsed.used < length && isspace((unsigned char)text[parsed.used]))
        ++parsed.used;
    *number = parsed.value;
    return parsed.used == length;
}

bool benchvalue_time(const char *text, double *seconds)
{
    static const struct {
        const char *word;
        double factor;
    } words[] = {{"us", 1e-6}, {"ms", 1e-3}, {"s", 1},        {"min", 60},   {"h", 3600},
                 {"d", 86400}, {"", 1},      {"days", 86400}, {"day", 86400}};
    struct number parsed;

    if (!number_read(text, strlen(text), NUMBER_POINT, &parsed))
        return false;
    text += parsed.used;
    while (isspace((unsigned char)*text))
        ++text;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; ++i)
        if (strcmp(text, words[i].word) == 0) {
            *seconds = parsed.value * words[i].factor;
            return true;
        }
    return false;
}

static bool switch_text(const char *text, double *number)
{
    static const char *const yes[] = {"yes", "on", "true", "1"};
    static const char *const no[] = {"no", "off", "false", "0"};

    for (size_t i = 0; i < 4; ++i) {
        if (strcasecmp(text, yes[i]) == 0) {
            *number = 1;
            return true;
        }
        if (strcasecmp(text, no[i]) == 0) {
            *number = 0;
            return true;
        }
    }
    return false;
}

static bool is_choice(const char *text, const char *choices)
{
    size_t length = strlen(text);

    for (const char *at = choices; length > 0 && *at;) {
        size_t n = strcspn(at, " ");

        if (n == length && strncmp(at, text, n) == 0)
            return true;
        at += n + (at[n] == ' ');
    }
    return false;
}

static bool pattern_compiles(const char *text, char *why, size_t size)
{
    struct pattern *pattern;
    struct status st;

    if (pattern_new(text, &pattern, &st) == STATUS_OK) {
        pattern_free(pattern);
        return true;
    }
    snprintf(why, size, "%.200s", st.text);
    return false;
}

bool benchvalue_convert(struct benchvalue *value, const char *text, char *why, size_t size)
{
    const struct section_key *key = value->key;
    const char *reason;
    bool ok = true;

    why[0] = '\0';
    value->number = NAN;
    value->text = strdup(text);
    if (!value->text)
        return false;
    switch (key->kind) {
    case SECTION_TEXT:
        break;
    case SECTION_BYTES:
    case SECTION_LIST:
        value->bytes = resolve_escapes(text, &value->length, &reason);
        if (!value->bytes) {
            snprintf(why, size, "'%s': %s", text, reason);
            return false;
        }
        break;
    case SECTION_NUMBER:
        if (!whole_number(text, &value->number)) {
            snprintf(why, size, "'%s' is not a number", text);
            return false;
        }
        break;
    case SECTION_INTEGER:
        if (!whole_number(text, &value->number) || floor(value->number) != value->number) {
            snprintf(why, size, "'%s' is not a whole number", text);
            return false;
        }
        break;
    case SECTION_TIME:
        if (!benchvalue_time(text, &value->number)) {
            snprintf(why, size, "'%s' is not a time; expected a number with us, ms, s, min, h or d",
                     text);
            return false;
        }
        break;
    case SECTION_SWITCH:
        ok = switch_text(text, &value->number);
        if (!ok)
            snprintf(why, size, "'%s' is neither yes nor no", text);
        return ok;
    case SECTION_CHOICE:
        ok = is_choice(text, key->choices);
        if (!ok)
            snprintf(why, size, "'%s' is not one of: %s", text, key->choices);
        return ok;
    case SECTION_PATTERN:
    case SECTION_PATTERNS:
        value->length = strlen(text);
        return pattern_compiles(text, why, size);
    }
    if ((key->kind == SECTION_NUMBER || key->kind == SECTION_INTEGER ||
         key->kind == SECTION_TIME) &&
        !(value->number >= key->min && value->number <= key->max)) {
        snprintf(why, size, "%s is out of range; expected %g to %g%s", text, key->min, key->max,
                 key->kind == SECTION_TIME ? " s" : "");
        return false;
    }
    return true;
}

bool benchvalue_pair(const char *text, double *a, double *b)
{
    struct number first;

    if (!number_read(text, strlen(text), NUMBER_POINT, &first))
        return false;
    *a = first.value;
    return isspace((unsigned char)text[first.used]) && whole_number(text + first.used, b);
}

static const char *skip_word(const char *text, const char *word)
{
    size_t length = strlen(word);

    text += strspn(text, " \t");
    return strncmp(text, word, length) == 0 ? text + length : NULL;
}

bool benchvalue_accuracy(const char *text, struct calibration_accuracy *accuracy)
{
    struct number number;
    const char *next;
    bool any = false;

    *accuracy = (struct calibration_accuracy){.up_to = INFINITY, .digit = NAN};
    next = skip_word(text, "up to");
    if (next) {
        if (!number_read(next, strlen(next), NUMBER_POINT, &number) || number.value <= 0.0)
            return false;
        accuracy->up_to = number.value;
        next = skip_word(next + number.used, ":");
        if (!next)
            return false;
        text = next;
    }
    if (number_read(text, strlen(text), NUMBER_POINT, &number) &&
        (next = skip_word(text + number.used, "%"))) {
        accuracy->percent = number.value;
        text = next;
        any = true;
        next = skip_word(text, "+");
        text = next ? next : text;
    }
    if (number_read(text, strlen(text), NUMBER_POINT, &number)) {
        accuracy->digits = number.value;
        next = skip_word(text + number.used, "digits");
        if (!next)
            next = skip_word(text + number.used, "digit");
        if (!next)
            return false;
        text = next;
        any = true;
        next = skip_word(text, "of");
        if (next) {
            if (!number_read(next, strlen(next), NUMBER_POINT, &number) || number.value <= 0.0)
                return false;
            accuracy->digit = number.value;
            text = next + number.used;
        }
    }
    text += strspn(text, " \t");
    return any && !*text && accuracy->percent >= 0.0 && accuracy->digits >= 0.0;
}

bool benchvalue_is_date(const char *text)
{
    static const char form[] = "dddd-dd-dd";
    int month, day;

    for (size_t i = 0; i < sizeof form; ++i)
        if (form[i] == 'd' ? !isdigit((unsigned char)text[i]) : text[i] != form[i])
            return false;
    month = (text[5] - '0') * 10 + text[6] - '0';
    day = (text[8] - '0') * 10 + text[9] - '0';
    return month >= 1 && month <= 12 && day >= 1 && day <= 31;
}
