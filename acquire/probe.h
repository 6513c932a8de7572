/* probe: tries the drivers on a port and writes the bench-file sections that would fit. */
#ifndef TRUEWOUND_PROBE_H
#define TRUEWOUND_PROBE_H

#include <stdio.h>

/* Listens on the port at the usual baud rates, then asks by the guesses of each driver. Writes
 * what it saw, and for each guess that worked the sections, to out. Takes up to a minute. Returns
 * how many guesses worked, -1 when the port cannot be opened. */
int probe_port(const char *path, FILE *out);

#endif
