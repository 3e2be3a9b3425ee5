/* World, servers and wires as one thing that advances in order of what happens first. */
#include "sim/wire/own.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- reading ---- */

static int read_address(struct tree_at group, struct address *address, struct error *err)
{
    bool wired;
    if (server_setup_read(group, &address->setup, err) < 0)
        return -1;
    address->tcp_port = -1;
    wired = tree_has(group, "tcp") || tree_has(group, "unix");
    address->pty = !wired;
    if (tree_want_int(group, "baud", 0, 4000000, &address->baud, err) < 0 ||
        tree_want_bool(group, "pty", &address->pty, err) < 0 ||
        tree_want_bool(group, "strict_baud", &address->strict_baud, err) < 0 ||
        tree_want_int(group, "tcp", 0, 65535, &address->tcp_port, err) < 0)
        return -1;
    if (tree_has(group, "unix") &&
        tree_need_name(group, "unix", address->unix_name, sizeof address->unix_name, err) < 0)
        return -1;
    if (!text_copy(address->link_name, sizeof address->link_name, address->setup.name))
        return error_set(err, ERROR_FILE, "name %s is too long", address->setup.name);
    if (address->baud > 0 && address->baud < 50)
        return tree_refuse(group, err, "baud = %d, expected 0 (unpaced) or 50 to 4000000", address->baud);
    return 0;
}

static int start_address(struct sim *sim, size_t i, struct tree_at group, struct error *err)
{
    struct address *address = &sim->addresses[i];
    if (read_address(group, address, err) < 0)
        return -1;
    if (sim_address_index(sim, address->setup.name) >= 0)
        return tree_refuse(group, err, "the name %s is used twice, expected a name of its own", address->setup.name);
    address->server = server_new(&address->setup, sim->world, sim->seed + 101 * (i + 1), err);
    if (!address->server)
        return error_prefix(err, "%s:%d", tree_file(group.tree), tree_line(group));
    address->faults.random = sim->seed * 0x2545f4914f6cdd1du + i;
    address->in.baud = address->out.baud = address->baud;
    pace_clear(&address->in);
    pace_clear(&address->out);
    sim->count++;
    return 0;
}

static int world_from_file(struct sim *sim, const char *dir, const char *name, struct error *err)
{
    char path[1024];
    struct tree *tree;
    struct tree_at group;
    int result = -1;
    if (snprintf(path, sizeof path, "%s%s%s", name[0] == '/' ? "" : dir, name[0] == '/' ? "" : "/", name) >=
        (int)sizeof path)
        return error_set(err, ERROR_FILE, "world_file %s: the path is too long", name);
    tree = tree_read_file(path, err);
    if (!tree)
        return -1;
    group = tree_root(tree);
    if (!tree_has(group, "world") || tree_need_group(group, "world", &group, err) == 0) {
        sim->world = world_new(group, sim->seed, err);
        result = sim->world ? tree_all_taken(tree, err) : -1;
    }
    tree_free(tree);
    return result;
}

static int read_world(struct sim *sim, struct tree_at group, const char *dir, struct error *err)
{
    char name[256] = "";
    struct tree_at world;
    if (tree_has(group, "world") == tree_has(group, "world_file"))
        return tree_refuse(group, err, "has %s, expected either world or world_file",
                           tree_has(group, "world") ? "both world and world_file" : "neither world nor world_file");
    if (tree_has(group, "world_file"))
        return tree_need_text(group, "world_file", name, sizeof name, err) < 0 ? -1
                                                                               : world_from_file(sim, dir, name, err);
    if (tree_need_group(group, "world", &world, err) < 0)
        return -1;
    sim->world = world_new(world, sim->seed, err);
    return sim->world ? 0 : -1;
}

