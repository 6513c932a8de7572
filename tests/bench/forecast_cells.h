/* Cells for bench_analyze_forecast: two unlike kinds of physics, neither of them the program's nor
 * the simulated bench's. All constants are invented; the forms are from memory.
 *
 * Shepherd: V = E0 - K Q / (Q - q) + A exp(-B q), after C. M. Shepherd, 'Design of primary and
 *   secondary cells II', J. Electrochem. Soc. 112 (1965) 657.
 * Insertion: a solid solution whose potential follows the share y that is filled, after Nernst,
 *   E = E0 - (RT/F) ln(y / (1 - y)) - g (y - 1/2), as written for manganese dioxide by A. Kozawa
 *   and R. A. Powers, J. Electrochem. Soc. 113 (1966) 870; the same with other constants for
 *   nickel; for lead-acid 0.84 V + the acid's density, falling with the charge, and a collapse as
 *   the acid is used up. Cold takes some of the charge, which the first does not know. */
#ifndef TESTS_BENCH_FORECAST_CELLS_H
#define TESTS_BENCH_FORECAST_CELLS_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

enum forecast_physics { FORECAST_SHEPHERD, FORECAST_INSERTION };

struct forecast_kind {
    const char *name;
    double rated_ah;
    double end_v;  /* of a cell */
    double spread; /* of capacity, relative, about a rating that is known: the cells of a box, and
                    * boxes of one make */
    double makers; /* of capacity about the figure that a person has: a label or a handbook's, for
                    * any make of the type. Both from memory, no source: data sheets of one alkaline
                    * type lie within some 10 to 20 % of each other at the same small load, those of
                    * zinc-carbon further apart, and a printed rating is kept to some per cent */
    double ohm, ohm_spread, growth;
    double self_year;
    double e0, k, a, b;     /* Shepherd; b over the capacity */
    double i0, g, collapse; /* insertion: potential, slope, collapse in units of RT/F */
    int cells;
    bool acid;
};

static const struct forecast_kind forecast_kinds[] = {
    {"LR6", 2.9, 0.9, 0.05, 0.10, 0.16, 0.3, 2, 0.02, 1.44, 0.050, 0.15, 9, 1.285, 0.28, 0, 2,
     false},
    {"LR14", 8, 0.9, 0.05, 0.10, 0.15, 0.3, 2, 0.02, 1.44, 0.050, 0.15, 9, 1.285, 0.28, 0, 2,
     false},
    {"LR20", 18, 0.9, 0.05, 0.10, 0.14, 0.3, 2, 0.02, 1.44, 0.050, 0.15, 9, 1.285, 0.28, 0, 2,
     false},
    {"R6P", 1, 0.9, 0.08, 0.15, 0.5, 0.4, 4, 0.05, 1.45, 0.080, 0.15, 8, 1.270, 0.42, 0, 2, false},
    {"R20P", 7.5, 0.9, 0.08, 0.15, 0.3, 0.4, 4, 0.05, 1.45, 0.080, 0.15, 8, 1.270, 0.42, 0, 2,
     false},
    {"lead-acid", 7, 1.75, 0.05, 0.08, 0.004, 0.3, 1.5, 0.3, 2.10, 0.030, 0.05, 4, 2.14, 0.18, 1.2,
     3, true},
    {"NiMH", 2, 1.0, 0.04, 0.05, 0.03, 0.3, 1.5, 1.5, 1.315, 0.010, 0.09, 12, 1.315, 0.03, 1, 2,
     false},
    {"NiMH-LSD", 2, 1.0, 0.04, 0.05, 0.03, 0.3, 1.5, 0.2, 1.315, 0.010, 0.09, 12, 1.315, 0.03, 1, 2,
     false},
};
#define FORECAST_KINDS (sizeof forecast_kinds / sizeof *forecast_kinds)

struct forecast_cell {
    const struct forecast_kind *kind;
    enum forecast_physics physics;
    double capacity, top; /* Ah; top: where the curve has its pole, over the capacity */
    double e0, k, a, b, i0, g, collapse, sag, cold;
    double ohm, growth, kelvin;
    double used; /* Ah */
};

/* A cell is drawn as so many standard normal deviates, so that a sampler can walk among them. */
enum forecast_deviate {
    FORECAST_Z_CAPACITY,
    FORECAST_Z_USED,
    FORECAST_Z_TOP,
    FORECAST_Z_LEVEL,
    FORECAST_Z_K,
    FORECAST_Z_A,
    FORECAST_Z_B,
    FORECAST_Z_G,
    FORECAST_Z_COLLAPSE,
    FORECAST_Z_SAG,
    FORECAST_Z_COLD,
    FORECAST_Z_OHM,
    FORECAST_Z_GROWTH,
    FORECAST_Z_KELVIN,
    FORECAST_DEVIATES
};

/* Nine of ten go in fresh, up to 4 % used; the others 3 to 33 %. */
static inline double forecast_used(double z)
{
    double u = gsl_cdf_ugaussian_P(z);

    return u < 0.9 ? fmin(0.04, -0.01 * log1p(-u / 0.9)) : 0.03 + 3.0 * (u - 0.9);
}

