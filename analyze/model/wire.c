#include "analyze/model/wire.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define INCH 0.0254
#define MM   1.0e-3
#define THOU (INCH / 1000.0)

#define AWG_LEAST (-3)
#define AWG_MOST  56
#define SWG_MOST  50

/* Standard Wire Gauge, inches, 7/0 first. Values as listed under BS 3737:1964. */
static const double swg_inches[] = {
    .500,  .464,  .432,  .400,  .372,  .348,  .324,  .300,  .276,  .252,  .232,  .212,
    .192,  .176,  .160,  .144,  .128,  .116,  .104,  .092,  .080,  .072,  .064,  .056,
    .048,  .040,  .036,  .032,  .028,  .024,  .022,  .020,  .018,  .0164, .0148, .0136,
    .0124, .0116, .0108, .0100, .0092, .0084, .0076, .0068, .0060, .0052, .0048, .0044,
    .0040, .0036, .0032, .0028, .0024, .0020, .0016, .0012, .0010,
};
#define SWG_COUNT ((int)(sizeof swg_inches / sizeof swg_inches[0]))

/* R40 of ISO 3, one decade. Every second one is of R20. */
static const double r40[] = {
    1.00, 1.06, 1.12, 1.18, 1.25, 1.32, 1.40, 1.50, 1.60, 1.70, 1.80, 1.90, 2.00, 2.12,
    2.24, 2.36, 2.50, 2.65, 2.80, 3.00, 3.15, 3.35, 3.55, 3.75, 4.00, 4.25, 4.50, 4.75,
    5.00, 5.30, 5.60, 6.00, 6.30, 6.70, 7.10, 7.50, 8.00, 8.50, 9.00, 9.50,
};
#define R40_COUNT ((int)(sizeof r40 / sizeof r40[0]))
/* From 5.0 mm down to 0.018 mm: places in the series counted from 0.010 mm. */
#define METRIC_FIRST 10  /* 0.018 mm */
#define METRIC_LAST  108 /* 5.0 mm */

/* Enamel of IEC 60317-0-1: bare diameter, least increase of grades 1 to 3, greatest overall
 * diameter of grades 1 to 3, all mm. From memory, but for the greatest diameters of grades 1 and 2
 * from 0.100 to 0.118, which were read in a wire maker's table. 0: grade not made. */
static const struct enamel_row {
    double bare, increase[3], overall[3];
} enamel[] = {
    {0.018, {.002, .004, 0}, {.022, .024, 0}},
    {0.020, {.002, .004, 0}, {.024, .027, 0}},
    {0.022, {.002, .005, 0}, {.027, .030, 0}},
    {0.025, {.003, .005, 0}, {.031, .034, 0}},
    {0.028, {.003, .006, 0}, {.034, .038, 0}},
    {0.032, {.003, .007, .010}, {.039, .043, .047}},
    {0.036, {.004, .008, .011}, {.044, .049, .053}},
    {0.040, {.004, .008, .012}, {.049, .054, .058}},
    {0.045, {.005, .009, .013}, {.055, .061, .066}},
    {0.050, {.005, .010, .014}, {.060, .066, .070}},
    {0.056, {.006, .011, .015}, {.067, .074, .079}},
    {0.063, {.006, .012, .017}, {.076, .083, .088}},
    {0.071, {.007, .012, .018}, {.084, .091, .097}},
    {0.080, {.007, .014, .020}, {.094, .101, .108}},
    {0.090, {.008, .015, .022}, {.105, .113, .120}},
    {0.100, {.008, .016, .023}, {.117, .125, .132}},
    {0.106, {.009, .017, .026}, {.123, .132, .140}},
    {0.112, {.009, .017, .026}, {.130, .139, .147}},
    {0.118, {.010, .019, .028}, {.136, .145, .154}},
    {0.125, {.010, .019, .028}, {.144, .154, .163}},
    {0.140, {.011, .021, .030}, {.160, .171, .181}},
    {0.160, {.012, .023, .033}, {.182, .194, .205}},
    {0.180, {.013, .025, .036}, {.204, .217, .229}},
    {0.200, {.014, .027, .039}, {.226, .239, .252}},
    {0.224, {.015, .029, .043}, {.252, .266, .280}},
    {0.250, {.017, .032, .048}, {.281, .297, .312}},
    {0.280, {.018, .033, .050}, {.312, .329, .345}},
    {0.315, {.019, .035, .053}, {.349, .367, .384}},
    {0.355, {.020, .038, .057}, {.392, .411, .428}},
    {0.400, {.021, .040, .060}, {.439, .459, .478}},
    {0.450, {.022, .042, .064}, {.491, .513, .533}},
    {0.500, {.024, .045, .067}, {.544, .566, .587}},
    {0.560, {.025, .047, .071}, {.606, .630, .653}},
    {0.630, {.027, .050, .075}, {.679, .704, .728}},
    {0.710, {.028, .053, .080}, {.762, .789, .814}},
    {0.800, {.030, .056, .085}, {.855, .884, .911}},
    {0.900, {.032, .060, .090}, {.959, .989, 1.018}},
    {1.000, {.034, .063, .095}, {1.062, 1.094, 1.124}},
    {1.120, {.034, .065, .098}, {1.184, 1.217, 1.248}},
    {1.250, {.035, .067, .100}, {1.316, 1.349, 1.381}},
    {1.400, {.036, .069, .103}, {1.468, 1.502, 1.535}},
    {1.600, {.038, .071, .107}, {1.670, 1.706, 1.740}},
    {1.800, {.039, .073, .110}, {1.872, 1.909, 1.944}},
    {2.000, {.040, .075, .113}, {2.074, 2.112, 2.148}},
    {2.240, {.041, .077, .116}, {2.316, 2.355, 2.392}},
    {2.500, {.042, .079, .119}, {2.578, 2.618, 2.656}},
    {2.800, {.043, .081, .123}, {2.880, 2.922, 2.961}},
    {3.150, {.045, .084, .127}, {3.233, 3.276, 3.316}},
    {3.550, {.046, .086, .130}, {3.635, 3.679, 3.721}},
    {4.000, {.047, .089, .134}, {4.088, 4.133, 4.176}},
    {4.500, {.049, .092, .138}, {4.591, 4.637, 4.681}},
    {5.000, {.050, .094, .142}, {5.093, 5.141, 5.186}},
};
#define ENAMEL_COUNT (sizeof enamel / sizeof enamel[0])

