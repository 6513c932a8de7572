/* winding: how turns lie on a core: layers, length of wire, outside size, and the ways back from
 * length, weight or resistance to turns.
 *
 * Geometry: the wire of a layer at distance o from a convex core runs along an offset curve, whose
 * length is exactly P + 2 pi o, P being the perimeter of the core (round, rectangular, stadium:
 * Steiner's formula for parallel curves). A turn is a helix: sqrt(length^2 + pitch^2).
 *   square layers       pitch from layer to layer = overall diameter + paper
 *   orthocyclic layers  sqrt(3)/2 of the overall diameter (each lies in the grooves below), when
 *                       there is no paper between; else as square
 *   scramble            winding section = covered wire section x slots / fill
 * winding_lay() counts whole turns; winding_smooth() is its continuous companion for the forward
 * model, where turns and sizes vary by any amount. All SI. */
#ifndef TRUEWOUND_WINDING_H
#define TRUEWOUND_WINDING_H

#include <stdbool.h>

#include "analyze/model/design.h"
#include "analyze/model/wire.h"
#include "db/status.h"

/* One limb's winding space and the wire that goes into it. */
struct winding_form {
    enum design_shape shape;
    double width, depth; /* m, bare core; depth unused when round */
    double wrap;         /* m, on the core, one side */
    double interlayer;   /* m */
    enum design_layers layers;
    double fill;    /* as design_winding.fill */
    double length;  /* m, wound length of the limb, all sections and walls between */
    double taper;   /* turns lost by each layer; 0 between walls */
    double overall; /* m, wire over its covering */
    double offset;  /* m, added to every turn (loose winding) */
    int in_hand;    /* wires side by side */
    enum design_connection in_hand_connection;
    int sections;
    double section_wall; /* m */
};

struct winding_result {
    double layers;          /* of one section; whole numbers from winding_lay() */
    double turns_per_layer; /* in the first layer of one section, wires counted singly */
    double mean_turn;       /* m */
    double path;            /* m, wire of one current path through the limb, leads not included */
    double wire;            /* m, all wire on the limb (paths in parallel added) */
    int paths;              /* 1, or the number of wires in parallel */
    double height;          /* m, of the winding above the wrap */
    double outside_width;   /* m, over the winding; the outside diameter when round */
    double outside_depth;   /* m */
    double fits;            /* least wound length left in the top layer, in turns; < 1: it does not
                               fit between its tapers */
};

/* Form of a limb of a completed design. */
void winding_form_of(const struct design *d, struct winding_form *f);

/* Perimeter (m) of the bare core. Positive finite sizes. */
double winding_perimeter(enum design_shape shape, double width, double depth);

/* Continuous layering of a real number of turns >= 0. Returns false when the tapers meet before all
 * turns are on, or a size is not positive and finite (*r is then not to be used). The outside size
 * grows over the first tenth of a new layer. Quick: closed form, no loop over layers. */
bool winding_smooth(const struct winding_form *f, double turns, struct winding_result *r);

/* Whole turns, layer by layer. STATUS_INPUT when they do not fit, with the number that does. */
enum status_code winding_lay(const struct winding_form *f, long turns, struct winding_result *r,
                             struct status *st);

/* The most whole turns whose winding stays within outside_max (m, width over the winding), or
 * INFINITY of it: until the tapers meet, at most 10 million. */
enum status_code winding_most(const struct winding_form *f, double outside_max, long *turns,
                              struct status *st);

/* Turns that use up a length of wire on the limb (m, all wire, leads not included). Real-valued.
 * STATUS_INPUT when it is not positive, or more than fits. */
enum status_code winding_turns_of_length(const struct winding_form *f, double wire, double *turns,
                                         struct status *st);

/* Turns of one limb that weigh so much (kg, wire with its covering, leads not included). */
enum status_code winding_turns_of_mass(const struct winding_form *f, const struct wire *w,
                                       double mass, double *turns, struct status *st);

/* Turns of one limb with so much resistance (ohm) at a temperature (C), nominal wire, leads not
 * included. */
enum status_code winding_turns_of_resistance(const struct winding_form *f, const struct wire *w,
                                             double ohms, double celsius, double *turns,
                                             struct status *st);

#endif
