#include "daemon/station/station.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/station/translate.h"

#include <stdlib.h>
#include <string.h>

struct station {
    struct bench_plan plan;
    struct bench *bench;
    int line_of[INSTRUMENTS_MAX];
    struct run *run;
    int port_of_seat[PORTS_MAX], seat_of_port[PORTS_MAX];
    struct station_keep keep;
    struct station_guard guard;
    bool armed, arming, keep_failed, finished, disarm_due;
    struct order held_on[PORTS_MAX]; /* input-on that waits for the guard */
    bool held[PORTS_MAX];
    struct reading latest[PORTS_MAX];
    bool have_latest[PORTS_MAX];
    int64_t last_us;
    struct run_out out; /* too large for the stack of every pass */
};

struct station *station_new(const struct bench_plan *plan, const struct dialect *const dialects[], uint64_t seed, struct error *err)
{
    struct station *station = calloc(1, sizeof *station);
    struct bench_setup *setup = calloc(1, sizeof *setup);
    if (!station || !setup) {
        error_set(err, ERROR_MEMORY, "no memory for the station");
        free(setup);
        free(station);
        return NULL;
    }
    station->plan = *plan;
    station_translate(plan, dialects, seed, setup, station->line_of);
    station->bench = bench_new(setup, err);
    free(setup);
    if (!station->bench) {
        free(station);
        return NULL;
    }
    for (int i = 0; i < PORTS_MAX; i++)
        station->port_of_seat[i] = station->seat_of_port[i] = -1;
    return station;
}

void station_free(struct station *station)
{
    if (!station)
        return;
    run_free(station->run);
    bench_free(station->bench);
    free(station);
}

struct bench *station_bench(struct station *station)
{
    return station->bench;
}

int station_line_of(const struct station *station, size_t instrument)
{
    return instrument < station->plan.instruments_len ? station->line_of[instrument] : -1;
}

bool station_running(const struct station *station)
{
    return station->run && !station->finished;
}

struct run *station_run(struct station *station)
{
    return station->run;
}

void station_clear(struct station *station)
{
    if (station_running(station))
        return;
    run_free(station->run);
    station->run = NULL;
}

const struct reading *station_latest(const struct station *station, int port)
{
    return port >= 0 && port < PORTS_MAX && station->have_latest[port] ? &station->latest[port] : NULL;
}

/* ---- orders: from ports of the supply to seats of the bench ---- */

static int seat_for(const struct station *station, int port)
{
    return port >= 0 && port < PORTS_MAX ? station->seat_of_port[port] : -1;
}

static void give_to_bench(struct station *station, const struct order *order, int64_t now_us)
{
    struct order seated = *order;
    bool whole_station = order->kind == ORDER_MAINS_OFF || order->kind == ORDER_MAINS_ON;
    if (!whole_station && (seated.port = seat_for(station, order->port)) < 0)
        return;
    bench_order(station->bench, &seated, now_us);
}

/* House rule: no input goes on before the armed file stands and the guard has said so. */
static bool must_wait(struct station *station, const struct order *order)
{
    if (order->kind != ORDER_LOAD_ON || station->armed || order->port < 0 || order->port >= PORTS_MAX)
        return false;
    station->held_on[order->port] = *order;
    station->held[order->port] = true;
    if (!station->arming && station->guard.arm) {
        station->arming = true;
        station->guard.arm(station->guard.context);
    }
    return true;
}

static void do_order(struct station *station, const struct order *order, int64_t now_us)
{
    if (order->kind == ORDER_LOAD_OFF && order->port >= 0 && order->port < PORTS_MAX)
        station->held[order->port] = false;
    if (must_wait(station, order))
        return;
    switch (order->kind) {
    case ORDER_ASK: /* shown by whoever follows; answered through station_command() */
        break;
    case ORDER_FINISH:
        bench_off_all(station->bench, now_us);
        bench_sampling(station->bench, false);
        station->finished = true;
        station->disarm_due = station->armed;
        break;
    default:
        give_to_bench(station, order, now_us);
    }
}

