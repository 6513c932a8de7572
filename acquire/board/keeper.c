#include "keeper.h"

void keeper_clear(struct keeper *keeper)
{
    keeper->sum = 0;
    keeper->count = 0;
    keeper->least = UINT16_MAX;
    keeper->most = 0;
    keeper->part = 0;
    keeper->parts = 0;
    keeper->any_part = false;
    keeper->clipped = false;
}

void keeper_add(struct keeper *keeper, uint16_t count)
{
    if (keeper->count == UINT16_MAX) {
        /* A long time between lines: the older half weighs less, the mean stays one. */
        keeper->sum /= 2;
        keeper->count /= 2;
    }
    keeper->sum += count;
    ++keeper->count;
    if (count >= KEEPER_FULL)
        keeper->clipped = true;
    keeper->part = (uint16_t)(keeper->part + count);
    if (++keeper->parts < KEEPER_PART)
        return;
    if (keeper->part < keeper->least)
        keeper->least = keeper->part;
    if (keeper->part > keeper->most)
        keeper->most = keeper->part;
    keeper->any_part = true;
    keeper->part = 0;
    keeper->parts = 0;
}

void keeper_read(const struct keeper *keeper, struct keeper_values *values)
{
    values->any = keeper->count > 0;
    values->any_part = keeper->any_part;
    values->clipped = keeper->clipped;
    /* sum is at most 1023 * 65535, sixteen times that has 31 bits */
    values->mean = 0;
    if (values->any)
        values->mean = (uint16_t)((keeper->sum * 16 + keeper->count / 2) / keeper->count);
    values->least = (uint16_t)(keeper->least * (16 / KEEPER_PART));
    values->most = (uint16_t)(keeper->most * (16 / KEEPER_PART));
}

int32_t keeper_tenths(uint16_t sixteenths, uint16_t reference)
{
    uint32_t middle = (uint32_t)sixteenths + 8;

    return (int32_t)((middle * reference + 8192) / 16384);
}
