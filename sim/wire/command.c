/* Commands of the control socket. docs/simulator-commands.md lists them for people. */
#include "sim/wire/own.h"

#include "daemon/base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { WORDS_MAX = 8, START_US = 2000000 };

struct words {
    size_t count;
    char *word[WORDS_MAX];
    char copy[256];
};

static bool split(const char *line, struct words *ret)
{
    char *rest = NULL;
    ret->count = 0;
    if (!text_copy(ret->copy, sizeof ret->copy, line))
        return false;
    for (char *word = strtok_r(ret->copy, " \t\r\n", &rest); word; word = strtok_r(NULL, " \t\r\n", &rest)) {
        if (ret->count == WORDS_MAX)
            return false;
        ret->word[ret->count++] = word;
    }
    return true;
}

static bool is(const struct words *words, size_t i, const char *text)
{
    return i < words->count && strcmp(words->word[i], text) == 0;
}

static struct address *address_of(struct sim *sim, const struct words *words, struct error *err)
{
    char names[400] = "";
    int i = words->count > 1 ? sim_address_index(sim, words->word[1]) : -1;
    if (i >= 0)
        return &sim->addresses[i];
    for (size_t k = 0; k < sim->count; k++)
        text_add(names, sizeof names, "%s%s", k ? ", " : "", sim->addresses[k].setup.name);
    error_set(err, ERROR_USAGE, "no address %s; there are %s", words->count > 1 ? words->word[1] : "given", names);
    return NULL;
}

/* "", "next", "for N", "until off" behind the fault. */
static int read_count(const struct words *words, size_t at, long *ret, struct error *err)
{
    long long count = WIRE_FOR_EVER;
    bool good = at == words->count;
    if (is(words, at, "next"))
        count = 1, good = at + 1 == words->count;
    else if (is(words, at, "until"))
        good = is(words, at + 1, "off") && at + 2 == words->count;
    else if (is(words, at, "for"))
        good = at + 2 == words->count && text_to_int64(words->word[at + 1], 1, 1000000, &count);
    if (!good)
        return error_set(err, ERROR_USAGE,
                         "%s isn't understood; behind the fault expected \"for N\", \"next\", \"until off\" or nothing",
                         words->word[at]);
    *ret = (long)count;
    return 0;
}

static int return_as(struct address *address, const struct words *words, struct error *err)
{
    if (words->count != 4 || !text_is_name(words->word[3]))
        return error_set(err, ERROR_USAGE, "return-as wants the new link name (letters, digits, - _ .)");
    text_copy(address->link_name, sizeof address->link_name, words->word[3]);
    address->faults.left[WIRE_HANG_UP] = 0;
    return 0;
}

static int begin_fault(struct address *address, enum wire_fault fault, const struct words *words, struct error *err)
{
    double delay_ms = 500.0;
    size_t at = 3;
    long count = 0;
    if (fault == WIRE_DELAY && at < words->count && text_to_double(words->word[at], &delay_ms))
        at++;
    if (!(delay_ms >= 0.0 && delay_ms <= 3600e3))
        return error_set(err, ERROR_USAGE, "a delay of %g ms; expected 0 to 3600000", delay_ms);
    if (is(words, at, "off") && at + 1 == words->count) {
        address->faults.left[fault] = 0;
        return 0;
    }
    if (read_count(words, at, &count, err) < 0)
        return -1;
    if (count != WIRE_FOR_EVER && !wire_fault_is_of_answers(fault))
        return error_set(err, ERROR_USAGE, "%s has no number of answers; end it with \"off\"", wire_fault_name(fault));
    if (fault == WIRE_DELAY)
        address->faults.delay_ms = delay_ms;
    address->faults.left[fault] = count;
    if (fault == WIRE_HANG_UP)
        address_hang_up(address);
    return 0;
}

static int wire_command(struct sim *sim, const struct words *words, struct error *err)
{
    struct address *address = address_of(sim, words, err);
    if (!address)
        return -1;
    if (is(words, 2, "off") && words->count == 3) {
        wire_faults_off(&address->faults);
        return 0;
    }
    if (is(words, 2, "return-as"))
        return return_as(address, words, err);
    for (int i = 0; i < WIRE_FAULTS; i++)
        if (is(words, 2, wire_fault_name((enum wire_fault)i)))
            return begin_fault(address, (enum wire_fault)i, words, err);
    return error_set(err, ERROR_USAGE, "no wire fault %s; \"help\" lists them",
                     words->count > 2 ? words->word[2] : "given");
}

static int power_command(struct sim *sim, const struct words *words, struct error *err)
{
    struct address *address = address_of(sim, words, err);
    if (!address)
        return -1;
    if (words->count != 3 || !(is(words, 2, "off") || is(words, 2, "on") || is(words, 2, "cycle")))
        return error_set(err, ERROR_USAGE, "power ADDRESS off, on or cycle");
    if (!is(words, 2, "on"))
        address_power(sim, address, false, 0);
    if (!is(words, 2, "off"))
        address_power(sim, address, true, START_US);
    return 0;
}

/* ---- what is so ---- */

static void add_number(char *to, size_t size, const char *name, double value)
{
    if (isfinite(value))
        text_add(to, size, ",\"%s\":%.9g", name, value);
    else
        text_add(to, size, ",\"%s\":null", name);
}

static const char *boolean(bool value)
{
    return value ? "true" : "false";
}

