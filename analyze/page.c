#include "analyze/page.h"

#include <arpa/inet.h>
#include <errno.h>
#include <microhttpd.h>
#include <netdb.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include "analyze/page_parts.h"
#include "analyze/page_private.h"
#include "analyze/page_script.h"
#include "analyze/page_stream.h"
#include "db/store_coil.h"

#define TICK_US     1000000
#define IDLE_S      15         /* until a connection without a request is closed */
#define MEMORY_MAX  (24 << 10) /* of a connection: longer request lines and headers are refused */
#define COOKIE      "truewound-bench"
#define NONCE_SIZE  33
#define ADDRESS_MAX 64

/* One request while it comes in. */
struct request {
    struct MHD_PostProcessor *form;
    struct page_act_fields fields;
    size_t size;
};

struct route;
typedef enum MHD_Result (*route_fn)(struct page *page, struct MHD_Connection *connection,
                                    const struct request *request, const char *session);

struct route {
    const char *url;
    bool post;
    route_fn run;
};

/* ---- answers ---- */

static bool header(struct MHD_Response *response, const char *name, const char *value)
{
    return MHD_add_response_header(response, name, value) == MHD_YES;
}

/* Sends a response with what every response has; takes the reference. */
static enum MHD_Result reply(struct MHD_Connection *connection, struct MHD_Response *response,
                             unsigned code, const char *type, const char *nonce)
{
    char policy[320];
    enum MHD_Result result = MHD_NO;

    if (!response)
        return MHD_NO;
    snprintf(policy, sizeof policy,
             "default-src 'none'; script-src 'self'; connect-src 'self'; img-src 'self'; "
             "style-src %s%s%s; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
             nonce ? "'nonce-" : "'none'", nonce ? nonce : "", nonce ? "'" : "");
    if (header(response, MHD_HTTP_HEADER_CONTENT_TYPE, type) &&
        header(response, MHD_HTTP_HEADER_CACHE_CONTROL, "no-store") &&
        header(response, "Content-Security-Policy", policy) &&
        header(response, "X-Content-Type-Options", "nosniff") &&
        header(response, "X-Frame-Options", "DENY") &&
        header(response, "Referrer-Policy", "same-origin") &&
        header(response, "Cross-Origin-Resource-Policy", "same-origin") &&
        header(response, "Cross-Origin-Opener-Policy", "same-origin"))
        result = MHD_queue_response(connection, code, response);
    MHD_destroy_response(response);
    return result;
}

static bool make_nonce(char nonce[NONCE_SIZE])
{
    unsigned char draw[(NONCE_SIZE - 1) / 2];

    if (!page_gate_random(draw, sizeof draw))
        return false;
    for (size_t i = 0; i < sizeof draw; ++i)
        snprintf(nonce + 2 * i, 3, "%02x", draw[i]);
    return true;
}

/* Takes text. */
static struct MHD_Response *of_text(char *text, size_t size)
{
    return text ? MHD_create_response_from_buffer(size, text, MHD_RESPMEM_MUST_FREE) : NULL;
}

static struct MHD_Response *message(const char *title, const char *text, const char *coil, bool ask,
                                    char nonce[NONCE_SIZE])
{
    size_t size = 0;
    char *page =
        make_nonce(nonce) ? page_parts_message(title, text, coil, ask, nonce, &size) : NULL;

    return of_text(page, size);
}

static enum MHD_Result refuse(struct MHD_Connection *connection, unsigned code, const char *text)
{
    char nonce[NONCE_SIZE];
    struct MHD_Response *response = message("Not done", text, "", false, nonce);

    if (response && code == MHD_HTTP_METHOD_NOT_ALLOWED)
        header(response, MHD_HTTP_HEADER_ALLOW, "GET, HEAD, POST");
    return reply(connection, response, code, "text/html; charset=utf-8", nonce);
}

