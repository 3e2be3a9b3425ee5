/* What each kind of order says and hears, step by step. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/answer.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { POLL_MS = 30, RELAY_MS = 50 };

static const struct dialect *dialect_for(const struct bench *bench, const struct unit *unit)
{
    return dialect_of(bench, unit->instrument);
}

static int index_of(const struct bench *bench, const struct unit *unit)
{
    return (int)(unit - bench->units);
}

static enum say_result ask(struct bench *bench, struct address *address, struct unit *unit, const char *form,
                           const char *value, int64_t now_us)
{
    if (!form[0])
        return SAY_SKIP;
    if (say_form(bench, address, TASK_ORDER, unit->instrument, index_of(bench, unit), form, value, true, now_us))
        return SAY_SAID;
    order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us,
                 "\"%s\" is longer than the dialect's longest_message", form);
    return SAY_ENDED;
}

/* A setting and its read-back; without a query the setting alone. */
static enum say_result set(struct bench *bench, struct address *address, struct unit *unit, const char *send,
                           const char *query, const char *value, int64_t now_us)
{
    bool joined;
    if (unit->job.half)
        return ask(bench, address, unit, query, NULL, now_us);
    if (say_setting(bench, address, TASK_ORDER, unit->instrument, index_of(bench, unit), send, query, value, &joined,
                    now_us))
        return SAY_SAID;
    order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us,
                 "\"%s\" is longer than the dialect's longest_message", send);
    return SAY_ENDED;
}

static enum say_result set_number(struct bench *bench, struct address *address, struct unit *unit,
                                  const struct command *command, double value, int64_t now_us)
{
    char text[WORD_SIZE];
    if (!(value >= command->low && value <= command->high) || !message_number(text, sizeof text, command, value)) {
        order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us,
                     "%s takes no set-point of %g (dialect %s: %g to %g)", instrument_name(bench, unit->instrument),
                     value, dialect_for(bench, unit)->name, command->low, command->high);
        return SAY_ENDED;
    }
    return set(bench, address, unit, command->send, command->query, text, now_us);
}

static enum hear_result hear_number(struct bench *bench, struct unit *unit, const struct command *command, double sent,
                                    const char *what, const char *answer)
{
    double said = NAN;
    if (answer_number(dialect_for(bench, unit), command, answer, strlen(answer), &said) != ANSWER_NUMBER)
        return HEAR_WRONG;
    unit->job.value = said;
    if (near_enough(command, sent, said))
        return HEAR_NEXT;
    snprintf(unit->job.note, sizeof unit->job.note, "asked for %s of %g, the instrument says %g", what, sent, said);
    return HEAR_REFUSED;
}

/* ---- set ---- */

static bool off_for_sure(const struct bench *bench, const struct unit *unit)
{
    bool can_tell = dialect_for(bench, unit)->toggle.query[0] != '\0';
    return !unit->ordered_on && unit->off == OFF_NONE && (can_tell ? unit->input_known && !unit->input_on : true);
}

static bool mode_stands(const struct bench *bench, const struct unit *unit)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    return !dialect->mode_send[0] || (unit->mode_known && unit->mode == unit->orders[0].mode);
}

static enum say_result say_mode_off(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct order *order = &unit->orders[0];
    const struct dialect *dialect = dialect_for(bench, unit);
    if (!can_send(&dialect->commands[CMD_CURRENT + (int)order->mode]) ||
        (!dialect->mode_send[0] && order->mode != LOAD_CURRENT)) {
        order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, "%s has no %s mode (dialect %s)",
                     instrument_name(bench, unit->instrument), load_mode_name(order->mode), dialect->name);
        return SAY_ENDED;
    }
    if (mode_stands(bench, unit) || off_for_sure(bench, unit))
        return SAY_SKIP;
    if (unit->off == OFF_NONE)
        off_wanted(unit, now_us);
    return off_schedule(bench, address, now_us) ? SAY_SAID : SAY_WAIT;
}

