/* wire: winding wire by gauge, by diameter and by strand count.
 *
 * Sizes: Standard Wire Gauge 7/0 to 50 (Order in Council of 23 August 1883, as listed under
 * BS 3737:1964), American Wire Gauge 4/0 to 56 (d = 0.005 in x 92^((36-n)/39)), and the metric R20
 * and R40 preferred sizes. Coverings: enamel grades 1 to 3 (IEC 60317-0-1), cotton and silk, none.
 * Resistance: IACS annealed copper, 1/58 ohm mm2/m at 20 C, for gauge wire; for IEC wire the rule
 * 1/59, 1/58.5, 1/58 (least, nominal, greatest). SI everywhere: m, ohm/m, kg/m, degrees C. */
#ifndef TRUEWOUND_WIRE_H
#define TRUEWOUND_WIRE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/model/amount.h"
#include "db/status.h"

enum wire_metal { WIRE_COPPER, WIRE_ALUMINIUM };

enum wire_system {
    WIRE_DIAMETER, /* named by a plain diameter */
    WIRE_SWG,
    WIRE_AWG,
    WIRE_METRIC /* an R20 or R40 preferred size, IEC tolerances apply */
};

enum wire_covering {
    WIRE_BARE,
    WIRE_ENAMEL_1, /* IEC 60317-0-1 grade 1, 2, 3 */
    WIRE_ENAMEL_2,
    WIRE_ENAMEL_3,
    WIRE_COTTON_SINGLE,
    WIRE_COTTON_DOUBLE,
    WIRE_SILK_SINGLE,
    WIRE_SILK_DOUBLE
};

#define WIRE_LABEL_SIZE   48
#define WIRE_GAUGE_LEAST  (-6)    /* 7/0 */
#define WIRE_DIAMETER_MIN 5.0e-6  /* m, bare, of one strand: finer is not made as winding wire */
#define WIRE_DIAMETER_MAX 15.0e-3 /* m */
#define WIRE_STRANDS_MAX  10000

/* One winding wire, which may be n strands twisted together. */
struct wire {
    enum wire_metal metal;
    enum wire_system system;
    int gauge;        /* SWG or AWG number: 2/0 is -1, 7/0 is -6; 0 otherwise unused */
    int strands;      /* 1 for solid wire */
    double diameter;  /* m, bare, nominal, of one strand */
    double tolerance; /* m, +- half width on the bare diameter of one strand */
    enum wire_covering covering;
    double overall_min; /* m, over everything, of the whole wire (bundle when stranded) */
    double overall_nom;
    double overall_max;
    double lay_factor;           /* length of a strand / length of wire, >= 1 */
    char label[WIRE_LABEL_SIZE]; /* as the person wrote it */
};

/* Density (kg/m3), resistivity at 20 C (ohm m) and its temperature coefficient at 20 C (1/K).
 * Copper: 8890, 1/58 ohm mm2/m, 0.00393 (IACS; NBS Handbook 100; IEC 60028). Aluminium: 2703,
 * 0.028264 ohm mm2/m, 0.00403 (from memory, IEC 60889 / EC aluminium). */
double wire_density(enum wire_metal metal);
double wire_resistivity(enum wire_metal metal);
double wire_temperature_coefficient(enum wire_metal metal);

/* Resistivity (ohm m, 20 C) taken as nominal for one wire: 1/58.5 ohm mm2/m for copper named by a
 * diameter (the nominal of IEC 60317-0-1, inferred from its tables), IACS 1/58 for gauge wire (the
 * convention of the wire tables). They differ by 0.9 %, which the uncertainty covers. */
double wire_resistivity_of(const struct wire *w);

/* Factor R(t)/R(20 C) = 1 + alpha20 (t - 20) for -60 <= t <= 300 C (linear rule, IEC 60028). */
double wire_temperature_factor(enum wire_metal metal, double celsius);

/* Bare diameter (m) of a gauge. STATUS_INPUT outside 7/0..50 (SWG) or 4/0..56 (AWG). AWG is the
 * unrounded rule (the convention of NBS Circular 31); ASTM B258 rounds it to 0.1 mil. */
enum status_code wire_gauge_diameter(enum wire_system system, int gauge, double *diameter,
                                     struct status *st);

/* The whole number of gauges in a system, and the i-th, largest first; for listings. For
 * WIRE_METRIC these are the R40 sizes 0.018 to 5 mm, and *gauge is the index. */
int wire_size_count(enum wire_system system);
enum status_code wire_size(enum wire_system system, int index, int *gauge, double *diameter,
                           struct status *st);

