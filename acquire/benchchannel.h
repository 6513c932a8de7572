/* benchchannel: what a [channel INSTRUMENT.NAME] section says, in SI: quantity, unit, calibration
 * and the maker's limits of error. What only the driver knows is left to it. */
#ifndef TRUEWOUND_BENCHCHANNEL_H
#define TRUEWOUND_BENCHCHANNEL_H

#include "acquire/benchfile.h"
#include "db/units.h"

/* The keys of every channel, whatever its driver. */
extern const struct section_key benchchannel_keys[];

/* Fills all of channel but its name and line from the section, which is the channel's from then
 * on. Faults go the section's way. *units is opened when a unit is met that is not SI (it takes
 * time); the caller closes it. */
void benchchannel_fill(struct benchfile_channel *channel, struct section *values,
                       struct units **units);

#endif
