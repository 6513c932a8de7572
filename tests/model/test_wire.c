/* Wire against the gauge tables, published copper resistance and IEC 60317-0-1. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/model/wire.h"

#define FOOT 0.3048

static void assert_near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("got %.12g, expected %.12g within %g", got, want, relative);
}

static struct wire make(enum wire_system system, int gauge, double diameter,
                        enum wire_covering covering)
{
    struct wire w;
    struct status st;

    if (wire_make(&w, WIRE_COPPER, system, gauge, diameter, 1, covering, &st))
        fail_msg("%s", st.text);
    return w;
}

/* Standard Wire Gauge as listed under BS 3737:1964 (two lists read, which agree). */
static void swg_diameters(void **state)
{
    static const struct {
        int gauge;
        double inch;
    } rows[] = {{-6, .500},  {-5, .464},  {-1, .348},  {0, .324},   {1, .300},   {8, .160},
                {14, .080},  {18, .048},  {22, .028},  {26, .018},  {28, .0148}, {30, .0124},
                {32, .0108}, {33, .0100}, {36, .0076}, {40, .0048}, {45, .0028}, {50, .0010}};
    struct status st;
    double d, before = 1.0;
    int gauge;

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(wire_gauge_diameter(WIRE_SWG, rows[i].gauge, &d, &st), STATUS_OK);
        assert_near(d, rows[i].inch * 0.0254, 1e-12);
    }
    /* the rule of the table: steps of 0.8 thou from 30 to 39, 0.4 thou from 39 to 49 */
    for (int g = 30; g < 49; g++) {
        double e;

        assert_int_equal(wire_gauge_diameter(WIRE_SWG, g, &d, &st), STATUS_OK);
        assert_int_equal(wire_gauge_diameter(WIRE_SWG, g + 1, &e, &st), STATUS_OK);
        assert_near((d - e) / 0.0254, g < 39 ? 0.0008 : 0.0004, 1e-6);
    }
    assert_int_equal(wire_size_count(WIRE_SWG), 57);
    for (int i = 0; i < 57; i++) {
        assert_int_equal(wire_size(WIRE_SWG, i, &gauge, &d, &st), STATUS_OK);
        assert_true(d < before);
        before = d;
    }
    assert_int_equal(gauge, 50);
}

/* American Wire Gauge: mils computed from the rule of ASTM B258 (0.005 in x 92^((36-n)/39));
 * circular mils read in the table cited to Floyd, Electric Circuit Fundamentals, 2nd ed. */
static void awg_diameters(void **state)
{
    static const struct {
        int gauge;
        double circular_mils, relative;
    } rows[] = {{18, 1624.3, 1e-4}, {24, 404.01, 1e-4}, {28, 159.79, 2e-4},
                {30, 100.5, 1e-4},  {32, 63.21, 1e-4},  {36, 25.0, 1e-9}};
    struct status st;
    double d;

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(wire_gauge_diameter(WIRE_AWG, rows[i].gauge, &d, &st), STATUS_OK);
        assert_near(pow(d / 25.4e-6, 2.0), rows[i].circular_mils, rows[i].relative);
    }
    assert_int_equal(wire_gauge_diameter(WIRE_AWG, -3, &d, &st), STATUS_OK);
    assert_near(d, 0.460 * 0.0254, 1e-6); /* 4/0 is defined as 0.4600 in, as 36 is 0.0050 in */
}

/* Ohm per 1000 ft at 20 C, read in the table cited to Floyd, Electric Circuit Fundamentals, 2nd
 * ed.; the convention is the unrounded diameter. */
static void copper_resistance(void **state)
{
    static const struct {
        int gauge;
        double ohms;
    } rows[] = {{18, 6.385}, {24, 25.67}, {28, 64.90}, {30, 103.2}, {32, 164.1}, {36, 414.8}};
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wire w = make(WIRE_AWG, rows[i].gauge, 0.0, WIRE_BARE);
        struct wire_resistance r;

        assert_int_equal(wire_resistance(&w, 20.0, &r, &st), STATUS_OK);
        printf("AWG %d: %.5g ohm/1000 ft, published %.5g (%+.3f %%)\n", rows[i].gauge,
               r.nom * 1000.0 * FOOT, rows[i].ohms,
               (r.nom * 1000.0 * FOOT / rows[i].ohms - 1.0) * 100.0);
        assert_near(r.nom * 1000.0 * FOOT, rows[i].ohms, 0.0005);
        assert_true(r.min < r.nom && r.nom < r.max);
    }
}

