#include "reports/figure.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SIGNIFICANT_U     2
#define SIGNIFICANT_PLAIN 4

/* Power of ten of the first significant digit of v > 0 once v is rounded to digits of them. */
static int power_of_first(double v, int digits)
{
    char text[40];
    snprintf(text, sizeof text, "%.*e", digits - 1, v);
    const char *e = strchr(text, 'e');
    return e ? (int)strtol(e + 1, NULL, 10) : 0;
}

/* A value without an uncertainty keeps its digits, but not zeros that say nothing. */
static char *plain(char out[FIGURE_TEXT_SIZE], double value)
{
    double size = fabs(value);
    if (size != 0 && (size < 1e-4 || size >= 1e6)) {
        snprintf(out, FIGURE_TEXT_SIZE, "%.*e", SIGNIFICANT_PLAIN - 1, value);
        char *e = strchr(out, 'e');
        int power = e ? (int)strtol(e + 1, NULL, 10) : 0;
        if (e)
            snprintf(e, (size_t)(FIGURE_TEXT_SIZE - (e - out)), "e%d", power);
        return out;
    }
    int first = size != 0 ? power_of_first(size, SIGNIFICANT_PLAIN) : 0;
    int decimals = SIGNIFICANT_PLAIN - 1 - first;
    return figure_decimals(out, value, decimals < 0 ? 0 : decimals);
}

static bool unusual(char out[FIGURE_TEXT_SIZE], double value)
{
    if (isfinite(value))
        return false;
    snprintf(out, FIGURE_TEXT_SIZE, "%s",
             isnan(value) ? "unknown"
             : value > 0  ? "no limit"
                          : "-no limit");
    return true;
}

static char *exact(char out[FIGURE_TEXT_SIZE], double value)
{
    snprintf(out, FIGURE_TEXT_SIZE, "%.10g", value == 0 ? 0.0 : value);
    return out;
}

char *figure_decimals(char out[FIGURE_TEXT_SIZE], double value, int decimals)
{
    if (unusual(out, value))
        return out;
    decimals = decimals < 0 ? 0 : decimals > 15 ? 15 : decimals;
    if (fabs(value) >= 1e30) {
        snprintf(out, FIGURE_TEXT_SIZE, "%.6e", value);
        return out;
    }
    snprintf(out, FIGURE_TEXT_SIZE, "%.*f", decimals, value);
    if (out[0] == '-' && strspn(out + 1, "0.") == strlen(out + 1))
        memmove(out, out + 1, strlen(out));
    return out;
}

static char *figure(char out[FIGURE_TEXT_SIZE], double value, double u, bool with_u)
{
    if (unusual(out, value))
        return out;
    if (u == 0)
        return exact(out, value);
    if (!(u > 0))
        return plain(out, value);
    if (isinf(u)) {
        char number[FIGURE_TEXT_SIZE];
        plain(number, value);
        snprintf(out, FIGURE_TEXT_SIZE, with_u ? "%.30s ± no limit" : "%.30s", number);
        return out;
    }
    int place = power_of_first(u, SIGNIFICANT_U) - (SIGNIFICANT_U - 1);
    double size = fabs(value) > u ? fabs(value) : u;
    int top = power_of_first(size, SIGNIFICANT_PLAIN);
    char v[FIGURE_TEXT_SIZE], d[FIGURE_TEXT_SIZE];
    if (top > 6 || top < -4 || place < -9 || place > 3) {
        double scale = pow(10, top);
        int decimals = top - place;
        figure_decimals(v, value / scale, decimals);
        figure_decimals(d, u / scale, decimals);
        if (with_u)
            snprintf(out, FIGURE_TEXT_SIZE, "(%.22s ± %.22s)e%d", v, d, top);
        else
            snprintf(out, FIGURE_TEXT_SIZE, "%.30se%d", v, top);
        return out;
    }
    if (place > 0) {
        /* Digits the uncertainty leaves no meaning are rounded to zeros. */
        double unit = pow(10, place);
        figure_decimals(v, round(value / unit) * unit, 0);
        figure_decimals(d, round(u / unit) * unit, 0);
    } else {
        figure_decimals(v, value, -place);
        figure_decimals(d, u, -place);
    }
    if (with_u)
        snprintf(out, FIGURE_TEXT_SIZE, "%.28s ± %.28s", v, d);
    else
        snprintf(out, FIGURE_TEXT_SIZE, "%.60s", v);
    return out;
}

char *figure_text(char out[FIGURE_TEXT_SIZE], double value, double u)
{
    return figure(out, value, u, true);
}

char *figure_value_text(char out[FIGURE_TEXT_SIZE], double value, double u)
{
    return figure(out, value, u, false);
}

double figure_prefix(double magnitude, const char *unit, const char **prefix)
{
    static const char *const takes_prefix[] = {"A", "V", "Ω", "W", "N", "H",  "F",
                                               "C", "J", "T", "s", "m", "Hz", "Wb"};
    static const struct {
        const char *name;
        double factor;
    } steps[] = {{"G", 1e9},  {"M", 1e6},  {"k", 1e3}, {"", 1},
                 {"m", 1e-3}, {"µ", 1e-6}, {"n", 1e-9}};
    *prefix = "";
    bool fits = false;
    for (size_t i = 0; unit && i < sizeof takes_prefix / sizeof takes_prefix[0]; i++)
        fits = fits || !strcmp(unit, takes_prefix[i]);
    magnitude = fabs(magnitude);
    if (!fits || !(magnitude > 0) || isinf(magnitude))
        return 1;
    bool seconds = !strcmp(unit, "s"), length = !strcmp(unit, "m");
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        /* Nobody says kiloseconds; a length below a metre is said in mm, never in km here. */
        if ((seconds || length) && steps[i].factor > 1)
            continue;
        /* 999.95 would be shown as 1000. */
        if (magnitude >= steps[i].factor * 0.99995) {
            *prefix = steps[i].name;
            return steps[i].factor;
        }
    }
    *prefix = "n";
    return 1e-9;
}

char *figure_unit_text(char out[FIGURE_TEXT_SIZE], double value, double u, const char *unit)
{
    const char *prefix = "";
    double size = fabs(value);
    if (isfinite(u) && u > size)
        size = u;
    double factor = figure_prefix(size, unit, &prefix);
    char number[FIGURE_TEXT_SIZE];
    figure_text(number, value / factor, u / factor);
    if (!unit || !unit[0] || !isfinite(value))
        snprintf(out, FIGURE_TEXT_SIZE, "%s", number);
    else
        snprintf(out, FIGURE_TEXT_SIZE, "%.44s %s%.14s", number, prefix, unit);
    return out;
}
