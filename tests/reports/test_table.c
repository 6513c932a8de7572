/* Tables. Widths are checked with the C library's wcswidth (POSIX), JSON with jansson; CSV is
 * read back here by the grammar of RFC 4180, section 2, and by Python's csv module in
 * check_reports.sh. Random tables print their seed. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "reports/progress.h"
#include "reports/table.h"
#include <locale.h>
#include <stdlib.h>
#include <string.h>
#include <wchar.h>

static uint64_t next(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
    return *seed >> 33;
}

static char *printed(const struct table *table, int width, bool colour)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    struct report_error error = {""};
    assert_non_null(out);
    bool good = table_print(table, out, width, colour, &error);
    fclose(out);
    if (!good)
        fail_msg("%s", error.text);
    return text;
}

static struct table *example(void)
{
    struct table *t = table_new("Coil up-home-1");
    table_column(t, TABLE_NAME, "quantity", "quantity", NULL);
    table_column(t, TABLE_FIGURE, "measured", "measured", "Ω");
    table_column(t, TABLE_MARK, "verdict", "verdict", NULL);
    table_column(t, TABLE_TEXT, "remark", "remark", NULL);
    table_row(t);
    table_text(t, "limb A");
    table_figure(t, 8.312, 0.0213);
    table_mark(t, TABLE_MARK_BAD, "differs");
    table_text(t, "four wires, leads taken off, winding at rest for an hour before; some 51 turns "
                  "seem to be missing");
    table_row(t);
    table_text(t, "both, \"in series\"");
    table_figure(t, 17.4, 1.23);
    table_mark(t, TABLE_MARK_GOOD, "agrees");
    table_row(t);
    table_text(t, "turns");
    table_count(t, 1280);
    table_note(t, "at 20 °C");
    return t;
}

static void example_reads_well(void **state)
{
    (void)state;
    struct table *t = example();
    char *text = printed(t, 80, false);
    assert_string_equal(
        text, "Coil up-home-1\n"
              "quantity                   measured  verdict    remark\n"
              "                                  Ω\n"
              "-----------------  ----------------  ---------  --------------------------------\n"
              "limb A                8.312 ± 0.021  ✕ differs  four wires, leads taken off,\n"
              "                                                winding at rest for an hour\n"
              "                                                before; some 51 turns seem to be\n"
              "                                                missing\n"
              "both, \"in series\"    17.4   ± 1.2    ● agrees   –\n"
              "turns              1280              –          –\n"
              "at 20 °C\n");
    free(text);
    table_free(t);
}

/* Columns of each line of text, by the C library. */
static void check_width(const char *text, int width, uint64_t seed)
{
    wchar_t wide[4096];
    for (const char *p = text; *p;) {
        const char *end = strchr(p, '\n');
        assert_non_null(end);
        char line[4096];
        size_t n = (size_t)(end - p);
        assert_true(n < sizeof line);
        memcpy(line, p, n);
        line[n] = '\0';
        size_t characters = mbstowcs(wide, line, 4095);
        assert_true(characters != (size_t)-1);
        int columns = wcswidth(wide, characters);
        if (columns < 0 || columns > width)
            fail_msg("seed %llu: %d columns where %d are allowed: '%s'", (unsigned long long)seed,
                     columns, width, line);
        if (n && line[n - 1] == ' ')
            fail_msg("seed %llu: a line ends in a space: '%s'", (unsigned long long)seed, line);
        p = end + 1;
    }
}

static void random_text(uint64_t *seed, char *out, size_t most)
{
    static const char *const pieces[] = {
        "a",  "wire", " ",  "Ω", "µ",    "e\u0301", "\xe4\xbd\xa0", "\xff",
        "\n", "\x1b", "\"", ",", "long", "turns ",  "\xe2\x80\xae", "\t"};
    size_t n = 0, count = next(seed) % 40;
    out[0] = '\0';
    for (size_t i = 0; i < count; i++) {
        const char *piece = pieces[next(seed) % 16];
        if (n + strlen(piece) >= most)
            break;
        strcpy(out + n, piece);
        n += strlen(piece);
    }
}

static struct table *random_table(uint64_t *seed)
{
    char text[256];
    random_text(seed, text, sizeof text);
    struct table *t = table_new(next(seed) % 2 ? text : NULL);
    size_t columns = 1 + next(seed) % 7, rows = next(seed) % 6;
    enum table_kind kinds[8];
    for (size_t c = 0; c < columns; c++) {
        char key[16];
        snprintf(key, sizeof key, "k%zu", c);
        kinds[c] = (enum table_kind)(next(seed) % 4);
        random_text(seed, text, 20);
        table_column(t, kinds[c], key, text, next(seed) % 2 ? "mΩ" : NULL);
    }
    for (size_t r = 0; r < rows; r++) {
        table_row(t);
        for (size_t c = 0; c < columns; c++) {
            random_text(seed, text, sizeof text);
            double value = ((double)next(seed) - 1e9) * 1e-6;
            if (next(seed) % 9 == 0)
                table_absent(t);
            else if (kinds[c] == TABLE_FIGURE)
                table_figure(t, next(seed) % 8 ? value : NAN,
                             next(seed) % 3 ? fabs(value) / (double)(1 + next(seed) % 900) : NAN);
            else if (kinds[c] == TABLE_MARK)
                table_mark(t, (enum table_mark)(next(seed) % 4), text);
            else
                table_text(t, text);
        }
    }
    return t;
}

