/* The whole daemon under load, measured in one run:
 *
 *   streams  1, 4, 16, 32 and 64 simulated instruments, each a full 115200-baud stream of lines
 *            (11520 bytes a second) on a pseudo-terminal: lines lost, processor time as a share of
 *            one core, resident memory early and late
 *   latency  from the last byte of a line to the reading being visible to another program
 *
 * bench_acquire_daemon [--full] [SECONDS]: --full is 60 s for each number of streams, else 5 s. */
#include <errno.h>
#include <fcntl.h>
#include <pty.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define MOST  64
#define RATE  11520 /* bytes a second: 115200 baud, 10 bits a byte */
#define FLUSH 0.5   /* s, in the latency part */

struct stream {
    int master, slave;
    char link[128];
    unsigned long lines;
    double bytes;
};

static double now(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void rest(double s)
{
    struct timespec t = {(time_t)s, (long)((s - (double)(time_t)s) * 1e9)};

    nanosleep(&t, NULL);
}

static void die(const char *what)
{
    fprintf(stderr, "bench_acquire_daemon: %s: %s\n", what, strerror(errno));
    exit(1);
}

static void plug(struct stream *stream, const char *place, int index)
{
    struct termios term;
    char name[128];

    *stream = (struct stream){.master = -1};
    if (openpty(&stream->master, &stream->slave, name, NULL, NULL) != 0)
        die("openpty");
    tcgetattr(stream->slave, &term);
    cfmakeraw(&term);
    tcsetattr(stream->slave, TCSANOW, &term);
    fcntl(stream->master, F_SETFL, O_NONBLOCK);
    fcntl(stream->master, F_SETFD, FD_CLOEXEC);
    fcntl(stream->slave, F_SETFD, FD_CLOEXEC);
    snprintf(stream->link, sizeof stream->link, "%.90s/i%d", place, index);
    if (symlink(name, stream->link) != 0)
        die("symlink");
}

static void unplug(struct stream *stream)
{
    unlink(stream->link);
    close(stream->master);
    close(stream->slave);
}

static void write_bench(const char *path, const char *place, int streams, double flush)
{
    FILE *out = fopen(path, "w");

    if (!out)
        die(path);
    fprintf(out, "[store]\ndatabase = %s/t.db\nflush = %g s\n", place, flush);
    for (int i = 0; i < streams; ++i)
        fprintf(out,
                "[instrument i%d]\ndriver = lines\nport = %s/i%d\nbaud = 115200\n"
                "pattern = ^N=(?<sequence>\\d+) V=(?<v>[0-9.]+) I=(?<i>[0-9.]+)$\n"
                "[channel i%d.v]\nquantity = voltage\n[channel i%d.i]\nquantity = current\n"
                "unit = mA\n",
                i, place, i, i, i);
    fclose(out);
}

static pid_t start(const char *bench, const char *log)
{
    pid_t child = fork();

    if (child == 0) {
        int fd = open(log, O_WRONLY | O_CREAT | O_TRUNC, 0600);

        prctl(PR_SET_PDEATHSIG, SIGKILL);
        dup2(fd, 2);
        execl(TEST_BUILD_DIR "/acquire/truewoundd", "truewoundd", "--bench", bench, (char *)NULL);
        _exit(127);
    }
    return child;
}

static long long ask(const char *database, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    long long answer = -1;

    if (sqlite3_open_v2(database, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK) {
        sqlite3_busy_timeout(db, 5000);
        if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK &&
            sqlite3_step(statement) == SQLITE_ROW)
            answer = sqlite3_column_int64(statement, 0);
        sqlite3_finalize(statement);
    }
    sqlite3_close(db);
    return answer;
}

/* Resident memory of the child, KiB. */
static long resident(pid_t child)
{
    char path[64];
    long pages = 0;
    FILE *in;

    snprintf(path, sizeof path, "/proc/%d/statm", (int)child);
    in = fopen(path, "r");
    if (in && fscanf(in, "%*d %ld", &pages) != 1)
        pages = 0;
    if (in)
        fclose(in);
    return pages * (sysconf(_SC_PAGESIZE) / 1024);
}

/* Says what is due on each stream until the time is over; a full line is tried again later, as a
 * sender with no flow control could not. */
static void stream_for(struct stream *streams, int count, double seconds, pid_t child, long *early,
                       long *late)
{
    double begin = now();
    double last = begin;

    *early = 0;
    for (double t = begin; t - begin < seconds; t = now()) {
        for (int i = 0; i < count; ++i) {
            streams[i].bytes += (t - last) * RATE;
            while (streams[i].bytes > 0) {
                char line[64];
                int n = snprintf(line, sizeof line, "N=%lu V=%.4f I=%.2f\r\n", streams[i].lines,
                                 1.5 + (double)(streams[i].lines % 977) * 1e-4,
                                 88.0 + (double)(streams[i].lines % 31) * 0.01);

                if (write(streams[i].master, line, (size_t)n) != n)
                    break;
                ++streams[i].lines;
                streams[i].bytes -= n;
            }
        }
        if (*early == 0 && t - begin > seconds / 3.0)
            *early = resident(child);
        last = t;
        rest(0.005);
    }
    *late = resident(child);
}

static void load(const char *place, int count, double seconds)
{
    struct stream streams[MOST];
    char bench[160], log[160], database[160];
    struct rusage before, after;
    unsigned long sent = 0;
    long long kept, gaps;
    long early, late;
    double begin, used;
    int status;
    pid_t child;

    snprintf(bench, sizeof bench, "%s/bench", place);
    snprintf(log, sizeof log, "%s/log", place);
    snprintf(database, sizeof database, "%s/t.db", place);
    unlink(database);
    for (int i = 0; i < count; ++i)
        plug(&streams[i], place, i);
    write_bench(bench, place, count, 1.0);
    getrusage(RUSAGE_CHILDREN, &before);
    child = start(bench, log);
    for (int i = 0; i < 500 && ask(database, "SELECT count(*) FROM event WHERE kind = "
                                             "'connected'") < count;
         ++i)
        rest(0.02);
    rest(0.3);
    begin = now();
    stream_for(streams, count, seconds, child, &early, &late);
    seconds = now() - begin;
    rest(0.2);
    kill(child, SIGTERM);
    waitpid(child, &status, 0);
    getrusage(RUSAGE_CHILDREN, &after);
    for (int i = 0; i < count; ++i) {
        sent += streams[i].lines;
        unplug(&streams[i]);
    }
    used = (double)(after.ru_utime.tv_sec - before.ru_utime.tv_sec) +
           (double)(after.ru_utime.tv_usec - before.ru_utime.tv_usec) * 1e-6 +
           (double)(after.ru_stime.tv_sec - before.ru_stime.tv_sec) +
           (double)(after.ru_stime.tv_usec - before.ru_stime.tv_usec) * 1e-6;
    kept = ask(database, "SELECT count(*) FROM reading");
    gaps = ask(database, "SELECT count(*) FROM event WHERE kind IN ('lost', 'gap', 'restart')");
    printf("%4d streams  %7.0f lines/s  lost %lld of %lu readings, %lld loss events  "
           "%5.1f %% of a core  memory %ld then %ld KiB  exit %d\n",
           count, (double)sent / seconds, (long long)(2 * sent) - kept, 2 * sent, gaps,
           100.0 * used / seconds, early, late, WIFEXITED(status) ? WEXITSTATUS(status) : -1);
    fflush(stdout);
}

static void latency(const char *place)
{
    struct stream stream;
    char bench[160], log[160], database[160];
    double worst = 0.0, sum = 0.0;
    const int tries = 20;
    int status;
    pid_t child;
    sqlite3 *db;
    sqlite3_stmt *statement;

    snprintf(bench, sizeof bench, "%s/bench", place);
    snprintf(log, sizeof log, "%s/log", place);
    snprintf(database, sizeof database, "%s/t.db", place);
    unlink(database);
    plug(&stream, place, 0);
    write_bench(bench, place, 1, FLUSH);
    child = start(bench, log);
    for (int i = 0;
         i < 500 && ask(database, "SELECT count(*) FROM event WHERE kind = 'connected'") < 1; ++i)
        rest(0.02);
    rest(0.3);
    if (sqlite3_open_v2(database, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, "SELECT count(*) FROM reading", -1, &statement, NULL) != SQLITE_OK)
        die("sqlite");
    for (int i = 0; i < tries; ++i) {
        char line[64];
        int n = snprintf(line, sizeof line, "N=%d V=1.5 I=88.0\n", i);
        double begin, took;
        int seen = 0;

        rest(0.05 + 0.037 * (double)(i % 11)); /* at any place in the interval */
        begin = now();
        if (write(stream.master, line, (size_t)n) != n)
            die("write");
        while (seen < 2 * (i + 1) && now() - begin < 5.0) {
            if (sqlite3_step(statement) == SQLITE_ROW)
                seen = sqlite3_column_int(statement, 0);
            sqlite3_reset(statement);
            rest(0.001);
        }
        took = now() - begin;
        sum += took;
        worst = took > worst ? took : worst;
    }
    sqlite3_finalize(statement);
    sqlite3_close(db);
    kill(child, SIGTERM);
    waitpid(child, &status, 0);
    unplug(&stream);
    printf("latency from the last byte to a visible reading, flush interval %.0f ms: mean %.0f ms, "
           "worst %.0f ms of %d (interval + %.0f ms)\n",
           FLUSH * 1e3, sum / tries * 1e3, worst * 1e3, tries, (worst - FLUSH) * 1e3);
}

int main(int argc, char **argv)
{
    static const int counts[] = {1, 4, 16, 32, 64};
    char place[] = "/tmp/truewound-bench-XXXXXX";
    char command[80];
    double seconds = 5.0;

    for (int i = 1; i < argc; ++i)
        if (strcmp(argv[i], "--full") == 0)
            seconds = 60.0;
        else
            seconds = atof(argv[i]);
    if (!(seconds >= 1.0) || !mkdtemp(place))
        die("a number of seconds, 1 or more, and a place under /tmp are needed");
    for (size_t i = 0; i < sizeof counts / sizeof counts[0]; ++i)
        load(place, counts[i], seconds);
    latency(place);
    for (int i = 0; i < 5; ++i) {
        static const char *const names[] = {"bench", "log", "t.db", "t.db-wal", "t.db-shm"};

        snprintf(command, sizeof command, "%s/%s", place, names[i]);
        unlink(command);
    }
    rmdir(place);
    return 0;
}
