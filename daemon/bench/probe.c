/* Which dialect fits what stands at the other end? Spoil bytes and queries only: nothing is set, nothing is switched.
 */
#include "daemon/bench/bench.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/bench/answer.h"
#include "daemon/bench/line.h"
#include "daemon/bench/message.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { PROBE_DIALECTS_MAX = 64, QUESTIONS_MAX = 24 };

struct question {
    const char *what, *form;
    const struct command *command; /* NULL: a word (toggle, mode) or an integer */
    bool needed;
};

struct tried {
    bool asked, silent, fits;
    int answered, unanswered;
    char lacks[512];
};

struct bench_probe_machine {
    const struct dialect *dialects[PROBE_DIALECTS_MAX];
    size_t count;
    int baud;
    size_t at;    /* dialect being tried */
    int question; /* -1: who are you */
    bool begun, done, heard;
    struct line line;
    struct question questions[QUESTIONS_MAX];
    int questions_len;
    struct tried tried[PROBE_DIALECTS_MAX];
    char identity[SENTENCE_SIZE], said[SENTENCE_SIZE];
    bool known_identity;
};

/* ---- what to ask ---- */

static const struct {
    enum role role;
    enum command_id id;
    const char *what;
    bool needed;
} asked_commands[] = {
    {AS_LOAD, CMD_CURRENT, "current", true},
    {AS_LOAD, CMD_VOLTAGE, "voltage", false},
    {AS_LOAD, CMD_RESISTANCE, "resistance", false},
    {AS_LOAD, CMD_VOLTS, "volts", true},
    {AS_LOAD, CMD_AMPS, "amps", true},
    {AS_LOAD, CMD_VOLTS_AND_AMPS, "volts_and_amps", false},
    {AS_LOAD, CMD_OVER_VOLTS, "over_volts", false},
    {AS_LOAD, CMD_OVER_AMPS, "over_amps", false},
    {AS_LOAD, CMD_OVER_WATTS, "over_watts", false},
    {AS_LOAD, CMD_UNDER_VOLTS, "under_volts", false},
    {AS_LOAD, CMD_COMMUNICATIONS_TIMEOUT, "communications_timeout", false},
    {AS_SELECTOR, CMD_CONTRACT, "contract", true},
    {AS_SELECTOR, CMD_SETTLED, "settled", false},
    {AS_SELECTOR, CMD_CABLE, "cable", false},
    {AS_THERMOMETER, CMD_CELSIUS, "celsius", true},
    {AS_METER, CMD_METER_VOLTS, "meter_volts", false},
    {AS_METER, CMD_METER_AMPS, "meter_amps", false},
    {AS_METER, CMD_METER_WATTS, "meter_watts", true},
    {AS_METER, CMD_METER_POWER_FACTOR, "meter_power_factor", false},
};

static void add_question(struct bench_probe_machine *probe, const char *what, const char *form,
                         const struct command *command, bool needed)
{
    if (form[0] && probe->questions_len < QUESTIONS_MAX)
        probe->questions[probe->questions_len++] = (struct question){what, form, command, needed};
}

static void gather_questions(struct bench_probe_machine *probe)
{
    const struct dialect *dialect = probe->dialects[probe->at];
    probe->questions_len = 0;
    add_question(probe, "on or off", dialect->toggle.query, NULL,
                 dialect->role == AS_LOAD || dialect->role == AS_MAINS);
    for (size_t i = 0; i < sizeof asked_commands / sizeof asked_commands[0]; i++) {
        const struct command *command = &dialect->commands[asked_commands[i].id];
        if (asked_commands[i].role == dialect->role)
            add_question(probe, asked_commands[i].what, command->query, command, asked_commands[i].needed);
    }
    add_question(probe, "tripped", dialect->trip_query, NULL, false);
}

/* ---- is the answer in form? ---- */

static bool word_fits(const struct dialect *dialect, const char *answer)
{
    long long number;
    return answer_integer(answer, &number) || strcmp(answer, dialect->toggle.answer_on) == 0 ||
           strcmp(answer, dialect->toggle.answer_off) == 0;
}

static bool numbers_fit(const struct dialect *dialect, const struct command *command, const char *answer)
{
    double said[3];
    size_t want = command->fields > 0 && command->fields <= 3 ? (size_t)command->fields : 1;
    return answer_numbers(dialect, command, answer, command->separator, want, said) != ANSWER_WRONG;
}

static bool identity_fits(const struct dialect *dialect, const char *answer)
{
    for (size_t i = 0; i < dialect->identity_match_len; i++)
        if (answer_matches(dialect->identity_match[i], answer))
            return true;
    return false;
}

/* ---- going on ---- */