static void lines_never_pass_the_width(void **state)
{
    (void)state;
    assert_non_null(setlocale(LC_CTYPE, "C.UTF-8"));
    for (uint64_t start = 1; start <= 1500; start++) {
        uint64_t seed = start;
        struct table *t = random_table(&seed);
        int widths[] = {80, 20, 132, 40};
        for (int i = 0; i < 4; i++) {
            char *text = printed(t, widths[i], false);
            check_width(text, widths[i], start);
            free(text);
        }
        table_free(t);
    }
    setlocale(LC_CTYPE, "C");
}

static void figures_line_up(void **state)
{
    (void)state;
    struct table *t = table_new(NULL);
    table_column(t, TABLE_FIGURE, "v", "value", "V");
    static const double values[][2] = {{1.5, 0.01}, {12.25, 0.5}, {-103, 12}, {0.0031, 0.0002}};
    for (int i = 0; i < 4; i++) {
        table_row(t);
        table_figure(t, values[i][0], values[i][1]);
    }
    char *text = printed(t, 80, false);
    assert_string_equal(text, "               value\n"
                              "                   V\n"
                              "--------------------\n"
                              "   1.500   ± 0.010\n"
                              "  12.25    ± 0.50\n"
                              "-103       ± 12\n"
                              "   0.00310 ± 0.00020\n");
    free(text);
    table_free(t);
}

static void colour_only_when_told(void **state)
{
    (void)state;
    struct table *t = example();
    char *plain = printed(t, 80, false), *coloured = printed(t, 80, true);
    assert_null(strchr(plain, '\033'));
    assert_non_null(strstr(coloured, "\033[31m✕ differs\033[0m"));
    assert_non_null(strstr(plain, "✕ differs")); /* a shape and a word without any colour */
    assert_non_null(strstr(plain, "● agrees"));
    free(plain);
    free(coloured);
    table_free(t);
}

/* One field of RFC 4180; returns what follows it. */
static const char *csv_field(const char *p, char *out)
{
    if (*p != '"') {
        while (*p != ',' && *p != '\r')
            *out++ = *p++;
        *out = '\0';
        return p;
    }
    for (p++; *p != '"' || p[1] == '"'; p++) {
        assert_int_not_equal(*p, '\0');
        *out++ = *p;
        p += *p == '"';
    }
    *out = '\0';
    return p + 1;
}

static void csv_reads_back(void **state)
{
    (void)state;
    struct table *t = example();
    char *text = NULL, field[256];
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    assert_true(table_csv(t, out, NULL));
    fclose(out);
    static const char *const expected[][5] = {
        {"quantity", "measured (Ω)", "measured u (Ω)", "verdict", "remark"},
        {"limb A", "8.312", "0.0213", "differs",
         "four wires, leads taken off, winding at rest for an hour before; some 51 turns seem to "
         "be "
         "missing"},
        {"both, \"in series\"", "17.4", "1.23", "agrees", ""},
        {"turns", "1280", "", "", ""}};
    const char *p = text;
    for (int r = 0; r < 4; r++) {
        for (int c = 0; c < 5; c++) {
            p = csv_field(p, field);
            assert_string_equal(field, expected[r][c]);
            if (c < 4)
                assert_int_equal(*p++, ',');
        }
        assert_memory_equal(p, "\r\n", 2);
        p += 2;
    }
    assert_int_equal(*p, '\0');
    free(text);
    table_free(t);
}

static void json_reads_back(void **state)
{
    (void)state;
    struct table *t = example();
    struct report_error error = {""};
    json_t *made = table_json(t, &error);
    assert_non_null(made);
    char *text = json_dumps(made, 0);
    json_t *read = json_loads(text, 0, NULL);
    assert_true(json_equal(made, read));
    const char *quantity, *word, *unit;
    double value, u;
    assert_int_equal(json_unpack(read, "{s:[{},{s:s}], s:[{s:s, s:f, s:f, s:s}]}", "columns",
                                 "unit", &unit, "rows", "quantity", &quantity, "measured", &value,
                                 "measured_u", &u, "verdict", &word),
                     0);
    assert_string_equal(quantity, "limb A");
    assert_string_equal(unit, "Ω");
    assert_string_equal(word, "differs");
    assert_true(value == 8.312 && u == 0.0213);
    json_t *turns = json_array_get(json_object_get(read, "rows"), 2);
    assert_true(json_is_null(json_object_get(turns, "verdict"))); /* unknown is null, not 0 */
    assert_int_equal(json_integer_value(json_object_get(turns, "measured")), 1280);
    json_decref(read);
    json_decref(made);
    free(text);
    for (uint64_t start = 1; start <= 300; start++) {
        uint64_t seed = start;
        struct table *r = random_table(&seed);
        json_t *all = table_json(r, NULL);
        assert_non_null(all);
        json_decref(all);
        table_free(r);
    }
    table_free(t);
}

