#include "client/judge/judge_own.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct supply_contract *label_of(const struct judge *judge, int port, int contract)
{
    return &judge->plan.supply.ports[port].contracts[contract];
}

static void add_contract(struct judge *judge, int port, int contract)
{
    const struct supply_contract *label = label_of(judge, port, contract);
    judge->contracts[judge->contracts_len++] = (struct judged_contract){
        .port = port, .contract = contract, .rated_volts = label->volts, .rated_amps = label->amps, .low_volts = label->low_volts,
        .high_volts = label->high_volts, .settling_s = NAN, .regulation_percent = NAN, .capacity_amps = NAN, .capacity_u = NAN,
        .margin_percent = NAN, .how = FINDING_KINDS, .verdict = VERDICT_NONE};
    judge->good_amps[port][contract] = judge->bad_amps[port][contract] = NAN;
}

struct judge *judge_new(const struct test_plan *plan, struct error *err)
{
    struct judge *judge = calloc(1, sizeof *judge);
    if (!judge) {
        error_set(err, ERROR_MEMORY, "no memory to judge a record");
        return NULL;
    }
    judge->plan = *plan;
    for (int port = 0; (size_t)port < plan->supply.ports_len; port++)
        for (int contract = 0; (size_t)contract < plan->supply.ports[port].contracts_len; contract++)
            if (plan->contract_chosen[port][contract] && plan_seat_of_port(plan, port) >= 0)
                add_contract(judge, port, contract);
    return judge;
}

void judge_free(struct judge *judge)
{
    free(judge);
}

const struct test_plan *judge_plan(const struct judge *judge)
{
    return &judge->plan;
}

size_t judge_contracts(const struct judge *judge, const struct judged_contract **ret)
{
    *ret = judge->contracts;
    return judge->contracts_len;
}

struct judged_contract *judge_contract_of(struct judge *judge, int port, int contract)
{
    for (size_t i = 0; i < judge->contracts_len; i++)
        if (judge->contracts[i].port == port && judge->contracts[i].contract == contract)
            return &judge->contracts[i];
    return NULL;
}

void judge_proof(struct judge *judge, int port, int contract, enum selection_proof proof)
{
    struct judged_contract *c = judge_contract_of(judge, port, contract);
    if (c && proof > c->proof)
        c->proof = proof;
}

/* ---- marks ---- */

static void open_window(struct judge *judge, const struct mark *mark)
{
    if (judge->windows_len < JUDGE_WINDOWS_MAX)
        judge->windows[judge->windows_len++].mark = *mark;
}

static void take_contract(struct judged_contract *c, const struct mark *mark)
{
    c->tried = true;
    if (mark->held && !c->reached) {
        c->reached = true;
        c->settling_s = mark->number;
    }
}

/* How much a name says: a shape or a sequence, a mere collapse, nothing. */
static int worth(enum finding_kind how)
{
    static const int worth_of[FINDING_KINDS + 1] = {
        [FINDING_SHUTDOWN] = 2,         [FINDING_HICCUP] = 3,        [FINDING_LATCH_OFF] = 3, [FINDING_HARD_RESET] = 3, [FINDING_CONTRACT_LOST] = 3,
        [FINDING_CONSTANT_CURRENT] = 3, [FINDING_CONSTANT_POWER] = 3, [FINDING_FOLDBACK] = 3,  [FINDING_COLLAPSED] = 2,  [FINDING_DROOP] = 2,
        [FINDING_UNCERTAIN] = 1,        [FINDING_INPUT_OFF] = 1};
    return worth_of[how];
}

/* It may be seen several times, in the search and in the trace: the latest, unless it says less (a trace that the load's own protection cut short). */
static void take_let_go(struct judge *judge, struct judged_contract *c, enum finding_kind how)
{
    bool *taken = &judge->let_go_taken[c->port][c->contract];
    if ((unsigned)how > FINDING_KINDS)
        return;
    c->let_go = true;
    *taken = worth(how) >= worth(c->how);
    if (*taken) {
        c->how = how;
        c->came_back = false;
    }
}