static enum say_result say_mode(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    if (mode_stands(bench, unit))
        return SAY_SKIP;
    if (!off_for_sure(bench, unit)) { /* turned off for the mode, and found on again meanwhile */
        unit->job.step = 0;
        return SAY_WAIT;
    }
    unit->mode_known = false;
    return set(bench, address, unit, dialect->mode_send, dialect->mode_query, dialect->mode_word[unit->orders[0].mode],
               now_us);
}

static enum hear_result hear_mode(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const char *word = dialect_for(bench, unit)->mode_word[unit->orders[0].mode];
    (void)now_us;
    for (const char *c = answer; *c; c++)
        if (*c < 'A' || *c > 'z')
            return HEAR_WRONG;
    if (strcmp(answer, word) != 0) {
        snprintf(unit->job.note, sizeof unit->job.note, "asked for mode %s, the instrument says %.40s", word, answer);
        return HEAR_REFUSED;
    }
    unit->mode = unit->orders[0].mode;
    unit->mode_known = true;
    return HEAR_NEXT;
}

static const struct command *set_point_command(const struct bench *bench, const struct unit *unit)
{
    return &dialect_for(bench, unit)->commands[CMD_CURRENT + (int)unit->orders[0].mode];
}

static enum say_result say_set_point(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct command *command = set_point_command(bench, unit);
    if (unit->job.half && !can_ask(command)) {
        unit->mode = unit->orders[0].mode;
        unit->set_point = unit->orders[0].value;
        order_finish(bench, unit, OUTCOME_UNCONFIRMED, PROOF_NONE, NAN, now_us, "%s",
                     "the set-point can't be read back");
        return SAY_ENDED;
    }
    return set_number(bench, address, unit, command, unit->orders[0].value, now_us);
}

static enum hear_result hear_set_point(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    enum hear_result heard = hear_number(bench, unit, set_point_command(bench, unit), unit->orders[0].value,
                                         load_mode_name(unit->orders[0].mode), answer);
    if (heard != HEAR_NEXT)
        return heard;
    unit->mode = unit->orders[0].mode;
    unit->set_point = unit->orders[0].value;
    order_finish(bench, unit, OUTCOME_DONE, PROOF_NONE, unit->job.value, now_us, "%s", "");
    return HEAR_ENDED;
}

/* ---- protect ---- */

static double protect_value(const struct order *order, int step)
{
    const double values[] = {order->volts, order->amps, order->watts, order->floor_volts};
    return values[step];
}

static enum say_result say_protect(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    static const char *const names[] = {"over-voltage", "over-current", "over-power", "under-voltage"};
    int step = unit->job.step;
    const struct command *command = &dialect_for(bench, unit)->commands[CMD_OVER_VOLTS + step];
    double value = protect_value(&unit->orders[0], step);
    bool wanted = step == 3 ? value >= 0.0 : value > 0.0; /* a floor of 0 disarms */
    if (!wanted || (!can_send(command) && !(value > 0.0)))
        return SAY_SKIP;
    if (can_send(command) && !(unit->job.half && !can_ask(command)))
        return set_number(bench, address, unit, command, value, now_us);
    text_add(unit->job.note, sizeof unit->job.note, "%s%s protection: %s", unit->job.note[0] ? "; " : "", names[step],
             can_send(command) ? "can't be read back" : "this load has none that can be set");
    unit->job.incomplete = true;
    return SAY_SKIP;
}

static enum hear_result hear_protect(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    static const char *const names[] = {"an over-voltage limit (V)", "an over-current limit (A)",
                                        "an over-power limit (W)", "an under-voltage cut-off (V)"};
    int step = unit->job.step;
    (void)now_us;
    return hear_number(bench, unit, &dialect_for(bench, unit)->commands[CMD_OVER_VOLTS + step],
                       protect_value(&unit->orders[0], step), names[step], answer);
}

static void protect_finish(struct bench *bench, struct unit *unit, int64_t now_us)
{
    char note[SENTENCE_SIZE];
    bool incomplete = unit->job.incomplete;
    text_cut(note, sizeof note, unit->job.note);
    bench->instruments[unit->instrument].protections_set = !incomplete;
    unit->trips_due = true; /* what tripped at an older limit must not refuse the next input-on */
    unit->look_due_us = now_us;
    order_finish(bench, unit, incomplete ? OUTCOME_UNCONFIRMED : OUTCOME_DONE, PROOF_NONE, NAN, now_us, "%s", note);
}

