/* Finds out who answers on a line, without ever switching anything. Runs in the client: there may be no bench file yet, so no daemon. */
#include "client/verbs/verbs.h"

#include "daemon/base/units.h"
#include "daemon/bench/bench.h"
#include "daemon/bench/links/link.h"

#include <dirent.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { DIALECTS_MAX = 32 };
static const int usual_bauds[] = {115200, 9600, 57600, 38400, 19200, 4800};

struct dialects {
    struct dialect *all[DIALECTS_MAX];
    size_t count;
};

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * US_PER_S + t.tv_nsec / 1000;
}

static void free_dialects(struct dialects *dialects)
{
    while (dialects->count)
        dialect_free(dialects->all[--dialects->count]);
}

static int read_dialect(struct dialects *dialects, const char *folder, const char *name, struct error *err)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    struct tree *tree = tree_read_file(path, err);
    struct dialect *dialect = tree ? dialect_read(tree, err) : NULL;
    tree_free(tree);
    if (!dialect)
        return -1;
    dialects->all[dialects->count++] = dialect;
    return 0;
}

static int only_cfg(const struct dirent *entry)
{
    size_t len = strlen(entry->d_name);
    return len > 4 && strcmp(entry->d_name + len - 4, ".cfg") == 0;
}

static int read_dialects(struct dialects *dialects, const char *folder, struct error *err)
{
    struct dirent **names;
    int count = scandir(folder, &names, only_cfg, alphasort), answer = 0;
    if (count < 0)
        return error_set(err, ERROR_USAGE, "%s: no folder of dialect files", folder);
    for (int i = 0; i < count; i++) {
        if (answer == 0 && dialects->count < DIALECTS_MAX)
            answer = read_dialect(dialects, folder, names[i]->d_name, err);
        free(names[i]);
    }
    free(names);
    return answer;
}

static int exchange(struct link *link, struct bench_probe_machine *machine, struct bench_probe_report *report, struct error *err)
{
    while (!bench_probe_done(machine, report)) {
        size_t len;
        char bytes[512];
        const void *pending = bench_probe_pending(machine, &len);
        long wrote = len ? link_write(link, pending, len, err) : 0;
        if (wrote < 0)
            return -1;
        if (wrote > 0)
            bench_probe_sent(machine, (size_t)wrote, now_us());
        int64_t wait_us = bench_probe_due_us(machine) - now_us();
        struct pollfd readable = {.fd = link_descriptor(link), .events = POLLIN};
        poll(&readable, 1, wait_us <= 0 ? 0 : wait_us > 50 * US_PER_MS ? 50 : (int)(wait_us / US_PER_MS) + 1);
        long got = link_read(link, bytes, sizeof bytes, err);
        if (got < 0)
            return -1;
        if (got > 0)
            bench_probe_bytes(machine, bytes, (size_t)got, now_us());
        bench_probe_tick(machine, now_us());
    }
    return 0;
}

static int try_baud(const char *address, int baud, const struct dialects *dialects, struct bench_probe_report *report, struct error *err)
{
    const struct dialect *known[DIALECTS_MAX];
    struct link_settings settings = {.baud = baud, .data_bits = 8, .stop_bits = 1, .parity = 'n', .flow = 'n'};
    for (size_t i = 0; i < dialects->count; i++)
        known[i] = dialects->all[i];
    struct bench_probe_machine *machine = bench_probe_new(known, dialects->count, baud, err);
    struct link *link = machine ? link_open(address, &settings, err) : NULL;
    int answer = link ? exchange(link, machine, report, err) : -1;
    link_close(link);
    bench_probe_free(machine);
    return answer;
}

/* What no query tells: from the instrument's manual. Keys: docs/files.md. */
static void print_to_fill_in(const char *role)
{
    if (strcmp(role, "load") == 0)
        puts("    # fill in from its manual:\n"
             "    # channels = 1;\n"
             "    # ratings = { max_volts = ; max_amps = ; max_watts = ; min_volts = ;\n"
             "    #             constant_voltage_mode = true; constant_resistance_mode = true; };\n"
             "    # accuracy = { volts = { percent_of_reading = ; percent_of_range = ; range_volts = ; };\n"
             "    #              amps  = { percent_of_reading = ; percent_of_range = ; range_amps = ; }; };");
    if (strcmp(role, "thermometer") == 0)
        puts("    # fill in from its manual: channels = ; accuracy = { kelvin = ; };");
}

