/* What a reading, an outcome and a due time mean in each phase. */
#include "daemon/run/run_private.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

static void clear_step(struct run *run)
{
    for (int port = 0; port < PORTS_MAX; port++)
        if (run->ports[port].used && !load_is_off(run, port))
            return;
    if (!run->mains_waiting)
        sequence_next(run);
}

static void clear_outcome(struct run *run, const struct outcome *outcome)
{
    if (outcome->kind != ORDER_MAINS_ON || !run->mains_waiting)
        return;
    if (outcome->state == OUTCOME_FAILED)
        run_finish(run, RUN_FAULT, "the mains switch refused to switch on: %s", outcome->text);
    else
        run->phase_due_us = run->now_us + MAINS_ON_US;
}

static void clear_tick(struct run *run)
{
    run->mains_waiting = false;
    run->phase_due_us = NEVER_US;
    clear_step(run);
}

static void unload_step(struct run *run)
{
    if (!load_is_off(run, run_port(run)))
        return;
    stage_end(run, true);
    sequence_next(run);
}

static void select_any(struct run *run)
{
    if (!run->selection.asked)
        select_tick(run);
}

static void stage_tick(struct run *run)
{
    run->phase_due_us = NEVER_US; /* the stage says when again */
    run_row(run)->tick(run);
}

static void stage_feed(struct run *run, const struct reading *reading)
{
    run_row(run)->feed(run, reading);
}

static void held_tick(struct run *run)
{
    run_finish(run, RUN_STOPPED, "held for %d h and nobody resumed it", (int)(HELD_US / (3600 * US_PER_S)));
}

struct phase_row {
    const char *doing;
    void (*any)(struct run *run); /* after each call's news: an off may have been confirmed */
    void (*feed)(struct run *run, const struct reading *reading);
    void (*outcome)(struct run *run, const struct outcome *outcome);
    void (*tick)(struct run *run);
};

static const struct phase_row rows[] = {
    [PHASE_NEW] = {.doing = "not begun"},
    [PHASE_CLEAR] = {.doing = "loads off", .any = clear_step, .outcome = clear_outcome, .tick = clear_tick},
    [PHASE_SELECT] = {.doing = "selecting", .any = select_any, .feed = select_feed, .outcome = select_outcome, .tick = select_tick},
    [PHASE_BRING_UP] = {.doing = "load on", .any = bring_up_step, .outcome = bring_up_outcome, .tick = bring_up_tick},
    [PHASE_STAGE] = {.doing = "", .feed = stage_feed, .tick = stage_tick},
    [PHASE_UNLOAD] = {.doing = "load off", .any = unload_step},
    [PHASE_LET_GO] = {.doing = "let go: watching", .feed = let_go_feed, .tick = let_go_tick},
    [PHASE_RUNG] = {.doing = "recovering", .outcome = rung_outcome, .tick = rung_tick},
    [PHASE_WATCH] = {.doing = "tripped: watching", .tick = watch_tick_phase},
    [PHASE_COOL] = {.doing = "cooling", .feed = cool_feed, .tick = cool_tick},
    [PHASE_HELD] = {.doing = "held", .tick = held_tick},
    [PHASE_OVER] = {.doing = "over"},
};
_Static_assert(COUNT(rows) == PHASES, "a phase has no row");

void phase_enter(struct run *run, enum phase phase, int64_t due_us)
{
    if (run->phase == PHASE_OVER)
        return;
    run->phase = phase;
    run->phase_since_us = run->now_us;
    run->phase_due_us = due_us;
    run->doing[0] = '\0';
}

void phase_feed(struct run *run, const struct reading *reading)
{
    const struct phase_row *row = &rows[run->phase];
    if (row->feed && reading->port == run_port(run))
        row->feed(run, reading);
}

void phase_outcome(struct run *run, const struct outcome *outcome)
{
    if (rows[run->phase].outcome)
        rows[run->phase].outcome(run, outcome);
}

void phase_tick(struct run *run)
{
    if (rows[run->phase].any)
        rows[run->phase].any(run);
    if (run->phase != PHASE_OVER && run->now_us >= run->phase_due_us && rows[run->phase].tick)
        rows[run->phase].tick(run);
}

const char *phase_doing(const struct run *run)
{
    if (run->phase == PHASE_RUNG)
        return rung_name(run->rung);
    return run->doing[0] ? run->doing : rows[run->phase].doing;
}

static void say_end(struct run *run)
{
    if (run->told || (run->end != RUN_FAULT && run->end != RUN_TRIPPED))
        return;
    out_say(run, FINDING_LINK, run->end == RUN_FAULT ? SEVERITY_ABORT : SEVERITY_TRIP, (double)NAN, "%s", run->why);
}

void run_finish(struct run *run, enum run_end end, const char *format, ...)
{
    if (run->phase == PHASE_OVER)
        return;
    va_list arguments;
    va_start(arguments, format);
    char text[3 * SENTENCE_SIZE];
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    run->out->orders_len = 0; /* whatever this call wanted of instruments is void */
    for (int port = PORTS_MAX - 1; port >= 0; port--)
        if (run->ports[port].used)
            load_off(run, port);
    text_cut(run->why, sizeof run->why, text);
    run->end = end;
    struct order *order = out_order(run, ORDER_FINISH, -1);
    order->end = end;
    text_copy(order->text, sizeof order->text, run->why);
    if (run->begun)
        stage_end(run, false);
    say_end(run);
    phase_enter(run, PHASE_OVER, NEVER_US);
    run->asking = false;
    run->hold = false;
}
