/* wording: a finding and its figures as a winder reads them. */
#ifndef TRUEWOUND_WORDING_H
#define TRUEWOUND_WORDING_H

#include "analyze/infer/evidence.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"

/* printf into a line of a verdict. */
void wording_say(char *out, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* "93 %", never 100 % or 0 %. */
const char *wording_percent(double p, char out[16]);

/* An item of evidence: "resistance of limb A", "weight of the wire". */
void wording_item(const struct evidence_item *item, char out[EVIDENCE_SOURCE_SIZE]);

/* Unit of a resistance for a person, and what one of it is in ohm. */
const char *wording_ohm_unit(double ohm, double *scale);

/* "480 Ω", "0.12 Ω", "3.4 kΩ": two figures, for a resistance known to a decade or so. */
void wording_ohm(double ohm, char out[24]);

/* One sentence about a finding into its text, with its figures where there are draws enough. */
void wording_finding(const struct suppose *s, const struct verdict *v, struct verdict_finding *f);

#endif