static enum MHD_Result redirect(struct MHD_Connection *connection, const char *coil,
                                const char *session)
{
    struct MHD_Response *response =
        MHD_create_response_from_buffer(0, NULL, MHD_RESPMEM_PERSISTENT);
    char *address = page_lists_link("/", coil);
    char cookie[128];
    bool good =
        response && address && header(response, MHD_HTTP_HEADER_LOCATION, *coil ? address : "/");

    free(address);
    if (good && session) {
        snprintf(cookie, sizeof cookie, COOKIE "=%s; HttpOnly; SameSite=Strict; Path=/%s", session,
                 *session ? "" : "; Max-Age=0");
        good = header(response, MHD_HTTP_HEADER_SET_COOKIE, cookie);
    }
    if (!good) {
        if (response)
            MHD_destroy_response(response);
        return MHD_NO;
    }
    return reply(connection, response, MHD_HTTP_SEE_OTHER, "text/plain", NULL);
}

/* ---- looking ---- */

/* The coil that the address names, or the one measured last; false: there is none of that name. */
static bool choose(struct page *page, struct MHD_Connection *connection,
                   char coil[STORE_NAME_MAX + 1])
{
    const char *asked = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, "coil");
    const char *latest;
    struct status st;
    int64_t id;

    coil[0] = '\0';
    if (asked && *asked) {
        if (strlen(asked) > STORE_NAME_MAX ||
            store_coil_find(page->store, asked, &id, &st) != STATUS_OK)
            return false;
        snprintf(coil, STORE_NAME_MAX + 1, "%s", asked);
        return true;
    }
    page_lists_read(&page->lists, page->store, page->now, &st);
    latest = page_lists_latest(&page->lists);
    if (latest)
        snprintf(coil, STORE_NAME_MAX + 1, "%s", latest);
    return true;
}

static enum MHD_Result show_page(struct page *page, struct MHD_Connection *connection,
                                 const struct request *request, const char *session)
{
    char coil[STORE_NAME_MAX + 1];
    char nonce[NONCE_SIZE];
    struct page_view view = {.page = page, .coil = coil, .session = session};
    size_t size = 0;
    char *text;

    (void)request;
    if (!choose(page, connection, coil))
        return refuse(connection, MHD_HTTP_NOT_FOUND, "There is no coil of that name.");
    if (!*coil)
        view.coil = NULL;
    if (!make_nonce(nonce))
        return MHD_NO;
    text = page_parts_document(&view, nonce, &size);
    return reply(connection, of_text(text, size), MHD_HTTP_OK, "text/html; charset=utf-8", nonce);
}

static enum MHD_Result show_live(struct page *page, struct MHD_Connection *connection,
                                 const struct request *request, const char *session)
{
    char coil[STORE_NAME_MAX + 1];
    struct MHD_Response *response;

    (void)request;
    if (!choose(page, connection, coil))
        return refuse(connection, MHD_HTTP_NOT_FOUND, "There is no coil of that name.");
    response = page_stream_begin(page, connection, coil, session);
    if (!response)
        return refuse(connection, MHD_HTTP_SERVICE_UNAVAILABLE,
                      "Too many browsers listen already.");
    return reply(connection, response, MHD_HTTP_OK, "text/event-stream", NULL);
}

static enum MHD_Result show_fixed(struct MHD_Connection *connection, const char *text,
                                  const char *type)
{
    char *copy = strdup(text);

    return reply(connection, of_text(copy, strlen(text)), MHD_HTTP_OK, type, NULL);
}

static enum MHD_Result show_script(struct page *page, struct MHD_Connection *connection,
                                   const struct request *request, const char *session)
{
    (void)page, (void)request, (void)session;
    return show_fixed(connection, page_script_js(), "text/javascript; charset=utf-8");
}

static enum MHD_Result show_icon(struct page *page, struct MHD_Connection *connection,
                                 const struct request *request, const char *session)
{
    (void)page, (void)request, (void)session;
    return show_fixed(connection, page_script_icon(), "image/svg+xml");
}

static enum MHD_Result show_question(struct page *page, struct MHD_Connection *connection,
                                     const struct request *request, const char *session)
{
    char coil[STORE_NAME_MAX + 1];
    char nonce[NONCE_SIZE];

    (void)request, (void)session;
    if (!choose(page, connection, coil))
        coil[0] = '\0';
    return reply(connection,
                 message("Note things from here",
                         "The terminal in which 'truewound page' runs shows a token. Type it here.",
                         coil, true, nonce),
                 MHD_HTTP_OK, "text/html; charset=utf-8", nonce);
}

/* ---- doing ---- */

