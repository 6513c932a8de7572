#include "analyze/livetext.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *livetext_make(char buf[UNITS_FORMAT_SIZE], double value, double digit,
                          const struct quantity *quantity)
{
    char text[UNITS_FORMAT_SIZE];
    char *end;
    char *unit;
    size_t head;

    if (!(digit > 0.0) || !isfinite(value) || !quantity)
        return units_format(buf, UNITS_FORMAT_SIZE, value, NAN, quantity);
    /* Two figures of ten steps end at the step itself; what stands behind the ± is then left out.
     */
    units_format(text, sizeof text, value, 10.0 * digit, quantity);
    end = strstr(text, " ± ");
    unit = end ? strchr(end + strlen(" ± "), ' ') : NULL;
    if (!end || strchr(text, 'e'))
        return units_format(buf, UNITS_FORMAT_SIZE, value, NAN, quantity);
    head = *text == '(' ? 1 : 0;
    *end = '\0';
    snprintf(buf, UNITS_FORMAT_SIZE, "%s%s", text + head, unit ? unit : "");
    return buf;
}
