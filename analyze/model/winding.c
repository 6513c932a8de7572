#include "analyze/model/winding.h"

#include <math.h>

#define TURNS_MOST 10000000L

/* Height of a layer above the one below when each wire lies in the groove of two. */
#define NESTED 0.86602540378443864676 /* sqrt 3 / 2 */

void winding_form_of(const struct design *d, struct winding_form *f)
{
    const struct design_winding *w = &d->winding;

    f->shape = d->core.limb.shape;
    f->width = d->core.limb.width.value;
    f->depth = f->shape == DESIGN_ROUND ? f->width : d->core.limb.depth.value;
    f->wrap = w->wrap.value;
    f->interlayer = w->interlayer.value;
    f->layers = w->layers;
    f->fill = w->fill.value;
    f->length = w->wound_length.value;
    f->taper = w->ends == DESIGN_TAPERED ? w->taper.value : 0.0;
    f->overall = w->wire.overall_nom;
    f->offset = 0.0;
    f->in_hand = w->in_hand;
    f->in_hand_connection = w->in_hand_connection;
    f->sections = w->sections;
    f->section_wall = w->sections > 1 ? w->section_wall.value : 0.0;
}

double winding_perimeter(enum design_shape shape, double width, double depth)
{
    switch (shape) {
    case DESIGN_ROUND:
        return M_PI * width;
    case DESIGN_RECTANGULAR:
        return 2.0 * (width + depth);
    case DESIGN_STADIUM:
        return 2.0 * (width - depth) + M_PI * depth;
    }
    return NAN;
}

/* What both ways of laying turns start from. */
struct space {
    double perimeter;
    double slots;   /* wires to be laid in one section, for one turn of the limb */
    double length;  /* of one section */
    double pitch;   /* from layer to layer */
    double first;   /* wires in the first layer, real-valued */
    double advance; /* along the core in one turn of one wire */
    int paths;
};

static bool open_space(const struct winding_form *f, struct space *s)
{
    bool nested = f->layers == DESIGN_ORTHOCYCLIC && !(f->interlayer > 0.0);

    s->paths = f->in_hand > 1 && f->in_hand_connection == DESIGN_PARALLEL ? f->in_hand : 1;
    s->perimeter = winding_perimeter(f->shape, f->width, f->depth) + f->offset;
    s->slots = (double)s->paths / f->sections;
    s->length = (f->length - f->section_wall * (f->sections - 1)) / f->sections;
    s->pitch = nested ? NESTED * f->overall : f->overall + f->interlayer;
    s->first = (f->layers == DESIGN_SCRAMBLE ? 1.0 : f->fill) * s->length / f->overall;
    s->advance = f->overall * f->in_hand;
    return s->perimeter > 0.0 && s->length > 0.0 && f->overall > 0.0 && f->fill > 0.0 &&
           f->wrap >= 0.0 && f->interlayer >= 0.0 && f->taper >= 0.0 && f->sections > 0 &&
           f->in_hand > 0 && isfinite(s->perimeter + s->first + f->wrap + f->interlayer);
}

/* The length of a helical turn whose mean unrolled length is given. */
static double helix(double turn, double advance)
{
    return turn + 0.5 * advance * advance / turn;
}

static void close_result(const struct winding_form *f, const struct space *s, double turns,
                         struct winding_result *r)
{
    r->mean_turn = helix(r->mean_turn, s->advance);
    r->paths = s->paths;
    r->path = turns * r->mean_turn;
    r->wire = r->path * s->paths;
    r->outside_width = f->width + 2.0 * (f->wrap + r->height);
    r->outside_depth =
        (f->shape == DESIGN_ROUND ? f->width : f->depth) + 2.0 * (f->wrap + r->height);
}

/* Scramble: the winding section, a rectangle or (tapered) a trapezium whose sides lean in by 'lean'
 * of length for each of height, grows with the turns. */
static bool scramble(const struct winding_form *f, const struct space *s, double slots,
                     struct winding_result *r)
{
    double area = slots * (M_PI / 4.0) * f->overall * f->overall / f->fill;
    double lean = f->taper, root, h;

    root = s->length * s->length - 2.0 * lean * area;
    if (root < 0.0)
        return false;
    h = 2.0 * area / (s->length + sqrt(root));
    r->height = h;
    r->layers = h / f->overall;
    r->turns_per_layer = s->first;
    r->fits = (s->length - lean * h) / f->overall;
    /* mean distance of the section's area from the wrap */
    r->mean_turn = s->perimeter + 2.0 * M_PI * f->wrap;
    if (area > 0.0)
        r->mean_turn += 2.0 * M_PI * (0.5 * s->length * h * h - lean * h * h * h / 3.0) / area;
    return true;
}

