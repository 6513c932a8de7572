/* page_gate: who may do what on the bench page. Anyone who reaches it may look; only a browser that
 * was given the token from the terminal may note anything, and only from a form the page made for
 * it. No network, no files: texts in, answers out. */
#ifndef TRUEWOUND_PAGE_GATE_H
#define TRUEWOUND_PAGE_GATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "db/status.h"

#define PAGE_GATE_TOKEN_SIZE   15 /* "k4mq-7r2t-9wxp", 59 random bits */
#define PAGE_GATE_SESSION_SIZE 33 /* hex */
#define PAGE_GATE_FORM_SIZE    65 /* hex */
#define PAGE_GATE_SESSIONS     8  /* browsers at a time; the longest idle makes room */

/* Wrong tokens allowed in a minute, from all browsers together. */
#define PAGE_GATE_TRIES 8

struct page_gate {
    char token[PAGE_GATE_TOKEN_SIZE];
    unsigned char key[32];
    struct {
        char id[PAGE_GATE_SESSION_SIZE];
        int64_t used; /* us, 0: free */
    } session[PAGE_GATE_SESSIONS];
    int wrong;
    int64_t wrong_since;
    bool wide; /* reachable from elsewhere than this machine */
    unsigned port;
    char name[256]; /* of this machine */
};

enum page_gate_answer { PAGE_GATE_OPEN, PAGE_GATE_WRONG, PAGE_GATE_TOO_OFTEN };

/* A new token and key from the kernel. STATUS_IO when it has no random numbers to give. */
enum status_code page_gate_init(struct page_gate *gate, bool wide, unsigned port,
                                struct status *st);

/* True when a Host header names this server: the loopback, and with wide any numeric address or
 * this machine's own name. Another name may be a stranger's that resolves to us (DNS rebinding). */
bool page_gate_host(const struct page_gate *gate, const char *host);

/* True when an Origin header is absent (NULL) or is this server under the name in host. */
bool page_gate_origin(const char *origin, const char *host);

/* Tries a token as typed: case, blanks and hyphens do not count. On PAGE_GATE_OPEN session is a new
 * session's id. now in us, by a clock that never goes back. */
enum page_gate_answer page_gate_try(struct page_gate *gate, const char *typed, int64_t now,
                                    char session[PAGE_GATE_SESSION_SIZE]);

/* True when a session of that id is open. */
bool page_gate_session(struct page_gate *gate, const char *session, int64_t now);
void page_gate_leave(struct page_gate *gate, const char *session);

/* The word that a form of that purpose carries for that session: HMAC-SHA-256 (RFC 2104). */
void page_gate_form(const struct page_gate *gate, const char *session, const char *purpose,
                    char form[PAGE_GATE_FORM_SIZE]);
bool page_gate_form_right(const struct page_gate *gate, const char *session, const char *purpose,
                          const char *form);

/* size random bytes; false when the kernel gives none. */
bool page_gate_random(void *bytes, size_t size);

#endif
