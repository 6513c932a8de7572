/* scpichannel: the commands by which a SCPI meter is brought to a channel's function and asked for
 * its value: those of the bench file, else the standard ones (SCPI-1999). */
#ifndef TRUEWOUND_SCPICHANNEL_H
#define TRUEWOUND_SCPICHANNEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/pattern.h"

#define SCPICHANNEL_CONFIGURE_MAX 16
#define SCPICHANNEL_COMMAND_MAX   160

struct scpichannel {
    char configure[SCPICHANNEL_CONFIGURE_MAX][SCPICHANNEL_COMMAND_MAX];
    bool skip[SCPICHANNEL_CONFIGURE_MAX]; /* the meter does not take it, and can do without */
    size_t configures;
    char query[SCPICHANNEL_COMMAND_MAX];
    long field;        /* from 1 */
    long unit_field;   /* 0: none */
    long status_field; /* which says whether the value is one; 0: none */
    double range;
    struct pattern *pattern; /* of an answer of another form; or NULL */
    int value, unit;         /* its groups; unit -1: it has none */
    bool standard;           /* the commands are ours, not the bench file's */
    int64_t refused_until;   /* mono: the meter does not know the function */
};

/* What the driver adds to [channel]. */
extern const struct section_key scpichannel_keys[];

/* The commands of a channel: those given, else the standard ones of its function. Goes on after a
 * fault, so that all are said; the first is returned. The caller frees out->pattern. */
enum status_code scpichannel_fill(const struct benchfile_channel *channel, struct scpichannel *out,
                                  struct status *st);

/* Whether the command chooses what is measured: CONFigure and [SENSe:]FUNCtion (SCPI-1999, volume
 * 2, 3.1 and 18.9). In a list that has neither, each may. */
bool scpichannel_is_essential(const struct scpichannel *channel, size_t index);

/* True when the meter is in the same state for both, so that one configuration serves both. */
bool scpichannel_same_configuration(const struct scpichannel *a, const struct scpichannel *b);

#endif