static void misuse_is_an_error(void **state)
{
    (void)state;
    struct report_error error = {""};
    struct table *t = table_new(NULL);
    table_column(t, TABLE_TEXT, "a", "a", NULL);
    table_row(t);
    table_text(t, "one");
    table_text(t, "two");
    assert_false(table_print(t, stdout, 80, false, &error));
    assert_string_equal(error.text, "a table row has more cells than the table has columns");
    assert_null(table_json(t, &error));
    assert_false(table_csv(t, stdout, &error));
    table_free(t);
    t = table_new(NULL);
    for (int i = 0; i < 33; i++)
        table_column(t, TABLE_TEXT, "a", "a", NULL);
    assert_false(table_csv(t, stdout, NULL));
    table_free(t);
    t = example();
    FILE *full = fopen("/dev/full", "w");
    if (full) {
        setvbuf(full, NULL, _IONBF, 0);
        assert_false(table_print(t, full, 80, false, &error));
        assert_non_null(strstr(error.text, "closed or full"));
        fclose(full);
    }
    table_free(t);
    table_free(NULL);
}

static void progress_stays_off_files(void **state)
{
    (void)state;
    FILE *file = tmpfile();
    assert_non_null(file);
    struct progress progress;
    progress_begin(&progress, file, "reading", 10);
    progress.start_ms -= 5000; /* as if five seconds had gone by */
    progress_step(&progress, 3);
    progress_end(&progress);
    assert_int_equal(ftell(file), 0);
    progress_begin(&progress, file, "reading \x1b[2J", 10);
    progress.terminal = true;
    progress_step(&progress, 3);
    assert_int_equal(ftell(file), 0); /* not in the first second */
    progress.start_ms -= 5000;
    progress_step(&progress, 3);
    assert_true(ftell(file) > 0);
    progress_end(&progress);
    char text[200] = "";
    rewind(file);
    size_t n = fread(text, 1, sizeof text - 1, file);
    text[n] = '\0';
    assert_string_equal(text, "\r\033[Kreading [2J:  30 %\r\033[K");
    fclose(file);
}

/* What a meter shows to its last digit is printed so, and kept in full for programs. */
static void digits_as_told(void **state)
{
    (void)state;
    struct table *t = table_new(NULL);
    table_column(t, TABLE_FIGURE, "r", "r", "Ω");
    table_row(t);
    table_digits(t, 8.30601, 0.001);
    table_row(t);
    table_digits(t, 12345.678, 10.0);
    table_row(t);
    table_digits(t, 8.30601, NAN);
    char *text = printed(t, 80, false);
    assert_string_equal(text, "        r\n"
                              "        Ω\n"
                              "---------\n"
                              "    8.306\n"
                              "12346\n"
                              "    8.306\n");
    json_t *all = table_json(t, NULL);
    json_t *first = json_array_get(json_object_get(all, "rows"), 0);
    assert_true(json_number_value(json_object_get(first, "r")) == 8.30601);
    json_decref(all);
    free(text);
    table_free(t);
}

/* With GALLERY_DIR set, a table is left there for check_reports.sh to read. */
static void gallery_is_written(void **state)
{
    (void)state;
    const char *folder = getenv("GALLERY_DIR");
    if (!folder)
        return;
    char path[512];
    struct table *t = example();
    snprintf(path, sizeof path, "%s/table.csv", folder);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(table_csv(t, file, NULL));
    assert_int_equal(fclose(file), 0);
    json_t *all = table_json(t, NULL);
    snprintf(path, sizeof path, "%s/table.json", folder);
    assert_int_equal(json_dump_file(all, path, JSON_INDENT(1)), 0);
    json_decref(all);
    table_free(t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(example_reads_well),       cmocka_unit_test(lines_never_pass_the_width),
        cmocka_unit_test(digits_as_told),           cmocka_unit_test(figures_line_up),
        cmocka_unit_test(colour_only_when_told),    cmocka_unit_test(csv_reads_back),
        cmocka_unit_test(json_reads_back),          cmocka_unit_test(misuse_is_an_error),
        cmocka_unit_test(progress_stays_off_files), cmocka_unit_test(gallery_is_written),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
