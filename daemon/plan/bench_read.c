/* The bench file: group `bench`, its instruments. Seats and probes are in seats_read.c. */
#include "daemon/plan/bench_read.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- links ---- */

static int refuse_link(struct tree_at at, const char *text, struct error *err)
{
    return tree_refuse(at, err,
                       "link is \"%s\", expected \"serial:/dev/serial/by-id/...\", \"pty:/path\", \"pty:./path\", \"tcp:host:port\" or "
                       "\"memory:name\"",
                       text);
}

/* A path that doesn't begin with '/' is looked up from the folder of the bench file, so that a bench can be moved with its files. */
static bool beside_bench_file(const char *file, const char *path, char *to, size_t size)
{
    const char *slash = strrchr(file, '/');
    to[0] = '\0';
    if (path[0] == '/')
        return text_copy(to, size, path);
    while (strncmp(path, "./", 2) == 0)
        path += 2;
    if (!slash)
        return text_add(to, size, "./%s", path);
    return text_add(to, size, "%.*s/%s", (int)(slash - file), file, path);
}

static bool is_tcp_address(const char *address)
{
    const char *colon = strrchr(address, ':');
    long long port;
    return colon && colon > address && text_to_int64(colon + 1, 1, 65535, &port) && !strpbrk(address, " /");
}

static int read_link(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    char text[ADDRESS_SIZE];
    if (tree_need_text(at, "link", text, sizeof text, err) < 0)
        return -1;
    for (int kind = 0; kind < LINK_KINDS; kind++) {
        size_t len = strlen(link_kind_words[kind]);
        const char *address = text + len + 1;
        bool good = false;
        if (strncmp(text, link_kind_words[kind], len) != 0 || text[len] != ':')
            continue;
        ret->link = (enum link_kind)kind;
        if (kind == LINK_SERIAL)
            good = address[0] == '/' && text_copy(ret->address, sizeof ret->address, address);
        else if (kind == LINK_PTY)
            good = address[0] && beside_bench_file(tree_file(at.tree), address, ret->address, sizeof ret->address);
        else if (kind == LINK_TCP)
            good = is_tcp_address(address) && text_copy(ret->address, sizeof ret->address, address);
        else
            good = text_is_name(address) && text_copy(ret->address, sizeof ret->address, address);
        return good ? 0 : refuse_link(at, text, err);
    }
    return refuse_link(at, text, err);
}

static int read_line(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    static const char *const parities[] = {[PARITY_NONE] = "none", [PARITY_EVEN] = "even", [PARITY_ODD] = "odd"};
    static const char *const flows[] = {[FLOW_NONE] = "none", [FLOW_RTS_CTS] = "rts-cts", [FLOW_XON_XOFF] = "xon-xoff"};
    struct tree_at line;
    int parity = PARITY_NONE, flow = FLOW_NONE;
    ret->line = (struct line_settings){.data_bits = 8, .stop_bits = 1};
    if (ret->link == LINK_TCP && tree_has(at, "line"))
        return tree_refuse(at, err, "has a line, expected none with a tcp link");
    if (ret->link != LINK_SERIAL && !tree_has(at, "line"))
        return 0;
    if (tree_need_group(at, "line", &line, err) < 0 || tree_need_int(line, "baud", 300, 4000000, &ret->line.baud, err) < 0
        || tree_want_int(line, "data_bits", 7, 8, &ret->line.data_bits, err) < 0
        || tree_want_int(line, "stop_bits", 1, 2, &ret->line.stop_bits, err) < 0
        || tree_want_word(line, "parity", parities, COUNT(parities), &parity, err) < 0
        || tree_want_word(line, "flow", flows, COUNT(flows), &flow, err) < 0)
        return -1;
    ret->line.parity = (enum parity)parity;
    ret->line.flow = (enum flow)flow;
    return 0;
}

/* ---- ratings and accuracy ---- */

static int read_load_ratings(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    struct tree_at ratings;
    if (tree_need_group(at, "ratings", &ratings, err) < 0 || tree_need_number(ratings, "max_volts", 0.1, 1000.0, &ret->max_volts, err) < 0
        || tree_need_number(ratings, "max_amps", 0.01, 1000.0, &ret->max_amps, err) < 0
        || tree_need_number(ratings, "max_watts", 0.1, 50000.0, &ret->max_watts, err) < 0
        || tree_need_number(ratings, "min_volts", 0.0, 100.0, &ret->min_volts, err) < 0
        || tree_want_bool(ratings, "constant_voltage_mode", &ret->constant_voltage_mode, err) < 0
        || tree_want_bool(ratings, "constant_resistance_mode", &ret->constant_resistance_mode, err) < 0)
        return -1;
    if (ret->min_volts >= ret->max_volts)
        return tree_refuse(ratings, err, "has min_volts %.3f V, expected less than max_volts (%.3f V)", ret->min_volts, ret->max_volts);
    return 0;
}

