#include "analyze/model/solenoid.h"

#include <gsl/gsl_sf_ellint.h>
#include <math.h>

#define MU0 1.25663706212e-6

/* Layers a winding is cut into: each thin against its radius. */
#define LAYERS 4

/* Nagaoka's coefficient: inductance of a current sheet over mu0 N^2 pi a^2 / l. */
static double sheet(double radius, double length)
{
    double d = 2.0 * radius, k2 = d * d / (d * d + length * length), k = sqrt(k2);
    double kp2 = 1.0 - k2, kp = sqrt(kp2);
    double big_k = gsl_sf_ellint_Kcomp(k, GSL_PREC_DOUBLE);
    double big_e = gsl_sf_ellint_Ecomp(k, GSL_PREC_DOUBLE);

    if (length > 200.0 * radius) /* the closed form loses its digits; the series does not */
        return 1.0 - 8.0 * radius / (3.0 * M_PI * length);
    return 4.0 / (3.0 * M_PI * kp) * (kp2 / k2 * (big_k - big_e) + big_e - k);
}

/* B_s of Rosa and Grover by length / height: what the corners of a flat section take. */
static double corner(double ratio)
{
    static const double at[] = {1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30};
    static const double value[] = {.0000, .1202, .1753, .2076, .2292, .2446,
                                   .2656, .2792, .2988, .3099, .3239};
    int i = 0;

    if (ratio <= 1.0)
        return 0.0;
    if (ratio >= 30.0)
        return 0.3239;
    while (ratio > at[i + 1])
        i++;
    return value[i] + (ratio - at[i]) / (at[i + 1] - at[i]) * (value[i + 1] - value[i]);
}

/* Maxwell's mutual inductance of two coaxial circles (Treatise, art. 701). */
static double circles(double a, double b, double z)
{
    double k = sqrt(4.0 * a * b / ((a + b) * (a + b) + z * z));

    return MU0 * sqrt(a * b) *
           ((2.0 / k - k) * gsl_sf_ellint_Kcomp(k, GSL_PREC_SINGLE) -
            2.0 / k * gsl_sf_ellint_Ecomp(k, GSL_PREC_SINGLE));
}

/* Mutual inductance of two current sheets of one turn each, same length, radii a and b: the mean of
 * their circles'. Simpson's rule in the root of the distance, where the near ones lie closest. */
static double sheets(double a, double b, double length)
{
    const int n = 16;
    double sum = 0.0;

    for (int i = 1; i <= n; i++) {
        double t = (double)i / n, weight = i == n ? 1.0 : i % 2 ? 4.0 : 2.0;

        sum += weight * 4.0 * t * (1.0 - t * t) * circles(a, b, length * t * t);
    }
    return sum / (3.0 * n);
}

/* A thin layer of one turn. */
static double layer(double radius, double length, double height)
{
    return MU0 * (M_PI * radius * radius / length * sheet(radius, length) -
                  radius * height / length * (0.6931 + corner(length / fmax(height, 1e-12))));
}

double solenoid_inductance(double mean_radius, double length, double height, double turns)
{
    double h = height / LAYERS, sum = 0.0;

    if (!(mean_radius > 0.0 && length > 0.0 && height >= 0.0 && height < 2.0 * mean_radius &&
          isfinite(length) && isfinite(turns)))
        return NAN;
    if (height < 0.02 * mean_radius)
        return turns * turns * layer(mean_radius, length, height);
    for (int i = 0; i < LAYERS; i++) {
        double a = mean_radius + ((i + 0.5) / LAYERS - 0.5) * height;

        sum += layer(a, length, h);
        for (int j = 0; j < i; j++)
            sum += 2.0 * sheets(a, mean_radius + ((j + 0.5) / LAYERS - 0.5) * height, length);
    }
    return turns * turns * sum / (LAYERS * LAYERS);
}

double solenoid_end_field(double mean_radius, double length, double ampere_turns)
{
    return MU0 * ampere_turns / (2.0 * hypot(length, mean_radius));
}
