/* What an instrument of a dialect can't do, and what that means for who relies on it. */
#include "daemon/bench/dialect_inside.h"

static const struct {
    enum role role;
    enum command_id id;
    const char *sentence;
} missing_commands[] = {
    {AS_LOAD, CMD_VOLTAGE, "no constant-voltage mode: a limit trace needs constant resistance instead"},
    {AS_LOAD, CMD_RESISTANCE, "no constant-resistance mode"},
    {AS_LOAD, CMD_OVER_VOLTS, "no over-voltage protection that can be set: only the daemon watches for it"},
    {AS_LOAD, CMD_OVER_AMPS, "no over-current protection that can be set: only the daemon watches for it"},
    {AS_LOAD, CMD_OVER_WATTS, "no over-power protection that can be set: only the daemon watches for it"},
    {AS_LOAD, CMD_UNDER_VOLTS, "no under-voltage cut-off: a collapsing supply stays loaded until the daemon acts"},
    {AS_LOAD, CMD_COMMUNICATIONS_TIMEOUT,
     "no communications time-out that can be set: nothing in the load turns it off if the PC dies"},
    {AS_SELECTOR, CMD_SETTLED, "doesn't say when a transition is over: it is asked for the contract until that stands"},
    {AS_SELECTOR, CMD_OFFERS, "doesn't tell what the supply advertises: a contract is proved by its voltage only"},
    {AS_SELECTOR, CMD_CABLE, "doesn't tell the cable's marking: a contract is proved by its voltage only"},
    {AS_METER, CMD_METER_POWER_FACTOR, "no power factor"},
};

static void lack(struct dialect *dialect, size_t *count, bool lacking, const char *sentence)
{
    if (lacking && *count < LACKS_MAX)
        dialect->lacks[(*count)++] = sentence;
}

static void lack_of_toggle(struct dialect *dialect, size_t *count)
{
    const struct toggle *toggle = &dialect->toggle;
    lack(dialect, count, dialect->role == AS_LOAD && !toggle->query[0],
         "the input can't be read back: off is judged by the current alone");
    lack(dialect, count, dialect->role == AS_MAINS && !toggle->query[0],
         "the output can't be read back: off is unconfirmed");
    lack(dialect, count, dialect->role == AS_SELECTOR && !toggle->on[0],
         "can't detach and attach: that rung of the recovery ladder is skipped");
    lack(dialect, count, dialect->role == AS_LOAD && !dialect->trip_query[0],
         "doesn't tell which of its protections tripped");
}

void dialect_find_lacks(struct dialect *dialect)
{
    size_t count = 0;
    lack_of_toggle(dialect, &count);
    for (size_t i = 0; i < sizeof missing_commands / sizeof missing_commands[0]; i++) {
        const struct command *command = &dialect->commands[missing_commands[i].id];
        lack(dialect, &count, missing_commands[i].role == dialect->role && !can_send(command) && !can_ask(command),
             missing_commands[i].sentence);
    }
    lack(dialect, &count,
         dialect->line.compound == COMPOUND_NONE && dialect->role == AS_LOAD &&
             !can_ask(&dialect->commands[CMD_VOLTS_AND_AMPS]),
         "volts and amps come by two messages: half the samples a second, and a moment between them");
    lack(dialect, &count, !dialect->nonce[0],
         "no answer that can be predicted: after a time-out the line must first be quiet for a while");
    lack(dialect, &count, !dialect->error_query[0], "doesn't tell its errors");
    lack(dialect, &count, !dialect->power_query[0],
         "doesn't tell that it was switched off and on: seen only by lost settings");
    lack(dialect, &count, dialect->role == AS_SELECTOR && dialect->commands[CMD_CONTRACT].fields < 2,
         "takes volts only: requested amps can't be stated");
    dialect->lacks[count] = NULL;
}