static enum say_result say_protect_errors(struct bench *bench, struct address *address, struct unit *unit,
                                          int64_t now_us)
{
    enum say_result said = ask(bench, address, unit, dialect_for(bench, unit)->error_query, NULL, now_us);
    if (said != SAY_SKIP)
        return said;
    protect_finish(bench, unit, now_us);
    return SAY_ENDED;
}

/* All limits have been read back by now: what the queue holds is older (spoil bytes leave an error each) and is read
 * away. */
static enum hear_result hear_protect_errors(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    enum { AT_MOST = 40 };
    char text[SENTENCE_SIZE];
    int said = error_text(dialect_for(bench, unit), answer, text, sizeof text);
    if (said < 0)
        return HEAR_WRONG;
    if (said > 0 && ++unit->job.tries < AT_MOST)
        return HEAR_AGAIN;
    protect_finish(bench, unit, now_us);
    return HEAR_ENDED;
}

/* ---- on ---- */

static enum say_result say_on(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    if (!say_form(bench, address, TASK_ORDER, unit->instrument, index_of(bench, unit),
                  dialect_for(bench, unit)->toggle.on, NULL, false, now_us)) {
        order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, "%s",
                     "the message is longer than the dialect's longest_message");
        return SAY_ENDED;
    }
    unit->ordered_on = true;
    unit->off_ordered = false;
    unit->may_be_on = true;
    unit->trips_off = 0;
    unit->input_known = unit->current_gone = unit->stays_on_said = false;
    unit->check_us = NEVER_US;
    return SAY_SAID;
}

static enum say_result say_is_on(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    enum say_result said = ask(bench, address, unit, dialect_for(bench, unit)->toggle.query, NULL, now_us);
    if (said != SAY_SKIP)
        return said;
    unit->input_on = true;
    order_finish(bench, unit, OUTCOME_UNCONFIRMED, PROOF_NONE, NAN, now_us, "%s",
                 "on was sent; this instrument can't be asked whether it is");
    return SAY_ENDED;
}

static enum hear_result hear_is_on(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct toggle *toggle = &dialect_for(bench, unit)->toggle;
    if (strcmp(answer, toggle->answer_on) == 0) {
        unit->input_on = unit->input_known = true;
        unit->look_due_us = now_us + 2 * US_PER_S;
        order_finish(bench, unit, OUTCOME_DONE, PROOF_NONE, 1.0, now_us, "%s", "");
        return HEAR_ENDED;
    }
    if (strcmp(answer, toggle->answer_off) != 0)
        return HEAR_WRONG;
    unit->job.not_before_us = now_us + RELAY_MS * US_PER_MS;
    if (++unit->job.tries < TRIES_MAX)
        return HEAR_AGAIN;
    text_copy(unit->job.note, sizeof unit->job.note, "the input didn't go on");
    off_wanted(unit, now_us);
    return HEAR_NEXT;
}

static enum say_result say_why_off(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    return ask(bench, address, unit, dialect_for(bench, unit)->trip_query, NULL, now_us);
}

static enum hear_result hear_why_off(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    char trips[80];
    long long bits;
    (void)now_us;
    if (!answer_integer(answer, &bits))
        return HEAR_WRONG;
    if (trips_describe(dialect_for(bench, unit), bits, trips, sizeof trips))
        text_add(unit->job.note, sizeof unit->job.note, ", its own %s protection has tripped", trips);
    unit->trips_due = true;
    return HEAR_REFUSED;
}

/* ---- select ---- */

