/* page_gate: names, tokens, sessions and forms, by themselves. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "analyze/page_gate.h"

#define SECOND 1000000

static struct page_gate open_gate(bool wide)
{
    struct page_gate gate;
    struct status st;

    assert_int_equal(page_gate_init(&gate, wide, 7305, &st), STATUS_OK);
    return gate;
}

static void test_host(void **state)
{
    static const char *const ours[] = {"127.0.0.1:7305", "127.1.2.3:7305", "localhost:7305",
                                       "LocalHost:7305", "[::1]:7305"};
    static const char *const never[] = {"",
                                        ":",
                                        ":7305",
                                        "127.0.0.1",
                                        "127.0.0.1:80",
                                        "127.0.0.1:7305x",
                                        "127.0.0.1:-7305",
                                        "127.0.0.1: 7305",
                                        "127.0.0.1:99999999999999999999",
                                        "[",
                                        "[]",
                                        "[]:7305",
                                        "[::1",
                                        "[::1]7305",
                                        "::1",
                                        "evil.example:7305",
                                        "localhost.evil.example:7305",
                                        "127.0.0.1.evil.example:7305",
                                        "0x7f.1:7305"};
    static const char *const numeric[] = {"192.168.1.5:7305", "[fe80::1]:7305", "10.0.0.1:7305"};
    struct page_gate narrow = open_gate(false), wide = open_gate(true);

    (void)state;
    for (size_t i = 0; i < sizeof ours / sizeof *ours; ++i) {
        assert_true(page_gate_host(&narrow, ours[i]));
        assert_true(page_gate_host(&wide, ours[i]));
    }
    for (size_t i = 0; i < sizeof never / sizeof *never; ++i) {
        assert_false(page_gate_host(&narrow, never[i]));
        assert_false(page_gate_host(&wide, never[i]));
    }
    for (size_t i = 0; i < sizeof numeric / sizeof *numeric; ++i) {
        assert_false(page_gate_host(&narrow, numeric[i]));
        assert_true(page_gate_host(&wide, numeric[i]));
    }
    assert_false(page_gate_host(&wide, NULL));
    /* This machine's own name counts only when others may come. */
    strcpy(wide.name, "bench");
    strcpy(narrow.name, "bench");
    assert_true(page_gate_host(&wide, "bench:7305"));
    assert_true(page_gate_host(&wide, "Bench.local:7305"));
    assert_false(page_gate_host(&wide, "bench.example:7305"));
    assert_false(page_gate_host(&wide, "benches:7305"));
    assert_false(page_gate_host(&narrow, "bench:7305"));
}

static void test_origin(void **state)
{
    (void)state;
    assert_true(page_gate_origin(NULL, "127.0.0.1:7305"));
    assert_true(page_gate_origin("http://127.0.0.1:7305", "127.0.0.1:7305"));
    assert_false(page_gate_origin("http://127.0.0.1:7306", "127.0.0.1:7305"));
    assert_false(page_gate_origin("https://127.0.0.1:7305", "127.0.0.1:7305"));
    assert_false(page_gate_origin("http://evil.example", "127.0.0.1:7305"));
    assert_false(page_gate_origin("null", "127.0.0.1:7305"));
    assert_false(page_gate_origin("", "127.0.0.1:7305"));
}

static void test_token(void **state)
{
    struct page_gate gate = open_gate(false), other = open_gate(false);
    char session[PAGE_GATE_SESSION_SIZE];
    char typed[64];

    (void)state;
    assert_int_equal(strlen(gate.token), PAGE_GATE_TOKEN_SIZE - 1);
    assert_string_not_equal(gate.token, other.token);
    assert_int_equal(page_gate_try(&gate, other.token, SECOND, session), PAGE_GATE_WRONG);
    assert_int_equal(page_gate_try(&gate, "", SECOND, session), PAGE_GATE_WRONG);
    /* Blanks for hyphens, and one letter too many. */
    snprintf(typed, sizeof typed, " %.4s %.4s %.4s ", gate.token, gate.token + 5, gate.token + 10);
    assert_int_equal(page_gate_try(&gate, typed, SECOND, session), PAGE_GATE_OPEN);
    snprintf(typed, sizeof typed, "%sa", gate.token);
    assert_int_equal(page_gate_try(&gate, typed, SECOND, session), PAGE_GATE_WRONG);
    /* After so many wrong ones the right one is refused too, for a minute. */
    while (page_gate_try(&gate, "wrong", SECOND, session) == PAGE_GATE_WRONG)
        ;
    assert_int_equal(page_gate_try(&gate, gate.token, 2 * SECOND, session), PAGE_GATE_TOO_OFTEN);
    assert_int_equal(page_gate_try(&gate, gate.token, 70 * SECOND, session), PAGE_GATE_OPEN);
}

static void test_session(void **state)
{
    struct page_gate gate = open_gate(false);
    char first[PAGE_GATE_SESSION_SIZE], next[PAGE_GATE_SESSION_SIZE];

    (void)state;
    assert_int_equal(page_gate_try(&gate, gate.token, SECOND, first), PAGE_GATE_OPEN);
    assert_true(page_gate_session(&gate, first, SECOND));
    assert_false(page_gate_session(&gate, NULL, SECOND));
    assert_false(page_gate_session(&gate, "", SECOND));
    assert_false(page_gate_session(&gate, "00000000000000000000000000000000", SECOND));
    /* The longest idle makes room. */
    for (int i = 1; i <= PAGE_GATE_SESSIONS; ++i)
        assert_int_equal(page_gate_try(&gate, gate.token, (1 + i) * SECOND, next), PAGE_GATE_OPEN);
    assert_false(page_gate_session(&gate, first, 20 * SECOND));
    assert_true(page_gate_session(&gate, next, 20 * SECOND));
    page_gate_leave(&gate, next);
    assert_false(page_gate_session(&gate, next, 20 * SECOND));
}

static void test_form(void **state)
{
    struct page_gate gate = open_gate(false), other = open_gate(false);
    char form[PAGE_GATE_FORM_SIZE];

    (void)state;
    page_gate_form(&gate, "session", "/note arm-1", form);
    assert_true(page_gate_form_right(&gate, "session", "/note arm-1", form));
    assert_false(page_gate_form_right(&gate, "session", "/note arm-2", form));
    assert_false(page_gate_form_right(&gate, "session", "/take arm-1", form));
    assert_false(page_gate_form_right(&gate, "sessioo", "/note arm-1", form));
    assert_false(page_gate_form_right(&other, "session", "/note arm-1", form));
    assert_false(page_gate_form_right(&gate, "session", "/note arm-1", ""));
    assert_false(page_gate_form_right(&gate, "session", "/note arm-1", NULL));
    form[0] = form[0] == 'a' ? 'b' : 'a';
    assert_false(page_gate_form_right(&gate, "session", "/note arm-1", form));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_host),    cmocka_unit_test(test_origin), cmocka_unit_test(test_token),
        cmocka_unit_test(test_session), cmocka_unit_test(test_form),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
