/* earlier: what batteries of the same kind of cell, used before one, teach about it.
 *
 * Being like them is one more hypothesis beside the knees of fade.h: its curve is theirs, with a
 * departure much smaller, and its capacity is theirs within what cells of a box differ by. Another
 * make may have been bought, so the other hypotheses stay, and the readings weigh them. */
#ifndef TRUEWOUND_EARLIER_H
#define TRUEWOUND_EARLIER_H

#include "analyze/infer/belief.h"
#include "analyze/infer/forecast.h"
#include "analyze/infer/given.h"
#include "analyze/infer/lattice.h"

/* Adds that hypothesis to what is believed of the next battery, before it is looked at. Returns how
 * many of them say something of it (at most FORECAST_EARLIER, the last ones given); at 0 the belief
 * is as it was. */
size_t earlier_expect(struct belief *belief, const struct forecast_earlier earlier[], size_t n);

/* Learns from one that was taken out: fills all of *out but `here`, and leaves u where it is when
 * the readings say nothing of the capacity. lattice: as lattice_fill made it; its weights are
 * changed. work: for its own use. joint: as of trend_joint, or NULL. */
void earlier_learn(const struct belief *belief, const struct trend_day days[], size_t n,
                   const struct trend_joint *joint, struct lattice *lattice, struct given *work,
                   struct forecast_earlier *out);

#endif
