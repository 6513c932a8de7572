/* Heat of a winding against printed figures, and against physics that must hold. Tolerances are
 * those of the printed digits unless said otherwise. */
#include "analyze/model/thermal.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void near(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance))
        fail_msg("got %.9g, want %.9g within %g", got, want, tolerance);
}

/* An informal worked example (a physics forum, thread 381286, read): 80 ohm at 20 C, 100 ohm warm,
 * with k = 234.5: 83.63 C, rise 63.63 K. Ours has k = 235 (IEC 60034-1, from memory): 83.75 C. The
 * 0.125 K between them is the choice of k. */
static void test_worked_rise(void **state)
{
    struct status st;
    double t, rise;

    (void)state;
    assert_int_equal(thermal_from_resistance(THERMAL_COPPER, 80.0, 20.0, 100.0, &t, &st),
                     STATUS_OK);
    near(t, 83.75, 1e-9);
    near(t, 83.63, 0.13);
    near(100.0 / 80.0 * (234.5 + 20.0) - 234.5, 83.63, 0.006); /* the print is right about itself */
    assert_int_equal(thermal_rise(THERMAL_COPPER, 80.0, 20.0, 100.0, 20.0, &rise, &st), STATUS_OK);
    near(rise, 63.75, 1e-9);
    near(rise, 63.63, 0.13);
    assert_int_equal(thermal_rise(THERMAL_COPPER, 80.0, 20.0, 100.0, 26.5, &rise, &st), STATUS_OK);
    near(rise, 57.25, 1e-9);
}

/* Coefficient of copper at 20 C: 0.00393 1/K (read second-hand; NBS Circular 31 as its origin from
 * memory). Ours 1/255 = 0.0039216. */
static void test_coefficient(void **state)
{
    struct status st;
    double r;

    (void)state;
    assert_int_equal(thermal_resistance_at(THERMAL_COPPER, 1000.0, 20.0, 21.0, &r, &st), STATUS_OK);
    near((r - 1000.0) / 1000.0, 0.00393, 0.00001);
    /* EC aluminium: k = 225 and 228 are both printed (a UL standard's excerpt and a handbook page,
     * read second-hand), which means 0.00408 and 0.00403 at 20 C. */
    assert_int_equal(thermal_resistance_at(THERMAL_ALUMINIUM, 1000.0, 20.0, 21.0, &r, &st),
                     STATUS_OK);
    near((r - 1000.0) / 1000.0, 0.00408, 0.00001);
}

/* Adiabatic constants K of copper and aluminium conductors, A sqrt(s) / mm2, as in the table of the
 * wiring rules (BS 7671 Table 43.1, IEC 60364-4-43; from memory): copper 70 to 160 C 115, 90 to
 * 250 C 143, 30 to 160 C 143 (Table 54.2), aluminium 70 to 160 C 76, 90 to 250 C 94. */
static void test_adiabatic_constants(void **state)
{
    static const struct {
        enum thermal_metal metal;
        double from, to, k;
    } rows[] = {{THERMAL_COPPER, 70.0, 160.0, 115.0},
                {THERMAL_COPPER, 90.0, 250.0, 143.0},
                {THERMAL_COPPER, 30.0, 160.0, 143.0},
                {THERMAL_ALUMINIUM, 70.0, 160.0, 76.0},
                {THERMAL_ALUMINIUM, 90.0, 250.0, 94.0}};
    struct status st;
    double s, j = 2.385e7, t, rate;

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(
            thermal_adiabatic_time(rows[i].metal, j, rows[i].from, rows[i].to, &s, &st), STATUS_OK);
        near(1e-6 * j * sqrt(s), rows[i].k, 1.0);
        assert_int_equal(thermal_adiabatic_after(rows[i].metal, j, rows[i].from, s, &t, &st),
                         STATUS_OK);
        near(t, rows[i].to, 1e-9);
    }
    /* The rate is the slope of the course it belongs to. */
    assert_int_equal(thermal_adiabatic_rate(THERMAL_COPPER, j, 47.0, &rate, &st), STATUS_OK);
    assert_int_equal(thermal_adiabatic_after(THERMAL_COPPER, j, 47.0, 1e-4, &t, &st), STATUS_OK);
    near((t - 47.0) / 1e-4, rate, 1e-3 * rate);
    /* j^2 rho / (c d) from the constants themselves, at 20 C. */
    assert_int_equal(thermal_adiabatic_rate(THERMAL_COPPER, j, 20.0, &rate, &st), STATUS_OK);
    near(rate, j * j * (1e-6 / 58.0) / 3.45e6, 1e-9 * rate);
}