/* IEC 60317-0-1, ohm/m at 20 C: 0.100 to 0.118 read in a wire maker's table, the others from memory
 * and checked against the rule 59, 58.5, 58 MS/m. Greatest overall diameters: grades 1 and 2. */
static void iec_resistance(void **state)
{
    static const struct {
        double mm, min, nom, max, grade1, grade2;
    } rows[] = {
        {0.100, 2.034, 2.176, 2.333, .117, .125},    {0.106, 1.816, 1.937, 2.069, .123, .132},
        {0.112, 1.632, 1.735, 1.848, .130, .139},    {0.118, 1.474, 1.563, 1.660, .136, .145},
        {0.125, 1.317, 1.393, 1.475, .144, .154},    {0.160, .8122, .8502, .8906, .182, .194},
        {0.200, .5237, .5441, .5657, .226, .239},    {0.224, .4188, .4338, .4495, .252, .266},
        {0.250, .3345, .3482, .3628, .281, .297},    {0.315, .2121, .2193, .2270, .349, .367},
        {0.400, .1316, .1360, .1407, .439, .459},    {0.500, .08462, .08706, .08959, .544, .566},
        {0.630, .05335, .05484, .05638, .679, .704}, {0.710, .04198, .04318, .04442, .762, .789},
        {0.900, .02612, .02687, .02765, .959, .989}, {1.000, .02116, .02176, .02240, 1.062, 1.094},
    };
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wire w = make(WIRE_DIAMETER, 0, rows[i].mm * 1e-3, WIRE_ENAMEL_1);
        struct wire w2 = make(WIRE_DIAMETER, 0, rows[i].mm * 1e-3, WIRE_ENAMEL_2);
        struct wire_resistance r;

        assert_int_equal(w.system, WIRE_METRIC);
        assert_int_equal(wire_resistance(&w, 20.0, &r, &st), STATUS_OK);
        assert_near(r.min, rows[i].min, 0.0006);
        assert_near(r.nom, rows[i].nom, 0.0006);
        assert_near(r.max, rows[i].max, 0.0006);
        assert_true(fabs(w.overall_max * 1e3 - rows[i].grade1) < 0.00075);
        assert_true(fabs(w2.overall_max * 1e3 - rows[i].grade2) < 0.00075);
        assert_true(w.overall_min < w.overall_nom && w.overall_nom < w.overall_max);
    }
    {
        /* least overall diameter of grade 1, 0.100 mm: 0.108 (read on two sites) */
        struct wire w = make(WIRE_DIAMETER, 0, 0.1e-3, WIRE_ENAMEL_1);

        assert_near(w.overall_min, 0.108e-3, 1e-9);
    }
}

/* Temperature coefficient of annealed copper at 20 C: 0.00393 /C; density 8.89 g/cm3; 0.15328
 * ohm g/m2 (NBS Circular 31 and Handbook 100, at second hand). */
static void copper_constants(void **state)
{
    struct wire w = make(WIRE_AWG, 24, 0.0, WIRE_BARE);
    struct wire_resistance cold, hot;
    struct status st;

    (void)state;
    assert_int_equal(wire_resistance(&w, 20.0, &cold, &st), STATUS_OK);
    assert_int_equal(wire_resistance(&w, 75.0, &hot, &st), STATUS_OK);
    assert_near(hot.nom / cold.nom, 1.0 + 0.00393 * 55.0, 1e-12);
    assert_near(cold.nom * wire_mass_metal(&w) * 1000.0, 0.15328, 1e-4);
}

static void litz(void **state)
{
    struct wire w, one;
    struct wire_resistance r, r1;
    struct status st;
    char warning[256];

    (void)state;
    /* common practice, no source: 7 strands of 0.04 mm are about the finest a hand winds */
    assert_int_equal(wire_from_text("7 x 0.04 mm", WIRE_ENAMEL_1, &w, warning, sizeof warning, &st),
                     STATUS_OK);
    assert_int_equal(w.strands, 7);
    one = make(WIRE_DIAMETER, 0, 0.04e-3, WIRE_ENAMEL_1);
    assert_int_equal(wire_resistance(&w, 20.0, &r, &st), STATUS_OK);
    assert_int_equal(wire_resistance(&one, 20.0, &r1, &st), STATUS_OK);
    assert_near(r.nom * 7.0 / r1.nom, w.lay_factor, 1e-12);
    assert_near(w.overall_nom, 3.0 * one.overall_nom, 1e-9); /* six round one */
    assert_near(wire_mass_covered(&w),
                7.0 * w.lay_factor * wire_mass_metal(&one) +
                    (wire_mass_covered(&one) - wire_mass_metal(&one)) * 7.0,
                1e-6);
}