bool winding_smooth(const struct winding_form *f, double turns, struct winding_result *r)
{
    struct space s;
    double slots, full, rest, room, t = f->taper, n = 0.0, p, o1, sum1, sum2, length;

    if (!open_space(f, &s) || !(turns >= 0.0) || !isfinite(turns))
        return false;
    slots = turns * s.slots;
    if (f->layers == DESIGN_SCRAMBLE) {
        if (!scramble(f, &s, slots, r))
            return false;
        close_result(f, &s, turns, r);
        return r->fits >= 1.0;
    }
    n = s.first;
    if (n < 1.0)
        return false;
    /* m full layers hold m n - t m (m - 1) / 2 */
    if (t > 0.0) {
        double b = n + 0.5 * t, root = b * b - 2.0 * t * slots;

        if (root < 0.0)
            return false;
        full = floor(2.0 * slots / (b + sqrt(root)));
    } else {
        full = floor(slots / n);
    }
    rest = slots - full * n + 0.5 * t * full * (full - 1.0);
    room = n - t * full;
    if (rest < 0.0) /* rounding just below a full layer */
        rest = 0.0;
    if (room < 1.0 && rest > 0.0)
        return false;
    p = s.pitch;
    o1 = f->wrap + 0.5 * f->overall;
    sum1 = 0.5 * full * (full - 1.0);
    sum2 = sum1 * (2.0 * full - 1.0) / 3.0;
    length = slots * s.perimeter +
             2.0 * M_PI *
                 (n * o1 * full + (n * p - t * o1) * sum1 - t * p * sum2 + rest * (o1 + p * full));
    r->mean_turn = slots > 0.0 ? length / slots : s.perimeter + 2.0 * M_PI * o1;
    r->layers = full + (rest > 0.0 ? rest / room : 0.0);
    r->turns_per_layer = n;
    r->fits = rest > 0.0 ? room : room + t;
    r->height = 0.0;
    if (slots > 0.0) {
        double started = rest > 0.0 ? fmin(1.0, 10.0 * rest / room) : 0.0;

        r->height = full > 0.0 ? f->overall + p * (full - 1.0 + started) : f->overall * started;
    }
    close_result(f, &s, turns, r);
    return true;
}

/* Wires that go into layer k (from 0), whole. In orthocyclic layers every second one is shifted by
 * half a wire and loses a turn when there is no room for the shift. */
static double whole_layer(const struct winding_form *f, const struct space *s, long k)
{
    double n = s->first - f->taper * (double)k;

    if (f->layers == DESIGN_ORTHOCYCLIC && k % 2 == 1 && !(f->interlayer > 0.0))
        n -= 0.5;
    return fmax(floor(n + 1e-9), 0.0);
}

/* Fills layer after layer until 'slots' are on, or the height is used up, or tapers meet. Returns
 * the number of wires laid. */
static double lay(const struct winding_form *f, const struct space *s, double slots, double height,
                  struct winding_result *r)
{
    double laid = 0.0, length = 0.0;
    long k = 0;

    r->height = 0.0;
    r->fits = s->first;
    for (; laid < slots; k++) {
        double n = whole_layer(f, s, k), top = f->overall + s->pitch * (double)k;

        if (n < 1.0 || top > height * (1.0 + 1e-12))
            break;
        r->fits = n;
        n = fmin(n, slots - laid);
        length +=
            n * (s->perimeter + 2.0 * M_PI * (f->wrap + 0.5 * f->overall + s->pitch * (double)k));
        laid += n;
        r->height = top;
    }
    r->layers = (double)k;
    r->turns_per_layer = whole_layer(f, s, 0);
    r->mean_turn =
        laid > 0.0 ? length / laid : s->perimeter + 2.0 * M_PI * (f->wrap + 0.5 * f->overall);
    return laid;
}

static enum status_code bad_form(const struct winding_form *f, struct status *st)
{
    return status_fail(st, STATUS_INPUT,
                       "a coil cannot be wound of wire %g m over all on a core of %g x %g m, "
                       "wound length %g m, fill %g, wrap %g m: each must be a positive number and "
                       "the sections must have length left",
                       f->overall, f->width, f->depth, f->length, f->fill, f->wrap);
}

enum status_code winding_lay(const struct winding_form *f, long turns, struct winding_result *r,
                             struct status *st)
{
    struct space s;
    double slots;

