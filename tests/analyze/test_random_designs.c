/* Designs at random through the design file and the prediction. 10 000 possible ones must be read,
 * solved, and leave no figure without a value; one key at a time made non-finite, zero, negative or
 * huge must be refused with the key or quantity, its value and what is allowed, or give figures. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_rng.h>

#include "analyze/designfile.h"
#include "analyze/model/coil.h"
#include "analyze/model/iron.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"

#define DESIGNS    10000
#define KEYS_MOST  64
#define SPOILT_ALL 40 /* designs of which every key is spoilt in turn */

/* A design file under construction: one line a key. */
struct text {
    int n;
    char section[KEYS_MOST][16], key[KEYS_MOST][32], value[KEYS_MOST][64];
};

static void put(struct text *t, const char *section, const char *key, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void put(struct text *t, const char *section, const char *key, const char *format, ...)
{
    va_list args;

    assert_true(t->n < KEYS_MOST);
    snprintf(t->section[t->n], sizeof t->section[0], "%s", section);
    snprintf(t->key[t->n], sizeof t->key[0], "%s", key);
    va_start(args, format);
    vsnprintf(t->value[t->n], sizeof t->value[0], format, args);
    va_end(args);
    t->n++;
}

static void write_out(const struct text *t, char *out, size_t size)
{
    static const char *const sections[] = {"coil",    "core",   "keeper", "wire",
                                           "winding", "supply", "work",   "limits"};
    size_t used = 0;

    for (size_t s = 0; s < sizeof sections / sizeof sections[0]; s++) {
        bool first = true;

        for (int i = 0; i < t->n; i++) {
            if (strcmp(t->section[i], sections[s]) != 0)
                continue;
            if (first)
                used += (size_t)snprintf(out + used, size - used, "[%s]\n", sections[s]);
            first = false;
            used += (size_t)snprintf(out + used, size - used, "%s = %s\n", t->key[i], t->value[i]);
            assert_true(used < size);
        }
    }
}

static double draw(gsl_rng *rng, double low, double high)
{
    return low * pow(high / low, gsl_rng_uniform(rng));
}

static bool chance(gsl_rng *rng, double p)
{
    return gsl_rng_uniform(rng) < p;
}

/* A magnet that could be made: sizes over what a bench meets and well beyond, windings that fit. */
static void random_design(gsl_rng *rng, struct text *t)
{
    static const char *const forms[] = {"bar", "bent", "yoke"};
    static const char *const shapes[] = {"round", "rectangular", "stadium"};
    unsigned long form = gsl_rng_uniform_int(rng, 3), shape = gsl_rng_uniform_int(rng, 3);
    double w = draw(rng, 2, 60), d = w * draw(rng, 0.4, shape == 2 ? 0.99 : 2.0);
    double size = sqrt(w * d), length = size * draw(rng, 1.5, 12),
           wound = length * draw(rng, 0.4, 0.99);
    double wrap = chance(rng, 0.2) ? 0 : draw(rng, 0.02, 0.1) * size,
           height = size * draw(rng, 0.05, 0.8);
    double spacing = w + 2 * (wrap + height) * draw(rng, 1.1, 3);
    double wire = fmin(draw(rng, 0.06, 1.0), height / 3),
           most = 0.5 * height * wound / (wire * wire * 1.7);
    bool two = form > 0;

    memset(t, 0, sizeof *t);
    put(t, "coil", "name", "drawn");
    put(t, "core", "form", "%s", forms[form]);
    put(t, "core", "iron", "%s", iron_name(gsl_rng_uniform_int(rng, iron_count())));
    if (shape == 0)
        put(t, "core", "limb", "round %.4f mm", w);
    else
        put(t, "core", "limb", "%s %.4f mm x %.4f mm", shapes[shape], w, d);
    put(t, "core", "limb length", "%.4f mm", length);
    if (two)
        put(t, "core", "spacing", "%.4f mm", spacing);
    if (form == 2 && chance(rng, 0.9)) {
        put(t, "core", "yoke", "rectangular %.4f mm x %.4f mm", fmax(d * draw(rng, 0.5, 2), 0.6),
            fmax(size * draw(rng, 0.2, 1.2), 0.6));
        if (chance(rng, 0.5))
            put(t, "core", "yoke length", "%.4f mm", spacing + w * draw(rng, 0.5, 2));
        if (chance(rng, 0.5))
            put(t, "core", "joint gap", "%.5f mm", chance(rng, 0.3) ? 0 : draw(rng, 1e-3, 1));
    }
    if (chance(rng, 0.2)) {
        put(t, "core", "pole width", "%.4f mm",
            fmin(w * draw(rng, 0.7, 1.8), two ? spacing / 1.05 : 1e9));
        put(t, "core", "pole depth", "%.4f mm", (shape ? d : w) * draw(rng, 0.7, 1.8));
    }
    if (chance(rng, 0.8)) {
        if (chance(rng, 0.2))
            put(t, "keeper", "section", "round %.4f mm", fmax(size * draw(rng, 0.3, 1.5), 0.8));
        else
            put(t, "keeper", "section", "rectangular %.4f mm x %.4f mm",
                fmax(d * draw(rng, 0.3, 3), 0.8), fmax(size * draw(rng, 0.05, 1.5), 0.4));
        if (chance(rng, 0.6))
            put(t, "keeper", "length", "%.4f mm", (two ? spacing : 0) + w * draw(rng, 0.5, 3));
        put(t, "keeper", "gap", "%.5f mm", chance(rng, 0.1) ? 0 : draw(rng, 0.01, 10));
        if (chance(rng, 0.5))
            put(t, "keeper", "roughness", "%.5f mm", chance(rng, 0.3) ? 0 : draw(rng, 1e-3, 0.2));
    }
    put(t, "wire", "size", "%.4f mm", wire);
    if (chance(rng, 0.3))
        put(t, "wire", "metal", "aluminium");
    if (two && chance(rng, 0.5)) {
        put(t, "winding", "turns a", "%.0f", fmax(most * draw(rng, 0.02, 1), 1));
        put(t, "winding", "turns b", "%.0f", chance(rng, 0.1) ? 0 : most * draw(rng, 0.02, 1));
    } else {
        put(t, "winding", "turns", "%.0f", fmax(most * draw(rng, 0.02, 1), 1));
    }
    put(t, "winding", "layers", "%s",
        chance(rng, 0.4)   ? "orthocyclic"
        : chance(rng, 0.5) ? "square"
                           : "scramble");
    put(t, "winding", "wound length", "%.4f mm", wound);
    put(t, "winding", "wrap", "%.4f mm", wrap);
    if (two && chance(rng, 0.3))
        put(t, "winding", "connection", "parallel");
    if (two && chance(rng, 0.3))
        put(t, "winding", "sense", "cancelling");
    put(t, "supply", "voltage", "%.5g V", chance(rng, 0.05) ? 0 : draw(rng, 0.01, 40));
    put(t, "supply", "source resistance", "%.5g ohm", draw(rng, 0.05, 5));
    if (chance(rng, 0.3)) {
        put(t, "supply", "pulse", "%.5g ms", draw(rng, 1, 1000));
        put(t, "supply", "period", "%.5g s", draw(rng, 1, 100));
    }
}

static void check_interval(const struct text *t, const char *what, const struct thermal_interval *i)
{
    if (isnan(i->value) || isnan(i->low) || isnan(i->high) || i->low > i->high)
        fail_msg("%s %s: %s is %g, %g to %g", t->value[1], t->value[3], what, i->value, i->low,
                 i->high);
}

/* No figure that exists may be without a value, u or interval. */
static void check_prediction(const struct text *t, const struct prediction *p)
{
    for (size_t q = 0; q < COIL_QUANTITIES; q++) {
        const struct prediction_figure *f = &p->figure[q];

        if (f->exists && (isnan(f->value) || isnan(f->u) || f->u < 0 || isnan(f->low) ||
                          isnan(f->high) || f->low > f->high))
            fail_msg("%s %s: %s is %g +- %g, %g to %g", t->value[1], t->value[3],
                     coil_quantity_name((enum coil_quantity)q), f->value, f->u, f->low, f->high);
    }
    /* what every design with iron has */
    assert_true(p->figure[COIL_RESISTANCE_PAIR].exists && p->figure[COIL_CURRENT].exists);
    assert_true(p->figure[COIL_FLUX_A].exists && p->figure[COIL_B_LIMB].exists);
    assert_true(p->figure[COIL_INDUCTANCE_OFF].exists);
}

static struct units *units_of(void **state)
{
    return *state;
}

static void test_possible(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int budgets = 0, drawn = 0, misfits = 0;
    const bool slow = getenv("TRUEWOUND_VALGRIND") != NULL;

    gsl_rng_set(rng, 1729);
    for (int i = 0; i < (slow ? 100 : DESIGNS); i++) {
        struct text t;
        char text[8192];
        struct design design;
        struct designfile_warnings warnings;
        struct coil *coil;
        struct coil_specimen s;
        struct coil_conditions k;
        struct coil_observables o;
        struct status st;

        do {
            random_design(rng, &t);
            write_out(&t, text, sizeof text);
            if (designfile_parse(units_of(state), "drawn", text, &design, &warnings, &st) ==
                STATUS_OK)
                break;
            /* a winding that does not go between its neighbours is the one thing left to chance */
            if (!strstr(st.text, "fit"))
                fail_msg("design %d: %s\n%s", i, st.text, text);
            misfits++;
        } while (misfits < DESIGNS);
        if (coil_new(&design, &coil, &st))
            fail_msg("design %d: %s\n%s", i, st.text, text);
        coil_specimen_nominal(coil, &s);
        coil_conditions_nominal(coil, &k);
        if (coil_forward(coil, &s, &k, COIL_ALL, &o, &st))
            fail_msg("design %d: %s\n%s", i, st.text, text);
        if (i % 20 == 0) {
            struct prediction p;
            struct outlook outlook;

            if (prediction_make(coil, &k, COIL_ALL, i % 200 == 0 ? 300 : 0, &p, &st) ||
                outlook_make(coil_design(coil), &p, &outlook, &st))
                fail_msg("design %d: %s\n%s", i, st.text, text);
            check_prediction(&t, &p);
            assert_int_equal(p.failed, 0);
            if (outlook.powered)
                check_interval(&t, "temperature", &outlook.heat.temperature);
            budgets++;
            drawn += i % 200 == 0;
        }
        coil_free(coil);
    }
    printf("%d budgets, %d with draws, %d windings that did not fit\n", budgets, drawn, misfits);
    gsl_rng_free(rng);
}

/* What a key's figure is replaced by; the unit stays. */
static const char *const spoils[] = {"nan",   "inf", "-inf", "0",     "-1",    "-1e-9", "1e-9",
                                     "1e-30", "1e6", "1e9",  "1e300", "1e999", "1e-300"};

/* Puts a spoilt figure in place of the first one of the text. False if there is none. */
static bool spoil(char *value, size_t size, const char *figure)
{
    char rest[64];
    size_t before = strcspn(value, "0123456789"), after;

    if (!value[before])
        return false;
    after = before + strspn(value + before, "0123456789.e+-");
    snprintf(rest, sizeof rest, "%s", value + after);
    snprintf(value + before, size - before, "%s%s", figure, rest);
    return true;
}

static void test_spoilt(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const int designs = getenv("TRUEWOUND_VALGRIND") ? 2 : SPOILT_ALL;
    int refused = 0, worked = 0;

    gsl_rng_set(rng, 271828);
    for (int i = 0; i < designs; i++) {
        struct text whole;

        random_design(rng, &whole);
        for (int k = 1; k < whole.n; k++) {
            for (size_t j = 0; j < sizeof spoils / sizeof spoils[0]; j++) {
                struct text t = whole;
                char text[8192];
                struct design design;
                struct designfile_warnings warnings;
                struct coil_conditions c;
                struct prediction p;
                struct outlook outlook;
                struct coil *coil = NULL;
                struct status st;

                if (!spoil(t.value[k], sizeof t.value[k], spoils[j]))
                    continue;
                write_out(&t, text, sizeof text);
                if (designfile_parse(units_of(state), "spoilt", text, &design, &warnings, &st) ||
                    coil_new(&design, &coil, &st)) {
                    refused++;
                } else {
                    coil_conditions_nominal(coil, &c);
                    if (prediction_make(coil, &c, COIL_ALL, 0, &p, &st) ||
                        outlook_make(coil_design(coil), &p, &outlook, &st)) {
                        refused++;
                    } else {
                        check_prediction(&t, &p);
                        worked++;
                        coil_free(coil);
                        continue;
                    }
                }
                coil_free(coil);
                /* a refusal is the input's fault, and says what it read and what may stand there */
                if (st.code != STATUS_INPUT || !strpbrk(st.text, "0123456789'") ||
                    !(strstr(st.text, "must be") || strstr(st.text, "expected") ||
                      strstr(st.text, "fit") || strstr(st.text, "allowed") ||
                      strstr(st.text, "touch") || strstr(st.text, "longer than") ||
                      strstr(st.text, "is not a wire size") || strstr(st.text, "does not go") ||
                      strstr(st.text, "below zero") || strstr(st.text, "out of range")))
                    fail_msg("[%s] %s = %s: code %d: %s\n%s", t.section[k], t.key[k], t.value[k],
                             (int)st.code, st.text, text);
            }
        }
    }
    printf("%d refused, %d worked\n", refused, worked);
    assert_true(refused > 50 * designs && worked > 2 * designs);
    gsl_rng_free(rng);
}

static int open_units(void **state)
{
    struct units *units;
    struct status st;

    gsl_set_error_handler_off();
    if (units_open(&units, &st) != STATUS_OK)
        return -1;
    *state = units;
    return 0;
}

static int close_units(void **state)
{
    units_close(*state);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_possible),
        cmocka_unit_test(test_spoilt),
    };

    return cmocka_run_group_tests(tests, open_units, close_units);
}
