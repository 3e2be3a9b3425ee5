/*
 * The whole simulated bench in one handle: world, servers, and a wire per address with pacing and faults. PURE too:
 * this is the memory link. main.c puts the same handle behind pseudo-terminals and TCP sockets.
 *
 * Wire faults, by text line, at any moment: "wire ADDRESS FAULT [VALUE] [for N | until off]": drop, corrupt, duplicate,
 * truncate, delay MS, merge, stale, silence, hang-up, return-as NAME, garbage, nan, over-range, off. World faults go
 * through to world_fault(). "wire ... next" strikes the next answer only; a number strikes that many.
 */
#ifndef BRUNT_SIM_WIRE_SIM_H
#define BRUNT_SIM_WIRE_SIM_H

#include "sim/scpi/server.h"

enum { SIM_ADDRESSES_MAX = 12 };

struct sim;

/* tree: file with group `sim = { seed; world = {...} or world_file; addresses = ( { name; role; shape; first; count;
 * baud; answer_delay; pty; tcp; ... } ); }`. dir: where world_file is looked up if relative. seed_override: 0 take the
 * file's. */
struct sim *sim_new(struct tree *tree, const char *dir, uint64_t seed_override, struct error *err);
void sim_free(struct sim *sim);

struct world *sim_world(struct sim *sim);
size_t sim_addresses(const struct sim *sim);
const char *sim_address_name(const struct sim *sim, size_t address);
int sim_address_index(const struct sim *sim, const char *name); /* -1 none */
int sim_address_baud(const struct sim *sim, size_t address);    /* 0: unpaced */
bool sim_address_wants_pty(const struct sim *sim, size_t address);
int sim_address_tcp_port(const struct sim *sim, size_t address); /* -1: no TCP; 0: any */

/* Host to instrument, at now_us. Paced: byte i counts as arrived (i+1) * 10/baud later, behind what is still on its
 * way. */
void sim_write(struct sim *sim, size_t address, const void *bytes, size_t len, int64_t now_us);
/* Instrument to host: bytes whose last bit has arrived by now_us. */
size_t sim_read(struct sim *sim, size_t address, void *to, size_t size, int64_t now_us);
int64_t
sim_due_us(const struct sim *sim); /* next moment anything can happen on any wire; INT64_MAX: nothing under way */
void sim_advance(struct sim *sim, int64_t now_us);
bool sim_hung_up(const struct sim *sim, size_t address); /* fault hang-up in force: the link must look unplugged */

/* Like sim_due_us(), but bytes on a wire count only when `chunk` of them, or all that are under way, have arrived: for
 * a host that needn't wake up for each byte. */
int64_t sim_due_chunk_us(const struct sim *sim, size_t chunk);
/* How many bytes sim_write() takes at the moment; beyond that they are lost. */
size_t sim_write_room(const struct sim *sim, size_t address);
/* Name under which the host sees the link: the address's own until a return-as. */
const char *sim_address_link_name(const struct sim *sim, size_t address);
const char *sim_address_unix_name(const struct sim *sim, size_t address); /* "": no Unix socket */
/* true: bytes sent at any other speed than the address's baud rate are to arrive as rubbish (config key strict_baud).
 */
bool sim_address_strict_baud(const struct sim *sim, size_t address);

/* One command of the control socket: a fault, "truth PORT", "status", "help". Answer text into ret (JSON for truth and
 * status). */
int sim_command(struct sim *sim, const char *line, char *ret, size_t size, struct error *err);

#endif
