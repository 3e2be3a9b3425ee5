/* What a dialect holds, for the files of this room. Other rooms have dialect.h. */
#ifndef BRUNT_BENCH_DIALECT_INSIDE_H
#define BRUNT_BENCH_DIALECT_INSIDE_H

#include "daemon/bench/dialect.h"
#include "daemon/terms/terms.h"

#include <stddef.h>
#include <stdint.h>

enum {
    TEMPLATE_SIZE = 80, /* one command as the file writes it */
    WORD_SIZE = 24,     /* a value word, "CURR" */
    MATCH_SIZE = 120,
    MATCHES_MAX = 8,
    LACKS_MAX = 24,
    MESSAGE_SIZE = 256, /* a message as it goes out, end included */
    ANSWER_SIZE = 1024  /* the longest answer any dialect may announce */
};

enum role { AS_LOAD, AS_SELECTOR, AS_THERMOMETER, AS_MAINS, AS_METER, AS_ROLES };

enum line_end { END_LF, END_CR, END_CR_LF, END_ANY /* CR and LF in any order; empty lines mean nothing */, LINE_ENDS };
enum compound {
    COMPOUND_NONE,
    COMPOUND_FULL /* each header in full */,
    COMPOUND_PATH /* the standard's path rule */,
    COMPOUNDS
};
enum form { FORM_NR1, FORM_NR2, FORM_NR3, FORM_NUMBER /* any of the three */, FORMS };
enum channel_default {
    CHANNEL_STATED,
    CHANNEL_FIRST /* left out means 1 */,
    CHANNEL_SELECTED /* left out means the selected one */,
    CHANNEL_DEFAULTS
};

struct command { /* send: a setting; query: reads it back, or measures. "" where the dialect has none */
    char send[TEMPLATE_SIZE], query[TEMPLATE_SIZE];
    double scale;        /* one of the instrument's units in ours: 0.001 for mV */
    int decimals;        /* of a value sent */
    enum form form;      /* of the answer */
    int answer_decimals; /* exactly so many behind the point; -1: any */
    int fields;          /* values in the answer */
    char separator;      /* between them */
    double within;       /* fraction by which a read-back may differ from what was sent (the instrument's resolution) */
    double low, high;    /* what may be sent, in our units */
};

struct toggle { /* something that is on or off */
    char on[TEMPLATE_SIZE], off[TEMPLATE_SIZE], off_all[TEMPLATE_SIZE], query[TEMPLATE_SIZE];
    char answer_on[WORD_SIZE], answer_off[WORD_SIZE];
};

enum command_id {
    CMD_CURRENT,
    CMD_VOLTAGE,
    CMD_RESISTANCE, /* in the order of enum load_mode */
    CMD_VOLTS,
    CMD_AMPS,
    CMD_VOLTS_AND_AMPS,
    CMD_OVER_VOLTS,
    CMD_OVER_AMPS,
    CMD_OVER_WATTS,
    CMD_UNDER_VOLTS,
    CMD_COMMUNICATIONS_TIMEOUT,
    CMD_CONTRACT,
    CMD_SETTLED,
    CMD_OFFERS,
    CMD_CABLE,
    CMD_CELSIUS,
    CMD_METER_VOLTS,
    CMD_METER_AMPS,
    CMD_METER_WATTS,
    CMD_METER_POWER_FACTOR,
    COMMANDS
};

enum trip { TRIP_OVER_VOLTS, TRIP_OVER_AMPS, TRIP_OVER_WATTS, TRIP_OVER_TEMPERATURE, TRIP_UNDER_VOLTS, TRIPS };

struct dialect_line {
    enum line_end message_end, answer_end;
    bool echo;
    char spoil[8];
    int longest_message, longest_answer; /* bytes, end included */
    int64_t answer_within_us, quiet_us, shortest_interval_us;
    enum compound compound;
    char separator, answer_separator;
    char not_a_number[WORD_SIZE], overflow[WORD_SIZE];
};

struct dialect {
    char name[NAME_SIZE];
    enum role role;
    struct dialect_line line;
    char identity_query[TEMPLATE_SIZE];
    char identity_match[MATCHES_MAX][MATCH_SIZE];
    size_t identity_match_len;
    char nonce[TEMPLATE_SIZE]; /* "" none; {value} is echoed in the answer */
    int nonce_low, nonce_high;
    char error_query[TEMPLATE_SIZE], error_clear[TEMPLATE_SIZE], error_none[WORD_SIZE];
    char power_query[TEMPLATE_SIZE];
    int power_bit;
    struct command commands[COMMANDS];
    struct toggle toggle; /* load: input; mains: output; selector: attached */
    char mode_send[TEMPLATE_SIZE], mode_query[TEMPLATE_SIZE];
    char mode_word[LOAD_MODES][WORD_SIZE];
    char trip_query[TEMPLATE_SIZE], trip_clear[TEMPLATE_SIZE];
    int trip_bit[TRIPS];
    enum channel_default channel_default;
    char channel_select[TEMPLATE_SIZE], channel_query[TEMPLATE_SIZE];
    int64_t contract_within_us; /* how long a selection may take */
    const char *lacks[LACKS_MAX + 1];
};

static inline bool can_send(const struct command *command)
{
    return command->send[0] != '\0';
}

static inline bool can_ask(const struct command *command)
{
    return command->query[0] != '\0';
}

/* dialect_lacks.c: what this dialect can't do, into dialect->lacks. */
void dialect_find_lacks(struct dialect *dialect);

#endif
