/* unitword: units as instruments write them.
 *
 * Meters and scales write KOHM, VDC, MV, 'deg C', KG, a micro or degree sign in some old code page.
 * UDUNITS-2 knows few of these, and takes others for something else: MV for megavolt, ct for a
 * hundredth of a tonne, G for gauss, C for coulomb. What is meant follows from what is measured. */
#ifndef TRUEWOUND_UNITWORD_H
#define TRUEWOUND_UNITWORD_H

#include <stdbool.h>

#define UNITWORD_MAX 24

struct unitword {
    char unit[UNITWORD_MAX]; /* for UDUNITS-2 */
    double factor;           /* the number times this is in unit */
    bool ac;                 /* it says that the value is one of alternating current */
};

/* What text means where the SI unit of what is measured is `si` ("ohm", "V", "A", "Hz", "F", "H",
 * "W", "s", "kg", "N", "K"). False when it is not one of the known ways of writing.
 *
 * Capitals throughout: IEEE 488.2, table 7-2 (from memory): M is milli, but mega before OHM and HZ.
 * kg, g, lb and oz of a force are the weight of that mass at standard gravity, as a load cell's
 * indicator means them. Carat 0.2 g (4th CGPM, 1907); grain 64.79891 mg, pennyweight 24 and troy
 * ounce 480 grains (NIST Handbook 44, appendix C; from memory). Of a mass nothing else should be
 * believed: too many short words are some fraction of a tonne. */
bool unitword_read(const char *text, const char *si, struct unitword *word);

#endif
