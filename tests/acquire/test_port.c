/* Both ways to a port: the pseudo-terminal opened directly, and libserialport's own path, which a
 * preload shim makes pass for a pseudo-terminal (the test runs itself again under it). */
#include "acquire/port.h"

#include "tests/acquire/harness.h"

static const struct port_settings plain = {
    .baud = 115200, .bits = 8, .stop = 1, .dtr = true, .rts = true};

/* True in the second run, under the shim. */
static bool shimmed(void)
{
    return getenv("TRUEWOUND_TEST_SHIMMED") != NULL;
}

static void there_and_back(void **state)
{
    struct pseudo pseudo;
    struct port *port;
    struct status st;
    unsigned char bytes[64];
    char text[64];
    char link[128];

    (void)state;
    snprintf(link, sizeof link, "/tmp/truewound-test-port-%d", (int)getpid());
    pseudo_plug(&pseudo, link);
    pseudo_say(&pseudo, "old"); /* from before it was opened: thrown away */
    rest_us(20000);
    if (port_open(link, &plain, &port, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_int_equal(port_is_listed(port), shimmed());
    rest_us(20000);
    assert_int_equal(port_read(port, bytes, sizeof bytes, &st), 0);
    /* Every byte value goes through both ways untouched. */
    for (int c = 1; c < 256; c += 51) {
        char out[2] = {(char)c, '\0'};
        unsigned char one = (unsigned char)c;

        pseudo_say(&pseudo, out);
        rest_us(5000);
        assert_int_equal(port_read(port, bytes, sizeof bytes, &st), 1);
        assert_int_equal(bytes[0], c);
        assert_int_equal(port_write(port, &one, 1, &st), 1);
        rest_us(5000);
        assert_int_equal(pseudo_hear(&pseudo, text, sizeof text), 1);
        assert_int_equal((unsigned char)text[0], c);
    }
    /* Reads are bounded by the caller's size. */
    pseudo_say(&pseudo, "abcdef");
    rest_us(5000);
    assert_int_equal(port_read(port, bytes, 4, &st), 4);
    assert_memory_equal(bytes, "abcd", 4);
    port_discard(port);
    assert_int_equal(port_read(port, bytes, 4, &st), 0);
    /* The other end goes: said, not taken for silence. */
    pseudo_unplug(&pseudo);
    rest_us(5000);
    assert_int_equal(port_read(port, bytes, sizeof bytes, &st), -1);
    assert_non_null(strstr(st.text, "gone"));
    port_close(port);
}

/* Writing into a line that nobody empties takes what fits and never waits. */
static void full_line(void **state)
{
    struct pseudo pseudo;
    struct port *port;
    struct status st;
    unsigned char block[4096];
    char link[128];
    size_t taken = 0;
    int64_t start = clock_us();

    (void)state;
    memset(block, 'x', sizeof block);
    snprintf(link, sizeof link, "/tmp/truewound-test-full-%d", (int)getpid());
    pseudo_plug(&pseudo, link);
    assert_int_equal(port_open(link, &plain, &port, &st), STATUS_OK);
    for (int i = 0; i < 100; ++i) {
        ssize_t n = port_write(port, block, sizeof block, &st);

        assert_true(n >= 0);
        taken += (size_t)n;
    }
    assert_true(taken < 100 * sizeof block);
    assert_true(clock_us() - start < 2000000);
    port_close(port);
    pseudo_unplug(&pseudo);
}

static void not_there(void **state)
{
    struct port *port;
    struct status st;

    (void)state;
    assert_int_equal(port_open("/dev/serial/by-id/none-such", &plain, &port, &st),
                     STATUS_NOT_FOUND);
    assert_non_null(strstr(st.text, "nothing is plugged in"));
    assert_int_equal(port_open("/dev/null", &plain, &port, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "is not a serial port"));
    assert_int_equal(port_open("/etc/hostname", &plain, &port, &st), STATUS_INPUT);
    assert_null(port);
    port_close(NULL);
}

static void listing(void **state)
{
    FILE *out = tmpfile();

    (void)state;
    assert_non_null(out);
    assert_true(port_list(out) >= 0);
    fclose(out);
}

/* The same again through libserialport. */
static void under_the_shim(void **state)
{
    pid_t child;
    int status;

    (void)state;
    if (shimmed())
        return;
    assert_int_equal(access(TEST_BUILD_DIR "/fixtures/libptyshim.so", R_OK), 0);
    child = fork();
    if (child == 0) {
        setenv("TRUEWOUND_TEST_SHIMMED", "1", 1);
        setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 0); /* the shim comes first, rightly */
        setenv("LD_PRELOAD", TEST_BUILD_DIR "/fixtures/libptyshim.so", 1);
        execl("/proc/self/exe", "test_port", (char *)NULL);
        _exit(127);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(there_and_back),
                                       cmocka_unit_test(full_line), cmocka_unit_test(not_there),
                                       cmocka_unit_test(listing), cmocka_unit_test(under_the_shim)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