/* IEC 60085 thermal classes, read second-hand (an encyclopaedia page on insulation systems). */
static void test_classes(void **state)
{
    static const struct {
        const char *letter;
        double limit;
    } classes[] = {{"Y", 90},  {"A", 105}, {"E", 120}, {"B", 130},
                   {"F", 155}, {"H", 180}, {"N", 200}, {"R", 220}};
    const struct thermal_material *list[3];
    const struct thermal_material *all;
    size_t n;

    (void)state;
    for (size_t i = 0; i < sizeof classes / sizeof classes[0]; i++) {
        assert_non_null(thermal_material(classes[i].letter));
        near(thermal_material(classes[i].letter)->limit_c, classes[i].limit, 0.0);
    }
    near(thermal_material("155")->limit_c, 155.0, 0.0);
    near(thermal_material("Paper")->limit_c, 90.0, 0.0);
    assert_null(thermal_material("unobtainium"));
    assert_null(thermal_material(NULL));
    list[0] = thermal_material("H");
    list[1] = thermal_material("pvc-tape");
    list[2] = thermal_material("A");
    assert_ptr_equal(thermal_weakest(list, 3), list[1]);
    assert_null(thermal_weakest(list, 0));
    all = thermal_materials(&n);
    for (size_t i = 0; i < n; i++) {
        assert_ptr_equal(thermal_material(all[i].name), &all[i]);
        assert_true(strlen(all[i].source) > 3);
    }
}

/* Black-body radiation between near temperatures is 4 sigma T^3: 5.72 W/(m2 K) at 293.15 K
 * (computed), and a total of 9 to 11 W/(m2 K) is the usual figure for still air and surfaces of a
 * metre some tens of kelvin warm (common practice, no source). */
static void test_film(void **state)
{
    struct thermal_interval h;
    struct status st;

    (void)state;
    assert_int_equal(thermal_film(20.0 + 1e-9, 20.0, 1.0, 1.0, &h, &st), STATUS_OK);
    near(h.value, 4.0 * 5.670374419e-8 * 293.15 * 293.15 * 293.15, 0.02);
    assert_int_equal(thermal_film(50.0, 20.0, 1.0, 0.95, &h, &st), STATUS_OK);
    near(h.value, 9.7, 0.4);
    /* Laminar free convection on a vertical plate in air, 0.3 m, 30 K: Nu = 0.59 Ra^(1/4)
     * (McAdams, from memory) with k 0.0268 W/(m K), nu 16.9e-6 m2/s, Pr 0.71 at 308 K. */
    assert_int_equal(thermal_film(50.0, 20.0, 0.3, 0.0, &h, &st), STATUS_OK);
    near(h.value,
         0.59 * 0.0268 / 0.3 * pow(9.81 / 308.0 * 30.0 * 0.027 / (16.9e-6 * 16.9e-6) * 0.71, 0.25),
         0.08 * h.value);
    assert_true(h.low < h.value && h.value < h.high);
}

static struct thermal_coil signal_coil(void)
{
    return (struct thermal_coil){.metal = THERMAL_COPPER,
                                 .ohm = 17.0,
                                 .ohm_at_c = 20.0,
                                 .conductor_kg = 0.12,
                                 .other_heat = 55.0,
                                 .surface_m2 = 0.008,
                                 .height_m = 0.05,
                                 .emissivity = NAN,
                                 .depth_m = 0.006};
}