static void print_found(const char *address, int baud, const struct dialects *dialects, const struct bench_probe_report *r)
{
    const struct dialect *d = dialects->all[r->dialect];
    printf("# %s (put a comma between this piece and the next)\n", r->identity);
    if (!r->lacks[0])
        puts("# lacks nothing that brunt can use");
    for (const char *line = r->lacks; *line;) {
        size_t len = strcspn(line, "\n");
        printf("# lacks: %.*s\n", (int)len, line);
        line += len + (line[len] == '\n');
    }
    printf("{\n    name = \"%s1\";\n    role = \"%s\";\n    link = \"%s\";\n", dialect_role(d), dialect_role(d), address);
    if (strncmp(address, "tcp:", 4) != 0)
        printf("    line = { baud = %d; data_bits = 8; stop_bits = 1; parity = \"none\"; flow = \"none\"; };\n", baud);
    printf("    dialect = \"%s\";\n", dialect_name(d));
    print_to_fill_in(dialect_role(d));
    puts("}");
}

static json_t *found_json(const char *address, int baud, const struct dialects *dialects, const struct bench_probe_report *r)
{
    return json_pack("{s:s, s:i, s:b, s:s, s:s?, s:s, s:s}", "link", address, "baud", baud, "answered", r->answered, "identity", r->identity,
                     "dialect", r->dialect >= 0 ? dialect_name(dialects->all[r->dialect]) : NULL, "lacks", r->lacks, "trouble", r->trouble);
}

static int tell(const struct verb_options *o, int baud, const struct dialects *dialects, const struct bench_probe_report *r)
{
    bool fits = r->answered && r->dialect >= 0;
    if (o->json)
        verb_print_json(found_json(o->words[0], baud, dialects, r));
    else if (fits)
        print_found(o->words[0], baud, dialects, r);
    else if (r->answered)
        fprintf(stderr, "brunt: %s answers \"%s\", but no dialect fits: %s\n", o->words[0], r->identity, r->trouble);
    else
        fprintf(stderr, "brunt: nothing on %s answers a query; is it switched on, its remote interface chosen, the cable crossed as it wants?\n", o->words[0]);
    return fits ? EXIT_PASSED : EXIT_BENCH;
}

static int check_address(const char *address, struct error *err)
{
    static const char *const kinds[] = {"serial:", "pty:", "tcp:"};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strncmp(address, kinds[i], strlen(kinds[i])) == 0)
            return 0;
    return error_set(err, ERROR_USAGE, "%.100s: unknown kind of line, expected serial:/dev/..., pty:/path or tcp:host:port", address);
}

/* A line that can't be opened is the bench's fault; there is no daemon in this. */
static int fail_probe(const struct error *err)
{
    int status = verb_fail(err);
    return err->kind == ERROR_LINK || err->kind == ERROR_BUSY ? EXIT_BENCH : status;
}

int verb_probe(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    struct dialects dialects = {.count = 0};
    struct bench_probe_report report = {.dialect = -1}, best = {.dialect = -1};
    const char *folder = options->dialects ? options->dialects : BRUNT_PROFILES "/dialects";
    bool serial = strncmp(options->words[0], "serial:", 7) == 0;
    size_t tries = options->baud || !serial ? 1 : sizeof usual_bauds / sizeof usual_bauds[0];
    int answer = check_address(options->words[0], &err) < 0 ? -1 : read_dialects(&dialects, folder, &err), baud = 0, best_baud = 0;
    (void)verb;
    for (size_t i = 0; answer == 0 && i < tries && best.dialect < 0; i++) {
        baud = options->baud ? options->baud : usual_bauds[i];
        report = (struct bench_probe_report){.dialect = -1};
        if (serial)
            fprintf(stderr, "trying %d baud ...\n", baud);
        answer = try_baud(options->words[0], baud, &dialects, &report, &err);
        if (report.answered || i == 0) {
            best = report;
            best_baud = baud;
        }
    }
    int status = answer < 0 ? fail_probe(&err) : tell(options, best_baud, &dialects, &best);
    free_dialects(&dialects);
    return status;
}
