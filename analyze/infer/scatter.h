/* scatter: fixed numbers that look drawn, the same on every machine. */
#ifndef TRUEWOUND_SCATTER_H
#define TRUEWOUND_SCATTER_H

#include <stdint.h>

/* What a counter goes up by, so that scatter_mix() of it gives one number after another. */
#define SCATTER_STEP 0x9E3779B97F4A7C15u

/* 64 bits without a pattern from 64 with one: the mixing of Splitmix64 (Steele, Lea and Flood, Fast
 * Splittable Pseudorandom Number Generators, 2014). */
uint64_t scatter_mix(uint64_t x);

/* The number at place (a, b) of a table without end: even over (0, 1), neither end included. */
double scatter_unit(uint64_t a, uint64_t b);

#endif
