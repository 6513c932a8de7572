/* truewound: the analyzer. Finds the command and hands it its context; see truewound.1. */
#include <getopt.h>
#include <locale.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <gsl/gsl_errno.h>

#include "analyze/command.h"
#include "db/descriptors.h"

static void print_usage(FILE *out)
{
    fprintf(out,
            "usage: truewound [--db FILE] [--json | --csv] [--plain] COMMAND [ARGUMENT ...]\n"
            "       truewound help COMMAND\n\n"
            "Compares a wound magnet coil with its design, and says what is wrong with it.\n\n");
    for (const struct command *const *c = command_table(); *c; ++c)
        fprintf(out, "  %-10s %s\n", (*c)->name, (*c)->summary);
    fprintf(out, "\n"
                 "  --db FILE  the database (else $TRUEWOUND_DB, else ./truewound.db)\n"
                 "  --json     results as JSON      --csv  tables as comma-separated values\n"
                 "  --plain    no colour, even on a terminal\n"
                 "  --version  the version of this program\n\n"
                 "Exit status: 0 pass or done, 1 fail, 2 usage or input error, 3 undecided.\n");
}

/* Takes an option of form. False, with a word about it, when the other form was asked for. */
static bool choose_form(struct command_context *context, enum command_form form)
{
    if (context->form != COMMAND_TEXT && context->form != form) {
        fprintf(stderr, "truewound: --json or --csv, not both\n");
        return false;
    }
    context->form = form;
    return true;
}

static int run(int argc, char **argv)
{
    enum { OPTION_DB = 1000, OPTION_JSON, OPTION_CSV, OPTION_PLAIN, OPTION_VERSION };
    static const struct option options[] = {{"db", required_argument, NULL, OPTION_DB},
                                            {"json", no_argument, NULL, OPTION_JSON},
                                            {"csv", no_argument, NULL, OPTION_CSV},
                                            {"plain", no_argument, NULL, OPTION_PLAIN},
                                            {"help", no_argument, NULL, 'h'},
                                            {"version", no_argument, NULL, OPTION_VERSION},
                                            {NULL, 0, NULL, 0}};
    struct command_context context = {
        .program = "truewound", .database = getenv("TRUEWOUND_DB"), .out = stdout, .err = stderr};
    const struct command *command;
    struct status st;
    int option;
    int kept = 1;
    int result;

    setlocale(LC_CTYPE, "");
    gsl_set_error_handler_off();
    if (!context.database || !*context.database)
        context.database = "truewound.db";
    context.colour = isatty(STDOUT_FILENO) && !getenv("NO_COLOR");

    opterr = 0;
    /* '+': options after the command's name are the command's own. */
    while ((option = getopt_long(argc, argv, "+:h", options, NULL)) != -1) {
        switch (option) {
        case OPTION_DB:
            context.database = optarg;
            break;
        case OPTION_JSON:
            if (!choose_form(&context, COMMAND_JSON))
                return COMMAND_WRONG;
            break;
        case OPTION_CSV:
            if (!choose_form(&context, COMMAND_CSV))
                return COMMAND_WRONG;
            break;
        case OPTION_PLAIN:
            context.colour = false;
            break;
        case OPTION_VERSION:
            printf("truewound %s\n", TRUEWOUND_VERSION);
            return COMMAND_DONE;
        case 'h':
            print_usage(stdout);
            return COMMAND_DONE;
        default:
            fprintf(stderr, "truewound: %s '%s'%s; 'truewound help' lists them\n",
                    option == ':' ? "the option" : "there is no option", argv[optind - 1],
                    option == ':' ? " lacks its value" : "");
            return COMMAND_WRONG;
        }
    }
    if (optind >= argc) {
        print_usage(stderr);
        return COMMAND_WRONG;
    }
    if (strcmp(argv[optind], "help") == 0) {
        if (optind + 1 >= argc) {
            print_usage(stdout);
            return COMMAND_DONE;
        }
        command = command_find(argv[optind + 1]);
        if (!command)
            return command_unknown(&context, argv[optind + 1]);
        command_help(command, stdout);
        return COMMAND_DONE;
    }
    command = command_find(argv[optind]);
    if (!command)
        return command_unknown(&context, argv[optind]);

    /* The options of the program are also taken after the command's name. */
    argc -= optind;
    argv += optind;
    for (int i = 1; i < argc; ++i) {
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            command_help(command, stdout);
            return COMMAND_DONE;
        }
        if (strcmp(argv[i], "--json") == 0 || strcmp(argv[i], "--csv") == 0) {
            if (!choose_form(&context, argv[i][2] == 'j' ? COMMAND_JSON : COMMAND_CSV))
                return COMMAND_WRONG;
        } else if (strcmp(argv[i], "--plain") == 0)
            context.colour = false;
        else if (strcmp(argv[i], "--db") == 0 && i + 1 < argc)
            context.database = argv[++i];
        else if (strcmp(argv[i], "--db") == 0) {
            fprintf(stderr, "truewound: the option '--db' lacks its value\n");
            return COMMAND_WRONG;
        } else
            argv[kept++] = argv[i];
    }
    argc = kept;
    argv[argc] = NULL;
    if (context.form == COMMAND_CSV && !command->tables)
        return command_wrong(&context, command->name, "prints no table: leave --csv out%s",
                             command->json ? ", or take --json" : "");
    if (context.form == COMMAND_JSON && !command->json)
        return command_wrong(&context, command->name, "has no JSON: leave --json out");
    if (units_open(&context.units, &st) != STATUS_OK)
        return command_failed(&context, command->name, &st);
    optind = 0;
    result = command->run(&context, argc, argv);
    units_close(context.units);
    return result;
}

int main(int argc, char **argv)
{
    int result;

    descriptors_hold();
    result = run(argc, argv);
    if (fflush(stdout) != 0 || ferror(stdout)) {
        fprintf(stderr, "truewound: the output could not be written\n");
        return COMMAND_WRONG;
    }
    return result;
}
