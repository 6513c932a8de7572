/* The forward model against a general field solver (gmsh and getdp, tests/published/field) on
 * magnets drawn by chance: limbs round, rectangular and stadium, bent or on a yoke with or without
 * a joint, bars, shoes, keepers of any size, unequal windings, aiding, cancelling, keeper on and
 * away. They go the way of a design file: struct design, coil_forward(). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/model/coil.h"
#include "analyze/model/input.h"

#define FOLDER TEST_SOURCE_DIR "/tests/published/field/"
#define MOST   64
#define TURNS  1000.0

enum {
    W,
    D,
    L,
    S,
    GAP,
    JOINT,
    KL,
    KW,
    KT,
    YL,
    YW,
    YT,
    PW,
    PD,
    ST,
    WOUND,
    WRAP,
    HEIGHT,
    NIA,
    NIB,
    NUMBERS
};

/* What the field solver gave, for one sense and with the keeper on or away. */
struct answer {
    bool there;
    double pull, linkage, linkage_a, face, top, middle, bottom, keeper, yoke;
};

struct drawn {
    char name[16], form[16], outline[16], curve[40];
    double v[NUMBERS];
    struct answer answer[2][2]; /* cancelling; keeper away */
};

static int read_cases(struct drawn *list)
{
    char line[1024], sense[16], keeper[16], name[16];
    FILE *f = fopen(FOLDER "drawn.txt", "r");
    int n = 0;

    assert_non_null(f);
    while (n < MOST && fgets(line, sizeof line, f)) {
        struct drawn *c = &list[n];
        double *v = c->v;

        memset(c, 0, sizeof *c);
        if (line[0] != '#' &&
            sscanf(line,
                   "%15s %15s %15s %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf "
                   "%lf %lf %lf %lf %39s",
                   c->name, c->form, c->outline, v, v + 1, v + 2, v + 3, v + 4, v + 5, v + 6, v + 7,
                   v + 8, v + 9, v + 10, v + 11, v + 12, v + 13, v + 14, v + 15, v + 16, v + 17,
                   v + 18, v + 19, c->curve) == 24)
            n++;
    }
    fclose(f);
    f = fopen(FOLDER "drawn-results.txt", "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        struct answer a = {.there = true};

        if (sscanf(line, "%15s %15s %15s %lf %lf %lf %lf %lf %lf %lf %lf %lf", name, sense, keeper,
                   &a.pull, &a.linkage, &a.linkage_a, &a.face, &a.top, &a.middle, &a.bottom,
                   &a.keeper, &a.yoke) != 12)
            continue;
        for (int i = 0; i < n; i++)
            if (strcmp(list[i].name, name) == 0)
                list[i].answer[strcmp(sense, "cancel") == 0][strcmp(keeper, "off") == 0] = a;
    }
    fclose(f);
    return n;
}

static struct amount mm(double v)
{
    return v > 0 ? amount_of(v * 1e-3, 0.0) : amount_none();
}

static struct design design_of(const struct drawn *c, bool cancelling)
{
    const double *v = c->v;
    struct design d;
    struct status st;

    design_init(&d);
    snprintf(d.name, sizeof d.name, "%.15s", c->name);
    if (design_form_from_text(c->form, &d.core.form, &st) ||
        design_shape_from_text(c->outline, &d.core.limb.shape, &st))
        fail_msg("%s: %s", c->name, st.text);
    d.core.limb.width = mm(v[W]);
    d.core.limb.depth = mm(v[D]);
    d.core.limb_length = mm(v[L]);
    d.core.spacing = mm(v[S]);
    d.core.gap = mm(v[GAP]);
    d.core.roughness = amount_of(0.0, 0.0);
    d.core.joint_gap = amount_of(v[JOINT] * 1e-3, 0.0);
    if (v[KL] > 0) {
        d.core.keeper = (struct design_section){DESIGN_RECTANGULAR, mm(v[KW]), mm(v[KT])};
        d.core.keeper_length = mm(v[KL]);
    }
    if (v[YL] > 0) {
        d.core.yoke = (struct design_section){DESIGN_RECTANGULAR, mm(v[YW]), mm(v[YT])};
        d.core.yoke_length = mm(v[YL]);
    }
    if (v[PW] != v[W]) {
        d.core.pole_width = mm(v[PW]);
        d.core.pole_depth = mm(v[PD]);
    }
    snprintf(d.core.iron, sizeof d.core.iron, "%.31s", c->curve);
    /* such a wire that the limb with the more turns is filled to the height that was solved */
    d.winding.layers = DESIGN_SCRAMBLE;
    d.winding.fill = amount_of(0.5, 0.0);
    if (wire_make(&d.winding.wire, WIRE_COPPER, WIRE_DIAMETER, 0,
                  sqrt(0.5 * v[WOUND] * v[HEIGHT] / (M_PI / 4 * TURNS)) * 1e-3, 1, WIRE_BARE, &st))
        fail_msg("%s: %s", c->name, st.text);
    d.winding.turns[0] = amount_of(TURNS, 0.0);
    d.winding.turns[1] = amount_of(v[NIA] > 0 ? TURNS * v[NIB] / v[NIA] : 0, 0.0);
    d.winding.wound_length = mm(v[WOUND]);
    d.winding.wrap = mm(v[WRAP]);
    d.winding.sense = cancelling ? DESIGN_CANCELLING : DESIGN_AIDING;
    return d;
}

/* What a prediction says of the network itself, as a limit. */
static double stated_limit(const struct coil *coil, const struct coil_conditions *k)
{
    struct input inputs[INPUT_LIST_MAX];
    size_t n = input_list(coil, k, inputs);

    for (size_t i = 0; i < n; i++)
        if (inputs[i].specimen_offset == offsetof(struct coil_specimen, model))
            return sqrt(3) * inputs[i].u;
    fail_msg("no uncertainty of the magnet model is stated");
    return NAN;
}

