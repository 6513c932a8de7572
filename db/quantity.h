/* quantity: the table of physical quantities both programs know, by the one name that is used in
 * bench files, in the database and on the command line.
 *
 * Values are stored in the SI unit of the table; a person may be shown another one (kelvin is
 * shown as degree Celsius). The table is fixed and needs no opening or closing. */
#ifndef TRUEWOUND_QUANTITY_H
#define TRUEWOUND_QUANTITY_H

#include <stdbool.h>
#include <stddef.h>

enum quantity_id {
    QUANTITY_RESISTANCE,   /* ohm */
    QUANTITY_VOLTAGE,      /* V */
    QUANTITY_CURRENT,      /* A */
    QUANTITY_POWER,        /* W */
    QUANTITY_TEMPERATURE,  /* K, shown in degree Celsius */
    QUANTITY_MASS,         /* kg */
    QUANTITY_FORCE,        /* N */
    QUANTITY_INDUCTANCE,   /* H */
    QUANTITY_CAPACITANCE,  /* F */
    QUANTITY_FLUX_DENSITY, /* T */
    QUANTITY_FLUX,         /* Wb */
    QUANTITY_LENGTH,       /* m */
    QUANTITY_TIME,         /* s */
    QUANTITY_CHARGE,       /* C */
    QUANTITY_FREQUENCY,    /* Hz */
    QUANTITY_COUNT,        /* turns, pulses, cells */
    QUANTITY_RATIO,        /* 1, shown in per cent */
    QUANTITY_POLARITY,     /* +1 a north pole, -1 a south pole */
    QUANTITY_PRESSURE,     /* Pa */
    QUANTITY_HUMIDITY,     /* 1, relative, shown in per cent */
    QUANTITY_COUNT_OF_ALL  /* not a quantity: how many there are */
};

struct quantity {
    enum quantity_id id;
    const char *name;    /* "flux_density": lower case, no spaces */
    const char *unit;    /* SI unit stored, as units_parse takes it: "ohm", "K", "1" */
    const char *symbol;  /* what a person is shown, UTF-8: "Ω", "°C", "%"; may be "" */
    double shown_scale;  /* shown = stored * shown_scale + shown_offset */
    double shown_offset; /* -273.15 for temperature, else 0 */
    bool prefixes;       /* true: k, m, µ, n ... are put before the symbol to suit the size */
    double assumed;      /* limits of error, relative, of an instrument that states none; 0: nothing
                            is assumed. Common practice, no source: a hand meter is good to 1 % on
                            volts and ohms, a home-made current channel to 1.5 %. */
};

/* The quantity of that exact name, or NULL. name may be NULL. */
const struct quantity *quantity_find(const char *name);

/* The quantity of that id; NULL when id is out of range. */
const struct quantity *quantity_get(enum quantity_id id);

/* The index-th quantity, 0 <= index < quantity_count(); NULL beyond the end. */
const struct quantity *quantity_at(size_t index);

size_t quantity_count(void);

#endif
