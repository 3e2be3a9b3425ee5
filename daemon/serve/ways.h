/*
 * The ways off of a bench, stated for each way to die. A row without a way is said plainly, and makes the bench "attended"; so does a way that could be drilled and wasn't.
 */
#ifndef BRUNT_SERVE_WAYS_H
#define BRUNT_SERVE_WAYS_H

#include "daemon/plan/plan.h"

#include <jansson.h>

enum way { WAY_LOAD, WAY_DAEMON, WAY_GUARD, WAY_MAINS, WAY_CUTOFF, WAYS };
enum death { DEATH_CLIENT, DEATH_DAEMON_KILLED, DEATH_DAEMON_HUNG, DEATH_LINK, DEATH_POWER_CYCLE, DEATH_SHORTED, DEATH_PC, DEATHS };

struct ways_facts {
    bool has_load;
    bool load_timeout;      /* every load has its own communications time-out, set and acknowledged */
    bool guard;             /* connected */
    bool mains;             /* the bench has a mains switch */
    bool mains_other_line;  /* and it is on another line than every load: still there when the load's line is pulled */
    bool cutoff;            /* hardware thermal cut-off declared */
    bool drilled;           /* all that can be drilled has been, since the lines were opened */
    bool mains_drilled;
};

bool ways_has(const struct ways_facts *facts, enum death death, enum way way);
bool ways_none(const struct ways_facts *facts, enum death death);
/* "unattended" only if no row is empty and the drill was passed; *why (may be NULL) says what is missing. */
const char *ways_class(const struct ways_facts *facts, char *why, size_t size);
/* {"class", "why", "ways_off": [{"death", "ways": [{"way", "how"}], "none", "text"}]}; NULL: no memory. */
json_t *ways_to_json(const struct ways_facts *facts);

#endif
