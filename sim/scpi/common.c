/* IEEE 488.2 common commands, SYSTem and STATus. */
#include "sim/scpi/own.h"

#include <stdio.h>
#include <string.h>

void common_clear(struct call *call)
{
    status_clear(&call->server->status);
}

static void byte_register(struct call *call, unsigned *reg, unsigned never)
{
    double value;
    if (call->asks)
        call_answer_integer(call, (long)*reg);
    else if (call_number(call, 0, "", 0, 255, 0, &value))
        *reg = (unsigned)(value + 0.5) & ~never & 0xffu;
}

void common_ese(struct call *call)
{
    byte_register(call, &call->server->status.ese, 0);
}

void common_sre(struct call *call)
{
    byte_register(call, &call->server->status.sre, STB_MSS);
}

void common_esr(struct call *call)
{
    call_answer_integer(call, (long)call->server->status.esr);
    call->server->status.esr = 0;
}

void common_stb(struct call *call)
{
    call_answer_integer(call, (long)status_byte(&call->server->status, call->server->output_len > 0));
}

void common_idn(struct call *call)
{
    char text[128];
    snprintf(text, sizeof text, "BRUNT-SIM,%.40s,0,%s", call->server->setup.name, BRUNT_VERSION);
    call_answer(call, text);
}

void common_opc(struct call *call)
{
    if (call->asks)
        call_answer_integer(call, 1);
    else
        call->server->status.esr |= ESR_OPC;
}

void common_reset(struct call *call)
{
    instrument_reset(call->server);
}

void common_test(struct call *call)
{
    call_answer_integer(call, 0);
}

void common_wait(struct call *call)
{
    (void)call; /* nothing here overlaps */
}

void system_error(struct call *call)
{
    struct status_error error = status_next(&call->server->status);
    const char *text = status_text(error.number);
    char answer[256];
    snprintf(answer, sizeof answer, "%d,\"%s%s%s\"", error.number, text ? text : "Unknown", error.detail[0] ? ";" : "",
             error.detail);
    call_answer(call, answer);
}

void system_error_count(struct call *call)
{
    call_answer_integer(call, (long)call->server->status.queued);
}

void system_version(struct call *call)
{
    call_answer(call, "1999.0");
}

enum { GROUP_QUESTIONABLE = 8, GROUP_EVENT = 0, GROUP_CONDITION, GROUP_ENABLE };

void status_group(struct call *call)
{
    struct status *status = &call->server->status;
    struct status_register *reg = call->command->arg & GROUP_QUESTIONABLE ? &status->questionable : &status->operation;
    int what = call->command->arg & 7;
    double value;
    if (!call->asks) {
        if (call_number(call, 0, "", 0, 65535, 0, &value))
            reg->enable = (unsigned)(value + 0.5) & 0x7fffu; /* bit 15 is always 0 */
        return;
    }
    call_answer_integer(call, (long)(what == GROUP_EVENT       ? reg->event
                                     : what == GROUP_CONDITION ? reg->condition
                                                               : reg->enable));
    if (what == GROUP_EVENT)
        reg->event = 0;
}

void status_all_preset(struct call *call)
{
    status_preset(&call->server->status);
}

void instrument_reset(struct server *server)
{
    size_t first, count = server_span(server, SERVER_LOAD, &first);
    for (size_t c = first; c < first + count; c++)
        world_load_reset(server->world, c);
    server->selected = 0;
    if (server_has_role(server, SERVER_MAINS))
        world_mains(server->world, false);
}