static const struct {
    const char *word;
} coverings[] = {
    [WIRE_BARE] = {"bare"},
    [WIRE_ENAMEL_1] = {"enamel 1"},
    [WIRE_ENAMEL_2] = {"enamel 2"},
    [WIRE_ENAMEL_3] = {"enamel 3"},
    [WIRE_COTTON_SINGLE] = {"cotton single"},
    [WIRE_COTTON_DOUBLE] = {"cotton double"},
    [WIRE_SILK_SINGLE] = {"silk single"},
    [WIRE_SILK_DOUBLE] = {"silk double"},
};
#define COVERING_COUNT (sizeof coverings / sizeof coverings[0])

static bool enamelled(enum wire_covering covering)
{
    return covering == WIRE_ENAMEL_1 || covering == WIRE_ENAMEL_2 || covering == WIRE_ENAMEL_3;
}

double wire_density(enum wire_metal metal)
{
    return metal == WIRE_ALUMINIUM ? 2703.0 : 8890.0;
}

double wire_resistivity(enum wire_metal metal)
{
    return metal == WIRE_ALUMINIUM ? 0.028264e-6 : 1.0e-6 / 58.0;
}

double wire_temperature_coefficient(enum wire_metal metal)
{
    return metal == WIRE_ALUMINIUM ? 0.00403 : 0.00393;
}

double wire_temperature_factor(enum wire_metal metal, double celsius)
{
    return 1.0 + wire_temperature_coefficient(metal) * (celsius - 20.0);
}

/* Drawn wire conducts a little better than the standard of annealed copper: IEC enamelled wire is
 * taken at 58.5 MS/m, between the 58 and 59 that bound it. Gauge wire is taken at IACS, as the wire
 * tables do. */
double wire_resistivity_of(const struct wire *w)
{
    if (w->metal == WIRE_COPPER && (w->system == WIRE_METRIC || w->system == WIRE_DIAMETER))
        return 1.0e-6 / 58.5;
    return wire_resistivity(w->metal);
}

enum status_code wire_gauge_diameter(enum wire_system system, int gauge, double *diameter,
                                     struct status *st)
{
    if (system == WIRE_SWG) {
        if (gauge < WIRE_GAUGE_LEAST || gauge > SWG_MOST)
            return status_fail(st, STATUS_INPUT,
                               "%d is not a Standard Wire Gauge number; they run from 7/0 to %d",
                               gauge, SWG_MOST);
        *diameter = swg_inches[gauge - WIRE_GAUGE_LEAST] * INCH;
        return status_ok(st);
    }
    if (system == WIRE_AWG) {
        if (gauge < AWG_LEAST || gauge > AWG_MOST)
            return status_fail(st, STATUS_INPUT,
                               "%d is not an American Wire Gauge number; they run from 4/0 to %d",
                               gauge, AWG_MOST);
        *diameter = 0.005 * INCH * pow(92.0, (36.0 - gauge) / 39.0);
        return status_ok(st);
    }
    return status_fail(st, STATUS_INPUT, "a metric size has no gauge number");
}

