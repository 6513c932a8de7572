#include "analyze/model/core.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/magnet.h"
#include "analyze/model/solenoid.h"

/* A pole face with less flux density than about the earth's field has no polarity to a compass. */
#define POLARITY_LEAST 50e-6

/* The same for the mean flux density of a limb whose pole is open: about a tenth of it is outside.
 */
#define POLARITY_LEAST_OPEN 500e-6

/* A contact gap thinner than this cannot be told from none, and the network needs some air. */
#define GAP_LEAST 0.2e-6

/* How far the network stands from a field solver over some seventy magnets (tests/published), as
 * limits. Pull: gaps below a quarter of the pole; WIDE: beyond that, or between cancelling limbs.
 * Flux and inductance: the same. With a shoe, whose thickness is not known, SHOE_LIMIT times as
 * much. The pull of the stray field is known STRAY times less well than that of the faces. */
#define PULL_LIMIT       0.10
#define PULL_LIMIT_WIDE  0.25
#define FIELD_LIMIT      0.08
#define FIELD_LIMIT_WIDE 0.13
#define SHOE_LIMIT       1.7
#define STRAY            2.0

struct core {
    const struct design *design; /* completed and checked */
    bool pole_given;             /* the pole face has a size of its own */
    bool keeper_given;
    struct iron *iron; /* NULL: air core */
    struct iron *yoke_iron;
    struct iron *keeper_iron;
    struct magnet_workspace *workspace;
};

static enum status_code find_iron(const char *name, const char *part, struct iron **iron,
                                  struct status *st)
{
    enum status_code code = iron_create(name, iron, st);

    if (code)
        status_prefix(st, "%s iron", part);
    return code;
}

enum status_code core_new(const struct design *d, struct core **out, struct status *st)
{
    const struct design_core *own = &d->core;
    struct core *c = calloc(1, sizeof *c);
    enum status_code code = STATUS_OK;

    *out = NULL;
    if (!c)
        return status_fail(st, STATUS_MEMORY, "no memory for a core");
    c->design = d;
    c->keeper_given = amount_given(own->keeper.width);
    /* a completed design names the pole even where it is the limb's own end */
    c->pole_given =
        own->pole_width.value != own->limb.width.value ||
        (own->limb.shape != DESIGN_ROUND && own->pole_depth.value != own->limb.depth.value);
    if (!own->air)
        code = find_iron(own->iron, "core", &c->iron, st);
    if (!code && !own->air && own->form == DESIGN_U_YOKE)
        code = find_iron(own->yoke_iron, "yoke", &c->yoke_iron, st);
    if (!code && !own->air && c->keeper_given)
        code = find_iron(own->keeper_iron, "keeper", &c->keeper_iron, st);
    if (!code) {
        c->workspace = magnet_workspace_create();
        if (!c->workspace)
            code = status_fail(st, STATUS_MEMORY, "no memory for the magnetic circuit");
    }
    if (code) {
        core_free(c);
        return code;
    }
    *out = c;
    return status_ok(st);
}

void core_free(struct core *c)
{
    if (!c)
        return;
    iron_free(c->iron);
    iron_free(c->yoke_iron);
    iron_free(c->keeper_iron);
    if (c->workspace)
        magnet_workspace_free(c->workspace);
    free(c);
}

bool core_has_keeper(const struct core *c)
{
    return c->keeper_given;
}

bool core_has_pole(const struct core *c)
{
    return c->pole_given;
}

const struct iron *core_iron(const struct core *c)
{
    return c->iron;
}

const struct iron *core_keeper_iron(const struct core *c)
{
    return c->keeper_iron;
}

static double section_area(enum design_shape shape, double width, double depth)
{
    switch (shape) {
    case DESIGN_ROUND:
        return M_PI / 4.0 * width * width;
    case DESIGN_RECTANGULAR:
        return width * depth;
    case DESIGN_STADIUM:
        return (width - depth) * depth + M_PI / 4.0 * depth * depth;
    }
    return NAN;
}

/* The magnetic circuit of a specimen: the one place where a design becomes reluctances. *face is
 * the area of the pole face over that of the limb. */
