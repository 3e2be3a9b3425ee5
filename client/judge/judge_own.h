/* Inside the judge: windows that the marks open and the readings fill. */
#ifndef BRUNT_CLIENT_JUDGE_OWN_H
#define BRUNT_CLIENT_JUDGE_OWN_H

#include "client/judge/judge.h"

enum { JUDGE_WINDOWS_MAX = 1024 };

struct judge_window {
    struct mark mark;
    struct mean volts, amps;
};

struct judge {
    struct test_plan plan;
    struct judged_contract contracts[PORTS_MAX * CONTRACTS_MAX];
    size_t contracts_len;
    struct judge_window windows[JUDGE_WINDOWS_MAX];
    size_t windows_len, first_open;
    double good_amps[PORTS_MAX][CONTRACTS_MAX], bad_amps[PORTS_MAX][CONTRACTS_MAX]; /* set-points of MARK_CAPACITY */
    bool let_go_taken[PORTS_MAX][CONTRACTS_MAX]; /* the last way to give way said enough to be the one that counts */
    bool lost_at_rating[PORTS_MAX][CONTRACTS_MAX];
    char lost_text[PORTS_MAX][CONTRACTS_MAX][SENTENCE_SIZE];
};

struct judged_contract *judge_contract_of(struct judge *judge, int port, int contract); /* NULL: not among the chosen */
struct judged_point judge_point_of(const struct judge *judge, const struct judge_window *window);
void judge_decide(struct judge *judge, struct judged_contract *contract);

#endif