/* The balance balances; 30 V on 17 ohm is 52.9 W (computed) and cooks tape; 1.5 V does not. */
static void test_steady(void **state)
{
    struct thermal_coil coil = signal_coil();
    struct thermal_supply supply = {.volt = 30.0, .ampere = NAN, .duty = 1.0};
    struct thermal_steady hot, cool;
    enum thermal_danger danger;
    struct status st;
    double surface, loss;
    char text[400];

    (void)state;
    assert_int_equal(thermal_steady(&coil, &supply, 20.0, &hot, &st), STATUS_OK);
    near(hot.watt_cold, 52.941, 0.001);
    assert_true(hot.steady);
    assert_true(hot.temperature.low < hot.temperature.value);
    assert_true(hot.temperature.value < hot.temperature.high);
    near(hot.watt_hot, 900.0 / (17.0 * (235.0 + hot.temperature.value) / 255.0), 1e-3);
    /* Even heat in a slab with one side closed: q b^2 / (2 k) across it (any textbook), k 0.4. */
    near(hot.inside.value, hot.watt_hot * 0.006 / (2.0 * 0.008 * 0.4), 0.01);
    surface = hot.temperature.value - hot.watt_hot * 0.006 / (3.0 * 0.008 * 0.4);
    loss = hot.film * coil.surface_m2 * (surface - 20.0);
    near(loss, hot.watt_hot, 1e-4 * loss);
    assert_int_equal(thermal_verdict(&coil, &supply, 20.0, thermal_material("pvc-tape"), &danger,
                                     text, sizeof text, &st),
                     STATUS_OK);
    assert_int_equal(danger, THERMAL_COOKS);
    assert_non_null(strstr(text, "30 V on 17 ohm is 52.9 W"));

    supply.volt = 1.5;
    assert_int_equal(thermal_verdict(&coil, &supply, 20.0, thermal_material("pvc-tape"), &danger,
                                     text, sizeof text, &st),
                     STATUS_OK);
    assert_int_equal(danger, THERMAL_SAFE);
    assert_string_equal(text, "");

    /* Pulses of a fraction of a second in 15 s keep even 30 V cool. */
    supply.volt = 30.0;
    supply.duty = 0.2 / 15.0;
    assert_int_equal(thermal_steady(&coil, &supply, 20.0, &cool, &st), STATUS_OK);
    near(cool.watt_cold, 52.941 * 0.2 / 15.0, 1e-4);
    assert_true(cool.temperature.high < 40.0);

    /* The same watts from a current supply end hotter, for the resistance rises. */
    supply = (struct thermal_supply){.volt = NAN, .ampere = 30.0 / 17.0, .duty = 1.0};
    assert_int_equal(thermal_steady(&coil, &supply, 20.0, &cool, &st), STATUS_OK);
    near(cool.watt_cold, 52.941, 0.001);
    assert_true(cool.temperature.value > hot.temperature.value + 30.0);
    supply.ampere = 12.0;
    assert_int_equal(thermal_steady(&coil, &supply, 20.0, &cool, &st), STATUS_OK);
    assert_false(cool.steady);
    assert_int_equal(thermal_verdict(&coil, &supply, 20.0, thermal_material("H"), &danger, text,
                                     sizeof text, &st),
                     STATUS_OK);
    assert_int_equal(danger, THERMAL_COOKS);
    assert_non_null(strstr(text, "pass 400 C"));
}

/* A short time to the limit is the adiabatic one; a limit above the balance is never reached; the
 * course between is the first-order one when the rise is small. */
static void test_time_to(void **state)
{
    struct thermal_coil coil = signal_coil();
    struct thermal_supply supply = {.volt = NAN, .ampere = 9.0, .duty = 1.0};
    struct thermal_interval t;
    struct thermal_steady steady;
    struct status st;
    double s, area, length, j, first;

    (void)state;
    coil.other_heat = 0.0;
    coil.depth_m = NAN;
    /* Current density of a conductor with that mass and resistance: m = d l A, R = rho l / A. */
    length = sqrt(coil.conductor_kg / 8890.0 * coil.ohm * 58e6);
    area = length / (coil.ohm * 58e6);
    j = supply.ampere / area;
    assert_int_equal(thermal_time_to(&coil, &supply, 20.0, 20.0, 60.0, &t, &st), STATUS_OK);
    assert_int_equal(thermal_adiabatic_time(THERMAL_COPPER, j, 20.0, 60.0, &s, &st), STATUS_OK);
    near(t.value, s, 0.01 * s);
    assert_true(t.value > s);

    supply = (struct thermal_supply){.volt = 4.0, .ampere = NAN, .duty = 1.0};
    assert_int_equal(thermal_steady(&coil, &supply, 20.0, &steady, &st), STATUS_OK);
    assert_int_equal(
        thermal_time_to(&coil, &supply, 20.0, 20.0, steady.temperature.value + 0.01, &t, &st),
        STATUS_OK);
    assert_true(isinf(t.value));
    assert_int_equal(
        thermal_time_to(&coil, &supply, 20.0, 20.0, 20.0 + 0.5 * steady.rise.value, &t, &st),
        STATUS_OK);
    /* First order says tau ln 2; convection that stiffens with the rise makes it somewhat less or
     * more, never by a third. */
    first = steady.tau_s * log(2.0);
    near(t.value, first, 0.33 * first);
    assert_true(t.low < t.value && t.value < t.high);
    assert_int_equal(thermal_time_to(&coil, &supply, 20.0, 30.0, 25.0, &t, &st), STATUS_OK);
    near(t.value, 0.0, 0.0);
}

