/* A tiny line-buffered SCPI instrument in a process of its own, on a pseudo-terminal or a TCP socket. What it does is seen in shared memory.
 * It keeps half a message for whoever writes next, and drops a message that holds an illegal character: as real ones do. */
#ifndef TESTS_GUARD_WITH_INSTRUMENT_H
#define TESTS_GUARD_WITH_INSTRUMENT_H

#include "daemon/guard/arm.h"

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

struct instrument_state { /* shared: tests set the upper ones, the instrument the lower ones */
    volatile bool silent, echo, hang_up_next; /* hang_up_next: TCP closes each connection once */
    volatile int answer_delay_ms;
    volatile bool on;
    volatile double amps;
    volatile int64_t off_ns;    /* when it last went from on to off */
    volatile int executed, dropped, ons, sets, connections;
};

struct instrument {
    struct instrument_state *state;
    char address[128];
    pid_t pid;
    int keep; /* the slave's or the listener's descriptor */
};

enum instrument_line { ON_PTY, ON_TCP };

struct instrument instrument_start(enum instrument_line line, uid_t owner);
void instrument_stop(struct instrument *it);

/* An armed entry for it, as the standard dialect would have it. */
struct arm_entry instrument_entry(const struct instrument *it, const char *name);

int64_t now_ns(void);
void sleep_ms(int ms);
/* Waits until *flag == want, at most limit_ms; the answer is whether it came. */
bool comes_to(const volatile bool *flag, bool want, int limit_ms);

#endif
