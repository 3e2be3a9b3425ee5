/* A world that stands still: remembers what it is told and answers what the test says. So that these tests judge bytes
 * and not physics. */
#ifndef TESTS_SCPI_WITH_WORLD_H
#define TESTS_SCPI_WITH_WORLD_H

#include "sim/scpi/server.h"

struct still_channel {
    bool on, power;
    enum world_load_mode mode;
    double levels[4], ranges[4], protects[32], slew;
    double volts, amps, watts;
    unsigned trips;
};

struct world {
    int64_t now_us;
    struct still_channel channels[2];
    double contract_volts, contract_amps;
    bool attached, settled, mains;
    double mains_volts;
    double celsius[4];
};

struct world *still_world(void); /* two channels, one port, four places; free with world_free() */

/* Sends text and collects what has been answered by a second later, when the test's clock stands then; the answer is
 * good until the next call. */
const char *say(struct server *server, const char *text);
int64_t now_us(void); /* the test's clock */
struct server *still_server(struct world *world, enum server_role role, enum server_shape shape);

#endif
