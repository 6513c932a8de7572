/* inifile: entries, their lines, and what must be refused. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "db/inifile.h"

static enum status_code parse(const char *text, size_t size, struct inifile **file,
                              struct status *st)
{
    return inifile_parse("test.ini", text, size, file, st);
}

static void entries_know_their_line(void **state)
{
    static const char text[] = "; a coil\n[coil]\nname = arm-1 ; the home signal\n\n"
                               "[core]\r\nlimb = round 8 mm\r\nempty =\n";
    struct inifile *file;
    struct status st;
    const struct inifile_entry *entry;

    (void)state;
    assert_int_equal(parse(text, sizeof text - 1, &file, &st), STATUS_OK);
    assert_int_equal(inifile_count(file), 3);
    entry = inifile_find(file, "COIL", "Name");
    assert_non_null(entry);
    assert_string_equal(entry->value, "arm-1");
    assert_int_equal(entry->line, 3);
    entry = inifile_find(file, "core", "limb");
    assert_string_equal(entry->value, "round 8 mm");
    assert_int_equal(entry->line, 6);
    assert_string_equal(inifile_entry(file, 2)->value, "");
    assert_null(inifile_entry(file, 3));
    assert_null(inifile_find(file, "core", "yoke"));
    assert_int_equal(inifile_fail(file, entry, &st, "read %s", "x"), STATUS_INPUT);
    assert_string_equal(st.text, "test.ini:6: [core] limb: read x");
    inifile_free(file);
}

static void refuses_with_the_line(void **state)
{
    static const struct {
        const char *text;
        size_t size; /* 0: strlen */
        const char *says;
    } wrong[] = {
        {"[coil]\nname = a\nnonsense\n", 0, "test.ini:3:"},
        {"[coil\nname = a\n", 0, "test.ini:1:"},
        {"[coil]\nname = \xff\n", 0, "test.ini:2: not plain UTF-8"},
        {"[coil]\nname = \xed\xa0\x80\n", 0, "test.ini:2: not plain UTF-8"},
        {"[coil]\nname = a\0b\n", 18, "test.ini:2: not plain UTF-8"},
        {"[coil]\nname = \xe2\x84", 0, "test.ini:2: not plain UTF-8"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; ++i) {
        size_t size = wrong[i].size ? wrong[i].size : strlen(wrong[i].text);
        struct inifile *file = (struct inifile *)1;
        struct status st;

        assert_int_equal(parse(wrong[i].text, size, &file, &st), STATUS_INPUT);
        assert_null(file);
        if (!strstr(st.text, wrong[i].says))
            fail_msg("case %zu says '%s'", i, st.text);
    }
}

static void a_long_line_is_named_not_split(void **state)
{
    char *text = malloc(3 * INIFILE_LINE_MAX);
    struct inifile *file;
    struct status st;

    (void)state;
    assert_non_null(text);
    /* just short enough: kept whole */
    strcpy(text, "[a]\nk = ");
    memset(text + 8, 'q', INIFILE_LINE_MAX - 8);
    strcpy(text + INIFILE_LINE_MAX, "\nz = 1\n");
    assert_int_equal(parse(text, strlen(text), &file, &st), STATUS_OK);
    assert_int_equal(strlen(inifile_find(file, "a", "k")->value), INIFILE_LINE_MAX - 8);
    assert_int_equal(inifile_find(file, "a", "z")->line, 3);
    inifile_free(file);
    /* too long */
    memset(text + 8, 'q', 2 * INIFILE_LINE_MAX);
    strcpy(text + 8 + 2 * INIFILE_LINE_MAX, "\nz = 1\n");
    assert_int_equal(parse(text, strlen(text), &file, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "test.ini:2: line longer"));
    free(text);
}

static void a_missing_file_is_said(void **state)
{
    struct inifile *file;
    struct status st;

    (void)state;
    assert_int_equal(inifile_read("/nonexistent/coil.ini", &file, &st), STATUS_NOT_FOUND);
    assert_non_null(strstr(st.text, "/nonexistent/coil.ini"));
    assert_null(file);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(entries_know_their_line),
        cmocka_unit_test(refuses_with_the_line),
        cmocka_unit_test(a_long_line_is_named_not_split),
        cmocka_unit_test(a_missing_file_is_said),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