/* A selector's own path for the current, where the bench file states one. */
static int read_selector_ratings(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    struct tree_at ratings;
    if (!tree_has(at, "ratings"))
        return 0;
    if (tree_need_group(at, "ratings", &ratings, err) < 0 || tree_need_number(ratings, "max_volts", 0.1, 1000.0, &ret->max_volts, err) < 0
        || tree_need_number(ratings, "max_amps", 0.01, 1000.0, &ret->max_amps, err) < 0)
        return -1;
    return 0;
}

static int read_accuracy(struct tree_at at, const char *key, const char *range_key, double range, struct accuracy *ret, struct error *err)
{
    struct tree_at group;
    ret->range = range;
    if (tree_need_group(at, key, &group, err) < 0
        || tree_need_number(group, "percent_of_reading", 0.0, 20.0, &ret->percent_of_reading, err) < 0
        || tree_need_number(group, "percent_of_range", 0.0, 20.0, &ret->percent_of_range, err) < 0
        || tree_want_number(group, range_key, 0.001, 10000.0, &ret->range, err) < 0)
        return -1;
    return 0;
}

static int read_load(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    struct tree_at accuracy;
    if (tree_want_int(at, "channels", 1, CHANNELS_MAX, &ret->channels, err) < 0 || read_load_ratings(at, ret, err) < 0
        || tree_need_group(at, "accuracy", &accuracy, err) < 0
        || read_accuracy(accuracy, "volts", "range_volts", ret->max_volts, &ret->volts, err) < 0
        || read_accuracy(accuracy, "amps", "range_amps", ret->max_amps, &ret->amps, err) < 0
        || tree_want_duration(at, "communications_timeout", 0, 600 * US_PER_S, &ret->communications_timeout_us, err) < 0)
        return -1;
    return 0;
}

static int read_selector(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    if (tree_want_int(at, "channels", 1, CHANNELS_MAX, &ret->channels, err) < 0)
        return -1;
    return read_selector_ratings(at, ret, err);
}

static int read_thermometer(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    struct tree_at accuracy, range;
    ret->min_celsius = 0.0;
    ret->max_celsius = 200.0;
    if (tree_need_int(at, "channels", 1, CHANNELS_MAX, &ret->channels, err) < 0 || tree_need_group(at, "accuracy", &accuracy, err) < 0
        || tree_need_number(accuracy, "kelvin", 0.0, 20.0, &ret->celsius_accuracy, err) < 0
        || tree_want_number(at, "isolation_volts", 0.0, 5000.0, &ret->isolation_volts, err) < 0)
        return -1;
    if (!tree_has(at, "range"))
        return 0;
    if (tree_need_group(at, "range", &range, err) < 0 || tree_need_number(range, "min_celsius", -250.0, 100.0, &ret->min_celsius, err) < 0
        || tree_need_number(range, "max_celsius", 0.0, 1700.0, &ret->max_celsius, err) < 0)
        return -1;
    if (ret->min_celsius >= ret->max_celsius)
        return tree_refuse(range, err, "has min_celsius %.1f °C, expected less than max_celsius (%.1f °C)", ret->min_celsius, ret->max_celsius);
    return 0;
}

static int read_nothing_more(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    (void)at, (void)ret, (void)err;
    return 0;
}

static int read_meter(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    struct tree_at accuracy;
    if (!tree_has(at, "accuracy"))
        return 0;
    if (tree_need_group(at, "accuracy", &accuracy, err) < 0)
        return -1;
    return read_accuracy(accuracy, "volts", "range_volts", 100.0, &ret->volts, err);
}

static int (*const read_role[ROLES])(struct tree_at, struct bench_instrument *, struct error *) = {
    [ROLE_LOAD] = read_load,          [ROLE_SELECTOR] = read_selector, [ROLE_THERMOMETER] = read_thermometer,
    [ROLE_MAINS] = read_nothing_more, [ROLE_METER] = read_meter,
};

/* ---- calibration ---- */

static bool is_date(const char *text)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    int year, month, day;
    if (strlen(text) != 10 || strspn(text, "0123456789-") != 10 || text[4] != '-' || text[7] != '-'
        || sscanf(text, "%4d-%2d-%2d", &year, &month, &day) != 3 || year < 1990 || month < 1 || month > 12 || day < 1)
        return false;
    bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return day <= days[month - 1] + (month == 2 && leap);
}

static int read_date(struct tree_at at, const char *key, char *ret, size_t size, struct error *err)
{
    if (tree_want_text(at, key, ret, size, err) < 0)
        return -1;
    if (ret[0] && !is_date(ret))
        return tree_refuse(at, err, "%s is \"%s\", expected a date such as \"2026-05-01\"", key, ret);
    return 0;
}

static int read_calibration(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    if (read_date(at, "calibrated", ret->calibrated, sizeof ret->calibrated, err) < 0
        || read_date(at, "calibration_due", ret->calibration_due, sizeof ret->calibration_due, err) < 0)
        return -1;
    if (ret->calibrated[0] && ret->calibration_due[0] && strcmp(ret->calibration_due, ret->calibrated) < 0)
        return tree_refuse(at, err, "has calibration_due \"%s\", expected a day after calibrated (\"%s\")", ret->calibration_due, ret->calibrated);
    return 0;
}