static bool same_talk(const struct dialect *a, const struct dialect *b)
{
    return a->line.message_end == b->line.message_end && a->line.answer_end == b->line.answer_end &&
           a->line.echo == b->line.echo && strcmp(a->identity_query, b->identity_query) == 0;
}

/* The same question in the same manners has stayed without answer before. */
static bool tried_in_vain(const struct bench_probe_machine *probe)
{
    for (size_t i = 0; i < probe->at; i++)
        if (probe->tried[i].silent && same_talk(probe->dialects[i], probe->dialects[probe->at]))
            return true;
    return false;
}

static void begin_dialect(struct bench_probe_machine *probe, int64_t now_us)
{
    while (probe->at < probe->count && tried_in_vain(probe))
        probe->at++;
    probe->done = probe->at >= probe->count;
    if (probe->done)
        return;
    bool in_message = probe->line.in_message || probe->at == 0;
    line_start(&probe->line, probe->dialects[probe->at], probe->baud);
    probe->line.in_message = in_message;
    probe->question = -1;
    gather_questions(probe);
    line_resync(&probe->line, NULL, NULL, false, now_us);
}

static void next_dialect(struct bench_probe_machine *probe, int64_t now_us)
{
    struct tried *tried = &probe->tried[probe->at];
    tried->silent = probe->question < 0;
    probe->at++;
    begin_dialect(probe, now_us);
}

static void finish_dialect(struct bench_probe_machine *probe, int64_t now_us)
{
    probe->tried[probe->at].fits = true;
    next_dialect(probe, now_us);
}

static void ask(struct bench_probe_machine *probe, int64_t now_us)
{
    const struct dialect *dialect = probe->dialects[probe->at];
    const char *form = probe->question < 0 ? dialect->identity_query : probe->questions[probe->question].form;
    char text[MESSAGE_SIZE];
    if (!message_fill(text, sizeof text, form, 1, "1") || !line_say(&probe->line, text, true, now_us))
        next_dialect(probe, now_us);
}

static void next_question(struct bench_probe_machine *probe, int64_t now_us)
{
    if (++probe->question >= probe->questions_len)
        finish_dialect(probe, now_us);
    else if (probe->line.unknown)
        line_resync(&probe->line, NULL, NULL, false, now_us);
    else
        ask(probe, now_us);
}

static void no_answer(struct bench_probe_machine *probe, int64_t now_us)
{
    struct tried *tried = &probe->tried[probe->at];
    if (probe->question < 0 || probe->questions[probe->question].needed) {
        next_dialect(probe, now_us);
        return;
    }
    tried->unanswered++;
    text_add(tried->lacks, sizeof tried->lacks, "it doesn't answer to %s\n", probe->questions[probe->question].what);
    next_question(probe, now_us);
}

static void hear_identity(struct bench_probe_machine *probe, int64_t now_us)
{
    const char *answer = probe->line.answer;
    probe->heard = true;
    text_printable(probe->said, sizeof probe->said, answer, strlen(answer));
    if (!identity_fits(probe->dialects[probe->at], answer)) {
        probe->question = 0; /* it did answer: others may ask the same */
        next_dialect(probe, now_us);
        return;
    }
    probe->known_identity = true;
    text_cut(probe->identity, sizeof probe->identity, probe->said);
    next_question(probe, now_us);
}

static void hear(struct bench_probe_machine *probe, int64_t now_us)
{
    if (probe->question < 0) {
        hear_identity(probe, now_us);
        return;
    }
    const struct dialect *dialect = probe->dialects[probe->at];
    const struct question *question = &probe->questions[probe->question];
    const char *answer = probe->line.answer;
    if (question->command ? numbers_fit(dialect, question->command, answer) : word_fits(dialect, answer)) {
        probe->tried[probe->at].answered++;
        next_question(probe, now_us);
        return;
    }
    probe->line.unknown = true;
    no_answer(probe, now_us);
}

static void handle(struct bench_probe_machine *probe, enum line_event event, int64_t now_us)
{
    switch (event) {
    case LINE_NOTHING:
    case LINE_DONE:
        break;
    case LINE_ANSWERED:
        hear(probe, now_us);
        break;
    case LINE_SYNCED:
        ask(probe, now_us);
        break;
    case LINE_ASTRAY:
        probe->heard = true;
        no_answer(probe, now_us);
        break;
    case LINE_TIMED_OUT:
        no_answer(probe, now_us);
        break;
    case LINE_NOT_SYNCED: /* never quiet: not for this program, at this speed */
        probe->question = -1;
        next_dialect(probe, now_us);
        break;
    }
}

/* ---- outside ---- */