static void geometry(const struct core *c, const struct coil_specimen *s,
                     const struct core_drive *drive, bool keeper, struct magnet *m, double *face)
{
    const struct design_core *core = &c->design->core;
    const bool two = core->form != DESIGN_BAR;
    const double depth = core->limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth;
    const double area = section_area(core->limb.shape, s->limb_width, depth);

    memset(m, 0, sizeof *m);
    m->form = two ? MAGNET_U : MAGNET_BAR;
    m->spacing = two ? s->spacing : 0.0;
    *face = 1.0;
    if (c->pole_given)
        *face = section_area(core->limb.shape, s->pole_width, s->pole_depth) / area;
    for (int b = 0; b < (two ? 2 : 1); b++) {
        struct magnet_limb *limb = &m->limb[b];

        limb->section.outline = core->limb.shape == DESIGN_ROUND ? MAGNET_ROUND : MAGNET_RECTANGLE;
        limb->section.width = s->limb_width;
        limb->section.depth = area / s->limb_width; /* a stadium as the rectangle of its area */
        limb->length = s->limb_length;
        limb->turns = drive->turns[b];
        limb->coil_start = fmax(0.5 * (s->limb_length - s->wound_length), 0.0);
        limb->coil_end = fmin(limb->coil_start + s->wound_length, s->limb_length);
        limb->coil_clearance = s->wrap;
        limb->coil_height = fmin(drive->height[b], 0.5);
        limb->iron = c->iron;
        limb->h_scale = s->iron_field;
        m->gap[b] = fmax(s->gap, s->roughness < GAP_LEAST ? GAP_LEAST : 0.0);
        if (c->pole_given) {
            limb->pole.outline = limb->section.outline;
            limb->pole.width = s->pole_width;
            limb->pole.depth =
                core->limb.shape == DESIGN_ROUND
                    ? s->pole_width
                    : section_area(core->limb.shape, s->pole_width, s->pole_depth) / s->pole_width;
        }
    }
    if (core->limb.shape == DESIGN_ROUND)
        for (int b = 0; b < 2; b++)
            m->limb[b].section.depth = s->limb_width;
    m->contact_gap = s->roughness;
    if (two) {
        bool round_yoke = core->yoke.shape == DESIGN_ROUND;
        double flatten = round_yoke ? 0.5 * sqrt(M_PI) : 1.0;

        m->yoke.bent = core->form == DESIGN_U_BENT;
        m->yoke.width = flatten * s->yoke_width;
        m->yoke.thickness = flatten * (round_yoke ? s->yoke_width : s->yoke_depth);
        m->yoke.length = isnan(s->yoke_length) ? 0.0 : s->yoke_length;
        m->yoke.joint_gap = s->joint_gap;
        m->yoke.iron = c->yoke_iron;
        m->yoke.h_scale = s->iron_field;
    }
    if (keeper) {
        bool round_bar = core->keeper.shape == DESIGN_ROUND;
        double flatten = round_bar ? 0.5 * sqrt(M_PI) : 1.0;

        m->keeper.present = true;
        m->keeper.width = flatten * s->keeper_width;
        m->keeper.thickness = flatten * (round_bar ? s->keeper_width : s->keeper_depth);
        m->keeper.length = s->keeper_length;
        m->keeper.iron = c->keeper_iron;
        m->keeper.h_scale = s->keeper_iron_field;
    }
}

static const char *part_word(enum magnet_part part)
{
    switch (part) {
    case MAGNET_LIMB1_FOOT:
    case MAGNET_LIMB1_POLE:
    case MAGNET_LIMB2_FOOT:
    case MAGNET_LIMB2_POLE:
        return "limb";
    case MAGNET_YOKE:
        return "yoke";
    case MAGNET_KEEPER:
        return "keeper";
    default:
        return "pole";
    }
}

static double polarity(double b, double least)
{
    return fabs(b) < least ? 0.0 : b > 0.0 ? 1.0 : -1.0;
}

static bool is_wide(const struct core *c)
{
    const struct design_core *core = &c->design->core;

    return core->gap.value >= 0.25 * core->pole_width.value ||
           (core->form != DESIGN_BAR && c->design->winding.sense == DESIGN_CANCELLING);
}

double core_pull_limit(const struct core *c)
{
    return (is_wide(c) ? PULL_LIMIT_WIDE : PULL_LIMIT) * (c->pole_given ? SHOE_LIMIT : 1.0);
}

