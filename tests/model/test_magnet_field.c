/* The network against a general field solver (gmsh and getdp, tests/published/field): U magnets
 * with gaps from 0.05 to 5 mm, aiding and cancelling, saturated and not. The pull must agree within
 * 10 % for gaps below a quarter of the pole's diameter, 25 % beyond. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/model/magnet.h"

#define FOLDER TEST_SOURCE_DIR "/tests/published/field/"

struct field_case {
    char name[16], curve[40];
    double d, s, l, gap, kl, kw, kt, yl, yw, yt, ni;
    int aiding;
    double pull, linkage, top, bottom, keeper, yoke; /* of the field solver */
};

static int read_cases(struct field_case *list, int most)
{
    char line[512], name[16];
    FILE *f = fopen(FOLDER "cases.txt", "r");
    int n = 0, i;

    assert_non_null(f);
    while (n < most && fgets(line, sizeof line, f)) {
        struct field_case *c = &list[n];

        if (sscanf(line, "%15s %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %d %39s", c->name, &c->d,
                   &c->s, &c->l, &c->gap, &c->kl, &c->kw, &c->kt, &c->yl, &c->yw, &c->yt, &c->ni,
                   &c->aiding, c->curve) == 14 &&
            c->name[0] != '#') {
            c->pull = NAN;
            n++;
        }
    }
    fclose(f);
    f = fopen(FOLDER "results.txt", "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        double v[6];

        if (sscanf(line, "%15s %lf %lf %lf %lf %lf %lf", name, &v[0], &v[1], &v[2], &v[3], &v[4],
                   &v[5]) != 7)
            continue;
        for (i = 0; i < n; i++) {
            struct field_case *c = &list[i];

            if (strcmp(name, c->name) == 0) {
                c->pull = v[0];
                c->linkage = v[1];
                c->top = v[2];
                c->bottom = v[3];
                c->keeper = v[4];
                c->yoke = v[5];
            }
        }
    }
    fclose(f);
    return n;
}

static void test_against_field_solver(void **state)
{
    struct field_case list[100];
    struct magnet_workspace *w = magnet_workspace_create();
    int n = read_cases(list, 100), i, k, outside = 0, small = 0, cancelling = 0, saturated = 0;
    double sum = 0;

    (void)state;
    assert_non_null(w);
    assert_true(n >= 12);
    printf(
        "case  gap/D  S/D  sense  pull N   field N   ratio  linkage  limb foot  keeper  B max T\n");
    for (i = 0; i < n; i++) {
        const struct field_case *c = &list[i];
        struct magnet m = {.form = MAGNET_U, .spacing = c->s * 1e-3};
        double current[2] = {c->ni / 1000, (c->aiding ? 1 : -1) * c->ni / 1000};
        double ratio, linkage, band = c->gap < 0.25 * c->d ? 0.10 : 0.25;
        struct magnet_result r;
        struct iron *iron;
        struct status st;

        if (!isfinite(c->pull))
            fail_msg("no result is kept for case %s", c->name);
        assert_int_equal(iron_create(c->curve, &iron, NULL), STATUS_OK);
        for (k = 0; k < 2; k++) {
            m.limb[k] = (struct magnet_limb){.section = {MAGNET_ROUND, c->d * 1e-3, 0},
                                             .length = c->l * 1e-3,
                                             .turns = 1000,
                                             .iron = iron};
            m.gap[k] = c->gap * 1e-3;
        }
        m.keeper = (struct magnet_keeper){.present = true,
                                          .length = c->kl * 1e-3,
                                          .width = c->kw * 1e-3,
                                          .thickness = c->kt * 1e-3};
        m.yoke = (struct magnet_yoke){
            .length = c->yl * 1e-3, .width = c->yw * 1e-3, .thickness = c->yt * 1e-3};
        if (magnet_solve(w, &m, current, &r, &st))
            fail_msg("%s: %s", c->name, st.text);
        ratio = r.pull / c->pull;
        linkage = (r.linkage[0] * current[0] + r.linkage[1] * current[1]) / c->linkage;
        printf("%-5s %5.3f %5.2f  %-6s %8.4g %8.4g  %6.3f%s %6.3f %9.3f %9.3f %7.2f\n", c->name,
               c->gap / c->d, c->s / c->d, c->aiding ? "aid" : "cancel", r.pull, c->pull, ratio,
               fabs(ratio - 1) > band ? "*" : " ", linkage, r.flux[MAGNET_LIMB1_FOOT] / c->bottom,
               c->aiding ? r.flux[MAGNET_KEEPER] / c->keeper : NAN, r.b_max[0]);
        outside += fabs(ratio - 1) > band;
        small += c->gap < 0.25 * c->d;
        cancelling += !c->aiding;
        saturated += r.b_max[0] > 1.7;
        sum += (ratio - 1) * (ratio - 1);
        assert_true(fabs(linkage - 1) < 0.12);
        iron_free(iron);
    }
    printf("%d cases, %d outside the bands, root mean square %.3f\n", n, outside, sqrt(sum / n));
    assert_true(small >= 6 && cancelling >= 4 && saturated >= 3);
    assert_int_equal(outside, 0);
    magnet_workspace_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_against_field_solver),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