/* The n-th R40 size counted from 0.010 mm. Below 0.1 mm they are rounded to the micrometre, as
 * winding wire is listed (0.032, not 0.0315). */
static double metric_size(int n)
{
    int decade = n / R40_COUNT;
    double mm = r40[n % R40_COUNT] * (decade == 0 ? 0.01 : decade == 1 ? 0.1 : 1.0);

    if (decade == 0)
        mm = round(mm * 1000.0) / 1000.0;
    return mm * MM;
}

int wire_size_count(enum wire_system system)
{
    switch (system) {
    case WIRE_SWG:
        return SWG_COUNT;
    case WIRE_AWG:
        return AWG_MOST - AWG_LEAST + 1;
    case WIRE_METRIC:
        return METRIC_LAST - METRIC_FIRST + 1;
    case WIRE_DIAMETER:
        break;
    }
    return 0;
}

enum status_code wire_size(enum wire_system system, int index, int *gauge, double *diameter,
                           struct status *st)
{
    if (index < 0 || index >= wire_size_count(system))
        return status_fail(st, STATUS_INPUT, "wire size %d of %d does not exist", index,
                           wire_size_count(system));
    if (system == WIRE_METRIC) {
        *gauge = index;
        *diameter = metric_size(METRIC_LAST - index);
        return status_ok(st);
    }
    *gauge = index + (system == WIRE_SWG ? WIRE_GAUGE_LEAST : AWG_LEAST);
    return wire_gauge_diameter(system, *gauge, diameter, st);
}

static bool is_metric_size(double diameter)
{
    for (int n = METRIC_FIRST; n <= METRIC_LAST; n++)
        if (fabs(metric_size(n) - diameter) < 0.02e-6)
            return true;
    return false;
}

/* Half width of the tolerance on the bare diameter. Metric: IEC 60317-0-1 (from memory); at 0.063
 * mm and below the standard bounds the resistance instead, by about 9 %, and the diameter follows.
 */
static double usual_tolerance(enum wire_system system, double diameter)
{
    static const struct {
        double up_to, tolerance; /* mm */
    } iec[] = {{0.2245, .003}, {0.3555, .004}, {0.505, .005}, {0.635, .006},
               {0.715, .007},  {0.805, .008},  {0.905, .009}};

    if (system != WIRE_METRIC)
        return fmax(0.01 * diameter, fmin(2.5e-6, 0.045 * diameter));
    if (diameter < 0.0675e-3)
        return 0.045 * diameter;
    for (size_t i = 0; i < sizeof iec / sizeof iec[0]; i++)
        if (diameter <= iec[i].up_to * MM)
            return iec[i].tolerance * MM;
    return 0.01 * diameter;
}

/* Diameter of the smallest circle round n equal circles of diameter 1 (known optima up to 7), and
 * the usual 1.155 sqrt n of stranded wire beyond (common practice, no source). */
static double bundle_factor(int strands)
{
    static const double round_them[] = {0, 1.0, 2.0, 2.1547, 2.4142, 2.7013, 3.0, 3.0};

    return strands <= 7 ? round_them[strands] : 1.155 * sqrt(strands);
}

/* Increase of diameter by fibre, m: common practice, no source. */
static void fibre_increase(enum wire_covering covering, double diameter, double *least,
                           double *most)
{
    bool thin = diameter < 0.5e-3;

    switch (covering) {
    case WIRE_COTTON_SINGLE:
        *least = (thin ? 4.0 : 5.0) * THOU;
        *most = (thin ? 5.0 : 7.0) * THOU;
        break;
    case WIRE_COTTON_DOUBLE:
        *least = (thin ? 8.0 : 9.0) * THOU;
        *most = (thin ? 10.0 : 12.0) * THOU;
        break;
    case WIRE_SILK_SINGLE:
        *least = 1.25 * THOU;
        *most = 2.0 * THOU;
        break;
    case WIRE_SILK_DOUBLE:
        *least = 2.5 * THOU;
        *most = 4.0 * THOU;
        break;
    default:
        *least = *most = 0.0;
        break;
    }
}

/* Increases of one grade at a bare diameter, both m: straight lines between the listed sizes, and
 * in proportion to the diameter beyond the ends. */
static enum status_code enamel_increase(int grade, double diameter, double *least, double *most,
                                        struct status *st)
{
    double d = diameter / MM;
    size_t i = 0, first = 0;
    double t, scale = 1.0;
    const struct enamel_row *a, *b;