/* What the factor 'model' means for a flux or an inductance. */
static double field_factor(const struct core *c, const struct coil_specimen *s)
{
    double share = is_wide(c) ? FIELD_LIMIT_WIDE / PULL_LIMIT_WIDE : FIELD_LIMIT / PULL_LIMIT;

    return fmax(1.0 + (s->model - 1.0) * share, 0.05);
}

/* The pull with the model's own factor on it. The part that the stray field makes, which at wide
 * gaps and between cancelling limbs is nearly as great as that of the faces and against it, is
 * known STRAY times less well. Soft iron is not pushed away. */
static double modelled_pull(const struct magnet_result *r, const struct coil_specimen *s)
{
    double stray = fabs(r->pull - r->pull_near);

    return fmax(r->pull + (s->model - 1.0) * (r->pull_near + STRAY * stray), 0.0);
}

static void field_figures(const struct core *c, const struct coil_specimen *s, bool keeper,
                          const struct magnet_result *r, const double turns[2], double face,
                          struct coil_observables *out)
{
    const bool two = c->design->core.form != DESIGN_BAR;
    const double area =
        section_area(c->design->core.limb.shape, s->limb_width,
                     c->design->core.limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth);
    const double factor = field_factor(c, s);
    double *y = out->y, greatest = 0.0;

    for (int b = 0; b < (two ? 2 : 1); b++) {
        /* with a keeper what crosses the gap; without, little leaves the face itself, and the mean
         * flux through the winding stands for what leaves the upper half of the limb */
        double flux = r->flux[b == 0 ? MAGNET_GAP1 : MAGNET_GAP2], least = POLARITY_LEAST;

        if (!keeper) {
            flux = turns[b] > 0.0 ? r->linkage[b] / turns[b]
                                  : r->flux[b == 0 ? MAGNET_LIMB1_FOOT : MAGNET_LIMB2_FOOT];
            least = POLARITY_LEAST_OPEN;
        }
        flux *= factor;
        if (b == 1) /* counted down limb b, which is into its pole face */
            flux = -flux;
        y[COIL_FLUX_A + b] = flux;
        y[COIL_POLARITY_A + b] = polarity(flux / (area * face), least);
        greatest = fmax(greatest, fabs(flux) / (area * face));
    }
    if (keeper)
        y[COIL_B_POLE] = greatest;
    y[COIL_B_LIMB] =
        factor * (two ? fmax(fabs(r->b_max[0]), fabs(r->b_max[1])) : fabs(r->b_max[0]));
    y[COIL_B_YOKE] = two ? factor * fabs(r->b[MAGNET_YOKE]) : NAN;
    y[COIL_B_KEEPER] = keeper ? factor * fabs(r->b[MAGNET_KEEPER]) : NAN;
    y[COIL_PULL] = !c->keeper_given ? NAN : keeper ? modelled_pull(r, s) : 0.0;
    out->limit = r->limit_ratio > 1.0 ? part_word(r->limit) : NULL;
}

/* Inductance of what is driven, from the energy at the way the steady current divides. */
static double seen_inductance(const struct coil_specimen *s, const struct core_drive *drive,
                              const struct magnet_result *r, bool two)
{
    double sum = 0.0;

    for (int i = 0; i < (two ? 2 : 1); i++)
        for (int j = 0; j < (two ? 2 : 1); j++)
            if (drive->share[i] != 0.0 && drive->share[j] != 0.0)
                sum += drive->share[i] * drive->share[j] * s->sense[i] * s->sense[j] *
                       r->inductance[i][j];
    return sum;
}

/* Flux linkage over the current of what is driven; at next to none it is the inductance. */
static double seen_linkage(const struct coil_specimen *s, const struct core_drive *drive,
                           const struct magnet_result *r, bool two)
{
    double sum = 0.0;

    if (fabs(drive->current) < 1e-9)
        return seen_inductance(s, drive, r, two);
    for (int i = 0; i < (two ? 2 : 1); i++)
        if (drive->share[i] != 0.0)
            sum += drive->share[i] * s->sense[i] * r->linkage[i];
    return sum / drive->current;
}

/* Torsion constant of a rectangle, m^4 (Roark, Formulas for Stress and Strain, solid rectangular
 * section; from memory). */
