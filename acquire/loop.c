#include "acquire/loop.h"

#include <errno.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sys/timerfd.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include "acquire/benchfile.h"
#include "acquire/clock.h"
#include "acquire/control.h"
#include "acquire/dialogue.h"
#include "acquire/logger.h"

#define EVENTS_AT_ONCE 64
#define STEP_TOLERANCE 250000  /* us: a slewed clock stays below, 500 ppm of 8 minutes */
#define LATE_MOST      2000000 /* us behind its time: the machine slept or is overloaded */
#define LAST_READS     16      /* turns of reading at the end, 16 KiB each */
#define NAP            2000000 /* ns, see nap() */
#define ROOM_EVERY     3000    /* ms between looks whether the disk has room again */

struct loop {
    const struct loop_settings *settings;
    const struct log *log;
    struct benchfile *bench;
    struct logger *logger;
    struct control *control;
    struct dialogue **dialogue;
    uint64_t *generation; /* of the descriptor that epoll watches */
    bool *writing;
    size_t dialogues;
    int epoll, timer, signals;
    int64_t armed;    /* what the timer is set to, mono */
    int64_t watchdog; /* us between signs of life, 0: none wanted */
    int64_t next_life;
    struct clock_watch clock;
    bool stop;
    bool reload;
};

static struct control_bench control_bench_of(const struct loop *loop)
{
    return (struct control_bench){
        .logger = loop->logger, .dialogue = loop->dialogue, .dialogues = loop->dialogues};
}

/* ---- making ---- */

static enum status_code open_descriptors(struct loop *loop, struct status *st)
{
    struct epoll_event event = {.events = EPOLLIN};
    sigset_t set;

    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    sigprocmask(SIG_BLOCK, &set, NULL);
    signal(SIGPIPE, SIG_IGN);
    loop->epoll = epoll_create1(EPOLL_CLOEXEC);
    loop->timer = timerfd_create(CLOCK_BOOTTIME, TFD_NONBLOCK | TFD_CLOEXEC);
    loop->signals = signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
    if (loop->epoll < 0 || loop->timer < 0 || loop->signals < 0)
        return status_fail(st, STATUS_IO, "no descriptors for the loop: %s", strerror(errno));
    event.data.ptr = &loop->timer;
    if (epoll_ctl(loop->epoll, EPOLL_CTL_ADD, loop->timer, &event) != 0)
        return status_fail(st, STATUS_IO, "epoll: %s", strerror(errno));
    event.data.ptr = &loop->signals;
    if (epoll_ctl(loop->epoll, EPOLL_CTL_ADD, loop->signals, &event) != 0)
        return status_fail(st, STATUS_IO, "epoll: %s", strerror(errno));
    return status_ok(st);
}

/* The dialogue that has the instrument of that name, taken out of the list; NULL: none has. */
static struct dialogue *take_dialogue(struct dialogue **list, size_t count, const char *name)
{
    for (size_t i = 0; i < count; ++i)
        if (list[i] && strcmp(dialogue_instrument(list[i])->name, name) == 0) {
            struct dialogue *found = list[i];

            list[i] = NULL;
            return found;
        }
    return NULL;
}

/* Makes the dialogues of a bench file. Those that say the same as before go on untouched; the
 * others take over the open port where they can. A dialogue that cannot be made leaves the old one
 * in place. */
static enum status_code set_bench(struct loop *loop, struct benchfile *bench,
                                  const struct driver_time *now, struct status *st)
{
    struct dialogue **fresh = calloc(bench->instruments, sizeof *fresh);
    uint64_t *generation = calloc(bench->instruments, sizeof *generation);
    bool *writing = calloc(bench->instruments, sizeof *writing);
    enum status_code code = status_ok(st);
    size_t count = 0;

    if (!fresh || !generation || !writing) {
        free(fresh);
        free(generation);
        free(writing);
        return status_fail(st, STATUS_MEMORY, "no memory");
    }
    for (size_t i = 0; i < bench->instruments; ++i) {
        struct dialogue *old =
            take_dialogue(loop->dialogue, loop->dialogues, bench->instrument[i].name);

        if (old && dialogue_is_same(old, bench, i)) {
            fresh[count++] = old;
        } else {
            struct status why;

            if (dialogue_new(bench, i, loop->logger, old, now, &fresh[count], &why) == STATUS_OK) {
                dialogue_free(old, now);
                ++count;
            } else {
                if (code == STATUS_OK)
                    code = status_fail(st, why.code, "%s", why.text);
                logger_event(loop->logger, NULL, now, DRIVER_ERROR, "bench", why.text, true);
                if (old)
                    fresh[count++] = old;
            }
        }
    }
    for (size_t i = 0; i < loop->dialogues; ++i)
        dialogue_free(loop->dialogue[i], now);
    free(loop->dialogue);
    free(loop->generation);
    free(loop->writing);
    loop->dialogue = fresh;
    loop->generation = generation; /* 0: epoll is told anew, which does no harm */
    loop->writing = writing;
    loop->dialogues = count;
    return code;
}

