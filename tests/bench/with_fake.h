/*
 * An instrument of the tests' own, written apart from bench/: line-buffered, obeys whole lines only, drops a line with
 * a '!' in it. And a line in virtual time that joins it to a bench, with hooks for every kind of mishap.
 */
#ifndef BRUNT_TESTS_BENCH_WITH_FAKE_H
#define BRUNT_TESTS_BENCH_WITH_FAKE_H

#include "daemon/bench/bench.h"

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

enum fake_shape { FAKE_STANDARD, FAKE_TERSE, FAKE_LATE };
enum { FAKE_LOG = 4096, FAKE_CHANNELS = 2 };

struct fake {
    enum fake_shape shape;
    const char *identity;
    char input[400];
    size_t input_len;
    bool on[FAKE_CHANNELS + 1], stuck_on, ignores_on, dead;
    double amps[FAKE_CHANNELS + 1], volts, supply_volts;
    char mode[8];
    int selected, ese, esr, trips, errors;
    double timeout, over_volts, over_amps, over_watts, under_volts;
    double selected_volts, selected_amps;
    bool attached, mains;
    int celsius_nan;
    char log[FAKE_LOG][64]; /* lines it obeyed, oldest first */
    size_t log_len;
    size_t dropped;           /* lines with an illegal byte */
    char answer[512];         /* of the latest line; "" none */
    const char *force_answer; /* for the next measuring query */
    bool varies;              /* each measurement is another one: volts by a rule, amps a quarter of them */
    unsigned measured;
    double said_amps; /* latest */
};

void fake_start(struct fake *fake, enum fake_shape shape);
/* One byte in; true: a line was obeyed and `answer` is set ("" if it says nothing). */
bool fake_hear(struct fake *fake, char byte);
size_t fake_count(const struct fake *fake, const char *line); /* how often it obeyed exactly that line */

/* ---- a bench on one line with one fake ---- */

struct play {
    struct bench *bench;
    struct fake fake;
    struct dialect *dialects[4];
    struct tree *trees[4];
    int64_t now_us, delay_us, wire_us; /* answer delay; time an answer byte takes */
    char out[8192];                    /* bytes on their way to the bench */
    size_t out_len;
    int64_t out_due_us;
    char sent[65536]; /* every byte the bench has written */
    size_t sent_len;
    size_t write_at_most; /* per turn; 0: all. The rest stays until play_write() */
    bool deaf;            /* nothing arrives at the instrument */
    /* Changes an answer with its end on the way; returns the new length. NULL: untouched. */
    size_t (*mangle)(struct play *play, char *bytes, size_t len, size_t size);
    uint64_t random;
    size_t readings, findings, outcomes;
    struct reading reading; /* latest */
    struct outcome outcome_log[256];
    struct finding finding_log[256];
    bool (*on_reading)(struct play *play, const struct reading *reading);
};

struct dialect *dialect_named(const char *name, struct tree **ret_tree);
/* A load (channel 1 at port 0), and what else the shape has behind the same address. */
void play_start(struct play *play, enum fake_shape shape);
/* with: 0 load only; 1 selector too; 2 selector, mains and thermometer too; channels of the load at ports. */
void play_start_with(struct play *play, enum fake_shape shape, int with, int channels);
void play_end(struct play *play);
void play_up(struct play *play); /* line up, until ready */
void play_run(struct play *play, int64_t for_us);
void play_turn(struct play *play); /* writes pending bytes, moves to the next due time */
void play_order(struct play *play, struct order order);
void play_collect(struct play *play);
bool play_write(struct play *play, size_t at_most);                                /* true: something was written */
const struct outcome *play_outcome(const struct play *play, enum order_kind kind); /* latest, NULL none */
const struct finding *play_finding(const struct play *play, enum finding_kind kind);

#endif
