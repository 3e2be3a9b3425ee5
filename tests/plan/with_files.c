#include "with_files.h"

#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const file_names[FILE_KINDS] = {"bench.cfg", "supply.cfg", "profile.cfg"};

/* The comments at the line ends count the lines: the table of broken files names them. */
static const char *const good[FILE_KINDS] = {
    [FILE_BENCH] = "bench = {\n"                                                                                         /* 1 */
                   "  name = \"bench-1\"; control_group = \"lab\"; mains_volts = 230.0;\n"                               /* 2 */
                   "  hardware_cutoff = { description = \"fuse\"; };\n"                                                  /* 3 */
                   "  instruments = (\n"                                                                                 /* 4 */
                   "    { name = \"load1\"; role = \"load\"; link = \"serial:/dev/ttyS1\";\n"                            /* 5 */
                   "      line = { baud = 115200; data_bits = 8; stop_bits = 1; parity = \"none\"; flow = \"none\"; };\n" /* 6 */
                   "      dialect = \"standard\"; channels = 2; communications_timeout = \"5 s\";\n"                     /* 7 */
                   "      ratings = { max_volts = 60.0; max_amps = 10.0; max_watts = 150.0; min_volts = 1.0;\n"          /* 8 */
                   "                  constant_voltage_mode = true; };\n"                                                /* 9 */
                   "      accuracy = { volts = { percent_of_reading = 0.05; percent_of_range = 0.02; };\n"               /* 10 */
                   "                   amps = { percent_of_reading = 0.1; percent_of_range = 0.05; }; };\n"              /* 11 */
                   "      calibrated = \"2026-05-01\"; calibration_due = \"2027-05-01\"; },\n"                           /* 12 */
                   "    { name = \"selector1\"; role = \"selector\"; link = \"tcp:localhost:5025\"; dialect = \"terse\";\n" /* 13 */
                   "      ratings = { max_volts = 21.0; max_amps = 5.0; }; },\n"                                         /* 14 */
                   "    { name = \"mains1\"; role = \"mains\"; link = \"memory:mains1\"; dialect = \"standard\"; },\n"   /* 15 */
                   "    { name = \"thermo1\"; role = \"thermometer\"; link = \"pty:./thermo1\"; dialect = \"late\";\n"   /* 16 */
                   "      channels = 8; accuracy = { kelvin = 1.5; };\n"                                                 /* 17 */
                   "      range = { min_celsius = 0.0; max_celsius = 120.0; }; isolation_volts = 300.0; } );\n"          /* 18 */
                   "  seats = (\n"                                                                                       /* 19 */
                   "    { name = \"A\"; load = \"load1\"; channel = 1; selector = \"selector1\";\n"                      /* 20 */
                   "      lead = { sense = \"four-wire\"; max_volts = 50.0; max_amps = 8.0; }; cable_amps = 5; } );\n"   /* 21 */
                   "  probes = (\n"                                                                                      /* 22 */
                   "    { name = \"case\"; place = \"case\"; thermometer = \"thermo1\"; channel = 1; },\n"               /* 23 */
                   "    { name = \"hot\"; place = \"bulk capacitor\"; thermometer = \"thermo1\"; channel = 2; live = true; } );\n" /* 24 */
                   "  mains = \"mains1\";\n"                                                                             /* 25 */
                   "};\n",
    [FILE_SUPPLY] = "supply = {\n"                                                          /* 1 */
                    "  name = \"Two ports\"; model = \"T2\"; total_watts = 65.0;\n"         /* 2 */
                    "  max_no_load_percent = 5.0;\n"                                        /* 3 */
                    "  ports = (\n"                                                         /* 4 */
                    "    { name = \"C1\"; connector = \"usb-c\"; contracts = (\n"           /* 5 */
                    "      { volts = 5.0; amps = 3.0; },\n"                                 /* 6 */
                    "      { volts = 9.0; amps = 3.0; low_volts = 8.5; high_volts = 9.5; },\n" /* 7 */
                    "      { volts = 20.0; amps = 3.25; } ); },\n"                          /* 8 */
                    "    { name = \"C2\"; connector = \"usb-c\"; connector_amps = 3.0; contracts = (\n" /* 9 */
                    "      { volts = 5.0; amps = 2.4; } ); } );\n"                          /* 10 */
                    "  combinations = (\n"                                                  /* 11 */
                    "    { together = ( { port = \"C1\"; volts = 9.0; },\n"                 /* 12 */
                    "                   { port = \"C2\"; volts = 5.0; } ); } );\n"          /* 13 */
                    "};\n",
    [FILE_PROFILE] = "profile = {\n"                                                                                  /* 1 */
                     "  name = \"full\"; each = \"contract\"; recheck_first = true;\n"                                /* 2 */
                     "  on_trip = \"reload\"; watch = \"60 s\"; reload = { max = 2; below_celsius = 60.0; };\n"       /* 3 */
                     "  select_timeout = \"2 s\"; sample_period = \"100 ms\"; tolerate_silence = \"1 s\";\n"          /* 4 */
                     "  over_volts_percent = 20.0;\n"                                                                 /* 5 */
                     "  stages = (\n"                                                                                 /* 6 */
                     "    { kind = \"idle\"; dwell = \"2 s\"; settle = \"500 ms\"; },\n"                              /* 7 */
                     "    { kind = \"step\"; rated_percent = [ 25.0, 50.0, 100.0 ]; dwell = \"3 s\"; },\n"            /* 8 */
                     "    { kind = \"ramp\"; from_percent = 0.0; to_percent = 105.0; slew_amps_per_s = 0.5; },\n"     /* 9 */
                     "    { kind = \"hold\"; name = \"rated\"; rated_percent = 100.0; dwell = \"5 s\"; },\n"          /* 10 */
                     "    { kind = \"capacity\"; dwell = \"1 s\"; cap_percent = 150.0; resolution_percent = 1.0; },\n" /* 11 */
                     "    { kind = \"trace\"; dwell = \"400 ms\"; from_percent = 95.0; to_percent = 20.0; points = 10; },\n" /* 12 */
                     "    { kind = \"recover\"; rungs = ( \"wait\", \"request\", \"detach\", \"mains\" ); },\n"       /* 13 */
                     "    { kind = \"soak\"; rated_percent = 100.0; dwell = \"2 h 30 min\"; } );\n"                   /* 14 */
                     "};\n",
};

