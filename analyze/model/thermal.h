/* thermal: how warm a winding is, how warm it will get, and what switching it off does.
 *
 * Temperatures are in degrees Celsius, everything else in SI units. Each function refuses a value
 * that is not finite or lies outside the range given with it, and names the quantity, the value
 * and the range. Nothing here keeps state; root finding and integration are GSL's, and a program
 * that uses them turns GSL's aborting error handler off (gsl_set_error_handler_off).
 *
 * Temperature from resistance is the method of IEC 60034-1, 8.6.2 (formula from memory):
 *     (t2 + k) / (t1 + k) = R2 / R1,  k = 235 for copper, 225 for aluminium.
 * 234.5 is also printed for copper (NBS Circular 31 and standards that follow it); the two differ
 * by 0.2 % of a rise. */
#ifndef TRUEWOUND_THERMAL_H
#define TRUEWOUND_THERMAL_H

#include "db/status.h"

#include <stdbool.h>
#include <stddef.h>

enum thermal_metal { THERMAL_COPPER, THERMAL_ALUMINIUM };

/* A figure with an interval that should hold the truth 19 times in 20. */
struct thermal_interval {
    double low, value, high;
};

/* Range in which the resistance of copper and aluminium is taken as a straight line, C. */
#define THERMAL_LEAST_C    (-60.0)
#define THERMAL_GREATEST_C 400.0

/* The constant k above, C: 235 for copper, 225 for aluminium (IEC 60034-1, from memory). */
double thermal_k(enum thermal_metal metal);

/* Heat capacity of a unit volume of the metal, J/(m3 K): 3.45e6 copper, 2.5e6 aluminium, and of a
 * unit mass, J/(kg K): the same over 8890 and 2703 kg/m3 (the constants of IEC 60949, from memory).
 */
double thermal_volume_heat(enum thermal_metal metal);
double thermal_mass_heat(enum thermal_metal metal);

/* Resistance at t2 (C) of a winding with resistance r1 (ohm) at t1 (C). Valid -60 to 400 C,
 * r1 1e-6 to 1e9 ohm. */
enum status_code thermal_resistance_at(enum thermal_metal metal, double r1, double t1, double t2,
                                       double *r2, struct status *st);

/* Mean temperature (C) of a winding that measured r1 (ohm) at t1 (C) and now measures r2 (ohm). */
enum status_code thermal_from_resistance(enum thermal_metal metal, double r1, double t1, double r2,
                                         double *t2, struct status *st);

/* The same with standard uncertainties of the three inputs (ohm, C, ohm; 0 or more): *t2 gets the
 * value and its interval of two standard deviations, the doubt about k (234.5 or 235) included. */
enum status_code thermal_from_resistance_u(enum thermal_metal metal, double r1, double u_r1,
                                           double t1, double u_t1, double r2, double u_r2,
                                           struct thermal_interval *t2, struct status *st);

/* Rise (K) over a coolant at ta (C): (R2 - R1)/R1 (k + t1) + t1 - ta. */
enum status_code thermal_rise(enum thermal_metal metal, double r1, double t1, double r2, double ta,
                              double *rise, struct status *st);

/* Adiabatic heating at a current density j (A/m2 of bare conductor, 0 to 1e9), no heat leaving:
 * rate (K/s) = j^2 rho(t) / (c d), rho at the temperature t. */
enum status_code thermal_adiabatic_rate(enum thermal_metal metal, double j, double t, double *rate,
                                        struct status *st);
/* Temperature (C) after s seconds from t1 (C), resistance rising as it warms:
 * (t2 + k) = (t1 + k) exp(s / T). An answer above 400 C is refused. */
enum status_code thermal_adiabatic_after(enum thermal_metal metal, double j, double t1, double s,
                                         double *t2, struct status *st);
/* Seconds from t1 to t2 (C, t2 >= t1); INFINITY when j is 0 and t2 > t1. */
enum status_code thermal_adiabatic_time(enum thermal_metal metal, double j, double t1, double t2,
                                        double *s, struct status *st);

/* What stands the heat in a coil. limit_c is the temperature it may hold for its rated life. */
struct thermal_material {
    const char *name;   /* one word to type: "class-a", "pvc-tape" */
    const char *words;  /* what it is */
    double limit_c;     /* C */
    const char *source; /* where the limit comes from, or "from memory" */
};
/* The table, in rising order of limit inside each group, and its length in *n. */
const struct thermal_material *thermal_materials(size_t *n);
/* The row of that name, or NULL. Case does not count. A class letter of IEC 60085 (Y A E B F H N R)
 * or its number ("155") is also a name. */
const struct thermal_material *thermal_material(const char *name);
/* The one of n rows with the lowest limit; NULL when n is 0 or every entry is NULL. */
const struct thermal_material *thermal_weakest(const struct thermal_material *const list[],
                                               size_t n);

