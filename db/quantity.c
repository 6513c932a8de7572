#include "db/quantity.h"

#include <string.h>

/* clang-format off */
static const struct quantity table[QUANTITY_COUNT_OF_ALL] = {
    {QUANTITY_RESISTANCE,   "resistance",   "ohm", "Ω",   1.0,    0.0,     true,  0.01},
    {QUANTITY_VOLTAGE,      "voltage",      "V",   "V",   1.0,    0.0,     true,  0.01},
    {QUANTITY_CURRENT,      "current",      "A",   "A",   1.0,    0.0,     true,  0.015},
    {QUANTITY_POWER,        "power",        "W",   "W",   1.0,    0.0,     true,  0.0},
    {QUANTITY_TEMPERATURE,  "temperature",  "K",   "°C",  1.0,    -273.15, false, 0.0},
    {QUANTITY_MASS,         "mass",         "kg",  "g",   1000.0, 0.0,     true,  0.01},
    {QUANTITY_FORCE,        "force",        "N",   "N",   1.0,    0.0,     true,  0.01},
    {QUANTITY_INDUCTANCE,   "inductance",   "H",   "H",   1.0,    0.0,     true,  0.02},
    {QUANTITY_CAPACITANCE,  "capacitance",  "F",   "F",   1.0,    0.0,     true,  0.0},
    {QUANTITY_FLUX_DENSITY, "flux_density", "T",   "T",   1.0,    0.0,     true,  0.0},
    {QUANTITY_FLUX,         "flux",         "Wb",  "Wb",  1.0,    0.0,     true,  0.0},
    {QUANTITY_LENGTH,       "length",       "m",   "m",   1.0,    0.0,     true,  0.0},
    {QUANTITY_TIME,         "time",         "s",   "s",   1.0,    0.0,     true,  0.0},
    {QUANTITY_CHARGE,       "charge",       "C",   "C",   1.0,    0.0,     true,  0.0},
    {QUANTITY_FREQUENCY,    "frequency",    "Hz",  "Hz",  1.0,    0.0,     true,  0.0},
    {QUANTITY_COUNT,        "count",        "1",   "",    1.0,    0.0,     false, 0.0},
    {QUANTITY_RATIO,        "ratio",        "1",   "%",   100.0,  0.0,     false, 0.0},
    {QUANTITY_POLARITY,     "polarity",     "1",   "",    1.0,    0.0,     false, 0.0},
    {QUANTITY_PRESSURE,     "pressure",     "Pa",  "Pa",  1.0,    0.0,     true,  0.0},
    {QUANTITY_HUMIDITY,     "humidity",     "1",   "%",   100.0,  0.0,     false, 0.0},
};
/* clang-format on */

const struct quantity *quantity_find(const char *name)
{
    if (!name)
        return NULL;
    for (size_t i = 0; i < QUANTITY_COUNT_OF_ALL; i++) {
        if (strcmp(table[i].name, name) == 0)
            return &table[i];
    }
    return NULL;
}

const struct quantity *quantity_get(enum quantity_id id)
{
    return quantity_at((size_t)id);
}

const struct quantity *quantity_at(size_t index)
{
    return index < QUANTITY_COUNT_OF_ALL ? &table[index] : NULL;
}

size_t quantity_count(void)
{
    return QUANTITY_COUNT_OF_ALL;
}
