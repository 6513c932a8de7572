#include "coilswitch.h"

void coilswitch_clear(struct coilswitch *s, uint32_t now)
{
    s->on = false;
    s->changed = false;
    s->since = now - COILSWITCH_SETTLE;
    s->most = 0;
}

void coilswitch_on(struct coilswitch *s, uint32_t now, uint32_t ms)
{
    if (!s->on)
        s->changed = true;
    s->on = true;
    s->since = now;
    s->most = ms;
}

void coilswitch_off(struct coilswitch *s, uint32_t now)
{
    if (!s->on)
        return;
    s->on = false;
    s->changed = true;
    s->since = now;
}

bool coilswitch_tick(struct coilswitch *s, uint32_t now)
{
    if (!s->on || now - s->since < s->most)
        return false;
    coilswitch_off(s, now);
    return true;
}

bool coilswitch_is_changing(struct coilswitch *s, uint32_t now, bool start_line)
{
    bool changing = s->changed;

    if (start_line && now - s->since >= COILSWITCH_SETTLE)
        s->changed = false;
    return changing;
}
