/* Labelled traces for the development of the watchers: a source, a load and a slow display, stepped by the millisecond. Shares nothing with the watchers but their terms. */
#ifndef TESTS_WATCH_WITH_TRACES_H
#define TESTS_WATCH_WITH_TRACES_H

#include "daemon/watch/watch.h"

enum { TRACE_READINGS = 2600, TRACE_ORDERS = 64 };

struct trace_how { /* how it is looked at */
    double rate_hz, conversion_s, update_s, skew_s, noise_volts, noise_amps;
    bool conversion_known;
};

struct trace {
    struct watch_setup setup;
    struct trace_how how;
    struct reading readings[TRACE_READINGS];
    size_t count;
    struct watch_event orders[TRACE_ORDERS];
    size_t orders_count;
    enum finding_kind label; /* FINDING_KINDS: healthy */
    bool shows;              /* the data can show it */
    char note[200];
};

enum { TRACE_KINDS = 34 };
const char *trace_kind_text(unsigned which);
/* which: 0 .. TRACE_KINDS - 1. Same random state, same trace. */
void trace_make(struct trace *trace, unsigned which, uint64_t *random);

#endif