static double torsion(double width, double depth)
{
    double a = fmax(width, depth), b = fmin(width, depth), r = b / a;

    return a * b * b * b * (1.0 / 3.0 - 0.21 * r * (1.0 - r * r * r * r / 12.0));
}

/* S, of a length of iron by its eddy currents, as one turn about it. The currents under an evenly
 * rising flux have the shape of the stress function of a twisted bar (both obey Poisson's equation
 * with nothing on the edge), so a bar of section A and torsion constant J loses
 * J / (4 resistivity) (dB/dt)^2 a metre, that is (dflux/dt)^2 J / (4 resistivity A^2): pi a^4 / 8
 * resistivity (dB/dt)^2 in a round one of radius a, as textbooks have it. */
static double eddy_conductance(const struct iron *iron, bool round, double width, double depth,
                               double length)
{
    double area = round ? M_PI / 4.0 * width * width : width * depth;
    double j = round ? M_PI / 32.0 * pow(width, 4) : torsion(width, depth);
    const struct iron_facts *facts = iron ? iron_facts(iron) : NULL;

    if (!facts || facts->sheet || !(facts->resistivity > 0.0) || !(area > 0.0) || !(length > 0.0))
        return 0.0;
    return length * j / (4.0 * facts->resistivity * area * area);
}

/* Time constants of what is closed on itself about the flux of the winding: conductance, as one
 * turn, times the flux of one ampere-turn, which the linkage of the winding gives. */
static void closed_times(const struct core *c, const struct coil_specimen *s,
                         const struct core_drive *drive, bool keeper, double linkage, double *eddy,
                         double *ring)
{
    const struct design_core *own = &c->design->core;
    const bool two = own->form != DESIGN_BAR, round = own->limb.shape == DESIGN_ROUND;
    double along = 0.0, squares = 0.0, closed = 0.0, iron, flux;
    int limbs = two ? 2 : 1;

    *eddy = *ring = NAN;
    iron = limbs *
           eddy_conductance(c->iron, round, s->limb_width,
                            round ? s->limb_width
                                  : section_area(own->limb.shape, s->limb_width, s->limb_depth) /
                                        s->limb_width,
                            s->limb_length);
    for (int b = 0; b < limbs; b++) {
        double n = drive->turns[b] * drive->share[b] * s->sense[b];

        along += n;
        squares += n * n;
        closed += drive->closed[b];
    }
    if (!(squares > 0.0) || !isfinite(linkage))
        return;
    if (along * along >= 0.5 * squares) {
        /* round the core: what is on one limb has the flux of all turns */
        flux = linkage / (along * along);
        if (two)
            iron += eddy_conductance(c->yoke_iron, own->yoke.shape == DESIGN_ROUND, s->yoke_width,
                                     s->yoke_depth, isnan(s->yoke_length) ? 0.0 : s->yoke_length);
        if (two && keeper)
            iron += eddy_conductance(c->keeper_iron, own->keeper.shape == DESIGN_ROUND,
                                     s->keeper_width, s->keeper_depth, s->spacing);
    } else {
        /* each limb has a flux of its own */
        flux = linkage / squares;
        iron /= limbs;
    }
    *eddy = flux * iron;
    *ring = flux * closed;
}

/* Without iron. The limbs are taken as far apart. */
static void air_figures(const struct core *c, const struct coil_specimen *s,
                        const struct core_drive *drive, unsigned want, double source,
                        struct coil_observables *out)
{
    const bool two = c->design->core.form != DESIGN_BAR;
    double *y = out->y, total = 0.0;

    for (int b = 0; b < (two ? 2 : 1); b++) {
        double depth = c->design->core.limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth;
        double hole = section_area(c->design->core.limb.shape, s->limb_width, depth);
        double h = drive->height[b], radius = sqrt(hole / M_PI) + s->wrap + 0.5 * h;
        double field =
            solenoid_end_field(radius, s->wound_length,
                               drive->current * drive->share[b] * drive->turns[b] * s->sense[b]);

        if (b == 1)
            field = -field;
        if (want & COIL_FIELD) {
            y[COIL_FLUX_A + b] = field * hole;
            y[COIL_POLARITY_A + b] = polarity(field, POLARITY_LEAST);
            y[COIL_B_POLE] = b == 0 ? fabs(field) : fmax(y[COIL_B_POLE], fabs(field));
        }
        if (want & COIL_INDUCTANCE)
            total += drive->share[b] * drive->share[b] *
                     solenoid_inductance(radius, s->wound_length, h, drive->turns[b]);
    }
    if ((want & COIL_INDUCTANCE) && !isinf(drive->resistance)) {
        y[COIL_INDUCTANCE_OFF] = out->linkage_off = total;
        y[COIL_TAU_OFF] = total / (drive->resistance + source);
        closed_times(c, s, drive, false, total, &out->eddy_off, &out->ring_off);
    }
}

