#include "analyze/topdf.h"

#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "reports/progress.h"

#define LONGEST_S 60
#define LOOK_NS   50000000L
#define PATH_SIZE 512
#define BLOCK     65536

/* The folder the browser works in, and what stands in it. */
struct workplace {
    char folder[PATH_SIZE];
    char html[PATH_SIZE + 16];
    char pdf[PATH_SIZE + 16];
};

static int remove_one(const char *path, const struct stat *status, int kind, struct FTW *ftw)
{
    (void)status;
    (void)kind;
    (void)ftw;
    return remove(path) == 0 || errno == ENOENT ? 0 : -1;
}

static void clear(struct workplace *w)
{
    /* The browser's last children may still be writing into their profile. */
    for (int i = 0; i < 20; ++i) {
        if (nftw(w->folder, remove_one, 16, FTW_DEPTH | FTW_PHYS) == 0 ||
            access(w->folder, F_OK) != 0)
            return;
        nanosleep(&(struct timespec){.tv_nsec = LOOK_NS}, NULL);
    }
}

static enum status_code prepare(struct workplace *w, const char *html, size_t size,
                                struct status *st)
{
    const char *base = getenv("TMPDIR");
    FILE *out;
    bool done;

    if (!base || *base != '/' || strlen(base) > PATH_SIZE / 2)
        base = "/tmp";
    snprintf(w->folder, sizeof w->folder, "%s/truewound-XXXXXX", base);
    if (!mkdtemp(w->folder))
        return status_fail(st, STATUS_IO, "no folder to print from in %s: %s", base,
                           strerror(errno));
    snprintf(w->html, sizeof w->html, "%s/sheet.html", w->folder);
    snprintf(w->pdf, sizeof w->pdf, "%s/sheet.pdf", w->folder);
    out = fopen(w->html, "we");
    done = out && fwrite(html, 1, size, out) == size;
    if (out)
        done = fclose(out) == 0 && done;
    if (done)
        return status_ok(st);
    status_fail(st, STATUS_IO, "%s cannot be written: %s", w->html, strerror(errno));
    clear(w);
    return st->code;
}

static int start(pid_t *pid, char *const *argv)
{
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    int error;

    if (posix_spawn_file_actions_init(&actions) != 0)
        return ENOMEM;
    if (posix_spawnattr_init(&attributes) != 0) {
        posix_spawn_file_actions_destroy(&actions);
        return ENOMEM;
    }
    /* A group of its own, so that its children end with it. */
    error = posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETPGROUP);
    if (!error)
        error = posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    if (!error)
        error = posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    if (!error)
        error = posix_spawn_file_actions_adddup2(&actions, STDOUT_FILENO, STDERR_FILENO);
    if (!error)
        error = posix_spawnp(pid, argv[0], &actions, &attributes, argv, environ);
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&actions);
    return error;
}

/* Waits for the browser; false when it took too long and was ended. */
static bool wait_for(pid_t pid, int *status, FILE *out)
{
    struct progress progress;
    uint64_t looks = 0;
    uint64_t most = LONGEST_S * (1000000000L / LOOK_NS);
    pid_t got = 0;

    if (out)
        progress_begin(&progress, out, "the browser prints the sheet", most);
    while (looks++ < most) {
        got = waitpid(pid, status, WNOHANG);
        if (got != 0 && !(got < 0 && errno == EINTR))
            break;
        nanosleep(&(struct timespec){.tv_nsec = LOOK_NS}, NULL);
        if (out)
            progress_step(&progress, looks);
    }
    if (out)
        progress_end(&progress);
    kill(-pid, SIGKILL); /* what is left of the group */
    if (got == pid)
        return true;
    while (waitpid(pid, status, 0) < 0 && errno == EINTR)
        ;
    return false;
}

static enum status_code browse(const struct workplace *w, FILE *out, struct status *st)
{
    static const char *const browsers[] = {"chromium", "chromium-browser"};
    char url[sizeof w->html + 8];
    char profile[PATH_SIZE + 40];
    char print[sizeof w->pdf + 24];
    int error = ENOENT;
    int status = 0;
    pid_t pid = 0;

    snprintf(url, sizeof url, "file://%s", w->html);
    snprintf(profile, sizeof profile, "--user-data-dir=%s/profile", w->folder);
    snprintf(print, sizeof print, "--print-to-pdf=%s", w->pdf);
    for (size_t i = 0; error == ENOENT && i < sizeof browsers / sizeof *browsers; ++i) {
        char name[24];
        char fixed[][40] = {"--headless",
                            "--disable-gpu",
                            "--no-first-run",
                            "--disable-extensions",
                            "--no-pdf-header-footer",
                            "--print-to-pdf-no-header", /* its older name */
                            "--no-sandbox"};
        /* Run by root it refuses to start with its sandbox. The page is ours and has no script. */
        size_t count = sizeof fixed / sizeof *fixed - (geteuid() != 0);
        char *argv[16] = {name};
        size_t n = 1;

        snprintf(name, sizeof name, "%s", browsers[i]);
        for (size_t k = 0; k < count; ++k)
            argv[n++] = fixed[k];
        argv[n++] = profile;
        argv[n++] = print;
        argv[n] = url;
        error = start(&pid, argv);
    }
    if (error == ENOENT)
        return status_fail(st, STATUS_NOT_FOUND,
                           "no chromium is installed here to make a PDF; write the sheet with -o "
                           "FILE.html and print that from any browser");
    if (error)
        return status_fail(st, STATUS_IO, "the browser cannot be started: %s", strerror(error));
    if (!wait_for(pid, &status, out))
        return status_fail(st, STATUS_TIMEOUT,
                           "the browser did not print within %d s; write the sheet with -o "
                           "FILE.html and print it by hand",
                           LONGEST_S);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0 || access(w->pdf, R_OK) != 0)
        return status_fail(st, STATUS_IO,
                           "the browser did not print the sheet; write it with -o FILE.html and "
                           "print it by hand");
    return status_ok(st);
}

/* Copies, as the two may lie on different disks. */
static enum status_code copy(const char *from, const char *to, struct status *st)
{
    char *block = malloc(BLOCK);
    FILE *in = fopen(from, "re");
    FILE *out = NULL;
    size_t n = 0;
    bool good = false;

    if (block && in)
        n = fread(block, 1, BLOCK, in);
    if (n < 5 || memcmp(block, "%PDF-", 5) != 0)
        status_fail(st, STATUS_IO, "what the browser printed is no PDF; is the disk full?");
    else {
        out = fopen(to, "we");
        good = out != NULL;
        for (; good && n; n = fread(block, 1, BLOCK, in))
            good = fwrite(block, 1, n, out) == n;
        good = good && !ferror(in);
        if (out)
            good = fclose(out) == 0 && good;
        if (good)
            status_ok(st);
        else
            status_fail(st, STATUS_IO, "%s cannot be written: %s", to, strerror(errno));
    }
    if (in)
        fclose(in);
    free(block);
    return st->code;
}

enum status_code topdf_write(const char *html, size_t size, const char *path, FILE *progress,
                             struct status *st)
{
    struct workplace w;
    enum status_code code = prepare(&w, html, size, st);

    if (code != STATUS_OK)
        return code;
    code = browse(&w, progress, st);
    if (code == STATUS_OK)
        code = copy(w.pdf, path, st);
    clear(&w);
    return code;
}
