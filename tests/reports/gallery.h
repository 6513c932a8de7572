/* gallery: a dozen varied drawings for the tests of drawings. All data are invented. */
#ifndef TRUEWOUND_TESTS_GALLERY_H
#define TRUEWOUND_TESTS_GALLERY_H

#include "reports/coildraw.h"
#include "reports/plot.h"
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define GALLERY_PLOTS 14
#define GALLERY_MANY  200000

/* A small generator of its own, so that every machine draws the same (xorshift64*). */
static inline double gallery_random(uint64_t *state)
{
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return (double)((*state * 2685821657736338717ULL) >> 11) / 9007199254740992.0;
}

static inline struct plot *gallery_pull(double width, double height)
{
    double x[60], y[60], low[60], high[60];
    for (int i = 0; i < 60; i++) {
        x[i] = 0.2 * i / 59;
        y[i] = 28 * x[i] * x[i] / (0.006 + x[i] * x[i]) * 1.1;
        low[i] = y[i] * 0.82;
        high[i] = y[i] * 1.2;
    }
    const double hx[] = {0.06, 0.088, 0.12, 0.15}, hy[] = {6, 10.5, 15, 20};
    const double dx[] = {0.05, 0.07, 0.1}, dy[] = {11, 16, 24};
    const double mx[] = {0.176, 0.185}, my[] = {11.1, 11.1};
    struct plot *p = plot_new("Pull of the up-line signal arm magnet");
    plot_size(p, width, height);
    plot_subtitle(p, "faces touching, both limbs aiding");
    plot_axis(p, PLOT_X, "current", "A", PLOT_LINEAR);
    plot_axis(p, PLOT_Y, "pull", "N", PLOT_LINEAR);
    plot_include(p, PLOT_Y, 0);
    plot_band(p, NULL, 60, x, low, high);
    plot_line(p, "predicted", 60, x, y);
    plot_points(p, "held", CANVAS_CIRCLE, 4, hx, hy, NULL, NULL);
    plot_points(p, "dropped", CANVAS_CROSS, 3, dx, dy, NULL, NULL);
    plot_censored(p, "held more than", CANVAS_TRIANGLE, PLOT_UP, 2, mx, my);
    plot_mark(p, PLOT_Y, 4.9, "the arm needs 4.9 N");
    plot_mark(p, PLOT_X, 0.088, "one cell, 1.5 V");
    plot_note(p, "invented data");
    return p;
}

