#include "analyze/infer/scatter.h"

#define STEP_ACROSS 0xD1342543DE82EF95u
#define STEPS       4503599627370496.0 /* 2^52: what a double holds of the bits */

uint64_t scatter_mix(uint64_t x)
{
    x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
    x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
    return x ^ (x >> 31);
}

double scatter_unit(uint64_t a, uint64_t b)
{
    return ((double)(scatter_mix(a * SCATTER_STEP + b * STEP_ACROSS) >> 12) + 0.5) / STEPS;
}