/* ---- the parts of one turn ---- */

/* Tells epoll about descriptors that were opened, and whether writing waits. */
static void watch_dialogues(struct loop *loop)
{
    for (size_t i = 0; i < loop->dialogues; ++i) {
        struct dialogue *dialogue = loop->dialogue[i];
        int fd = dialogue_descriptor(dialogue);
        bool writing = dialogue_wants_write(dialogue);
        struct epoll_event event = {.events = EPOLLIN | (writing ? (uint32_t)EPOLLOUT : 0U),
                                    .data.ptr = dialogue};

        if (fd < 0)
            continue;
        if (loop->generation[i] == dialogue_generation(dialogue) && loop->writing[i] == writing)
            continue;
        if (epoll_ctl(loop->epoll, EPOLL_CTL_MOD, fd, &event) != 0)
            epoll_ctl(loop->epoll, EPOLL_CTL_ADD, fd, &event);
        loop->generation[i] = dialogue_generation(dialogue);
        loop->writing[i] = writing;
    }
}

static int64_t next_due(const struct loop *loop)
{
    int64_t due = logger_due(loop->logger);

    for (size_t i = 0; i < loop->dialogues; ++i) {
        int64_t own = dialogue_due(loop->dialogue[i]);

        due = own < due ? own : due;
    }
    if (loop->watchdog > 0 && loop->next_life < due)
        due = loop->next_life;
    return due;
}

static void arm(struct loop *loop, int64_t due, const struct driver_time *now)
{
    struct itimerspec when = {{0, 0}, {0, 0}};

    if (due <= now->mono)
        due = now->mono + 1;
    if (due == loop->armed)
        return;
    when.it_value.tv_sec = (time_t)(due / 1000000);
    when.it_value.tv_nsec = (long)(due % 1000000) * 1000;
    timerfd_settime(loop->timer, TFD_TIMER_ABSTIME, &when, NULL);
    loop->armed = due;
}

static void read_signals(struct loop *loop)
{
    struct signalfd_siginfo info;

    while (read(loop->signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGHUP)
            loop->reload = true;
        else
            loop->stop = true;
    }
}

static void report_fault(void *to, const char *text)
{
    log_line(to, DRIVER_ERROR, "%s", text);
}

/* SIGHUP: a bench file with a fault changes nothing. */
static void reload(struct loop *loop, const struct driver_time *now)
{
    struct benchfile *bench;
    struct status st;
    char text[STATUS_TEXT_SIZE];
    const struct log *log = loop->log;
    struct log copy = *log;

    loop->reload = false;
    sd_notifyf(0, "RELOADING=1\nMONOTONIC_USEC=%" PRId64, now->mono);
    if (benchfile_read(loop->settings->bench, report_fault, &copy, &bench, &st) != STATUS_OK) {
        snprintf(text, sizeof text, "the bench file was not taken over: %.400s", st.text);
        logger_event(loop->logger, NULL, now, DRIVER_ERROR, "reload", text, true);
    } else {
        if (!loop->settings->database && bench->database &&
            strcmp(bench->database, logger_path(loop->logger)) != 0)
            log_line(log, DRIVER_WARNING, "another database needs a restart; going on with %s",
                     logger_path(loop->logger));
        logger_set(loop->logger, bench->flush_interval, bench->retention);
        set_bench(loop, bench, now, &st);
        benchfile_free(loop->bench);
        loop->bench = bench;
        snprintf(text, sizeof text, "the bench file was read again: %zu instruments",
                 loop->dialogues);
        logger_event(loop->logger, NULL, now, DRIVER_INFO, "reload", text, true);
    }
    sd_notify(0, "READY=1");
}