static inline void forecast_cell_make(struct forecast_cell *c, const struct forecast_kind *kind,
                                      enum forecast_physics physics,
                                      const double z[FORECAST_DEVIATES], double spread)
{
    *c = (struct forecast_cell){.kind = kind, .physics = physics};
    c->capacity = kind->rated_ah * exp(spread * z[FORECAST_Z_CAPACITY]);
    c->top = 1.04 + 0.04 * gsl_cdf_ugaussian_P(z[FORECAST_Z_TOP]);
    c->e0 = kind->e0 + (kind->acid ? 0.01 : 0.02) * z[FORECAST_Z_LEVEL];
    c->k = kind->k * exp(0.35 * z[FORECAST_Z_K]);
    c->a = kind->a * exp(0.2 * z[FORECAST_Z_A]);
    c->b = kind->b * exp(0.3 * z[FORECAST_Z_B]);
    c->i0 = kind->i0 + (kind->acid ? 0.01 : 0.015) * z[FORECAST_Z_LEVEL];
    c->g = kind->g * exp(0.15 * z[FORECAST_Z_G]);
    c->collapse = kind->collapse * exp(0.2 * z[FORECAST_Z_COLLAPSE]);
    c->sag = 0.004 + 0.016 * gsl_cdf_ugaussian_P(z[FORECAST_Z_SAG]);
    c->cold = 0.003 * gsl_cdf_ugaussian_P(z[FORECAST_Z_COLD]);
    c->ohm = kind->ohm * exp(kind->ohm_spread * z[FORECAST_Z_OHM]);
    c->growth = kind->growth * exp(0.3 * z[FORECAST_Z_GROWTH]);
    c->kelvin = kind->acid ? 0.0002 : 0.0003 * z[FORECAST_Z_KELVIN];
    c->used = c->capacity * forecast_used(z[FORECAST_Z_USED]);
}

static inline void forecast_cell_draw(struct forecast_cell *c, const struct forecast_kind *kind,
                                      enum forecast_physics physics, gsl_rng *r)
{
    double z[FORECAST_DEVIATES];

    for (int i = 0; i < FORECAST_DEVIATES; i++)
        z[i] = gsl_ran_gaussian(r, 1.0);
    forecast_cell_make(c, kind, physics, z, hypot(kind->spread, kind->makers));
}

/* What a make is: the deviates that its cells share. */
struct forecast_make {
    double z[FORECAST_DEVIATES];
};

static inline void forecast_make_draw(struct forecast_make *make, gsl_rng *r)
{
    for (int i = 0; i < FORECAST_DEVIATES; i++)
        make->z[i] = gsl_ran_gaussian(r, 1.0);
}

/* A cell of that make, with a tenth of the variance of its curve and the spread of a box as its
 * own; makers: the spread of capacity between makes. Among all makes it is drawn as by
 * forecast_cell_draw. */
static inline void forecast_cell_of(struct forecast_cell *c, const struct forecast_make *make,
                                    const struct forecast_kind *kind, enum forecast_physics physics,
                                    double makers, gsl_rng *r)
{
    double z[FORECAST_DEVIATES], spread = hypot(kind->spread, makers);

    for (int i = 0; i < FORECAST_DEVIATES; i++)
        z[i] = sqrt(0.9) * make->z[i] + sqrt(0.1) * gsl_ran_gaussian(r, 1.0);
    z[FORECAST_Z_CAPACITY] =
        (makers * make->z[FORECAST_Z_CAPACITY] + kind->spread * gsl_ran_gaussian(r, 1.0)) / spread;
    z[FORECAST_Z_USED] = gsl_ran_gaussian(r, 1.0);
    forecast_cell_make(c, kind, physics, z, spread);
}

/* Between pulses; 0 when there is nothing left. */
static inline double forecast_cell_volt(const struct forecast_cell *c, double celsius)
{
    double y = c->used / c->capacity, kt = 8.617e-5 * (celsius + 273.15), v;

    if (c->physics == FORECAST_SHEPHERD) {
        if (y >= 0.9995 * c->top)
            return 0.0;
        v = c->e0 - c->k * c->top / (c->top - y) + c->a * exp(-c->b * y);
    } else {
        y = 0.004 + 0.995 * y / (1.0 - c->cold * fmax(0.0, 20.0 - celsius));
        if (y >= 0.99999)
            return 0.0;
        if (c->kind->acid)
            v = c->i0 - c->g * y + c->collapse * kt * log1p(-y);
        else
            v = c->i0 - kt * log(y / (1.0 - y)) - c->g * (y - 0.5) + c->collapse * kt * log1p(-y);
        v -= c->sag * (1.0 + y) * (c->kind->acid ? 0.3 : 1.0);
    }
    return fmax(0.0, v + c->kelvin * (celsius - 20.0));
}

static inline double forecast_cell_ohm(const struct forecast_cell *c, double celsius)
{
    double y = fmin(1.0, c->used / c->capacity);

    return c->ohm * exp2((20.0 - celsius) / 26.0) * (1.0 + c->growth * y * y);
}

#endif