/* A winding as far as heat is concerned. */
struct thermal_coil {
    enum thermal_metal metal;
    double ohm;          /* resistance, ohm, 1e-6 to 1e9 */
    double ohm_at_c;     /* at this temperature, C */
    double conductor_kg; /* mass of the conductor, kg, 1e-7 to 1e4 */
    double other_heat; /* heat capacity of what warms with it (insulation, iron), J/K, 0 or more */
    double surface_m2; /* surface that gives heat to still air, 1e-7 to 100 m2 */
    double height_m;   /* the height the air rises along it, 0.001 to 10 m; NaN = sqrt(surface) */
    double emissivity; /* of the surface, 0 to 1; NaN = 0.9 +- 0.05, tape, enamel or cloth */
    double depth_m;    /* radial depth of the winding, for the drop inside it; NaN = left out */
};

/* What drives it. duty is the share of time it is on, 0 to 1. */
struct thermal_supply {
    double volt;       /* voltage supply, 0 to 10000 V; NaN for a current supply */
    double source_ohm; /* in series with the voltage supply, 0 or more */
    double ampere;     /* current supply, 0 to 10000 A; NaN for a voltage supply */
    double duty;
};

/* Heat transfer coefficient (W/(m2 K)) of a surface at ts in still air at ta (C): natural
 * convection 1.42 (dT/height)^(1/4) (laminar, vertical plate or cylinder in air; McAdams'
 * simplified equation, from memory) plus grey-body radiation. Spread +-30 %: shape, mounting,
 * draughts. */
enum status_code thermal_film(double ts, double ta, double height_m, double emissivity,
                              struct thermal_interval *h, struct status *st);

struct thermal_steady {
    double watt_cold;                    /* power at the ambient temperature, averaged by duty, W */
    double watt_hot;                     /* power at the steady temperature, W */
    struct thermal_interval temperature; /* mean temperature of the winding, C */
    struct thermal_interval rise;        /* over ambient, K */
    struct thermal_interval inside;      /* hottest place above the surface, K; 0 without depth_m */
    double film;                         /* W/(m2 K) at the answer */
    double tau_s;                        /* first-order time constant, s (interval +-40 %) */
    bool steady; /* false: no balance below 400 C within the interval's likely value; the
                  * temperatures then read 400 C and more is meant */
};

/* Steady temperature in still air at ambient (C, -60 to 120), the resistance rising with it. A
 * duty below 1 is averaged, so the period must be short beside tau_s. */
enum status_code thermal_steady(const struct thermal_coil *coil,
                                const struct thermal_supply *supply, double ambient,
                                struct thermal_steady *out, struct status *st);

/* Seconds from the temperature start (C) to limit (C): the integral of C dT / (power - loss).
 * INFINITY where the balance lies below the limit; the interval may have an infinite end. */
enum status_code thermal_time_to(const struct thermal_coil *coil,
                                 const struct thermal_supply *supply, double ambient, double start,
                                 double limit, struct thermal_interval *seconds, struct status *st);

enum thermal_danger { THERMAL_SAFE, THERMAL_WARM, THERMAL_COOKS };
/* SAFE: the upper end of the steady interval lies below the limit of the weakest material.
 * WARM: the limit lies within the interval. COOKS: even the likely value passes it. text gets one
 * or two plain sentences (watts, temperature, seconds to the limit); empty when SAFE. */
enum status_code thermal_verdict(const struct thermal_coil *coil,
                                 const struct thermal_supply *supply, double ambient,
                                 const struct thermal_material *weakest,
                                 enum thermal_danger *danger, char text[], size_t size,
                                 struct status *st);

/* Switching a coil off. */
struct thermal_switch_off {
    double henry;     /* inductance with the keeper where it is at that moment, 1e-9 to 1e4 H */
    double ampere;    /* current at the moment of opening, 0 to 1e4 A */
    double ohm;       /* coil resistance, ohm */
    double supply_v;  /* V, adds to what the contact sees */
    double stray_f;   /* capacitance across the coil, F; NaN = 20 pF to 1 nF */
    double diode_v;   /* forward drop, V, 0 to 5; NaN = 0.5 to 1.1 V, silicon */
    double release_a; /* current at which the keeper lets go; NaN = not asked */
};
struct thermal_spike {
    double energy_j;                /* L I^2 / 2 */
    struct thermal_interval bare_v; /* peak across the switch without a diode, order of magnitude */
    struct thermal_interval diode_v;         /* peak across the switch with one: supply + drop */
    struct thermal_interval bare_release_s;  /* time to release_a without; NaN when not asked */
    struct thermal_interval diode_release_s; /* with; NaN when not asked */
    bool shock; /* the bare peak can exceed 60 V, the usual limit of touch voltage for dc */
};
/* Without a diode the energy rings into the stray capacitance, peak = supply + I sqrt(L/C), unless
 * the contact arcs first (300 V and up in air, Paschen's least value, from memory) or iron losses
 * take part of it; the interval is that wide on purpose. With a diode the current falls as
 * (I + Vd/R) exp(-t R/L) - Vd/R. */
enum status_code thermal_spike(const struct thermal_switch_off *off, struct thermal_spike *out,
                               struct status *st);

#endif
