/* page: the bench in a browser. */
#include <getopt.h>
#include <stdlib.h>

#include "analyze/commands/commands.h"
#include "analyze/page.h"

#define NAME "page"

static int run(struct command_context *context, int argc, char **argv)
{
    enum { PORT = 1000, LISTEN };
    static const struct option options[] = {{"port", required_argument, NULL, PORT},
                                            {"listen", required_argument, NULL, LISTEN},
                                            {NULL, 0, NULL, 0}};
    struct page_options how = {
        .database = context->database, .units = context->units, .port = PAGE_PORT};
    struct store *store;
    struct page *page;
    struct status st;
    unsigned long port;
    char *end;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case PORT:
            port = strtoul(optarg, &end, 10);
            if (*end || end == optarg || *optarg == '-' || port > 65535)
                return command_wrong(context, NAME, "--port: read '%s', expected 0 to 65535",
                                     optarg);
            how.port = (unsigned)port;
            break;
        case LISTEN:
            how.address = optarg;
            break;
        default:
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (optind != argc)
        return command_wrong(context, NAME, "'%s' is one word too many", argv[optind]);
    store = command_open(context, NAME, false); /* says what is wrong with the database */
    if (!store)
        return COMMAND_WRONG;
    store_close(store, NULL);
    if (page_open(&how, &page, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    fprintf(context->out,
            "bench page: %s\n"
            "token for noting things from it: %s\n"
            "Ctrl-C ends it.\n",
            page_address(page), page_token(page));
    fflush(context->out);
    if (page_wide(page))
        fprintf(context->err,
                "%s %s: caution: others can reach this address. Anyone who does can read the "
                "bench; nothing is encrypted, so who can listen on the network can read the token "
                "too. Use it only on a network you trust.\n",
                context->program, NAME);
    page_run(page, &st);
    page_close(page);
    return st.code == STATUS_OK ? COMMAND_DONE : command_failed(context, NAME, &st);
}

const struct command command_page = {
    .name = NAME,
    .summary = "the bench in a browser: readings, next step, verdict",
    .usage = "[--port N] [--listen ADDRESS]",
    .help = "Serves one page to this machine: live readings, the next step in big letters, the\n"
            "verdict as it sharpens, coils and batteries. It only shows, until the token that is\n"
            "printed here is typed into it; then it can note a polarity and take a reading.\n\n"
            "  --port N          (7305) 0 takes any free one\n"
            "  --listen ADDRESS  for others too, such as a phone at the bench; on a network you\n"
            "                    trust only, for nothing is encrypted\n\n"
            "example: truewound page\n",
    .run = run,
};
