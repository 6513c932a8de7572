/* command: what every command of the analyzer is, and what it is handed.
 *
 * A command is one file in analyze/commands/ and one row in the table of command.c. */
#ifndef TRUEWOUND_COMMAND_H
#define TRUEWOUND_COMMAND_H

#include <stdbool.h>
#include <stdio.h>

#include "db/status.h"
#include "db/store.h"
#include "db/units.h"

/* Exit status of the analyzer. */
enum command_exit {
    COMMAND_DONE = 0,     /* done; for a verdict: pass */
    COMMAND_FAIL = 1,     /* the verdict is fail; an alarm threshold is passed */
    COMMAND_WRONG = 2,    /* usage or input error; nothing was stored */
    COMMAND_UNDECIDED = 3 /* the verdict is undecided */
};

/* How results are printed. */
enum command_form { COMMAND_TEXT, COMMAND_JSON, COMMAND_CSV };

/* What main hands to a command. */
struct command_context {
    const char *program;  /* "truewound" */
    const char *database; /* path of the database */
    enum command_form form;
    bool colour; /* standard output is a terminal and NO_COLOR is not set */
    FILE *out;
    FILE *err;
    struct units *units;
};

struct command {
    const char *name;
    const char *summary; /* one line, for the list of commands */
    const char *usage;   /* what follows the name, for --help */
    const char *help;    /* the rest of --help: what it does, options, one real example */
    bool tables;         /* --csv means something */
    bool json;           /* and --json */
    int (*run)(struct command_context *context, int argc, char **argv);
};

/* The table of all commands, ended by NULL. */
const struct command *const *command_table(void);

/* The row of that name, or NULL. */
const struct command *command_find(const char *name);

/* The command whose name is nearest to a mistyped one, within two letters, or NULL. */
const struct command *command_nearest(const char *name);

/* Prints that there is no such command, and which was meant. Returns COMMAND_WRONG. */
int command_unknown(const struct command_context *context, const char *name);

/* Prints "truewound NAME: sentence" to context->err and returns COMMAND_WRONG. */
int command_wrong(const struct command_context *context, const char *name, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Prints st->text the same way and returns COMMAND_WRONG. */
int command_failed(const struct command_context *context, const char *name,
                   const struct status *st);

/* What getopt or getopt_long, with a ':' in front of its letters, could not read: a word that is no
 * option, or an option whose value is missing. option is what it returned; name the command's. */
enum status_code command_option_wrong(const char *name, char *const *argv, int option,
                                      struct status *st);

/* Joins the words from argv[first] on with single spaces, so that a name of several words need not
 * be quoted. False when they are longer than size holds. */
bool command_join(int argc, char *const *argv, int first, char *text, size_t size);

/* Prints the usage and help of a command to out. */
void command_help(const struct command *command, FILE *out);

/* Opens the database of the context for reading only, or for writing. Prints what is wrong and
 * returns NULL when it cannot; the command then returns COMMAND_WRONG. */
struct store *command_open(struct command_context *context, const char *name, bool write);

/* Opens for writing a database that must be there already, so that a wrong name is found out. */
struct store *command_open_known(struct command_context *context, const char *name);

#endif
