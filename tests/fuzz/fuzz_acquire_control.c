/* Any line as a request on the control socket, on a bench without instruments and a real store. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "acquire/control.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void nobody(void *to, enum status_code code, const char *text, int64_t id)
{
    (void)to;
    (void)code;
    (void)text;
    (void)id;
}

/* One instrument on a port that is not there; made once for the whole run. */
static struct control_bench *bench_once(void)
{
    static struct control_bench bench;
    static struct dialogue *dialogue;
    static char place[] = "/tmp/truewound-fuzz-XXXXXX";
    static const char text[] = "[instrument x]\ndriver = lines\nport = /nonexistent\n"
                               "command = on: 1\n[channel x.v]\nquantity = voltage\ncolumn = 1\n";
    const struct driver_time now = {1700000000000000, 1};
    struct benchfile *file;
    char path[64];

    if (bench.logger)
        return &bench;
    if (!mkdtemp(place))
        abort();
    snprintf(path, sizeof path, "%s/t.db", place);
    if (benchfile_parse("fuzz", text, strlen(text), NULL, NULL, &file, NULL) != STATUS_OK ||
        logger_open(path, 1.0, 1e9, NULL, &bench.logger, NULL) != STATUS_OK ||
        dialogue_new(file, 0, bench.logger, NULL, &now, &dialogue, NULL) != STATUS_OK)
        abort();
    unlink(path); /* the open descriptors are enough */
    rmdir(place);
    bench.dialogue = &dialogue;
    bench.dialogues = 1;
    return &bench;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const struct driver_time now = {1700000000000000, 1};
    char *answer;

    if (size > CONTROL_LINE_MAX)
        return 0;
    answer = control_answer(bench_once(), (const char *)data, size, &now, nobody, NULL);
    if (answer && strchr(answer, '\n'))
        abort();
    free(answer);
    return 0;
}
