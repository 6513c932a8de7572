/* variant: the discrete ways in which a finding can be, each with its share of the prior. */
#ifndef TRUEWOUND_VARIANT_H
#define TRUEWOUND_VARIANT_H

#include <stddef.h>

#include "analyze/infer/fault.h"
#include "analyze/infer/suppose.h"

/* Fills those of a finding that apply to the scope's design and evidence, and returns their number;
 * 0 when none does. finding: a row of finding_table(). */
size_t variant_list(const struct fault_scope *s, size_t finding,
                    struct suppose_variant variant[SUPPOSE_VARIANTS_MAX]);

#endif
