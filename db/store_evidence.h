/* store_evidence: what was observed on a coil: values, lift trials, captures. Nothing is edited:
 * a wrong entry is superseded by a new one and both stay. */
#ifndef TRUEWOUND_STORE_EVIDENCE_H
#define TRUEWOUND_STORE_EVIDENCE_H

#include "db/store.h"

struct store_observation {
    int64_t id;
    int64_t run; /* 0 none */
    int64_t coil;
    int64_t time;           /* 0 takes now */
    const char *quantity;   /* a name of db/quantity.h */
    const char *place;      /* "limb-a", "limb-b", "pair", "core", ... */
    double value;           /* SI */
    double u;               /* standard uncertainty; NaN when not known */
    const char *conditions; /* JSON object: temperature, current, gap ... in SI; may be NULL */
    bool typed;             /* typed by a person; else from a channel */
    int64_t channel;        /* 0 when typed */
    int64_t from, to;       /* readings it was taken from; 0 when typed */
    int64_t n;              /* how many; 0 when typed */
    int64_t superseded_by;  /* 0: it stands */
    const char *remark;     /* may be NULL */
};

enum store_outcome {
    STORE_HELD,       /* the keeper held the load for the whole duration */
    STORE_DROPPED,    /* it let go */
    STORE_SLID,       /* it slid off sideways: says less than a drop */
    STORE_NOT_LIFTED, /* the keeper was not picked up across the gap */
    STORE_MORE_THAN   /* the true load at release is above the one recorded (scale ended) */
};

struct store_trial {
    int64_t id;
    int64_t run; /* 0 none */
    int64_t coil;
    int64_t time;    /* 0 takes now */
    double current;  /* A; NaN unknown */
    double gap;      /* m; NaN unknown */
    double load;     /* N */
    double load_u;   /* standard uncertainty, N; NaN unknown */
    double duration; /* s held or until it dropped; NaN unknown */
    enum store_outcome outcome;
    const char *keeper;     /* which; may be NULL */
    const char *conditions; /* JSON object; may be NULL */
    const char *remark;
    int64_t superseded_by;
};

enum store_sample_type { STORE_INT16, STORE_UINT16, STORE_INT32, STORE_FLOAT32 };

struct store_capture {
    int64_t id;
    int64_t channel;
    int64_t run; /* 0 none */
    int64_t time;
    double rate;    /* samples a second */
    int64_t n;      /* samples */
    int64_t lost;   /* samples known to be missing; 0 none */
    int64_t before; /* samples before the trigger */
    double scale;   /* value = sample * scale + offset */
    double offset;
    uint32_t flags;
    enum store_sample_type type;
    const void *samples; /* little-endian; NULL in lists */
    size_t size;         /* bytes; must be n x the size of the type */
    const char *remark;
};

typedef int (*store_evidence_observation_fn)(const struct store_observation *row, void *user);
typedef int (*store_evidence_trial_fn)(const struct store_trial *row, void *user);
typedef int (*store_evidence_capture_fn)(const struct store_capture *row, void *user);

/* "held", "dropped", "slid", "not lifted", "more than"; NULL out of range. */
const char *store_evidence_outcome_word(enum store_outcome outcome);

enum status_code store_evidence_add_observation(struct store *store,
                                                const struct store_observation *observation,
                                                int64_t *id, struct status *st);

/* Marks old as superseded by new (both of the same coil). STATUS_EXISTS when it already is. */
enum status_code store_evidence_supersede_observation(struct store *store, int64_t old_id,
                                                      int64_t new_id, struct status *st);

/* Observations of a coil (0: all), of one run (0: all), oldest first; those superseded only with
 * all true. */
enum status_code store_evidence_observations(struct store *store, int64_t coil, int64_t run,
                                             bool all, store_evidence_observation_fn fn, void *user,
                                             struct status *st);

enum status_code store_evidence_add_trial(struct store *store, const struct store_trial *trial,
                                          int64_t *id, struct status *st);
enum status_code store_evidence_supersede_trial(struct store *store, int64_t old_id, int64_t new_id,
                                                struct status *st);
enum status_code store_evidence_trials(struct store *store, int64_t coil, int64_t run, bool all,
                                       store_evidence_trial_fn fn, void *user, struct status *st);

/* Stores a capture; on a STORE_DAEMON store too, at once, not in the batch. */
enum status_code store_evidence_add_capture(struct store *store,
                                            const struct store_capture *capture, int64_t *id,
                                            struct status *st);

/* One capture with its samples. STATUS_NOT_FOUND. */
enum status_code store_evidence_capture(struct store *store, int64_t id,
                                        store_evidence_capture_fn fn, void *user,
                                        struct status *st);

/* Captures of a channel (0: all) with from <= time < to, without samples. */
enum status_code store_evidence_captures(struct store *store, int64_t channel, int64_t from,
                                         int64_t to, store_evidence_capture_fn fn, void *user,
                                         struct status *st);

/* Gives a capture taken by the daemon to a run of the analyzer, once. STATUS_EXISTS when it has
 * one. */
enum status_code store_evidence_claim_capture(struct store *store, int64_t capture, int64_t run,
                                              struct status *st);

#endif
