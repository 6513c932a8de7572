#include "analyze/answers.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#define KEPT_MAX 64

struct kept {
    char word[ANSWERS_LINE_SIZE];
    char answer[ANSWERS_LINE_SIZE];
};

struct answers {
    int fd;
    int signals;
    bool own; /* fd is ours to close */
    bool live;
    bool ended;
    bool gone;
    FILE *out;
    sigset_t before;
    char text[4096]; /* read and not yet used */
    size_t length;
    struct kept kept[KEPT_MAX];
    size_t keeps;
    char others[ANSWERS_LINE_SIZE];
};

enum status_code answers_open(const char *path, FILE *out, struct answers **answers,
                              struct status *st)
{
    bool from_input = !path || strcmp(path, "-") == 0;
    struct answers *a = calloc(1, sizeof *a);
    sigset_t held;

    *answers = NULL;
    if (!a)
        return status_fail(st, STATUS_MEMORY, "no memory");
    a->out = out;
    a->own = !from_input;
    a->fd = from_input ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    if (a->fd < 0) {
        int why = errno;

        free(a);
        return status_fail(st, STATUS_IO, "%s: %s", path, strerror(why));
    }
    a->live = from_input && isatty(STDIN_FILENO);
    sigemptyset(&held);
    sigaddset(&held, SIGHUP);
    sigaddset(&held, SIGINT);
    sigaddset(&held, SIGTERM);
    sigprocmask(SIG_BLOCK, &held, &a->before);
    a->signals = signalfd(-1, &held, SFD_CLOEXEC | SFD_NONBLOCK);
    *answers = a;
    return status_ok(st);
}

void answers_close(struct answers *answers)
{
    struct signalfd_siginfo info;

    if (!answers)
        return;
    if (answers->signals >= 0) {
        /* one that was heeded must not end the program a second time */
        while (read(answers->signals, &info, sizeof info) == (ssize_t)sizeof info)
            ;
        close(answers->signals);
    }
    sigprocmask(SIG_SETMASK, &answers->before, NULL);
    if (answers->own)
        close(answers->fd);
    free(answers);
}

bool answers_live(const struct answers *answers)
{
    return answers->live;
}

static char *trim(char *text)
{
    size_t length;

    while (isspace((unsigned char)*text))
        ++text;
    length = strlen(text);
    while (length && isspace((unsigned char)text[length - 1]))
        text[--length] = '\0';
    return text;
}

/* Waits until there is something to read; false when a signal came first. */
static bool wait_for_text(struct answers *a)
{
    struct pollfd polled[2] = {{.fd = a->fd, .events = POLLIN},
                               {.fd = a->signals, .events = POLLIN}};

    while (poll(polled, 2, -1) < 0)
        if (errno != EINTR)
            return false;
    return !(polled[1].revents & POLLIN);
}

/* Takes one line out of what was read; false when there is no whole one yet. */
static bool take_line(struct answers *a, char line[ANSWERS_LINE_SIZE])
{
    char *end = memchr(a->text, '\n', a->length);
    size_t used;
    size_t length;
    bool full = a->length == sizeof a->text; /* no answer is that long: taken in pieces */

    if (!end && (a->length == 0 || (!a->ended && !full)))
        return false;
    length = end ? (size_t)(end - a->text) : a->length;
    used = end ? length + 1 : length;
    snprintf(line, ANSWERS_LINE_SIZE, "%.*s", (int)length, a->text);
    memmove(a->text, a->text + used, a->length - used);
    a->length -= used;
    return true;
}

static enum answers_got next_line(struct answers *a, char line[ANSWERS_LINE_SIZE])
{
    while (!take_line(a, line)) {
        ssize_t n;

        if (a->gone || !wait_for_text(a)) {
            a->gone = true;
            return ANSWERS_GONE;
        }
        if (a->ended)
            return ANSWERS_NONE;
        n = read(a->fd, a->text + a->length, sizeof a->text - a->length);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0 && a->live) {
            a->gone = true;
            return ANSWERS_GONE;
        }
        if (n <= 0)
            a->ended = true;
        else
            a->length += (size_t)n;
        if (a->ended && a->length == 0)
            return ANSWERS_NONE;
    }
    return ANSWERS_LINE;
}

static void keep(struct answers *a, char *line, char *colon)
{
    const char *word;
    const char *answer;

    *colon = '\0';
    word = trim(line);
    answer = trim(colon + 1);
    if (strcmp(word, "others") == 0)
        snprintf(a->others, sizeof a->others, "%s", answer);
    else if (a->keeps < KEPT_MAX) {
        snprintf(a->kept[a->keeps].word, sizeof a->kept->word, "%s", word);
        snprintf(a->kept[a->keeps++].answer, sizeof a->kept->answer, "%s", answer);
    }
}

static bool use_kept(struct answers *a, const char *word, char line[ANSWERS_LINE_SIZE])
{
    for (size_t i = 0; i < a->keeps; ++i)
        if (strcmp(a->kept[i].word, word) == 0) {
            memcpy(line, a->kept[i].answer, ANSWERS_LINE_SIZE);
            --a->keeps;
            memmove(&a->kept[i], &a->kept[i + 1], (a->keeps - i) * sizeof *a->kept);
            return true;
        }
    return false;
}

static enum answers_got from_script(struct answers *a, const char *word,
                                    char line[ANSWERS_LINE_SIZE])
{
    char raw[ANSWERS_LINE_SIZE];
    enum answers_got got;

    for (;;) {
        char *text;
        char *colon;

        if (use_kept(a, word, line))
            return ANSWERS_LINE;
        got = next_line(a, raw);
        if (got == ANSWERS_NONE && a->others[0]) {
            memcpy(line, a->others, ANSWERS_LINE_SIZE);
            return ANSWERS_LINE;
        }
        if (got != ANSWERS_LINE)
            return got;
        text = trim(raw);
        if (!*text || *text == '#')
            continue;
        colon = strchr(text, ':');
        if (!colon) {
            snprintf(line, ANSWERS_LINE_SIZE, "%s", text);
            return ANSWERS_LINE;
        }
        keep(a, text, colon);
    }
}

enum answers_got answers_ask(struct answers *answers, const char *word, const char *question,
                             char line[ANSWERS_LINE_SIZE])
{
    char raw[ANSWERS_LINE_SIZE];
    enum answers_got got;

    line[0] = '\0';
    fprintf(answers->out, "%s", question);
    fflush(answers->out);
    if (answers->live) {
        got = next_line(answers, raw);
        if (got == ANSWERS_LINE)
            snprintf(line, ANSWERS_LINE_SIZE, "%s", trim(raw));
        else
            fputc('\n', answers->out);
        return got;
    }
    got = from_script(answers, word, line);
    fprintf(answers->out, "%s\n", got == ANSWERS_LINE ? line : "");
    fflush(answers->out);
    return got;
}

bool answers_waiting(struct answers *answers)
{
    struct pollfd polled[2] = {{.fd = answers->live ? answers->fd : -1, .events = POLLIN},
                               {.fd = answers->signals, .events = POLLIN}};

    if (poll(polled, 2, 0) <= 0)
        return false;
    return polled[0].revents || (polled[1].revents & POLLIN);
}

const char *answers_unused(const struct answers *answers)
{
    return answers->keeps ? answers->kept[0].word : NULL;
}
