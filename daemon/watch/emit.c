/* The table of plain watchers and the one rule by which all of them begin, last and end. */
#include "daemon/watch/watch_own.h"
#include "daemon/base/text.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* Persistence: 3 readings leave chance out (one outlier in 100 readings gives three in a row once in a million); 1 for the hard limit; 4 for
 * sense wires, which a skewed answer at a collapse can look like; 5 for disagreement, which harms nothing by itself. Times keep fast sampling from deciding on a transient or on one outlier that a
 * slow display repeats: 350 ms is longer than a step's recovery and than most displays hold a value (common practice, no source). */
const struct watcher watchers[WATCHERS] = {
    {FINDING_OVER_VOLTAGE, SEVERITY_ABORT, SEVERITY_ABORT, 1, 3, 0, 0, over_voltage_look, over_voltage_say},
    {FINDING_DROOP, SEVERITY_WARNING, SEVERITY_WARNING, 3, 3, 350 * US_PER_MS, 0, droop_look, droop_say},
    {FINDING_INPUT_ON, SEVERITY_ABORT, SEVERITY_ABORT, 3, 3, 350 * US_PER_MS, 0, input_on_look, input_on_say},
    {FINDING_INPUT_OFF, SEVERITY_WARNING, SEVERITY_WARNING, 3, 3, 350 * US_PER_MS, 0, input_off_look, input_off_say},
    {FINDING_INSTRUMENT_DISAGREES, SEVERITY_WARNING, SEVERITY_WARNING, 5, 5, 500 * US_PER_MS, 0, disagrees_look, disagrees_say},
    {FINDING_SENSE, SEVERITY_ABORT, SEVERITY_ABORT, 4, 4, 350 * US_PER_MS, 0, sense_look, sense_say},
    {FINDING_INSTRUMENT_NAN, SEVERITY_WARNING, SEVERITY_ABORT, 3, 3, 0, 3 * US_PER_S, nan_look, nan_say},
    {FINDING_INSTRUMENT_RANGE, SEVERITY_WARNING, SEVERITY_ABORT, 3, 3, 0, 3 * US_PER_S, range_look, range_say},
};

struct finding *finding_begin(const struct watch *watch, struct out *out, enum finding_kind kind, enum severity severity, const struct reading *reading, int64_t since_us)
{
    size_t i = out->len < WATCH_OUT_MAX ? out->len++ : WATCH_OUT_MAX - 1; /* never more: 8 watchers, stuck, stale, and two of letting go */
    struct finding *f = &out->list[i];
    *f = (struct finding){
        .at_us = watch->now_us, .since_us = since_us, .kind = kind, .severity = severity, .port = watch->setup.port, .contract = watch->setup.contract,
        .volts = reading ? reading->volts : NAN, .amps = reading ? reading->amps : NAN, .limit = NAN, .period_s = NAN, .duty = NAN,
    };
    return f;
}

void finding_say(struct finding *finding, const char *format, ...)
{
    char text[2 * SENTENCE_SIZE];
    int len = snprintf(text, sizeof text, "port %d: ", finding->port + 1);
    va_list args;
    va_start(args, format);
    vsnprintf(text + len, sizeof text - (size_t)len, format, args);
    va_end(args);
    text_cut(finding->text, sizeof finding->text, text);
}

static void tell(const struct watch *watch, const struct watcher *w, const struct watcher_state *state, const struct seen *seen, struct out *out)
{
    struct finding *f = finding_begin(watch, out, w->kind, state->lasting ? w->lasting_severity : w->severity, seen->r, state->since_us);
    w->say(watch, seen, f);
}

static void tell_over(const struct watch *watch, const struct watcher *w, const struct watcher_state *state, const struct seen *seen, struct out *out)
{
    struct finding *f = finding_begin(watch, out, w->kind, SEVERITY_NOTE, seen->r, state->since_us);
    f->over = true;
    finding_say(f, "%s has ended after %.2f s, at %.3f V, %.3f A", finding_kind_name(w->kind), seconds_between(state->since_us, watch->now_us), seen->r->volts, seen->r->amps);
}

static void evidence_for(const struct watch *watch, const struct watcher *w, struct watcher_state *state, const struct seen *seen, struct out *out)
{
    state->clears = 0;
    if (state->hits == 0)
        state->since_us = watch->now_us;
    if (seen->fresh || state->hits == 0)
        state->hits++;
    int64_t lasted_us = watch->now_us - state->since_us;
    bool begins = !state->on && state->hits >= w->hits && lasted_us >= w->hold_us;
    bool lasts = state->on && !state->lasting && w->lasting_us > 0 && lasted_us >= w->lasting_us;
    state->on = state->on || begins;
    state->lasting = state->lasting || lasts;
    if (begins || lasts)
        tell(watch, w, state, seen, out);
}

static void evidence_against(const struct watch *watch, const struct watcher *w, struct watcher_state *state, const struct seen *seen, struct out *out)
{
    state->clears += seen->fresh || state->clears == 0;
    if (state->on && state->clears < w->clears)
        return;
    if (state->on)
        tell_over(watch, w, state, seen, out);
    *state = (struct watcher_state){.clears = state->clears};
}

void watchers_feed(struct watch *watch, const struct seen *seen, struct out *out)
{
    for (size_t i = 0; i < WATCHERS; i++) {
        enum evidence evidence = watchers[i].look(watch, seen);
        if (evidence == EVIDENCE_FOR)
            evidence_for(watch, &watchers[i], &watch->states[i], seen, out);
        else if (evidence == EVIDENCE_AGAINST)
            evidence_against(watch, &watchers[i], &watch->states[i], seen, out);
    }
}
