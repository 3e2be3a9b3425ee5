/* Where the daemon keeps its things, and that it is alone there. Blocking; before the loop runs. */
#ifndef BRUNT_SERVE_PLACE_H
#define BRUNT_SERVE_PLACE_H

#include "daemon/base/error.h"

#include <stddef.h>

/* /var/lib/brunt (root), $XDG_STATE_HOME/brunt, ~/.local/state/brunt. */
int place_default_dir(char *ret, size_t size, struct error *err);
/* What stands beside our own executable: "brunt-guard", "../share/brunt/dialects". "" if it isn't there. */
void place_beside(const char *name, char *ret, size_t size);
/* The first of the installed and the built-from-source dialect folders that exists; "" none. */
void place_default_dialects(char *ret, size_t size);
/* mkdir -p; what exists stays as it is. */
int place_make(const char *dir, unsigned mode, struct error *err);
/* The same for the folder that `path` is in. */
int place_make_for(const char *path, unsigned mode, struct error *err);
/* Takes DIR/lock for the life of the process and writes our pid there. ERROR_BUSY: "already running, pid N"; *ret_pid (may be NULL) is N, 0 unknown. Gives the descriptor, -1 on failure. */
int place_lock(const char *dir, long *ret_pid, struct error *err);

#endif
