/* Batteries as people meet them, from readings in a store to the one sentence: what is said, what
 * is an alarm, and that no date is given where none can be known. Cells as in forecast_cells.h,
 * invented; the expectations are what was done to the battery. */
#include "tests/db/scratch.h"

#include "analyze/batterybook.h"
#include "analyze/batteryshow.h"
#include "db/store_result.h"
#include "tests/bench/forecast_cells.h"

#define DAY_US  ((int64_t)86400 * 1000000)
#define PER_DAY 4

enum { UNLOADED, LOADED, TEMPERATURE, PULSES, CHANNELS };

struct stage {
    struct scratch scratch;
    struct store *store;
    gsl_rng *rng;
    int64_t channel[CHANNELS], time;
    struct forecast_cell cell;
    double pulses, coil, period;
    const char *type;
    bool blind[CHANNELS]; /* not read */
};

/* A site whose battery went in some days ago and is good for about 200. */
static void set(struct stage *s, const char *type, int days_ago, const bool blind[CHANNELS])
{
    static const char *const names[] = {"unloaded", "loaded", "temperature", "pulses"};
    static const char *const quantities[] = {"voltage", "voltage", "temperature", "count"};
    struct store_instrument board = {.name = "site", .driver = "lines"};
    const struct forecast_kind *kind = forecast_kinds;
    struct store_battery battery = {
        .site = "arm", .price = NAN, .capacity = NAN, .confirmed = true};
    struct store_site site = {
        .name = "arm", .henry = 0.2, .pulse = 0.2, .pulse_u = NAN, .standby = NAN, .end = NAN};
    struct status st;
    int64_t id;

    memset(s, 0, sizeof *s);
    scratch_make(&s->scratch);
    OK(store_open(s->scratch.path, STORE_DAEMON, &s->store, &st));
    while (strcmp(kind->name, type) != 0)
        kind++;
    s->type = kind->name;
    s->rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(s->rng);
    gsl_rng_set(s->rng, 23);
    forecast_cell_draw(&s->cell, kind, FORECAST_SHEPHERD, s->rng);
    s->cell.used = 0.0;
    s->cell.capacity = kind->rated_ah;
    s->coil = 8.5 * kind->cells;
    s->period = kind->cells * kind->e0 / s->coil * 0.2 * 200 * 86400 / (kind->rated_ah * 3600);
    s->time = store_now() / DAY_US * DAY_US - days_ago * DAY_US;
    OK(store_bench_put_instrument(s->store, &board, &id, &st));
    for (int i = 0; i < CHANNELS; i++) {
        struct store_channel c = {
            .instrument = id, .name = names[i], .quantity = quantities[i], .resolution = NAN};

        s->blind[i] = blind && blind[i];
        OK(store_bench_put_channel(s->store, &c, &s->channel[i], &st));
    }
    site.unloaded = s->blind[UNLOADED] ? 0 : s->channel[UNLOADED];
    site.loaded = s->blind[LOADED] ? 0 : s->channel[LOADED];
    site.temperature = s->blind[TEMPERATURE] ? 0 : s->channel[TEMPERATURE];
    site.pulses = s->blind[PULSES] ? 0 : s->channel[PULSES];
    site.ohm = s->coil;
    site.period = s->period;
    OK(store_site_put(s->store, &site, &id, &st));
    battery.type = kind->name;
    battery.cells = kind->cells;
    battery.fitted = s->time - DAY_US / 24;
    if (isnan(cell_kind(type)->capacity_ah.value))
        battery.capacity = 3600.0 * kind->rated_ah;
    OK(store_result_fit_battery(s->store, &battery, &id, &st));
}

static void unset(struct stage *s)
{
    struct status st;

    OK(store_close(s->store, &st));
    gsl_rng_free(s->rng);
    scratch_clear(&s->scratch);
    rmdir(s->scratch.folder);
}

static void put(struct stage *s, int channel, int64_t time, double raw)
{
    struct store_reading r = {
        .channel = s->channel[channel], .time = time, .raw = raw, .range = NAN};
    struct status st;

    if (!s->blind[channel])
        OK(store_ingest_reading(s->store, &r, &st));
}

/* Lives on. adapter: V of another supply in the battery's place, NaN none. joint in ohm. */
static void live(struct stage *s, double days, double adapter, double joint)
{
    double n = s->cell.kind->cells;
    struct status st;

    for (int i = 0; i < days * PER_DAY; i++) {
        double t = 12.0 + 3.0 * sin(i / 50.0), lost = 0.03 + n * forecast_cell_ohm(&s->cell, t);
        double u = isnan(adapter) ? n * forecast_cell_volt(&s->cell, t) : adapter;
        double loaded = u * s->coil / (s->coil + lost + joint), tau = 0.2 / s->coil;

        put(s, UNLOADED, s->time, u + gsl_ran_gaussian(s->rng, 0.002));
        put(s, LOADED, s->time, loaded + gsl_ran_gaussian(s->rng, 0.003));
        put(s, TEMPERATURE, s->time, 273.15 + t);
        put(s, PULSES, s->time, floor(s->pulses));
        s->pulses += 86400.0 / PER_DAY / s->period;
        if (isnan(adapter))
            s->cell.used += loaded / s->coil * (0.2 - tau * -expm1(-0.2 / tau)) * 86400.0 /
                            PER_DAY / s->period / 3600.0;
        s->time += DAY_US / PER_DAY;
    }
    OK(store_ingest_flush(s->store, &st));
}

