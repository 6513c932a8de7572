/* windsheet: the blank sheet to count turns on while a coil is wound. */
#ifndef TRUEWOUND_WINDSHEET_H
#define TRUEWOUND_WINDSHEET_H

#include <stddef.h>

#include "analyze/model/coil.h"
#include "analyze/model/design.h"
#include "analyze/model/prediction.h"
#include "db/status.h"

/* Writes the sheet as HTML (free *html; *size without the final zero) from a completed design and
 * its prediction. Layers are those of the nominal wire (winding_lay()); a scramble winding is cut
 * into stretches of a round number of turns. digest: of the design's text, may be empty.
 * STATUS_INPUT when the turns do not fit. */
enum status_code windsheet_html(const struct design *design, const struct prediction *prediction,
                                const char *digest, char **html, size_t *size, struct status *st);

#endif
