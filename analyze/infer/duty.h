/* duty: what a battery will do next, from what it did lately. */
#ifndef TRUEWOUND_DUTY_H
#define TRUEWOUND_DUTY_H

#include "analyze/infer/daily.h"
#include "analyze/infer/trend.h"

/* Charge and pulses a second, lately and in the whole. */
struct duty {
    double per_s, u; /* Ah a second (1 where charge is not known), relative uncertainty */
    double kelvin;   /* T - 20, lately */
    double since;    /* voltage now over that of the days the charge was counted in */
};

/* daily: as daily_make made of the same days (n at least 1). */
void duty_learn(const struct daily *daily, const struct trend_day days[], size_t n, struct duty *d);

#endif