/* Looks whether the wall clock was stepped, or the loop came far too late. */
static void check_clock(struct loop *loop, const struct driver_time *now, int64_t due)
{
    int64_t step = clock_step(&loop->clock, now, STEP_TOLERANCE);
    char text[160];

    if (step != 0) {
        snprintf(text, sizeof text,
                 "the clock was set %s by %.3f s; the times of readings jump with it",
                 step > 0 ? "forward" : "back", (double)(step > 0 ? step : -step) / 1e6);
        logger_event(loop->logger, NULL, now, DRIVER_WARNING, "clock-step", text, true);
        logger_clock_stepped(loop->logger, now);
    }
    if (now->mono - due > LATE_MOST) {
        snprintf(text, sizeof text,
                 "the daemon did not run for %.1f s: the machine slept or is overloaded",
                 (double)(now->mono - due) / 1e6);
        logger_event(loop->logger, NULL, now, DRIVER_WARNING, "late", text, false);
    }
}

static void sign_of_life(struct loop *loop, const struct driver_time *now)
{
    if (loop->watchdog <= 0 || now->mono < loop->next_life)
        return;
    sd_notify(0, "WATCHDOG=1");
    loop->next_life = now->mono + loop->watchdog;
}

/* A busy serial line wakes the loop for every few bytes. A short rest when that happens lets bytes
 * gather, so that the work is done once for many; it is far below what a time stamp can mean. */
static void nap(const struct driver_time *before)
{
    struct driver_time now = clock_now();
    struct timespec rest = {.tv_nsec = NAP};

    if (now.mono - before->mono < NAP / 1000)
        clock_nanosleep(CLOCK_MONOTONIC, 0, &rest, NULL);
}

static void handle(struct loop *loop, const struct epoll_event *event,
                   const struct driver_time *now)
{
    if (event->data.ptr == &loop->timer) {
        uint64_t count;

        if (read(loop->timer, &count, sizeof count) > 0)
            loop->armed = 0;
        return;
    }
    if (event->data.ptr == &loop->signals) {
        read_signals(loop);
        return;
    }
    if (control_owns(loop->control, event->data.ptr)) {
        struct control_bench bench = control_bench_of(loop);

        control_ready(loop->control, event->data.ptr, event->events, &bench, now);
        return;
    }
    for (size_t i = 0; i < loop->dialogues; ++i)
        if (event->data.ptr == loop->dialogue[i])
            dialogue_ready(loop->dialogue[i], (event->events & EPOLLIN) != 0,
                           (event->events & EPOLLOUT) != 0,
                           (event->events & (EPOLLHUP | EPOLLERR)) != 0, now);
}

static void turn(struct loop *loop, struct driver_time *last)
{
    struct epoll_event events[EVENTS_AT_ONCE];
    struct driver_time now = clock_now();
    int64_t due;
    int count;

    watch_dialogues(loop);
    due = next_due(loop);
    arm(loop, due, &now);
    due = due > now.mono ? due : now.mono; /* the wait begins now */
    count = epoll_wait(loop->epoll, events, EVENTS_AT_ONCE, -1);
    nap(last);
    now = clock_now();
    *last = now;
    check_clock(loop, &now, due);
    for (int i = 0; i < count; ++i)
        handle(loop, &events[i], &now);
    for (size_t i = 0; i < loop->dialogues; ++i)
        if (dialogue_due(loop->dialogue[i]) <= now.mono)
            dialogue_tick(loop->dialogue[i], &now);
    logger_flush(loop->logger, &now, false, &(struct status){.code = STATUS_OK});
    if (loop->reload)
        reload(loop, &now);
    sign_of_life(loop, &now);
}

/* ---- the whole ---- */

/* Nothing can be registered on a full disk, so nothing is measured. Waits a little for room; false
 * when the daemon is told to stop. */
