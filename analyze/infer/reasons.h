/* reasons: why pass, fail or undecided, in plain sentences, worst first. */
#ifndef TRUEWOUND_REASONS_H
#define TRUEWOUND_REASONS_H

#include "analyze/infer/evidence.h"
#include "analyze/infer/limits.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"

/* Fills the lines of a verdict that is otherwise complete. */
void reasons_write(const struct suppose *s, const struct evidence_set *evidence,
                   const struct limits_untried *untried, struct verdict *v);

#endif
