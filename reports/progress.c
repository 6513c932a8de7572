#include "reports/progress.h"

#include <string.h>
#include <time.h>
#include <unistd.h>

#define FIRST_MS 1000
#define EVERY_MS 200

static int64_t now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

void progress_begin(struct progress *progress, FILE *out, const char *label, uint64_t total)
{
    memset(progress, 0, sizeof *progress);
    progress->out = out;
    progress->total = total;
    progress->terminal = isatty(fileno(out)) == 1;
    progress->start_ms = now_ms();
    size_t n = 0;
    for (const char *p = label ? label : ""; *p && n + 1 < sizeof progress->label; p++)
        if ((unsigned char)*p >= 0x20 && (unsigned char)*p != 0x7F)
            progress->label[n++] = *p;
}

void progress_step(struct progress *progress, uint64_t done)
{
    if (!progress->terminal)
        return;
    int64_t now = now_ms();
    if (now - progress->start_ms < FIRST_MS ||
        (progress->shown && now - progress->shown_ms < EVERY_MS))
        return;
    progress->shown = true;
    progress->shown_ms = now;
    if (progress->total) {
        double part = done < progress->total ? (double)done / (double)progress->total : 1;
        fprintf(progress->out, "\r\033[K%s: %3.0f %%", progress->label, 100 * part);
    } else {
        fprintf(progress->out, "\r\033[K%s: %llu", progress->label, (unsigned long long)done);
    }
    fflush(progress->out);
}

void progress_end(struct progress *progress)
{
    if (progress->shown) {
        fputs("\r\033[K", progress->out);
        fflush(progress->out);
    }
    progress->shown = false;
    progress->terminal = false;
}