static void test_drawn(void **state)
{
    static struct drawn list[MOST];
    int n = read_cases(list), outside = 0, pulls = 0, uncovered = 0, alike = 0, aiding_outside = 0,
        beyond = 0;
    double sum = 0, worst_linkage = 0;

    (void)state;
    printf("case form  outline     gap/W S/W  sense  pull N   field N  ratio   band | linkage on, "
           "away "
           "| face  limb  yoke  keeper leak(field) B max T\n");
    for (int i = 0; i < n; i++) {
        const struct drawn *c = &list[i];
        double size = sqrt(c->v[W] * c->v[D]), band = c->v[GAP] < 0.25 * size ? 0.10 : 0.25;

        for (int sense = 0; sense < 2; sense++) {
            const struct answer *on = &c->answer[sense][0], *off = &c->answer[sense][1];
            struct design d = design_of(c, sense);
            struct coil *coil;
            struct coil_specimen s;
            struct coil_conditions k;
            struct coil_observables o, low, high;
            struct status st;
            double ratio = NAN, l_on = NAN, l_off = NAN, face = NAN, limb = NAN, yoke = NAN,
                   keeper = NAN, leak = NAN, amps = c->v[NIA] / TURNS, limit, greatest;

            bool covered = true;

            if (!on->there && !off->there)
                continue;
            if (coil_new(&d, &coil, &st))
                fail_msg("%s: %s", c->name, st.text);
            coil_specimen_nominal(coil, &s);
            coil_conditions_nominal(coil, &k);
            k.voltage = NAN;
            k.current = amps;
            if (coil_forward(coil, &s, &k, COIL_ALL, &o, &st))
                fail_msg("%s: %s", c->name, st.text);
            limit = stated_limit(coil, &k);
            s.model = 1 - limit;
            if (coil_forward(coil, &s, &k, COIL_ALL, &low, &st))
                fail_msg("%s: %s", c->name, st.text);
            s.model = 1 + limit;
            if (coil_forward(coil, &s, &k, COIL_ALL, &high, &st))
                fail_msg("%s: %s", c->name, st.text);
            if (off->there)
                l_off = o.linkage_off * amps * amps / off->linkage;
            if (on->there) {
                double area =
                    d.core.limb.shape == DESIGN_ROUND ? M_PI / 4 * size * size : size * size;

                if (d.core.limb.shape == DESIGN_STADIUM)
                    area -= (1 - M_PI / 4) * c->v[D] * c->v[D];
                ratio = o.y[COIL_PULL] / on->pull;
                l_on = o.linkage_on * amps * amps / on->linkage;
                face = o.y[COIL_FLUX_A] / on->face;
                greatest = fmax(fmax(fabs(on->top), fabs(on->middle)), fabs(on->bottom));
                limb = o.y[COIL_B_LIMB] * area * 1e-6 / greatest;
                yoke = o.y[COIL_B_YOKE] * c->v[YW] * c->v[YT] * 1e-6 / fabs(on->yoke);
                if (d.core.form == DESIGN_U_BENT)
                    yoke = o.y[COIL_B_YOKE] * area * 1e-6 / fabs(on->yoke);
                keeper = o.y[COIL_B_KEEPER] * c->v[KW] * c->v[KT] * 1e-6 / fabs(on->keeper);
                if (sense && c->v[NIA] == c->v[NIB])
                    yoke = keeper = NAN;
                leak = greatest / on->face;
                pulls++;
                outside += !(fabs(ratio - 1) <= band);
                covered = on->pull >= low.y[COIL_PULL] && on->pull <= high.y[COIL_PULL];
                uncovered += !covered;
                alike += !sense;
                aiding_outside += !sense && c->v[PW] == c->v[W] && !(fabs(ratio - 1) <= band);
                sum += (ratio - 1) * (ratio - 1);
            }
            printf("%-4s %-5s %-11s %5.3f %4.2f  %-6s %8.4g %8.4g %6.3f%s %.2f | %6.3f %6.3f | "
                   "%6.3f %6.3f "
                   "%6.3f %6.3f %6.2f %5.2f\n",
                   c->name, c->form, c->outline, c->v[GAP] / size, c->v[S] / c->v[W],
                   sense ? "cancel" : "aid", o.y[COIL_PULL], on->pull, ratio,
                   isnan(ratio) || fabs(ratio - 1) <= band ? " "
                   : covered                               ? "*"
                                                           : "!",
                   band, l_on, l_off, face, limb, yoke, keeper, leak, o.y[COIL_B_LIMB]);
            worst_linkage = fmax(worst_linkage, fmax(fabs(l_on - 1), fabs(l_off - 1)));
            if (on->there)
                beyond += on->linkage < low.linkage_on * amps * amps ||
                          on->linkage > high.linkage_on * amps * amps;
            if (off->there)
                beyond += off->linkage < low.linkage_off * amps * amps ||
                          off->linkage > high.linkage_off * amps * amps;
            coil_free(coil);
        }
    }
    printf("%d pulls, %d outside the bands, %d outside the stated limits, root mean square %.3f; "
           "linkage at most %.3f off\n",
           pulls, outside, uncovered, sqrt(sum / pulls), worst_linkage);
    assert_true(pulls >= 30 && alike >= 14);
    /* aiding, and bars: the bands; every pull, and flux linkage: the limits that a prediction
     * states */
    assert_int_equal(aiding_outside, 0);
    assert_int_equal(uncovered, 0);
    assert_int_equal(beyond, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drawn),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
