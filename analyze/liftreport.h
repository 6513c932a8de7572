/* liftreport: a lift study in words for a terminal, and as JSON. */
#ifndef TRUEWOUND_LIFTREPORT_H
#define TRUEWOUND_LIFTREPORT_H

#include "analyze/command.h"
#include "analyze/lifting.h"

/* The whole result: what it holds, what that says, margin, sticking, next trial, cautions. */
int liftreport_print(const struct command_context *context, const struct lifting *lifting);

/* After one trial: the estimate so far and the next load, in two lines. */
void liftreport_short(const struct command_context *context, const struct lifting *lifting);

/* What to try next for that study; most: N, the greatest load to be had, NaN none. */
struct lift_plan liftreport_plan(const struct lifting *lifting, double most);

/* The cautions that go with lifting, one paragraph each, ended by NULL. */
const char *const *liftreport_cautions(void);

#endif