    while (enamel[first].overall[grade] <= 0.0)
        first++;
    if (d < enamel[first].bare - 5.0e-5 && first > 0)
        return status_fail(st, STATUS_INPUT,
                           "enamel grade %d is not made on wire of %.4g mm; the finest is %.4g mm",
                           grade + 1, d, enamel[first].bare);
    if (d < enamel[first].bare) {
        scale = d / enamel[first].bare;
        d = enamel[first].bare;
    } else if (d > enamel[ENAMEL_COUNT - 1].bare) {
        scale = d / enamel[ENAMEL_COUNT - 1].bare;
        d = enamel[ENAMEL_COUNT - 1].bare;
    }
    for (i = first; i + 2 < ENAMEL_COUNT && d > enamel[i + 1].bare; i++)
        ;
    a = &enamel[i];
    b = &enamel[i + 1];
    t = (d - a->bare) / (b->bare - a->bare);
    *least = scale * MM * (a->increase[grade] + t * (b->increase[grade] - a->increase[grade]));
    *most = scale * MM *
            ((a->overall[grade] - a->bare) * (1.0 - t) + (b->overall[grade] - b->bare) * t);
    return status_ok(st);
}

enum status_code wire_overall(enum wire_covering covering, double diameter, double *min,
                              double *max, struct status *st)
{
    double least = 0.0, most = 0.0;

    if (amount_check_value(diameter, "the wire diameter", "m", WIRE_DIAMETER_MIN, WIRE_DIAMETER_MAX,
                           st))
        return STATUS_INPUT;
    if (enamelled(covering)) {
        enum status_code code =
            enamel_increase((int)covering - WIRE_ENAMEL_1, diameter, &least, &most, st);
        if (code)
            return code;
    } else {
        fibre_increase(covering, diameter, &least, &most);
    }
    *min = diameter + least;
    *max = diameter + most;
    return status_ok(st);
}

enum status_code wire_make(struct wire *w, enum wire_metal metal, enum wire_system system,
                           int gauge, double diameter, int strands, enum wire_covering covering,
                           struct status *st)
{
    double min, max;
    enum status_code code;

    if (system == WIRE_SWG || system == WIRE_AWG) {
        code = wire_gauge_diameter(system, gauge, &diameter, st);
        if (code)
            return code;
    } else {
        gauge = 0;
        if (amount_check_value(diameter, "the wire diameter", "m", WIRE_DIAMETER_MIN,
                               WIRE_DIAMETER_MAX, st))
            return STATUS_INPUT;
        system = is_metric_size(diameter) ? WIRE_METRIC : WIRE_DIAMETER;
    }
    if (strands < 1 || strands > WIRE_STRANDS_MAX)
        return status_fail(st, STATUS_INPUT, "the number of strands is %d; it must be from 1 to %d",
                           strands, WIRE_STRANDS_MAX);
    memset(w, 0, sizeof *w);
    w->metal = metal;
    w->system = system;
    w->gauge = gauge;
    w->strands = strands;
    w->diameter = diameter;
    w->tolerance = usual_tolerance(system, diameter);
    w->covering = covering;
    w->lay_factor = strands > 1 ? 1.02 : 1.0;
    if (strands == 1 || enamelled(covering) || covering == WIRE_BARE) {
        /* enamel lies on every strand */
        code = wire_overall(covering, diameter, &min, &max, st);
        if (code)
            return code;
        w->overall_min = min * bundle_factor(strands);
        w->overall_max = max * bundle_factor(strands);
    } else {
        /* fibre lies round the whole bundle */
        double bundle = diameter * bundle_factor(strands);

        fibre_increase(covering, bundle, &min, &max);
        w->overall_min = bundle + min;
        w->overall_max = bundle + max;
    }
    w->overall_nom = 0.5 * (w->overall_min + w->overall_max);
    if (covering == WIRE_BARE) {
        w->overall_min -= w->tolerance * bundle_factor(strands);
        w->overall_max += w->tolerance * bundle_factor(strands);
    }
    wire_size_text(system, gauge, diameter, w->label, sizeof w->label);
    if (strands > 1) {
        char size[WIRE_LABEL_SIZE];

        memcpy(size, w->label, sizeof size);
        snprintf(w->label, sizeof w->label, "%d x %.32s", strands, size);
    }
    return status_ok(st);
}

bool wire_disagrees(enum wire_system system, int gauge, double stated, double *metres,
                    double *percent)
{
    double named = NAN;
    struct status st;

    *metres = *percent = NAN;
    if (wire_gauge_diameter(system, gauge, &named, &st) || !(stated > 0.0))
        return false;
    *metres = named - stated;
    *percent = ((named / stated) * (named / stated) - 1.0) * 100.0;
    return fabs(*metres) > usual_tolerance(system, named) * (1.0 + 1e-9);
}

