/* figure: a number as a person should read it. Its uncertainty decides the digits: the standard
 * uncertainty is given with two significant digits and the value to the same place (JCGM 100:2008,
 * 7.2.6), so 17.0312 with u = 0.1194 reads '17.03 ± 0.12'. */
#ifndef TRUEWOUND_FIGURE_H
#define TRUEWOUND_FIGURE_H

#define FIGURE_TEXT_SIZE 64

/* Writes value and its uncertainty u (same unit) to out. u NaN: uncertainty not known, the value is
 * given with four significant digits and no claim. u 0: the value is exact (a count). u < 0 counts
 * as not known. value NaN reads 'unknown'; infinite values read 'no limit' or '-no limit'. Values
 * whose digits would be lost in zeros read '(1.234 ± 0.012)e-9'. Always terminates; returns out. */
char *figure_text(char out[FIGURE_TEXT_SIZE], double value, double u);

/* The same without the '± u' part, rounded as u demands. */
char *figure_value_text(char out[FIGURE_TEXT_SIZE], double value, double u);

/* As figure_text, with the unit and a prefix of the SI (n, µ, m, k, M, G) that keeps the value
 * between 1 and 1000: figure_unit_text(out, 0.0882, 0.0011, "A") reads '88.2 ± 1.1 mA'. Only the
 * units A V Ω W N H F C J T s m Hz Wb take a prefix; others ('kg', '°C', 'turns') stand as given.
 * unit NULL or "" stands for a plain number. */
char *figure_unit_text(char out[FIGURE_TEXT_SIZE], double value, double u, const char *unit);

/* The factor and name of the prefix that figure_unit_text would choose for a largest value of size
 * magnitude in unit: value_shown = value / factor. *prefix is "" with factor 1 where none fits. */
double figure_prefix(double magnitude, const char *unit, const char **prefix);

/* Writes value with a fixed number of decimals (0 to 15), '-0.00' without its sign. */
char *figure_decimals(char out[FIGURE_TEXT_SIZE], double value, int decimals);

#endif