static void reads_sizes(void **state)
{
    static const struct {
        const char *text;
        enum wire_system system;
        int gauge, strands;
        double mm;
    } good[] = {
        {"30 SWG", WIRE_SWG, 30, 1, 0.31496},
        {"swg 30", WIRE_SWG, 30, 1, 0.31496},
        {"30swg", WIRE_SWG, 30, 1, 0.31496},
        {"28 AWG", WIRE_AWG, 28, 1, 0.32109},
        {"2/0 SWG", WIRE_SWG, -1, 1, 8.8392},
        {"00 SWG", WIRE_SWG, -1, 1, 8.8392},
        {"0 SWG", WIRE_SWG, 0, 1, 8.2296},
        {"7/0 S.W.G.", WIRE_SWG, -6, 1, 12.7},
        {"0.25 mm", WIRE_METRIC, 0, 1, 0.25},
        {".25mm", WIRE_METRIC, 0, 1, 0.25},
        {"250 um", WIRE_METRIC, 0, 1, 0.25},
        {"25 thou", WIRE_DIAMETER, 0, 1, 0.635},
        {"0.0124 in", WIRE_DIAMETER, 0, 1, 0.31496},
        {"7 x 0.04 mm", WIRE_METRIC, 0, 7, 0.04},
        {"7x0.04mm", WIRE_METRIC, 0, 7, 0.04},
        {"7 \xc3\x97 0.04 mm", WIRE_METRIC, 0, 7, 0.04},
        {"19 x 40 SWG", WIRE_SWG, 40, 19, 0.12192},
    };
    static const char *const bad[] = {"",
                                      "thirty",
                                      "30",
                                      "51 SWG",
                                      "57 AWG",
                                      "8/0 SWG",
                                      "0.25",
                                      "0.25 lb",
                                      "-1 mm",
                                      "0 mm",
                                      "25 mm",
                                      "30.5 SWG",
                                      "1e-4 mm",
                                      "x 7 mm",
                                      "0 x 0.1 mm",
                                      "7 x",
                                      "7 x 7 x 1 mm",
                                      "1 mm 2 mm",
                                      "30 SWG 31 AWG",
                                      "nan mm",
                                      "99999999999999999999999999 mm",
                                      "1.2.3 mm",
                                      "89999999999999990./0 SWG",
                                      "9999999999/0 SWG"};
    char warning[256];
    struct wire w;
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        if (wire_from_text(good[i].text, WIRE_ENAMEL_1, &w, warning, sizeof warning, &st))
            fail_msg("%s", st.text);
        assert_int_equal(w.system, good[i].system);
        assert_int_equal(w.gauge, good[i].gauge);
        assert_int_equal(w.strands, good[i].strands);
        assert_near(w.diameter * 1e3, good[i].mm, 1e-4);
        assert_string_equal(warning, "");
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        enum status_code code = wire_from_text(bad[i], WIRE_ENAMEL_1, &w, NULL, 0, &st);

        if (code != STATUS_INPUT || strlen(st.text) < 20)
            fail_msg("'%s' gave code %d, '%s'", bad[i], (int)code, st.text);
    }
}

/* 0.25 mm called 32 SWG (0.274 mm) is 20 % in resistance; 0.28 mm called 30 SWG a quarter. */
static void warns_of_disagreement(void **state)
{
    char warning[256];
    struct wire w;
    struct status st;
    double metres, percent;

    (void)state;
    assert_int_equal(
        wire_from_text("0.25 mm (32 SWG)", WIRE_ENAMEL_1, &w, warning, sizeof warning, &st),
        STATUS_OK);
    printf("%s\n", warning);
    assert_non_null(strstr(warning, "32 SWG is 0.2743 mm"));
    assert_non_null(strstr(warning, "20.4 % more ohm per metre"));
    assert_near(w.diameter, 0.25e-3, 1e-12);
    assert_true(wire_disagrees(WIRE_SWG, 30, 0.28e-3, &metres, &percent));
    assert_near(percent, 26.5, 0.01);
    assert_near(metres, 0.03496e-3, 0.001);
    assert_false(wire_disagrees(WIRE_SWG, 33, 0.254e-3, &metres, &percent));
    assert_int_equal(
        wire_from_text("33 SWG 0.254 mm", WIRE_ENAMEL_1, &w, warning, sizeof warning, &st),
        STATUS_OK);
    assert_string_equal(warning, "");
}

