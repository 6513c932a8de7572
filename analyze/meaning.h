/* meaning: what one figure of the record says, held against the design. */
#ifndef TRUEWOUND_MEANING_H
#define TRUEWOUND_MEANING_H

#include <stddef.h>
#include <stdint.h>

#include "analyze/gather.h"
#include "analyze/model/design.h"
#include "db/status.h"

#define MEANING_SIZE 400

/* One or two sentences on the evidence that observation 'entry' gave: "9.131 ± 0.012 Ω: as designed
 * would be 9.00 ± 0.21 Ω. It fits." Both ± are one standard uncertainty. design: completed and
 * checked. insulation: ohm, the least that is sound. An entry that could not be used says why;
 * STATUS_NOT_FOUND when there is none. */
enum status_code meaning_of(const struct design *design, const struct gathered *gathered,
                            int64_t entry, double insulation, char text[MEANING_SIZE],
                            struct status *st);

#endif
