/* store_coil: coils, the versions of their designs, and the runs (sittings) made on them. */
#ifndef TRUEWOUND_STORE_COIL_H
#define TRUEWOUND_STORE_COIL_H

#include "db/store.h"

struct store_coil {
    int64_t id;
    const char *name;   /* unique */
    const char *kind;   /* "bar", "two-limb", ... a word of the design file; may be NULL */
    const char *batch;  /* coils wound together; may be NULL */
    int64_t time;       /* recorded at; 0 takes now */
    const char *remark; /* may be NULL */
};

struct store_design {
    int64_t id;
    int64_t coil;
    int64_t version; /* 1, 2, ... per coil, given by the store */
    int64_t time;    /* 0 takes now */
    const char *text;
    const char *digest; /* of the text, by the caller */
    bool parsed;        /* the text was understood without error */
    const char *remark; /* may be NULL */
};

struct store_run {
    int64_t id;
    int64_t coil;
    int64_t started; /* 0 takes now */
    int64_t ended;   /* 0: still open */
    int64_t design;  /* version it was measured against; 0 none */
    const char *remark;
};

typedef int (*store_coil_fn)(const struct store_coil *row, void *user);
typedef int (*store_coil_design_fn)(const struct store_design *row, void *user);
typedef int (*store_coil_run_fn)(const struct store_run *row, void *user);

/* STATUS_EXISTS when the name is taken. */
enum status_code store_coil_add(struct store *store, const struct store_coil *coil, int64_t *id,
                                struct status *st);

/* STATUS_NOT_FOUND. */
enum status_code store_coil_find(struct store *store, const char *name, int64_t *id,
                                 struct status *st);

/* All coils by name; of one batch when batch is not NULL. */
enum status_code store_coil_list(struct store *store, const char *batch, store_coil_fn fn,
                                 void *user, struct status *st);

/* One coil by id. STATUS_NOT_FOUND. */
enum status_code store_coil_get(struct store *store, int64_t id, store_coil_fn fn, void *user,
                                struct status *st);

/* Adds a version. When the newest version has the same digest nothing is added and *version is
 * that one's. */
enum status_code store_coil_add_design(struct store *store, const struct store_design *design,
                                       int64_t *version, struct status *st);

/* One version, or the newest with version 0. STATUS_NOT_FOUND. */
enum status_code store_coil_design(struct store *store, int64_t coil, int64_t version,
                                   store_coil_design_fn fn, void *user, struct status *st);

enum status_code store_coil_designs(struct store *store, int64_t coil, store_coil_design_fn fn,
                                    void *user, struct status *st);

enum status_code store_coil_add_run(struct store *store, const struct store_run *run, int64_t *id,
                                    struct status *st);

/* Ends a run; time 0 takes now. STATUS_NOT_FOUND; ending one twice is STATUS_EXISTS. */
enum status_code store_coil_end_run(struct store *store, int64_t run, int64_t time,
                                    struct status *st);

/* Runs of a coil, or of all with coil 0, oldest first. */
enum status_code store_coil_runs(struct store *store, int64_t coil, store_coil_run_fn fn,
                                 void *user, struct status *st);

#endif
