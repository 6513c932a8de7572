/* drive: the current a coil draws in a pulse, what a pulse takes out of a battery, and how long the
 * battery lasts.
 *
 * The circuit is an electromotive force with a series resistance (battery or supply, leads), a coil
 * with resistance and inductance, and a switch that closes for a stated time and may have a diode
 * across the coil. SI units; times in seconds unless the name says days; temperatures in degrees
 * Celsius. Bad values are refused with quantity, value and range. */
#ifndef TRUEWOUND_DRIVE_H
#define TRUEWOUND_DRIVE_H

#include "analyze/model/cell.h"
#include "db/status.h"

#include <stdbool.h>
#include <stddef.h>

/* The circuit, with constant inductance. Check it once with drive_check, then drive_quick may be
 * called as often as wanted. */
struct drive_circuit {
    double emf_v;      /* 0 to 10000 V */
    double source_ohm; /* battery, leads, switch, 0 to 1e6 ohm */
    double coil_ohm;   /* at its temperature, 1e-6 to 1e9 ohm */
    double coil_h;     /* inductance, 0 to 1e4 H; 0 is a plain resistor */
    /* A shorted turn, a solid core or a brass cheek acts as a closed secondary winding. */
    double coupling;    /* k of that winding, 0 (none) to 1 */
    double secondary_s; /* its own time constant L2/R2, s; used when coupling > 0 */
};

struct drive_pulse {
    double length_s; /* switch closed, > 0 to 1e6 s */
    double period_s; /* from one pulse to the next, length_s or more, up to 1e8 s */
};

struct drive_result {
    double tau_s;       /* L / (all resistance) */
    double final_a;     /* V / R: where the current would end */
    double end_a;       /* at the end of the pulse; also the peak, for the current only rises */
    double charge_c;    /* drawn from the source in one pulse, C */
    double energy_j;    /* taken from the electromotive force in one pulse, J */
    double coil_heat_j; /* heat in the coil's resistance while the switch is closed, J */
    double stored_j;    /* L i^2 / 2 at the end, J, which the diode or the spike gets */
    double mean_a;      /* charge / period */
    double terminal_v;  /* at the source's terminals at the end of the pulse */
};

enum status_code drive_check(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                             struct status *st);

/* The pulse in closed form; input not checked. With a secondary winding the current has two time
 * constants: I(s) = (E/s)(1 + s t2) / (R ((1 - k^2) t1 t2 s^2 + (t1 + t2) s + 1)). */
void drive_quick(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                 struct drive_result *out);
/* drive_check, then drive_quick. */
enum status_code drive_linear(const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                              struct drive_result *out, struct status *st);

/* Current (A) at t seconds after closing; input not checked. */
double drive_current(const struct drive_circuit *circuit, double t);
/* Seconds to reach a fraction (0 to below 1) of the final current. */
enum status_code drive_time_to(const struct drive_circuit *circuit, double fraction, double *s,
                               struct status *st);
/* The same to reach ampere; *s is INFINITY when the final current is no more than that. */
enum status_code drive_time_to_current(const struct drive_circuit *circuit, double ampere,
                                       double *s, struct status *st);

/* Flux linkage that bends: linkage(i) in Wb turns for i >= 0, continuous, rising and 0 at 0. */
typedef double drive_linkage(double ampere, void *context);

/* The same pulse for an inductance that depends on current: dlinkage/dt = E - R i, solved by
 * gsl_odeiv2 (implicit; 1e-6 of the answer or better). circuit->coil_h and the secondary are not
 * used. The linkage is sampled at `samples` currents (8 to 4096, 0 = 65) from 0 to the final
 * current and joined by Steffen's monotone interpolation; a linkage that falls or is not finite is
 * refused. result->tau_s is the tangent at zero current; stored_j the field energy, integral of i
 * dlinkage.
 */
enum status_code drive_nonlinear(const struct drive_circuit *circuit,
                                 const struct drive_pulse *pulse, drive_linkage *linkage,
                                 void *context, int samples, struct drive_result *out,
                                 struct status *st);

/* Current against time of the same, n values at times[] (rising, 0 or more). */
enum status_code drive_nonlinear_rise(const struct drive_circuit *circuit, drive_linkage *linkage,
                                      void *context, int samples, const double times[],
                                      double amperes[], size_t n, struct status *st);

/* Release through a diode of drop diode_v (V, 0 or more) across the coil, from start_a: seconds
 * until the current is down to release_a, and the charge and heat that pass. The coil alone, with
 * no secondary. */
struct drive_release {
    double seconds;       /* to release_a */
    double zero_s;        /* to no current at all; INFINITY when diode_v is 0 */
    double coil_charge_c; /* through coil and diode until zero */
    double coil_heat_j, diode_heat_j;
};
enum status_code drive_release(const struct drive_circuit *circuit, double start_a,
                               double release_a, double diode_v, struct drive_release *out,
                               struct status *st);

/* How long a battery lasts. */
enum drive_limit {
    DRIVE_CAPACITY,  /* its charge is used up */
    DRIVE_END_POINT, /* loaded voltage of a cell falls to the end point */
    DRIVE_CURRENT,   /* the pulse no longer reaches the current the coil needs */
    DRIVE_SHELF,     /* the cell's shelf life comes first */
    DRIVE_NEVER      /* it does not work even with a fresh battery; days is 0 */
};
const char *drive_limit_words(enum drive_limit limit);

struct drive_duty {
    struct drive_pulse pulse;
    double u_length_s;  /* standard uncertainty of the pulse length, s, 0 or more */
    double standby_a;   /* drawn all the time beside the pulses, A, 0 or more */
    double needed_a;    /* current the coil must reach by the end of the pulse; NaN = not asked */
    double temperature; /* of the battery, C, -40 to 60 */
};

enum drive_cause {
    DRIVE_BY_CAPACITY,
    DRIVE_BY_CELL_OHM,
    DRIVE_BY_CURVE,
    DRIVE_BY_SELF,
    DRIVE_BY_LENGTH,
    DRIVE_BY_COIL,
    DRIVE_CAUSES
};
const char *drive_cause_words(enum drive_cause cause);

struct drive_life {
    double days;                /* likely */
    double low_days, high_days; /* 95 % interval */
    double share[DRIVE_CAUSES]; /* of the variance of log(days), by cause; sums to 1 or is all 0 */
    enum drive_limit limit;
    double depth;                     /* depth of discharge at the end */
    double pulses;                    /* number of pulses in that life */
    double drawn_ah;                  /* charge drawn by pulses and standby */
    double mean_a;                    /* at the start */
    struct drive_result fresh, spent; /* the pulse at the start and at the end */
};

/* circuit->emf_v is not used; circuit->source_ohm is what lies between battery and coil. u_coil is
 * the relative standard uncertainty of the coil's resistance and inductance (0 to 0.5). */
enum status_code drive_life(const struct cell_battery *battery, const struct drive_circuit *circuit,
                            const struct drive_duty *duty, double u_coil, struct drive_life *out,
                            struct status *st);

/* The likely life in days only, without its interval: for a planner that asks thousands of times.
 * Input not checked; drive_life on one case of the batch checks the rest. */
double drive_life_quick(const struct cell_battery *battery, const struct drive_circuit *circuit,
                        const struct drive_duty *duty, enum drive_limit *limit);

#endif
