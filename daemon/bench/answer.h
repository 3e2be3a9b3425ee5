/* Reading answers: whole, in the announced form, or not at all. Pure text. */
#ifndef BRUNT_BENCH_ANSWER_H
#define BRUNT_BENCH_ANSWER_H

#include "daemon/bench/dialect_inside.h"

enum answer_value {
    ANSWER_NUMBER,
    ANSWER_NAN,      /* the instrument says that there is no value; *ret is NAN */
    ANSWER_OVERFLOW, /* beyond its range; *ret is NAN */
    ANSWER_WRONG     /* not in the announced form; *ret untouched */
};

/* One value in the command's form, converted to our unit. The standard's 9.91E37 and +-9.9E37 mean the same in each
 * form, whether or not the dialect has words of its own. */
enum answer_value answer_number(const struct dialect *dialect, const struct command *command, const char *text,
                                size_t len, double *ret);

/* Exactly `want` values joined by `separator`; one that is wrong makes all wrong. Returns the worst of them. */
enum answer_value answer_numbers(const struct dialect *dialect, const struct command *command, const char *text,
                                 char separator, size_t want, double ret[]);

/* A plain integer (NR1), for booleans, counts, sums of bits. */
bool answer_integer(const char *text, long long *ret);

/* '*' any text, everything else itself, capitals matter. */
bool answer_matches(const char *pattern, const char *text);

#endif
