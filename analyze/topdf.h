/* topdf: prints a page of HTML of our own making into a PDF file, by the browser of this machine.
 */
#ifndef TRUEWOUND_TOPDF_H
#define TRUEWOUND_TOPDF_H

#include <stdio.h>

#include "db/status.h"

/* Prints size bytes of HTML into the file path, on the paper its style asks for. The browser is
 * looked for in PATH (chromium, chromium-browser) and run without a shell, without a profile, at
 * most a minute. progress: where a line says so on a terminal when it takes long, may be NULL.
 * STATUS_NOT_FOUND: no browser that prints by itself; STATUS_IO, STATUS_TIMEOUT: it did not. The
 * file is written only when all went well. */
enum status_code topdf_write(const char *html, size_t size, const char *path, FILE *progress,
                             struct status *st);

#endif