static inline struct plot *gallery_plot(int which)
{
    struct plot *p = NULL;
    uint64_t seed = 88172645463325252ULL + (unsigned)which;
    enum { N = 300 };
    double x[N], y[N], z[N], u[N];
    switch (which) {
    case 0:
        return gallery_pull(640, 400);
    case 1:
        return gallery_pull(340, 230);
    case 2: /* resistance bars */
        p = plot_new("Resistance of each limb");
        plot_axis(p, PLOT_X, "turns", "", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "resistance at 20 °C", "Ω", PLOT_LINEAR);
        for (int i = 0; i < 8; i++) {
            x[i] = 400 + 40 * i;
            y[i] = 0.0135 * x[i] + 0.2 * (gallery_random(&seed) - 0.5);
            z[i] = 0.15;
            u[i] = 8;
        }
        plot_points(p, "limb A", CANVAS_SQUARE, 4, x, y, u, z);
        plot_points(p, "limb B", CANVAS_DIAMOND, 4, x + 4, y + 4, u, z);
        return p;
    case 3: /* log-log, microhenry to henry */
        p = plot_new("Inductance against frequency");
        plot_axis(p, PLOT_X, "frequency", "Hz", PLOT_LOG);
        plot_axis(p, PLOT_Y, "inductance", "H", PLOT_LOG);
        for (int i = 0; i < 50; i++) {
            x[i] = pow(10, 1 + i * 4.5 / 49);
            y[i] = 0.14 / sqrt(1 + x[i] / 300);
            z[i] = 0.004 / sqrt(1 + x[i] / 9000);
        }
        plot_line(p, "limbs aiding", 50, x, y);
        plot_line(p, "limbs cancelling", 50, x, z);
        return p;
    case 4: /* weeks of a battery with envelope */
        p = plot_new("Battery of signal 4");
        plot_axis(p, PLOT_X, "", "", PLOT_TIME);
        plot_axis(p, PLOT_Y, "voltage", "V", PLOT_LINEAR);
        for (int i = 0; i < N; i++) {
            x[i] = 1767225600.0 + i * 86400.0 * 182 / N;
            y[i] = 1.58 - 0.0012 * i - 0.02 * gallery_random(&seed);
            z[i] = y[i] - 0.09 - 0.0004 * i;
            if (i > 140 && i < 150)
                y[i] = NAN;
        }
        plot_envelope(p, "lowest to highest of the day", N, x, z, y);
        plot_mark(p, PLOT_X, x[120], "changed");
        plot_mark(p, PLOT_X, x[128], "hard frost");
        plot_mark(p, PLOT_Y, 0.9, "end point 0.9 V");
        return p;
    case 5: /* one afternoon */
        p = plot_new("Winding warms while held on");
        plot_subtitle(p, "resistance-rise method");
        plot_axis(p, PLOT_X, "time", "", PLOT_TIME);
        plot_axis(p, PLOT_Y, "temperature", "°C", PLOT_LINEAR);
        for (int i = 0; i < 100; i++) {
            x[i] = 1767270000.0 + i * 120;
            y[i] = 21 + 37 * (1 - exp(-i / 25.0));
            z[i] = y[i] + 4;
            u[i] = y[i] - 4;
        }
        plot_band(p, "90 % of predictions", 100, x, u, z);
        plot_line(p, "predicted", 100, x, y);
        plot_steps(p, "board", 25, x, y + 3);
        return p;
    case 6: /* five lines ending at one place */
        p = plot_new("Five coils");
        plot_axis(p, PLOT_X, "time", "s", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "current", "A", PLOT_LINEAR);
        static const char *const names[] = {"coil one", "coil two", "coil three", "coil four",
                                            "coil five"};
        for (int k = 0; k < 5; k++) {
            for (int i = 0; i < N; i++) {
                x[i] = i * 0.0001;
                y[i] = 0.088 * (1 + 0.004 * k) * (1 - exp(-x[i] / (0.003 + 0.0015 * k)));
            }
            plot_line(p, names[k], N, x, y);
        }
        return p;
    case 7: /* nothing at all */
        p = plot_new("No readings yet");
        plot_axis(p, PLOT_X, "current", "A", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "pull", "N", PLOT_LINEAR);
        return p;
    case 8: /* hostile words */
        p = plot_new("<script>alert(\"1\")</script> & ]]> \x01\xff\xfe 'quoted' \\*W \\sp");
        plot_subtitle(p, "a subtitle so long that it cannot be shown in one line of any picture "
                         "of this width, however small the letters of it were made by anyone");
        plot_axis(p, PLOT_X, "current </text><rect/>", "A", PLOT_LINEAR);
        plot_axis(p, PLOT_Y,
                  "a very long name of an axis that goes on and on for more than the "
                  "width of the picture would ever allow it to",
                  "N", PLOT_LINEAR);
        x[0] = 1, x[1] = 2, y[0] = 3, y[1] = 5;
        plot_line(p,
                  "an extremely long label that must go to the key and be cut there because "
                  "it is wider than the whole of the picture is, by quite a lot of letters",
                  2, x, y);
        plot_points(p, "\xe2\x80\xae turned \x1b[31m red", CANVAS_PLUS, 2, x, y, NULL, NULL);
        plot_mark(p, PLOT_Y, 4, "<b>mark</b> & \"more\"");
        return p;
    case 9: /* tiny and negative numbers */
        p = plot_new("Drift of the meter");
        plot_axis(p, PLOT_X, "time", "s", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "drift", "V", PLOT_LINEAR);
        for (int i = 0; i < 40; i++) {
            x[i] = i * 0.5;
            y[i] = 3e-6 * sin(i / 4.0) - 1e-6;
        }
        plot_line(p, "shorted leads", 40, x, y);
        return p;
    case 10: { /* very many readings with one dip */
        double *mx = malloc(GALLERY_MANY * sizeof *mx), *my = malloc(GALLERY_MANY * sizeof *my);
        p = plot_new("A year of readings, one dip");
        plot_axis(p, PLOT_X, "", "", PLOT_TIME);
        plot_axis(p, PLOT_Y, "voltage", "V", PLOT_LINEAR);
        for (int i = 0; mx && my && i < GALLERY_MANY; i++) {
            mx[i] = 1735689600.0 + i * 150.0;
            my[i] = 1.5 - 2e-7 * i + 0.004 * (gallery_random(&seed) - 0.5);
        }
        if (mx && my) {
            my[123457] = 0.7;
            plot_line(p, "loaded", GALLERY_MANY, mx, my);
        }
        free(mx);
        free(my);
        return p;
    }
    case 11: /* many series: too many for the side */
        p = plot_new("Twenty coils of one batch");
        plot_size(p, 480, 300);
        plot_axis(p, PLOT_X, "current", "A", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "pull", "N", PLOT_LINEAR);
        for (int k = 0; k < 20; k++) {
            char name[24];
            snprintf(name, sizeof name, "coil %d", k + 1);
            for (int i = 0; i < 20; i++) {
                x[i] = i * 0.01;
                y[i] = x[i] * x[i] * (300 + 10 * k);
            }
            plot_line(p, name, 20, x, y);
        }
        return p;
    case 12: /* many marks close together */
        p = plot_new("Changes of battery");
        plot_size(p, 400, 240);
        plot_axis(p, PLOT_X, "", "", PLOT_TIME);
        plot_axis(p, PLOT_Y, "internal resistance", "Ω", PLOT_LINEAR);
        for (int i = 0; i < N; i++) {
            x[i] = 1700000000.0 + i * 86400.0 * 3;
            y[i] = 0.3 + 0.004 * (i % 60) + 0.05 * gallery_random(&seed);
        }
        plot_points(p, "each week", CANVAS_RING, N, x, y, NULL, NULL);
        for (int i = 0; i < 12; i++)
            plot_mark(p, PLOT_X, x[i * 24 + 4], i % 2 ? "changed" : "visited and cleaned");
        return p;
    default: /* one point; censored to the left and down */
        p = plot_new("Less than");
        plot_size(p, 300, 200);
        plot_axis(p, PLOT_X, "gap", "m", PLOT_LINEAR);
        plot_axis(p, PLOT_Y, "pull", "N", PLOT_LINEAR);
        x[0] = 0.0004, y[0] = 2.5;
        plot_censored(p, "at most", CANVAS_WEDGE, PLOT_DOWN, 1, x, y);
        return p;
    }
}

/* A two-limb coil for signal arms. */
static inline struct coildraw gallery_coil(void)
{
    struct coildraw c = {.title = "Up-line signal arm magnet, to scale",
                         .limbs = 2,
                         .core_diameter = 0.010,
                         .limb_length = 0.050,
                         .insulation = 0.0005,
                         .flange_diameter = 0.024,
                         .flange_thickness = 0.0015,
                         .limb_spacing = 0.032,
                         .yoke_thickness = 0.008,
                         .gap = 0.0003,
                         .keeper_thickness = 0.006,
                         .join = "joined finish to finish"};
    for (int i = 0; i < 2; i++)
        c.limb[i] = (struct coildraw_limb){.winding_length = 0.040,
                                           .outer_diameter = 0.0185,
                                           .layers = 12,
                                           .turn = i ? COILDRAW_COUNTER : COILDRAW_CLOCKWISE,
                                           .label = i ? "limb B: 640 turns" : "limb A: 640 turns"};
    return c;
}

#endif
