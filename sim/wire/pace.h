/* One direction of a line: bytes on their way, each with the moment at which its last bit has arrived. 10 bits a byte.
 * PURE. */
#ifndef BRUNT_SIM_WIRE_PACE_H
#define BRUNT_SIM_WIRE_PACE_H

#include <stddef.h>
#include <stdint.h>

enum { PACE_MAX = 16384 };

struct pace {
    int baud; /* 0: everything arrives at once */
    size_t head, len;
    int64_t burst_us, burst_bytes,
        last_us; /* the present unbroken train of bytes: when it began, how long it is, its end */
    int64_t arrive_us[PACE_MAX];
    char bytes[PACE_MAX];
};

/* What doesn't fit any more is lost, as on a line nobody listens to. Returns how many were taken. */
size_t pace_put(struct pace *pace, const void *bytes, size_t len, int64_t now_us);
size_t pace_take(struct pace *pace, void *to, size_t size, int64_t now_us); /* those that have arrived */
int64_t pace_due_us(const struct pace *pace);                               /* INT64_MAX: empty */
int64_t pace_chunk_due_us(const struct pace *pace,
                          size_t chunk); /* when `chunk` bytes, or all there are, have arrived */
size_t pace_room(const struct pace *pace);
void pace_clear(struct pace *pace);

#endif
