#include "analyze/flagwords.h"

#include <stdio.h>

#include "db/store.h"

static const struct {
    uint32_t flag;
    const char *word;
} words[] = {{STORE_FLAG_OVERLOAD, "overload"},
             {STORE_FLAG_HOLD, "hold"},
             {STORE_FLAG_LOW_BATTERY, "low battery"},
             {STORE_FLAG_UNSTABLE, "unstable"},
             {STORE_FLAG_OUT_OF_SYNC, "out of sync"},
             {STORE_FLAG_MIN, "least"},
             {STORE_FLAG_MAX, "greatest"},
             {STORE_FLAG_LOST, "lost before"},
             {STORE_FLAG_RELATIVE, "relative"},
             {STORE_FLAG_AC, "ac"},
             {STORE_FLAG_SUSPECT, "suspect"}};

const char *flagwords_text(char *buf, size_t size, uint32_t bits)
{
    size_t used = 0;

    buf[0] = '\0';
    for (size_t i = 0; i < sizeof words / sizeof *words && used < size; ++i)
        if (bits & words[i].flag)
            used +=
                (size_t)snprintf(buf + used, size - used, "%s%s", used ? ", " : "", words[i].word);
    return buf;
}
