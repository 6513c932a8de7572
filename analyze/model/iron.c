#include "analyze/model/iron.h"

#include <ctype.h>
#include <float.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_interp.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define MAX_PAIRS 256
#define BINS      128
#define NU0       (1.0 / IRON_MU0)
#define OCTAVES   20
#define STEPS     16
/* A curve is called saturated where dB/dH has fallen to this share of its greatest value. */
#define KNEE_SHARE 0.05

/* One stretch of H(B) between two pairs: H = h + u (c1 + u (c2 + u c3)), u = B - b. */
struct piece {
    double b, h, c1, c2, c3;
    double energy; /* integral of H dB from 0 to b */
};

struct iron {
    struct iron_facts facts;
    size_t n; /* pairs, and pieces: the first piece starts at the origin */
    struct piece piece[MAX_PAIRS];
    double h_pair[MAX_PAIRS], b_pair[MAX_PAIRS];
    unsigned char first[BINS + 1]; /* piece in which each equal bin of B begins */
    double per_bin;
    /* B at fields spaced evenly within each octave, to start the search for B(H). */
    double start[OCTAVES * STEPS + 1];
    int first_octave;
    /* Beyond the last pair: H = h + nu0 x - (nu0 - slope) scale (1 - exp(-x / scale)), x = B - b.
     */
    double b_last, h_last, slope_last, scale, energy_last;
};

struct material {
    struct iron_facts facts;
    const double (*pairs)[2]; /* first, second as in_oersted says */
    size_t n;
    bool in_oersted; /* pairs are H in oersted, B in gauss; else H in A/m, B in T */
};

/* J. A. Fleming, "Electromagnetism", Encyclopaedia Britannica, 11th ed. (1911), vol. 9, p. 230,
 * Table IV, cast iron with 2 % Si, 2.85 % C, 0.5 % Mn, ballistic method. Oersted and gauss. */
static const double cast_iron[][2] = {
    {.19, 27},       {.41, 62},       {1.11, 206},     {2.53, 768},     {3.41, 1251},
    {4.45, 1898},    {5.67, 2589},    {7.16, 3350},    {8.84, 4030},    {10.60, 4491},
    {12.33, 4884},   {13.95, 5276},   {15.61, 5504},   {18.21, 5829},   {26.37, 6814},
    {36.54, 7580},   {44.65, 8071},   {56.57, 8548},   {71.98, 9097},   {88.99, 9600},
    {106.35, 10066}, {120.60, 10375}, {140.37, 10725}, {152.73, 10985},
};

/* N. Takahashi, T. Nakata, H. Morishige, IEEE Trans. Magn. 30(5) (1994) 3483: the steel (SS400) of
 * TEAM Workshop problem 20. A/m and T. Beyond the table B = mu0 H + 2.16 T. */
static const double low_carbon_steel[][2] = {
    {100, 0.05},   {153, 0.10},  {205, 0.20},    {233, 0.30},   {255, 0.40},   {285, 0.50},
    {320, 0.60},   {355, 0.70},  {405, 0.80},    {470, 0.90},   {555, 1.0},    {673, 1.1},
    {836, 1.2},    {1065, 1.3},  {1220, 1.35},   {1420, 1.4},   {1720, 1.45},  {2130, 1.5},
    {2670, 1.55},  {3480, 1.6},  {4500, 1.65},   {5950, 1.7},   {7650, 1.75},  {10100, 1.8},
    {13000, 1.85}, {15900, 1.9}, {21100, 1.95},  {26300, 2.0},  {32900, 2.05}, {42700, 2.1},
    {61700, 2.15}, {84300, 2.2}, {110000, 2.25}, {135000, 2.3},
};

/* "SteelGeneric" of the material library that comes with the field solver getdp 3.2.0
 * (templates/Lib_Materials.pro), which does not say whose steel it is. Its last five pairs rise
 * less than air and are left out. A/m and T. */
