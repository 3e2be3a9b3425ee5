/* What is done with an instrument before any order: who is it, clean slate, its own communications time-out. The off
 * went out before. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/answer.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum up_step { UP_IDENTITY, UP_CLEAR, UP_POWER, UP_TIMEOUT, UP_CHANNEL, UP_STEPS };

enum { ERRORS_AT_MOST = 40, AGAIN_US = 500000 };

static const struct dialect *dialect_up(const struct bench *bench, int instrument)
{
    return dialect_of(bench, instrument);
}

static void restart_unit(struct bench *bench, struct unit *unit, int64_t now_us)
{
    orders_end(bench, unit, now_us, "the line had to be taken up anew");
    sample_restart(unit);
    unit->contract = -1;
    unit->input_known = unit->mode_known = false;
    unit->set_point = NAN;
    unit->look_due_us = now_us + 2 * US_PER_S;
    if (dialect_of(bench, unit->instrument)->role != AS_LOAD)
        return;
    unit->off = OFF_NONE;
    off_wanted(unit, now_us);
}

void up_restart(struct bench *bench, int instrument, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    struct address *address = address_of(bench, instrument);
    if (address->task == TASK_UP && address->instrument == instrument)
        address->task = TASK_NONE; /* what is still under way belongs to the attempt before */
    up->identified = up->protections_set = up->timeout_set = up->up_half = false;
    up->up_step = UP_IDENTITY;
    up->up_tries = 0;
    up->up_not_before_us = now_us;
    up->celsius_due_us = now_us;
    for (size_t i = 0; i < bench->setup.probes_len; i++)
        if (bench->setup.probes[i].thermometer == instrument)
            bench->celsius[i] = NAN;
    for (size_t u = 0; u < bench->units_len; u++)
        if (bench->units[u].instrument == instrument)
            restart_unit(bench, &bench->units[u], now_us);
    if (dialect_up(bench, instrument)->role == AS_LOAD)
        sample_leave_out(bench, instrument);
    address->must_sync = true;
}

static void next(struct instrument *up)
{
    up->up_step = up->up_step + 1 < UP_STEPS ? up->up_step + 1 : -1;
    up->up_tries = 0;
    up->up_half = false;
}

static int first_unit(const struct bench *bench, int instrument)
{
    for (size_t u = 0; u < bench->units_len; u++)
        if (bench->units[u].instrument == instrument)
            return (int)u;
    return -1;
}

/* ---- saying ---- */

static bool say_identity(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    return say_form(bench, address, TASK_UP, instrument, -1, dialect_up(bench, instrument)->identity_query, NULL, true,
                    now_us);
}

static bool say_clear(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    const struct dialect *dialect = dialect_up(bench, instrument);
    if (dialect->error_clear[0])
        return say_form(bench, address, TASK_UP, instrument, -1, dialect->error_clear, NULL, false, now_us);
    return dialect->error_query[0] &&
           say_form(bench, address, TASK_UP, instrument, -1, dialect->error_query, NULL, true, now_us);
}

static bool say_power(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    const struct dialect *dialect = dialect_up(bench, instrument);
    return dialect->power_query[0] &&
           say_form(bench, address, TASK_UP, instrument, -1, dialect->power_query, NULL, true, now_us);
}

static double wanted_timeout_seconds(const struct bench *bench, int instrument)
{
    const struct command *command = &dialect_up(bench, instrument)->commands[CMD_COMMUNICATIONS_TIMEOUT];
    double seconds = (double)bench->setup.instruments[instrument].communications_timeout_us / US_PER_S;
    return seconds < command->low ? command->low : seconds > command->high ? command->high : seconds;
}

static bool say_timeout(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    const struct command *command = &dialect_up(bench, instrument)->commands[CMD_COMMUNICATIONS_TIMEOUT];
    char value[WORD_SIZE];
    bool joined;
    if (!can_send(command) || bench->setup.instruments[instrument].communications_timeout_us <= 0)
        return false;
    if (bench->instruments[instrument].up_half)
        return say_form(bench, address, TASK_UP, instrument, -1, command->query, NULL, true, now_us);
    return message_number(value, sizeof value, command, wanted_timeout_seconds(bench, instrument)) &&
           say_setting(bench, address, TASK_UP, instrument, -1, command->send, command->query, value, &joined, now_us);
}

static bool say_channel(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    const struct dialect *dialect = dialect_up(bench, instrument);
    char value[WORD_SIZE];
    bool joined;
    int unit = first_unit(bench, instrument);
    if (!bench->instruments[instrument].left_out || dialect->channel_default != CHANNEL_SELECTED || unit < 0)
        return false;
    if (bench->instruments[instrument].up_half)
        return say_form(bench, address, TASK_UP, instrument, unit, dialect->channel_query, NULL, true, now_us);
    snprintf(value, sizeof value, "%d", bench->units[unit].number);
    return say_setting(bench, address, TASK_UP, instrument, unit, dialect->channel_select, dialect->channel_query,
                       value, &joined, now_us);
}

/* ---- hearing ---- */

static bool refuse_identity(struct bench *bench, int instrument, const char *answer, const char *why)
{
    struct instrument *up = &bench->instruments[instrument];
    char said[100] = "";
    text_printable(said, sizeof said, answer, strlen(answer));
    snprintf(up->trouble, sizeof up->trouble, "says it is \"%s\", %s", said, why);
    up->up_tries++;
    return true;
}

