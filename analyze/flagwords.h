/* flagwords: what an instrument said about a reading, in words. */
#ifndef TRUEWOUND_FLAGWORDS_H
#define TRUEWOUND_FLAGWORDS_H

#include <stddef.h>
#include <stdint.h>

#define FLAGWORDS_SIZE 160

/* "overload, unstable" for bits of enum store_flag; empty for none. Returns buf. */
const char *flagwords_text(char *buf, size_t size, uint32_t bits);

#endif