static enum status_code magnetic(struct core *c, const struct coil_specimen *s,
                                 const struct coil_conditions *k, unsigned want,
                                 const struct core_drive *drive, struct coil_observables *out,
                                 struct status *st)
{
    const bool two = c->design->core.form != DESIGN_BAR;
    const bool keeper = k->keeper && c->keeper_given, broken = isinf(drive->resistance);
    const double source = isnan(k->voltage) ? 0.0 : k->source_resistance;
    const double factor = field_factor(c, s);
    struct magnet m;
    struct magnet_result on, off, *working;
    bool have_on = false, have_off = false;
    double face = 1.0, current[2];
    enum status_code code;

    for (int b = 0; b < 2; b++)
        current[b] = drive->current * drive->share[b] * s->sense[b];
    if (c->keeper_given && (keeper || (want & (COIL_INDUCTANCE | COIL_RESIDUAL)))) {
        geometry(c, s, drive, true, &m, &face);
        code = magnet_solve(c->workspace, &m, current, &on, st);
        if (code)
            return code;
        have_on = true;
        if (want & COIL_RESIDUAL) {
            struct magnet_result after;
            double pull;

            code = magnet_residual(c->workspace, &m, &on, &pull, &after, st);
            if (code)
                return code;
            /* weak residual fields go with the coercive force, the pull with their square */
            out->y[COIL_RESIDUAL_PULL] = modelled_pull(&after, s) * s->remanence * s->remanence;
        }
    }
    if (!keeper || (want & COIL_INDUCTANCE)) {
        geometry(c, s, drive, false, &m, &face);
        code = magnet_solve(c->workspace, &m, current, &off, st);
        if (code)
            return code;
        have_off = true;
    }
    working = keeper ? &on : &off;
    if (want & COIL_FIELD)
        field_figures(c, s, keeper, working, drive->turns, face, out);
    if (!(want & COIL_INDUCTANCE) || broken)
        return STATUS_OK;
    if (have_on) {
        out->y[COIL_INDUCTANCE_ON] = factor * seen_inductance(s, drive, &on, two);
        out->linkage_on = factor * seen_linkage(s, drive, &on, two);
        out->y[COIL_TAU_ON] = out->y[COIL_INDUCTANCE_ON] / (drive->resistance + source);
        closed_times(c, s, drive, true, out->linkage_on, &out->eddy_on, &out->ring_on);
    }
    if (have_off) {
        out->y[COIL_INDUCTANCE_OFF] = factor * seen_inductance(s, drive, &off, two);
        out->linkage_off = factor * seen_linkage(s, drive, &off, two);
        out->y[COIL_TAU_OFF] = out->y[COIL_INDUCTANCE_OFF] / (drive->resistance + source);
        closed_times(c, s, drive, false, out->linkage_off, &out->eddy_off, &out->ring_off);
    }
    for (int b = 0; b < (two ? 2 : 1); b++)
        if (s->shorted[b] > 0.0 && drive->turns[b] > 0.0 && drive->ring[b] > 0.0) {
            double ratio = s->shorted[b] / drive->turns[b];

            out->y[COIL_TAU_SHORT] =
                factor * working->inductance[b][b] * ratio * ratio / drive->ring[b];
        }
    return STATUS_OK;
}

enum status_code core_figures(struct core *c, const struct coil_specimen *s,
                              const struct coil_conditions *k, unsigned want,
                              const struct core_drive *drive, struct coil_observables *out,
                              struct status *st)
{
    if (!c->design->core.air)
        return magnetic(c, s, k, want, drive, out, st);
    air_figures(c, s, drive, want, isnan(k->voltage) ? 0.0 : k->source_resistance, out);
    return STATUS_OK;
}
