/* What the files of this room share. Not for other rooms: they have plan.h. */
#ifndef BRUNT_PLAN_PLAN_OWN_H
#define BRUNT_PLAN_PLAN_OWN_H

#include "daemon/plan/plan.h"

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

extern const char *const instrument_role_words[ROLES];
extern const char *const link_kind_words[LINK_KINDS];
extern const char *const connector_words[CONNECTORS];
extern const char *const stage_kind_words[STAGE_KINDS];
extern const char *const on_trip_words[ON_TRIPS];
extern const char *const rung_words[RUNGS]; /* as a profile names them: "wait", "request", "detach", "mains", "operator" */

/* Where the refusals of a check go: the first into an error, all into a list. */
struct complaints {
    struct error *first;
    struct plan_remark *all;
    size_t len, max;
    bool refused; /* one of them was more than a remark */
};

/* "file:line: " and the sentence. */
void complain(struct complaints *c, enum error_kind kind, const char *file, int line, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

/* The bound on a port's current from one place. */
struct amps_limit {
    double amps;
    char from[200];
};
enum { AMPS_LIMITS_MAX = 8 };

/* All that bounds the current of that contract on the seat where its port sits; how many. The port must sit in a seat. */
size_t amps_limits(const struct test_plan *plan, int port, int contract, double cap_fraction, struct amps_limit out[AMPS_LIMITS_MAX]);

/* Label against label (refused), then label against the USB PD power rules (remarks). */
void check_label_sums(const struct test_plan *plan, struct complaints *c);
void remark_power_rules(const struct test_plan *plan, struct complaints *c);

/* Largest fraction of rated current that the stage asks for by itself; 0: none, or bounded by plan_cap_amps(). */
double stage_top_fraction(const struct profile_stage *stage);

#endif
