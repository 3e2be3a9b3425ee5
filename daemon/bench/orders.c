/* The orders' way: into a unit's queue, step by step over the line, out as one outcome each. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { STEP_ERRORS = ORDER_STEPS_MAX }; /* behind all steps: why it was refused */

static void emit(struct bench *bench, const struct order *order, enum outcome_state state, enum selection_proof proof,
                 double value, int64_t now_us, const char *text)
{
    struct outcome outcome = {.at_us = now_us,
                              .kind = order->kind,
                              .port = order->port,
                              .contract = order->kind == ORDER_SELECT ? order->contract : -1,
                              .state = state,
                              .proof = proof,
                              .value = value};
    text_cut(outcome.text, sizeof outcome.text, text);
    emit_outcome(bench, &outcome);
}

void order_finish(struct bench *bench, struct unit *unit, enum outcome_state state, enum selection_proof proof,
                  double value, int64_t now_us, const char *format, ...)
{
    char text[2 * SENTENCE_SIZE];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (!unit->orders_len)
        return;
    struct order order = unit->orders[0];
    memmove(unit->orders, unit->orders + 1, --unit->orders_len * sizeof unit->orders[0]);
    unit->job = (struct job){.value = NAN};
    emit(bench, &order, state, proof, value, now_us, text);
}

void orders_end(struct bench *bench, struct unit *unit, int64_t now_us, const char *why)
{
    struct address *address = address_of(bench, unit->instrument);
    if (address->task == TASK_ORDER && address->unit == (int)(unit - bench->units))
        address->task = TASK_NONE; /* its answer, if one comes, belongs to nobody */
    while (unit->orders_len)
        order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, "%s", why);
}

/* ---- steps ---- */

static const struct order_step *step_of(const struct unit *unit)
{
    return &order_steps[unit->orders[0].kind][unit->job.step];
}

static void next_step(struct unit *unit)
{
    unit->job.step++;
    unit->job.tries = 0;
    unit->job.half = false;
    unit->job.not_before_us = 0;
}

/* An input-on that came to nothing ends with the load off, whatever became of the message. */
static void fail(struct bench *bench, struct unit *unit, int64_t now_us, const char *error)
{
    char note[SENTENCE_SIZE];
    bool on = unit->orders[0].kind == ORDER_LOAD_ON || unit->orders[0].kind == ORDER_MAINS_ON;
    text_cut(note, sizeof note, unit->job.note);
    if (on && unit->ordered_on)
        off_wanted(unit, now_us);
    order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, unit->job.value, now_us, "%s: %s%s%s",
                 instrument_name(bench, unit->instrument), note, error[0] ? "; it reports " : "", error);
}

static bool say_errors(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct dialect *dialect = dialect_of(bench, unit->instrument);
    if (dialect->error_query[0] && say_form(bench, address, TASK_ORDER, unit->instrument, (int)(unit - bench->units),
                                            dialect->error_query, NULL, true, now_us))
        return true;
    fail(bench, unit, now_us, "");
    return false;
}

/* true: something was said. */
static bool say_steps(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    while (unit->orders_len) {
        if (unit->job.not_before_us > now_us) {
            wake_at(address, unit->job.not_before_us);
            return false;
        }
        if (unit->job.step == STEP_ERRORS)
            return say_errors(bench, address, unit, now_us);
        if (!step_of(unit)->say) {
            unit->job.step = STEP_ERRORS; /* no step left, and none has finished it */
            continue;
        }
        switch (step_of(unit)->say(bench, address, unit, now_us)) {
        case SAY_SAID:
            return true;
        case SAY_WAIT:
            return false;
        case SAY_SKIP:
            next_step(unit);
            break;
        case SAY_ENDED:
            break;
        }
    }
    return false;
}

bool order_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    size_t turn = address->turn++;
    for (size_t i = 0; i < bench->units_len; i++) {
        struct unit *unit = &bench->units[(turn + i) % bench->units_len];
        if (address_of(bench, unit->instrument) == address && unit->off == OFF_NONE &&
            say_steps(bench, address, unit, now_us))
            return true;
    }
    return false;
}

void order_done(struct bench *bench, struct unit *unit, int64_t now_us)
{
    (void)bench;
    (void)now_us;
    if (!unit->orders_len)
        return;
    if (unit->job.step < ORDER_STEPS_MAX && step_of(unit)->hear && !unit->job.half)
        unit->job.half = true; /* the setting is out: now its read-back */
    else
        next_step(unit);
}

static bool errors_heard(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    char text[SENTENCE_SIZE] = "";
    int said = error_text(dialect_of(bench, unit->instrument), answer, text, sizeof text);
    if (said < 0)
        return false;
    fail(bench, unit, now_us, said ? text : "");
    return true;
}

bool order_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    if (!unit->orders_len)
        return true;
    if (unit->job.step == STEP_ERRORS)
        return errors_heard(bench, unit, answer, now_us);
    switch (step_of(unit)->hear(bench, unit, answer, now_us)) {
    case HEAR_NEXT:
        next_step(unit);
        break;
    case HEAR_REFUSED:
        next_step(unit);
        unit->job.step = STEP_ERRORS;
        break;
    case HEAR_WRONG:
        return false;
    case HEAR_AGAIN:
    case HEAR_ENDED:
        break;
    }
    return true;
}

