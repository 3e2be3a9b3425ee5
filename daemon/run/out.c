/* What comes out of one call. The arrays are larger than any call needs; a guard stands here all the same, and an off always finds room. */
#include "daemon/run/run_private.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void open_gap_at_front(struct run_out *out)
{
    if (out->orders_len == RUN_ORDERS_MAX)
        out->orders_len--;
    memmove(&out->orders[1], &out->orders[0], out->orders_len * sizeof out->orders[0]);
    out->orders_len++;
}

static void fill(struct order *order, enum order_kind kind, int port)
{
    memset(order, 0, sizeof *order);
    order->kind = kind;
    order->port = port;
    order->contract = -1;
}

struct order *out_order(struct run *run, enum order_kind kind, int port)
{
    struct run_out *out = run->out;
    if (out->orders_len == RUN_ORDERS_MAX)
        out->orders_len--;
    struct order *order = &out->orders[out->orders_len++];
    fill(order, kind, port);
    return order;
}

static bool drives(const struct order *order, int port)
{
    return order->port == port && (order->kind == ORDER_LOAD_ON || order->kind == ORDER_LOAD_SET || order->kind == ORDER_LOAD_OFF);
}

void out_off(struct run *run, int port)
{
    struct run_out *out = run->out;
    size_t kept = 0;
    for (size_t i = 0; i < out->orders_len; i++)
        if (!drives(&out->orders[i], port))
            out->orders[kept++] = out->orders[i];
    out->orders_len = kept;
    open_gap_at_front(out);
    fill(&out->orders[0], ORDER_LOAD_OFF, port);
}

/* The watchers know a port by its number; the tester knows it by the name in the supply file. */
static void name_port(const struct run *run, struct finding *finding)
{
    char number[32], text[SENTENCE_SIZE];
    if (finding->port < 0 || (size_t)finding->port >= run->plan.supply.ports_len)
        return;
    snprintf(number, sizeof number, "port %d: ", finding->port + 1);
    size_t len = strlen(number);
    if (strncmp(finding->text, number, len) != 0)
        return;
    snprintf(text, sizeof text, "port %s: %.*s", run_port_name(run, finding->port), (int)(sizeof text - 1), finding->text + len);
    memcpy(finding->text, text, sizeof text);
}

void out_finding(struct run *run, const struct finding *finding)
{
    if (run->out->findings_len == RUN_FINDINGS_MAX)
        return;
    run->out->findings[run->out->findings_len] = *finding;
    name_port(run, &run->out->findings[run->out->findings_len++]);
}

void out_say(struct run *run, enum finding_kind kind, enum severity severity, double limit, const char *format, ...)
{
    int port = run_port(run);
    struct finding finding = {.at_us = run->now_us, .since_us = run->now_us, .kind = kind, .severity = severity, .port = port, .contract = run_contract(run)};
    bool seen = port >= 0 && run->ports[port].has_latest;
    finding.volts = seen ? run->ports[port].latest.volts : (double)NAN;
    finding.amps = seen ? run->ports[port].latest.amps : (double)NAN;
    finding.limit = limit;
    finding.period_s = finding.duty = (double)NAN;
    va_list arguments;
    va_start(arguments, format);
    char text[2 * SENTENCE_SIZE];
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    text_cut(finding.text, sizeof finding.text, text);
    out_finding(run, &finding);
}

struct mark *out_mark(struct run *run, enum mark_kind kind)
{
    struct run_out *out = run->out;
    if (out->marks_len == RUN_MARKS_MAX)
        out->marks_len--;
    struct mark *mark = &out->marks[out->marks_len++];
    const struct unit *unit = run_unit(run);
    memset(mark, 0, sizeof *mark);
    mark->at_us = mark->from_us = run->now_us;
    mark->kind = kind;
    mark->port = run_port(run);
    mark->contract = run_contract(run);
    mark->stage = unit ? unit->stage : -1;
    mark->set_point = mark->number = (double)NAN;
    return mark;
}

void out_pace(struct run *run, int port, int64_t period_us)
{
    struct port_state *state = &run->ports[port];
    if (state->pace_us == period_us)
        return;
    state->slack_us = state->pace_us > 0 ? state->pace_us : 0; /* the next reading may still come at the old pace */
    state->pace_us = period_us;
    state->interval_us = 0;
    out_order(run, ORDER_PACE, port)->period_us = period_us;
    watch_pace(run->watch[port], period_us);
}

void out_ask(struct run *run, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    char text[2 * SENTENCE_SIZE];
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    text_cut(run->question, sizeof run->question, text);
    run->asking = true;
    text_copy(out_order(run, ORDER_ASK, run_port(run))->text, SENTENCE_SIZE, run->question);
}