void files_good(struct files *ret)
{
    for (int kind = 0; kind < FILE_KINDS; kind++)
        snprintf(ret->text[kind], FILE_TEXT_SIZE, "%s", good[kind]);
}

void files_spoil(struct files *files, enum file_kind kind, const char *from, const char *to)
{
    char *text = files->text[kind], tail[FILE_TEXT_SIZE];
    char *at = strstr(text, from);
    if (!at || strstr(at + 1, from))
        fail_msg("\"%s\" does not stand exactly once in %s", from, file_names[kind]);
    snprintf(tail, sizeof tail, "%s", at + strlen(from));
    assert_true(snprintf(at, FILE_TEXT_SIZE - (size_t)(at - text), "%s%s", to, tail) < FILE_TEXT_SIZE - (int)(at - text));
}

/* ---- libconfig all the way ---- */

static int read_bench(struct tree *tree, struct bench_plan *ret, struct error *err)
{
    int result = tree ? bench_plan_read(tree, ret, err) : -1;
    tree_free(tree);
    return result;
}

static struct tree *tree_of(const struct files *files, enum file_kind kind, struct error *err)
{
    return tree_read_text(file_names[kind], files->text[kind], err);
}

int files_read(const struct files *files, struct test_plan *ret, struct error *err)
{
    static struct bench_plan bench;
    static struct supply_plan supply;
    static struct profile_plan profile;
    int result = -1;
    struct tree *s = NULL, *p = NULL;
    if (read_bench(tree_of(files, FILE_BENCH, err), &bench, err) == 0 && (s = tree_of(files, FILE_SUPPLY, err))
        && supply_plan_read(s, &supply, err) == 0 && (p = tree_of(files, FILE_PROFILE, err)) && profile_plan_read(p, &profile, err) == 0) {
        test_plan_make(&bench, &supply, &profile, ret);
        result = plan_check(ret, err);
    }
    tree_free(s);
    tree_free(p);
    return result;
}

/* ---- as the daemon ---- */

/* Out to bytes and back, as over the socket. NULL: err is set (the text itself was refused). */
static json_t *wired(const struct files *files, enum file_kind kind, struct error *err)
{
    struct tree *tree = tree_of(files, kind, err);
    if (!tree)
        return NULL;
    json_t *out = tree_to_json(tree);
    assert_non_null(out);
    char *bytes = json_dumps(out, JSON_COMPACT);
    assert_non_null(bytes);
    json_t *in = json_loads(bytes, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(in);
    free(bytes);
    json_decref(out);
    tree_free(tree);
    return in;
}

static struct tree *wired_tree(const struct files *files, enum file_kind kind, struct error *err)
{
    json_t *document = wired(files, kind, err);
    struct tree *tree = document ? tree_read_json(document, err) : NULL;
    json_decref(document);
    return tree;
}

int files_read_json(const struct files *files, bool bench_too, struct test_plan *ret, struct error *err)
{
    static struct bench_plan bench;
    int result = -1;
    struct tree *tree = bench_too ? wired_tree(files, FILE_BENCH, err) : tree_of(files, FILE_BENCH, err);
    if (read_bench(tree, &bench, err) < 0)
        return -1;
    json_t *supply = wired(files, FILE_SUPPLY, err), *profile = supply ? wired(files, FILE_PROFILE, err) : NULL;
    if (profile) {
        json_t *params = json_pack("{s:O, s:O}", "supply", supply, "profile", profile);
        assert_non_null(params);
        result = test_plan_from_json(params, &bench, ret, err);
        json_decref(params);
    }
    json_decref(supply);
    json_decref(profile);
    return result;
}
