#include "analyze/infer/spool.h"

#include <math.h>
#include <stdlib.h>

static void add_wire(struct spool *s, const struct wire *right, enum wire_system system, int gauge,
                     double diameter, double share)
{
    struct wire other;
    struct status st;
    struct spool_wire *o;
    double bare;

    if (s->count == SPOOL_WIRES_MAX || !(right->diameter > 0) || !(right->overall_nom > 0))
        return;
    if (wire_make(&other, right->metal, system, gauge, diameter, right->strands, right->covering,
                  &st) != STATUS_OK)
        return;
    bare = other.diameter / right->diameter;
    /* Closer than this it is the same wire within its tolerance. */
    if (fabs(bare - 1) < 0.025 || bare < 0.6 || bare > 1.6)
        return;
    for (size_t i = 0; i < s->count; i++) {
        if (fabs(s->wire[i].bare / bare - 1) < 0.012) {
            s->wire[i].share += share;
            return;
        }
    }
    o = &s->wire[s->count++];
    o->bare = bare;
    o->overall = other.overall_nom / right->overall_nom;
    o->share = share;
    wire_size_text(system, gauge, other.diameter, o->label, sizeof o->label);
}

void spool_fill(struct spool *s, const struct wire *w)
{
    enum wire_system numbered[2] = {WIRE_SWG, WIRE_AWG};
    double sum = 0;

    s->count = 0;
    if (w->system == WIRE_SWG || w->system == WIRE_AWG) {
        add_wire(s, w, w->system, w->gauge + 1, NAN, 0.3);
        add_wire(s, w, w->system, w->gauge - 1, NAN, 0.3);
        /* The same number of the other list: the commonest confusion of all. */
        add_wire(s, w, w->system == WIRE_SWG ? WIRE_AWG : WIRE_SWG, w->gauge, NAN, 0.2);
        add_wire(s, w, w->system, w->gauge + 2, NAN, 0.1);
        add_wire(s, w, w->system, w->gauge - 2, NAN, 0.1);
    } else {
        int n = wire_size_count(WIRE_METRIC), best = -1, gauge;
        double diameter, nearest = INFINITY;
        struct status st;

        for (int i = 0; i < n; i++) {
            if (wire_size(WIRE_METRIC, i, &gauge, &diameter, &st) != STATUS_OK)
                continue;
            if (fabs(log(diameter / w->diameter)) < nearest) {
                nearest = fabs(log(diameter / w->diameter));
                best = i;
            }
        }
        /* Shops stock every second size of the fine series. */
        for (int step = -4; best >= 0 && step <= 4; step++) {
            static const double share[5] = {0, 0.1, 0.3, 0.02, 0.06};

            if (step != 0 && best + step >= 0 && best + step < n &&
                wire_size(WIRE_METRIC, best + step, &gauge, &diameter, &st) == STATUS_OK)
                add_wire(s, w, WIRE_METRIC, gauge, diameter, share[abs(step)]);
        }
        for (int k = 0; k < 2; k++) {
            n = wire_size_count(numbered[k]);
            for (int i = 0; i < n; i++) {
                if (wire_size(numbered[k], i, &gauge, &diameter, &st) == STATUS_OK &&
                    fabs(diameter / w->diameter - 1) < 0.16)
                    add_wire(s, w, numbered[k], gauge, NAN, 0.05);
            }
        }
    }
    for (size_t i = 0; i < s->count; i++)
        sum += s->wire[i].share;
    for (size_t i = 0; i < s->count; i++)
        s->wire[i].share /= sum;
}

const char *spool_label(const struct spool *s, int wire)
{
    return wire >= 0 && (size_t)wire < s->count ? s->wire[wire].label : "";
}
