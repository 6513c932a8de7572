#include "reports/report_error.h"

#include <stdarg.h>
#include <stdio.h>

bool report_error_set(struct report_error *error, const char *format, ...)
{
    if (error) {
        va_list list;
        va_start(list, format);
        vsnprintf(error->text, sizeof error->text, format, list);
        va_end(list);
    }
    return false;
}
