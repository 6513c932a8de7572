/* A measured magnet, from 8 N to 80 N, into saturation: TEAM Workshop problem 20 (Takahashi,
 * Nakata, Morishige, IEEE Trans. Magn. 30(5) (1994) 3483; force, flux densities and steel from
 * secondary copies). A pole of 25 x 10 mm stands in a frame, 1.5 mm above its floor and with its
 * top at the lower edge of a hole 27 mm wide. Same iron, network and permeances as every other
 * magnet here, no fitted constant. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/model/circuit.h"
#include "analyze/model/permeance.h"

#define CUTS 11

struct answer {
    double force, pole, yoke, gap;
};

/* The flux across a wedge of air at a right angle runs in quarter circles. At radius r the pole, 10
 * mm deep, stands over the frame, 25 mm deep, like a face over a plane at the gap pi r / 2 that
 * reaches 7.5 mm beyond each of its edges, with flanks half the pole's 25 mm high: so deep it
 * counts as. */
static double depth_at(double r)
{
    double gap = M_PI_2 * r;
    struct permeance_flank flank = permeance_flank(gap, 12.5e-3);

    return 10e-3 +
           2 * gap / IRON_MU0 *
               (permeance_face_edge(gap, 7.5e-3).value + permeance_edge(&flank, 7.5e-3).value);
}

/* Permeance of one such wedge between the radii a and b. */
static double wedge(double a, double b)
{
    double sum = 0;
    int i;

    for (i = 0; i < 20; i++)
        sum += depth_at(a * pow(b / a, (i + 0.5) / 20)) * log(b / a) / 20;
    return IRON_MU0 * 2 / M_PI * sum;
}

static struct answer solve(struct circuit *c, const struct iron *steel, double ni)
{
    /* heights above the pole's lower face */
    static const double cut[CUTS] = {0,     2.5e-3,  8e-3,    20e-3, 35e-3,  50e-3,
                                     65e-3, 78.5e-3, 90.5e-3, 96e-3, 98.5e-3};
    const double gap = 1.5e-3, along_x = 25e-3, along_y = 10e-3, section = along_x * along_y;
    const double length = 98.5e-3, coil_low = 0.2e-3, coil_high = 96.8e-3;
    /* the pole beside the two limbs of the frame, 51 mm from middle to middle, in plane field */
    const double limb = permeance_bar_radius(25e-3, 25e-3);
    const double beside =
        2 * M_PI * IRON_MU0 /
        (log(51e-3 / permeance_bar_radius(along_x, along_y)) + 0.5 * log(51e-3 / (2 * limb)));
    struct permeance face = {IRON_MU0 * section / gap, -IRON_MU0 * section / (gap * gap)}, low, top;
    /* nodes: 0 lower face, 1 to CUTS - 1 segments, CUTS upper face, then floor and roof of the
     * frame */
    const int floor_node = CUTS + 1, roof_node = CUTS + 2;
    double slope[CUTS + 1] = {0}, area = 2 * 25e-3 * 25e-3, greatest = 0, force = 0;
    struct answer a;
    struct status st;
    int i, side;