struct bench_probe_machine *bench_probe_new(const struct dialect *const dialects[], size_t count, int baud,
                                            struct error *err)
{
    if (count > PROBE_DIALECTS_MAX) {
        error_set(err, ERROR_FILE, "%zu dialects, expected at most %d in profiles/dialects", count, PROBE_DIALECTS_MAX);
        return NULL;
    }
    struct bench_probe_machine *probe = calloc(1, sizeof *probe);
    if (!probe) {
        error_set(err, ERROR_MEMORY, "no memory for a probe");
        return NULL;
    }
    memcpy(probe->dialects, dialects, count * sizeof dialects[0]);
    probe->count = count;
    probe->baud = baud;
    probe->done = count == 0;
    return probe;
}

void bench_probe_free(struct bench_probe_machine *probe)
{
    free(probe);
}

void bench_probe_bytes(struct bench_probe_machine *probe, const void *bytes, size_t len, int64_t now_us)
{
    const unsigned char *from = bytes;
    for (size_t i = 0; i < len && probe->begun && !probe->done; i++) {
        probe->heard = true;
        handle(probe, line_hear(&probe->line, from[i], now_us), now_us);
    }
}

const void *bench_probe_pending(const struct bench_probe_machine *probe, size_t *ret_len)
{
    *ret_len = probe->begun && !probe->done ? probe->line.tx_len - probe->line.tx_sent : 0;
    return probe->line.tx + probe->line.tx_sent;
}

void bench_probe_sent(struct bench_probe_machine *probe, size_t len, int64_t now_us)
{
    if (probe->begun && !probe->done)
        handle(probe, line_sent(&probe->line, len, now_us), now_us);
}

void bench_probe_tick(struct bench_probe_machine *probe, int64_t now_us)
{
    if (probe->done)
        return;
    if (!probe->begun) {
        probe->begun = true;
        begin_dialect(probe, now_us);
        return;
    }
    handle(probe, line_tick(&probe->line, now_us), now_us);
}

int64_t bench_probe_due_us(const struct bench_probe_machine *probe)
{
    if (probe->done)
        return NEVER_US;
    return probe->begun ? line_due_us(&probe->line) : 0;
}

static bool can_switch(const struct dialect *dialect)
{
    return dialect->role == AS_LOAD || dialect->role == AS_MAINS;
}

/* What can be switched is more than what it measures: a mains switch that also answers as a meter is a mains switch. */
static bool better(const struct bench_probe_machine *probe, size_t one, size_t other)
{
    const struct tried *a = &probe->tried[one], *b = &probe->tried[other];
    bool a_switches = can_switch(probe->dialects[one]), b_switches = can_switch(probe->dialects[other]);
    if (a_switches != b_switches)
        return a_switches;
    return a->answered > b->answered || (a->answered == b->answered && a->unanswered < b->unanswered);
}

static int best_of(const struct bench_probe_machine *probe)
{
    int best = -1;
    for (size_t i = 0; i < probe->count; i++)
        if (probe->tried[i].fits && (best < 0 || better(probe, i, (size_t)best)))
            best = (int)i;
    return best;
}

static void say_trouble(const struct bench_probe_machine *probe, struct bench_probe_report *ret)
{
    if (probe->known_identity)
        snprintf(
            ret->trouble, sizeof ret->trouble,
            "it is known to a dialect by its name, but doesn't answer what that dialect asks; see docs/dialects.md");
    else if (probe->said[0])
        snprintf(ret->trouble, sizeof ret->trouble,
                 "it says it is \"%.100s\", which no dialect knows (identity.match); see docs/dialects.md",
                 probe->said);
    else if (probe->heard)
        snprintf(ret->trouble, sizeof ret->trouble,
                 "something comes, but no whole answer: another speed, other line settings, or another protocol");
    else
        snprintf(ret->trouble, sizeof ret->trouble,
                 "no answer: is it switched on, is this its cable, is this its speed?");
}

bool bench_probe_done(const struct bench_probe_machine *probe, struct bench_probe_report *ret)
{
    if (!probe->done)
        return false;
    *ret = (struct bench_probe_report){.answered = probe->said[0] != '\0', .dialect = best_of(probe)};
    text_cut(ret->identity, sizeof ret->identity, probe->known_identity ? probe->identity : probe->said);
    if (ret->dialect < 0) {
        say_trouble(probe, ret);
        return true;
    }
    text_cut(ret->lacks, sizeof ret->lacks, probe->tried[ret->dialect].lacks);
    const struct dialect *dialect = probe->dialects[ret->dialect];
    for (size_t i = 0; dialect_lacks(dialect, i); i++)
        text_add(ret->lacks, sizeof ret->lacks, "%s\n", dialect_lacks(dialect, i));
    size_t len = strlen(ret->lacks);
    if (len && ret->lacks[len - 1] == '\n')
        ret->lacks[len - 1] = '\0';
    return true;
}
