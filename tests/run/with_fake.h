/* A small supply and load in virtual time, and a watchman who holds every call against the promises. Not the simulated bench: an ideal source, a resistance, a limit, a manner. */
#ifndef BRUNT_TESTS_RUN_WITH_FAKE_H
#define BRUNT_TESTS_RUN_WITH_FAKE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "daemon/base/units.h"
#include "daemon/run/run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum manner { MANNER_FLOOR /* constant current */, MANNER_FOLDBACK, MANNER_LATCH, MANNER_FALLBACK /* to 5 V */, MANNER_PAUSE /* away 3 s, back by itself */ };

enum { MARKS_KEPT = 4096, FINDINGS_KEPT = 512, ORDERS_KEPT = 16384, PENDING_MAX = 64 };

struct fake {
    struct test_plan plan;
    struct run *run;
    struct run_out out;
    int64_t now_us;
    uint64_t seed;

    /* supply of port 0 (the others give 0 V) */
    enum manner manner;
    double limit[CONTRACTS_MAX], ohms, bad_volts[CONTRACTS_MAX]; /* bad_volts: gives this instead of the label, 0: as the label */
    bool dead, has_mains_latch;
    int64_t away_until_us, selected_us;
    int contract; /* -1: 5 V default */
    bool selector_refuses[CONTRACTS_MAX], dumb_selector; /* dumb: never answers */
    bool can_detach, operator_answers, operator_revives;

    /* load */
    bool on[PORTS_MAX], unconfirmed_off, cut_off;
    enum load_mode mode[PORTS_MAX];
    double set[PORTS_MAX], celsius;
    int64_t pace_us[PORTS_MAX], next_us[PORTS_MAX], silent_from_us, silent_to_us;
    int64_t reading_us; /* at pace 0 */
    struct order protect;

    struct outcome pending[PENDING_MAX];
    size_t pending_len;

    /* kept */
    struct mark marks[MARKS_KEPT];
    struct finding findings[FINDINGS_KEPT];
    struct order orders[ORDERS_KEPT];
    int64_t orders_us[ORDERS_KEPT];
    size_t marks_len, findings_len, orders_len;

    /* watchman */
    bool off_confirmed[PORTS_MAX], contract_ok[PORTS_MAX], finished, aborted;
    struct reading last[PORTS_MAX];
};

/* One load, one selector, one mains switch; port C1 with 5, 9, 12, 15, 20 V at 3 A; check profile (idle, step, hold). */
struct fake *fake_new(uint64_t seed);
void fake_free(struct fake *fake);
struct profile_stage *fake_stage(struct fake *fake, enum stage_kind kind); /* added with sane values */
void fake_characterise(struct fake *fake);
void fake_begin(struct fake *fake);
bool fake_step(struct fake *fake); /* to the next event; false: over */
void fake_play(struct fake *fake, int64_t until_us);
enum run_end fake_to_end(struct fake *fake);
void fake_command(struct fake *fake, enum run_command command, const char *text);
void fake_take(struct fake *fake, bool abort_expected_first); /* keeps and checks what the last call put out */
size_t fake_count(const struct fake *fake, enum mark_kind kind, int contract); /* contract -1: any */
const struct mark *fake_mark(const struct fake *fake, enum mark_kind kind, int contract, size_t nth);
const struct finding *fake_finding(const struct fake *fake, enum finding_kind kind);
size_t fake_orders(const struct fake *fake, enum order_kind kind);

#endif
