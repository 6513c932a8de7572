/* iron: how a core material answers a magnetic field.
 *
 * A material is a normal magnetisation curve (pairs of B and H), a saturation polarisation, and a
 * remanence and coercive force with their spread. Between the pairs the curve is the monotone C1
 * interpolation of Steffen (Astron. Astrophys. 239 (1990) 443, as in gsl_interp_steffen), taken as
 * H(B) and mirrored through the origin, so it is odd and smooth at zero. Beyond the last pair the
 * slope dB/dH falls smoothly to mu0 while the polarisation B - mu0 H rises to its saturation value:
 * monotone and C1, safe at any field.
 *
 * A curve read from print is a middle value of one melt: the 'spread' of a material is the
 * relative standard uncertainty of H at a given B for another piece sold under the same name.
 * A struct iron is read-only after it is made and may be shared between threads. */
#ifndef TRUEWOUND_IRON_H
#define TRUEWOUND_IRON_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define IRON_MU0 1.25663706212e-6 /* H/m, CODATA 2018 */

/* How the numbers of a material are known. */
enum iron_source_kind {
    IRON_PUBLISHED, /* pairs read in the named document */
    IRON_MEMORY     /* pairs from memory: to be read in a document before being called published */
};

/* What is known of a material beside its curve. */
struct iron_facts {
    const char *name;    /* "annealed-iron" */
    const char *aliases; /* other names that iron_create() takes, space-separated */
    const char *what;    /* one line for a person: "annealed bolt, soft" */
    const char *source;  /* document, edition, table; or "from memory: ..." */
    enum iron_source_kind kind;
    double saturation; /* T, saturation polarisation */
    double knee;       /* T, where dB/dH has fallen to 1/20 of its greatest value: 'saturated' */
    double remanence;  /* T, flux density left in a closed path after saturation */
    double remanence_spread;  /* T, standard uncertainty */
    double coercivity;        /* A/m, after saturation */
    double coercivity_spread; /* A/m, standard uncertainty */
    double spread;            /* 1, relative standard uncertainty of H at given B */
    double resistivity;       /* ohm m at 20 C, for eddy currents; from memory */
    bool sheet;               /* sold as sheet: a core of it is laminated against eddy currents */
};

struct iron;

/* Makes a material by name or alias ("low-carbon-steel", "cast-iron", "annealed bolt", ...), in any
 * case, with '-', '_' and space alike. Free it with iron_free(). Fails with STATUS_NOT_FOUND
 * (the text lists the known names) or STATUS_MEMORY. */
enum status_code iron_create(const char *name, struct iron **iron, struct status *st);

/* Makes a material from the caller's own curve: n pairs (2 to 256), h in A/m and b in T, both
 * strictly rising from positive values, with dB/dH never below mu0; saturation in T, above the
 * last B - mu0 H and at most 2.6. facts->name and the rest of facts are copied (strings are kept
 * by reference); facts->saturation is used, facts->knee is computed. Fails with STATUS_INPUT naming
 * the pair, or STATUS_MEMORY. */
enum status_code iron_create_pairs(const struct iron_facts *facts, const double *h, const double *b,
                                   size_t n, struct iron **iron, struct status *st);

void iron_free(struct iron *iron);

/* The number of materials kept here, and the name of number i (NULL beyond the end). */
size_t iron_count(void);
const char *iron_name(size_t i);

const struct iron_facts *iron_facts(const struct iron *iron);

/* The pairs the curve was made from: returns their number; h (A/m) and b (T) may be NULL. */
size_t iron_pairs(const struct iron *iron, const double **h, const double **b);

/* Field strength in A/m at flux density b in T, any finite b; odd in b. */
double iron_h(const struct iron *iron, double b);

/* As iron_h(), and the slope dH/dB in m/H (never negative, at most 1/mu0) in *slope. */
double iron_h_slope(const struct iron *iron, double b, double *slope);

/* Flux density in T at field strength h in A/m, any finite h: the exact inverse of iron_h() to
 * 1e-12 relative. */
double iron_b(const struct iron *iron, double h);

/* As iron_b(), and the slope dB/dH in H/m in *slope. */
double iron_b_slope(const struct iron *iron, double h, double *slope);

/* Energy density, integral of H dB from 0 to b, in J/m3. */
double iron_energy(const struct iron *iron, double b);

#endif