static enum say_result say_select(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    const struct command *command = &dialect->commands[CMD_CONTRACT];
    char value[2 * WORD_SIZE] = "", amps[WORD_SIZE];
    const struct order *order = &unit->orders[0];
    bool fits = message_number(value, WORD_SIZE, command, order->volts);
    if (command->fields == 2 && order->amps > 0.0)
        fits = fits && message_number(amps, sizeof amps, command, order->amps) &&
               text_add(value, sizeof value, "%c%s", command->separator, amps);
    unit->contract = -1;
    unit->job.give_up_us = now_us + dialect->contract_within_us;
    if (fits && say_form(bench, address, TASK_ORDER, unit->instrument, index_of(bench, unit), command->send, value,
                         false, now_us))
        return SAY_SAID;
    order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, "%g V can't be put into the dialect's message",
                 order->volts);
    return SAY_ENDED;
}

static enum say_result say_settled(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    return ask(bench, address, unit, dialect_for(bench, unit)->commands[CMD_SETTLED].query, NULL, now_us);
}

static enum hear_result poll_again(struct unit *unit, int64_t now_us, enum hear_result too_late)
{
    unit->job.not_before_us = now_us + POLL_MS * US_PER_MS;
    return now_us < unit->job.give_up_us ? HEAR_AGAIN : too_late;
}

static enum hear_result hear_settled(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    long long settled;
    (void)bench;
    if (!answer_integer(answer, &settled) || settled < 0 || settled > 1)
        return HEAR_WRONG;
    return settled ? HEAR_NEXT : poll_again(unit, now_us, HEAR_NEXT);
}

static enum say_result say_contract(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    return ask(bench, address, unit, dialect_for(bench, unit)->commands[CMD_CONTRACT].query, NULL, now_us);
}

static bool close_to(double said, double asked)
{
    return fabs(said - asked) <= 0.02 * asked;
}

static enum hear_result hear_contract(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    const struct command *command = &dialect->commands[CMD_CONTRACT];
    const struct order *order = &unit->orders[0];
    double said[2] = {NAN, NAN};
    if (answer_numbers(dialect, command, answer, command->separator, (size_t)command->fields, said) != ANSWER_NUMBER)
        return HEAR_WRONG;
    unit->job.value = said[0];
    unit->job.amps_fit = command->fields == 2 && said[1] >= 0.98 * order->amps;
    if (close_to(said[0], order->volts) && (command->fields < 2 || !(order->amps > 0.0) || unit->job.amps_fit))
        return HEAR_NEXT;
    if (command->fields == 2)
        snprintf(unit->job.note, sizeof unit->job.note,
                 "asked for %g V %g A, the selector says that %g V %g A is in force", order->volts, order->amps,
                 said[0], said[1]);
    else
        snprintf(unit->job.note, sizeof unit->job.note, "asked for %g V, the selector says that %g V is in force",
                 order->volts, said[0]);
    return poll_again(unit, now_us, HEAR_REFUSED);
}

static enum say_result say_offers(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    return ask(bench, address, unit, dialect_for(bench, unit)->commands[CMD_OFFERS].query, NULL, now_us);
}

static enum hear_result hear_offers(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    enum { AT_MOST = 3 * 16 };
    const struct dialect *dialect = dialect_for(bench, unit);
    const struct command *command = &dialect->commands[CMD_OFFERS];
    const struct order *order = &unit->orders[0];
    double said[AT_MOST];
    size_t count = 1;
    (void)now_us;
    if (strcmp(answer, "\"\"") == 0)
        return HEAR_NEXT;
    for (const char *c = answer; *c; c++)
        count += *c == command->separator;
    if (count % 3 || count > AT_MOST ||
        answer_numbers(dialect, command, answer, command->separator, count, said) != ANSWER_NUMBER)
        return HEAR_WRONG;
    for (size_t i = 0; i < count; i += 3)
        unit->job.offered =
            unit->job.offered ||
            (order->volts >= 0.98 * said[i] && order->volts <= 1.02 * said[i + 1] && order->amps <= 1.02 * said[i + 2]);
    return HEAR_NEXT;
}

static enum say_result say_cable(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    return ask(bench, address, unit, dialect_for(bench, unit)->commands[CMD_CABLE].query, NULL, now_us);
}

#define UNMARKED_CABLE_AMPS 3.0 /* USB Type-C: what any cable carries without marking */

