/* Each row spoils one place of a good set of files and says what must come of it, line included. */
#include "with_files.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#define BENCH   FILE_BENCH
#define SUPPLY  FILE_SUPPLY
#define PROFILE FILE_PROFILE

static const struct broken {
    enum file_kind kind;
    const char *from, *to;
    enum error_kind error;
    const char *sentence;
} table[] = {
    /* the syntax and what libconfig would let pass */
    {BENCH, "cable_amps = 5", "cable_amps = 4294967301", ERROR_FILE, "bench.cfg:21: 4294967301 is beyond an integer, expected -2147483648 to 2147483647"},
    {BENCH, "max_watts = 150.0", "max_watts = 2147483648", ERROR_FILE, "bench.cfg:8: 2147483648 is beyond an integer"},
    {BENCH, "max_watts = 150.0", "max_watts = -2147483649", ERROR_FILE, "bench.cfg:8: -2147483649 is beyond an integer"},
    {BENCH, "max_watts = 150.0", "max_watts = 99999999999999999999", ERROR_FILE, "bench.cfg:8: 99999999999999999999 is beyond an integer"},
    {BENCH, "channels = 2", "channels = 5000000000L", ERROR_FILE, "bench.cfg:7: 5000000000 is beyond an integer"},
    {BENCH, "channels = 2", "channels = 0xFFFFFFFF", ERROR_FILE, "bench.cfg:7: 0xFFFFFFFF is beyond an integer"},
    {BENCH, "channels = 2", "channels = 010", ERROR_FILE, "bench.cfg:7: 010 begins with a zero"},
    {BENCH, "max_watts = 150.0", "max_watts = 1e400", ERROR_FILE, "bench.cfg:8: bench.instruments[0].ratings.max_watts is not finite"},
    {BENCH, "  seats = (", "@include \"seats.cfg\"\n  seats = (", ERROR_FILE, "bench.cfg:19: @include is refused"},
    {BENCH, "  seats = (", "  \t@include \"/etc/shadow\"\n  seats = (", ERROR_FILE, "bench.cfg:19: @include is refused"},
    {BENCH, "channels = 2", "channels = 2; channels = 3", ERROR_FILE, "bench.cfg:7: duplicate setting name, expected each key once"},
    {BENCH, "channels = 2", "channels = 2A", ERROR_FILE, "bench.cfg:7: syntax error, expected settings of the form key = value;"},
    {BENCH, "max_watts = 150.0", "max_watts = nan", ERROR_FILE, "bench.cfg:8: syntax error"},
    {BENCH, "\"late\"", "\"late", ERROR_FILE, "bench.cfg:16: a text begins here and does not end on this line"},
    {BENCH, "  seats = (", "  /* seats = (", ERROR_FILE, "bench.cfg:19: a comment begins here and never ends"},
    {BENCH, "  mains = \"mains1\";\n};", "  mains = \"mains1\";\n", ERROR_FILE, "bench.cfg:27: syntax error"},
    {SUPPLY, "\"T2\"", "((((((((((((((((\"T2\"))))))))))))))))", ERROR_FILE, "supply.cfg:2: nested too deep, expected at most 16 levels"},
    {SUPPLY, "\"T2\"", "\"T\\x00\"", ERROR_FILE, "supply.cfg:2: \\x00 in a text"},
    {SUPPLY, "\"T2\"", "\"T\xff\"", ERROR_FILE, "supply.cfg:2: bytes that are no text, expected UTF-8"},
    {SUPPLY, "\"T2\"", "\"T\\xff\"", ERROR_FILE, "supply.cfg:2: supply.model holds bytes that are no text"},
    {SUPPLY, "\"T2\"", "\"T\\n2\"", ERROR_FILE, "supply.cfg:2: supply.model holds the control character \\x0a"},

    /* the bench file */
    {BENCH, "bench = {", "bank = {", ERROR_FILE, "bench.cfg:1: the file lacks bench, expected a group { ... }"},
    {BENCH, "name = \"bench-1\"; ", "", ERROR_FILE, "bench.cfg:1: bench lacks name, expected a name in double quotes"},
    {BENCH, "\"bench-1\"", "\"bench 1\"", ERROR_FILE, "bench.cfg:2: bench.name is \"bench 1\", expected a name of letters"},
    {BENCH, "\"bench-1\"", "17", ERROR_FILE, "bench.cfg:2: bench.name is the number 17, expected text in double quotes"},
    {BENCH, "mains_volts = 230.0;", "mains_volts = 23000.0;", ERROR_FILE, "bench.cfg:2: bench.mains_volts is 23000 V, expected 80 to 480 V"},
    {BENCH, "mains_volts = 230.0;", "mains = 230.0;", ERROR_FILE, "bench.cfg:25: duplicate setting name"},
    {BENCH, "mains_volts = 230.0;", "mains_volt = 230.0;", ERROR_FILE, "bench.cfg:2: bench.mains_volt is not a known key, expected one of: name, "},
    {BENCH, "{ description = \"fuse\"; }", "true", ERROR_FILE, "bench.cfg:3: bench.hardware_cutoff is true, expected a group { ... }"},
    {BENCH, "description = \"fuse\";", "", ERROR_FILE, "bench.cfg:3: bench.hardware_cutoff lacks description"},
    {BENCH, "role = \"load\"", "role = \"loads\"", ERROR_FILE,
     "bench.cfg:5: bench.instruments[0].role is the text \"loads\", expected \"load\", \"selector\", \"thermometer\", \"mains\" or \"meter\""},
    {BENCH, "serial:/dev/ttyS1", "usb:/dev/ttyS1", ERROR_FILE, "bench.cfg:5: bench.instruments[0] link is \"usb:/dev/ttyS1\", expected \"serial:/dev/serial/by-id/..."},
    {BENCH, "serial:/dev/ttyS1", "serial:ttyS1", ERROR_FILE, "bench.cfg:5: bench.instruments[0] link is \"serial:ttyS1\", expected"},
    {BENCH, "tcp:localhost:5025", "tcp:localhost:70000", ERROR_FILE, "bench.cfg:13: bench.instruments[1] link is \"tcp:localhost:70000\", expected"},
    {BENCH, "tcp:localhost:5025", "tcp:localhost", ERROR_FILE, "bench.cfg:13: bench.instruments[1] link is \"tcp:localhost\", expected"},
    {BENCH, "dialect = \"terse\";", "dialect = \"terse\"; line = { baud = 9600; };", ERROR_FILE, "bench.cfg:13: bench.instruments[1] has a line, expected none"},
    {BENCH, "memory:mains1", "serial:/dev/ttyS1", ERROR_FILE, "bench.cfg:15: bench.instruments[2] lacks line, expected a group"},
    {BENCH, "memory:mains1\";", "serial:/dev/ttyS1\"; line = { baud = 9600; };", ERROR_FILE, "bench.cfg:15: bench.instruments[2] has the link of load1 (line 5)"},
    {BENCH, "name = \"mains1\"", "name = \"load1\"", ERROR_FILE, "bench.cfg:15: bench.instruments[2] is named \"load1\", expected a name of its own (line 5 has it)"},
    {BENCH, "baud = 115200", "baud = 115200.0", ERROR_FILE, "bench.cfg:6: bench.instruments[0].line.baud is the number 115200, expected a whole number, 300 to 4000000"},
    {BENCH, "baud = 115200", "baud = 110", ERROR_FILE, "bench.cfg:6: bench.instruments[0].line.baud is 110, expected 300 to 4000000"},
    {BENCH, "parity = \"none\"", "parity = \"mark\"", ERROR_FILE, "bench.cfg:6: bench.instruments[0].line.parity is the text \"mark\", expected \"none\", \"even\" or \"odd\""},
    {BENCH, "\"5 s\"", "5", ERROR_FILE, "bench.cfg:7: bench.instruments[0].communications_timeout is the number 5, expected a duration in double quotes with its unit"},
    {BENCH, "\"5 s\"", "\"5\"", ERROR_FILE, "bench.cfg:7: bench.instruments[0].communications_timeout \"5\" lacks a unit; expected a duration with its unit"},
    {BENCH, "\"5 s\"", "\"5 hours\"", ERROR_FILE, "has the unknown unit \"hours\"; units are d, h, min, s, ms, us"},
    {BENCH, "\"5 s\"", "\"1 h\"", ERROR_FILE, "communications_timeout is 1 h, expected 0 s to 10 min"},
    {BENCH, "max_volts = 60.0", "max = 60.0", ERROR_FILE, "bench.cfg:8: max is given without its unit, expected max_volts"},
    {BENCH, "min_volts = 1.0;", "", ERROR_FILE, "bench.cfg:8: bench.instruments[0].ratings lacks min_volts, expected a number, 0 to 100 V"},
    {BENCH, "min_volts = 1.0;", "min_volts = 70.0;", ERROR_FILE, "has min_volts 70.000 V, expected less than max_volts (60.000 V)"},
    {BENCH, "max_amps = 10.0", "max_amps = \"10 A\"", ERROR_FILE, "bench.cfg:8: bench.instruments[0].ratings.max_amps is the text \"10 A\", expected a number, 0.01 to 1000 A"},
    {BENCH, "constant_voltage_mode = true", "constant_voltage_mode = 1", ERROR_FILE, "bench.cfg:9: bench.instruments[0].ratings.constant_voltage_mode is the number 1, expected true or false"},
    {BENCH, "percent_of_reading = 0.05", "percent_of_reading = 50.0", ERROR_FILE, "bench.cfg:10: bench.instruments[0].accuracy.volts.percent_of_reading is 50, expected 0 to 20"},
    {BENCH, "calibrated = \"2026-05-01\"", "calibrated = \"2026-02-30\"", ERROR_FILE, "bench.cfg:5: bench.instruments[0] calibrated is \"2026-02-30\", expected a date such as"},
    {BENCH, "\"2027-05-01\"", "\"2025-05-01\"", ERROR_FILE, "has calibration_due \"2025-05-01\", expected a day after calibrated"},
    {BENCH, "channels = 8; accuracy = { kelvin = 1.5; };", "channels = 8;", ERROR_FILE, "bench.cfg:16: bench.instruments[3] lacks accuracy"},
    {BENCH, "max_celsius = 120.0", "max_celsius = 0.0", ERROR_FILE, "bench.cfg:18: bench.instruments[3].range has min_celsius 0.0"},
    {BENCH, "load = \"load1\"", "load = \"mains1\"", ERROR_FILE, "bench.cfg:20: bench.seats[0] load is \"mains1\", expected an instrument of the role load (load1)"},
    {BENCH, "channel = 1; selector", "channel = 3; selector", ERROR_FILE, "bench.cfg:20: bench.seats[0] channel is 3, expected 1 to 2 (channels of load1, line 5)"},
    {BENCH, "cable_amps = 5; }", "cable_amps = 4; }", ERROR_FILE, "bench.cfg:20: bench.seats[0] cable_amps is 4 A, expected 3 or 5 (marking of the cable)"},
    {BENCH, " cable_amps = 5;", "", ERROR_FILE, "bench.cfg:20: bench.seats[0] lacks cable_amps"},
    {BENCH, "four-wire\"", "two-wire\"", ERROR_FILE, "bench.cfg:21: bench.seats[0].lead lacks loop_ohms, expected a number, 0 to 10 ohm"},
    {BENCH, "max_amps = 8.0;", "max_amps = 8.0; loop_ohms = 0.05;", ERROR_FILE, "bench.cfg:21: bench.seats[0].lead has loop_ohms and sense \"four-wire\""},
    {BENCH, "cable_amps = 5; } )", "cable_amps = 5; }, { name = \"A\"; load = \"load1\"; channel = 2; cable_amps = 0; lead = { sense = \"four-wire\"; max_volts = 9.0; max_amps = 1.0; }; } )",
     ERROR_FILE, "bench.seats[1] is named \"A\", expected a name of its own (line 20 has it)"},
    {BENCH, "cable_amps = 5; } )", "cable_amps = 5; }, { name = \"B\"; load = \"load1\"; cable_amps = 0; lead = { sense = \"four-wire\"; max_volts = 9.0; max_amps = 1.0; }; } )",
     ERROR_FILE, "bench.seats[1] has channel 1 of load1, expected one that seat \"A\" (line 20) doesn't have"},
    {BENCH, "channel = 2; live", "channel = 1; live", ERROR_FILE, "bench.cfg:24: bench.probes[1] has channel 1 of thermo1, expected one that probe \"case\" (line 23)"},
    {BENCH, "channel = 2; live", "channel = 9; live", ERROR_FILE, "bench.cfg:24: bench.probes[1] channel is 9, expected 1 to 8 (channels of thermo1"},
    {BENCH, "isolation_volts = 300.0", "isolation_volts = 60.0", ERROR_FILE,
     "bench.cfg:24: bench.probes[1] sits on a live part at 230 V (mains_volts), allowed on thermo1: 60 V (its isolation_volts, line 16)"},
    {BENCH, "mains = \"mains1\"", "mains = \"mains2\"", ERROR_FILE, "bench.cfg:1: bench mains is \"mains2\", expected an instrument of the role mains (mains1)"},

    /* the supply file */
    {SUPPLY, "total_watts = 65.0", "total = 65.0", ERROR_FILE, "supply.cfg:2: total is given without its unit, expected total_watts"},
    {SUPPLY, "total_watts = 65.0", "total_watts = 0", ERROR_FILE, "supply.cfg:2: supply.total_watts is 0 W, expected 0.1 to 10000 W"},
    {SUPPLY, "max_no_load_percent = 5.0", "max_no_load_percent = true", ERROR_FILE, "supply.cfg:3: supply.max_no_load_percent is true, expected a number, 0.5 to 20 %"},
    {SUPPLY, "name = \"C1\"; connector = \"usb-c\"", "name = \"C1\"; connector = \"usb-d\"", ERROR_FILE,
     "supply.cfg:5: supply.ports[0].connector is the text \"usb-d\", expected \"usb-c\", \"usb-a\", \"barrel\" or \"terminals\""},
    {SUPPLY, "{ volts = 5.0; amps = 3.0; }", "{ volts = 5.0; }", ERROR_FILE, "supply.cfg:6: supply.ports[0].contracts[0] lacks amps, expected a number, 0.01 to 100 A"},
    {SUPPLY, "{ volts = 5.0; amps = 3.0; }", "{ volts = 5.0; amps = 3.0; watts = 15.0; }", ERROR_FILE,
     "supply.cfg:6: supply.ports[0].contracts[0].watts is not a known key, expected one of: volts, amps, low_volts, high_volts, programmable"},
    {SUPPLY, "{ volts = 5.0; amps = 3.0; }", "\"5 V\"", ERROR_FILE, "supply.ports[0].contracts[0] is no group, expected { volts = ...; }"},
    {SUPPLY, "{ volts = 5.0; amps = 3.0; }", "{ volts = 9.0; amps = 3.0; }", ERROR_FILE, "supply.cfg:7: supply.ports[0].contracts[1] is the contract of line 6 once more"},
    {SUPPLY, "low_volts = 8.5", "low_volts = 9.1", ERROR_FILE, "supply.cfg:7: supply.ports[0].contracts[1] has the window 9.100 to 9.500 V, expected one around its 9.000 V"},
    {SUPPLY, "low_volts = 8.5", "low = 8.5", ERROR_FILE, "supply.cfg:7: supply.ports[0].contracts[1].low is not a known key, expected its unit in the name: low_volts"},
    {SUPPLY, "name = \"C2\"", "name = \"C1\"", ERROR_FILE, "supply.cfg:9: supply.ports[1] is named \"C1\", expected a name of its own (line 5 has it)"},
    {SUPPLY, "port = \"C2\"", "port = \"C3\"", ERROR_FILE, "supply.cfg:13: supply.combinations[0].together[1] port is \"C3\", expected one of: C1, C2"},
    {SUPPLY, "port = \"C2\"", "port = \"C1\"", ERROR_FILE, "supply.cfg:13: supply.combinations[0].together[1] names port \"C1\" again"},
    {SUPPLY, "port = \"C1\"; volts = 9.0", "port = \"C1\"; volts = 15.0", ERROR_FILE, "supply.cfg:12: supply.combinations[0].together[0] asks for 15.000 V, expected a contract that port \"C1\" (line 5) lists"},

    /* the profile file */
    {PROFILE, "each = \"contract\"", "each = \"port\"", ERROR_FILE, "profile.cfg:2: profile.each is the text \"port\", expected \"contract\" or \"stage\""},
    {PROFILE, "on_trip = \"reload\"", "on_trip = \"retry\"", ERROR_FILE, "profile.cfg:3: profile.on_trip is the text \"retry\", expected \"stop\", \"watch\", \"next\" or \"reload\""},
    {PROFILE, "watch = \"60 s\"; ", "", ERROR_FILE, "profile.cfg:1: profile lacks watch, expected a duration with its unit"},
    {PROFILE, "max = 2; ", "", ERROR_FILE, "profile.cfg:3: profile.reload lacks max, expected a whole number, 1 to 20"},
    {PROFILE, "dwell = \"2 s\"", "dwell = 2", ERROR_FILE,
     "profile.cfg:7: profile.stages[0].dwell is the number 2, expected a duration in double quotes with its unit, such as \"90 s\" or \"2 h 30 min\""},
    {PROFILE, "dwell = \"2 s\"; ", "", ERROR_FILE, "profile.cfg:7: profile.stages[0] lacks dwell, expected a duration with its unit"},
    {PROFILE, "dwell = \"2 s\"", "dwell = \"-2 s\"", ERROR_FILE, "profile.cfg:7: profile.stages[0].dwell \"-2 s\" is no duration"},
    {PROFILE, "settle = \"500 ms\"", "settle = \"2 s\"", ERROR_FILE, "profile.cfg:7: profile.stages[0] settles for 2 s, expected less than its dwell (2 s)"},
    {PROFILE, "kind = \"idle\"", "kind = \"rest\"", ERROR_FILE, "profile.cfg:7: profile.stages[0].kind is the text \"rest\", expected \"idle\", \"step\""},
    {PROFILE, "[ 25.0, 50.0, 100.0 ]", "[ 25.0, 50.0, 250.0 ]", ERROR_FILE, "profile.cfg:8: profile.stages[1].rated_percent[2] is 250 %, expected 0 to 200 %"},
    {PROFILE, "[ 25.0, 50.0, 100.0 ]", "[ 25.0, 50 ]", ERROR_FILE, "profile.cfg:8: mismatched element type in array"}, /* libconfig arrays are of one type */
    {PROFILE, "[ 25.0, 50.0, 100.0 ]", "100.0", ERROR_FILE, "profile.cfg:8: profile.stages[1].rated_percent is the number 100, expected a list of numbers"},
    {PROFILE, "slew_amps_per_s = 0.5", "slew = 0.5", ERROR_FILE, "profile.cfg:9: slew is given without its unit, expected slew_amps_per_s"},
    {PROFILE, "cap_percent = 150.0", "cap_percent = 100.0", ERROR_FILE, "profile.cfg:11: profile.stages[4].cap_percent is 100 %, expected 101 to 300 %"},
    {PROFILE, "dwell = \"400 ms\"", "dwell = \"3 s\"", ERROR_FILE, "profile.cfg:12: profile.stages[5].dwell is 3 s, expected 50 ms to 2 s"},
    {PROFILE, "to_percent = 20.0", "to_percent = 90.0; dummy = 1", ERROR_FILE, "profile.cfg:12: profile.stages[5].dummy is not a known key"},
    {PROFILE, "from_percent = 95.0; to_percent = 20.0", "from_percent = 40.0; to_percent = 60.0", ERROR_FILE, "profile.cfg:12: profile.stages[5] walks from_percent 40.0 % to_percent 60.0 %, expected downwards"},
    {PROFILE, "\"detach\"", "\"kick\"", ERROR_FILE, "profile.stages[6].rungs[2] is \"kick\", expected \"wait\", \"request\""},
    {PROFILE, "sample_period = \"100 ms\"", "sample_period = \"2 s\"", ERROR_FILE, "profile.cfg:4: sample_period is 2 s, allowed up to 750 ms (two readings in the dwell of stage \"idle\" behind its settle, line 7)"},
    {PROFILE, "over_volts_percent = 20.0", "over_volts = 20.0", ERROR_FILE, "profile.cfg:5: profile.over_volts is not a known key, expected its unit in the name: over_volts_percent"},

    /* one against the other */
    {BENCH, "max_amps = 10.0", "max_amps = 3.3", ERROR_RATING,
     "profile.cfg:9: stage \"ramp\" asks 3.413 A at 20.00 V (105 % of rated 3.250 A, supply.cfg line 8), allowed 3.300 A (max_amps of load1, bench file line 5)"},
    {BENCH, "max_watts = 150.0", "max_watts = 60.0", ERROR_RATING, "allowed 2.857 A (max_watts 60.0 W of load1 at up to 21.00 V, bench file line 5)"},
    {BENCH, "max_amps = 8.0", "max_amps = 3.1", ERROR_RATING, "asks 3.150 A at 5.00 V (105 % of rated 3.000 A, supply.cfg line 6), allowed 3.100 A (max_amps of the lead of seat \"A\", bench file line 20)"},
    {BENCH, "cable_amps = 5", "cable_amps = 3", ERROR_RATING, "allowed 3.000 A (cable_amps of seat \"A\", the marking of its cable, bench file line 20)"},
    {BENCH, "max_volts = 21.0; max_amps = 5.0", "max_volts = 21.0; max_amps = 3.0", ERROR_RATING, "allowed 3.000 A (max_amps of selector1, bench file line 13)"},
    {BENCH, "max_volts = 21.0; max_amps = 5.0", "max_volts = 15.0; max_amps = 5.0", ERROR_RATING, "supply.cfg:8: 20.000 V asked, allowed 15.000 V (max_volts of selector1, bench file line 13)"},
    {BENCH, "max_volts = 60.0", "max_volts = 22.0", ERROR_RATING,
     "supply.cfg:8: 20.000 V may reach 24.000 V before the hard limit acts (over_volts_percent, profile file), allowed 22.000 V (max_volts of load1, bench file line 5)"},
    {BENCH, "max_volts = 50.0", "max_volts = 22.0", ERROR_RATING, "allowed 22.000 V (max_volts of the lead of seat \"A\", bench file line 20)"},
    {BENCH, "min_volts = 1.0", "min_volts = 4.8", ERROR_RATING, "supply.cfg:6: 5.000 V is asked for down to 4.750 V, allowed from 4.800 V (min_volts of load1, bench file line 5)"},
    {BENCH, "four-wire\";", "two-wire\"; loop_ohms = 1.5; loop_ohms_u = 0.1;", ERROR_RATING, "allowed 2.969 A (min_volts 1.00 V of load1 behind its lead at 4.75 V, bench file line 5)"},
    {BENCH, "constant_voltage_mode = true", "constant_voltage_mode = false", ERROR_RATING,
     "profile.cfg:12: stage \"trace\" traces a limit, allowed only with constant_voltage_mode or constant_resistance_mode (ratings of load1, bench file line 5)"},
    {BENCH, "  mains = \"mains1\";\n", "", ERROR_FILE, "profile.cfg:13: stage \"recover\" recovers by mains, allowed only with a mains switch (the bench file bench.cfg names none in mains)"},
    {BENCH, " selector = \"selector1\";", "", ERROR_FILE, "profile.cfg:13: stage \"recover\" recovers by detach, allowed only with a selector (seat \"A\" has none, bench file line 20)"},
    {BENCH, "max_celsius = 120.0", "max_celsius = 50.0", ERROR_RATING, "profile.cfg:3: reload below 60.0 °C, allowed 0.0 to 50.0 °C (range of thermo1, bench file line 16)"},
    {SUPPLY, "connector = \"usb-c\"; contracts", "connector = \"usb-c\"; connector_amps = 3.0; contracts", ERROR_RATING, "allowed 3.000 A (connector_amps of port \"C1\" (usb-c), supply file line 5)"},
    {SUPPLY, "amps = 3.25", "amps = 3.5", ERROR_FILE, "supply.cfg:8: 20.00 V x 3.500 A is 70.00 W, allowed 65.00 W (total_watts, line 2)"},
    {SUPPLY, "port = \"C1\"; volts = 9.0", "port = \"C1\"; volts = 20.0", ERROR_FILE, "supply.cfg:12: the combination sums up to 77.00 W, allowed 65.00 W (total_watts, line 2)"},
    {SUPPLY, "high_volts = 9.5", "high_volts = 11.0", ERROR_FILE, "supply.cfg:7: high_volts is 11.000 V, allowed below the hard limit 10.800 V (over_volts_percent 20 %, profile.cfg line 1)"},
    {PROFILE, "to_percent = 105.0", "to_percent = 160.0", ERROR_RATING, "profile.cfg:9: stage \"ramp\" asks 5.200 A at 20.00 V (160 % of rated 3.250 A, supply.cfg line 8), allowed 5.000 A (cable_amps"},
    {PROFILE, "to_percent = 20.0", "to_percent = 5.0", ERROR_RATING, "profile.cfg:12: stage \"trace\" walks down to 0.250 V at 5.00 V (to_percent), allowed from 0.450 V (min_volts of load1"},
};

