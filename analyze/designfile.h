/* designfile: the file in which a person writes what a coil should be.
 *
 * Sections and keys are described in truewound-coil.5; the table at the top of designfile.c is
 * the same list. Units are written with every dimension. */
#ifndef TRUEWOUND_DESIGNFILE_H
#define TRUEWOUND_DESIGNFILE_H

#include <stddef.h>

#include "analyze/model/design.h"
#include "db/status.h"
#include "db/units.h"

#define DESIGNFILE_WARNINGS_MAX 8

/* Sentences about what can stand but should be looked at (a gauge and a diameter that disagree). */
struct designfile_warnings {
    size_t count;
    char text[DESIGNFILE_WARNINGS_MAX][256];
};

/* Reads, completes and checks the design at path. On STATUS_OK *design is complete and possible.
 * STATUS_INPUT names file, line, section and key, what was read and what was expected; nothing of
 * *design may be used then. */
enum status_code designfile_read(struct units *units, const char *path, struct design *design,
                                 struct designfile_warnings *warnings, struct status *st);

/* The same for a plan: wire and turns may be left out and are then placeholders; whether the rest
 * can be is for the planner to say. */
enum status_code designfile_read_plan(struct units *units, const char *path, struct design *design,
                                      struct status *st);

/* The same for text in memory (as the store keeps it); name stands for the path in messages. */
enum status_code designfile_parse(struct units *units, const char *name, const char *text,
                                  struct design *design, struct designfile_warnings *warnings,
                                  struct status *st);

/* Writes the list of all sections and keys with what each expects, for the error of an unknown
 * key and for the test that truewound-coil.5 names every one. Returns the number of keys; entry i
 * is put into section, key, expects when i is below it. */
size_t designfile_key(size_t i, const char **section, const char **key, const char **expects);

#endif
