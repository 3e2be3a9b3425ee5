/*
 * A dialect: how one kind of instrument is spoken to, as data. Files in profiles/dialects/, read once by the daemon at start (and by
 * brunt probe), strictly. Format: docs/dialects.md. One dialect serves one role; several roles behind one address are several instruments on one line.
 */
#ifndef BRUNT_BENCH_DIALECT_H
#define BRUNT_BENCH_DIALECT_H

#include "daemon/base/error.h"
#include "daemon/base/tree.h"

#include <stdbool.h>

struct dialect; /* immutable after reading; may be shared by any number of benches */

struct dialect *dialect_read(struct tree *tree, struct error *err); /* borrows tree for the call */
void dialect_free(struct dialect *dialect);
const char *dialect_name(const struct dialect *dialect);
const char *dialect_role(const struct dialect *dialect); /* "load", "selector", "thermometer", "mains", "meter" */

/* What an instrument of this dialect can't do, a sentence each ("no communications time-out: nothing turns it off if the PC dies"); NULL after the last. */
const char *dialect_lacks(const struct dialect *dialect, size_t i);

#endif
