/*
 * The drill: each way off that can be shown with the inputs off and nothing plugged in is shown, and timed.
 * One at a time, no run meanwhile. The caller ticks it (every 20 ms) until it is done.
 */
#ifndef BRUNT_SERVE_DRILL_H
#define BRUNT_SERVE_DRILL_H

#include "daemon/station/station.h"

#include <jansson.h>

struct drill_does {
    void *context;
    void (*arm)(void *context, bool armed); /* drill_armed()/drill_disarmed() must follow */
    bool guard_wanted;
};

struct drill;
/* mains: also switch the mains off and on, if the bench has a switch. */
struct drill *drill_new(struct station *station, const struct bench_plan *bench, const struct drill_does *does, bool mains, int64_t now_us);
void drill_free(struct drill *drill);
void drill_armed(struct drill *drill, bool armed, const char *why_not, int64_t now_us);
void drill_disarmed(struct drill *drill, int64_t now_us);
/* 0: go on; 1: done. Then *ret is {"passed", "steps": [{"way", "what", "passed", "took_ms", "text"}]} (NULL: no memory), and *ret_passed and *ret_mains say what was shown. */
int drill_tick(struct drill *drill, int64_t now_us, json_t **ret, bool *ret_passed, bool *ret_mains);

#endif
