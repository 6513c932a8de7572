#include "analyze/infer/wording.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/estimate.h"
#include "analyze/infer/posterior.h"

void wording_say(char *out, const char *format, ...)
{
    va_list args;

    va_start(args, format);
    vsnprintf(out, VERDICT_LINE_SIZE, format, args);
    va_end(args);
}

/* "93 %", never 100 % or 0 %. */
const char *wording_percent(double p, char out[16])
{
    if (p > 0.995)
        snprintf(out, 16, "over 99 %%");
    else if (p < 0.005)
        snprintf(out, 16, "under 1 %%");
    else
        snprintf(out, 16, "%.0f %%", 100 * p);
    return out;
}

void wording_item(const struct evidence_item *item, char out[EVIDENCE_SOURCE_SIZE])
{
    const char *name = item->kind == EVIDENCE_WIRE_MASS       ? "weight of the wire"
                       : item->kind == EVIDENCE_SECOND_TIME   ? "second time constant"
                       : item->kind == EVIDENCE_RESIDUAL_PULL ? "residual pull"
                       : item->kind == EVIDENCE_WIRE_DIAMETER ? "diameter of the bare wire"
                                                              : NULL;

    if (!name)
        snprintf(out, EVIDENCE_SOURCE_SIZE, "%s", item->source);
    else if (item->place == EVIDENCE_PAIR || item->kind == EVIDENCE_SECOND_TIME)
        snprintf(out, EVIDENCE_SOURCE_SIZE, "%s", name);
    else
        snprintf(out, EVIDENCE_SOURCE_SIZE, "%s, %s", name, evidence_place_name(item->place));
}

/* Half width of the interval to one or two figures, and the value to the same place. */
static int places(double half)
{
    int p;

    if (!(half > 0) || !isfinite(half))
        return 1;
    p = 1 - (int)floor(log10(half));
    return p < 0 ? 0 : p > 6 ? 6 : p;
}

static void turns_text(const struct suppose *s, const struct verdict *v, size_t row, int limb,
                       char out[80])
{
    struct verdict_estimate e;
    double off, near, far, expected = suppose_nominal(s)->turns[limb];

    out[0] = '\0';
    if (!estimate_of(s, v, limb ? ESTIMATE_TURNS_B : ESTIMATE_TURNS_A, row, &e))
        return;
    off = e.median - expected;
    /* Distance from the design, the nearer end of the interval first. */
    near = off < 0 ? expected - e.high : e.low - expected;
    far = off < 0 ? expected - e.low : e.high - expected;
    if (near >= 0)
        snprintf(out, 80, "%.0f (%.0f to %.0f) turns %s of %.0f", fabs(off), near, far,
                 off < 0 ? "short" : "over", expected);
    else
        snprintf(out, 80, "%.0f (%.0f %s to %.0f %s) turns %s of %.0f", fabs(off), -near,
                 off < 0 ? "over" : "short", far, off < 0 ? "short" : "over",
                 off < 0 ? "short" : "over", expected);
}

/* "8.3 (7.9 to 8.8) mm" */
static void range_text(const struct verdict_estimate *e, double scale, const char *unit,
                       char out[80])
{
    int p = places(0.5 * (e->high - e->low) / scale);

    snprintf(out, 80, "%.*f (%.*f to %.*f) %s", p, e->median / scale, p, e->low / scale, p,
             e->high / scale, unit);
}

/* Unit of a resistance for a person, and what one of it is in ohm. */
const char *wording_ohm_unit(double ohm, double *scale)
{
    *scale = ohm >= 0.995e6 ? 1e6 : ohm >= 995 ? 1e3 : 1;
    return *scale > 1e3 ? "MΩ" : *scale > 1 ? "kΩ" : "Ω";
}

/* "480 Ω", "0.12 Ω", "3.4 kΩ": two figures, for a resistance known to a decade or so. */
void wording_ohm(double ohm, char out[24])
{
    double scale;
    const char *unit = wording_ohm_unit(ohm, &scale);
    int power;

    ohm /= scale;
    power = ohm > 0 ? (int)floor(log10(ohm)) : 0;
    if (power >= 2) {
        double step = pow(10, power - 1);

        snprintf(out, 24, "%.0f %s", step * round(ohm / step), unit);
    } else {
        snprintf(out, 24, "%.*f %s", power < -2 ? 3 : 1 - power, ohm, unit);
    }
}

/* Resistances of a joint or a leakage spread over decades: each end has its own unit then. */
static void ohms_text(const struct verdict_estimate *e, char out[80])
{
    char middle[24], low[24], high[24];
    double scale;

    if (e->high < 20 * e->low) {
        const char *unit = wording_ohm_unit(e->median, &scale);

        range_text(e, scale, unit, out);
        return;
    }
    wording_ohm(e->median, middle);
    wording_ohm(fmax(e->low, 0), low);
    wording_ohm(e->high, high);
    snprintf(out, 80, "%s (%s to %s)", middle, low, high);
}

/* "1.35 (1.2 to 1.6) mm of air at each pole, stated 1 mm": all of it, what is left at contact too.
 */
static void gap_text(const struct suppose *s, const struct verdict_estimate *e, char out[80])
{
    const struct coil_specimen *n = suppose_nominal(s);
    char range[80];

    range_text(e, 1e-3, "mm of air at each pole", range);
    snprintf(out, 80, "%.48s, %s %.3g mm", range, n->gap > 0 ? "stated" : "in contact about",
             1e3 * e->expected);
}