/* Makes a wire from a gauge or diameter with its usual tolerance, covering and overall diameters.
 * diameter is used for WIRE_DIAMETER and WIRE_METRIC, gauge for the others. A WIRE_DIAMETER that is
 * within 0.02 um of an R40 size becomes WIRE_METRIC. The tolerance is that of IEC 60317-0-1 for
 * metric sizes, +-1 % or 2.5 um, whichever is more, for others (common practice); lay_factor is 1
 * for solid wire and 1.02 for strands. The caller may then put in its own tolerance, overall
 * diameters (least <= nominal <= greatest) and lay factor: nothing else depends on them. */
enum status_code wire_make(struct wire *w, enum wire_metal metal, enum wire_system system,
                           int gauge, double diameter, int strands, enum wire_covering covering,
                           struct status *st);

/* Reads the size of a wire: "30 SWG", "28 AWG", "2/0 SWG", "0.25 mm", "7 x 0.04 mm", "25 thou",
 * "0.0124 in", and a gauge with a diameter: "32 SWG 0.25 mm", "0.25 mm (32 SWG)". The diameter
 * wins when both are given. Fills *w as copper with the covering given. When gauge and diameter
 * disagree by more than the tolerance, warning (may be NULL) gets a sentence with the difference in
 * mm and in per cent of ohm per metre; otherwise it is emptied. */
enum status_code wire_from_text(const char *text, enum wire_covering covering, struct wire *w,
                                char *warning, size_t warning_size, struct status *st);

/* Difference between a named gauge and a stated bare diameter. Returns true when it is more than
 * the tolerance of the gauge; *metres = gauge - stated, *percent = (R stated / R gauge - 1) x 100:
 * how much more ohm per metre the stated wire has than the name promises. */
bool wire_disagrees(enum wire_system system, int gauge, double stated, double *metres,
                    double *percent);

/* Enamel and fibre: least and greatest overall diameter (m) of one strand of this bare diameter.
 * IEC 60317-0-1 table values, interpolated between listed sizes (from memory but for 0.1 to
 * 0.125 mm); fibre coverings are common practice. */
enum status_code wire_overall(enum wire_covering covering, double diameter, double *min,
                              double *max, struct status *st);

/* Resistance per metre of wire (all strands, lay included), ohm/m, at a temperature. */
struct wire_resistance {
    double min, nom, max;
};
enum status_code wire_resistance(const struct wire *w, double celsius, struct wire_resistance *r,
                                 struct status *st);

/* Mass per metre of wire, kg/m: metal alone and with its covering. */
double wire_mass_metal(const struct wire *w);
double wire_mass_covered(const struct wire *w);

/* The same two rules for the forward model, which varies the figures freely: metal section of one
 * strand's diameter d (m), and mass per metre of covering between bare section and overall
 * diameter. No checks: finite positive input. */
double wire_section(int strands, double diameter);
double wire_mass_of(const struct wire *w, double diameter, double overall);

/* Names of the coverings and metals as written in a design file ("enamel 1", "cotton double"). */
const char *wire_covering_word(enum wire_covering covering);
enum status_code wire_covering_from_text(const char *text, enum wire_covering *covering,
                                         struct status *st);
const char *wire_metal_word(enum wire_metal metal);
enum status_code wire_metal_from_text(const char *text, enum wire_metal *metal, struct status *st);

/* Reads a system of standard sizes: swg, awg or metric, in any case. STATUS_INPUT with what was
 * read and what was expected; *system is then as it was. */
enum status_code wire_system_from_text(const char *text, enum wire_system *system,
                                       struct status *st);

/* Writes "30 SWG", "2/0 AWG" or "0.25 mm" into text. */
void wire_size_text(enum wire_system system, int gauge, double diameter, char *text, size_t size);

/* 'Which gauge is this?' One candidate of a ranked list. */
struct wire_candidate {
    enum wire_system system;
    int gauge;
    double diameter; /* m, bare */
    enum wire_covering covering;
    double probability; /* of all candidates given, sums to 1 */
    double deviation;   /* (read - expected) / standard deviation */
};

/* Ranks every size of the systems in the bit mask (1u << WIRE_SWG | ...) against a micrometer
 * reading. over_covering: the reading went over the covering named; else the wire was bared.
 * Each size is equally likely beforehand. Fills at most max candidates, best first, *count of
 * them; all whose probability is above 0.001. *misfit is the chance of a deviation this large for
 * the best candidate (two-sided normal): small means that no listed size fits. */
enum status_code wire_identify_diameter(struct amount reading, bool over_covering,
                                        enum wire_covering covering, unsigned systems,
                                        struct wire_candidate *list, size_t max, size_t *count,
                                        double *misfit, struct status *st);

/* The same from the resistance (ohm) of a measured length (m) of one strand at a temperature. */
enum status_code wire_identify_resistance(struct amount ohms, struct amount length, double celsius,
                                          enum wire_metal metal, unsigned systems,
                                          struct wire_candidate *list, size_t max, size_t *count,
                                          double *misfit, struct status *st);

#endif
