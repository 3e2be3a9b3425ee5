/* A stand-in for the daemon: a process that opens lines, arms, switches on, beats, and then does what the test says. */
#ifndef TESTS_GUARD_WITH_STAND_IN_H
#define TESTS_GUARD_WITH_STAND_IN_H

#include "tests/guard/with_instrument.h"

struct place { /* a run directory with a copy of the guard that an ordinary user may run */
    char dir[128], guard[160];
    uid_t uid;
};

struct place place_make(uid_t uid);
void place_remove(struct place *p); /* a guard that is still there leaves: its directory is gone */

struct stand_in {
    pid_t pid;
    int orders, news; /* pipes */
};

enum { STAND_IN_MAX = 4 };

struct stand_in_wish {
    const struct place *place;
    const struct arm_entry *entries;
    size_t count;
    bool keep_descriptors;    /* arms without sending them */
    bool already_armed_file;  /* doesn't write it */
};

/* Returns when it is armed (true) or was refused (false; `why` is filled). */
bool stand_in_start(const struct stand_in_wish *wish, struct stand_in *ret, char why[200]);
/* Sends bytes down line i. */
void stand_in_write(const struct stand_in *s, size_t line, const char *bytes, size_t len);
/* 'd' disarm, close the connection, leave; 'c' close the connection while armed; 'm' send garbage to the guard; 'q' leave at once. */
void stand_in_order(const struct stand_in *s, char order);
int stand_in_wait(const struct stand_in *s); /* the signal that ended it; 0: it left by itself */

/* The user that tests run a second time as: 65534 where the test is root, else none (-1). */
uid_t other_user(void);

#endif
