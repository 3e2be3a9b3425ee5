/* The address itself: input buffer, answers on their way, power, communications time-out. What messages mean stands in
 * message.c and terse.c. */
#include "sim/scpi/own.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const role_words[] = {"load", "selector", "thermometer", "mains", "meter", "power-meter", "all"};
static const char *const shape_words[] = {"standard", "terse", "late"};
static const int64_t shape_delay_us[] = {2000, 5000, 80000};
_Static_assert(sizeof role_words / sizeof role_words[0] == SERVER_ROLES, "a role has no word");
_Static_assert(sizeof shape_words / sizeof shape_words[0] == SHAPES, "a shape has no word");
_Static_assert(sizeof shape_delay_us / sizeof shape_delay_us[0] == SHAPES, "a shape has no delay");

int server_setup_read(struct tree_at group, struct server_setup *ret, struct error *err)
{
    struct server_setup setup = {.answer_delay_us = -1};
    int role = 0, shape = SHAPE_STANDARD, first = 1, count = 0;
    if (tree_need_name(group, "name", setup.name, sizeof setup.name, err) < 0 ||
        tree_need_word(group, "role", role_words, SERVER_ROLES, &role, err) < 0 ||
        tree_want_word(group, "shape", shape_words, SHAPES, &shape, err) < 0 ||
        tree_want_int(group, "first", 1, WORLD_PLACES_MAX, &first, err) < 0 ||
        tree_want_int(group, "count", 1, WORLD_PLACES_MAX, &count, err) < 0 ||
        tree_want_duration(group, "answer_delay", 0, 60 * US_PER_S, &setup.answer_delay_us, err) < 0 ||
        tree_want_duration(group, "communications_timeout", 100 * US_PER_MS, 3600 * US_PER_S,
                           &setup.communications_timeout_us, err) < 0)
        return -1;
    setup.role = (enum server_role)role;
    setup.shape = (enum server_shape)shape;
    setup.first = (size_t)first - 1;
    setup.count = (size_t)count;
    if (setup.answer_delay_us < 0)
        setup.answer_delay_us = shape_delay_us[shape];
    *ret = setup;
    return 0;
}

static size_t world_has(const struct world *world, enum server_role role)
{
    switch (role) {
    case SERVER_LOAD:
        return world_channels(world);
    case SERVER_SELECTOR:
    case SERVER_METER:
        return world_ports(world);
    case SERVER_THERMOMETER:
        return world_places(world);
    case SERVER_MAINS:
    case SERVER_POWER_METER:
    case SERVER_ALL:
    case SERVER_ROLES:
        break;
    }
    return 1;
}

bool server_has_role(const struct server *server, enum server_role role)
{
    return server->setup.role == role || server->setup.role == SERVER_ALL;
}

size_t server_span(const struct server *server, enum server_role role, size_t *ret_first)
{
    *ret_first = 0;
    if (!server_has_role(server, role))
        return 0;
    if (server->setup.role == SERVER_ALL)
        return world_has(server->world, role);
    *ret_first = server->setup.first;
    return server->setup.count;
}

static bool powered(const struct server *server)
{
    size_t first, count = server_span(server, SERVER_LOAD, &first);
    return count == 0 || world_load_has_power(server->world, first);
}

static void start_up(struct server *server)
{
    status_power_on(&server->status);
    server->input_len = server->output_len = server->segment_count = 0;
    server->input_overrun = server->timed_out = false;
    server->selected = 0;
    server->terse_error = 0;
    server->timeout_us = server->setup.communications_timeout_us;
    server->heard_us = server->now_us;
    memset(server->trip_levels, 0, sizeof server->trip_levels);
    memset(server->slews, 0, sizeof server->slews);
}

struct server *server_new(const struct server_setup *setup, struct world *world, uint64_t seed, struct error *err)
{
    struct server *server;
    size_t has = world_has(world, setup->role), first = setup->role == SERVER_ALL ? 0 : setup->first;
    if (first >= has || setup->count > has - first) {
        error_set(err, ERROR_FILE, "address %s: %s %zu to %zu, but the world has only %zu", setup->name,
                  role_words[setup->role], first + 1, first + (setup->count ? setup->count : 1), has);
        return NULL;
    }
    server = calloc(1, sizeof *server);
    if (!server) {
        error_set(err, ERROR_MEMORY, "no memory for the address %s", setup->name);
        return NULL;
    }
    server->setup = *setup;
    server->setup.first = first;
    server->setup.count = setup->count ? setup->count : has - first;
    server->world = world;
    server->random = seed ^ 0x9e3779b97f4a7c15u;
    server->now_us = world_now_us(world);
    start_up(server);
    server->has_power = powered(server);
    return server;
}

void server_free(struct server *server)
{
    free(server);
}

const struct server_setup *server_setup_of(const struct server *server)
{
    return &server->setup;
}

void server_power_cycled(struct server *server, int64_t now_us)
{
    if (now_us > server->now_us)
        server->now_us = now_us;
    start_up(server);
    server->has_power = powered(server);
}

/* ---- answers ---- */

static uint64_t next_random(uint64_t *state) /* splitmix64, public domain */
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static const char *line_end(struct server *server)
{
    if (server->setup.shape == SHAPE_STANDARD)
        return "\n";
    if (server->setup.shape == SHAPE_TERSE)
        return "\r\n";
    return next_random(&server->random) & 1 ? "\r\n" : "\n\r";
}