/* What is said now; the sentence into word, days into days. JSON and table are made of it too, and
 * hold no number that is not one. */
static enum batterybook_state say(struct stage *s, char word[BATTERYBOOK_NOTE], double *days)
{
    const struct batterybook_alarm alarm = {14 * 86400.0, 2 * 86400.0};
    struct batterybook_past *past;
    struct batterybook *book;
    struct status st;
    struct table *t;
    json_t *json;
    char *text;
    enum batterybook_state state;

    OK(batterybook_past(s->store, &past, &st));
    OK(batterybook_load(s->store, "arm", 0, &alarm, past, &book, &st));
    batterybook_past_free(past);
    t = batteryshow_table(book);
    assert_non_null(t);
    table_free(t);
    json = batteryshow_json(book);
    assert_non_null(json);
    text = json_dumps(json, 0);
    assert_non_null(text);
    assert_null(strstr(text, "nan"));
    assert_null(strstr(text, "inf"));
    if (book->has_forecast && book->forecast.answer != FORECAST_TELLS &&
        book->forecast.answer != FORECAST_SPENT)
        assert_non_null(strstr(text, "\"end_date\": null"));
    free(text);
    json_decref(json);
    snprintf(word, BATTERYBOOK_NOTE, "%s", book->word);
    *days = batterybook_days(book, FORECAST_Q50);
    state = book->state;
    batterybook_free(book);
    return state;
}

static void expect(struct stage *s, enum batterybook_state expected, const char *words,
                   double least, double most)
{
    char word[BATTERYBOOK_NOTE];
    double days;
    enum batterybook_state state = say(s, word, &days);

    if (state != expected || !strstr(word, words))
        fail_msg("%s, '%s'; expected %s, '%s'", batterybook_state_word(state), word,
                 batterybook_state_word(expected), words);
    if (isnan(least) ? !isnan(days) : !(days >= least && days <= most))
        fail_msg("%.1f days, expected %.1f to %.1f", days, least, most);
}

/* A day, a week, half, the end. */
static void a_life(void **state)
{
    struct stage s;

    (void)state;
    set(&s, "LR20", 200, NULL);
    s.time = store_now() / DAY_US * DAY_US - DAY_US;
    live(&s, 1, NAN, 0);
    expect(&s, BATTERYBOOK_EARLY, "too early to tell", NAN, NAN);
    unset(&s);
    set(&s, "LR20", 100, NULL);
    live(&s, 100, NAN, 0);
    expect(&s, BATTERYBOOK_FINE, "likely good", 60, 180);
    unset(&s);
    set(&s, "LR20", 218, NULL);
    live(&s, 218, NAN, 0);
    expect(&s, BATTERYBOOK_SOON, "may not last", 0, 40);
    unset(&s);
    set(&s, "LR20", 300, NULL);
    live(&s, 300, NAN, 0);
    expect(&s, BATTERYBOOK_SPENT, "change the battery now", 0, 1);
    unset(&s);
}

/* The third battery of a site knows what the first two gave, and says so; asked about the time of
 * the first, it does not. */
static void third_of_a_site(void **state)
{
    const struct batterybook_alarm alarm = {14 * 86400.0, 2 * 86400.0};
    struct batterybook *fresh, *wise;
    struct batterybook_past *past;
    struct store_battery next = {.site = "arm",
                                 .type = "LR20",
                                 .cells = 2,
                                 .price = NAN,
                                 .capacity = NAN,
                                 .confirmed = true};
    struct status st;
    struct stage s;
    json_t *json;
    double fresh_width, wise_width;
    int64_t id, first;

    (void)state;
    set(&s, "LR20", 620, NULL);
    first = s.time;
    s.cell.capacity *= 0.85;
    for (int i = 0; i < 3; i++) {
        if (i) {
            next.fitted = s.time;
            OK(store_result_fit_battery(s.store, &next, &id, &st));
            s.cell.used = 0.0;
        }
        live(&s, i < 2 ? 215 : 90, NAN, 0);
    }
    OK(batterybook_past(s.store, &past, &st));
    OK(batterybook_load(s.store, "arm", s.time, &alarm, NULL, &fresh, &st));
    OK(batterybook_load(s.store, "arm", s.time, &alarm, past, &wise, &st));
    assert_true(fresh->has_forecast && wise->has_forecast);
    assert_int_equal(fresh->forecast.earlier, 0);
    assert_int_equal(wise->forecast.earlier, 2);
    assert_true(wise->earlier[0].here && wise->earlier[1].here);
    assert_true(wise->forecast.alike > 0.7);
    fresh_width = fresh->forecast.days[FORECAST_Q95] - fresh->forecast.days[FORECAST_Q05];
    wise_width = wise->forecast.days[FORECAST_Q95] - wise->forecast.days[FORECAST_Q05];
    if (!(wise_width < 0.75 * fresh_width))
        fail_msg("%.0f days wide with what was learnt, %.0f without", wise_width, fresh_width);
    if (!(fabs(wise->forecast.capacity_ah / s.cell.capacity - 1.0) < 0.06))
        fail_msg("%.2f Ah, really %.2f Ah", wise->forecast.capacity_ah, s.cell.capacity);
    json = batteryshow_json(wise);
    assert_int_equal(
        json_integer_value(json_object_get(json_object_get(json, "forecast"), "learnt_from")), 2);
    json_decref(json);
    batterybook_free(fresh);
    batterybook_free(wise);
    OK(batterybook_load(s.store, "arm", first + 60 * DAY_US, &alarm, past, &fresh, &st));
    assert_int_equal(fresh->n_earlier, 0);
    batterybook_free(fresh);
    batterybook_past_free(past);
    unset(&s);
}

