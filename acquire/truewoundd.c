/* truewoundd: reads the serial instruments of a bench into the measuring database. */
#include <argp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/benchcheck.h"
#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/log.h"
#include "acquire/loop.h"
#include "acquire/port.h"
#include "acquire/probe.h"
#include "db/descriptors.h"

#define STANDARD_BENCH "/etc/truewound/bench.conf"

enum action { ACTION_RUN, ACTION_CHECK, ACTION_LIST, ACTION_PROBE };

struct arguments {
    enum action action;
    const char *bench;
    const char *database;
    const char *port;
    bool quiet;
};

static const struct argp_option options[] = {
    {"bench", 'b', "FILE", 0, "Bench file (" STANDARD_BENCH ")", 0},
    {"database", 'd', "FILE", 0, "Database, instead of the one the bench file names", 0},
    {"check", 'c', NULL, 0, "Check the bench file, list every fault, and stop", 0},
    {"list", 'l', NULL, 0, "List the serial ports and what is plugged in, and stop", 0},
    {"probe", 'p', "PORT", 0, "Try the drivers on PORT, suggest bench-file sections, and stop", 0},
    {"quiet", 'q', NULL, 0, "Log warnings and errors only", 0},
    {NULL, 0, NULL, 0, NULL, 0},
};

static error_t take_option(int key, char *value, struct argp_state *state)
{
    struct arguments *arguments = state->input;

    switch (key) {
    case 'b':
        arguments->bench = value;
        return 0;
    case 'd':
        arguments->database = value;
        return 0;
    case 'c':
        arguments->action = ACTION_CHECK;
        return 0;
    case 'l':
        arguments->action = ACTION_LIST;
        return 0;
    case 'p':
        arguments->action = ACTION_PROBE;
        arguments->port = value;
        return 0;
    case 'q':
        arguments->quiet = true;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "'%s' is one word too many", value);
        return EINVAL;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static void print_version(FILE *out, struct argp_state *state)
{
    (void)state;
    fputs("truewoundd " TRUEWOUND_VERSION "\n", out);
}

static void print_fault(void *to, const char *text)
{
    (void)to;
    fprintf(stderr, "%s\n", text);
}

static void print_warning(void *to, const char *text)
{
    (void)to;
    fprintf(stderr, "warning: %s\n", text);
}

/* database: what --database names; NULL without. */
static int check(const char *path, const char *database)
{
    struct benchfile *bench;
    size_t channels = 0;
    size_t warnings;

    if (benchfile_read(path, print_fault, NULL, &bench, NULL) != STATUS_OK)
        return 2;
    for (size_t i = 0; i < bench->instruments; ++i)
        channels += bench->instrument[i].channels;
    warnings = benchcheck_warn(bench, print_warning, NULL);
    if (!database && !bench->database) {
        ++warnings;
        fprintf(stderr,
                "warning: %s: [store] database: none is given; truewoundd starts only with "
                "--database FILE\n",
                path);
    }
    fflush(stderr);
    printf("%s: %s: %zu instrument%s, %zu channel%s", path, warnings ? "usable" : "good",
           bench->instruments, bench->instruments == 1 ? "" : "s", channels,
           channels == 1 ? "" : "s");
    if (warnings)
        printf(", %zu warning%s", warnings, warnings == 1 ? "" : "s");
    puts("");
    benchfile_free(bench);
    return 0;
}

static int list(void)
{
    int count = port_list(stdout);

    if (count < 0) {
        fputs("truewoundd: the serial ports cannot be listed\n", stderr);
        return 1;
    }
    if (count == 0)
        puts("no serial port is plugged in");
    return 0;
}

int main(int argc, char **argv)
{
    const struct argp argp = {
        .options = options,
        .parser = take_option,
        .doc = "Reads the serial instruments of a bench into the measuring database."
               "\vSee truewoundd(8) and truewound-bench(5)."};
    struct arguments arguments = {.bench = STANDARD_BENCH};
    struct log log = log_standard();
    struct loop_settings settings;
    struct status st;

    descriptors_hold();
    argp_program_version_hook = print_version;
    argp_err_exit_status = 2;
    argp_parse(&argp, argc, argv, 0, NULL, &arguments);
    switch (arguments.action) {
    case ACTION_CHECK:
        return check(arguments.bench, arguments.database);
    case ACTION_LIST:
        return list();
    case ACTION_PROBE:
        return probe_port(arguments.port, stdout) > 0 ? 0 : 1;
    case ACTION_RUN:
        break;
    }
    if (arguments.quiet)
        log.least = DRIVER_WARNING;
    settings = (struct loop_settings){
        .bench = arguments.bench, .database = arguments.database, .log = &log};
    if (loop_run(&settings, &st) != STATUS_OK) {
        log_line(&log, DRIVER_ERROR, "%s", st.text);
        return st.code == STATUS_INPUT ? 2 : 1;
    }
    return 0;
}