static void put_line(struct server *server, const char *text, size_t len, int64_t delay_us, bool echo)
{
    const char *end = line_end(server);
    size_t end_len = strlen(end);
    int64_t last_us = server->segment_count ? server->segments[server->segment_count - 1].due_us : server->now_us;
    struct segment *segment = &server->segments[server->segment_count];
    if (server->segment_count == SEGMENTS_MAX || len + end_len > OUTPUT_MAX - server->output_len) {
        status_error(&server->status, -430, NULL, 0); /* nobody reads: the whole answer is given up, never half of it */
        return;
    }
    memcpy(server->output + server->output_len, text, len);
    memcpy(server->output + server->output_len + len, end, end_len);
    server->output_len += len + end_len;
    *segment = (struct segment){
        .due_us = (last_us > server->now_us ? last_us : server->now_us) + delay_us, .len = len + end_len, .echo = echo};
    server->segment_count++;
}

void server_say(struct server *server, const char *text, size_t len)
{
    put_line(server, text, len, server->setup.answer_delay_us, false);
}

/* Takes up to size bytes off the oldest line; the segment goes when its last byte went. */
static size_t take_output(struct server *server, char *to, size_t size)
{
    struct segment *oldest = &server->segments[0];
    size_t len = oldest->len < size ? oldest->len : size;
    memcpy(to, server->output, len);
    server->output_len -= len;
    memmove(server->output, server->output + len, server->output_len);
    oldest->len -= len;
    if (oldest->len == 0) {
        server->segment_count--;
        memmove(server->segments, server->segments + 1, server->segment_count * sizeof server->segments[0]);
    }
    return len;
}

size_t server_answer(struct server *server, void *to, size_t size, int64_t now_us)
{
    size_t len = 0;
    server_tick(server, now_us);
    while (len < size && server->segment_count > 0 && server->segments[0].due_us <= now_us)
        len += take_output(server, (char *)to + len, size - len);
    return len;
}

size_t server_answer_line(struct server *server, void *to, size_t size, int64_t now_us, bool *ret_echo)
{
    server_tick(server, now_us);
    if (server->segment_count == 0 || server->segments[0].due_us > now_us)
        return 0;
    *ret_echo = server->segments[0].echo;
    return take_output(server, to, size);
}

/* ---- messages ---- */

bool message_byte_is_legal(char c)
{
    static const char others[] = " \t\r_:;,?*#@()+-./\"'";
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
           (c != '\0' && strchr(others, c) != NULL);
}

static void end_message(struct server *server)
{
    size_t len = server->input_len;
    server->input_len = 0;
    server_refresh(server);
    if (server->setup.shape == SHAPE_LATE && len > 0)
        put_line(server, server->input, len, 0, true);
    if (server->input_overrun) { /* dropped whole: its tail must not pass for a message of its own */
        server->input_overrun = false;
        status_error(&server->status, -363, NULL, 0);
        server->terse_error = 4;
        return;
    }
    if (server->setup.shape == SHAPE_TERSE)
        terse_obey(server, server->input, len);
    else
        message_obey(server, server->input, len);
}

static void one_byte(struct server *server, char c)
{
    size_t max = server->setup.shape == SHAPE_TERSE ? INPUT_MAX_TERSE : INPUT_MAX;
    if (c == '\n' || (c == '\r' && server->setup.shape == SHAPE_TERSE)) {
        end_message(server);
        return;
    }
    if (server->input_len == max)
        server->input_overrun = true;
    else
        server->input[server->input_len++] = c;
}

void server_bytes(struct server *server, const void *bytes, size_t len, int64_t now_us)
{
    server_tick(server, now_us);
    for (size_t i = 0; server->has_power && i < len; i++)
        one_byte(server, ((const char *)bytes)[i]);
}

/* ---- time ---- */

void server_refresh(struct server *server)
{
    static const struct {
        unsigned trip, bit;
    } map[] = {{TRIP_OVER_VOLTAGE, 1},
               {TRIP_OVER_CURRENT, 2},
               {TRIP_OVER_POWER, 8},
               {TRIP_OVER_TEMPERATURE, 16},
               {TRIP_UNDER_VOLTAGE, 512}};
    size_t first, count = server_span(server, SERVER_LOAD, &first);
    unsigned trips = 0, questionable = 0, operation = 0;
    for (size_t c = first; c < first + count; c++)
        trips |= world_load_trips(server->world, c);
    for (size_t i = 0; i < sizeof map / sizeof map[0]; i++)
        questionable |= trips & map[i].trip ? map[i].bit : 0;
    count = server_span(server, SERVER_SELECTOR, &first);
    for (size_t p = first; p < first + count; p++)
        operation |= world_settled(server->world, p) ? 0u : 2u; /* settling */
    status_condition(&server->status.questionable, questionable);
    status_condition(&server->status.operation, operation);
}

static int64_t timeout_at_us(const struct server *server)
{
    if (server->timeout_us <= 0 || server->timed_out || !server->has_power || !server_has_role(server, SERVER_LOAD))
        return NEVER_US;
    return server->heard_us + server->timeout_us;
}

static void watch_power(struct server *server)
{
    bool has = powered(server);
    if (has && !server->has_power) {
        start_up(server);
    } else if (!has) {
        server->input_len = server->output_len = server->segment_count = 0;
        server->input_overrun = false;
    }
    server->has_power = has;
}

void server_tick(struct server *server, int64_t now_us)
{
    int64_t timeout_us = timeout_at_us(server);
    if (timeout_us <= now_us) { /* at its own moment, however late somebody looks */
        world_advance(server->world, timeout_us);
        load_all_off(server);
        server->timed_out = true;
        status_error(&server->status, -365, NULL, 0);
    }
    world_advance(server->world, now_us);
    if (now_us > server->now_us)
        server->now_us = now_us;
    watch_power(server);
}

int64_t server_due_us(const struct server *server)
{
    int64_t due_us = timeout_at_us(server);
    if (server->segment_count > 0 && server->segments[0].due_us < due_us)
        due_us = server->segments[0].due_us;
    return due_us;
}