/* ---- keeping, after the orders of the pass have gone into the bench ---- */

static void note_failure(struct station *station, bool kept)
{
    if (!kept)
        station->keep_failed = true;
}

static void keep_out(struct station *station, int64_t now_us)
{
    const struct station_keep *keep = &station->keep;
    for (size_t i = 0; keep->order && i < station->out.orders_len; i++)
        note_failure(station, keep->order(keep->context, now_us, &station->out.orders[i]));
    for (size_t i = 0; keep->finding && i < station->out.findings_len; i++)
        note_failure(station, keep->finding(keep->context, &station->out.findings[i]));
    for (size_t i = 0; keep->mark && i < station->out.marks_len; i++)
        note_failure(station, keep->mark(keep->context, &station->out.marks[i]));
}

static void empty_out(struct station *station)
{
    station->out.orders_len = station->out.findings_len = station->out.marks_len = 0;
}

static void obey(struct station *station, int64_t now_us)
{
    for (size_t i = 0; i < station->out.orders_len; i++)
        do_order(station, &station->out.orders[i], now_us);
    keep_out(station, now_us);
    empty_out(station);
}

static bool live(const struct station *station)
{
    return station->run && !station->finished;
}

static void take_readings(struct station *station, int64_t now_us)
{
    struct reading reading;
    while (bench_next_reading(station->bench, &reading)) {
        int seat = reading.port;
        if (seat < 0 || seat >= PORTS_MAX || station->port_of_seat[seat] < 0)
            continue;
        reading.port = station->port_of_seat[seat];
        station->latest[reading.port] = reading;
        station->have_latest[reading.port] = true;
        if (!live(station))
            continue;
        run_feed(station->run, &reading, &station->out);
        for (size_t i = 0; i < station->out.orders_len; i++)
            do_order(station, &station->out.orders[i], now_us);
        if (station->keep.reading)
            note_failure(station, station->keep.reading(station->keep.context, &reading));
        keep_out(station, now_us);
        empty_out(station);
    }
}

static int port_at(const struct station *station, int seat)
{
    return seat >= 0 && seat < PORTS_MAX ? station->port_of_seat[seat] : -1;
}

static void take_outcomes(struct station *station, int64_t now_us)
{
    struct outcome outcome;
    while (bench_next_outcome(station->bench, &outcome)) {
        outcome.port = port_at(station, outcome.port);
        if (!station->run)
            continue;
        if (live(station))
            run_outcome(station->run, &outcome, &station->out);
        for (size_t i = 0; i < station->out.orders_len; i++)
            do_order(station, &station->out.orders[i], now_us);
        if (station->keep.outcome)
            note_failure(station, station->keep.outcome(station->keep.context, &outcome));
        keep_out(station, now_us);
        empty_out(station);
    }
}

static void take_findings(struct station *station, int64_t now_us)
{
    struct finding finding;
    while (bench_next_finding(station->bench, &finding)) {
        finding.port = port_at(station, finding.port);
        if (live(station))
            run_bench_finding(station->run, &finding, &station->out);
        else if (station->keep.finding) /* over, but a load that doesn't go off belongs in its record more than anything before; after that, in the log */
            note_failure(station, station->keep.finding(station->keep.context, &finding));
        obey(station, now_us);
    }
}

static void watch_the_keeping(struct station *station, int64_t now_us)
{
    if (!station->keep_failed || !live(station))
        return;
    station->keep_failed = false;
    run_abort(station->run, RUN_FAULT, "the record can't take more: its queue is full, so the load is off", now_us, &station->out);
    obey(station, now_us);
}

static void watch_the_end(struct station *station)
{
    if (!station->disarm_due || !bench_all_off(station->bench))
        return;
    station->disarm_due = station->armed = false;
    if (station->guard.disarm)
        station->guard.disarm(station->guard.context);
}

/* Findings first: an instrument's trouble decides before its last reading is believed. */
static void settle(struct station *station, int64_t now_us)
{
    station->last_us = now_us;
    take_findings(station, now_us);
    take_readings(station, now_us);
    take_outcomes(station, now_us);
    watch_the_keeping(station, now_us);
    watch_the_end(station);
}