void wire_size_text(enum wire_system system, int gauge, double diameter, char *text, size_t size)
{
    const char *name = system == WIRE_SWG ? "SWG" : "AWG";

    if (system == WIRE_SWG || system == WIRE_AWG) {
        if (gauge < 0)
            snprintf(text, size, "%d/0 %s", 1 - gauge, name);
        else
            snprintf(text, size, "%d %s", gauge, name);
        return;
    }
    snprintf(text, size, "%.4g mm", diameter / MM);
}

/* --- reading a size as a person writes it --- */

static void skip(const char **p)
{
    while (isspace((unsigned char)**p) || **p == ',' || **p == ';' || **p == '(' || **p == ')' ||
           **p == '=')
        (*p)++;
}

static bool eat_word(const char **p, const char *word)
{
    size_t n = strlen(word);

    if (strncasecmp(*p, word, n) != 0 || isalpha((unsigned char)(*p)[n]))
        return false;
    *p += n;
    return true;
}

/* A plain decimal number: digits with at most one point and no exponent, whatever the locale. */
static bool eat_number(const char **p, double *value, bool *whole)
{
    const char *s = *p;
    double v = 0.0, place = 1.0;
    int digits = 0;

    for (; isdigit((unsigned char)*s) && digits < 18; s++, digits++)
        v = v * 10.0 + (*s - '0');
    *whole = true;
    if (*s == '.') {
        *whole = false;
        for (s++; isdigit((unsigned char)*s) && digits < 18; s++, digits++) {
            place *= 10.0;
            v = v * 10.0 + (*s - '0');
        }
    }
    if (digits == 0 || isdigit((unsigned char)*s) || *s == '.')
        return false;
    *value = v / place;
    *p = s;
    return true;
}

static bool eat_gauge_name(const char **p, enum wire_system *system)
{
    if (eat_word(p, "swg") || eat_word(p, "s.w.g.") || eat_word(p, "s.w.g"))
        *system = WIRE_SWG;
    else if (eat_word(p, "awg") || eat_word(p, "a.w.g.") || eat_word(p, "a.w.g"))
        *system = WIRE_AWG;
    else
        return false;
    return true;
}

static bool eat_length_unit(const char **p, double *unit)
{
    static const struct {
        const char *word;
        double metres;
    } units[] = {{"mm", MM},     {"um", 1e-6},   {"\xc2\xb5m", 1e-6}, {"\xce\xbcm", 1e-6},
                 {"thou", THOU}, {"mils", THOU}, {"mil", THOU},       {"inches", INCH},
                 {"inch", INCH}, {"in", INCH},   {"cm", 1e-2},        {"m", 1.0}};

    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (eat_word(p, units[i].word)) {
            *unit = units[i].metres;
            return true;
        }
    if (**p == '"') {
        (*p)++;
        *unit = INCH;
        return true;
    }
    return false;
}

struct reading {
    int strands;
    bool has_gauge, has_diameter;
    enum wire_system system;
    int gauge;
    double diameter;
};

static enum status_code not_a_size(const char *text, struct status *st)
{
    return status_fail(st, STATUS_INPUT,
                       "'%.60s' is not a wire size; write it as '30 SWG', '28 AWG', '0.25 mm', "
                       "'25 thou' or '7 x 0.04 mm'",
                       text);
}

/* After the digits of a gauge such as 2/0 or 000: the number of noughts means a negative gauge. */
static int gauge_number(const char *start, const char *end, double value, const char **p)
{
    bool noughts = end > start;
    int number = value > 1000.0 ? 1000 : (int)value; /* beyond every gauge, and no overflow */

    for (const char *s = start; s < end; s++)
        noughts = noughts && *s == '0';
    if (noughts)
        return 1 - (int)(end - start);
    if (end[0] == '/' && end[1] == '0' && !isdigit((unsigned char)end[2])) {
        *p = end + 2;
        return 1 - number;
    }
    return number;
}

static enum status_code read_item(const char **p, const char *text, struct reading *r,
                                  struct status *st)
{
    const char *start;
    enum wire_system system;
    double value, unit;
    bool whole, named_first = eat_gauge_name(p, &system);
    int gauge;

