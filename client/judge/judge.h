/*
 * What a record says about the contracts of a supply. PURE: plan, marks, findings and readings go in, figures and verdicts come out; judging again
 * never touches the record. The sequencer only marks windows; each figure here is computed from the readings inside them.
 *
 * Calling sequence: judge_new(plan); judge_mark() for all marks; judge_finding() for all findings; judge_reading() for all readings; judge_end(); judge_contracts() ...; judge_free().
 *
 * Uncertainty of a mean: readback's accuracy statement from the bench file as a rectangular half-width (a / sqrt 3), the scatter of the readings (s / sqrt n), the uncertainty of a
 * two-wire lead's correction; U = 2 u. Verdicts: guard band w = U (ILAC-G8:09/2019 4.2), see figures.h.
 */
#ifndef BRUNT_CLIENT_JUDGE_JUDGE_H
#define BRUNT_CLIENT_JUDGE_JUDGE_H

#include "daemon/figures/figures.h"
#include "daemon/plan/plan.h"

enum { JUDGE_POINTS_MAX = 24, JUDGE_TRACE_MAX = 64 };

struct judged_point { /* one load step */
    double fraction;  /* of rated current */
    double amps, volts, amps_u, volts_u; /* means; expanded, k = 2 */
    double volts_deviation;
    size_t count;     /* readings in the window; 0: nothing measured */
};

struct judged_contract {
    int port, contract;
    double rated_volts, rated_amps, low_volts, high_volts;
    bool tried, reached;          /* selection asked for; voltage settled in the idle window */
    double settling_s;
    enum selection_proof proof;
    struct judged_point no_load;  /* count 0: not measured */
    struct judged_point points[JUDGE_POINTS_MAX];
    size_t points_len;
    struct judged_point rated;    /* the last point at 100 %; count 0: not reached */
    struct line_fit fit;          /* volts over amps, points up to 100 %; count 0: fewer than two points */
    double regulation_percent;    /* (no load - rated) / nominal, basis: nominal volts; NAN */
    bool searched, capped;        /* capped: the cap came first, so capacity_amps is a lower bound ("at least") */
    double capacity_amps, capacity_u; /* middle and half-width of the interval between last good (- U) and first bad (+ U); capped: last good, its U */
    double margin_percent;        /* of rated; from capacity_amps */
    struct judged_point trace[JUDGE_TRACE_MAX];
    size_t trace_len;
    bool let_go;                  /* it gave way, in a search, a trace or a step */
    enum finding_kind how;        /* FINDING_KINDS: nothing named */
    bool came_back;
    enum rung rung;               /* how it came back */
    enum verdict verdict;
    char why[SENTENCE_SIZE];      /* the decisive figure, one sentence; "" for a pass */
    bool weak;                    /* U is more than a quarter of the tolerance: the check says little */
};

struct judge;
struct judge *judge_new(const struct test_plan *plan, struct error *err); /* copies the plan */
void judge_free(struct judge *judge);
void judge_mark(struct judge *judge, const struct mark *mark);
void judge_finding(struct judge *judge, const struct finding *finding);
void judge_proof(struct judge *judge, int port, int contract, enum selection_proof proof);
void judge_reading(struct judge *judge, const struct reading *reading);
void judge_end(struct judge *judge, const char *run_end); /* the record's "end" */
size_t judge_contracts(const struct judge *judge, const struct judged_contract **ret);
enum verdict judge_verdict(const struct judge *judge); /* worst of the chosen contracts; VERDICT_NONE if one was not measured and none failed */
const struct test_plan *judge_plan(const struct judge *judge);

#endif