static const double rolled_steel[][2] = {
    {5.5023, 0.05},  {11.018, 0.10},  {16.562, 0.15},  {22.149, 0.20},  {27.798, 0.25},
    {33.528, 0.30},  {39.363, 0.35},  {45.335, 0.40},  {51.479, 0.45},  {57.842, 0.50},
    {64.481, 0.55},  {71.470, 0.60},  {78.906, 0.65},  {86.910, 0.70},  {95.644, 0.75},
    {105.32, 0.80},  {116.20, 0.85},  {128.68, 0.90},  {143.22, 0.95},  {160.50, 1.00},
    {181.39, 1.05},  {207.11, 1.10},  {239.32, 1.15},  {280.28, 1.20},  {333.14, 1.25},
    {402.31, 1.30},  {493.95, 1.35},  {616.78, 1.40},  {783.20, 1.45},  {1011.0, 1.50},
    {1325.7, 1.55},  {1764.5, 1.60},  {2381.9, 1.65},  {3257.8, 1.70},  {4511.0, 1.75},
    {6318.7, 1.80},  {8947.8, 1.85},  {12802.0, 1.90}, {18500.0, 1.95}, {26989.0, 2.00},
    {39739.0, 2.05}, {59047.0, 2.10}, {88520.0, 2.15},
};

/* "Steel3kW" of the same library: the sheet of a 3 kW induction machine benchmark. The pairs above
 * 1.95 T rise less than air and are left out. A/m and T. */
static const double dynamo_sheet[][2] = {
    {6.1465, 0.05}, {12.293, 0.10},  {18.440, 0.15},  {24.588, 0.20},  {30.736, 0.25},
    {36.886, 0.30}, {43.037, 0.35},  {49.190, 0.40},  {55.346, 0.45},  {61.507, 0.50},
    {67.673, 0.55}, {73.848, 0.60},  {80.036, 0.65},  {86.241, 0.70},  {92.473, 0.75},
    {98.745, 0.80}, {105.08, 0.85},  {111.50, 0.90},  {118.06, 0.95},  {124.85, 1.00},
    {131.99, 1.05}, {139.71, 1.10},  {148.36, 1.15},  {158.56, 1.20},  {171.37, 1.25},
    {188.64, 1.30}, {213.63, 1.35},  {252.19, 1.40},  {314.98, 1.45},  {421.61, 1.50},
    {608.88, 1.55}, {946.65, 1.60},  {1569.7, 1.65},  {2741.7, 1.70},  {4987.0, 1.75},
    {9363.3, 1.80}, {18037.0, 1.85}, {35518.0, 1.90}, {71329.0, 1.95},
};

/* From memory: J. Hopkinson's annealed wrought iron as S. P. Thompson prints it (1891). Oersted and
 * gauss. The value at 2000 gauss is inferred from a permeability of 2200 (from memory). */
static const double annealed_iron[][2] = {
    {0.9, 2000}, {1.66, 5000},  {4, 9000},   {5, 10000},   {6.5, 11000}, {8.5, 12000}, {12, 13000},
    {17, 14000}, {28.5, 15000}, {50, 16000}, {105, 17000}, {200, 18000}, {350, 19000}, {666, 20000},
};

/* From memory: soft rolled steel as used in a field-computation benchmark with thin plates. */
static const double soft_steel[][2] = {
    {16, 0.0025},   {30, 0.005}, {54, 0.0125},  {93, 0.025},    {143, 0.05},   {191, 0.1},
    {210, 0.2},     {222, 0.3},  {233, 0.4},    {247, 0.5},     {258, 0.6},    {272, 0.7},
    {289, 0.8},     {313, 0.9},  {342, 1.0},    {377, 1.1},     {433, 1.2},    {509, 1.3},
    {648, 1.4},     {933, 1.5},  {1228, 1.55},  {1934, 1.6},    {2913, 1.65},  {4993, 1.7},
    {7189, 1.75},   {9423, 1.8}, {13000, 1.86}, {20000, 1.945}, {32000, 2.04}, {60000, 2.16},
    {110000, 2.27},
};

/* From memory: cold-drawn mild steel, not annealed after drawing; a middle of what is sold. */
static const double mild_steel[][2] = {
    {100, 0.03},   {200, 0.09},   {400, 0.30},   {600, 0.55},   {800, 0.75},    {1000, 0.90},
    {1500, 1.15},  {2000, 1.28},  {3000, 1.42},  {5000, 1.56},  {7000, 1.64},   {10000, 1.72},
    {15000, 1.80}, {20000, 1.86}, {30000, 1.94}, {50000, 2.03}, {100000, 2.14}, {200000, 2.285},
};

