/* strange: readings that no battery of such cells gives: a mains adapter in its place, another
 * supply beside it, cells charged where they are. */
#ifndef TRUEWOUND_STRANGE_H
#define TRUEWOUND_STRANGE_H

#include "analyze/infer/belief.h"

/* True if the voltage is higher than a fresh cell's, or did not fall while charge was drawn; why
 * then has a sentence (NULL and 0: not asked for). days: those that the belief was made of. */
bool strange_find(const struct belief *b, const struct trend_day days[], size_t n, char *why,
                  size_t why_size);

#endif
