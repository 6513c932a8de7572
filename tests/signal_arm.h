/* A signal-arm magnet of a miniature railway that tests of the inference judge, and its winding
 * worked out by hand. Invented; each test puts in what differs before it is completed. */
#ifndef TEST_SIGNAL_ARM_H
#define TEST_SIGNAL_ARM_H

#include <math.h>
#include <stdio.h>

#include "analyze/model/design.h"

/* 2 x 500 turns of 0.25 mm on 10 mm cores. */
static inline void signal_arm_begin(struct design *d)
{
    struct status st;
    char warning[256];

    design_init(d);
    snprintf(d->name, sizeof d->name, "signal arm");
    d->core.form = DESIGN_U_YOKE;
    d->core.limb.shape = DESIGN_ROUND;
    d->core.limb.width = amount_of(10e-3, 0.05e-3);
    d->core.limb_length = amount_of(50e-3, 0.3e-3);
    d->core.spacing = amount_of(34e-3, 0.3e-3);
    snprintf(d->core.iron, sizeof d->core.iron, "annealed-iron");
    d->core.yoke.shape = d->core.keeper.shape = DESIGN_RECTANGULAR;
    d->core.yoke.width = d->core.keeper.width = amount_of(12e-3, 0.1e-3);
    d->core.yoke.depth = amount_of(8e-3, 0.1e-3);
    d->core.keeper.depth = amount_of(6e-3, 0.1e-3);
    d->core.keeper_length = amount_of(46e-3, 0.3e-3);
    d->core.gap = amount_of(0, 0);
    assert_int_equal(
        wire_from_text("0.25 mm", WIRE_ENAMEL_1, &d->winding.wire, warning, sizeof warning, &st),
        STATUS_OK);
    d->winding.turns[0] = d->winding.turns[1] = amount_of(500, 0);
    d->winding.layers = DESIGN_ORTHOCYCLIC;
    d->winding.wound_length = amount_of(42e-3, 0.3e-3);
    d->winding.wrap = amount_of(0.3e-3, 0.05e-3);
    d->supply.voltage = amount_of(3, 0.05);
    d->supply.ambient = amount_of(20, 2);
}

static inline void signal_arm_end(struct design *d)
{
    struct status st;

    design_complete(d);
    assert_int_equal(design_check(d, &st), STATUS_OK);
}

/* m: layers that lie in each other's grooves, higher by sqrt(3)/2 of the wire each, with 0.97 of
 * the length used; the mean turn is the one at the middle of the winding. */
static inline double signal_arm_mean_turn(double core, double wrap, double length, double overall,
                                          double turns)
{
    double layers = turns / (0.97 * length / overall);
    double height = overall * (1 + 0.866 * (layers - 1));

    return M_PI * (core + 2 * wrap + height);
}

/* ohm of a wire: 58.5 MS/m, the middle of the 58 and 59 of IEC 60317-0-1. */
static inline double signal_arm_ohm(double metres, double bare)
{
    return metres / (58.5e6 * M_PI / 4 * bare * bare);
}

/* kg: copper 8890 kg/m3, enamel 1350 kg/m3. */
static inline double signal_arm_mass(double metres, double bare, double overall)
{
    return metres * M_PI / 4 * (8890 * bare * bare + 1350 * (overall * overall - bare * bare));
}

#endif
