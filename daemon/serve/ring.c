#include "daemon/serve/serve_own.h"

#include <stdlib.h>
#include <string.h>

struct item *item_new(char *line)
{
    size_t len = line ? strlen(line) : 0;
    struct item *item = line ? malloc(sizeof *item + len) : NULL;
    if (item) {
        *item = (struct item){.refs = 1, .len = len};
        memcpy(item->text, line, len);
    }
    free(line);
    return item;
}

struct item *item_ref(struct item *item)
{
    item->refs++;
    return item;
}

void item_unref(struct item *item)
{
    if (item && --item->refs == 0)
        free(item);
}

uint64_t ring_oldest(const struct ring *ring)
{
    return ring->next > SERVE_RING ? ring->next - SERVE_RING : 0;
}

struct item *ring_at(const struct ring *ring, uint64_t number)
{
    return ring->items[number % SERVE_RING];
}

void ring_put(struct ring *ring, struct item *item, const char *kind, const json_t *params_seq)
{
    struct item **slot = &ring->items[ring->next % SERVE_RING];
    item->begin = strcmp(kind, "begin") == 0;
    if (item->begin)
        ring->last_seq = 0;
    if (json_is_integer(params_seq))
        ring->last_seq = (uint64_t)json_integer_value(params_seq);
    item->seq = ring->last_seq;
    item_unref(*slot);
    *slot = item;
    ring->next++;
}

uint64_t ring_find(const struct ring *ring, uint64_t from_seq)
{
    uint64_t at = ring->next, oldest = ring_oldest(ring);
    while (at > oldest && ring_at(ring, at - 1)->seq >= from_seq) {
        at--;
        if (ring_at(ring, at)->begin)
            break;
    }
    return at;
}

void ring_free(struct ring *ring)
{
    for (size_t i = 0; i < SERVE_RING; i++)
        item_unref(ring->items[i]);
}
