#include "acquire/faults.h"

#include <stdarg.h>
#include <stdio.h>

void faults_add(struct faults *faults, const char *format, ...)
{
    char text[STATUS_TEXT_SIZE];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (faults->count++ == 0)
        status_fail(faults->st, STATUS_INPUT, "%s", text);
    if (faults->report)
        faults->report(faults->to, text);
}