    if (!open_space(f, &s))
        return bad_form(f, st);
    if (turns < 0 || turns > TURNS_MOST)
        return status_fail(st, STATUS_INPUT, "the number of turns is %ld; it must be from 0 to %ld",
                           turns, TURNS_MOST);
    if (f->layers == DESIGN_SCRAMBLE) {
        if (!winding_smooth(f, (double)turns, r))
            goto full;
        return status_ok(st);
    }
    slots = ceil((double)turns * s.slots);
    if (lay(f, &s, slots, INFINITY, r) < slots)
        goto full;
    close_result(f, &s, (double)turns, r);
    return status_ok(st);
full : {
    long most = 0;
    struct status local;

    (void)winding_most(f, INFINITY, &most, &local);
    return status_fail(st, STATUS_INPUT,
                       "%ld turns do not fit on %.4g mm of core; %ld turns fit before the tapered "
                       "ends meet",
                       turns, f->length * 1e3, most);
}
}

enum status_code winding_most(const struct winding_form *f, double outside_max, long *turns,
                              struct status *st)
{
    struct space s;
    struct winding_result r;
    double height, slots;

    *turns = 0;
    if (!open_space(f, &s))
        return bad_form(f, st);
    if (isnan(outside_max))
        return status_fail(st, STATUS_INPUT, "the largest outside diameter is not a number");
    height = 0.5 * (outside_max - f->width) - f->wrap;
    if (height < f->overall)
        return status_ok(st);
    if (f->layers == DESIGN_SCRAMBLE) {
        double lean = f->taper, h = fmin(height, lean > 0.0 ? s.length / lean : INFINITY);

        slots = isinf(h) ? INFINITY
                         : (s.length * h - 0.5 * lean * h * h) * f->fill /
                               ((M_PI / 4.0) * f->overall * f->overall);
    } else {
        slots = lay(f, &s, (double)TURNS_MOST * s.slots, height, &r);
    }
    *turns = (long)fmin(floor(slots / s.slots + 1e-9), (double)TURNS_MOST);
    if (f->layers == DESIGN_SCRAMBLE)
        while (*turns > 0 && !winding_smooth(f, (double)*turns, &r))
            --*turns;
    return status_ok(st);
}

/* What one limb of so many turns measures of the thing asked for. */
typedef double (*measure)(const struct winding_result *r, double per_metre);

static double by_wire(const struct winding_result *r, double per_metre)
{
    return r->wire * per_metre;
}

static double by_path(const struct winding_result *r, double per_metre)
{
    return r->path / r->paths * per_metre;
}

/* Turns at which a rising measure reaches a target. Both are nearly quadratic in the turns, so the
 * bracket closes quickly; bisection ends what the secant leaves. */
static enum status_code turns_of(const struct winding_form *f, measure m, double per_metre,
                                 double target, const char *what, const char *unit, double *turns,
                                 struct status *st)
{
    struct winding_result r;
    double low = 0.0, high = 1.0;

    if (amount_check_value(target, what, unit, 1e-9, 1e12, st))
        return STATUS_INPUT;
    if (!winding_smooth(f, 0.0, &r))
        return bad_form(f, st);
    for (;;) {
        if (!winding_smooth(f, high, &r) || m(&r, per_metre) >= target)
            break;
        low = high;
        high *= 2.0;
        if (high > (double)TURNS_MOST)
            return status_fail(st, STATUS_INPUT, "%s of %g %s would take more than %ld turns", what,
                               target, unit, TURNS_MOST);
    }
    for (int i = 0; i < 200 && high - low > 1e-12 * high; i++) {
        double mid = 0.5 * (low + high);

        if (winding_smooth(f, mid, &r) && m(&r, per_metre) < target)
            low = mid;
        else
            high = mid;
    }
    *turns = 0.5 * (low + high);
    if (!winding_smooth(f, low, &r) || m(&r, per_metre) < target * (1.0 - 1e-6))
        return status_fail(st, STATUS_INPUT,
                           "%s of %g %s is more than fits; %.4g turns fit, which have %g %s", what,
                           target, unit, floor(low), m(&r, per_metre), unit);
    return status_ok(st);
}

enum status_code winding_turns_of_length(const struct winding_form *f, double wire, double *turns,
                                         struct status *st)
{
    return turns_of(f, by_wire, 1.0, wire, "the length of wire", "m", turns, st);
}

enum status_code winding_turns_of_mass(const struct winding_form *f, const struct wire *w,
                                       double mass, double *turns, struct status *st)
{
    return turns_of(f, by_wire, wire_mass_covered(w), mass, "the mass of wire", "kg", turns, st);
}

enum status_code winding_turns_of_resistance(const struct winding_form *f, const struct wire *w,
                                             double ohms, double celsius, double *turns,
                                             struct status *st)
{
    struct wire_resistance r;
    enum status_code code = wire_resistance(w, celsius, &r, st);

    if (code)
        return code;
    return turns_of(f, by_path, r.nom, ohms, "the resistance", "ohm", turns, st);
}