void order_failed(struct bench *bench, struct unit *unit, int64_t now_us)
{
    if (!unit->orders_len)
        return;
    if (unit->job.step < ORDER_STEPS_MAX && step_of(unit)->once) {
        next_step(unit);
        return;
    }
    unit->job.half = false;
    if (++unit->job.tries < TRIES_MAX)
        return;
    text_add(unit->job.note, sizeof unit->job.note, "%sno whole answer after %d tries", unit->job.note[0] ? "; " : "",
             TRIES_MAX);
    fail(bench, unit, now_us, "");
}

/* ---- the way in ---- */

static void refuse(struct bench *bench, const struct order *order, int64_t now_us, const char *why)
{
    emit(bench, order, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, why);
}

static void enqueue(struct bench *bench, int u, const struct order *order, int64_t now_us)
{
    struct unit *unit = &bench->units[u];
    struct address *address = address_of(bench, unit->instrument);
    if (!address->up || !bench->instruments[unit->instrument].identified) {
        char why[SENTENCE_SIZE];
        snprintf(why, sizeof why, "%s isn't there: %.150s", instrument_name(bench, unit->instrument),
                 bench->instruments[unit->instrument].trouble[0] ? bench->instruments[unit->instrument].trouble
                                                                 : "its line is lost or it isn't identified yet");
        refuse(bench, order, now_us, why);
        return;
    }
    if (unit->orders_len == ORDERS_MAX) {
        refuse(bench, order, now_us, "too many orders at once for this instrument");
        return;
    }
    unit->orders[unit->orders_len++] = *order;
    if (unit->orders_len == 1)
        unit->job = (struct job){.value = NAN};
    /* What hasn't begun to go out gives way: a new set-point is in force for the next sample. */
    bool yields = address->task == TASK_SAMPLE || address->task == TASK_CELSIUS || address->task == TASK_CHECK;
    if (yields && line_unsay(&address->line)) {
        if (address->task != TASK_CELSIUS)
            sample_restart(&bench->units[address->unit]);
        address->task = TASK_NONE;
    }
    schedule(bench, address, now_us);
}

static void order_off(struct bench *bench, int u, const struct order *order, int64_t now_us)
{
    struct unit *unit = &bench->units[u];
    orders_end(bench, unit, now_us, "overtaken by off");
    unit->off_asked++;
    unit->off_ordered = true;
    off_now(bench, unit, now_us);
    if (!address_of(bench, unit->instrument)->up || address_of(bench, unit->instrument)->lost) {
        unit->off_asked--;
        refuse(bench, order, now_us, "the instrument can't be reached; off is repeated until it answers");
    }
}

static void order_pace(struct bench *bench, struct unit *unit, const struct order *order, int64_t now_us)
{
    struct address *address = address_of(bench, unit->instrument);
    unit->period_us = order->period_us > 0 ? order->period_us : 0;
    if (unit->sample_due_us == NEVER_US || unit->sample_due_us > now_us + unit->period_us)
        unit->sample_due_us = now_us;
    schedule(bench, address, now_us);
}

static void order_select(struct bench *bench, const struct order *order, int64_t now_us)
{
    if (bench->selector_unit[order->port] >= 0) {
        enqueue(bench, bench->selector_unit[order->port], order, now_us);
        return;
    }
    if (order->kind == ORDER_SELECT)
        bench->units[bench->load_unit[order->port]].contract = order->contract;
    emit(bench, order, OUTCOME_UNCONFIRMED, PROOF_NONE, NAN, now_us,
         order->kind == ORDER_SELECT ? "no selector at this seat: the operator selects, and the voltage confirms"
                                     : "no selector at this seat: the operator attaches and detaches");
}

static void order_mains(struct bench *bench, const struct order *order, int64_t now_us)
{
    if (bench->mains_unit < 0) {
        refuse(bench, order, now_us, "this bench has no mains switch (bench file)");
    } else if (order->kind == ORDER_MAINS_OFF) {
        for (int port = 0; port < (int)bench->setup.seats_len; port++) {
            int selector = bench->selector_unit[port];
            bench->units[selector >= 0 ? selector : bench->load_unit[port]].contract = -1;
        }
        order_off(bench, bench->mains_unit, order, now_us);
    } else {
        enqueue(bench, bench->mains_unit, order, now_us);
    }
}

void bench_order(struct bench *bench, const struct order *order, int64_t now_us)
{
    bool mains = order->kind == ORDER_MAINS_OFF || order->kind == ORDER_MAINS_ON;
    if (!mains && (order->port < 0 || (size_t)order->port >= bench->setup.seats_len)) {
        if (order->kind != ORDER_PACE)
            refuse(bench, order, now_us, "nothing of this bench sits at that port");
        return;
    }
    switch (order->kind) {
    case ORDER_LOAD_OFF:
        order_off(bench, bench->load_unit[order->port], order, now_us);
        break;
    case ORDER_LOAD_ON:
    case ORDER_LOAD_SET:
    case ORDER_LOAD_PROTECT:
        enqueue(bench, bench->load_unit[order->port], order, now_us);
        break;
    case ORDER_SELECT:
    case ORDER_DETACH:
    case ORDER_ATTACH:
        order_select(bench, order, now_us);
        break;
    case ORDER_MAINS_OFF:
    case ORDER_MAINS_ON:
        order_mains(bench, order, now_us);
        break;
    case ORDER_PACE:
        order_pace(bench, &bench->units[bench->load_unit[order->port]], order, now_us);
        break;
    case ORDER_ASK:
    case ORDER_FINISH:
    case ORDER_KINDS:
        break;
    }
}
