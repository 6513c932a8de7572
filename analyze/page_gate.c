#include "analyze/page_gate.h"

#include <arpa/inet.h>
#include <ctype.h>
#include <nettle/hmac.h>
#include <nettle/memops.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/random.h>
#include <unistd.h>

#define MINUTE_US 60000000

/* Without 0, 1, i, l and o: nobody should have to guess which it was. */
static const char letters[] = "abcdefghjkmnpqrstuvwxyz23456789";

#define LETTERS (sizeof letters - 1)

bool page_gate_random(void *bytes, size_t size)
{
    return getrandom(bytes, size, 0) == (ssize_t)size;
}

static void hex(const unsigned char *bytes, size_t size, char *out)
{
    for (size_t i = 0; i < size; ++i)
        snprintf(out + 2 * i, 3, "%02x", bytes[i]);
}

enum status_code page_gate_init(struct page_gate *gate, bool wide, unsigned port, struct status *st)
{
    unsigned char draw;

    *gate = (struct page_gate){.wide = wide, .port = port};
    if (!page_gate_random(gate->key, sizeof gate->key))
        return status_fail(st, STATUS_IO, "the kernel gave no random numbers for a token");
    for (size_t i = 0; i < sizeof gate->token - 1; ++i) {
        if (i % 5 == 4) {
            gate->token[i] = '-';
            continue;
        }
        do /* a draw from the incomplete last round would favour the first letters */
            if (!page_gate_random(&draw, sizeof draw))
                return status_fail(st, STATUS_IO, "the kernel gave no random numbers for a token");
        while (draw >= 256 / LETTERS * LETTERS);
        gate->token[i] = letters[draw % LETTERS];
    }
    if (gethostname(gate->name, sizeof gate->name - 1) != 0)
        gate->name[0] = '\0';
    return status_ok(st);
}

/* Splits "name:port" or "[v6]:port"; port 80 when there is none. */
static bool split(const char *host, char *name, size_t size, unsigned *port)
{
    size_t length = *host == '[' ? strcspn(host, "]") + 1 : strcspn(host, ":");
    const char *rest;
    char *end;
    unsigned long n;

    if (strlen(host) < length || length == 0 || length >= size)
        return false;
    snprintf(name, size, "%.*s", (int)length, host);
    rest = host + length;
    *port = 80;
    if (!*rest)
        return true;
    if (*rest != ':' || !isdigit((unsigned char)rest[1]))
        return false;
    n = strtoul(rest + 1, &end, 10);
    *port = (unsigned)n;
    return !*end && n <= 65535;
}

static bool loopback4(struct in_addr address)
{
    return ntohl(address.s_addr) >> 24 == 127;
}

bool page_gate_host(const struct page_gate *gate, const char *host)
{
    char name[256];
    unsigned port;
    struct in_addr four;
    struct in6_addr six;
    size_t length;

    if (!host || !split(host, name, sizeof name, &port) || port != gate->port)
        return false;
    length = strlen(name);
    if (name[0] == '[') {
        name[length - 1] = '\0';
        return inet_pton(AF_INET6, name + 1, &six) == 1 &&
               (gate->wide || IN6_IS_ADDR_LOOPBACK(&six));
    }
    if (inet_pton(AF_INET, name, &four) == 1)
        return gate->wide || loopback4(four);
    if (strcasecmp(name, "localhost") == 0)
        return true;
    if (!gate->wide || !*gate->name)
        return false;
    length = strlen(gate->name);
    return strncasecmp(name, gate->name, length) == 0 &&
           (name[length] == '\0' || strcasecmp(name + length, ".local") == 0);
}

bool page_gate_origin(const char *origin, const char *host)
{
    if (!origin)
        return true;
    return host && strncmp(origin, "http://", 7) == 0 && strcasecmp(origin + 7, host) == 0;
}

/* The letters of a token as typed; false when they are too many. */
static bool bare(const char *typed, char *out, size_t size)
{
    size_t n = 0;

    for (; *typed; ++typed) {
        if (*typed == ' ' || *typed == '-')
            continue;
        if (n + 1 >= size)
            return false;
        out[n++] = (char)tolower((unsigned char)*typed);
    }
    out[n] = '\0';
    return true;
}

/* In a time that does not tell how much of it was right. */
static bool same(const char *a, const char *b)
{
    size_t length = strlen(a);

    return length == strlen(b) && memeql_sec(a, b, length);
}

enum page_gate_answer page_gate_try(struct page_gate *gate, const char *typed, int64_t now,
                                    char session[PAGE_GATE_SESSION_SIZE])
{
    char right[PAGE_GATE_TOKEN_SIZE];
    char given[PAGE_GATE_TOKEN_SIZE];
    unsigned char id[(PAGE_GATE_SESSION_SIZE - 1) / 2];
    size_t oldest = 0;

    if (now - gate->wrong_since > MINUTE_US) {
        gate->wrong_since = now;
        gate->wrong = 0;
    }
    if (gate->wrong >= PAGE_GATE_TRIES)
        return PAGE_GATE_TOO_OFTEN;
    bare(gate->token, right, sizeof right);
    if (!bare(typed, given, sizeof given) || !same(right, given) ||
        !page_gate_random(id, sizeof id)) {
        ++gate->wrong;
        return PAGE_GATE_WRONG;
    }
    for (size_t i = 0; i < PAGE_GATE_SESSIONS; ++i)
        if (gate->session[i].used < gate->session[oldest].used)
            oldest = i;
    hex(id, sizeof id, gate->session[oldest].id);
    gate->session[oldest].used = now;
    memcpy(session, gate->session[oldest].id, PAGE_GATE_SESSION_SIZE);
    return PAGE_GATE_OPEN;
}

bool page_gate_session(struct page_gate *gate, const char *session, int64_t now)
{
    bool open = false;

    for (size_t i = 0; session && i < PAGE_GATE_SESSIONS; ++i)
        if (gate->session[i].used && same(gate->session[i].id, session)) {
            gate->session[i].used = now;
            open = true;
        }
    return open;
}

void page_gate_leave(struct page_gate *gate, const char *session)
{
    for (size_t i = 0; session && i < PAGE_GATE_SESSIONS; ++i)
        if (gate->session[i].used && same(gate->session[i].id, session))
            gate->session[i].used = 0;
}

void page_gate_form(const struct page_gate *gate, const char *session, const char *purpose,
                    char form[PAGE_GATE_FORM_SIZE])
{
    struct hmac_sha256_ctx hmac;
    unsigned char digest[SHA256_DIGEST_SIZE];

    hmac_sha256_set_key(&hmac, sizeof gate->key, gate->key);
    hmac_sha256_update(&hmac, strlen(session), (const uint8_t *)session);
    hmac_sha256_update(&hmac, 1, (const uint8_t *)"\n");
    hmac_sha256_update(&hmac, strlen(purpose), (const uint8_t *)purpose);
    hmac_sha256_digest(&hmac, sizeof digest, digest);
    hex(digest, sizeof digest, form);
}

bool page_gate_form_right(const struct page_gate *gate, const char *session, const char *purpose,
                          const char *form)
{
    char right[PAGE_GATE_FORM_SIZE];

    page_gate_form(gate, session, purpose, right);
    return form && same(right, form);
}
