/* Bounded queue from the loop to the writer: one producer, one consumer, no locks, no allocation after the start. Two rings, so that readings can never take the room of events. */
#ifndef BRUNT_RECORD_RING_H
#define BRUNT_RECORD_RING_H

#include "daemon/record/rows.h"

#include <stdatomic.h>

enum { RING_READINGS = 12000 /* 60 s at 200 a second */, RING_EVENTS = 4096 };

struct ring {
    struct item *items;
    size_t size;
    atomic_size_t head, tail; /* counts, not places: head - tail items wait */
};

int ring_new(struct ring *ring, size_t size, struct error *err);
void ring_free(struct ring *ring);
struct item *ring_slot(struct ring *ring);                     /* producer: where the next goes; NULL: full */
void ring_push(struct ring *ring);                             /* producer: the slot is filled */
const struct item *ring_peek(struct ring *ring, size_t ahead); /* consumer: NULL: no more */
void ring_drop(struct ring *ring, size_t count);               /* consumer: these are stored */
size_t ring_waiting(struct ring *ring);

#endif
