#include "sim/wire/pace.h"

enum { BITS_PER_BYTE = 10 };

/* Counted from the start of the train, so that the fractions of a microsecond don't add up. Rounded up: never early. */
static int64_t arrival_us(const struct pace *pace)
{
    if (pace->baud <= 0)
        return pace->burst_us;
    return pace->burst_us + (pace->burst_bytes * BITS_PER_BYTE * 1000000 + pace->baud - 1) / pace->baud;
}

size_t pace_put(struct pace *pace, const void *bytes, size_t len, int64_t now_us)
{
    size_t taken = 0;
    for (; taken < len && pace->len < PACE_MAX; taken++, pace->len++) {
        size_t at = (pace->head + pace->len) % PACE_MAX;
        if (now_us >= pace->last_us) {
            pace->burst_us = now_us;
            pace->burst_bytes = 0;
        }
        pace->burst_bytes++;
        pace->last_us = arrival_us(pace);
        pace->arrive_us[at] = pace->last_us;
        pace->bytes[at] = ((const char *)bytes)[taken];
    }
    return taken;
}

size_t pace_take(struct pace *pace, void *to, size_t size, int64_t now_us)
{
    size_t taken = 0;
    while (taken < size && pace->len > 0 && pace->arrive_us[pace->head] <= now_us) {
        ((char *)to)[taken++] = pace->bytes[pace->head];
        pace->head = (pace->head + 1) % PACE_MAX;
        pace->len--;
    }
    return taken;
}

int64_t pace_due_us(const struct pace *pace)
{
    return pace->len ? pace->arrive_us[pace->head] : INT64_MAX;
}

int64_t pace_chunk_due_us(const struct pace *pace, size_t chunk)
{
    size_t behind = pace->len < chunk ? pace->len : chunk;
    return pace->len ? pace->arrive_us[(pace->head + behind - 1) % PACE_MAX] : INT64_MAX;
}

size_t pace_room(const struct pace *pace)
{
    return PACE_MAX - pace->len;
}

void pace_clear(struct pace *pace)
{
    pace->head = pace->len = 0;
    pace->last_us = INT64_MIN;
}