static enum MHD_Result unlock(struct page *page, struct MHD_Connection *connection,
                              const struct request *request, const char *session)
{
    char opened[PAGE_GATE_SESSION_SIZE];
    char nonce[NONCE_SIZE];
    enum page_gate_answer answer =
        page_gate_try(&page->gate, request->fields.token, page_child_now(), opened);

    (void)session;
    if (answer == PAGE_GATE_OPEN)
        return redirect(connection, request->fields.coil, opened);
    return reply(connection,
                 message("Note things from here",
                         answer == PAGE_GATE_WRONG
                             ? "That is not the token of this run; look at the terminal again."
                             : "Too many wrong tokens: wait a minute.",
                         request->fields.coil, answer == PAGE_GATE_WRONG, nonce),
                 answer == PAGE_GATE_WRONG ? MHD_HTTP_FORBIDDEN : MHD_HTTP_TOO_MANY_REQUESTS,
                 "text/html; charset=utf-8", nonce);
}

static enum MHD_Result lock(struct page *page, struct MHD_Connection *connection,
                            const struct request *request, const char *session)
{
    page_gate_leave(&page->gate, session);
    return redirect(connection, request->fields.coil, "");
}

static enum MHD_Result begun(struct page *page, struct MHD_Connection *connection,
                             const struct request *request, const struct status *st)
{
    (void)page;
    if (st->code == STATUS_OK)
        return redirect(connection, request->fields.coil, NULL);
    return refuse(connection, st->code == STATUS_BUSY ? MHD_HTTP_CONFLICT : MHD_HTTP_BAD_REQUEST,
                  st->text);
}

static enum MHD_Result note(struct page *page, struct MHD_Connection *connection,
                            const struct request *request, const char *session)
{
    struct status st;

    (void)session;
    page_act_note(page, &request->fields, &st);
    return begun(page, connection, request, &st);
}

static enum MHD_Result take(struct page *page, struct MHD_Connection *connection,
                            const struct request *request, const char *session)
{
    struct status st;

    (void)session;
    page_act_take(page, &request->fields, &st);
    return begun(page, connection, request, &st);
}

static const struct route routes[] = {{"/", false, show_page},
                                      {"/live", false, show_live},
                                      {"/script.js", false, show_script},
                                      {"/icon.svg", false, show_icon},
                                      {"/unlock", false, show_question},
                                      {"/unlock", true, unlock},
                                      {"/lock", true, lock},
                                      {"/note", true, note},
                                      {"/take", true, take}};

/* ---- the way in ---- */

static void keep(char *to, size_t size, const char *data, uint64_t offset, size_t length)
{
    if (offset >= size || length >= size - offset) {
        to[0] = '\0'; /* overlong: as if it were not there */
        return;
    }
    memcpy(to + offset, data, length);
    to[offset + length] = '\0';
}

