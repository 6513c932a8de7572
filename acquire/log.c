#include "acquire/log.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct log log_standard(void)
{
    return (struct log){.out = stderr, .journal = getenv("JOURNAL_STREAM") != NULL};
}

/* Length of the well-formed UTF-8 sequence at text (RFC 3629, section 4), or 0. */
static size_t sequence(const unsigned char *text)
{
    size_t more;

    if (text[0] < 0x80)
        return text[0] >= 0x20 && text[0] != 0x7f ? 1 : 0;
    if (text[0] >= 0xc2 && text[0] <= 0xdf)
        more = 1;
    else if (text[0] >= 0xe0 && text[0] <= 0xef)
        more = 2;
    else if (text[0] >= 0xf0 && text[0] <= 0xf4)
        more = 3;
    else
        return 0;
    for (size_t i = 1; i <= more; ++i)
        if ((text[i] & 0xc0) != 0x80)
            return 0;
    if ((text[0] == 0xc2 && text[1] < 0xa0) || (text[0] == 0xe0 && text[1] < 0xa0) ||
        (text[0] == 0xed && text[1] > 0x9f) || (text[0] == 0xf0 && text[1] < 0x90) ||
        (text[0] == 0xf4 && text[1] > 0x8f))
        return 0;
    return more + 1;
}

void log_clean(char *text)
{
    for (unsigned char *at = (unsigned char *)text; *at;) {
        size_t n = sequence(at);

        if (n == 0) {
            *at = '?';
            n = 1;
        }
        at += n;
    }
}

void log_line(const struct log *log, enum driver_severity severity, const char *format, ...)
{
    static const char *const prefix[] = {"<6>", "<4>", "<3>"};
    static const char *const word[] = {"", "warning: ", "error: "};
    char text[1024];
    va_list args;

    if (!log || !log->out || severity < log->least)
        return;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    log_clean(text);
    if (log->journal) {
        fprintf(log->out, "%s%s\n", prefix[severity], text);
    } else {
        char stamp[32] = "";
        time_t now = time(NULL);
        struct tm tm;

        if (gmtime_r(&now, &tm))
            strftime(stamp, sizeof stamp, "%Y-%m-%dT%H:%M:%SZ", &tm);
        fprintf(log->out, "%s truewoundd: %s%s\n", stamp, word[severity], text);
    }
    fflush(log->out);
}
