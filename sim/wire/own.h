/* What the files of this room share. */
#ifndef BRUNT_SIM_WIRE_OWN_H
#define BRUNT_SIM_WIRE_OWN_H

#include "sim/wire/fault.h"
#include "sim/wire/pace.h"
#include "sim/wire/sim.h"

struct address {
    struct server *server;
    struct server_setup setup;
    int baud, tcp_port;
    bool pty, strict_baud;
    char unix_name[64], link_name[64];
    struct wire_faults faults;
    struct pace in, out;   /* host to instrument, instrument to host */
    int64_t dead_until_us; /* an instrument that isn't a load, without power; INT64_MAX: until switched on */
    bool dead;
};

struct sim {
    struct world *world;
    size_t count;
    struct address addresses[SIM_ADDRESSES_MAX];
    int64_t now_us;
    uint64_t seed;
};

/* Hang-up, silence, power: what they do beside the flag. */
void address_hang_up(struct address *address);
void address_power(struct sim *sim, struct address *address, bool on, int64_t start_us);

#endif