/* From memory: non-oriented sheet with about 3 % silicon. */
static const double silicon_steel[][2] = {
    {15, 0.05},   {30, 0.20},   {40, 0.40},    {50, 0.60},    {70, 0.85},     {100, 1.03},
    {150, 1.18},  {200, 1.25},  {300, 1.33},   {500, 1.40},   {1000, 1.47},   {2000, 1.54},
    {4000, 1.63}, {7000, 1.73}, {10000, 1.79}, {20000, 1.90}, {50000, 2.015}, {100000, 2.09},
};

/* From memory: plain tool steel with 1 % carbon, hardened and lightly drawn. */
static const double tool_steel[][2] = {
    {1000, 0.06},  {2000, 0.16},  {3000, 0.32},  {4000, 0.55},  {5000, 0.75},  {7000, 1.00},
    {10000, 1.20}, {15000, 1.36}, {20000, 1.45}, {40000, 1.60}, {80000, 1.71}, {160000, 1.83},
};

#define PAIRS(table) table, sizeof table / sizeof table[0]

static const struct material materials[] = {
    {{.name = "annealed-iron",
      .aliases = "annealed-bolt wrought-iron annealed-wrought-iron soft-iron annealed-soft-iron "
                 "swedish-iron",
      .what = "soft iron, annealed: a bolt heated to red and cooled slowly",
      .source = "from memory: Hopkinson's annealed wrought iron as printed by Thompson, Lectures "
                "on the Electromagnet (1891); remanence and coercivity from memory",
      .kind = IRON_MEMORY,
      .saturation = 2.14,
      .remanence = 0.8,
      .remanence_spread = 0.25,
      .coercivity = 120,
      .coercivity_spread = 50,
      .spread = 0.25,
      .resistivity = 0.11e-6},
     PAIRS(annealed_iron),
     true},
    {{.name = "low-carbon-steel",
      .aliases = "ss400 structural-steel low-carbon",
      .what = "hot-rolled low-carbon steel",
      .source = "Takahashi, Nakata, Morishige, IEEE Trans. Magn. 30(5) (1994) 3483 (TEAM Workshop "
                "problem 20); remanence and coercivity from memory",
      .kind = IRON_PUBLISHED,
      .saturation = 2.16,
      .remanence = 1.0,
      .remanence_spread = 0.25,
      .coercivity = 200,
      .coercivity_spread = 70,
      .spread = 0.2,
      .resistivity = 0.15e-6},
     PAIRS(low_carbon_steel),
     false},
    {{.name = "rolled-steel",
      .aliases = "generic-steel steel",
      .what = "rolled steel with high permeability",
      .source = "material library of getdp 3.2.0, templates/Lib_Materials.pro, SteelGeneric; "
                "remanence and coercivity from memory",
      .kind = IRON_PUBLISHED,
      .saturation = 2.06,
      .remanence = 1.0,
      .remanence_spread = 0.25,
      .coercivity = 150,
      .coercivity_spread = 70,
      .spread = 0.3,
      .resistivity = 0.15e-6},
     PAIRS(rolled_steel),
     false},
    {{.name = "dynamo-sheet",
      .aliases = "lamination laminations electrical-sheet",
      .what = "sheet for the laminations of a motor",
      .source = "material library of getdp 3.2.0, templates/Lib_Materials.pro, Steel3kW; remanence "
                "and coercivity from memory",
      .kind = IRON_PUBLISHED,
      .saturation = 1.9,
      .remanence = 0.8,
      .remanence_spread = 0.2,
      .coercivity = 60,
      .coercivity_spread = 25,
      .spread = 0.25,
      .resistivity = 0.3e-6,
      .sheet = true},
     PAIRS(dynamo_sheet),
     false},
    {{.name = "soft-steel",
      .aliases = "annealed-mild-steel annealed-steel",
      .what = "mild steel, annealed",
      .source = "from memory: rolled steel of a field-computation benchmark; remanence and "
                "coercivity from memory",
      .kind = IRON_MEMORY,
      .saturation = 2.16,
      .remanence = 1.0,
      .remanence_spread = 0.25,
      .coercivity = 160,
      .coercivity_spread = 60,
      .spread = 0.25,
      .resistivity = 0.14e-6},
     PAIRS(soft_steel),
     false},
    {{.name = "mild-steel",
      .aliases = "as-found-bolt bolt bright-steel cold-drawn-steel unannealed-steel",
      .what = "mild steel as found: a bolt or bright bar, not annealed",
      .source = "from memory: a middle of cold-drawn mild steels, no single source",
      .kind = IRON_MEMORY,
      .saturation = 2.07,
      .remanence = 0.9,
      .remanence_spread = 0.25,
      .coercivity = 500,
      .coercivity_spread = 200,
      .spread = 0.35,
      .resistivity = 0.16e-6},
     PAIRS(mild_steel),
     false},
    {{.name = "cast-iron",
      .aliases = "grey-cast-iron grey-iron",
      .what = "grey cast iron",
      .source = "Fleming, \"Electromagnetism\", Encyclopaedia Britannica 11th ed. (1911) vol. 9 "
                "p. 230 Table IV; saturation, remanence and coercivity from memory",
      .kind = IRON_PUBLISHED,
      .saturation = 1.6,
      .remanence = 0.5,
      .remanence_spread = 0.1,
      .coercivity = 700,
      .coercivity_spread = 250,
      .spread = 0.3,
      .resistivity = 0.9e-6},
     PAIRS(cast_iron),
     true},
    {{.name = "silicon-steel",
      .aliases = "transformer-iron transformer-steel",
      .what = "non-oriented sheet with about 3 % silicon",
      .source = "from memory: non-oriented silicon sheet, no single source",
      .kind = IRON_MEMORY,
      .saturation = 1.98,
      .remanence = 0.8,
      .remanence_spread = 0.2,
      .coercivity = 45,
      .coercivity_spread = 20,
      .spread = 0.25,
      .resistivity = 0.5e-6,
      .sheet = true},
     PAIRS(silicon_steel),
     false},
    {{.name = "tool-steel",
      .aliases = "hardened-tool-steel silver-steel hardened-steel drill-rod",
      .what = "tool steel with 1 % carbon, hardened: keeps its magnetism and sticks",
      .source = "from memory: hardened carbon steel, no single source",
      .kind = IRON_MEMORY,
      .saturation = 1.66,
      .remanence = 0.95,
      .remanence_spread = 0.15,
      .coercivity = 4400,
      .coercivity_spread = 1000,
      .spread = 0.35,
      .resistivity = 0.35e-6},
     PAIRS(tool_steel),
     false},
};

