/* page_child: runs this same program for one command beside the page, so that the page never waits
 * for a verdict or for a reading to rest, and never writes to the store itself. No shell. */
#ifndef TRUEWOUND_PAGE_CHILD_H
#define TRUEWOUND_PAGE_CHILD_H

#include <poll.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#include "db/status.h"

#define PAGE_CHILD_ARGUMENTS 24
#define PAGE_CHILD_TEXT_MAX  (256 << 10)

struct page_child {
    pid_t pid; /* 0: none runs */
    int out, err;
    int64_t deadline; /* us, monotonic */
    char *text;       /* standard output, terminated */
    size_t length;
    char errors[1024]; /* the beginning of standard error, terminated */
    size_t errors_length;
    int status; /* exit status of the last one; -1 when it was killed */
};

/* Starts the program with 'truewound --db DATABASE' and the words, which end with NULL. It is
 * killed after so many seconds. STATUS_BUSY: one runs already. */
enum status_code page_child_start(struct page_child *child, const char *database,
                                  const char *const *words, double seconds, struct status *st);

/* Fills in what to poll for; returns how many, 0 to 2. */
size_t page_child_watch(const struct page_child *child, struct pollfd *fds);

/* Takes what it has written. True once, when it has ended: text, errors and status are final. */
bool page_child_step(struct page_child *child);

/* Us until it is killed; a large number when none runs. */
int64_t page_child_left(const struct page_child *child);

/* Kills what runs and frees the text. */
void page_child_free(struct page_child *child);

/* Us of CLOCK_MONOTONIC. */
int64_t page_child_now(void);

#endif
