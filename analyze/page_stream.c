#include "analyze/page_stream.h"

#include <jansson.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/page_parts.h"
#include "analyze/page_private.h"

struct page_stream {
    struct page *page;
    struct MHD_Connection *connection;
    char coil[STORE_NAME_MAX + 1];
    char session[PAGE_GATE_SESSION_SIZE];
    uint64_t seen[PAGE_PARTS]; /* of each part as last sent */
    char *text;                /* being sent */
    size_t length, sent;
    bool suspended, ending;
    struct page_stream *next;
};

/* FNV-1a, 64 bit: only to see that a text has changed. */
static uint64_t hash(const char *text)
{
    uint64_t h = 0xcbf29ce484222325u;

    for (; *text; ++text)
        h = (h ^ (unsigned char)*text) * 0x100000001b3u;
    return h;
}

/* Nothing to say is no reason to be asked again at once: the connection sleeps until a tick. */
static ssize_t feed(void *cls, uint64_t position, char *out, size_t room)
{
    struct page_stream *s = cls;
    size_t n = s->length - s->sent;

    (void)position;
    if (n > 0) {
        n = n < room ? n : room;
        memcpy(out, s->text + s->sent, n);
        s->sent += n;
        return (ssize_t)n;
    }
    if (s->ending)
        return MHD_CONTENT_READER_END_OF_STREAM;
    s->suspended = true;
    MHD_suspend_connection(s->connection);
    return 0;
}

static void drop(void *cls)
{
    struct page_stream *s = cls;

    for (struct page_stream **at = &s->page->stream; *at; at = &(*at)->next)
        if (*at == s) {
            *at = s->next;
            --s->page->streams;
            break;
        }
    free(s->text);
    free(s);
}

struct MHD_Response *page_stream_begin(struct page *page, struct MHD_Connection *connection,
                                       const char *coil, const char *session)
{
    struct page_stream *s = page->streams < PAGE_STREAMS_MAX ? calloc(1, sizeof *s) : NULL;
    struct MHD_Response *response;

    if (!s)
        return NULL;
    s->page = page;
    s->connection = connection;
    snprintf(s->coil, sizeof s->coil, "%s", coil);
    snprintf(s->session, sizeof s->session, "%s", session ? session : "");
    s->text = strdup("retry: 2000\n\n");
    s->length = s->text ? strlen(s->text) : 0;
    response = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 4096, feed, s, drop);
    if (!response) {
        free(s->text);
        free(s);
        return NULL;
    }
    s->next = page->stream;
    page->stream = s;
    ++page->streams;
    return response;
}

/* One event: a JSON object of the parts that are new to this browser. */
static void compose(struct page_stream *s)
{
    struct page_view view = {.page = s->page, .coil = *s->coil ? s->coil : NULL};
    json_t *event = json_pack("{s:s}", "boot", s->page->boot);
    char *text;

    if (*s->session && page_gate_session(&s->page->gate, s->session, s->page->now))
        view.session = s->session;
    for (size_t i = 0; event && i < PAGE_PARTS; ++i) {
        char *markup = page_parts_markup(&view, i);

        if (markup && hash(markup) != s->seen[i]) {
            s->seen[i] = hash(markup);
            json_object_set_new(event, page_parts_id(i), json_string(markup));
        }
        free(markup);
    }
    text = event ? json_dumps(event, JSON_COMPACT) : NULL;
    json_decref(event);
    free(s->text);
    s->text = NULL;
    s->length = s->sent = 0;
    if (text && asprintf(&s->text, "data: %s\n\n", text) >= 0)
        s->length = strlen(s->text);
    else
        s->text = NULL;
    free(text);
}

static void wake(struct page_stream *s)
{
    if (!s->suspended)
        return;
    s->suspended = false;
    MHD_resume_connection(s->connection);
}

void page_stream_tick(struct page *page)
{
    for (struct page_stream *s = page->stream; s; s = s->next) {
        /* One that has not taken the last event yet is not given more. */
        if (s->sent < s->length || !s->suspended)
            continue;
        compose(s);
        if (s->length)
            wake(s);
    }
}

void page_stream_end(struct page *page)
{
    for (struct page_stream *s = page->stream; s; s = s->next) {
        s->ending = true;
        wake(s);
    }
}