#define MATERIALS (sizeof materials / sizeof materials[0])

size_t iron_count(void)
{
    return MATERIALS;
}

const char *iron_name(size_t i)
{
    return i < MATERIALS ? materials[i].facts.name : NULL;
}

/* Whether a person's word equals the word a[0..n) of a table: any case, '_' and ' ' like '-'. */
static bool same_word(const char *word, const char *a, size_t n)
{
    size_t i;

    for (i = 0; i < n; i++) {
        int c = tolower((unsigned char)word[i]);

        if (c == '_' || c == ' ')
            c = '-';
        if (c == '\0' || c != a[i])
            return false;
    }
    return word[n] == '\0';
}

static bool answers_to(const struct material *m, const char *word)
{
    const char *a = m->facts.aliases;

    if (same_word(word, m->facts.name, strlen(m->facts.name)))
        return true;
    while (*a) {
        size_t n = strcspn(a, " ");

        if (same_word(word, a, n))
            return true;
        a += n;
        a += strspn(a, " ");
    }
    return false;
}

enum status_code iron_create(const char *name, struct iron **iron, struct status *st)
{
    double h[MAX_PAIRS], b[MAX_PAIRS];
    char known[320] = "";
    size_t i, k;

    *iron = NULL;
    for (i = 0; i < MATERIALS; i++) {
        const struct material *m = &materials[i];

        if (!name || !answers_to(m, name))
            continue;
        for (k = 0; k < m->n; k++) {
            /* 1 oersted = 1000/(4 pi) A/m */
            h[k] = m->pairs[k][0] * (m->in_oersted ? 1000.0 / (4.0 * M_PI) : 1.0);
            b[k] = m->pairs[k][1] * (m->in_oersted ? 1e-4 : 1.0);
        }
        return iron_create_pairs(&m->facts, h, b, m->n, iron, st);
    }
    for (i = 0; i < MATERIALS; i++) {
        strncat(known, i ? ", " : "", sizeof known - strlen(known) - 1);
        strncat(known, materials[i].facts.name, sizeof known - strlen(known) - 1);
    }
    return status_fail(st, STATUS_NOT_FOUND, "no iron is called '%.60s'; known are %s",
                       name ? name : "", known);
}