static int truth_command(struct sim *sim, const struct words *words, char *ret, size_t size, struct error *err)
{
    static const char *const behaviours[] = {"constant-current", "foldback",   "constant-power", "hiccup",
                                             "latch-off",        "hard-reset", "fall-back"};
    _Static_assert(sizeof behaviours / sizeof behaviours[0] == LIMITS, "a limit behaviour has no word");
    struct world_truth t;
    long long port;
    if (words->count != 2 || !text_to_int64(words->word[1], 1, (long long)world_ports(sim->world), &port))
        return error_set(err, ERROR_USAGE, "truth wants a port, 1 to %zu", world_ports(sim->world));
    world_truth(sim->world, (size_t)port - 1, &t);
    text_add(ret, size, "{\"port\":%lld,\"now_us\":%lld", port, (long long)sim->now_us);
    add_number(ret, size, "volts", t.volts);
    add_number(ret, size, "amps", t.amps);
    add_number(ret, size, "limit_amps", t.limit_amps);
    text_add(ret, size, ",\"behaviour\":\"%s\",\"output_on\":%s,\"latched\":%s,\"in_limit\":%s",
             behaviours[t.behaviour], boolean(t.output_on), boolean(t.latched), boolean(t.in_limit));
    add_number(ret, size, "contract_volts", t.contract_volts);
    add_number(ret, size, "hot_celsius", t.hot_celsius);
    add_number(ret, size, "joules_in", t.joules_in);
    add_number(ret, size, "joules_out", t.joules_out);
    add_number(ret, size, "joules_lost", t.joules_lost);
    add_number(ret, size, "joules_stored", t.joules_stored);
    text_add(ret, size, "}");
    return 0;
}

static void add_address(const struct sim *sim, size_t i, char *ret, size_t size)
{
    const struct address *address = &sim->addresses[i];
    bool any = false;
    text_add(ret, size, "%s{\"name\":\"%s\",\"link\":\"%s\",\"baud\":%d,\"hung_up\":%s,\"faults\":[", i ? "," : "",
             address->setup.name, address->link_name, address->baud, boolean(sim_hung_up(sim, i)));
    for (int f = 0; f < WIRE_FAULTS; f++)
        if (address->faults.left[f] != 0) {
            text_add(ret, size, "%s\"%s\"", any ? "," : "", wire_fault_name((enum wire_fault)f));
            any = true;
        }
    text_add(ret, size, "]}");
}

static int status_command(struct sim *sim, const struct words *words, char *ret, size_t size, struct error *err)
{
    (void)words, (void)err;
    text_add(ret, size, "{\"now_us\":%lld,\"mains\":%s,\"channels\":[", (long long)sim->now_us,
             boolean(world_mains_is_on(sim->world)));
    for (size_t c = 0; c < world_channels(sim->world); c++)
        text_add(
            ret, size,
            "%s{\"channel\":%zu,\"port\":%d,\"input\":%s,\"conducts\":%s,\"power\":%s,\"trips\":%u,\"set_amps\":%.6g}",
            c ? "," : "", c + 1, world_port_of_channel(sim->world, c) + 1,
            boolean(world_load_input_is_on(sim->world, c)), boolean(world_load_conducts(sim->world, c)),
            boolean(world_load_has_power(sim->world, c)), world_load_trips(sim->world, c),
            world_load_set_now(sim->world, c, WORLD_CURRENT));
    text_add(ret, size, "],\"addresses\":[");
    for (size_t i = 0; i < sim->count; i++)
        add_address(sim, i, ret, size);
    text_add(ret, size, "]}");
    return 0;
}

static int help_command(struct sim *sim, const struct words *words, char *ret, size_t size, struct error *err)
{
    (void)sim, (void)words, (void)err;
    text_add(ret, size,
             "status; truth PORT; power ADDRESS off|on|cycle; wire ADDRESS off; wire ADDRESS return-as NAME; wire "
             "ADDRESS FAULT [for N|next|until off], FAULT one of:");
    for (int f = 0; f < WIRE_FAULTS; f++)
        text_add(ret, size, " %s%s", wire_fault_name((enum wire_fault)f), f == WIRE_DELAY ? " MS" : "");
    text_add(ret, size, "; of the world: ");
    text_add(ret, size, "%s", world_fault_help());
    for (char *c = ret; *c; c++)
        *c = *c == '\n' ? ';' : *c; /* one line */
    return 0;
}

int sim_command(struct sim *sim, const char *line, char *ret, size_t size, struct error *err)
{
    static const struct {
        const char *word;
        int (*tell)(struct sim *, const struct words *, char *, size_t, struct error *);
        int (*act)(struct sim *, const struct words *, struct error *);
    } rows[] = {
        {"status", status_command, NULL}, {"truth", truth_command, NULL}, {"help", help_command, NULL},
        {"wire", NULL, wire_command},     {"power", NULL, power_command},
    };
    struct words words;
    if (size > 0)
        ret[0] = '\0';
    if (!split(line, &words) || words.count == 0)
        return error_set(err, ERROR_USAGE, "an empty or overlong command; \"help\" lists them");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        if (is(&words, 0, rows[i].word)) {
            if (rows[i].tell)
                return rows[i].tell(sim, &words, ret, size, err);
            text_copy(ret, size, "ok");
            return rows[i].act(sim, &words, err);
        }
    text_copy(ret, size, "ok");
    return world_fault(sim->world, line, err);
}