    skip(p);
    start = *p;
    if (!eat_number(p, &value, &whole))
        return not_a_size(text, st);
    if (named_first) {
        gauge = gauge_number(start, *p, value, p);
    } else {
        const char *after = *p;

        gauge = gauge_number(start, after, value, p);
        skip(p);
        if (!eat_gauge_name(p, &system)) {
            const char *x = *p;
            bool times = *x == 'x' || *x == 'X' || *x == '*' || strncmp(x, "\xc3\x97", 2) == 0;

            if (times && whole && r->strands == 0 && !r->has_gauge && !r->has_diameter) {
                if (value < 1.0 || value > WIRE_STRANDS_MAX)
                    return status_fail(st, STATUS_INPUT,
                                       "the number of strands in '%.60s' must be from 1 to %d",
                                       text, WIRE_STRANDS_MAX);
                r->strands = (int)value;
                *p += *x == '\xc3' ? 2 : 1;
                return STATUS_OK;
            }
            if (!eat_length_unit(p, &unit)) {
                if (whole && *p[0] == '\0')
                    return status_fail(st, STATUS_INPUT,
                                       "'%.60s' has no unit; write '%.8g SWG', '%.8g AWG' or "
                                       "'%.8g mm', for they differ",
                                       text, value, value, value);
                return not_a_size(text, st);
            }
            if (r->has_diameter)
                return status_fail(st, STATUS_INPUT, "'%.60s' gives two diameters; give one", text);
            r->has_diameter = true;
            r->diameter = value * unit;
            return STATUS_OK;
        }
    }
    if (!whole)
        return status_fail(st, STATUS_INPUT, "'%.60s': a gauge number is whole", text);
    if (r->has_gauge)
        return status_fail(st, STATUS_INPUT, "'%.60s' gives two gauges; give one", text);
    r->has_gauge = true;
    r->system = system;
    r->gauge = gauge;
    return STATUS_OK;
}

enum status_code wire_from_text(const char *text, enum wire_covering covering, struct wire *w,
                                char *warning, size_t warning_size, struct status *st)
{
    struct reading r = {0};
    const char *p = text;
    enum status_code code;
    double named, metres, percent;

    if (warning && warning_size > 0)
        warning[0] = '\0';
    skip(&p);
    while (*p) {
        code = read_item(&p, text, &r, st);
        if (code)
            return code;
        skip(&p);
    }
    if (!r.has_gauge && !r.has_diameter)
        return not_a_size(text, st);
    if (r.has_gauge) {
        code = wire_gauge_diameter(r.system, r.gauge, &named, st);
        if (code)
            return code;
    }
    if (r.strands == 0)
        r.strands = 1;
    code = wire_make(w, WIRE_COPPER, r.has_diameter ? WIRE_DIAMETER : r.system, r.gauge, r.diameter,
                     r.strands, covering, st);
    if (code)
        return code;
    snprintf(w->label, sizeof w->label, "%s", text);
    if (r.has_gauge && r.has_diameter && warning && warning_size > 0 &&
        wire_disagrees(r.system, r.gauge, r.diameter, &metres, &percent)) {
        char name[WIRE_LABEL_SIZE];

        wire_size_text(r.system, r.gauge, 0.0, name, sizeof name);
        snprintf(warning, warning_size,
                 "%s is %.4g mm, but %.4g mm is stated: %.3g mm apart, and the stated wire has "
                 "%.3g %% %s ohm per metre; %.4g mm is used",
                 name, named / MM, r.diameter / MM, fabs(metres) / MM, fabs(percent),
                 percent > 0.0 ? "more" : "fewer", r.diameter / MM);
    }
    return status_ok(st);
}

/* --- resistance and mass --- */

double wire_section(int strands, double diameter)
{
    return strands * (M_PI / 4.0) * diameter * diameter;
}

enum status_code wire_resistance(const struct wire *w, double celsius, struct wire_resistance *r,
                                 struct status *st)
{
    double factor, least = w->diameter - w->tolerance;

    if (amount_check_value(celsius, "the wire temperature", "C", -60.0, 300.0, st))
        return STATUS_INPUT;
    if (amount_check_value(w->diameter, "the wire diameter", "m", WIRE_DIAMETER_MIN,
                           WIRE_DIAMETER_MAX, st))
        return STATUS_INPUT;
    if (!(w->tolerance >= 0.0 && w->tolerance < 0.5 * w->diameter))
        return status_fail(st, STATUS_INPUT,
                           "the tolerance of the wire diameter is %g m; it must be from 0 to half "
                           "the diameter",
                           w->tolerance);
    if (w->strands < 1 || w->strands > WIRE_STRANDS_MAX)
        return status_fail(st, STATUS_INPUT, "the number of strands is %d; it must be from 1 to %d",
                           w->strands, WIRE_STRANDS_MAX);
    factor = wire_temperature_factor(w->metal, celsius) * w->lay_factor;
    r->nom = factor * wire_resistivity_of(w) / wire_section(w->strands, w->diameter);
    /* the bounds of IEC 60317-0-1: best copper in the thickest wire, worst in the thinnest */
    r->min = factor * wire_resistivity(w->metal) * (58.0 / 59.0) /
             wire_section(w->strands, w->diameter + w->tolerance);
    r->max = factor * wire_resistivity(w->metal) / wire_section(w->strands, least);
    return status_ok(st);
}

