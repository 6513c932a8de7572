/* store_result: what was concluded: verdicts, what was learnt from good coils, batteries. */
#ifndef TRUEWOUND_STORE_RESULT_H
#define TRUEWOUND_STORE_RESULT_H

#include "db/store.h"

struct store_verdict {
    int64_t id;
    int64_t coil;
    int64_t run;          /* 0 none */
    int64_t time;         /* 0 takes now */
    const char *version;  /* of the program */
    const char *digest;   /* of everything that went in */
    const char *verdict;  /* "pass", "fail" or "undecided" */
    const char *findings; /* JSON */
};

struct store_learnt {
    int64_t id;
    const char *key; /* "mean-turn/bobbin-12" */
    double value;
    double u;
    int64_t n;
    const char *from;     /* JSON: which coils and runs; may be NULL */
    int64_t time;         /* 0 takes now */
    int64_t forgotten_at; /* 0: in use */
};

struct store_battery {
    int64_t id;
    const char *site;
    const char *type; /* "zinc-carbon", "alkaline", ... */
    int64_t cells;    /* in series */
    int64_t fitted;
    int64_t changed; /* 0: still in */
    double price;    /* in the person's own currency; NaN unknown */
    double capacity; /* rated, C; NaN unknown */
    bool confirmed;  /* a person said so; false: found from the voltage */
    const char *remark;
};

typedef int (*store_result_verdict_fn)(const struct store_verdict *row, void *user);
typedef int (*store_result_learnt_fn)(const struct store_learnt *row, void *user);
typedef int (*store_result_battery_fn)(const struct store_battery *row, void *user);

enum status_code store_result_add_verdict(struct store *store, const struct store_verdict *verdict,
                                          int64_t *id, struct status *st);

/* Verdicts of a coil (0: all), oldest first. */
enum status_code store_result_verdicts(struct store *store, int64_t coil,
                                       store_result_verdict_fn fn, void *user, struct status *st);

/* Adds a learnt figure; an earlier one of the same key that is in use is forgotten at the same
 * moment (and stays readable). */
enum status_code store_result_learn(struct store *store, const struct store_learnt *learnt,
                                    int64_t *id, struct status *st);

/* Puts a learnt figure out of use. STATUS_NOT_FOUND when none of that key is in use. */
enum status_code store_result_forget(struct store *store, const char *key, struct status *st);

/* Learnt figures in use (all: also those forgotten) whose key begins with prefix (NULL: all). */
enum status_code store_result_learnts(struct store *store, const char *prefix, bool all,
                                      store_result_learnt_fn fn, void *user, struct status *st);

/* Records a battery fitted at a site; one that is still in there is marked as changed at that
 * moment. STATUS_INPUT when that one was fitted later. */
enum status_code store_result_fit_battery(struct store *store, const struct store_battery *battery,
                                          int64_t *id, struct status *st);

/* Marks a battery as confirmed by a person, or takes it back when found by mistake (then the one
 * before it counts as still in). STATUS_NOT_FOUND. */
enum status_code store_result_confirm_battery(struct store *store, int64_t id, bool right,
                                              struct status *st);

/* Batteries of a site (NULL: all), by site and date. */
enum status_code store_result_batteries(struct store *store, const char *site,
                                        store_result_battery_fn fn, void *user, struct status *st);

#endif
