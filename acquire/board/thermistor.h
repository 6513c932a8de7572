/* thermistor: temperature from the two voltages of a divider. Plain C for the board and the tests.
 */
#ifndef TRUEWOUND_BOARD_THERMISTOR_H
#define TRUEWOUND_BOARD_THERMISTOR_H

#include <stdint.h>

/* Ohm; the parts list of README.md. */
#ifndef THERMISTOR_AT_25
#define THERMISTOR_AT_25 100000.0
#endif
#ifndef THERMISTOR_BETA
#define THERMISTOR_BETA 3950.0 /* K */
#endif
#define THERMISTOR_SERIES 4700.0

#define THERMISTOR_NONE INT16_MIN

/* Tenths of a degree Celsius; THERMISTOR_NONE when the thermistor is open, shorted or out of -30
 * to 150 degrees. node is the voltage at the series resistor, supply that over both parts, in the
 * same unit. The beta equation 1/T = 1/T25 + ln(R/R25)/beta (IEC 60539-1). */
int16_t thermistor_tenths(double node, double supply);

#endif
