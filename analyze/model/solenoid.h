/* solenoid: a coil without iron: its inductance, and the field at its end. */
#ifndef TRUEWOUND_SOLENOID_H
#define TRUEWOUND_SOLENOID_H

/* Inductance (H) of a round coil of rectangular winding section: mean radius, length along the axis
 * and radial height in m, all above 0, height below twice the mean radius. The winding is cut into
 * thin layers: of each the current sheet after L. Lorenz (Nagaoka's coefficient in elliptic
 * integrals) less Rosa's correction for its height (Rosa and Grover, Bulletin of the Bureau of
 * Standards 8, 1912; table of B_s from memory), between them Maxwell's mutual inductances. Within
 * 1 % of the sum over filaments for heights up to two thirds of the mean radius, 2 % up to it. NaN
 * for other input. */
double solenoid_inductance(double mean_radius, double length, double height, double turns);

/* Flux density (T) on the axis at the end face of such a coil with so many ampere-turns. */
double solenoid_end_field(double mean_radius, double length, double ampere_turns);

#endif