/* ---- instruments ---- */

static int read_instrument(struct tree_at at, struct bench_instrument *ret, struct error *err)
{
    int role;
    memset(ret, 0, sizeof *ret);
    ret->channels = 1;
    ret->line_no = tree_line(at);
    if (tree_need_name(at, "name", ret->name, sizeof ret->name, err) < 0
        || tree_need_word(at, "role", instrument_role_words, ROLES, &role, err) < 0 || read_link(at, ret, err) < 0
        || read_line(at, ret, err) < 0 || tree_need_name(at, "dialect", ret->dialect, sizeof ret->dialect, err) < 0
        || tree_want_text(at, "serial_number", ret->serial_number, sizeof ret->serial_number, err) < 0 || read_calibration(at, ret, err) < 0)
        return -1;
    ret->role = (enum instrument_role)role;
    return read_role[role](at, ret, err);
}

/* One link, one owner: two instruments on the same address would answer each other's questions. */
static int check_new_instrument(struct tree_at at, const struct bench_plan *bench, const struct bench_instrument *one, struct error *err)
{
    for (size_t i = 0; i < bench->instruments_len; i++) {
        const struct bench_instrument *other = &bench->instruments[i];
        if (strcmp(other->name, one->name) == 0)
            return tree_refuse(at, err, "is named \"%s\", expected a name of its own (line %d has it)", one->name, other->line_no);
        if (other->link == one->link && strcmp(other->address, one->address) == 0)
            return tree_refuse(at, err, "has the link of %s (line %d), expected one of its own", other->name, other->line_no);
    }
    return 0;
}

static int read_instruments(struct tree_at bench_at, struct bench_plan *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(bench_at, "instruments", 1, INSTRUMENTS_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        struct bench_instrument *one = &ret->instruments[i];
        if (read_instrument(at, one, err) < 0 || check_new_instrument(at, ret, one, err) < 0)
            return -1;
        ret->instruments_len = i + 1;
    }
    return 0;
}

int bench_find_instrument(struct tree_at at, const char *key, enum instrument_role role, const struct bench_plan *bench, int *ret,
                          struct error *err)
{
    char name[NAME_SIZE], known[300] = "";
    if (tree_need_name(at, key, name, sizeof name, err) < 0)
        return -1;
    for (size_t i = 0; i < bench->instruments_len; i++) {
        if (bench->instruments[i].role != role)
            continue;
        if (strcmp(bench->instruments[i].name, name) == 0) {
            *ret = (int)i;
            return 0;
        }
        text_add(known, sizeof known, "%s%s", known[0] ? ", " : "", bench->instruments[i].name);
    }
    return tree_refuse(at, err, "%s is \"%s\", expected an instrument of the role %s (%s)", key, name, instrument_role_name(role),
                       known[0] ? known : "this bench has none");
}

static int read_hardware_cutoff(struct tree_at at, struct bench_plan *ret, struct error *err)
{
    struct tree_at cutoff;
    if (!tree_has(at, "hardware_cutoff"))
        return 0;
    if (tree_need_group(at, "hardware_cutoff", &cutoff, err) < 0
        || tree_need_text(cutoff, "description", ret->hardware_cutoff_text, sizeof ret->hardware_cutoff_text, err) < 0)
        return -1;
    ret->hardware_cutoff = true;
    return 0;
}

static int read_control_group(struct tree_at at, struct bench_plan *ret, struct error *err)
{
    return tree_has(at, "control_group") ? tree_need_name(at, "control_group", ret->control_group, sizeof ret->control_group, err) : 0;
}

static int read_mains(struct tree_at at, struct bench_plan *ret, struct error *err)
{
    ret->mains = -1;
    ret->mains_volts = 230.0;
    if (tree_want_number(at, "mains_volts", 80.0, 480.0, &ret->mains_volts, err) < 0)
        return -1;
    return tree_has(at, "mains") ? bench_find_instrument(at, "mains", ROLE_MAINS, ret, &ret->mains, err) : 0;
}

int bench_plan_read(struct tree *tree, struct bench_plan *ret, struct error *err)
{
    struct bench_plan bench = {0};
    struct tree_at at;
    text_cut(bench.file, sizeof bench.file, tree_file(tree));
    if (tree_need_group(tree_root(tree), "bench", &at, err) < 0 || tree_need_name(at, "name", bench.name, sizeof bench.name, err) < 0
        || read_control_group(at, &bench, err) < 0 || read_hardware_cutoff(at, &bench, err) < 0 || read_instruments(at, &bench, err) < 0
        || bench_read_seats(at, &bench, err) < 0 || read_mains(at, &bench, err) < 0 || bench_read_probes(at, &bench, err) < 0
        || tree_all_taken(tree, err) < 0)
        return -1;
    *ret = bench;
    return 0;
}