static struct test_plan plan;

static void each_broken_file_is_refused_with_its_line_and_what_was_expected(void **state)
{
    size_t wrong = 0;
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct files files;
        struct error err = ERROR_INIT;
        files_good(&files);
        files_spoil(&files, table[i].kind, table[i].from, table[i].to);
        int result = files_read(&files, &plan, &err);
        if (result == -1 && err.kind == table[i].error && strstr(err.text, table[i].sentence))
            continue;
        wrong++;
        print_error("row %zu: \"%s\" -> \"%s\"\n  expected (%s) %s\n  got %d (%s) %s\n", i, table[i].from, table[i].to, error_kind_name(table[i].error),
                    table[i].sentence, result, error_kind_name(err.kind), err.text);
    }
    assert_int_equal(wrong, 0);
    assert_true(sizeof table / sizeof table[0] >= 60);
}

static void the_daemon_refuses_the_same_files_with_the_same_words(void **state)
{
    size_t wrong = 0;
    (void)state;
    for (size_t i = 0; i < 2 * sizeof table / sizeof table[0]; i++) {
        const struct broken *row = &table[i / 2];
        struct files files;
        struct error here = ERROR_INIT, there = ERROR_INIT;
        files_good(&files);
        files_spoil(&files, row->kind, row->from, row->to);
        if (files_read(&files, &plan, &here) == -1 && files_read_json(&files, i % 2, &plan, &there) == -1 && here.kind == there.kind
            && strcmp(here.text, there.text) == 0)
            continue;
        wrong++;
        print_error("row %zu\n  client %s\n  daemon %s\n", i / 2, here.text, there.text);
    }
    assert_int_equal(wrong, 0);
}

/* "file:line: ..." begins each sentence of the table, and no sentence is cut. */
static void each_refusal_begins_with_file_and_line_and_is_whole(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct files files;
        struct error err = ERROR_INIT;
        char file[32];
        int line, read = 0;
        files_good(&files);
        files_spoil(&files, table[i].kind, table[i].from, table[i].to);
        assert_int_equal(files_read(&files, &plan, &err), -1);
        assert_int_equal(sscanf(err.text, "%31[^:]:%d: %n", file, &line, &read), 2);
        assert_true(read > 0 && line >= 1 && line <= 30);
        assert_true(strlen(err.text) < sizeof err.text - 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_broken_file_is_refused_with_its_line_and_what_was_expected),
        cmocka_unit_test(the_daemon_refuses_the_same_files_with_the_same_words),
        cmocka_unit_test(each_refusal_begins_with_file_and_line_and_is_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
