/* answers: which line of a script answers which question. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analyze/answers.h"

struct talk {
    char path[64];
    FILE *out;
    struct answers *answers;
};

static void begin(struct talk *t, const char *script, size_t size)
{
    struct status st;
    int fd;

    strcpy(t->path, "/tmp/test_answers.XXXXXX");
    fd = mkstemp(t->path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, script, size), (ssize_t)size);
    close(fd);
    t->out = tmpfile();
    assert_non_null(t->out);
    assert_int_equal(answers_open(t->path, t->out, &t->answers, &st), STATUS_OK);
}

static void end(struct talk *t)
{
    answers_close(t->answers);
    fclose(t->out);
    unlink(t->path);
}

static void expect(struct talk *t, const char *word, const char *answer)
{
    char line[ANSWERS_LINE_SIZE];

    assert_int_equal(answers_ask(t->answers, word, "? ", line), ANSWERS_LINE);
    assert_string_equal(line, answer);
}

static void test_order(void **state)
{
    static const char script[] = "# first\n\n  ready  \nlimb-b resistance: 8.4 ohm\r\n"
                                 "limb-b resistance: again\nstop\n";
    struct talk t;
    char line[ANSWERS_LINE_SIZE];

    (void)state;
    begin(&t, script, sizeof script - 1);
    assert_false(answers_live(t.answers));
    expect(&t, "room temperature", "ready");
    expect(&t, "limb-a resistance", "stop"); /* the two before it wait for limb B */
    expect(&t, "limb-b resistance", "8.4 ohm");
    assert_string_equal(answers_unused(t.answers), "limb-b resistance");
    expect(&t, "limb-b resistance", "again");
    assert_null(answers_unused(t.answers));
    assert_int_equal(answers_ask(t.answers, "x", "", line), ANSWERS_NONE);
    assert_string_equal(line, "");
    end(&t);
}

static void test_others(void **state)
{
    static const char script[] = "others: skip\nroom temperature: 20 degC"; /* no line end */
    struct talk t;

    (void)state;
    begin(&t, script, sizeof script - 1);
    expect(&t, "limb-a resistance", "skip");
    expect(&t, "room temperature", "20 degC");
    expect(&t, "room temperature", "skip");
    end(&t);
}

/* Zero bytes, no line end for thousands of bytes, colons only: an answer or none, no crash. */
static void test_rubbish(void **state)
{
    static char script[20000];
    struct talk t;
    char line[ANSWERS_LINE_SIZE];
    int asked = 0;

    (void)state;
    memset(script, 'x', sizeof script);
    memset(script + 9000, ':', 3000);
    memset(script + 15000, '\0', 300);
    script[18000] = '\n';
    begin(&t, script, sizeof script);
    while (answers_ask(t.answers, "w", "", line) == ANSWERS_LINE && asked < 1000) {
        assert_true(strlen(line) < ANSWERS_LINE_SIZE);
        ++asked;
    }
    assert_true(asked > 0 && asked < 100);
    end(&t);
}

/* A signal ends the wait and, once heeded, does not end the program. */
static void test_signal(void **state)
{
    int ends[2];
    struct talk t = {.out = tmpfile()};
    struct status st;
    char line[ANSWERS_LINE_SIZE];
    char path[40];

    (void)state;
    assert_int_equal(pipe(ends), 0);
    snprintf(path, sizeof path, "/proc/self/fd/%d", ends[0]);
    assert_int_equal(answers_open(path, t.out, &t.answers, &st), STATUS_OK);
    assert_false(answers_waiting(t.answers));
    assert_int_equal(kill(getpid(), SIGHUP), 0);
    assert_true(answers_waiting(t.answers));
    assert_int_equal(answers_ask(t.answers, "w", "", line), ANSWERS_GONE);
    answers_close(t.answers);
    fclose(t.out);
    close(ends[0]);
    close(ends[1]);
}

static void test_missing(void **state)
{
    struct answers *answers;
    struct status st;

    (void)state;
    assert_int_equal(answers_open("/nonexistent/answers", stdout, &answers, &st), STATUS_IO);
    assert_non_null(strstr(st.text, "/nonexistent/answers"));
    assert_null(answers);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_order),   cmocka_unit_test(test_others),
        cmocka_unit_test(test_rubbish), cmocka_unit_test(test_signal),
        cmocka_unit_test(test_missing),
    };

    return cmocka_run_group_tests_name("answers", tests, NULL, NULL);
}