static enum hear_result hear_cable(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    double said;
    (void)now_us;
    if (answer_number(dialect, &dialect->commands[CMD_CABLE], answer, strlen(answer), &said) != ANSWER_NUMBER)
        return HEAR_WRONG;
    unit->job.cable_fits = unit->orders[0].amps <= UNMARKED_CABLE_AMPS || said >= unit->orders[0].amps;
    return HEAR_NEXT;
}

static enum say_result say_selected(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct job *job = &unit->job;
    bool proved = job->offered && job->cable_fits && job->amps_fit;
    (void)address;
    unit->contract = unit->orders[0].contract;
    order_finish(bench, unit, OUTCOME_DONE, proved ? PROOF_CONTRACT : PROOF_VOLTAGE_ONLY, job->value, now_us, "%s", "");
    return SAY_ENDED;
}

/* ---- attach, detach ---- */

static enum say_result say_attach(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    const struct toggle *toggle = &dialect_for(bench, unit)->toggle;
    const char *form = unit->orders[0].kind == ORDER_ATTACH ? toggle->on : toggle->off;
    unit->contract = -1;
    unit->job.give_up_us = now_us + dialect_for(bench, unit)->contract_within_us;
    if (form[0] &&
        say_form(bench, address, TASK_ORDER, unit->instrument, index_of(bench, unit), form, NULL, false, now_us))
        return SAY_SAID;
    order_finish(bench, unit, OUTCOME_FAILED, PROOF_NONE, NAN, now_us, "%s can't attach or detach (dialect %s)",
                 instrument_name(bench, unit->instrument), dialect_for(bench, unit)->name);
    return SAY_ENDED;
}

static enum say_result say_attached(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    enum say_result said = ask(bench, address, unit, dialect_for(bench, unit)->toggle.query, NULL, now_us);
    if (said != SAY_SKIP)
        return said;
    order_finish(bench, unit, OUTCOME_UNCONFIRMED, PROOF_NONE, NAN, now_us, "%s",
                 "this selector can't be asked whether it is attached");
    return SAY_ENDED;
}

static enum hear_result hear_attached(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct toggle *toggle = &dialect_for(bench, unit)->toggle;
    bool attach = unit->orders[0].kind == ORDER_ATTACH;
    if (strcmp(answer, attach ? toggle->answer_on : toggle->answer_off) == 0) {
        order_finish(bench, unit, OUTCOME_DONE, PROOF_NONE, attach, now_us, "%s", "");
        return HEAR_ENDED;
    }
    if (strcmp(answer, attach ? toggle->answer_off : toggle->answer_on) != 0)
        return HEAR_WRONG;
    snprintf(unit->job.note, sizeof unit->job.note, "the selector says that it is still %s",
             attach ? "detached" : "attached");
    return poll_again(unit, now_us, HEAR_REFUSED);
}

const struct order_step order_steps[ORDER_KINDS][ORDER_STEPS_MAX] = {
    [ORDER_LOAD_SET] = {{say_mode_off, NULL, false},
                        {say_mode, hear_mode, false},
                        {say_set_point, hear_set_point, false}},
    [ORDER_LOAD_PROTECT] = {{say_protect, hear_protect, false},
                            {say_protect, hear_protect, false},
                            {say_protect, hear_protect, false},
                            {say_protect, hear_protect, false},
                            {say_protect_errors, hear_protect_errors, false}},
    [ORDER_LOAD_ON] = {{say_on, NULL, true}, {say_is_on, hear_is_on, false}, {say_why_off, hear_why_off, false}},
    [ORDER_MAINS_ON] = {{say_on, NULL, true}, {say_is_on, hear_is_on, false}, {say_why_off, hear_why_off, false}},
    [ORDER_SELECT] = {{say_select, NULL, false},
                      {say_settled, hear_settled, false},
                      {say_contract, hear_contract, false},
                      {say_offers, hear_offers, false},
                      {say_cable, hear_cable, false},
                      {say_selected, NULL, false}},
    [ORDER_DETACH] = {{say_attach, NULL, false}, {say_attached, hear_attached, false}},
    [ORDER_ATTACH] = {{say_attach, NULL, false}, {say_attached, hear_attached, false}},
};