/* Refuses pairs that no iron can have. */
static enum status_code check_pairs(const struct iron_facts *facts, const double *h,
                                    const double *b, size_t n, struct status *st)
{
    size_t i;

    if (n < 2 || n > MAX_PAIRS)
        return status_fail(st, STATUS_INPUT,
                           "a magnetisation curve has %zu pairs; 2 to %d are needed", n, MAX_PAIRS);
    for (i = 0; i < n; i++) {
        double h0 = i ? h[i - 1] : 0.0, b0 = i ? b[i - 1] : 0.0;

        if (!(isfinite(h[i]) && isfinite(b[i]) && h[i] > h0 && b[i] > b0))
            return status_fail(
                st, STATUS_INPUT,
                "pair %zu of the magnetisation curve is H = %g A/m, B = %g T; both must "
                "rise above %g A/m and %g T",
                i + 1, h[i], b[i], h0, b0);
        if (b[i] - b0 < IRON_MU0 * (h[i] - h0))
            return status_fail(
                st, STATUS_INPUT,
                "pair %zu of the magnetisation curve (H = %g A/m, B = %g T) rises less "
                "than air would from the pair before it",
                i + 1, h[i], b[i]);
        if (h[i] > 1e7)
            return status_fail(st, STATUS_INPUT,
                               "pair %zu of the magnetisation curve has H = %g A/m; at most 1e7 is "
                               "allowed",
                               i + 1, h[i]);
    }
    if (!(facts->saturation > b[n - 1] - IRON_MU0 * h[n - 1] && facts->saturation <= 2.6))
        return status_fail(
            st, STATUS_INPUT,
            "saturation polarisation is %g T; it must lie above the last pair's %g T and "
            "be at most 2.6 T",
            facts->saturation, b[n - 1] - IRON_MU0 * h[n - 1]);
    return STATUS_OK;
}

static double piece_energy(const struct piece *p, double u)
{
    return u * (p->h + u * (p->c1 / 2 + u * (p->c2 / 3 + u * p->c3 / 4)));
}

static double search(const struct iron *iron, double a, double *slope);

/* The flux density beyond its steepest point where dB/dH is down to KNEE_SHARE of the greatest. */
static double find_knee(const struct iron *iron)
{
    double top = 1.2 * iron->b_last + 0.2;
    double least = DBL_MAX, at = 0;
    double slope;
    int i;

    for (i = 0; i <= 4000; i++) {
        iron_h_slope(iron, top * i / 4000, &slope);
        if (slope < least) {
            least = slope;
            at = top * i / 4000;
        }
    }
    for (i = 0; i <= 4000; i++) {
        double b = at + (top - at) * i / 4000;

        iron_h_slope(iron, b, &slope);
        if (slope >= least / KNEE_SHARE)
            return b;
    }
    return top;
}