static int read_sim(struct sim *sim, struct tree *tree, const char *dir, uint64_t seed_override, struct error *err)
{
    struct tree_at group, list;
    int seed = 1;
    if (tree_need_group(tree_root(tree), "sim", &group, err) < 0 ||
        tree_want_int(group, "seed", 1, INT32_MAX, &seed, err) < 0)
        return -1;
    sim->seed = seed_override ? seed_override : (uint64_t)seed;
    if (read_world(sim, group, dir, err) < 0 ||
        tree_need_list(group, "addresses", 1, SIM_ADDRESSES_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++)
        if (start_address(sim, i, tree_member(list, i), err) < 0)
            return -1;
    sim->now_us = world_now_us(sim->world);
    return 0;
}

struct sim *sim_new(struct tree *tree, const char *dir, uint64_t seed_override, struct error *err)
{
    struct sim *sim = calloc(1, sizeof *sim);
    if (!sim) {
        error_set(err, ERROR_MEMORY, "no memory for a simulated bench");
        return NULL;
    }
    if (read_sim(sim, tree, dir ? dir : ".", seed_override, err) < 0) {
        sim_free(sim);
        return NULL;
    }
    return sim;
}

void sim_free(struct sim *sim)
{
    if (!sim)
        return;
    for (size_t i = 0; i < SIM_ADDRESSES_MAX; i++)
        server_free(sim->addresses[i].server);
    world_free(sim->world);
    free(sim);
}

/* ---- asking ---- */

struct world *sim_world(struct sim *sim)
{
    return sim->world;
}

size_t sim_addresses(const struct sim *sim)
{
    return sim->count;
}

const char *sim_address_name(const struct sim *sim, size_t address)
{
    return sim->addresses[address].setup.name;
}

int sim_address_index(const struct sim *sim, const char *name)
{
    for (size_t i = 0; i < sim->count; i++)
        if (strcmp(sim->addresses[i].setup.name, name) == 0)
            return (int)i;
    return -1;
}

int sim_address_baud(const struct sim *sim, size_t address)
{
    return sim->addresses[address].baud;
}

bool sim_address_wants_pty(const struct sim *sim, size_t address)
{
    return sim->addresses[address].pty;
}

int sim_address_tcp_port(const struct sim *sim, size_t address)
{
    return sim->addresses[address].tcp_port;
}

const char *sim_address_link_name(const struct sim *sim, size_t address)
{
    return sim->addresses[address].link_name;
}

const char *sim_address_unix_name(const struct sim *sim, size_t address)
{
    return sim->addresses[address].unix_name;
}

bool sim_address_strict_baud(const struct sim *sim, size_t address)
{
    return sim->addresses[address].strict_baud;
}

bool sim_hung_up(const struct sim *sim, size_t address)
{
    return sim->addresses[address].faults.left[WIRE_HANG_UP] != 0;
}

size_t sim_write_room(const struct sim *sim, size_t address)
{
    return pace_room(&sim->addresses[address].in);
}

/* ---- what the line does ---- */

static bool cut_off(const struct address *address)
{
    return address->faults.left[WIRE_HANG_UP] != 0 || address->faults.left[WIRE_SILENCE] != 0 || address->dead;
}

void address_hang_up(struct address *address)
{
    pace_clear(&address->in); /* what was on its way is gone; what the instrument has in its buffer stays there */
    pace_clear(&address->out);
}

void address_power(struct sim *sim, struct address *address, bool on, int64_t start_us)
{
    bool is_load = address->setup.role == SERVER_LOAD || address->setup.role == SERVER_ALL;
    size_t first = server_setup_of(address->server)->first, count = server_setup_of(address->server)->count;
    if (address->setup.role == SERVER_ALL)
        count = world_channels(sim->world);
    for (size_t c = first; is_load && c < first + count; c++)
        world_load_power(sim->world, c, on);
    server_tick(address->server, sim->now_us);
    if (is_load)
        return;
    address->dead = true;
    address->dead_until_us = on ? sim->now_us + start_us : INT64_MAX;
}

/* ---- time ---- */

static int64_t address_due_us(const struct address *address)
{
    int64_t in_us = pace_due_us(&address->in), server_us = server_due_us(address->server);
    int64_t due_us = in_us < server_us ? in_us : server_us;
    return address->dead && address->dead_until_us < due_us ? address->dead_until_us : due_us;
}

static void pass_line(struct address *address, int64_t now_us)
{
    struct wire_line line = {.delay_us = 0};
    bool echo = false;
    line.len = server_answer_line(address->server, line.text, WIRE_LINE_MAX, now_us, &echo);
    if (line.len == 0 || cut_off(address))
        return;
    if (!echo)
        wire_strike(&address->faults, &line);
    pace_put(&address->out, line.text, line.len, now_us + line.delay_us);
}

static void address_happen(struct address *address, int64_t now_us)
{
    char bytes[512];
    size_t len;
    if (address->dead && address->dead_until_us <= now_us) {
        address->dead = false;
        server_power_cycled(address->server, now_us);
    }
    while ((len = pace_take(&address->in, bytes, sizeof bytes, now_us)) > 0)
        if (!cut_off(address))
            server_bytes(address->server, bytes, len, now_us);
    if (server_due_us(address->server) <= now_us)
        pass_line(address, now_us);
}

static struct address *first_due(struct sim *sim, int64_t *ret_us)
{
    struct address *first = NULL;
    *ret_us = INT64_MAX;
    for (size_t i = 0; i < sim->count; i++) {
        int64_t due_us = address_due_us(&sim->addresses[i]);
        if (due_us < *ret_us) {
            *ret_us = due_us;
            first = &sim->addresses[i];
        }
    }
    return first;
}

void sim_advance(struct sim *sim, int64_t now_us)
{
    for (;;) {
        int64_t due_us;
        struct address *address = first_due(sim, &due_us);
        if (!address || due_us > now_us)
            break;
        if (due_us > sim->now_us)
            sim->now_us = due_us;
        world_advance(sim->world, sim->now_us);
        address_happen(address, sim->now_us);
    }
    if (now_us > sim->now_us)
        sim->now_us = now_us;
    world_advance(sim->world, sim->now_us);
    for (size_t i = 0; i < sim->count; i++)
        server_tick(sim->addresses[i].server, sim->now_us);
}

void sim_write(struct sim *sim, size_t address, const void *bytes, size_t len, int64_t now_us)
{
    sim_advance(sim, now_us);
    if (!cut_off(&sim->addresses[address]))
        pace_put(&sim->addresses[address].in, bytes, len, sim->now_us);
    if (sim->addresses[address].baud == 0)
        sim_advance(sim, now_us);
}

size_t sim_read(struct sim *sim, size_t address, void *to, size_t size, int64_t now_us)
{
    sim_advance(sim, now_us);
    return pace_take(&sim->addresses[address].out, to, size, now_us);
}

static int64_t least_us(int64_t a_us, int64_t b_us)
{
    return a_us < b_us ? a_us : b_us;
}

int64_t sim_due_chunk_us(const struct sim *sim, size_t chunk)
{
    int64_t first_us = INT64_MAX;
    for (size_t i = 0; i < sim->count; i++) {
        const struct address *address = &sim->addresses[i];
        first_us = least_us(first_us, pace_chunk_due_us(&address->in, chunk));
        first_us = least_us(first_us, pace_chunk_due_us(&address->out, chunk));
        first_us = least_us(first_us, server_due_us(address->server));
        first_us = least_us(first_us, address->dead ? address->dead_until_us : INT64_MAX);
    }
    return first_us;
}

int64_t sim_due_us(const struct sim *sim)
{
    return sim_due_chunk_us(sim, 1);
}