/* Densities of coverings, kg/m3, fibre with the air in it: from memory. */
static double covering_density(enum wire_covering covering)
{
    return enamelled(covering) ? 1400.0 : 900.0;
}

double wire_mass_of(const struct wire *w, double diameter, double overall)
{
    double metal = wire_section(w->strands, diameter);
    double covered;

    if (w->strands == 1) {
        covered = wire_section(1, overall);
    } else if (enamelled(w->covering) || w->covering == WIRE_BARE) {
        covered = wire_section(w->strands, overall / bundle_factor(w->strands));
    } else {
        double bundle = diameter * bundle_factor(w->strands);

        covered = metal + wire_section(1, overall) - wire_section(1, bundle);
    }
    if (w->covering == WIRE_BARE)
        covered = metal;
    return w->lay_factor * wire_density(w->metal) * metal +
           covering_density(w->covering) * fmax(covered - metal, 0.0);
}

double wire_mass_metal(const struct wire *w)
{
    return w->lay_factor * wire_density(w->metal) * wire_section(w->strands, w->diameter);
}

double wire_mass_covered(const struct wire *w)
{
    return wire_mass_of(w, w->diameter, w->overall_nom);
}

/* --- words --- */

const char *wire_covering_word(enum wire_covering covering)
{
    if ((size_t)covering >= COVERING_COUNT)
        return "unknown";
    return coverings[covering].word;
}

enum status_code wire_covering_from_text(const char *text, enum wire_covering *covering,
                                         struct status *st)
{
    for (size_t i = 0; i < COVERING_COUNT; i++)
        if (strcasecmp(text, coverings[i].word) == 0) {
            *covering = (enum wire_covering)i;
            return status_ok(st);
        }
    return status_fail(st, STATUS_INPUT,
                       "'%.40s' is not a covering; write bare, enamel 1, enamel 2, enamel 3, "
                       "cotton single, cotton double, silk single or silk double",
                       text);
}

const char *wire_metal_word(enum wire_metal metal)
{
    return metal == WIRE_ALUMINIUM ? "aluminium" : "copper";
}

enum status_code wire_metal_from_text(const char *text, enum wire_metal *metal, struct status *st)
{
    if (strcasecmp(text, "copper") == 0)
        *metal = WIRE_COPPER;
    else if (strcasecmp(text, "aluminium") == 0)
        *metal = WIRE_ALUMINIUM;
    else
        return status_fail(st, STATUS_INPUT,
                           "'%.40s' is not a wire metal; write copper or aluminium", text);
    return status_ok(st);
}

enum status_code wire_system_from_text(const char *text, enum wire_system *system,
                                       struct status *st)
{
    if (strcasecmp(text, "swg") == 0)
        *system = WIRE_SWG;
    else if (strcasecmp(text, "awg") == 0)
        *system = WIRE_AWG;
    else if (strcasecmp(text, "metric") == 0)
        *system = WIRE_METRIC;
    else
        return status_fail(st, STATUS_INPUT, "read '%.40s', expected swg, awg or metric", text);
    return status_ok(st);
}

/* --- which gauge is this? --- */

/* Standard deviation of a tolerance band in which every place is equally likely. */
static double band(double half_width)
{
    return half_width / sqrt(3.0);
}

/* Puts c into its place in the list, best first; there is room for it. */
static void insert(struct wire_candidate *list, size_t *count, const struct wire_candidate *c)
{
    size_t i = (*count)++;

    for (; i > 0 && list[i - 1].probability < c->probability; i--)
        list[i] = list[i - 1];
    list[i] = *c;
}

/* Turns log weights into probabilities and drops the hopeless. log_total: of all sizes tried. */
static void finish(struct wire_candidate *list, size_t *count, double best_log, double total,
                   double *misfit)
{
    size_t kept = 0;

    *misfit = *count > 0 ? erfc(fabs(list[0].deviation) / sqrt(2.0)) : 0.0;
    for (size_t i = 0; i < *count; i++) {
        list[i].probability = exp(list[i].probability - best_log) / total;
        if (i == 0 || list[i].probability > 0.001)
            kept = i + 1;
    }
    *count = kept;
}