static bool wait_for_room(struct loop *loop, bool *told, const struct status *why)
{
    struct pollfd signals = {.fd = loop->signals, .events = POLLIN};

    if (!*told) {
        log_line(loop->log, DRIVER_ERROR, "%s; nothing is measured until there is", why->text);
        sd_notify(0, "READY=1\nSTATUS=waiting for room on the disk of the database");
        *told = true;
    }
    sd_notify(0, "WATCHDOG=1");
    if (poll(&signals, 1, ROOM_EVERY) > 0)
        read_signals(loop);
    return !loop->stop;
}

static enum status_code open_store(struct loop *loop, const char *database, struct status *st)
{
    enum status_code code;
    bool told = false;

    do
        code = logger_open(database, loop->bench->flush_interval, loop->bench->retention, loop->log,
                           &loop->logger, st);
    while (code == STATUS_FULL && wait_for_room(loop, &told, st));
    return code;
}

static enum status_code start(struct loop *loop, struct status *st)
{
    struct driver_time now = clock_now();
    struct log copy = *loop->log;
    const char *database;
    enum status_code code;
    struct status why;
    uint64_t watchdog;
    bool told = false;

    code = benchfile_read(loop->settings->bench, report_fault, &copy, &loop->bench, st);
    if (code != STATUS_OK) /* each fault has its line already */
        return status_fail(st, code, "%s cannot be used as it stands; see --bench and --check",
                           loop->settings->bench);
    database = loop->settings->database ? loop->settings->database : loop->bench->database;
    if (!database)
        return status_fail(st, STATUS_INPUT,
                           "%s: [store] gives no database, and --database does not either",
                           loop->settings->bench);
    code = open_descriptors(loop, st);
    if (code == STATUS_OK)
        code = open_store(loop, database, st);
    if (code != STATUS_OK)
        return code;
    now = clock_now();
    if (control_open(database, loop->epoll, &loop->control, &why) != STATUS_OK)
        log_line(loop->log, DRIVER_WARNING, "no control socket: %s", why.text);
    logger_event(loop->logger, NULL, &now, DRIVER_INFO, "start", "truewoundd " TRUEWOUND_VERSION,
                 true);
    code = set_bench(loop, loop->bench, &now, st);
    while (code == STATUS_FULL && wait_for_room(loop, &told, st)) {
        now = clock_now();
        code = set_bench(loop, loop->bench, &now, st);
    }
    if (code != STATUS_OK)
        return code;
    if (sd_watchdog_enabled(0, &watchdog) > 0)
        loop->watchdog = (int64_t)(watchdog / 3);
    sd_notifyf(0, "READY=1\nSTATUS=%zu instruments into %s", loop->dialogues, database);
    return code;
}

static enum status_code finish(struct loop *loop, struct status *st)
{
    struct driver_time now = clock_now();
    struct control_bench bench = control_bench_of(loop);
    enum status_code code = status_ok(st);

    sd_notify(0, "STOPPING=1");
    control_close(loop->control, &bench);
    /* What has come in already was measured: it is stored. */
    for (size_t i = 0; i < loop->dialogues; ++i)
        for (int round = 0; round < LAST_READS; ++round)
            dialogue_ready(loop->dialogue[i], true, false, false, &now);
    for (size_t i = 0; i < loop->dialogues; ++i)
        dialogue_free(loop->dialogue[i], &now);
    free(loop->dialogue);
    free(loop->generation);
    free(loop->writing);
    if (loop->logger) {
        logger_event(loop->logger, NULL, &now, DRIVER_INFO, "stop", "stopped cleanly", true);
        code = logger_close(loop->logger, st);
    }
    benchfile_free(loop->bench);
    if (loop->epoll >= 0)
        close(loop->epoll);
    if (loop->timer >= 0)
        close(loop->timer);
    if (loop->signals >= 0)
        close(loop->signals);
    return code;
}

enum status_code loop_run(const struct loop_settings *settings, struct status *st)
{
    struct loop loop = {
        .settings = settings, .log = settings->log, .epoll = -1, .timer = -1, .signals = -1};
    struct driver_time last = {0, 0};
    enum status_code code = start(&loop, st);
    struct status end;

    if (code != STATUS_OK) {
        finish(&loop, &end);
        return code;
    }
    while (!loop.stop)
        turn(&loop, &last);
    return finish(&loop, st);
}
