#include "daemon/serve/drill.h"

#include "daemon/base/units.h"
#include "daemon/wire/wire.h"

#include <stdio.h>
#include <stdlib.h>

enum stage { OFF, TIMEOUT, ARM, DISARM, MAINS_OFF, MAINS_ON, DONE };
enum { LIMIT_US = 5 * US_PER_S };

struct drill {
    struct station *station;
    const struct bench_plan *bench;
    struct drill_does does;
    bool mains, begun, failed, mains_shown;
    enum stage stage;
    int64_t since_us;
    json_t *steps;
};

struct drill *drill_new(struct station *station, const struct bench_plan *bench, const struct drill_does *does, bool mains, int64_t now_us)
{
    struct drill *drill = calloc(1, sizeof *drill);
    if (!drill)
        return NULL;
    *drill = (struct drill){.station = station, .bench = bench, .does = *does, .mains = mains, .since_us = now_us, .steps = json_array()};
    return drill;
}

void drill_free(struct drill *drill)
{
    if (drill)
        json_decref(drill->steps);
    free(drill);
}

static void next(struct drill *drill, int64_t now_us)
{
    drill->stage++;
    drill->since_us = now_us;
    drill->begun = false;
}

static void note(struct drill *drill, const char *way, const char *what, bool passed, int64_t took_us, const char *text)
{
    drill->failed = drill->failed || !passed;
    json_array_append_new(drill->steps, json_pack("{s:s, s:s, s:b, s:f, s:o}", "way", way, "what", what, "passed", passed, "took_ms",
                                                  (double)took_us / US_PER_MS, "text", wire_text(text)));
}

static void finish_stage(struct drill *drill, const char *way, const char *what, bool passed, int64_t now_us, const char *text)
{
    note(drill, way, what, passed, now_us - drill->since_us, text);
    next(drill, now_us);
}

static bool too_long(const struct drill *drill, int64_t now_us)
{
    return now_us - drill->since_us > LIMIT_US;
}

static void tick_off(struct drill *drill, int64_t now_us)
{
    struct bench *bench = station_bench(drill->station);
    if (!drill->begun) {
        drill->begun = true;
        bench_off_all(bench, now_us);
    } else if (bench_all_off(bench)) {
        finish_stage(drill, "daemon", "off sent to every load and read back", true, now_us, "");
    } else if (too_long(drill, now_us)) {
        finish_stage(drill, "daemon", "off sent to every load and read back", false, now_us, "not confirmed within 5 s: see `brunt bench` for the instrument that does not answer");
    }
}

/* Set when the line came up, and acknowledged by the load; to wait it out would need a load that is on. */
static void tick_timeout(struct drill *drill, int64_t now_us)
{
    for (size_t i = 0; i < drill->bench->instruments_len; i++) {
        const struct bench_instrument *instrument = &drill->bench->instruments[i];
        struct bench_state state = {.answered_us = NEVER_US};
        char text[SENTENCE_SIZE];
        if (instrument->role != ROLE_LOAD || instrument->communications_timeout_us == 0)
            continue;
        bench_instrument_state(station_bench(drill->station), i, &state);
        snprintf(text, sizeof text, "%s: %s", instrument->name, state.communications_timeout_set ? "set and acknowledged" : "wanted by the bench file, but not set");
        note(drill, "load", "its communications time-out", state.communications_timeout_set, 0, text);
    }
    next(drill, now_us);
}

static void tick_guard(struct drill *drill, int64_t now_us)
{
    bool arm = drill->stage == ARM;
    if (!drill->does.guard_wanted) {
        next(drill, now_us);
    } else if (!drill->begun) {
        drill->begun = true;
        drill->does.arm(drill->does.context, arm);
    } else if (too_long(drill, now_us)) {
        finish_stage(drill, "guard", arm ? "armed file written, guard armed" : "guard stood down, armed file removed", false, now_us, "no answer within 5 s");
    }
}

void drill_armed(struct drill *drill, bool armed, const char *why_not, int64_t now_us)
{
    if (drill->stage != ARM)
        return;
    finish_stage(drill, "guard", "armed file written, guard armed", armed, now_us, armed ? "" : why_not);
    if (!armed)
        next(drill, now_us); /* nothing to stand down from */
}

void drill_disarmed(struct drill *drill, int64_t now_us)
{
    if (drill->stage == DISARM)
        finish_stage(drill, "guard", "guard stood down, armed file removed", true, now_us, "");
}

static void tick_mains(struct drill *drill, int64_t now_us)
{
    struct bench *bench = station_bench(drill->station);
    bool on = drill->stage == MAINS_ON;
    struct order order = {.kind = on ? ORDER_MAINS_ON : ORDER_MAINS_OFF, .port = -1};
    struct bench_state state = {.answered_us = NEVER_US};
    if (!drill->mains || drill->bench->mains < 0) {
        next(drill, now_us);
        return;
    }
    if (!drill->begun) {
        drill->begun = true;
        bench_order(bench, &order, now_us);
        return;
    }
    bench_instrument_state(bench, (size_t)drill->bench->mains, &state);
    if (state.input_known && state.input_on == on) {
        drill->mains_shown = on && !drill->failed;
        finish_stage(drill, "mains switch", on ? "switched on and read back" : "switched off and read back", true, now_us, "");
    } else if (too_long(drill, now_us)) {
        finish_stage(drill, "mains switch", on ? "switched on and read back" : "switched off and read back", false, now_us, "not confirmed within 5 s");
    }
}

int drill_tick(struct drill *drill, int64_t now_us, json_t **ret, bool *ret_passed, bool *ret_mains)
{
    static void (*const ticks[])(struct drill *, int64_t) = {
        [OFF] = tick_off, [TIMEOUT] = tick_timeout, [ARM] = tick_guard, [DISARM] = tick_guard, [MAINS_OFF] = tick_mains, [MAINS_ON] = tick_mains};
    if (drill->stage != DONE)
        ticks[drill->stage](drill, now_us);
    if (drill->stage != DONE)
        return 0;
    *ret_passed = !drill->failed;
    *ret_mains = drill->mains_shown;
    *ret = json_pack("{s:b, s:O}", "passed", !drill->failed, "steps", drill->steps);
    return 1;
}
