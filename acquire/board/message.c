#include "message.h"

static void put(struct message *message, char c)
{
    message->sum ^= (uint8_t)c;
    message->put(message->to, c);
}

void message_begin(struct message *message, const char *text)
{
    message->sum = 0;
    message_text(message, text);
}

void message_text(struct message *message, const char *text)
{
    while (*text)
        put(message, *text++);
}

void message_number(struct message *message, uint32_t number)
{
    char digits[11]; /* 4294967295 and the end */
    uint8_t at = sizeof digits - 1;

    digits[at] = '\0';
    do {
        digits[--at] = (char)('0' + number % 10);
        number /= 10;
    } while (number > 0);
    message_text(message, digits + at);
}

void message_tenths(struct message *message, int32_t tenths)
{
    uint32_t size = tenths < 0 ? 0 - (uint32_t)tenths : (uint32_t)tenths;

    if (tenths < 0)
        put(message, '-');
    message_number(message, size / 10);
    put(message, '.');
    put(message, (char)('0' + size % 10));
}

void message_end(struct message *message)
{
    static const char digits[] = "0123456789ABCDEF";
    uint8_t sum = message->sum;

    message->put(message->to, '*');
    message->put(message->to, digits[sum >> 4]);
    message->put(message->to, digits[sum & 15]);
    message->put(message->to, '\r');
    message->put(message->to, '\n');
}