/* The rung that brought it back belongs to the way it had let go. */
static void take_rung(const struct judge *judge, struct judged_contract *c, const struct mark *mark)
{
    if (!mark->held || !judge->let_go_taken[c->port][c->contract])
        return;
    c->came_back = true;
    c->rung = (enum rung)(int)mark->number;
}

void judge_mark(struct judge *judge, const struct mark *mark)
{
    struct judged_contract *c = judge_contract_of(judge, mark->port, mark->contract);
    if (!c)
        return;
    switch (mark->kind) {
    case MARK_CONTRACT:
        take_contract(c, mark);
        break;
    case MARK_IDLE:
    case MARK_POINT:
    case MARK_TRACE:
        open_window(judge, mark);
        break;
    case MARK_TRIED:
        if (mark->held)
            open_window(judge, mark);
        break;
    case MARK_CAPACITY:
        c->searched = true;
        judge->good_amps[c->port][c->contract] = mark->number;
        judge->bad_amps[c->port][c->contract] = mark->set_point;
        break;
    case MARK_LET_GO:
        take_let_go(judge, c, (enum finding_kind)(int)mark->number);
        break;
    case MARK_RUNG:
        take_rung(judge, c, mark);
        break;
    default:
        break;
    }
}

/* A trip outside a search or a trace came at or below the rating: the stages above it mark their own collapses with MARK_TRIED. */
void judge_finding(struct judge *judge, const struct finding *finding)
{
    struct judged_contract *c = judge_contract_of(judge, finding->port, finding->contract);
    if (!c || finding->severity < SEVERITY_TRIP || finding->over)
        return;
    if (!judge->lost_at_rating[c->port][c->contract]) {
        judge->lost_at_rating[c->port][c->contract] = true;
        memcpy(judge->lost_text[c->port][c->contract], finding->text, SENTENCE_SIZE);
    }
}

/* ---- readings ---- */

static bool trusted(const struct reading *reading)
{
    return !(reading->quality & (QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE));
}

void judge_reading(struct judge *judge, const struct reading *reading)
{
    /* Windows come in order of time, one port after the other, so those that have ended are never looked at again. */
    while (judge->first_open < judge->windows_len && judge->windows[judge->first_open].mark.at_us < reading->at_us)
        judge->first_open++;
    for (size_t i = judge->first_open; i < judge->windows_len; i++) {
        struct judge_window *w = &judge->windows[i];
        if (w->mark.from_us > reading->at_us)
            break;
        if (w->mark.port == reading->port && reading->asked_us >= w->mark.from_us && trusted(reading)) {
            mean_add(&w->volts, reading->volts);
            mean_add(&w->amps, reading->amps);
        }
    }
}

/* ---- figures ---- */

static double expanded(double half_width, double of_mean, double other)
{
    double b = uncertainty_rectangular(half_width), a = isfinite(of_mean) ? of_mean : 0.0;
    return 2.0 * sqrt(a * a + b * b + other * other);
}

struct judged_point judge_point_of(const struct judge *judge, const struct judge_window *w)
{
    const struct bench_seat *seat = &judge->plan.bench.seats[plan_seat_of_port(&judge->plan, w->mark.port)];
    const struct bench_instrument *load = &judge->plan.bench.instruments[seat->load];
    double amps = w->amps.mean, volts = w->volts.mean;
    double lead_u = seat->lead.sense == SENSE_TWO_WIRE ? amps * seat->lead.loop_ohms_u / 2.0 : 0.0;
    double half_volts = accuracy_half_width(volts, load->volts.percent_of_reading, load->volts.percent_of_range, load->volts.range);
    double half_amps = accuracy_half_width(amps, load->amps.percent_of_reading, load->amps.percent_of_range, load->amps.range);
    return (struct judged_point){.fraction = w->mark.number,
                                 .amps = amps,
                                 .volts = volts,
                                 .amps_u = expanded(half_amps, mean_u(&w->amps), 0.0),
                                 .volts_u = expanded(half_volts, mean_u(&w->volts), lead_u),
                                 .volts_deviation = mean_deviation(&w->volts),
                                 .count = w->volts.count};
}

