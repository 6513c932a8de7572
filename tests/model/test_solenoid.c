/* Air-cored coils against Maxwell's mutual inductance of coaxial circles (elliptic integrals by
 * GSL) summed over the filaments of the winding, and against the long coil. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_sf_ellint.h>
#include <math.h>
#include <stdio.h>

#include "analyze/model/solenoid.h"

#define MU0 1.25663706212e-6

/* Maxwell, A Treatise on Electricity and Magnetism, art. 701. */
static double mutual(double a, double b, double z)
{
    double m = 4.0 * a * b / ((a + b) * (a + b) + z * z), k = sqrt(m);

    return MU0 * sqrt(a * b) *
           ((2.0 / k - k) * gsl_sf_ellint_Kcomp(k, GSL_PREC_DOUBLE) -
            2.0 / k * gsl_sf_ellint_Ecomp(k, GSL_PREC_DOUBLE));
}

/* One turn spread over the section in nz x nr small squares, each with the geometric mean distance
 * of a square from itself, 0.44705 of its side. */
static double summed(double radius, double length, double height, int nz, int nr)
{
    double sum = 0.0, side = sqrt(length / nz * height / nr);

    for (int i = 0; i < nz; i++)
        for (int j = 0; j < nr; j++)
            for (int k = 0; k < nz; k++)
                for (int l = 0; l < nr; l++) {
                    double a = radius + ((j + 0.5) / nr - 0.5) * height;
                    double b = radius + ((l + 0.5) / nr - 0.5) * height;
                    double z = (i - k) * length / nz;

                    sum += i == k && j == l ? mutual(a, a, 0.44705 * side) : mutual(a, b, z);
                }
    return sum / ((double)nz * nr * nz * nr);
}

static void filaments(void **state)
{
    static const struct {
        double radius, length, height;
        int nz, nr;
        double within;
    } rows[] = {
        {7.2e-3, 37e-3, 1.5e-3, 74, 3, 0.01}, {7.2e-3, 20e-3, 5e-3, 40, 10, 0.01},
        {11e-3, 11e-3, 4.4e-3, 40, 16, 0.01}, {9e-3, 60e-3, 3e-3, 80, 4, 0.01},
        {12e-3, 8e-3, 8e-3, 24, 24, 0.01},    {12e-3, 6e-3, 12e-3, 16, 32, 0.02},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double truth =
            summed(rows[i].radius, rows[i].length, rows[i].height, rows[i].nz, rows[i].nr);
        double ours = solenoid_inductance(rows[i].radius, rows[i].length, rows[i].height, 1.0);

        printf("radius %.1f, length %.0f, height %.1f mm: %.5g nH a turn squared, filaments %.5g "
               "(%+.2f %%)\n",
               rows[i].radius * 1e3, rows[i].length * 1e3, rows[i].height * 1e3, ours * 1e9,
               truth * 1e9, (ours / truth - 1.0) * 100.0);
        assert_true(fabs(ours / truth - 1.0) < rows[i].within);
    }
}

/* Nagaoka's coefficient at diameter = length: 0.688423 (from memory); long coil: mu0 N^2 A / l. */
static void limits(void **state)
{
    double a = 13e-3, area = M_PI * a * a;

    (void)state;
    assert_true(fabs(solenoid_inductance(a, 2.0 * a, 1e-9, 1.0) / (MU0 * area / (2.0 * a)) -
                     0.688423) < 2e-6);
    assert_true(fabs(solenoid_inductance(a, 150.0 * a, 1e-9, 3.0) /
                         (9.0 * MU0 * area / (150.0 * a)) / (1.0 - 8.0 / (3.0 * M_PI * 150.0)) -
                     1.0) < 1e-4);
    /* at the end of a long coil half of mu0 n I */
    assert_true(fabs(solenoid_end_field(1e-3, 1.0, 100.0) / (0.5 * MU0 * 100.0) - 1.0) < 1e-5);
    assert_true(isnan(solenoid_inductance(-1.0, 1.0, 0.1, 1.0)));
    assert_true(isnan(solenoid_inductance(1.0, NAN, 0.1, 1.0)));
    assert_true(isnan(solenoid_inductance(1.0, 1.0, 3.0, 1.0)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(filaments), cmocka_unit_test(limits)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