struct identify {
    struct wire_candidate *list;
    size_t max, *count;
    double best, total; /* running log of the greatest weight, and sum relative to it */
};

/* expected +- sd is what the candidate would read; read has the uncertainty u. */
static void weigh(struct identify *id, struct wire_candidate *c, double read, double u,
                  double expected, double sd)
{
    double s = hypot(u, sd), z = (read - expected) / s, weight = -0.5 * z * z - log(s);

    c->deviation = z;
    c->probability = weight;
    if (weight > id->best) {
        id->total = id->total * exp(id->best - weight) + 1.0;
        id->best = weight;
    } else {
        id->total += exp(weight - id->best);
    }
    if (*id->count < id->max || (id->max > 0 && id->list[id->max - 1].probability < weight)) {
        if (*id->count == id->max)
            (*id->count)--;
        insert(id->list, id->count, c);
    }
}

#define MINUS_HUGE (-1.0e300)

enum status_code wire_identify_diameter(struct amount reading, bool over_covering,
                                        enum wire_covering covering, unsigned systems,
                                        struct wire_candidate *list, size_t max, size_t *count,
                                        double *misfit, struct status *st)
{
    struct identify id = {list, max, count, MINUS_HUGE, 0.0};

    *count = 0;
    *misfit = NAN;
    if (amount_check_value(reading.value, "the micrometer reading", "m", WIRE_DIAMETER_MIN,
                           WIRE_DIAMETER_MAX, st) ||
        amount_check(reading, "the micrometer reading", "m", WIRE_DIAMETER_MIN, WIRE_DIAMETER_MAX,
                     st))
        return STATUS_INPUT;
    for (int system = WIRE_SWG; system <= WIRE_METRIC; system++) {
        int n = systems & (1u << system) ? wire_size_count((enum wire_system)system) : 0;

        for (int i = 0; i < n; i++) {
            struct wire_candidate c = {.system = (enum wire_system)system,
                                       .covering = over_covering ? covering : WIRE_BARE};
            struct wire w;
            double expected, sd;
            struct status local;

            if (wire_size(c.system, i, &c.gauge, &c.diameter, &local) ||
                wire_make(&w, WIRE_COPPER, c.system, c.gauge, c.diameter, 1, c.covering, &local))
                continue; /* this grade of enamel is not made so fine */
            expected = over_covering ? w.overall_nom : w.diameter;
            sd = over_covering ? hypot(band(0.5 * (w.overall_max - w.overall_min)),
                                       band(w.system == WIRE_METRIC ? 0.0 : w.tolerance))
                               : band(w.tolerance);
            weigh(&id, &c, reading.value, reading.u, expected, sd);
        }
    }
    finish(list, count, id.best, id.total, misfit);
    return status_ok(st);
}

enum status_code wire_identify_resistance(struct amount ohms, struct amount length, double celsius,
                                          enum wire_metal metal, unsigned systems,
                                          struct wire_candidate *list, size_t max, size_t *count,
                                          double *misfit, struct status *st)
{
    struct identify id = {list, max, count, MINUS_HUGE, 0.0};
    double read, u;

    *count = 0;
    *misfit = NAN;
    if (amount_check_value(ohms.value, "the resistance", "ohm", 1e-6, 1e9, st) ||
        amount_check(ohms, "the resistance", "ohm", 1e-6, 1e9, st) ||
        amount_check_value(length.value, "the length of wire", "m", 1e-3, 1e6, st) ||
        amount_check(length, "the length of wire", "m", 1e-3, 1e6, st) ||
        amount_check_value(celsius, "the wire temperature", "C", -60.0, 300.0, st))
        return STATUS_INPUT;
    /* In logarithms, since both readings enter as a ratio. */
    read = log(ohms.value / length.value);
    u = hypot(ohms.u / ohms.value, length.u / length.value);
    for (int system = WIRE_SWG; system <= WIRE_METRIC; system++) {
        int n = systems & (1u << system) ? wire_size_count((enum wire_system)system) : 0;

        for (int i = 0; i < n; i++) {
            struct wire_candidate c = {.system = (enum wire_system)system, .covering = WIRE_BARE};
            struct wire_resistance r = {NAN, NAN, NAN};
            struct wire w;
            struct status local;

            if (wire_size(c.system, i, &c.gauge, &c.diameter, &local) ||
                wire_make(&w, metal, c.system, c.gauge, c.diameter, 1, WIRE_BARE, &local) ||
                wire_resistance(&w, celsius, &r, &local))
                continue;
            weigh(&id, &c, read, u, log(r.nom), band(0.5 * log(r.max / r.min)));
        }
    }
    finish(list, count, id.best, id.total, misfit);
    return status_ok(st);
}
