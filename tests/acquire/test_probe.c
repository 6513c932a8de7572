/* --probe and --list: what they suggest must be a bench file that works. */
#include "acquire/probe.h"

#include "tests/acquire/harness.h"

enum role { BOARD, METER, COLUMNS };

/* A child that plays an instrument on the pseudo-terminal for half a minute. */
static pid_t play(const struct pseudo *pseudo, enum role role)
{
    pid_t child = fork();

    if (child != 0)
        return child;
    for (int i = 0; i < 1500; ++i) {
        char text[400];

        if (role == BOARD && i % 5 == 0) {
            unsigned sum = 0;
            int n = snprintf(text, sizeof text, "N %d U=%.3f V, I=+ %.1f mA", i, 1.5, 88.2);

            for (int k = 0; k < n; ++k)
                sum ^= (unsigned char)text[k];
            snprintf(text + n, sizeof text - (size_t)n, "*%02X\r\n", sum);
            pseudo_say(pseudo, text);
        } else if (role == COLUMNS && i % 5 == 0) {
            pseudo_say(pseudo, "7,1.501,-88.2\r\n");
        } else if (role == METER && pseudo_hear(pseudo, text, sizeof text) > 0) {
            if (strstr(text, "*IDN?"))
                pseudo_say(pseudo, "EXAMPLE,METER,1,1\r\n");
            if (strstr(text, "MEAS:RES?"))
                pseudo_say(pseudo, "+1.7031E+01\r\n");
        }
        rest_us(20000);
    }
    _exit(0);
}

static char *probe(enum role role, int *found)
{
    struct pseudo pseudo;
    char link[128];
    FILE *out = tmpfile();
    char *text = calloc(1, 20000);
    pid_t child;

    assert_non_null(out);
    assert_non_null(text);
    snprintf(link, sizeof link, "/tmp/truewound-test-probe-%d", (int)getpid());
    pseudo_plug(&pseudo, link);
    child = play(&pseudo, role);
    *found = probe_port(link, out);
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    pseudo_unplug(&pseudo);
    rewind(out);
    text[fread(text, 1, 19999, out)] = '\0';
    fclose(out);
    return text;
}

static void a_meter(void **state)
{
    int found;
    char *text = probe(METER, &found);

    (void)state;
    assert_true(found >= 1);
    assert_non_null(strstr(text, "it says it is EXAMPLE,METER,1,1"));
    assert_non_null(strstr(text, "driver = scpi"));
    assert_null(strstr(text, "errors = no")); /* it was for the probing only */
    benchfile_free(bench_of(text));
    free(text);
}

/* A comma beside decimal points parts the numbers; it is in none. */
static void columns(void **state)
{
    int found;
    char *text = probe(COLUMNS, &found);
    struct fed *fed;

    (void)state;
    assert_int_equal(found, 1);
    fed = fed_new(text);
    fed_text(fed, "7,1.501,-88.2\r\n");
    fed_expect(fed, "c1 7 digit=1\nc2 1.501 digit=0.001\nc3 -88.2 digit=0.1\n");
    fed_free(fed);
    free(text);
}

/* The suggested pattern decodes the very lines it was made of, checksum and all. */
static void a_board(void **state)
{
    int found;
    char *text = probe(BOARD, &found);
    struct fed *fed;

    (void)state;
    assert_int_equal(found, 1);
    assert_non_null(strstr(text, "checksum = xor8"));
    fed = fed_new(text);
    fed_text(fed, "N 7 U=1.502 V, I=+ 88.2 mA*2C\r\n");
    if (!strstr(fed->out.bytes, "c1 7 ") || !strstr(fed->out.bytes, "c2 1.502 ") ||
        !strstr(fed->out.bytes, "c3 88.2 "))
        fail_msg("%s\n%s", text, fed->out.bytes);
    fed_free(fed);
    free(text);
}

static void nothing_there(void **state)
{
    FILE *out = tmpfile();

    (void)state;
    assert_non_null(out);
    assert_int_equal(probe_port("/dev/serial/by-id/none", out), -1);
    fclose(out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_meter), cmocka_unit_test(a_board),
                                       cmocka_unit_test(columns), cmocka_unit_test(nothing_there)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