/* Hotter air, more volts, less surface and more duty never make a cooler coil: 2000 random coils.
 */
static void test_monotone(void **state)
{
    uint64_t seed = 88172645463325252ULL;
    struct status st;

    (void)state;
    for (int i = 0; i < 2000; i++) {
        double draw[6];
        struct thermal_coil coil = signal_coil();
        struct thermal_supply supply = {.source_ohm = 1.3, .ampere = NAN};
        struct thermal_steady a, b;

        for (int k = 0; k < 6; k++) {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            draw[k] = (double)(seed >> 11) / 9007199254740992.0;
        }
        coil.ohm = exp(8.0 * draw[0] - 2.0);
        coil.surface_m2 = exp(-9.0 + 5.0 * draw[1]);
        coil.depth_m = draw[2] < 0.3 ? NAN : 0.03 * draw[2];
        supply.volt = sqrt(coil.ohm * coil.surface_m2 * 2000.0 * draw[3]);
        supply.duty = 0.2 + 0.7 * draw[4];
        assert_int_equal(thermal_steady(&coil, &supply, 50.0 * draw[5], &a, &st), STATUS_OK);
        assert_true(isfinite(a.temperature.low) && isfinite(a.tau_s) && a.tau_s > 0.0);
        assert_true(a.temperature.low <= a.temperature.value);
        assert_true(a.temperature.value <= a.temperature.high);
        supply.duty += 0.1;
        assert_int_equal(thermal_steady(&coil, &supply, 50.0 * draw[5], &b, &st), STATUS_OK);
        assert_true(b.temperature.value >= a.temperature.value - 1e-6);
        supply.volt *= 1.1;
        assert_int_equal(thermal_steady(&coil, &supply, 50.0 * draw[5], &a, &st), STATUS_OK);
        assert_true(a.temperature.value >= b.temperature.value - 1e-6);
        coil.surface_m2 *= 0.9;
        assert_int_equal(thermal_steady(&coil, &supply, 50.0 * draw[5], &b, &st), STATUS_OK);
        assert_true(b.temperature.value >= a.temperature.value - 1e-6);
    }
}

/* Uncertainty of the temperature: 0.1 % of 100 ohm warm is 0.32 K (computed from the formula). */
static void test_uncertainty(void **state)
{
    struct thermal_interval t;
    struct status st;

    (void)state;
    assert_int_equal(
        thermal_from_resistance_u(THERMAL_COPPER, 80.0, 0.0, 20.0, 0.0, 100.0, 0.1, &t, &st),
        STATUS_OK);
    /* 318.75 x 0.001 from the reading, 0.25 x 0.5/sqrt 3 from k. */
    near(t.high - t.value, 2.0 * hypot(0.31875, 0.25 * 0.5 / sqrt(3.0)), 1e-9);
    near(t.value - t.low, t.high - t.value, 1e-9);
    /* The interval holds the answer with the other k. */
    assert_true(t.low < 83.625 && 83.625 < t.high);
}

static void test_spike(void **state)
{
    struct thermal_switch_off off = {.henry = 0.2385,
                                     .ampere = 0.176,
                                     .ohm = 17.0,
                                     .supply_v = 3.0,
                                     .stray_f = NAN,
                                     .diode_v = 0.7,
                                     .release_a = 0.04};
    struct thermal_spike spike;
    struct status st;
    double wider;

    (void)state;
    assert_int_equal(thermal_spike(&off, &spike, &st), STATUS_OK);
    near(spike.energy_j, 0.5 * 0.2385 * 0.176 * 0.176, 1e-12);
    near(spike.diode_v.value, 3.7, 1e-12);
    /* Lossless exchange of energy: L I^2 = C V^2 at the least capacitance is the most there is. */
    near(0.5 * 20e-12 * pow(spike.bare_v.high - 3.0, 2), spike.energy_j, 1e-9 * spike.energy_j);
    assert_true(spike.bare_v.low > 100.0 && spike.bare_v.low <= 303.0);
    assert_true(spike.shock);
    /* R-L decay with a constant drop, closed form; slower than without. */
    near(spike.diode_release_s.value,
         0.2385 / 17.0 * log((0.176 + 0.7 / 17.0) / (0.04 + 0.7 / 17.0)), 1e-12);
    assert_true(spike.bare_release_s.high < spike.diode_release_s.low);
    wider = spike.bare_v.high - spike.bare_v.low;
    off.stray_f = 150e-12;
    assert_int_equal(thermal_spike(&off, &spike, &st), STATUS_OK);
    assert_true(spike.bare_v.high - spike.bare_v.low < wider);
    off.ampere = 0.0;
    assert_int_equal(thermal_spike(&off, &spike, &st), STATUS_OK);
    near(spike.bare_v.high, 3.0, 0.0);
    assert_false(spike.shock);
    off.release_a = NAN;
    assert_int_equal(thermal_spike(&off, &spike, &st), STATUS_OK);
    assert_true(isnan(spike.diode_release_s.value));
}

