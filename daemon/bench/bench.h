/*
 * The instruments of a bench as one pure machine: bytes and time in; bytes, readings, outcomes, findings and a due time out. No I/O, no clock.
 * A *line* is one address; instruments (roles) and channels behind the same address share it. On a line there is never more than one outstanding message.
 *
 * The arrows let bench/ know figures, terms and base only, so it doesn't know plan/: the station translates a bench_plan into a bench_setup.
 *
 * Calling sequence: bench_new(); for each line bench_line_up() when its link is open; then after every call below, for each line: while
 * ((bytes = bench_pending(line, &len)) && len) { n = write(...); bench_sent(line, n, now); }, and bench_next_*() until false.
 * Call bench_tick() not later than bench_due_us().
 *
 * What happens at bench_line_up(), before anything else on that line: spoil bytes, then the shortest off of every load channel there, then resynchronisation,
 * identity, read-back of the input state (repeat off until confirmed), errors cleared, communications time-out set.
 */
#ifndef BRUNT_BENCH_BENCH_H
#define BRUNT_BENCH_BENCH_H

#include "daemon/bench/dialect.h"
#include "daemon/terms/terms.h"

enum { BENCH_LINES_MAX = 8, BENCH_LOADS_MAX = 8, BENCH_INSTRUMENTS_MAX = 8 };

struct bench_setup_instrument {
    char name[NAME_SIZE];
    const struct dialect *dialect; /* borrowed for the bench's life */
    int line;                      /* 0... same number: same address */
    int baud;                      /* for time-outs; 0 unpaced */
    double max_volts, max_amps, max_watts; /* readings beyond 1.2 times these are out of range */
    int64_t communications_timeout_us;     /* the load's own; 0: none wanted */
    char serial_number[NAME_SIZE]; /* expected in the identity; "" any */
};

struct bench_setup_seat { /* what stands behind each port of the station */
    int load, channel;        /* instrument index; channel 1... */
    int selector, selector_channel; /* -1: the operator; then an ORDER_SELECT is asked of him and the voltage itself confirms */
    double loop_ohms;         /* two-wire lead: volts at the connector = load's volts + amps * loop_ohms */
};

struct bench_setup_probe {
    int thermometer, channel;
};

struct bench_setup {
    struct bench_setup_instrument instruments[BENCH_INSTRUMENTS_MAX];
    size_t instruments_len;
    struct bench_setup_seat seats[PORTS_MAX]; /* index: port of the reading and of the order */
    size_t seats_len;
    struct bench_setup_probe probes[PROBES_MAX];
    size_t probes_len;
    int mains;                /* instrument index, -1 none */
    int64_t tolerate_silence_us; /* after this an instrument that doesn't answer is lost */
    uint64_t seed;            /* jitter and nonces */
};

struct bench;
struct bench *bench_new(const struct bench_setup *setup, struct error *err);
void bench_free(struct bench *bench); /* NULL is fine. Sends nothing: bench_off_all() first */

size_t bench_lines(const struct bench *bench);

void bench_line_up(struct bench *bench, size_t line, int64_t now_us);
void bench_line_down(struct bench *bench, size_t line, int64_t now_us, const char *why); /* FINDING_LINK; orders on it fail */
void bench_bytes(struct bench *bench, size_t line, const void *bytes, size_t len, int64_t now_us);
const void *bench_pending(const struct bench *bench, size_t line, size_t *ret_len); /* to be written now; valid until the next call */
void bench_sent(struct bench *bench, size_t line, size_t len, int64_t now_us);
void bench_tick(struct bench *bench, int64_t now_us);
int64_t bench_due_us(const struct bench *bench);

/* Any ORDER_LOAD_*, SELECT, DETACH, ATTACH, MAINS_*, PACE. ORDER_LOAD_OFF overtakes everything: what isn't sent is dropped, a half-sent message is spoiled. Each order but PACE is answered by one outcome. */
void bench_order(struct bench *bench, const struct order *order, int64_t now_us);
/* Off on every load channel, sampling stops there; for aborts and the end. */
void bench_off_all(struct bench *bench, int64_t now_us);
bool bench_all_off(const struct bench *bench); /* every load input has been read back as off (or, where the dialect has no read-back, off was sent and current < 2 % of range) */
bool bench_ready(const struct bench *bench, char *why_not, size_t size); /* all instruments identified and idle */

void bench_sampling(struct bench *bench, bool on); /* on: readings come by ORDER_PACE; off: the line rests, a slow look each 2 s keeps the table fresh */
/* No two samples of a channel closer than this, whatever ORDER_PACE says; 0: as it says. For a record that can't keep up. */
void bench_hold_back(struct bench *bench, int64_t period_us);

bool bench_next_reading(struct bench *bench, struct reading *ret);
bool bench_next_outcome(struct bench *bench, struct outcome *ret);
bool bench_next_finding(struct bench *bench, struct finding *ret);

struct bench_state { /* for the client's bench table */
    char name[NAME_SIZE], dialect[NAME_SIZE], identity[SENTENCE_SIZE], trouble[SENTENCE_SIZE];
    bool up, identified, input_on, input_known, protections_set, communications_timeout_set;
    int64_t answered_us; /* last whole answer, NEVER_US none */
    uint64_t answers, timeouts, resyncs, garbage;
};
void bench_instrument_state(const struct bench *bench, size_t instrument, struct bench_state *ret);

/* All that is needed to turn one load channel (or the mains) off with no knowledge but this: goes into the armed file. */
struct off_recipe {
    char name[NAME_SIZE];
    int line;
    unsigned char spoil[16], off[128], query[64], answer_off[16]; /* bytes as they go over the line, ends included; answer_off: what `query` answers when off, without line end */
    size_t spoil_len, off_len, query_len, answer_off_len;         /* query_len 0: can't be read back */
    bool mains;
};
size_t bench_off_recipes(const struct bench *bench, struct off_recipe ret[], size_t max);

/* ---- probe: pure likewise; never sends anything but the spoil bytes, queries and, at the very end, nothing that switches ---- */

struct bench_probe_report {
    bool answered;
    char identity[SENTENCE_SIZE];
    int dialect;                  /* index of the fitting one, -1 */
    char lacks[512];              /* sentences, newline separated */
    char trouble[SENTENCE_SIZE];  /* why none fits */
};
struct bench_probe_machine;
/* Tries one line setting with all dialects. The caller goes through baud rates and opens links. */
struct bench_probe_machine *bench_probe_new(const struct dialect *const dialects[], size_t count, int baud, struct error *err);
void bench_probe_free(struct bench_probe_machine *probe);
void bench_probe_bytes(struct bench_probe_machine *probe, const void *bytes, size_t len, int64_t now_us);
const void *bench_probe_pending(const struct bench_probe_machine *probe, size_t *ret_len);
void bench_probe_sent(struct bench_probe_machine *probe, size_t len, int64_t now_us);
void bench_probe_tick(struct bench_probe_machine *probe, int64_t now_us);
int64_t bench_probe_due_us(const struct bench_probe_machine *probe);
bool bench_probe_done(const struct bench_probe_machine *probe, struct bench_probe_report *ret);

#endif