static void identifies(void **state)
{
    const unsigned gauges = 1u << WIRE_SWG | 1u << WIRE_AWG;
    struct wire_candidate list[8];
    size_t count;
    double misfit, sum = 0.0;
    struct status st;

    (void)state;
    /* bare 0.315 mm +- 2 um: 30 SWG (0.31496), not 28 AWG (0.3211) */
    assert_int_equal(wire_identify_diameter(amount_of(0.315e-3, 1e-6), false, WIRE_BARE, gauges,
                                            list, 8, &count, &misfit, &st),
                     STATUS_OK);
    assert_true(count >= 1);
    assert_int_equal(list[0].system, WIRE_SWG);
    assert_int_equal(list[0].gauge, 30);
    assert_true(list[0].probability > 0.8 && misfit > 0.5);
    for (size_t i = 0; i < count; i++)
        sum += list[i].probability;
    assert_true(sum > 0.99 && sum < 1.0 + 1e-9);
    /* the same wire over grade 1 enamel reads about 0.343 */
    assert_int_equal(wire_identify_diameter(amount_of(0.342e-3, 1e-6), true, WIRE_ENAMEL_1,
                                            1u << WIRE_SWG, list, 8, &count, &misfit, &st),
                     STATUS_OK);
    assert_int_equal(list[0].gauge, 30);
    /* nothing is 0.40 mm in SWG near 26 (0.457) and 27 (0.417): says so by the misfit */
    assert_int_equal(wire_identify_diameter(amount_of(0.437e-3, 1e-6), false, WIRE_BARE,
                                            1u << WIRE_SWG, list, 8, &count, &misfit, &st),
                     STATUS_OK);
    assert_true(misfit < 0.001);
    /* 10 m of 0.25 mm: 3.482 ohm (IEC nominal); 33 SWG (0.254) is next, 3 % away */
    assert_int_equal(wire_identify_resistance(amount_of(3.482, 0.01), amount_of(10.0, 0.01), 20.0,
                                              WIRE_COPPER, 1u << WIRE_METRIC | gauges, list, 8,
                                              &count, &misfit, &st),
                     STATUS_OK);
    assert_near(list[0].diameter, 0.25e-3, 0.02);
    assert_int_equal(wire_identify_diameter(amount_of(NAN, 1e-6), false, WIRE_BARE, gauges, list, 8,
                                            &count, &misfit, &st),
                     STATUS_INPUT);
    assert_int_equal(count, 0);
    assert_int_equal(wire_identify_resistance(amount_of(-1.0, 0.1), amount_of(1.0, 0.1), 20.0,
                                              WIRE_COPPER, gauges, list, 8, &count, &misfit, &st),
                     STATUS_INPUT);
    /* a short list keeps the best */
    assert_int_equal(wire_identify_diameter(amount_of(0.315e-3, 5e-5), false, WIRE_BARE,
                                            gauges | 1u << WIRE_METRIC, list, 2, &count, &misfit,
                                            &st),
                     STATUS_OK);
    assert_int_equal(count, 2);
    assert_true(list[0].probability >= list[1].probability);
}

/* A wire drawn at random, read with its own error, is named with probabilities that are earned: the
 * true size leads about as often as its probability says. */
static void identification_is_calibrated(void **state)
{
    const unsigned long seed = 17;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double promised = 0.0, kept = 0.0;
    const int n = 2000;

    (void)state;
    printf("seed %lu\n", seed);
    gsl_rng_set(rng, seed);
    for (int i = 0; i < n; i++) {
        struct wire_candidate list[4];
        size_t count;
        double d, misfit, read, tolerance;
        int gauge, index = 28 + (int)gsl_rng_uniform_int(rng, 20);
        struct status st;

        assert_int_equal(wire_size(WIRE_SWG, index, &gauge, &d, &st), STATUS_OK);
        tolerance = make(WIRE_SWG, gauge, 0.0, WIRE_BARE).tolerance;
        read = d + tolerance * (2.0 * gsl_rng_uniform(rng) - 1.0) +
               8e-6 * (2.0 * gsl_rng_uniform(rng) - 1.0) * sqrt(3.0);
        assert_int_equal(wire_identify_diameter(amount_of(read, 8e-6), false, WIRE_BARE,
                                                1u << WIRE_SWG, list, 4, &count, &misfit, &st),
                         STATUS_OK);
        promised += list[0].probability;
        kept += list[0].gauge == gauge;
    }
    printf("promised %.3f, kept %.3f\n", promised / n, kept / n);
    assert_true(fabs(promised - kept) / n < 0.04);
    gsl_rng_free(rng);
}