static void refused(enum status_code code, const struct status *st, const char *word)
{
    assert_int_equal(code, STATUS_INPUT);
    if (!strstr(st->text, word))
        fail_msg("'%s' does not name '%s'", st->text, word);
}

static void test_bad_input(void **state)
{
    struct thermal_supply supply = {.volt = 3.0, .ampere = NAN, .duty = 1.0};
    struct thermal_switch_off off = {
        .henry = NAN, .ampere = 1, .ohm = 1, .stray_f = NAN, .diode_v = NAN, .release_a = NAN};
    struct thermal_coil coil = signal_coil();
    struct thermal_steady steady;
    struct thermal_interval t;
    struct thermal_spike spike;
    enum thermal_danger danger;
    struct status st;
    char text[8];
    double x;

    (void)state;
    refused(thermal_resistance_at(THERMAL_COPPER, NAN, 20, 30, &x, &st), &st, "resistance");
    refused(thermal_resistance_at(THERMAL_COPPER, 17, 20, 500, &x, &st), &st, "500");
    refused(thermal_resistance_at((enum thermal_metal)7, 17, 20, 30, &x, &st), &st, "metal");
    refused(thermal_from_resistance(THERMAL_COPPER, 17, 20, 60, &x, &st), &st, "bad joint");
    refused(thermal_from_resistance(THERMAL_COPPER, 17, 20, -1, &x, &st), &st, "warm resistance");
    refused(thermal_rise(THERMAL_COPPER, 17, 20, 18, INFINITY, &x, &st), &st, "coolant");
    refused(thermal_adiabatic_rate(THERMAL_COPPER, -1, 20, &x, &st), &st, "current density");
    refused(thermal_adiabatic_after(THERMAL_COPPER, 1e8, 20, 1e6, &x, &st), &st, "400");
    refused(thermal_adiabatic_time(THERMAL_COPPER, 1e8, 30, 20, &x, &st), &st, "below");
    refused(thermal_film(NAN, 20, 1, 1, &t, &st), &st, "surface temperature");
    supply.ampere = 1.0;
    refused(thermal_steady(&coil, &supply, 20, &steady, &st), &st, "exactly one");
    supply.ampere = NAN;
    supply.duty = 1.5;
    refused(thermal_steady(&coil, &supply, 20, &steady, &st), &st, "duty");
    supply.duty = 1.0;
    coil.surface_m2 = 0.0;
    refused(thermal_steady(&coil, &supply, 20, &steady, &st), &st, "surface");
    coil = signal_coil();
    refused(thermal_time_to(&coil, &supply, 20, 20, NAN, &t, &st), &st, "limit");
    refused(thermal_verdict(&coil, &supply, 20, NULL, &danger, text, sizeof text, &st), &st,
            "material");
    refused(thermal_spike(&off, &spike, &st), &st, "inductance");
    off.henry = 0.1;
    off.diode_v = -1.0;
    refused(thermal_spike(&off, &spike, &st), &st, "diode");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_worked_rise),
        cmocka_unit_test(test_coefficient),
        cmocka_unit_test(test_adiabatic_constants),
        cmocka_unit_test(test_classes),
        cmocka_unit_test(test_film),
        cmocka_unit_test(test_steady),
        cmocka_unit_test(test_time_to),
        cmocka_unit_test(test_monotone),
        cmocka_unit_test(test_uncertainty),
        cmocka_unit_test(test_spike),
        cmocka_unit_test(test_bad_input),
    };

    gsl_set_error_handler_off();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
