#include "daemon/record/ring.h"

#include <stdlib.h>

int ring_new(struct ring *ring, size_t size, struct error *err)
{
    ring->items = calloc(size, sizeof *ring->items);
    if (!ring->items)
        return error_set(err, ERROR_MEMORY, "no memory for the record's queue");
    ring->size = size;
    atomic_init(&ring->head, 0);
    atomic_init(&ring->tail, 0);
    return 0;
}

void ring_free(struct ring *ring)
{
    free(ring->items);
    ring->items = NULL;
}

size_t ring_waiting(struct ring *ring)
{
    return atomic_load(&ring->head) - atomic_load(&ring->tail);
}

struct item *ring_slot(struct ring *ring)
{
    return ring_waiting(ring) == ring->size ? NULL : &ring->items[atomic_load(&ring->head) % ring->size];
}

void ring_push(struct ring *ring)
{
    atomic_fetch_add(&ring->head, 1);
}

const struct item *ring_peek(struct ring *ring, size_t ahead)
{
    return ahead >= ring_waiting(ring) ? NULL : &ring->items[(atomic_load(&ring->tail) + ahead) % ring->size];
}

void ring_drop(struct ring *ring, size_t count)
{
    atomic_fetch_add(&ring->tail, count);
}
