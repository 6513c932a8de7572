/* guided: the talk of a guided sitting: asks for one figure, waits for it, stores it, and says what
 * it means. Everything is stored the moment it is known. */
#ifndef TRUEWOUND_GUIDED_H
#define TRUEWOUND_GUIDED_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "analyze/answers.h"
#include "analyze/command.h"
#include "analyze/guide.h"
#include "analyze/judging.h"
#include "analyze/steady.h"
#include "analyze/wiring.h"

#define GUIDED_CHANNELS_MAX 16

struct guided {
    struct command_context *context;
    FILE *out; /* where the talk goes */
    const char *name;
    struct answers *answers;
    struct store *store; /* open for writing */
    struct judged *judged;
    struct guide guide;
    int64_t run; /* 0 until the first figure is stored */
    int wires;   /* 2, 4; 0 not known */
    struct steady_options steady;
    const char *channel[GUIDED_CHANNELS_MAX];
    char kind[GUIDED_CHANNELS_MAX][32]; /* what it is for: a kind, "voltage" or "rise" */
    size_t channels;
    char ohmmeter[WIRING_NAME_SIZE]; /* the channel of the resistances, when found by its wires */
    char insulation[80];             /* the channel that is called so, with its instrument */
    unsigned long asked;             /* figures asked for so far */
    size_t taken;                    /* figures stored in this sitting's talk */
    char caution[400];               /* the last one that was said */
    bool live_line;                  /* a line without its end is on the terminal */
    double shown_at;                 /* s, of the last plain line while waiting */
};

enum guided_end {
    GUIDED_STORED,
    GUIDED_SKIPPED,
    GUIDED_BACK,  /* the person wants the last figure again */
    GUIDED_RETRY, /* it did not work; the figure is still wanted */
    GUIDED_STOP,
    GUIDED_GONE /* the terminal closed or a signal came: end without a word */
};

/* Judges what stands, and marks the guide. */
enum status_code guided_refresh(struct guided *g, struct status *st);

/* Takes over what the bench file says of the ohmmeters' leads: g->wires where it was 0, and the
 * channel where none was named for "resistance". STATUS_INPUT when it says otherwise. */
enum status_code guided_wiring(struct guided *g, struct status *st);

/* Prints a paragraph of the talk. */
void guided_say(struct guided *g, const char *text);

/* Asks one question and gives the answer; GUIDED_STORED means there is one. */
enum guided_end guided_ask(struct guided *g, const char *word, const char *question,
                           char line[ANSWERS_LINE_SIZE]);

/* One figure from its instruction to its meaning. */
enum guided_end guided_figure(struct guided *g, struct guide_figure *figure, const char *why);

#endif
