/* A whole trace at once: readings and orders through the watchers, limit-trace points out of the settled part of each set-point. */
#include "daemon/watch/watch_own.h"
#include "daemon/base/text.h"

#include <math.h>

struct point_now { /* the set-point under way */
    bool open;
    int64_t from_us;
    double set_point;
    enum load_mode mode;
    struct mean volts, amps;
};

struct replay {
    struct watch *watch;
    size_t findings, points_len, off_set;
    unsigned long begun;  /* bit per finding kind */
    struct finding first[FINDING_KINDS];
    struct trace_point points[WATCH_TRACE_MAX];
    struct point_now now;
};

static void keep_findings(struct replay *p, const struct finding *list, size_t len)
{
    for (size_t i = 0; i < len; i++) {
        if (list[i].over)
            continue;
        p->findings++;
        if (!(p->begun & 1ul << list[i].kind))
            p->first[list[i].kind] = list[i];
        p->begun |= 1ul << list[i].kind;
    }
}

/* A voltage load that draws current stands at its set-point. Where the mean does not, it is a mean over bursts, and no point of a curve. */
static bool off_set(const struct point_now *now, const struct watch *watch)
{
    double band = fmax(0.08 * now->set_point, 4.0 * watch->setup.volts_u + 0.1);
    return now->mode == LOAD_VOLTAGE && now->amps.mean > flow_amps(watch) && fabs(now->volts.mean - now->set_point) > band;
}

static void point_end(struct replay *p)
{
    struct point_now *now = &p->now;
    if (now->open && now->amps.count > 0 && p->points_len < WATCH_TRACE_MAX) {
        double volts_deviation = mean_deviation(&now->volts), amps_deviation = mean_deviation(&now->amps);
        p->points[p->points_len++] = (struct trace_point){
            .volts = now->volts.mean, .amps = now->amps.mean, .count = now->amps.count,
            .volts_deviation = isnan(volts_deviation) ? 0.0 : volts_deviation, .amps_deviation = isnan(amps_deviation) ? 0.0 : amps_deviation,
        };
        p->off_set += off_set(now, p->watch);
    }
    *now = (struct point_now){0};
}

static void obey(struct replay *p, const struct watch_event *order)
{
    struct load_order before = p->watch->order;
    watch_expect_output(p->watch, order->at_us, !order->expect_away);
    watch_ordered(p->watch, order->at_us, order->input_on, order->mode, order->set_point);
    if (p->watch->order.at_us == before.at_us)
        return; /* nothing new for the load */
    point_end(p);
    if (order->input_on && order->mode != LOAD_CURRENT)
        p->now = (struct point_now){.open = true, .from_us = order->at_us, .set_point = order->set_point, .mode = order->mode};
}

static void silence(struct replay *p, int64_t until_us)
{
    struct finding out[WATCH_OUT_MAX];
    while (watch_due_us(p->watch) < until_us)
        keep_findings(p, out, watch_tick(p->watch, watch_due_us(p->watch), out));
}

static void read_one(struct replay *p, const struct reading *reading)
{
    struct finding out[WATCH_OUT_MAX];
    silence(p, reading->at_us);
    keep_findings(p, out, watch_feed(p->watch, reading, out));
    bool trusted = !(reading->quality & (QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE));
    if (p->now.open && trusted && seconds_between(p->now.from_us, reading->at_us) >= settle_s(p->watch)) {
        mean_add(&p->now.volts, reading->volts);
        mean_add(&p->now.amps, reading->amps);
    }
}

static void shape_of(struct replay *p, struct trace_shape *ret)
{
    watch_shape(p->points, p->points_len, &p->watch->setup, ret);
    if (p->points_len == 0)
        text_cut(ret->text, sizeof ret->text, "uncertain, no limit trace");
    if (3 * p->off_set > p->points_len && ret->kind != FINDING_HICCUP) {
        ret->kind = FINDING_UNCERTAIN;
        ret->text[0] = '\0';
        text_add(ret->text, sizeof ret->text, "uncertain, at %zu of %zu points the volts do not stand at the load's set-point (within 8 %%) while current flows: means over bursts", p->off_set, p->points_len);
    }
}

/* Before the supply is blamed: what makes readings worthless, and what is dangerous. */
static const enum finding_kind before_supply[] = {FINDING_OVER_VOLTAGE, FINDING_INSTRUMENT_STUCK, FINDING_INPUT_ON, FINDING_SENSE, FINDING_INSTRUMENT_NAN, FINDING_INSTRUMENT_RANGE,
                                                  FINDING_INSTRUMENT_STALE};
static const enum finding_kind after_supply[] = {FINDING_INPUT_OFF, FINDING_INSTRUMENT_DISAGREES, FINDING_DROOP};

static bool pick(const struct replay *p, const enum finding_kind *kinds, size_t count, struct finding *ret)
{
    for (size_t i = 0; i < count; i++)
        if (p->begun & 1ul << kinds[i]) {
            *ret = p->first[kinds[i]];
            return true;
        }
    return false;
}

static bool supply_name(const struct replay *p, const struct trace_shape *shape, struct finding *ret)
{
    struct finding verdict;
    watch_verdict(p->watch, &verdict);
    enum finding_kind kind = watch_combined(&verdict, p->points_len ? shape : NULL);
    if (kind == FINDING_KINDS)
        return false;
    if (kind != verdict.kind) {
        finding_say(&verdict, "%s", shape->text);
        verdict.severity = kind == FINDING_UNCERTAIN ? SEVERITY_WARNING : p->watch->setup.programmable && kind == FINDING_CONSTANT_CURRENT ? SEVERITY_NOTE : SEVERITY_TRIP;
    }
    verdict.kind = kind;
    *ret = verdict;
    return true;
}

static void name_all(const struct replay *p, const struct trace_shape *shape, struct finding *ret)
{
    if (pick(p, before_supply, sizeof before_supply / sizeof before_supply[0], ret) || supply_name(p, shape, ret))
        return;
    if (!pick(p, after_supply, sizeof after_supply / sizeof after_supply[0], ret))
        watch_verdict(p->watch, ret);
}

size_t watch_replay(const struct watch_setup *setup, const struct reading *readings, size_t count, const struct watch_event *orders, size_t orders_count, struct finding *ret_verdict,
                    struct trace_shape *ret_shape)
{
    struct replay p = {.watch = watch_new(setup, NULL)};
    size_t next = 0;
    if (!p.watch)
        return SIZE_MAX;
    for (size_t i = 0; i < count; i++) {
        while (next < orders_count && orders[next].at_us <= readings[i].at_us)
            obey(&p, &orders[next++]);
        read_one(&p, &readings[i]);
    }
    while (next < orders_count)
        obey(&p, &orders[next++]);
    if (orders_count > 0)
        silence(&p, orders[orders_count - 1].at_us);
    point_end(&p);
    shape_of(&p, ret_shape);
    name_all(&p, ret_shape, ret_verdict);
    watch_free(p.watch);
    return p.findings;
}
