/* What the files of this room share; nobody else includes it. */
#ifndef BRUNT_SIM_SCPI_OWN_H
#define BRUNT_SIM_SCPI_OWN_H

#include "sim/scpi/pattern.h"
#include "sim/scpi/server.h"
#include "sim/scpi/status.h"
#include "sim/scpi/value.h"

enum {
    INPUT_MAX = 256,
    INPUT_MAX_TERSE = 64,
    OUTPUT_MAX = 4096,
    SEGMENTS_MAX = 64,
    ANSWER_MAX = 1024,
    PARAMETERS_MAX = 4,
    TRIPS = 5
};

/* One line on its way out: an answer, or the echo of a message. */
struct segment {
    int64_t due_us;
    size_t len;
    bool echo;
};

struct server {
    struct server_setup setup;
    struct world *world; /* borrowed */
    uint64_t random;
    struct status status;
    char input[INPUT_MAX + 1];
    size_t input_len;
    bool input_overrun;
    char output[OUTPUT_MAX];
    size_t output_len;
    struct segment segments[SEGMENTS_MAX]; /* oldest first */
    size_t segment_count;
    bool has_power;
    size_t selected;                               /* load channel within the address, from 0 */
    double trip_levels[WORLD_CHANNELS_MAX][TRIPS]; /* kept while disarmed by PROTection:STATe OFF */
    double slews[WORLD_CHANNELS_MAX];              /* last set; 0: the world's own */
    int64_t timeout_us, heard_us; /* communications time-out; 0: none. heard: last message without an error */
    bool timed_out;
    int terse_error;
    int64_t now_us;
};

/* ---- server.c ---- */
bool server_has_role(const struct server *server, enum server_role role);
/* Channels, ports or places of the address: [ret_first, ret_first + returned) in the world. */
size_t server_span(const struct server *server, enum server_role role, size_t *ret_first);
/* One whole answer without its line end; delay as set up. */
void server_say(struct server *server, const char *text, size_t len);
void server_refresh(struct server *server); /* conditions into the status registers */
bool message_byte_is_legal(char c);

/* ---- message.c: standard and late; terse.c ---- */
void message_obey(struct server *server, const char *text, size_t len);
void terse_obey(struct server *server, const char *text, size_t len);

/* ---- one call of a command ---- */
struct text_span {
    const char *text;
    size_t len;
};

struct command;

struct call {
    struct server *server;
    const struct command *command;
    bool asks;
    int suffix; /* -1 none */
    size_t parameter_count;
    struct text_span parameters[PARAMETERS_MAX];
    char answer[ANSWER_MAX];
    size_t answer_len;
    int error; /* 0, or an SCPI error number that refuses the call */
};

enum { SETS = 1, ASKS = 2 };
#define ROLE(r) (1u << (r))

struct command {
    const char *pattern;
    unsigned forms; /* SETS, ASKS */
    unsigned roles; /* ROLE() bits; SERVER_ALL counts as each of them */
    void (*obey)(struct call *call);
    int arg;
    unsigned char parameters_min, parameters_max; /* of the setting form */
    unsigned char ask_parameters_max;
};

extern const struct command standard_commands[];
extern const size_t standard_command_count;
extern const struct command late_commands[];
extern const size_t late_command_count;

/* Which channel, port or place the suffix names; -114 into call->error and false if there is none such. */
bool call_target(struct call *call, enum server_role role, size_t *ret);
bool call_number(struct call *call, size_t parameter, const char *unit, double min, double max, double dflt,
                 double *ret);
bool call_boolean(struct call *call, size_t parameter, bool *ret);
void call_answer(struct call *call, const char *text);
void call_answer_number(struct call *call, double value, int decimals); /* joined by ',' */
void call_answer_integer(struct call *call, long value);
void call_refuse(struct call *call, int error);

/* ---- commands ---- */
void load_input(struct call *call);
void load_all(struct call *call);
void load_select(struct call *call);
void load_count(struct call *call);
void load_mode(struct call *call);
void load_level(struct call *call);
void load_slew(struct call *call);
void load_measure(struct call *call);
void load_both(struct call *call);
void load_protect(struct call *call);
void load_protect_state(struct call *call);
void load_tripped(struct call *call);
void load_clear(struct call *call);
void load_timeout(struct call *call);
void selector_select(struct call *call);
void selector_settled(struct call *call);
void selector_count(struct call *call);
void selector_catalog(struct call *call);
void selector_attach(struct call *call);
void selector_cable(struct call *call);
void selector_ports(struct call *call);
void thermo_read(struct call *call);
void thermo_reference(struct call *call);
void thermo_count(struct call *call);
void thermo_name(struct call *call);
void mains_state(struct call *call);
void mains_volts(struct call *call);
void meter_ac(struct call *call);
void meter_receptacle(struct call *call);
void common_clear(struct call *call);
void common_ese(struct call *call);
void common_esr(struct call *call);
void common_idn(struct call *call);
void common_opc(struct call *call);
void common_reset(struct call *call);
void common_sre(struct call *call);
void common_stb(struct call *call);
void common_test(struct call *call);
void common_wait(struct call *call);
void system_error(struct call *call);
void system_error_count(struct call *call);
void system_version(struct call *call);
void status_group(struct call *call);
void status_all_preset(struct call *call);

/* ---- acts shared with the terse shape ---- */
enum { MEASURE_VOLTS, MEASURE_AMPS, MEASURE_WATTS };
enum { AC_VOLTS, AC_AMPS, AC_WATTS, AC_FACTOR };
double load_measured(const struct server *server, size_t channel, int what);
double load_trip_max(const struct server *server, size_t channel, int trip_index);
void load_set_trip(struct server *server, size_t channel, int trip_index, double level);
bool load_switch(struct server *server, size_t channel, bool on); /* false: tripped */
void load_all_off(struct server *server);
double meter_ac_value(const struct server *server, int what);
double thermo_junction_celsius(const struct server *server);
double thermo_volts(const struct server *server, size_t place);
void instrument_reset(struct server *server); /* *RST of every role the address has */
double couple_k_volts(double celsius);        /* NAN outside -270 to 1372 */

#endif
