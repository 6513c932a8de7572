/* scratch: a folder of its own for each test program, and a store in it. */
#ifndef TRUEWOUND_TEST_SCRATCH_H
#define TRUEWOUND_TEST_SCRATCH_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "db/store.h"
#include "db/store_bench.h"
#include "db/store_ingest.h"

#define OK(call)                                                                                   \
    do {                                                                                           \
        struct status *ok_st = &st;                                                                \
        if ((call) != STATUS_OK)                                                                   \
            fail_msg("%s: %s", #call, ok_st->text);                                                \
    } while (0)

/* |a - b| <= tolerance; two NaN are equal, one is not. */
#define NEAR(a, b, tolerance)                                                                      \
    do {                                                                                           \
        double near_a = (a), near_b = (b);                                                         \
        if (isnan(near_a) != isnan(near_b) || fabs(near_a - near_b) > (tolerance))                 \
            fail_msg("%s = %.17g, expected %.17g within %g", #a, near_a, near_b,                   \
                     (double)(tolerance));                                                         \
    } while (0)

struct scratch {
    char folder[64];
    char path[96];
};

static inline void scratch_make(struct scratch *s)
{
    snprintf(s->folder, sizeof s->folder, "/tmp/truewound-db-XXXXXX");
    assert_non_null(mkdtemp(s->folder));
    snprintf(s->path, sizeof s->path, "%s/bench.db", s->folder);
}

static inline void scratch_clear(struct scratch *s)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-journal"};
    char name[128];

    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        snprintf(name, sizeof name, "%s%s", s->path, ends[i]);
        unlink(name);
    }
}

static inline void scratch_remove(struct scratch *s)
{
    scratch_clear(s);
    rmdir(s->folder);
}

/* A store with one instrument and n channels of voltage; ids[] gets their ids. */
static inline struct store *scratch_daemon(struct scratch *s, size_t n, int64_t *ids)
{
    struct store *store;
    struct status st;
    int64_t instrument;

    OK(store_open(s->path, STORE_DAEMON, &store, &st));
    OK(store_bench_put_instrument(
        store, &(struct store_instrument){.name = "meter", .driver = "lines"}, &instrument, &st));
    for (size_t i = 0; i < n; i++) {
        char name[16];

        snprintf(name, sizeof name, "ch%zu", i);
        OK(store_bench_put_channel(
            store,
            &(struct store_channel){
                .instrument = instrument, .name = name, .quantity = "voltage", .resolution = NAN},
            &ids[i], &st));
    }
    return store;
}

static inline struct store_reading scratch_reading(int64_t channel, int64_t time, double raw)
{
    return (struct store_reading){.channel = channel, .time = time, .raw = raw, .range = NAN};
}

/* A 64-bit generator with a seed of its own (Marsaglia, Xorshift RNGs, J. Stat. Soft. 8, 2003). */
static inline uint64_t scratch_random(uint64_t *state)
{
    uint64_t x = *state;

    x ^= x << 13;
    x ^= x >> 7;
    x ^= x << 17;
    return *state = x;
}

static inline double scratch_uniform(uint64_t *state)
{
    return (double)(scratch_random(state) >> 11) / 9007199254740992.0;
}

#endif