static void one_channel_only(void **state)
{
    static const bool no_load[CHANNELS] = {[LOADED] = true},
                      no_rest[CHANNELS] = {[UNLOADED] = true, [TEMPERATURE] = true},
                      nothing[CHANNELS] = {[UNLOADED] = true, [LOADED] = true};
    struct stage s;

    (void)state;
    set(&s, "LR20", 100, no_load);
    live(&s, 100, NAN, 0);
    expect(&s, BATTERYBOOK_FINE, "likely good", 60, 180);
    unset(&s);
    set(&s, "LR20", 100, no_rest);
    live(&s, 100, NAN, 0);
    expect(&s, BATTERYBOOK_FINE, "likely good", 50, 200);
    unset(&s);
    set(&s, "LR20", 100, nothing);
    live(&s, 100, NAN, 0);
    expect(&s, BATTERYBOOK_NO_WORD, "--unloaded", NAN, NAN);
    unset(&s);
}

/* Changed without a word after 120 days: told, and the days are the new one's. */
static void changed_untold(void **state)
{
    struct stage s;

    (void)state;
    set(&s, "LR20", 160, NULL);
    live(&s, 120, NAN, 0);
    s.cell.used = 0.0;
    live(&s, 40, NAN, 0);
    expect(&s, BATTERYBOOK_FINE, "likely good", 110, 240);
    unset(&s);
}

static void adapter(void **state)
{
    struct stage s;

    (void)state;
    set(&s, "LR20", 160, NULL);
    live(&s, 60, NAN, 0);
    live(&s, 100, 3.3, 0);
    expect(&s, BATTERYBOOK_STRANGE, "did not fall", NAN, NAN);
    unset(&s);
    set(&s, "LR20", 90, NULL);
    live(&s, 60, NAN, 0);
    live(&s, 30, 5.1, 0);
    expect(&s, BATTERYBOOK_STRANGE, "more than a fresh LR20", NAN, NAN);
    unset(&s);
}

/* Charged every ten days for a year: the readings after the last charge count, not the first. */
static void charged_in_place(void **state)
{
    struct stage s;
    char word[BATTERYBOOK_NOTE];
    double days;

    (void)state;
    set(&s, "lead-acid", 361, NULL);
    s.period /= 10.0; /* 20 days a charge */
    for (int i = 0; i < 24; i++) {
        s.cell.used = 0.0;
        live(&s, 15, NAN, 0);
    }
    say(&s, word, &days);
    if (!(isnan(days) || (days > 0.0 && days < 30.0)))
        fail_msg("%.0f days, '%s'", days, word);
    unset(&s);
}

static void joint_not_cells(void **state)
{
    struct stage s;

    (void)state;
    set(&s, "LR20", 80, NULL);
    live(&s, 60, NAN, 0);
    live(&s, 20, NAN, 1.0);
    expect(&s, BATTERYBOOK_JOINT, "clean and tighten", 1, 200);
    unset(&s);
    set(&s, "LR20", 80, NULL);
    live(&s, 60, NAN, 0);
    live(&s, 20, NAN, 14.0);
    expect(&s, BATTERYBOOK_JOINT, "falters now", 0, 1);
    unset(&s);
}

/* Nothing for a week is silence; a clock that was ten years ahead for a day is not the present. */
static void clocks(void **state)
{
    struct stage s;
    int64_t was;

    (void)state;
    set(&s, "LR20", 107, NULL);
    live(&s, 100, NAN, 0);
    expect(&s, BATTERYBOOK_SILENT, "nothing was heard", 60, 180);
    unset(&s);
    set(&s, "LR20", 100, NULL);
    live(&s, 50, NAN, 0);
    was = s.time;
    s.time += 3650 * DAY_US;
    live(&s, 1, NAN, 0);
    s.time = was + DAY_US;
    live(&s, 49, NAN, 0);
    expect(&s, BATTERYBOOK_FINE, "likely good", 60, 180);
    unset(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_life),           cmocka_unit_test(third_of_a_site),
        cmocka_unit_test(one_channel_only), cmocka_unit_test(changed_untold),
        cmocka_unit_test(adapter),          cmocka_unit_test(charged_in_place),
        cmocka_unit_test(joint_not_cells),  cmocka_unit_test(clocks),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