static bool hear_identity(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    const struct dialect *dialect = dialect_up(bench, instrument);
    struct instrument *up = &bench->instruments[instrument];
    const char *serial = bench->setup.instruments[instrument].serial_number;
    bool fits = false;
    for (size_t i = 0; i < dialect->identity_match_len; i++)
        fits = fits || answer_matches(dialect->identity_match[i], answer);
    up->up_not_before_us = now_us + AGAIN_US;
    if (!fits)
        return refuse_identity(bench, instrument, answer, "which its dialect doesn't know (identity.match)");
    if (serial[0] && !strstr(answer, serial))
        return refuse_identity(bench, instrument, answer,
                               "without the expected serial number (bench file, serial_number)");
    /* A name with one byte changed on the way would be held against the true one for ever. */
    if (!up->ever_identified && strcmp(up->heard, answer) != 0) {
        text_cut(up->heard, sizeof up->heard, answer);
        up->up_not_before_us = now_us;
        return true;
    }
    if (up->ever_identified && strcmp(up->identity, answer) != 0)
        return refuse_identity(bench, instrument, answer,
                               "another instrument than before: start the daemon anew if that is meant");
    up->up_not_before_us = now_us;
    text_cut(up->identity, sizeof up->identity, answer);
    up->trouble[0] = '\0';
    up->identified = up->ever_identified = true;
    next(up);
    return true;
}

static bool hear_error(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    char text[SENTENCE_SIZE];
    int said = error_text(dialect_up(bench, instrument), answer, text, sizeof text);
    (void)now_us;
    if (said < 0)
        return false;
    if (said == 0 || ++up->up_tries >= ERRORS_AT_MOST)
        next(up);
    return true;
}

static bool hear_power(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    long long bits;
    (void)now_us;
    if (!answer_integer(answer, &bits))
        return false;
    next(&bench->instruments[instrument]); /* that it was off before we came is no news */
    return true;
}

static bool hear_timeout(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    const struct dialect *dialect = dialect_up(bench, instrument);
    const struct command *command = &dialect->commands[CMD_COMMUNICATIONS_TIMEOUT];
    struct instrument *up = &bench->instruments[instrument];
    double said, wanted = wanted_timeout_seconds(bench, instrument);
    (void)now_us;
    if (answer_number(dialect, command, answer, strlen(answer), &said) != ANSWER_NUMBER)
        return false;
    up->timeout_set = near_enough(command, wanted, said);
    if (!up->timeout_set)
        snprintf(up->trouble, sizeof up->trouble,
                 "took a communications time-out of %g s when %g s was asked (bench file, communications_timeout)",
                 said, wanted);
    next(up);
    return true;
}

static bool hear_channel(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    int unit = first_unit(bench, instrument);
    long long said;
    (void)now_us;
    if (!answer_integer(answer, &said))
        return false;
    if (said != bench->units[unit].number) { /* then each query states its channel */
        up->left_out = false;
        sample_prepare(bench, instrument);
    }
    next(up);
    return true;
}

static const struct {
    bool (*say)(struct bench *, struct address *, int instrument,
                int64_t now_us); /* false: nothing to say, the next step */
    bool (*hear)(struct bench *, int instrument, const char *answer, int64_t now_us);
} steps[UP_STEPS] = {
    [UP_IDENTITY] = {say_identity, hear_identity}, [UP_CLEAR] = {say_clear, hear_error},
    [UP_POWER] = {say_power, hear_power},          [UP_TIMEOUT] = {say_timeout, hear_timeout},
    [UP_CHANNEL] = {say_channel, hear_channel},
};

static bool up_say(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    while (up->up_step >= 0) {
        if (now_us < up->up_not_before_us) {
            wake_at(address, up->up_not_before_us);
            return false;
        }
        if (steps[up->up_step].say(bench, address, instrument, now_us))
            return true;
        next(up);
    }
    return false;
}

bool up_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t i = 0; i < bench->setup.instruments_len; i++)
        if (&bench->addresses[bench->instruments[i].address] == address && up_say(bench, address, (int)i, now_us))
            return true;
    return false;
}

void up_done(struct bench *bench, int instrument, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    const struct dialect *dialect = dialect_up(bench, instrument);
    (void)now_us;
    if (up->up_step == UP_TIMEOUT && can_ask(&dialect->commands[CMD_COMMUNICATIONS_TIMEOUT]))
        up->up_half = true;
    else if (up->up_step == UP_CHANNEL)
        up->up_half = true;
    else
        next(up);
}

bool up_answered(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    int step = bench->instruments[instrument].up_step;
    return step < 0 || steps[step].hear(bench, instrument, answer, now_us);
}

void up_failed(struct bench *bench, int instrument, int64_t now_us)
{
    struct instrument *up = &bench->instruments[instrument];
    up->up_half = false;
    if (++up->up_tries < TRIES_MAX || up->up_step == UP_IDENTITY) {
        if (up->up_step == UP_IDENTITY && up->up_tries >= TRIES_MAX) {
            snprintf(up->trouble, sizeof up->trouble, "doesn't say who it is, or not in the form of its dialect");
            up->up_not_before_us = now_us + AGAIN_US;
        }
        return;
    }
    snprintf(up->trouble, sizeof up->trouble, "doesn't answer in the form of its dialect while it is set up");
    up->up_step = UP_IDENTITY; /* from the start: it isn't what its file says, or not any more */
    up->identified = false;
    up->up_tries = 0;
    up->up_not_before_us = now_us + AGAIN_US;
}
