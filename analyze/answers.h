/* answers: where the answers to a sitting's questions come from: a person at a terminal, or a
 * script that gives one answer a line.
 *
 * In a script empty lines and lines that begin with '#' are passed over. "WORD: ANSWER" is kept
 * for the question of that word; any other line answers the question at which it is reached;
 * "others: ANSWER" answers every question that no line is left for. Reading is one line at a time,
 * so that a pipe can answer as it goes. While the answers are open SIGHUP, SIGINT and SIGTERM are
 * held back, so that what is under way ends well. */
#ifndef TRUEWOUND_ANSWERS_H
#define TRUEWOUND_ANSWERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#include "db/status.h"

#define ANSWERS_LINE_SIZE 256

struct answers;

enum answers_got {
    ANSWERS_LINE,
    ANSWERS_NONE, /* the script has no more */
    ANSWERS_GONE  /* the terminal closed, or a signal asks to end */
};

/* path NULL: standard input; so is "-". Questions are printed to out. STATUS_IO names the file. */
enum status_code answers_open(const char *path, FILE *out, struct answers **answers,
                              struct status *st);
void answers_close(struct answers *answers);

/* True when a person answers at a terminal. */
bool answers_live(const struct answers *answers);

/* Asks one question, named by word, and waits for its answer without blanks at its ends. */
enum answers_got answers_ask(struct answers *answers, const char *word, const char *question,
                             char line[ANSWERS_LINE_SIZE]);

/* True when the person has typed something, the terminal is gone or a signal came: whatever waits
 * should stop waiting. Never true of a script before a signal. */
bool answers_waiting(struct answers *answers);

/* A line of the script that was kept for a question never asked, or NULL. */
const char *answers_unused(const struct answers *answers);

#endif
