/* What a person may say to a run, and what a run says of itself. */
#include "daemon/run/run_private.h"

#include <string.h>

static int do_stop(struct run *run, const char *text, struct error *err)
{
    (void)err;
    run_finish(run, RUN_STOPPED, "stopped%s%s", text && *text ? ": " : "", text ? text : "");
    return 0;
}

static int do_hold(struct run *run, const char *text, struct error *err)
{
    if (run->hold)
        return error_set(err, ERROR_REFUSED, "the run is held already; resume or stop it");
    run->hold = true;
    int port = run_port(run);
    bool waits = run->phase == PHASE_SELECT && !run->selection.for_rung;
    if (waits || run->phase == PHASE_BRING_UP || run->phase == PHASE_STAGE) {
        load_off(run, port);
        run->ports[port].contract = -1; /* confirmed again before the load comes back */
        run->asking = false;
        phase_enter(run, PHASE_HELD, run->now_us + HELD_US);
    } /* else the load is off or goes off, and the way to the next "on" stops at `hold` */
    text_cut(out_mark(run, MARK_HOLD)->text, SENTENCE_SIZE, text ? text : "");
    return 0;
}

static int do_resume(struct run *run, const char *text, struct error *err)
{
    if (!run->hold)
        return error_set(err, ERROR_REFUSED, "the run is not held");
    run->hold = false;
    text_cut(out_mark(run, MARK_RESUME)->text, SENTENCE_SIZE, text ? text : "");
    if (run->phase == PHASE_HELD)
        select_begin(run, false);
    return 0;
}

static int do_note(struct run *run, const char *text, struct error *err)
{
    if (!text || !*text)
        return error_set(err, ERROR_USAGE, "a note needs words");
    text_cut(out_mark(run, MARK_NOTE)->text, SENTENCE_SIZE, text);
    return 0;
}

static int do_answer(struct run *run, const char *text, struct error *err)
{
    if (!run->asking)
        return error_set(err, ERROR_REFUSED, "the run asks nothing at the moment");
    if (text && *text)
        text_cut(out_mark(run, MARK_NOTE)->text, SENTENCE_SIZE, text);
    if (run->phase == PHASE_SELECT)
        select_answer(run);
    else if (run->phase == PHASE_RUNG)
        rung_answer(run);
    return 0;
}

int run_command(struct run *run, enum run_command command, const char *text, int64_t now_us, struct run_out *out, struct error *err)
{
    static int (*const commands[RUN_COMMANDS])(struct run *, const char *, struct error *) = {
        [RUN_STOP] = do_stop, [RUN_HOLD] = do_hold, [RUN_RESUME] = do_resume, [RUN_NOTE] = do_note, [RUN_ANSWER] = do_answer};
    if (run->phase == PHASE_OVER)
        return error_set(err, ERROR_REFUSED, "the run is over");
    if (run->phase == PHASE_NEW)
        return error_set(err, ERROR_REFUSED, "the run has not begun");
    if ((unsigned)command >= RUN_COMMANDS)
        return error_set(err, ERROR_REFUSED, "a run has no such command");
    run->out = out;
    if (now_us > run->now_us)
        run->now_us = now_us;
    int result = commands[command](run, text, err);
    run->out = NULL;
    return result;
}

static double fraction_done(const struct run *run)
{
    if (run->phase == PHASE_OVER && run->end == RUN_DONE)
        return 1.0;
    const struct unit *unit = run_unit(run);
    if (!unit || !(run->weight_all_us > 0))
        return unit ? 0.0 : run->weight_done_us > 0 ? 1.0 : 0.0;
    double spent_us = (double)(run->now_us - run->unit_since_us);
    return (run->weight_done_us + fmin(spent_us, 0.95 * unit->weight_us)) / run->weight_all_us;
}

void run_progress(const struct run *run, int64_t now_us, struct run_progress *ret)
{
    const struct unit *unit = run_unit(run);
    (void)now_us; /* the run's clock is as old as its last call, and so is what it knows */
    memset(ret, 0, sizeof *ret);
    ret->stage = unit ? unit->stage : -1;
    ret->port = run_port(run);
    ret->contract = run_contract(run);
    ret->stage_name = unit ? run->plan.profile.stages[unit->stage].name : "";
    ret->doing = phase_doing(run);
    ret->fraction = fraction_done(run);
    ret->remaining_us = run->phase == PHASE_OVER ? 0 : (int64_t)((1.0 - ret->fraction) * (double)run->estimate_us);
    ret->input_on = unit && run->ports[unit->port].input_on;
    ret->held = run->hold;
    ret->asking = run->asking;
    text_copy(ret->question, sizeof ret->question, run->asking ? run->question : "");
}
