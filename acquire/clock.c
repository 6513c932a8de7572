#include "acquire/clock.h"

#include <time.h>

static int64_t microseconds(clockid_t id)
{
    struct timespec ts;

    clock_gettime(id, &ts);
    return (int64_t)ts.tv_sec * 1000000 + ts.tv_nsec / 1000;
}

struct driver_time clock_now(void)
{
    return (struct driver_time){microseconds(CLOCK_REALTIME), microseconds(CLOCK_BOOTTIME)};
}

int64_t clock_step(struct clock_watch *watch, const struct driver_time *now, int64_t tolerance)
{
    int64_t offset = now->wall - now->mono;
    int64_t step = offset - watch->offset;
    bool first = !watch->started;

    watch->offset = offset;
    watch->started = true;
    if (first || (step <= tolerance && step >= -tolerance))
        return 0;
    return step;
}
