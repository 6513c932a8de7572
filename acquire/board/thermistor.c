#include "thermistor.h"

#include <math.h>

int16_t thermistor_tenths(double node, double supply)
{
    double resistance, celsius;

    if (!(node > 0.0) || !(supply > node))
        return THERMISTOR_NONE;
    resistance = THERMISTOR_SERIES * (supply / node - 1.0);
    celsius = 1.0 / (1.0 / 298.15 + log(resistance / THERMISTOR_AT_25) / THERMISTOR_BETA) - 273.15;
    if (!(celsius >= -30.0 && celsius <= 150.0))
        return THERMISTOR_NONE;
    return (int16_t)lround(celsius * 10.0);
}
