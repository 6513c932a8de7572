/* status: how every room of the project says that something went wrong.
 *
 * A function that can fail returns an enum status_code and takes a struct status as its last
 * argument, where it leaves one sentence a person can act on: which file, line or field, what was
 * read, what was expected. The caller owns the struct; nothing is allocated. */
#ifndef TRUEWOUND_STATUS_H
#define TRUEWOUND_STATUS_H

enum status_code {
    STATUS_OK = 0,
    STATUS_INPUT,     /* what the person or an instrument gave cannot be right */
    STATUS_NOT_FOUND, /* the named thing does not exist */
    STATUS_EXISTS,    /* the named thing exists already */
    STATUS_IO,        /* a file, port or database could not be read or written */
    STATUS_FULL,      /* no room left on the disk */
    STATUS_BUSY,      /* another program holds it; trying again may help */
    STATUS_TIMEOUT,   /* no answer within the time allowed */
    STATUS_NUMERIC,   /* a computation did not converge, or left its valid range */
    STATUS_MEMORY     /* no memory */
};

#define STATUS_TEXT_SIZE 512

struct status {
    enum status_code code;
    char text[STATUS_TEXT_SIZE]; /* always terminated; empty when code is STATUS_OK */
};

/* Clears *st to STATUS_OK with an empty text and returns STATUS_OK. st may be NULL. */
enum status_code status_ok(struct status *st);

/* Sets *st to code and a formatted sentence, cut to STATUS_TEXT_SIZE - 1 bytes, and returns code,
 * so that a failing function can end with 'return status_fail(st, STATUS_INPUT, "...", ...)'.
 * st may be NULL. */
enum status_code status_fail(struct status *st, enum status_code code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Puts a formatted context and ": " before the text already in *st (for example the file name
 * before a message that only knows the line). Keeps and returns st->code. */
enum status_code status_prefix(struct status *st, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* A short fixed word for a code ("input", "busy"), for logs and JSON. */
const char *status_word(enum status_code code);

#endif