enum status_code iron_create_pairs(const struct iron_facts *facts, const double *h, const double *b,
                                   size_t n, struct iron **iron, struct status *st)
{
    /* The mirrored curve makes the slope at the origin that of an odd function. */
    double *x = NULL, *y = NULL;
    gsl_interp *interp = NULL;
    struct iron *it = NULL;
    double slope, next;
    enum status_code code;
    size_t i;

    *iron = NULL;
    code = check_pairs(facts, h, b, n, st);
    if (code)
        return code;
    it = calloc(1, sizeof *it);
    x = calloc(2 * n + 1, sizeof *x);
    y = calloc(2 * n + 1, sizeof *y);
    interp = gsl_interp_alloc(gsl_interp_steffen, 2 * n + 1);
    if (!it || !x || !y || !interp) {
        code = status_fail(st, STATUS_MEMORY, "no memory for a magnetisation curve");
        goto done;
    }
    it->facts = *facts;
    it->n = n;
    for (i = 0; i < n; i++) {
        x[n + 1 + i] = it->b_pair[i] = b[i];
        y[n + 1 + i] = it->h_pair[i] = h[i];
        x[n - 1 - i] = -b[i];
        y[n - 1 - i] = -h[i];
    }
    if (gsl_interp_init(interp, x, y, 2 * n + 1) != GSL_SUCCESS) {
        code = status_fail(st, STATUS_NUMERIC, "the magnetisation curve could not be interpolated");
        goto done;
    }
    slope = fmin(gsl_interp_eval_deriv(interp, x, y, 0.0, NULL), NU0);
    for (i = 0; i < n; i++) {
        struct piece *p = &it->piece[i];
        double w = x[n + 1 + i] - x[n + i], s = (y[n + 1 + i] - y[n + i]) / w;

        next = fmin(gsl_interp_eval_deriv(interp, x, y, x[n + 1 + i], NULL), NU0);
        p->b = x[n + i];
        p->h = y[n + i];
        p->c1 = slope;
        p->c2 = (3 * s - 2 * slope - next) / w;
        p->c3 = (slope + next - 2 * s) / (w * w);
        p->energy =
            i ? it->piece[i - 1].energy + piece_energy(&it->piece[i - 1], p->b - p[-1].b) : 0.0;
        slope = next;
    }
    it->b_last = b[n - 1];
    it->h_last = h[n - 1];
    it->slope_last = slope;
    it->energy_last =
        it->piece[n - 1].energy + piece_energy(&it->piece[n - 1], b[n - 1] - it->piece[n - 1].b);
    /* So that B - mu0 H tends to the saturation polarisation. A last slope of air leaves nothing to
     * rise, whatever the scale. */
    it->scale =
        (facts->saturation - (b[n - 1] - IRON_MU0 * h[n - 1])) / fmax(1.0 - IRON_MU0 * slope, 1e-9);
    it->per_bin = BINS / it->b_last;
    for (i = 0; i <= BINS; i++) {
        size_t k = 0;

        while (k + 1 < n && it->piece[k + 1].b <= (double)i / it->per_bin)
            k++;
        it->first[i] = (unsigned char)k;
    }
    it->facts.knee = find_knee(it);
    frexp(8 * it->h_last, &it->first_octave);
    it->first_octave -= OCTAVES - 1;
    for (i = 0; i <= OCTAVES * STEPS; i++)
        it->start[i] = search(
            it, ldexp(1 + (double)(i % STEPS) / STEPS, it->first_octave - 1 + (int)i / STEPS),
            &next);
    *iron = it;
    it = NULL;
    code = status_ok(st);
done:
    gsl_interp_free(interp);
    free(x);
    free(y);
    free(it);
    return code;
}

void iron_free(struct iron *iron)
{
    free(iron);
}

const struct iron_facts *iron_facts(const struct iron *iron)
{
    return &iron->facts;
}

size_t iron_pairs(const struct iron *iron, const double **h, const double **b)
{
    if (h)
        *h = iron->h_pair;
    if (b)
        *b = iron->b_pair;
    return iron->n;
}

static const struct piece *piece_of_b(const struct iron *iron, double b)
{
    size_t k = iron->first[(size_t)(b * iron->per_bin)];

    while (k + 1 < iron->n && iron->piece[k + 1].b <= b)
        k++;
    return &iron->piece[k];
}

double iron_h_slope(const struct iron *iron, double b, double *slope)
{
    double a = fabs(b), h;

    if (a < iron->b_last) {
        const struct piece *p = piece_of_b(iron, a);
        double u = a - p->b;

        h = p->h + u * (p->c1 + u * (p->c2 + u * p->c3));
        *slope = p->c1 + u * (2 * p->c2 + 3 * u * p->c3);
    } else {
        double x = a - iron->b_last, gone = exp(-x / iron->scale);

        h = iron->h_last + NU0 * x - (NU0 - iron->slope_last) * iron->scale * (1 - gone);
        *slope = NU0 - (NU0 - iron->slope_last) * gone;
    }
    return b < 0 ? -h : h;
}

