#include "db/status.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum status_code status_ok(struct status *st)
{
    if (st) {
        st->code = STATUS_OK;
        st->text[0] = '\0';
    }
    return STATUS_OK;
}

enum status_code status_fail(struct status *st, enum status_code code, const char *format, ...)
{
    if (st) {
        va_list args;

        st->code = code;
        va_start(args, format);
        vsnprintf(st->text, sizeof st->text, format, args);
        va_end(args);
    }
    return code;
}

enum status_code status_prefix(struct status *st, const char *format, ...)
{
    char old[STATUS_TEXT_SIZE];
    va_list args;
    size_t used;

    if (!st)
        return STATUS_OK;
    memcpy(old, st->text, sizeof old);
    va_start(args, format);
    vsnprintf(st->text, sizeof st->text, format, args);
    va_end(args);
    used = strlen(st->text);
    snprintf(st->text + used, sizeof st->text - used, ": %s", old);
    return st->code;
}

const char *status_word(enum status_code code)
{
    switch (code) {
    case STATUS_OK:
        return "ok";
    case STATUS_INPUT:
        return "input";
    case STATUS_NOT_FOUND:
        return "not found";
    case STATUS_EXISTS:
        return "exists";
    case STATUS_IO:
        return "input/output";
    case STATUS_FULL:
        return "disk full";
    case STATUS_BUSY:
        return "busy";
    case STATUS_TIMEOUT:
        return "time-out";
    case STATUS_NUMERIC:
        return "numeric";
    case STATUS_MEMORY:
        return "memory";
    }
    return "unknown";
}