static void place_point(struct judged_contract *c, struct judged_point point)
{
    if (c->points_len < JUDGE_POINTS_MAX)
        c->points[c->points_len++] = point;
    if (point.count && fabs(point.fraction - 1.0) < 1e-6)
        c->rated = point;
}

static void fill_from_windows(struct judge *judge)
{
    for (size_t i = 0; i < judge->windows_len; i++) {
        const struct judge_window *w = &judge->windows[i];
        struct judged_contract *c = judge_contract_of(judge, w->mark.port, w->mark.contract);
        struct judged_point point = judge_point_of(judge, w);
        if (w->mark.kind == MARK_IDLE && point.count && !c->no_load.count)
            c->no_load = point;
        else if (w->mark.kind == MARK_POINT)
            place_point(c, point);
        else if (w->mark.kind == MARK_TRACE && c->trace_len < JUDGE_TRACE_MAX)
            c->trace[c->trace_len++] = point;
    }
}

static void fit_points(struct judged_contract *c)
{
    double amps[JUDGE_POINTS_MAX + 1], volts[JUDGE_POINTS_MAX + 1];
    size_t count = 0;
    for (size_t i = 0; i < c->points_len; i++)
        if (c->points[i].count && c->points[i].fraction <= 1.0 + 1e-6) {
            amps[count] = c->points[i].amps;
            volts[count++] = c->points[i].volts;
        }
    if (line_fit(amps, volts, count, &c->fit, NULL) < 0)
        c->fit.count = 0;
    if (c->no_load.count && c->rated.count)
        c->regulation_percent = (c->no_load.volts - c->rated.volts) / c->rated_volts * 100.0;
}

/* The dwell at the last good set-point, as the load read it back: its offset from the set-point carries over to the first bad one. */
static const struct judge_window *last_good_window(const struct judge *judge, const struct judged_contract *c)
{
    const struct judge_window *best = NULL;
    for (size_t i = 0; i < judge->windows_len; i++) {
        const struct judge_window *w = &judge->windows[i];
        if (w->mark.kind == MARK_TRIED && w->mark.port == c->port && w->mark.contract == c->contract && w->amps.count &&
            fabs(w->mark.set_point - judge->good_amps[c->port][c->contract]) < 1e-6)
            best = w;
    }
    return best;
}

static void find_capacity(const struct judge *judge, struct judged_contract *c)
{
    double good = judge->good_amps[c->port][c->contract], bad = judge->bad_amps[c->port][c->contract];
    const struct judge_window *w = last_good_window(judge, c);
    if (!c->searched || !isfinite(good) || !w)
        return;
    double offset = w->amps.mean - good, u = judge_point_of(judge, w).amps_u;
    c->capped = !isfinite(bad);
    c->capacity_amps = (c->capped ? good : (good + bad) / 2.0) + offset;
    c->capacity_u = u + (c->capped ? 0.0 : (bad - good) / 2.0);
    c->margin_percent = (c->capacity_amps - c->rated_amps) / c->rated_amps * 100.0;
}

void judge_end(struct judge *judge, const char *run_end)
{
    (void)run_end;
    fill_from_windows(judge);
    for (size_t i = 0; i < judge->contracts_len; i++) {
        struct judged_contract *c = &judge->contracts[i];
        fit_points(c);
        find_capacity(judge, c);
        judge_decide(judge, c);
    }
}

enum verdict judge_verdict(const struct judge *judge)
{
    enum verdict worst = VERDICT_NONE;
    bool unmeasured = judge->contracts_len == 0;
    for (size_t i = 0; i < judge->contracts_len; i++) {
        worst = verdict_worse(worst, judge->contracts[i].verdict);
        unmeasured |= judge->contracts[i].verdict == VERDICT_NONE;
    }
    return unmeasured && worst < VERDICT_CONDITIONAL_FAIL ? VERDICT_NONE : worst;
}