double iron_h(const struct iron *iron, double b)
{
    double slope;

    return iron_h_slope(iron, b, &slope);
}

/* Newton's method kept inside a bracket: H(B) is monotone, so this cannot fail. */
static double invert(const struct iron *iron, double h, double low, double high, double *slope)
{
    const bool beyond = low >= iron->b_last;
    const struct piece *p = beyond ? NULL : piece_of_b(iron, low);
    double b = beyond ? 0.5 * (low + high) : low, s = 0;
    int i;

    if (!beyond) /* start on the chord */
        b = low + (high - low) * (h - p->h) /
                      (iron_h(iron, high) - p->h > 0 ? iron_h(iron, high) - p->h : 1.0);
    for (i = 0; i < 80; i++) {
        double f, step;

        if (beyond) {
            f = iron_h_slope(iron, b, &s) - h;
        } else {
            double u = b - p->b;

            f = p->h + u * (p->c1 + u * (p->c2 + u * p->c3)) - h;
            s = p->c1 + u * (2 * p->c2 + 3 * u * p->c3);
        }
        if (f > 0)
            high = b;
        else
            low = b;
        step = s > 0 ? f / s : 0;
        if (!(s > 0) || b - step <= low || b - step >= high)
            step = b - 0.5 * (low + high);
        if (fabs(f) <= 1e-13 * h || fabs(step) <= 1e-15 * b)
            break;
        b -= step;
    }
    *slope = s > 0 ? 1 / s : DBL_MAX;
    return b;
}

static double search(const struct iron *iron, double a, double *slope)
{
    if (a < iron->h_last) {
        size_t low = 0, high = iron->n;

        while (high - low > 1) {
            size_t mid = (low + high) / 2;

            if (iron->piece[mid].h <= a)
                low = mid;
            else
                high = mid;
        }
        return invert(iron, a, iron->piece[low].b, iron->b_pair[low], slope);
    } else {
        /* beyond the last pair B lies between the line of slope mu0 and that plus what is left */
        double x = IRON_MU0 * (a - iron->h_last);
        double left = (1 - IRON_MU0 * iron->slope_last) * iron->scale;

        return invert(iron, a, iron->b_last + x, iron->b_last + x + left, slope);
    }
}

/* Where field a falls in the table of starts: *at whole steps and a rest of 0 to 1. */
static double step_of(const struct iron *iron, double a, int *at)
{
    int exponent;
    double mantissa = frexp(a, &exponent), x;

    x = (2 * mantissa - 1) * STEPS;
    *at = (exponent - iron->first_octave) * STEPS + (int)x;
    return x - (int)x;
}

double iron_b_slope(const struct iron *iron, double h, double *slope)
{
    double a = fabs(h), b, rest;
    int at, i;

    rest = step_of(iron, a, &at);
    if (at >= 0 && at < OCTAVES * STEPS) {
        b = iron->start[at] + rest * (iron->start[at + 1] - iron->start[at]);
        for (i = 0; i < 5; i++) {
            double s, f = iron_h_slope(iron, b, &s) - a;

            *slope = 1 / s;
            if (fabs(f) <= 1e-14 * a)
                return h < 0 ? -b : b;
            b -= f / s;
            if (!(b > 0 && b < 1e3))
                break;
        }
    }
    b = search(iron, a, slope);
    return h < 0 ? -b : b;
}

double iron_b(const struct iron *iron, double h)
{
    double slope;

    return iron_b_slope(iron, h, &slope);
}

double iron_energy(const struct iron *iron, double b)
{
    double a = fabs(b);

    if (a < iron->b_last) {
        const struct piece *p = piece_of_b(iron, a);

        return p->energy + piece_energy(p, a - p->b);
    } else {
        double x = a - iron->b_last, d = (NU0 - iron->slope_last) * iron->scale;

        return iron->energy_last + x * (iron->h_last + NU0 * x / 2 - d) +
               d * iron->scale * (1 - exp(-x / iron->scale));
    }
}
