/* coildraw: a coil drawn to scale, cut through the middle of its limbs, from plain lengths. It
 * knows shapes only; what the lengths mean physically is the caller's business. */
#ifndef TRUEWOUND_COILDRAW_H
#define TRUEWOUND_COILDRAW_H

#include "reports/report_error.h"
#include <stdbool.h>
#include <stddef.h>

/* How the winding runs round a limb, seen from its free end (the pole face). */
enum coildraw_turn { COILDRAW_UNKNOWN, COILDRAW_CLOCKWISE, COILDRAW_COUNTER };

struct coildraw_limb {
    double winding_length; /* along the limb, m */
    double outer_diameter; /* of the winding, m */
    int layers;            /* 0: not known, no layers are drawn */
    enum coildraw_turn turn;
    const char *label; /* 'limb A: 640 turns'; may be NULL */
};

/* Lengths in metres; NaN or 0 where there is none or it is not known. */
struct coildraw {
    const char *title;       /* for those who hear the picture */
    int limbs;               /* 1 (bar) or 2 (U) */
    double core_diameter;    /* or width of a square core */
    double limb_length;      /* core, from yoke to pole face */
    double insulation;       /* thickness between core and winding */
    double flange_diameter;  /* cheeks of a bobbin */
    double flange_thickness; /* of each cheek */
    double limb_spacing;     /* between the centre lines of two limbs */
    double yoke_thickness;   /* along the limbs */
    double gap;              /* between pole face and keeper */
    double keeper_thickness; /* 0: no keeper drawn */
    struct coildraw_limb limb[2];
    const char *join; /* how the limbs are joined: 'finish to finish'; may be NULL */
};

/* Draws as SVG about width by height points, to scale, with dimensions in mm. A gap too thin to see
 * is drawn wider and its dimension says so. *out is to be freed. Fails if core_diameter,
 * limb_length or a winding's size is not a positive length, or the coil has not 1 or 2 limbs. */
bool coildraw_svg(const struct coildraw *coil, double width, double height, bool inline_in_page,
                  char **out, size_t *size, struct report_error *error);

/* The same as PNG, pixels wide (0: twice width). */
bool coildraw_png(const struct coildraw *coil, double width, double height, int pixels, char **out,
                  size_t *size, struct report_error *error);

#endif
