#include "command.h"

#include <stdbool.h>
#include <stddef.h>
#include <string.h>

/* Takes the next word, parted by spaces; *length 0 at the end of the line. */
static const char *next_word(const char **line, size_t *length)
{
    const char *word;

    while (**line == ' ')
        ++*line;
    word = *line;
    while (**line != '\0' && **line != ' ')
        ++*line;
    *length = (size_t)(*line - word);
    return word;
}

static bool is_word(const char *word, size_t length, const char *expected)
{
    return strlen(expected) == length && strncmp(word, expected, length) == 0;
}

/* The next word as a whole number within [least, most]. */
static bool next_number(const char **line, uint32_t least, uint32_t most, uint32_t *number)
{
    size_t length;
    const char *word = next_word(line, &length);

    *number = 0;
    if (length == 0 || length > 6)
        return false;
    for (size_t i = 0; i < length; ++i) {
        if (word[i] < '0' || word[i] > '9')
            return false;
        *number = *number * 10 + (uint32_t)(word[i] - '0');
    }
    return *number >= least && *number <= most;
}

static bool is_at_end(const char *line)
{
    size_t length;

    next_word(&line, &length);
    return length == 0;
}

static const char *read_capture(const char *line, struct command *command)
{
    uint32_t samples;
    const char *word;
    size_t length;

    command->kind = COMMAND_CAPTURE;
    if (!next_number(&line, 1, 999999, &command->rate))
        return "capture: RATE 250 to 50000";
    if (!next_number(&line, 2, 999999, &samples))
        return "capture: SAMPLES 2 to 400";
    /* The block says what it is, so the nearest that can be done is done. */
    if (command->rate < COMMAND_RATE_MIN)
        command->rate = COMMAND_RATE_MIN;
    if (command->rate > COMMAND_RATE_MAX)
        command->rate = COMMAND_RATE_MAX;
    if (samples > COMMAND_SAMPLES_MAX)
        samples = COMMAND_SAMPLES_MAX;
    command->samples = (uint16_t)samples;
    word = next_word(&line, &length);
    if (length == 0 || is_word(word, length, "shunt"))
        command->input = COMMAND_SHUNT;
    else if (is_word(word, length, "battery"))
        command->input = COMMAND_BATTERY;
    else if (is_word(word, length, "drain"))
        command->input = COMMAND_DRAIN;
    else
        return "capture: shunt, battery or drain";
    return is_at_end(line) ? NULL : "too many words";
}

const char *command_read(const char *line, struct command *command)
{
    size_t length;
    const char *word = next_word(&line, &length);

    memset(command, 0, sizeof *command);
    if (is_word(word, length, "capture"))
        return read_capture(line, command);
    if (is_word(word, length, "who")) {
        command->kind = COMMAND_WHO;
    } else if (is_word(word, length, "on")) {
        command->kind = COMMAND_ON;
        command->ms = 10;
        if (!is_at_end(line) && !next_number(&line, 1, 600, &command->ms))
            return "on: 1 to 600 s";
        command->ms *= 1000;
    } else if (is_word(word, length, "off")) {
        command->kind = COMMAND_OFF;
    } else if (is_word(word, length, "pulse")) {
        command->kind = COMMAND_PULSE;
        if (!next_number(&line, 1, 10000, &command->ms))
            return "pulse: 1 to 10000 ms";
    } else if (is_word(word, length, "every")) {
        command->kind = COMMAND_EVERY;
        if (!next_number(&line, 20, 60000, &command->ms))
            return "every: 20 to 60000 ms";
    } else {
        return "unknown command";
    }
    return is_at_end(line) ? NULL : "too many words";
}