    circuit_clear(c, CUTS + 3);
    circuit_air(c, roof_node, CIRCUIT_SPACE, 1e-6);
    for (i = 0; i <= CUTS - 1; i++) {
        double from = i ? 0.5 * (cut[i - 1] + cut[i]) : 0;
        double to = i < CUTS - 1 ? 0.5 * (cut[i] + cut[i + 1]) : length;
        double turns = fmax(fmin(to, coil_high) - fmax(from, coil_low), 0) / (coil_high - coil_low);

        circuit_iron(c, i, i + 1, steel, 1, section, to - from, ni * turns);
    }
    /* from the pole's foot through a half floor, a limb and a half roof, twice side by side */
    circuit_iron(c, roof_node, floor_node, steel, 1, area, 45e-3 + 125e-3 + 37e-3, 0);
    /* lower gap: edges along y face the long floor, edges along x a floor that ends 7.5 mm on */
    for (side = 0; side < 2; side++) {
        double edge = 2 * (side ? along_x : along_y), overhang = side ? 7.5e-3 : 26e-3;
        struct permeance rim = permeance_face_edge(gap, overhang);

        face.value += edge * rim.value;
        face.slope += edge * rim.slope;
        low = (struct permeance){0, 0};
        for (i = 0; i < 3; i++) {
            struct permeance_flank flank = permeance_flank(gap, cut[i + 1]);
            struct permeance p = permeance_edge(&flank, overhang);

            circuit_air(c, i + 1, floor_node, edge * (p.value - low.value));
            slope[i + 1] += edge * (p.slope - low.slope);
            low = p;
        }
    }
    circuit_air(c, 0, floor_node, face.value);
    /* upper gap: two edges step past the rim of the hole, 1 mm aside and level */
    top = permeance_step(1e-3, 0, 2e-3, 2e-3);
    top.value *= 2 * depth_at(1e-3);
    top.slope *= 2 * depth_at(1e-3);
    circuit_air(c, CUTS, roof_node, top.value + 2 * wedge(2e-3, 2.5e-3) + 2 * wedge(2e-3, 12.5e-3));
    circuit_air(c, CUTS - 2, roof_node, 2 * wedge(2.5e-3, 8e-3));
    circuit_air(c, CUTS - 3, roof_node, 2 * wedge(8e-3, 20e-3));
    for (i = 1; i < CUTS; i++)
        circuit_air(c, i, i <= CUTS / 2 ? floor_node : roof_node, beside * (cut[i] - cut[i - 1]));
    if (circuit_solve(c, &st))
        fail_msg("%s", st.text);
    for (i = 0; i < CUTS; i++)
        greatest = fmax(greatest, fabs(c->branch[i].b));
    for (i = 0; i <= 3; i++) {
        double u = c->u[i] - c->u[floor_node];

        force -= 0.5 * u * u * (i ? slope[i] : face.slope);
    }
    {
        double u = c->u[CUTS] - c->u[roof_node];

        force += 0.5 * u * u * top.slope;
    }
    a.force = force;
    a.pole = greatest;
    a.yoke = fabs(c->branch[CUTS].b);
    a.gap = IRON_MU0 * fabs(c->u[0] - c->u[floor_node]) / gap;
    return a;
}

static void test_measured_force(void **state)
{
    static const double measured[4][5] = {{1000, 8.1, 0.72, 0.13, 0.36},
                                          {3000, 54.4, 1.75, 0.36, 0.84},
                                          {4500, 75.0, 2.01, 0.43, 0.99},
                                          {5000, 80.1, 2.05, 0.46, 1.03}};
    struct iron *steel;
    struct circuit *c = test_malloc(sizeof *c);
    int i;

    (void)state;
    assert_int_equal(iron_create("low-carbon-steel", &steel, NULL), STATUS_OK);
    assert_int_equal(circuit_open(c, NULL), STATUS_OK);
    printf("ampere-turns  force N measured ratio   pole T  ratio   yoke T  ratio   gap T  ratio\n");
    for (i = 0; i < 4; i++) {
        const double *m = measured[i];
        struct answer a = solve(c, steel, m[0]);

        printf("%8.0f %12.2f %8.1f %6.3f %8.3f %6.3f %8.3f %6.3f %7.3f %6.3f\n", m[0], a.force,
               m[1], a.force / m[1], a.pole, a.pole / m[2], a.yoke, a.yoke / m[3], a.gap,
               a.gap / m[4]);
        assert_true(fabs(a.force / m[1] - 1) < 0.15);
        assert_true(fabs(a.pole / m[2] - 1) < 0.1);
        assert_true(fabs(a.yoke / m[3] - 1) < 0.15);
        assert_true(fabs(a.gap / m[4] - 1) < 0.1);
    }
    circuit_close(c);
    test_free(c);
    iron_free(steel);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_measured_force),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
