/* Recorded and hand-made streams of instruments, replayed through their drivers.
 *
 * fixtures/streams/NAME.txt has a header of '#' lines (where it is from), then '[bench]' and a
 * bench file, then '[stream]' and lines that begin with
 *   <   bytes from the instrument, with the escapes of the bench file; no line end is added
 *   >   what must have been sent by now, for instruments that are asked
 *   +   microseconds that pass
 *   !   the answer does not come: the time-out
 *   *   a capture command: CHANNEL RATE SAMPLES
 * NAME.expect is what must come out, in the form of the harness. */
#include <dirent.h>

#include "tests/acquire/harness.h"

#define STREAMS TEST_SOURCE_DIR "/fixtures/streams"

/* Resolves the escapes of one line in place; the length. */
static size_t unescape(char *line)
{
    size_t n = 0;

    for (char *at = line; *at; ++at) {
        if (*at != '\\') {
            line[n++] = *at;
            continue;
        }
        ++at;
        if (*at == 'x') {
            char hex[3] = {at[1], at[2], '\0'};

            line[n++] = (char)strtoul(hex, NULL, 16);
            at += 2;
        } else {
            line[n++] = *at == 'r'   ? '\r'
                        : *at == 'n' ? '\n'
                        : *at == 't' ? '\t'
                        : *at == '0' ? '\0'
                        : *at == 's' ? ' '
                                     : *at;
        }
    }
    return n;
}

static void capture_command(struct fed *fed, const char *text)
{
    struct driver_command command = {.kind = DRIVER_CAPTURE};
    char name[64];
    struct status st;

    assert_int_equal(sscanf(text, "%63s %lf %zu", name, &command.rate, &command.samples), 3);
    while (command.channel < fed->bench->instrument[0].channels &&
           strcmp(fed->bench->instrument[0].channel[command.channel].name, name) != 0)
        ++command.channel;
    if (fed->driver->command(fed->state, &command, &st) != STATUS_OK)
        fail_msg("%s", st.text);
}

static void replay(const char *path, size_t chunk, struct text *out)
{
    char *whole = read_file(path);
    char *bench = strstr(whole, "\n[bench]\n");
    char *stream = strstr(whole, "\n[stream]\n");
    char *rest = NULL;
    struct fed *fed;

    if (whole[0] != '#' || !bench || !stream)
        fail_msg("%s: has no '#' header, no [bench] or no [stream]", path);
    *stream = '\0';
    fed = fed_new(bench + 9);
    for (char *line = strtok_r(stream + 10, "\n", &rest); line;
         line = strtok_r(NULL, "\n", &rest)) {
        char *text = line + 1 + (line[1] == ' ');

        fed_talk(fed);
        if (*line == '<')
            fed_bytes(fed, text, unescape(text), chunk);
        else if (*line == '+')
            fed->now.mono += atol(text);
        else if (*line == '!')
            fed_expire(fed);
        else if (*line == '*')
            capture_command(fed, text);
        else if (*line == '>' && !strstr(fed->out.bytes, text))
            fail_msg("%s: '%s' was not sent; so far:\n%s", path, text, fed->out.bytes);
    }
    fed_take(fed, 1000000);
    text_add(out, "%s", fed->out.bytes);
    fed_free(fed);
    free(whole);
}

static void all_streams(void **state)
{
    DIR *folder = opendir(STREAMS);
    struct dirent *entry;
    int count = 0;

    (void)state;
    assert_non_null(folder);
    while ((entry = readdir(folder))) {
        size_t length = strlen(entry->d_name);
        char path[600];
        char *expected;

        if (length < 5 || strcmp(entry->d_name + length - 4, ".txt") != 0)
            continue;
        snprintf(path, sizeof path, STREAMS "/%.*s.expect", (int)length - 4, entry->d_name);
        expected = read_file(path);
        if (!*expected)
            fail_msg("%s is missing or empty", path);
        snprintf(path, sizeof path, STREAMS "/%s", entry->d_name);
        for (size_t chunk = 0; chunk < 8; ++chunk) {
            struct text out = {0};

            replay(path, chunk, &out);
            if (strcmp(out.bytes, expected) != 0)
                fail_msg("%s, %zu bytes at a time:\n%s", path, chunk, out.bytes);
            text_free(&out);
        }
        free(expected);
        ++count;
    }
    closedir(folder);
    printf("%d streams replayed\n", count);
    assert_true(count >= 8);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(all_streams)};

    /* With a path: prints what it decodes to, to be looked at and kept as .expect. */
    if (argc > 1) {
        struct text out = {0};

        replay(argv[1], 0, &out);
        fputs(out.bytes, stdout);
        text_free(&out);
        return 0;
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
