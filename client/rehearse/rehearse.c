#include "client/rehearse/rehearse.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdlib.h>
#include <string.h>

enum { FAULTS_MAX = 64 };
#define SETTLE_US (30 * US_PER_S)

struct fault {
    int64_t at_us;
    char line[SENTENCE_SIZE];
};

struct rehearsal {
    struct station *station;
    struct sim *sim;
    size_t lines;
    int address_of[BENCH_LINES_MAX]; /* simulated address of each line */
    bool hung_up[BENCH_LINES_MAX];
    int64_t now_us;
    struct fault faults[FAULTS_MAX];
    size_t faults_len;
};

static int join_lines(struct rehearsal *r, const struct bench_plan *bench, struct error *err)
{
    for (size_t i = 0; i < bench->instruments_len; i++) {
        const char *slash = strrchr(bench->instruments[i].address, '/');
        const char *name = slash ? slash + 1 : bench->instruments[i].address;
        int address = sim_address_index(r->sim, name);
        if (address < 0)
            return error_set(err, ERROR_FILE, "the simulated bench has no address \"%s\" for the instrument %s", name, bench->instruments[i].name);
        r->address_of[station_line_of(r->station, i)] = address;
    }
    return 0;
}

struct rehearsal *rehearsal_new(const struct bench_plan *bench, const struct dialect *const dialects[], struct tree *sim_tree, const char *sim_dir,
                                uint64_t seed, struct error *err)
{
    struct rehearsal *r = calloc(1, sizeof *r);
    if (!r) {
        error_set(err, ERROR_MEMORY, "no memory for a rehearsal");
        return NULL;
    }
    r->sim = sim_new(sim_tree, sim_dir, seed, err);
    r->station = r->sim ? station_new(bench, dialects, seed, err) : NULL;
    if (!r->station || join_lines(r, bench, err) < 0) {
        rehearsal_free(r);
        return NULL;
    }
    r->lines = bench_lines(station_bench(r->station));
    for (size_t line = 0; line < r->lines; line++)
        station_line_up(r->station, line, r->now_us);
    return r;
}

void rehearsal_free(struct rehearsal *r)
{
    if (!r)
        return;
    station_free(r->station);
    sim_free(r->sim);
    free(r);
}

struct station *rehearsal_station(struct rehearsal *r)
{
    return r->station;
}

struct sim *rehearsal_sim(struct rehearsal *r)
{
    return r->sim;
}

int64_t rehearsal_now_us(const struct rehearsal *r)
{
    return r->now_us;
}

int rehearsal_fault(struct rehearsal *r, int64_t at_us, const char *line, struct error *err)
{
    if (r->faults_len == FAULTS_MAX)
        return error_set(err, ERROR_RANGE, "more than %d faults wait", FAULTS_MAX);
    r->faults[r->faults_len].at_us = at_us;
    text_cut(r->faults[r->faults_len].line, sizeof r->faults[0].line, line);
    r->faults_len++;
    return 0;
}

static int64_t next_fault_us(const struct rehearsal *r)
{
    int64_t at_us = NEVER_US;
    for (size_t i = 0; i < r->faults_len; i++)
        if (r->faults[i].at_us < at_us)
            at_us = r->faults[i].at_us;
    return at_us;
}

static void strike(struct rehearsal *r)
{
    char answer[256];
    for (size_t i = 0; i < r->faults_len;)
        if (r->faults[i].at_us <= r->now_us) {
            sim_command(r->sim, r->faults[i].line, answer, sizeof answer, NULL);
            r->faults[i] = r->faults[--r->faults_len];
        } else {
            i++;
        }
}

static void carry(struct rehearsal *r, size_t line)
{
    struct bench *bench = station_bench(r->station);
    size_t address = (size_t)r->address_of[line], len;
    char bytes[512];
    const void *pending;
    bool hung_up = sim_hung_up(r->sim, address);
    if (hung_up != r->hung_up[line]) {
        r->hung_up[line] = hung_up;
        if (hung_up)
            station_line_down(r->station, line, r->now_us, "hung up");
        else
            station_line_up(r->station, line, r->now_us);
    }
    if (hung_up)
        return;
    while ((len = sim_read(r->sim, address, bytes, sizeof bytes, r->now_us)) > 0)
        station_bytes(r->station, line, bytes, len, r->now_us);
    while ((pending = bench_pending(bench, line, &len)) && len) {
        sim_write(r->sim, address, pending, len, r->now_us);
        bench_sent(bench, line, len, r->now_us);
    }
}

static void turn(struct rehearsal *r, int64_t until_us)
{
    int64_t next_us = station_due_us(r->station), sim_us = sim_due_us(r->sim), fault_us = next_fault_us(r);
    if (sim_us < next_us)
        next_us = sim_us;
    if (fault_us < next_us)
        next_us = fault_us;
    if (next_us > until_us)
        next_us = until_us;
    if (next_us > r->now_us)
        r->now_us = next_us;
    else
        r->now_us++; /* due already: virtual time always passes */
    strike(r);
    sim_advance(r->sim, r->now_us);
    for (size_t line = 0; line < r->lines; line++)
        carry(r, line);
    if (station_due_us(r->station) <= r->now_us)
        station_tick(r->station, r->now_us);
    for (size_t line = 0; line < r->lines; line++)
        carry(r, line);
}

int rehearsal_settle(struct rehearsal *r, struct error *err)
{
    char why[SENTENCE_SIZE] = "";
    int64_t until_us = r->now_us + SETTLE_US;
    for (size_t line = 0; line < r->lines; line++)
        carry(r, line);
    while (r->now_us < until_us) {
        if (bench_ready(station_bench(r->station), why, sizeof why))
            return 0;
        turn(r, until_us);
    }
    return error_set(err, ERROR_INSTRUMENT, "the simulated bench is not ready after 30 s: %s", why);
}

int rehearsal_start(struct rehearsal *r, const struct test_plan *plan, const struct station_keep *keep, struct error *err)
{
    return station_start(r->station, plan, keep, NULL, r->now_us, err);
}

bool rehearsal_go(struct rehearsal *r, int64_t until_us)
{
    for (size_t line = 0; line < r->lines; line++)
        carry(r, line);
    while (r->now_us < until_us && !(!station_running(r->station) && bench_all_off(station_bench(r->station))))
        turn(r, until_us);
    return !station_running(r->station);
}

void rehearsal_wait(struct rehearsal *r, int64_t until_us)
{
    for (size_t line = 0; line < r->lines; line++)
        carry(r, line);
    while (r->now_us < until_us)
        turn(r, until_us);
}