static void wire_text(const struct suppose *s, const struct verdict *v, size_t row, char out[96])
{
    double share[32] = {0}, sum = 0;
    int best = 0, second;

    for (size_t i = 0; i < v->draws; i++) {
        const struct verdict_draw *d = &v->draw[i];

        if (d->variant.finding == row && d->variant.wire >= 0 && d->variant.wire < 32) {
            share[d->variant.wire] += 1;
            sum += 1;
        }
    }
    for (int k = 1; k < 32; k++)
        if (share[k] > share[best])
            best = k;
    second = best ? 0 : 1;
    for (int k = 0; k < 32; k++)
        if (k != best && share[k] > share[second])
            second = k;
    out[0] = '\0';
    if (sum > 0 && share[second] > 0.1 * sum)
        snprintf(out, 96, "%s rather than %s (or %s)", suppose_wire(s, best),
                 suppose_design(s)->winding.wire.label, suppose_wire(s, second));
    else if (sum > 0)
        snprintf(out, 96, "%s rather than %s", suppose_wire(s, best),
                 suppose_design(s)->winding.wire.label);
}

/* A coil with no fault of its own that is beyond a limit all the same: what of it is. */
static void beyond_text(const struct suppose *s, const struct verdict *v, struct verdict_finding *f)
{
    size_t row = (size_t)(f->finding - finding_table(NULL)), n = 0, broken = 0;
    double most = 1;

    for (size_t i = 0; i < v->draws; i++)
        if (v->draw[i].variant.finding == row) {
            n++;
            broken += !v->draw[i].good;
        }
    if (2 * broken <= n)
        return;
    wording_say(f->text, "wound as designed, yet beyond a limit");
    for (int limb = 0; limb < design_limbs(suppose_design(s)); limb++) {
        struct verdict_estimate e;
        double off;

        if (!estimate_of(s, v, limb ? ESTIMATE_RESISTANCE_B : ESTIMATE_RESISTANCE_A, row, &e))
            continue;
        off = e.median / e.expected - 1;
        if (!(fabs(off) > most * v->limits.resistance))
            continue;
        most = fabs(off) / v->limits.resistance;
        wording_say(f->text,
                    "right wire and turns, but limb %c at 20 °C has %.2g %% %s resistance than "
                    "designed, %.3g %% is allowed",
                    limb ? 'B' : 'A', 100 * fabs(off), off < 0 ? "less" : "more",
                    100 * v->limits.resistance);
    }
}

/* One sentence about a finding, with its figures where there are draws enough. */
void wording_finding(const struct suppose *s, const struct verdict *v, struct verdict_finding *f)
{
    size_t row = (size_t)(f->finding - finding_table(NULL));
    unsigned faults = f->finding->faults;
    char a[80] = "", b[80] = "", wire[96] = "";
    struct verdict_estimate e;
    size_t used;

    wording_say(f->text, "%s", f->finding->title);
    if (faults == 0)
        beyond_text(s, v, f);
    used = strlen(f->text);
    if (faults & (FINDING_TURNS_A | FINDING_TURNS_ALIKE))
        turns_text(s, v, row, 0, a);
    if (faults & FINDING_TURNS_B ||
        ((faults & FINDING_TURNS_ALIKE) && design_limbs(suppose_design(s)) > 1))
        turns_text(s, v, row, 1, b);
    if (faults & FINDING_GAUGE)
        wire_text(s, v, row, wire);
    if (wire[0])
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, ": %s", wire);
    if (a[0] && used < sizeof f->text)
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, ": limb A %s", a);
    if (b[0] && used < sizeof f->text)
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, "%s limb B %s",
                                 a[0] ? "," : ":", b);
    if (used >= sizeof f->text)
        return;
    a[0] = '\0';
    if ((faults & FINDING_SHORTED_A) && estimate_of(s, v, ESTIMATE_SHORTED_A, row, &e))
        range_text(&e, 1, "turns", a);
    else if ((faults & FINDING_SHORTED_B) && estimate_of(s, v, ESTIMATE_SHORTED_B, row, &e))
        range_text(&e, 1, "turns", a);
    else if ((faults & (FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR)) &&
             estimate_of(s, v, ESTIMATE_JOINT, row, &e))
        ohms_text(&e, a);
    else if ((faults & FINDING_LEAKAGE) && estimate_of(s, v, ESTIMATE_LEAKAGE, row, &e))
        ohms_text(&e, a);
    else if ((faults & FINDING_WARM) && !(faults & FINDING_GAUGE) &&
             estimate_of(s, v, ESTIMATE_HEAT, row, &e)) {
        if (faults == FINDING_WARM && e.high < 0) {
            struct verdict_estimate below = e;

            below.median = -e.median;
            below.low = -e.high;
            below.high = -e.low;
            wording_say(f->text, "the coil was colder than stated when measured");
            used = strlen(f->text);
            range_text(&below, 1, "K below the stated temperature", a);
        } else {
            range_text(
                &e, 1,
                e.low > 0 ? "K above the stated temperature" : "K from the stated temperature", a);
        }
    } else if ((faults & FINDING_GAP) && estimate_of(s, v, ESTIMATE_GAP, row, &e))
        gap_text(s, &e, a);
    else if ((faults & FINDING_LEADS) && estimate_of(s, v, ESTIMATE_LEADS, row, &e))
        ohms_text(&e, a);
    if (a[0])
        snprintf(f->text + used, sizeof f->text - used, ": %s", a);
}