/* ---- a run ---- */

static void seat_ports(struct station *station, const struct test_plan *plan)
{
    for (int i = 0; i < PORTS_MAX; i++)
        station->seat_of_port[i] = -1;
    for (int seat = 0; seat < PORTS_MAX; seat++) {
        int port = (size_t)seat < plan->bench.seats_len ? plan->port_of_seat[seat] : -1;
        station->port_of_seat[seat] = port;
        if (port >= 0 && port < PORTS_MAX)
            station->seat_of_port[port] = seat;
        station->have_latest[seat] = station->held[seat] = false;
    }
}

int station_start(struct station *station, const struct test_plan *plan, const struct station_keep *keep,
                  const struct station_guard *guard, int64_t now_us, struct error *err)
{
    char why[SENTENCE_SIZE];
    if (station_running(station))
        return error_set(err, ERROR_BUSY, "a run is under way on this station");
    if (!bench_ready(station->bench, why, sizeof why))
        return error_set(err, ERROR_INSTRUMENT, "%s", why);
    struct run *run = run_new(plan, err);
    if (!run)
        return -1;
    run_free(station->run);
    station->run = run;
    station->keep = keep ? *keep : (struct station_keep){0};
    station->guard = guard ? *guard : (struct station_guard){0};
    station->armed = !station->guard.arm;
    station->arming = station->finished = station->keep_failed = station->disarm_due = false;
    seat_ports(station, plan);
    empty_out(station);
    bench_sampling(station->bench, true);
    run_begin(run, now_us, &station->out);
    obey(station, now_us);
    settle(station, now_us);
    return 0;
}

void station_armed(struct station *station, bool armed, const char *why_not, int64_t now_us)
{
    station->arming = false;
    if (!armed) {
        station_abort(station, RUN_FAULT, why_not, now_us);
        return;
    }
    station->armed = true;
    if (!live(station)) { /* the run ended while the guard was being told: stand down once everything is confirmed off */
        station->disarm_due = true;
        watch_the_end(station);
        return;
    }
    for (int port = 0; port < PORTS_MAX; port++)
        if (station->held[port]) {
            station->held[port] = false;
            give_to_bench(station, &station->held_on[port], now_us);
        }
    settle(station, now_us);
}

void station_line_up(struct station *station, size_t line, int64_t now_us)
{
    bench_line_up(station->bench, line, now_us);
    settle(station, now_us);
}

void station_line_down(struct station *station, size_t line, int64_t now_us, const char *why)
{
    bench_line_down(station->bench, line, now_us, why);
    settle(station, now_us);
}

void station_bytes(struct station *station, size_t line, const void *bytes, size_t len, int64_t now_us)
{
    bench_bytes(station->bench, line, bytes, len, now_us);
    settle(station, now_us);
}

void station_tick(struct station *station, int64_t now_us)
{
    bench_tick(station->bench, now_us);
    if (live(station) && run_due_us(station->run) <= now_us) {
        run_tick(station->run, now_us, &station->out);
        obey(station, now_us);
    }
    settle(station, now_us);
}

int64_t station_due_us(const struct station *station)
{
    int64_t due_us = bench_due_us(station->bench);
    int64_t run_us = live(station) ? run_due_us(station->run) : NEVER_US;
    return run_us < due_us ? run_us : due_us;
}

int station_command(struct station *station, enum run_command command, const char *text, int64_t now_us, struct error *err)
{
    if (!live(station))
        return error_set(err, ERROR_REFUSED, "no run is under way");
    int answer = run_command(station->run, command, text, now_us, &station->out, err);
    obey(station, now_us);
    settle(station, now_us);
    return answer;
}

void station_abort(struct station *station, enum run_end end, const char *why, int64_t now_us)
{
    if (!live(station)) {
        bench_off_all(station->bench, now_us);
        return;
    }
    run_abort(station->run, end, why, now_us, &station->out);
    obey(station, now_us);
    settle(station, now_us);
}
