/* cases: the modes that the posterior has.
 *
 * One with all items sound, and one for each way of taking items that do not fit as bench mistakes
 * that promises to be as likely. */
#ifndef TRUEWOUND_CASES_H
#define TRUEWOUND_CASES_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/integrand.h"
#include "analyze/infer/mode.h"

#define CASES_MAX 6 /* sound, and up to five ways of taking items as mistakes */

/* Finds the mode with all items sound: from 'start' (z), or when that is NULL from where a walk
 * along the fault's unknowns ends (begin.h). If that does not fit, also from the middle of the
 * prior; and the mode without the items that a walk leaves out as mistakes, as a case of its own.
 * exact: as mode_search(). Returns how many are in list[]: 0 when the evidence has no likelihood.
 */
size_t cases_first(struct integrand *f, const double *start, bool exact,
                   struct mode list[CASES_MAX]);

/* Adds to 'count' cases those with mistakes, most promising first; returns how many there are. */
size_t cases_suspect(struct integrand *f, struct mode list[CASES_MAX], size_t count);

/* Settles every case once more with the costly items from their parabolas: cheap, so with exact
 * slopes. Nothing to do for a model without costly items. */
void cases_polish(struct integrand *f, struct mode list[CASES_MAX], size_t count);

/* Which of 'count' (1 or more) is the likeliest. */
size_t cases_lead(const struct mode *list, size_t count);

#endif
