#include "daemon/serve/ways.h"

#include "daemon/base/text.h"

#include <stdio.h>

static const char *const way_names[WAYS] = {
    [WAY_LOAD] = "load", [WAY_DAEMON] = "daemon", [WAY_GUARD] = "guard", [WAY_MAINS] = "mains switch", [WAY_CUTOFF] = "hardware cut-off"};

static const char *const death_names[DEATHS] = {
    [DEATH_CLIENT] = "client died",
    [DEATH_DAEMON_KILLED] = "daemon killed",
    [DEATH_DAEMON_HUNG] = "daemon hung",
    [DEATH_LINK] = "link pulled",
    [DEATH_POWER_CYCLE] = "instrument power-cycled with its input on",
    [DEATH_SHORTED] = "load's power stage shorted",
    [DEATH_PC] = "computer without power",
};

/* What a way does in that death; NULL: nothing, whatever the bench has. The cut-off acts on heat, the load's time-out on silence. */
static const char *const hows[DEATHS][WAYS] = {
    [DEATH_CLIENT] = {[WAY_DAEMON] = "the run goes on under the daemon and ends as its profile says"},
    [DEATH_DAEMON_KILLED] = {[WAY_LOAD] = "its communications time-out turns the input off",
                             [WAY_GUARD] = "sends off on the descriptors it holds, again until confirmed",
                             [WAY_CUTOFF] = "takes the mains away when it gets hot"},
    [DEATH_DAEMON_HUNG] = {[WAY_LOAD] = "its communications time-out turns the input off",
                           [WAY_GUARD] = "misses the heartbeat for 1 s: off, and the hung daemon is killed",
                           [WAY_CUTOFF] = "takes the mains away when it gets hot"},
    [DEATH_LINK] = {[WAY_LOAD] = "its communications time-out turns the input off",
                    [WAY_MAINS] = "the daemon switches the mains off over its own line",
                    [WAY_CUTOFF] = "takes the mains away when it gets hot"},
    [DEATH_POWER_CYCLE] = {[WAY_DAEMON] = "finds the input on though it was ordered off, and turns it off",
                           [WAY_MAINS] = "off if the input stays on",
                           [WAY_CUTOFF] = "takes the mains away when it gets hot"},
    [DEATH_SHORTED] = {[WAY_MAINS] = "off when more than 2 % of range flows a second after off",
                       [WAY_CUTOFF] = "takes the mains away when it gets hot"},
    [DEATH_PC] = {[WAY_LOAD] = "its communications time-out turns the input off",
                  [WAY_CUTOFF] = "takes the mains away when it gets hot"},
};

static bool present(const struct ways_facts *facts, enum death death, enum way way)
{
    switch (way) {
    case WAY_LOAD:
        return facts->has_load && facts->load_timeout;
    case WAY_DAEMON:
        return true;
    case WAY_GUARD:
        return facts->guard;
    case WAY_MAINS:
        return facts->mains && (death != DEATH_LINK || facts->mains_other_line);
    case WAY_CUTOFF:
        return facts->cutoff;
    case WAYS:
        break;
    }
    return false;
}

bool ways_has(const struct ways_facts *facts, enum death death, enum way way)
{
    return hows[death][way] && present(facts, death, way);
}

bool ways_none(const struct ways_facts *facts, enum death death)
{
    for (int way = 0; way < WAYS; way++)
        if (ways_has(facts, death, (enum way)way))
            return false;
    return true;
}

const char *ways_class(const struct ways_facts *facts, char *why, size_t size)
{
    char text[SENTENCE_SIZE * 2] = "";
    for (int death = 0; death < DEATHS; death++)
        if (ways_none(facts, (enum death)death))
            text_add(text, sizeof text, "%s%s", text[0] ? ", " : "nothing turns the load off if: ", death_names[death]);
    if (!facts->drilled)
        text_add(text, sizeof text, "%sthe ways off have not been drilled since the lines were opened: run `brunt drill`", text[0] ? "; " : "");
    else if (facts->mains && !facts->mains_drilled)
        text_add(text, sizeof text, "%sthe mains switch has not been drilled: run `brunt drill --mains`", text[0] ? "; " : "");
    if (why)
        text_cut(why, size, text);
    return text[0] ? "attended" : "unattended";
}

static json_t *row_to_json(const struct ways_facts *facts, enum death death)
{
    json_t *ways = json_array();
    for (int way = 0; way < WAYS; way++)
        if (ways_has(facts, death, (enum way)way))
            json_array_append_new(ways, json_pack("{s:s, s:s}", "way", way_names[way], "how", hows[death][way]));
    bool none = ways_none(facts, death);
    return json_pack("{s:s, s:o, s:b}", "death", death_names[death], "ways", ways, "none", none);
}

json_t *ways_to_json(const struct ways_facts *facts)
{
    char why[SENTENCE_SIZE * 2];
    const char *class = ways_class(facts, why, sizeof why);
    json_t *rows = json_array();
    for (int death = 0; death < DEATHS; death++)
        json_array_append_new(rows, row_to_json(facts, (enum death)death));
    return json_pack("{s:s, s:s, s:o}", "class", class, "why", why, "ways_off", rows);
}