static void refuses_bad_figures(void **state)
{
    struct wire w = make(WIRE_SWG, 30, 0.0, WIRE_ENAMEL_1);
    struct wire_resistance r;
    struct status st;
    double d, e;

    (void)state;
    assert_int_equal(wire_resistance(&w, NAN, &r, &st), STATUS_INPUT);
    assert_int_equal(wire_resistance(&w, 1000.0, &r, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "temperature is 1000 C"));
    assert_non_null(strstr(st.text, "-60 to 300"));
    assert_int_equal(wire_overall(WIRE_ENAMEL_1, INFINITY, &d, &e, &st), STATUS_INPUT);
    assert_int_equal(wire_overall(WIRE_ENAMEL_1, -1e-3, &d, &e, &st), STATUS_INPUT);
    assert_int_equal(wire_make(&w, WIRE_COPPER, WIRE_SWG, 99, 0.0, 1, WIRE_BARE, &st),
                     STATUS_INPUT);
    assert_int_equal(wire_make(&w, WIRE_COPPER, WIRE_DIAMETER, 0, 1e-4, 0, WIRE_BARE, &st),
                     STATUS_INPUT);
    w.tolerance = NAN;
    assert_int_equal(wire_resistance(&w, 20.0, &r, &st), STATUS_INPUT);
}

/* Every size can be made with every covering, with rising order of diameters and least/greatest. */
static void whole_tables(void **state)
{
    (void)state;
    for (int system = WIRE_SWG; system <= WIRE_METRIC; system++)
        for (int i = 0; i < wire_size_count((enum wire_system)system); i++)
            for (int covering = WIRE_BARE; covering <= WIRE_SILK_DOUBLE; covering++) {
                struct wire w;
                struct status st;
                int gauge;
                double d;
                enum wire_covering back;

                assert_int_equal(wire_size((enum wire_system)system, i, &gauge, &d, &st),
                                 STATUS_OK);
                if (wire_make(&w, WIRE_COPPER, (enum wire_system)system, gauge, d, 1,
                              (enum wire_covering)covering, &st)) {
                    assert_int_equal(covering, WIRE_ENAMEL_3); /* only 3 has a finest size */
                    assert_true(d < 0.032e-3);
                    continue;
                }
                assert_true(w.overall_min <= w.overall_nom && w.overall_nom <= w.overall_max);
                assert_true(w.overall_nom >= w.diameter);
                assert_true(wire_mass_covered(&w) >= wire_mass_metal(&w));
                assert_int_equal(
                    wire_covering_from_text(wire_covering_word(w.covering), &back, &st), STATUS_OK);
                assert_int_equal(back, w.covering);
                {
                    struct wire again;

                    if (system != WIRE_METRIC)
                        assert_int_equal(wire_from_text(w.label, w.covering, &again, NULL, 0, &st),
                                         STATUS_OK);
                    if (system != WIRE_METRIC)
                        assert_near(again.diameter, w.diameter, 1e-12);
                }
            }
}

static void reads_systems(void **state)
{
    static const struct {
        const char *text;
        enum wire_system system;
    } words[] = {{"swg", WIRE_SWG}, {"AWG", WIRE_AWG}, {"metric", WIRE_METRIC}};
    static const char *const wrong[] = {"", "mm", "swg ", "metrical"};
    enum wire_system system = WIRE_DIAMETER;
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_int_equal(wire_system_from_text(wrong[i], &system, &st), STATUS_INPUT);
        assert_int_equal(system, WIRE_DIAMETER);
        assert_non_null(strstr(st.text, wrong[i]));
        assert_non_null(strstr(st.text, "expected swg, awg or metric"));
    }
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        assert_int_equal(wire_system_from_text(words[i].text, &system, &st), STATUS_OK);
        assert_int_equal(system, words[i].system);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(swg_diameters),       cmocka_unit_test(awg_diameters),
        cmocka_unit_test(copper_resistance),   cmocka_unit_test(iec_resistance),
        cmocka_unit_test(copper_constants),    cmocka_unit_test(litz),
        cmocka_unit_test(reads_sizes),         cmocka_unit_test(warns_of_disagreement),
        cmocka_unit_test(identifies),          cmocka_unit_test(identification_is_calibrated),
        cmocka_unit_test(refuses_bad_figures), cmocka_unit_test(whole_tables),
        cmocka_unit_test(reads_systems),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
