/* What arm_*.c share. Not for other rooms: they have arm.h. Not for main.c either: brunt-guard has all of this a second time, on purpose. */
#ifndef BRUNT_GUARD_ARM_ENTRY_H
#define BRUNT_GUARD_ARM_ENTRY_H

#include "daemon/guard/arm.h"

/* Milliseconds of the monotonic clock. */
int64_t arm_now_ms(void);

/* Opens entry->address without waiting: no lock is asked for, off must not fail on one. TCP: connecting is under way; writable when done.
 * Gives a descriptor, or -1 with *err set. */
int arm_line_open(const struct arm_entry *entry, struct error *err);

#endif
