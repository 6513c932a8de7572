/* batteryshow: what a battery's readings say, as a table for a person and as JSON for a program. */
#ifndef TRUEWOUND_BATTERYSHOW_H
#define TRUEWOUND_BATTERYSHOW_H

#include <jansson.h>

#include "analyze/batterybook.h"
#include "reports/table.h"

/* The record, the latest day, the trend and the forecast, with notes and the cautions that apply.
 * A date is given only where the forecast tells one. NULL: no memory. */
struct table *batteryshow_table(const struct batterybook *book);

/* The same; NULL: no memory. */
json_t *batteryshow_json(const struct batterybook *book);

/* The date (UTC) of seconds since 1970, in buf. */
const char *batteryshow_date(char buf[32], double time_s);

#endif