static enum MHD_Result field(void *cls, enum MHD_ValueKind kind, const char *key,
                             const char *filename, const char *type, const char *encoding,
                             const char *data, uint64_t offset, size_t size)
{
    struct page_act_fields *f = cls;

    (void)kind, (void)filename, (void)type, (void)encoding;
    if (!key || memchr(data, '\0', size))
        return MHD_YES;
#define KEEP(name)                                                                                 \
    if (strcmp(key, #name) == 0)                                                                   \
    keep(f->name, sizeof f->name, data, offset, size)
    KEEP(coil);
    KEEP(form);
    KEEP(token);
    KEEP(place);
    KEEP(pole);
    KEEP(what);
    KEEP(channel);
    KEEP(wires);
#undef KEEP
    return MHD_YES;
}

static const char *head_value(struct MHD_Connection *connection, const char *name)
{
    return MHD_lookup_connection_value(connection, MHD_HEADER_KIND, name);
}

/* What can be said before the body has come. 0: go on. */
static unsigned judge_head(struct page *page, struct MHD_Connection *connection, const char *url,
                           const char *method, const char **text)
{
    const char *length = head_value(connection, MHD_HTTP_HEADER_CONTENT_LENGTH);
    const char *host = head_value(connection, MHD_HTTP_HEADER_HOST);
    bool post = strcmp(method, MHD_HTTP_METHOD_POST) == 0;
    bool known = false, allowed = false;

    *text = "This server does not go by that name.";
    if (!page_gate_host(&page->gate, host))
        return MHD_HTTP_MISDIRECTED_REQUEST;
    for (size_t i = 0; i < sizeof routes / sizeof *routes; ++i)
        if (strcmp(routes[i].url, url) == 0) {
            known = true;
            allowed = allowed || routes[i].post == post;
        }
    *text = "There is nothing there.";
    if (!known)
        return MHD_HTTP_NOT_FOUND;
    *text = "That cannot be done there.";
    if (!allowed || (!post && strcmp(method, MHD_HTTP_METHOD_GET) != 0 &&
                     (strcmp(method, MHD_HTTP_METHOD_HEAD) != 0 || strcmp(url, "/live") == 0)))
        return MHD_HTTP_METHOD_NOT_ALLOWED;
    *text = "That is more than a form of this page sends.";
    if (length && strtoull(length, NULL, 10) > PAGE_BODY_MAX)
        return MHD_HTTP_CONTENT_TOO_LARGE;
    *text = "The form was sent from another site.";
    if (post && !page_gate_origin(head_value(connection, "Origin"), host))
        return MHD_HTTP_FORBIDDEN;
    return 0;
}

/* Everything that changes something, but for the token itself, wants a session and a form that was
 * made for it. */
static bool allowed(const struct page *page, const struct route *route,
                    const struct page_act_fields *fields, const char *session)
{
    char purpose[STORE_NAME_MAX + 32];

    if (!route->post || route->run == unlock)
        return true;
    snprintf(purpose, sizeof purpose, "%s %s", route->url, fields->coil);
    return session && page_gate_form_right(&page->gate, session, purpose, fields->form);
}

static enum MHD_Result finish(struct page *page, struct MHD_Connection *connection, const char *url,
                              const char *method, const struct request *request)
{
    const char *session = MHD_lookup_connection_value(connection, MHD_COOKIE_KIND, COOKIE);
    bool post = strcmp(method, MHD_HTTP_METHOD_POST) == 0;

    page->now = store_now();
    if (!page_gate_session(&page->gate, session, page_child_now()))
        session = NULL;
    for (size_t i = 0; i < sizeof routes / sizeof *routes; ++i) {
        if (strcmp(routes[i].url, url) != 0 || routes[i].post != post)
            continue;
        if (!allowed(page, &routes[i], &request->fields, session))
            return refuse(connection, MHD_HTTP_FORBIDDEN,
                          session ? "That form was not made by this page; load the page again."
                                  : "Only a browser that was given the token may do that.");
        return routes[i].run(page, connection, request, session);
    }
    return refuse(connection, MHD_HTTP_NOT_FOUND, "There is nothing there.");
}

static enum MHD_Result answer(void *cls, struct MHD_Connection *connection, const char *url,
                              const char *method, const char *version, const char *upload,
                              size_t *upload_size, void **state)
{
    struct page *page = cls;
    struct request *request = *state;
    const char *text;
    unsigned code;

    (void)version;
    if (!request) {
        code = judge_head(page, connection, url, method, &text);
        if (code)
            return refuse(connection, code, text);
        request = calloc(1, sizeof *request);
        if (!request)
            return MHD_NO;
        *state = request;
        if (strcmp(method, MHD_HTTP_METHOD_POST) == 0) {
            request->form = MHD_create_post_processor(connection, 1024, field, &request->fields);
            if (!request->form)
                return refuse(connection, MHD_HTTP_UNSUPPORTED_MEDIA_TYPE,
                              "That is not a form of this page.");
        }
        return MHD_YES;
    }
    if (*upload_size > 0) {
        request->size += *upload_size;
        if (request->size > PAGE_BODY_MAX)
            return MHD_NO; /* a body without a stated length; the connection is closed */
        if (request->form)
            MHD_post_process(request->form, upload, *upload_size);
        *upload_size = 0;
        return MHD_YES;
    }
    if (request->form) { /* the last field is handed out when it is closed */
        MHD_destroy_post_processor(request->form);
        request->form = NULL;
    }
    return finish(page, connection, url, method, request);
}

static void completed(void *cls, struct MHD_Connection *connection, void **state,
                      enum MHD_RequestTerminationCode how)
{
    struct request *request = *state;

    (void)cls, (void)connection, (void)how;
    if (request && request->form)
        MHD_destroy_post_processor(request->form);
    free(request);
    *state = NULL;
}

/* ---- opening and running ---- */

static bool is_loopback(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET)
        return ntohl(((const struct sockaddr_in *)(const void *)address)->sin_addr.s_addr) >> 24 ==
               127;
    return IN6_IS_ADDR_LOOPBACK(&((const struct sockaddr_in6 *)(const void *)address)->sin6_addr);
}

/* A listening socket; its port may be the kernel's choice. */
static enum status_code listen_at(const char *address, unsigned port, int *fd, bool *wide,
                                  unsigned *taken, struct status *st)
{
    struct addrinfo hints = {.ai_flags = AI_NUMERICHOST | AI_NUMERICSERV | AI_PASSIVE,
                             .ai_socktype = SOCK_STREAM};
    struct addrinfo *found = NULL;
    struct sockaddr_storage bound;
    socklen_t length = sizeof bound;
    char number[16], text[16];
    int one = 1, error = 0;

    snprintf(number, sizeof number, "%u", port);
    if (getaddrinfo(address, number, &hints, &found) != 0)
        return status_fail(st, STATUS_INPUT,
                           "--listen: read '%.60s', expected a numeric address such as 192.168.1.5",
                           address);
    *wide = !is_loopback(found->ai_addr);
    *fd = socket(found->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (*fd < 0 || setsockopt(*fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one) != 0 ||
        bind(*fd, found->ai_addr, found->ai_addrlen) != 0 || listen(*fd, 16) != 0 ||
        getsockname(*fd, (struct sockaddr *)&bound, &length) != 0 ||
        getnameinfo((struct sockaddr *)&bound, length, NULL, 0, text, sizeof text,
                    NI_NUMERICSERV) != 0)
        error = errno ? errno : EINVAL;
    freeaddrinfo(found);
    if (!error) {
        *taken = (unsigned)strtoul(text, NULL, 10);
        return status_ok(st);
    }
    if (*fd >= 0)
        close(*fd);
    return status_fail(st,
                       error == EADDRINUSE      ? STATUS_BUSY
                       : error == EADDRNOTAVAIL ? STATUS_INPUT
                                                : STATUS_IO,
                       "%s port %u: %s%s", address, port, strerror(error),
                       error == EADDRINUSE ? "; --port chooses another, 0 any free one" : "");
}

static enum status_code begin_serving(struct page *page, const struct page_options *options,
                                      struct status *st)
{
    const char *address = options->address ? options->address : "127.0.0.1";
    unsigned char draw[8];
    unsigned port = 0;
    bool wide = false;
    int fd = -1;

    if (strlen(address) > ADDRESS_MAX)
        return status_fail(st, STATUS_INPUT, "--listen: the address is too long");
    if (listen_at(address, options->port, &fd, &wide, &port, st) != STATUS_OK)
        return st->code;
    if (page_gate_init(&page->gate, wide, port, st) != STATUS_OK ||
        !page_gate_random(draw, sizeof draw)) {
        close(fd);
        return st->code == STATUS_OK ? status_fail(st, STATUS_IO, "no random numbers") : st->code;
    }
    for (size_t i = 0; i < sizeof draw; ++i)
        snprintf(page->boot + 2 * i, 3, "%02x", draw[i]);
    snprintf(page->address, sizeof page->address,
             strchr(address, ':') ? "http://[%s]:%u/" : "http://%s:%u/", address, port);
    page->daemon = MHD_start_daemon(
        MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME, (uint16_t)port, NULL, NULL, answer, page,
        MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT, (unsigned)PAGE_CONNECTIONS_MAX,
        MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)IDLE_S, MHD_OPTION_CONNECTION_MEMORY_LIMIT,
        (size_t)MEMORY_MAX, MHD_OPTION_STRICT_FOR_CLIENT, 1, MHD_OPTION_NOTIFY_COMPLETED, completed,
        NULL, MHD_OPTION_END);
    if (page->daemon)
        return status_ok(st);
    close(fd);
    return status_fail(st, STATUS_IO, "the server of the page cannot be started");
}

enum status_code page_open(const struct page_options *options, struct page **out, struct status *st)
{
    struct page *page = calloc(1, sizeof *page);
    enum status_code code;

    *out = NULL;
    if (!page)
        return status_fail(st, STATUS_MEMORY, "no memory");
    page->units = options->units;
    page->now = store_now();
    page->database = strdup(options->database);
    code = page->database ? store_open(options->database, STORE_READ, &page->store, st)
                          : status_fail(st, STATUS_MEMORY, "no memory");
    if (code == STATUS_OK)
        code = begin_serving(page, options, st);
    if (code != STATUS_OK) {
        page_close(page);
        return code;
    }
    *out = page;
    return STATUS_OK;
}

const char *page_address(const struct page *page)
{
    return page->address;
}

const char *page_token(const struct page *page)
{
    return page->gate.token;
}

bool page_wide(const struct page *page)
{
    return page->gate.wide;
}

/* Ms to wait for something to happen, at most until the next tick. */
static int patience(struct page *page, int64_t tick)
{
    MHD_UNSIGNED_LONG_LONG ms;
    int64_t left = tick - page_child_now();

    if (page_child_left(&page->act.child) < left)
        left = page_child_left(&page->act.child);
    if (page_child_left(&page->judge.child) < left)
        left = page_child_left(&page->judge.child);
    if (page_child_left(&page->batteries.child) < left)
        left = page_child_left(&page->batteries.child);
    left = left > 0 ? left / 1000 + 1 : 0;
    if (MHD_get_timeout(page->daemon, &ms) == MHD_YES && (int64_t)ms < left)
        left = (int64_t)ms;
    return (int)left;
}

static void serve(struct page *page, int signals, int epoll)
{
    int64_t tick = page_child_now();

    for (;;) {
        struct pollfd fds[8] = {{.fd = signals, .events = POLLIN}, {.fd = epoll, .events = POLLIN}};
        size_t n = 2;
        bool ended;

        n += page_child_watch(&page->judge.child, fds + n);
        n += page_child_watch(&page->act.child, fds + n);
        n += page_child_watch(&page->batteries.child, fds + n);
        poll(fds, (nfds_t)n, patience(page, tick));
        if (fds[0].revents)
            return;
        ended = page_judge_step(&page->judge);
        ended = page_batteries_step(&page->batteries) || ended;
        if (page_act_step(&page->act)) {
            page->lists.read = 0;
            ended = true;
        }
        if (ended || page_child_now() >= tick) {
            page->now = store_now();
            if (page->stream || !page->batteries.asked)
                page_batteries_ask(&page->batteries, page->database);
            page_stream_tick(page);
            tick = page_child_now() + TICK_US;
        }
        MHD_run(page->daemon);
    }
}

enum status_code page_run(struct page *page, struct status *st)
{
    const union MHD_DaemonInfo *info = MHD_get_daemon_info(page->daemon, MHD_DAEMON_INFO_EPOLL_FD);
    struct sigaction ignore = {.sa_handler = SIG_IGN}, before;
    struct signalfd_siginfo caught;
    sigset_t set, usual;
    int signals;

    sigemptyset(&set);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGHUP);
    if (!info || sigprocmask(SIG_BLOCK, &set, &usual) != 0)
        return status_fail(st, STATUS_IO, "the server of the page cannot be watched");
    sigaction(SIGPIPE, &ignore, &before);
    signals = signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
    if (signals >= 0) {
        serve(page, signals, info->epoll_fd);
        page_stream_end(page);
        for (int i = 0; page->stream && i < 50; ++i) {
            MHD_run(page->daemon);
            poll(NULL, 0, 10);
        }
        /* Taken, or it would come again when it is no longer blocked. */
        while (read(signals, &caught, sizeof caught) == (ssize_t)sizeof caught)
            ;
        close(signals);
        status_ok(st);
    } else
        status_fail(st, STATUS_IO, "no signals can be waited for: %s", strerror(errno));
    sigaction(SIGPIPE, &before, NULL);
    sigprocmask(SIG_SETMASK, &usual, NULL);
    return st->code;
}

void page_close(struct page *page)
{
    if (!page)
        return;
    if (page->daemon)
        MHD_stop_daemon(page->daemon);
    page_judge_free(&page->judge);
    page_act_free(&page->act);
    page_batteries_free(&page->batteries);
    page_lists_free(&page->lists);
    store_close(page->store, NULL);
    free(page->database);
    free(page);
}
