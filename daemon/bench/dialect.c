/* Reads a dialect file, strictly: each template is looked through when it is read, so that no run ever meets a bad one.
 */
#include "daemon/bench/dialect_inside.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

static const char *const role_words[AS_ROLES] = {"load", "selector", "thermometer", "mains", "meter"};

enum quantity { OF_VOLTS, OF_AMPS, OF_OHMS, OF_WATTS, OF_SECONDS, OF_CELSIUS, OF_NOTHING };

static const struct {
    const char *word;
    enum quantity of;
    double scale;
} units[] = {
    {"V", OF_VOLTS, 1},   {"mV", OF_VOLTS, 1e-3},   {"A", OF_AMPS, 1},    {"mA", OF_AMPS, 1e-3},
    {"ohm", OF_OHMS, 1},  {"kohm", OF_OHMS, 1e3},   {"W", OF_WATTS, 1},   {"mW", OF_WATTS, 1e-3},
    {"s", OF_SECONDS, 1}, {"ms", OF_SECONDS, 1e-3}, {"C", OF_CELSIUS, 1}, {"none", OF_NOTHING, 1},
};

enum part { PART_SEND = 1, PART_QUERY = 2 };

static const struct command_row { /* one row says all there is about a command's group in the file */
    const char *key;
    enum quantity of;
    int fields;      /* values in its answer; 0: as the file says ("values"); -1: any number up to what is asked */
    unsigned roles;  /* bits: which roles have it */
    unsigned needed; /* roles that can't do without */
    unsigned parts;  /* which templates it must have if it's there */
} command_rows[COMMANDS] = {
#define IN(role) (1u << (role))
    [CMD_CURRENT] = {"current", OF_AMPS, 1, IN(AS_LOAD), IN(AS_LOAD), PART_SEND},
    [CMD_VOLTAGE] = {"voltage", OF_VOLTS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_RESISTANCE] = {"resistance", OF_OHMS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_VOLTS] = {"volts", OF_VOLTS, 1, IN(AS_LOAD), IN(AS_LOAD), PART_QUERY},
    [CMD_AMPS] = {"amps", OF_AMPS, 1, IN(AS_LOAD), IN(AS_LOAD), PART_QUERY},
    [CMD_VOLTS_AND_AMPS] = {"volts_and_amps", OF_NOTHING, 2, IN(AS_LOAD), 0, PART_QUERY},
    [CMD_OVER_VOLTS] = {"over_volts", OF_VOLTS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_OVER_AMPS] = {"over_amps", OF_AMPS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_OVER_WATTS] = {"over_watts", OF_WATTS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_UNDER_VOLTS] = {"under_volts", OF_VOLTS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_COMMUNICATIONS_TIMEOUT] = {"communications_timeout", OF_SECONDS, 1, IN(AS_LOAD), 0, PART_SEND},
    [CMD_CONTRACT] = {"contract", OF_NOTHING, 0, IN(AS_SELECTOR), IN(AS_SELECTOR), PART_SEND | PART_QUERY},
    [CMD_SETTLED] = {"settled", OF_NOTHING, 1, IN(AS_SELECTOR), 0, PART_QUERY},
    [CMD_OFFERS] = {"offers", OF_NOTHING, 3, IN(AS_SELECTOR), 0, PART_QUERY},
    [CMD_CABLE] = {"cable", OF_AMPS, 1, IN(AS_SELECTOR), 0, PART_QUERY},
    [CMD_CELSIUS] = {"celsius", OF_CELSIUS, -1, IN(AS_THERMOMETER), IN(AS_THERMOMETER), PART_QUERY},
    [CMD_METER_VOLTS] = {"meter_volts", OF_VOLTS, 1, IN(AS_METER), 0, PART_QUERY},
    [CMD_METER_AMPS] = {"meter_amps", OF_AMPS, 1, IN(AS_METER), 0, PART_QUERY},
    [CMD_METER_WATTS] = {"meter_watts", OF_WATTS, 1, IN(AS_METER), IN(AS_METER), PART_QUERY},
    [CMD_METER_POWER_FACTOR] = {"meter_power_factor", OF_NOTHING, 1, IN(AS_METER), 0, PART_QUERY},
};

/* ---- templates ---- */

/* Places a template may have, by name; anything else in braces is a slip of the pen. */
enum value_place { VALUE_NONE, VALUE_ONE, VALUE_EITHER /* a list of channels, or one channel at a time */ };

static bool places_known(const char *form, enum value_place wanted, char *why, size_t why_size)
{
    bool value = false;
    for (const char *open = strchr(form, '{'); open; open = strchr(open + 1, '{')) {
        bool is_value = strncmp(open, "{value}", 7) == 0;
        value = value || is_value;
        if (!is_value && strncmp(open, "{channel}", 9) != 0)
            return !text_add(why, why_size, "has a place \"%.12s\", expected {channel} or {value}", open) && false;
    }
    if (wanted != VALUE_EITHER && value != (wanted == VALUE_ONE))
        return !text_add(why, why_size,
                         value ? "has a {value}, expected none in it" : "has no {value}, expected one") &&
               false;
    return true;
}

static int check_template(struct tree_at at, const char *key, char *form, enum value_place value_wanted, bool query,
                          struct error *err)
{
    char why[120] = "", right[TEMPLATE_SIZE];
    if (strpbrk(form, "[]<>|"))
        return tree_refuse(
            at, err, "%s \"%s\" still has the manual's brackets, expected optional parts left out and one choice made",
            key, form);
    if (query != (strchr(form, '?') != NULL))
        return tree_refuse(at, err,
                           query ? "%s \"%s\" has no question mark, expected a query"
                                 : "%s \"%s\" is a query, expected a command",
                           key, form);
    if (!places_known(form, value_wanted, why, sizeof why))
        return tree_refuse(at, err, "%s \"%s\" %s", key, form, why);
    if (message_shorten(form, right, sizeof right))
        return tree_refuse(at, err, "%s: the capitals of a mnemonic aren't its short form, expected %s there", key,
                           right);
    return 0;
}

/* A template; absent and not needed: "" stays. */
static int read_template(struct tree_at at, const char *key, char *ret, bool needed, enum value_place value_wanted,
                         bool query, struct error *err)
{
    int rc =
        needed ? tree_need_text(at, key, ret, TEMPLATE_SIZE, err) : tree_want_text(at, key, ret, TEMPLATE_SIZE, err);
    if (rc < 0 || !ret[0])
        return rc;
    return check_template(at, key, ret, value_wanted, query, err);
}

/* One printable character that stands between values. */
static int read_separator(struct tree_at at, const char *key, char *ret, struct error *err)
{
    char text[2] = {*ret, '\0'};
    if (tree_want_text(at, key, text, sizeof text, err) < 0)
        return -1;
    *ret = text[0];
    return 0;
}

/* ---- line ---- */

static const char *const end_words[LINE_ENDS] = {"LF", "CR", "CRLF", "any"};
static const char *const compound_words[COMPOUNDS] = {"none", "full", "path"};

static int read_line_ends(struct tree_at at, struct dialect_line *line, struct error *err)
{
    int message_end = 0, answer_end = 0, compound = 0;
    if (tree_need_word(at, "message_end", end_words, END_ANY, &message_end, err) < 0 ||
        tree_need_word(at, "answer_end", end_words, LINE_ENDS, &answer_end, err) < 0 ||
        tree_need_word(at, "compound", compound_words, COMPOUNDS, &compound, err) < 0 ||
        tree_want_bool(at, "echo", &line->echo, err) < 0)
        return -1;
    line->message_end = (enum line_end)message_end;
    line->answer_end = (enum line_end)answer_end;
    line->compound = (enum compound)compound;
    return 0;
}

static int read_line_text(struct tree_at at, struct dialect_line *line, struct error *err)
{
    line->separator = line->answer_separator = ';';
    if (tree_want_text(at, "spoil", line->spoil, sizeof line->spoil, err) < 0 ||
        tree_want_text(at, "not_a_number", line->not_a_number, sizeof line->not_a_number, err) < 0 ||
        tree_want_text(at, "overflow", line->overflow, sizeof line->overflow, err) < 0 ||
        read_separator(at, "separator", &line->separator, err) < 0 ||
        read_separator(at, "answer_separator", &line->answer_separator, err) < 0)
        return -1;
    for (const char *c = line->spoil; *c; c++)
        if ((*c >= '0' && *c <= '9') || (*c >= 'A' && *c <= 'Z') || (*c >= 'a' && *c <= 'z') || strchr(" ;:,.*?+-", *c))
            return tree_refuse(at, err,
                               "spoil \"%s\" could be part of a command, expected characters that make the instrument "
                               "drop the line, such as \"!\"",
                               line->spoil);
    return 0;
}

static int read_line(struct tree_at root, struct dialect_line *line, struct error *err)
{
    struct tree_at at;
    if (tree_need_group(root, "line", &at, err) < 0 || read_line_ends(at, line, err) < 0 ||
        read_line_text(at, line, err) < 0 ||
        tree_need_int(at, "longest_message", 16, MESSAGE_SIZE, &line->longest_message, err) < 0 ||
        tree_need_int(at, "longest_answer", 8, ANSWER_SIZE, &line->longest_answer, err) < 0 ||
        tree_need_duration(at, "answer_within", 1000, 10 * US_PER_S, &line->answer_within_us, err) < 0)
        return -1;
    line->quiet_us = line->answer_within_us;
    if (tree_want_duration(at, "quiet", 1000, 10 * US_PER_S, &line->quiet_us, err) < 0)
        return -1;
    return tree_want_duration(at, "shortest_interval", 0, 10 * US_PER_S, &line->shortest_interval_us, err);
}

/* ---- what each instrument has ---- */

static int read_identity(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at, list;
    if (tree_need_group(root, "identity", &at, err) < 0 ||
        read_template(at, "query", dialect->identity_query, true, VALUE_NONE, true, err) < 0 ||
        tree_need_list(at, "match", 1, MATCHES_MAX, &list, err) < 0)
        return -1;
    dialect->identity_match_len = tree_count(list);
    for (size_t i = 0; i < dialect->identity_match_len; i++)
        if (tree_as_text(tree_member(list, i), dialect->identity_match[i], MATCH_SIZE, err) < 0)
            return -1;
    return 0;
}

static int read_nonce(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    if (!tree_has(root, "nonce"))
        return 0;
    if (tree_need_group(root, "nonce", &at, err) < 0 ||
        read_template(at, "send", dialect->nonce, true, VALUE_ONE, true, err) < 0 ||
        tree_need_int(at, "low", 0, 1000000, &dialect->nonce_low, err) < 0)
        return -1;
    return tree_need_int(at, "high", dialect->nonce_low + 15, 1000000, &dialect->nonce_high, err);
}

static int read_errors(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    if (!tree_has(root, "errors"))
        return 0;
    if (tree_need_group(root, "errors", &at, err) < 0 ||
        read_template(at, "query", dialect->error_query, true, VALUE_NONE, true, err) < 0 ||
        tree_need_text(at, "none", dialect->error_none, WORD_SIZE, err) < 0)
        return -1;
    return read_template(at, "clear", dialect->error_clear, false, VALUE_NONE, false, err);
}

static int read_power_on(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    if (!tree_has(root, "power_on"))
        return 0;
    if (tree_need_group(root, "power_on", &at, err) < 0 ||
        read_template(at, "query", dialect->power_query, true, VALUE_NONE, true, err) < 0)
        return -1;
    return tree_need_int(at, "bit", 1, 32768, &dialect->power_bit, err);
}

static const char *const form_words[FORMS] = {"NR1", "NR2", "NR3", "number"};

static int read_answer(struct tree_at at, const struct command_row *row, struct command *command, struct error *err)
{
    int form = 0, fields = row->fields > 0 ? row->fields : 1;
    if (tree_need_word(at, "answer", form_words, FORMS, &form, err) < 0 ||
        tree_want_int(at, "answer_decimals", 0, 12, &command->answer_decimals, err) < 0 ||
        (row->fields == 0 && tree_need_int(at, "values", 1, 2, &fields, err) < 0) ||
        read_separator(at, "separator", &command->separator, err) < 0)
        return -1;
    command->form = (enum form)form;
    command->fields = fields;
    return 0;
}

static int read_setting(struct tree_at at, struct command *command, struct error *err)
{
    double percent = 0.5;
    if (tree_need_int(at, "decimals", 0, 9, &command->decimals, err) < 0 ||
        tree_want_number(at, "within_percent", 0.0, 50.0, &percent, err) < 0 ||
        tree_want_number(at, "low", 0.0, 1e9, &command->low, err) < 0 ||
        tree_want_number(at, "high", command->low, 1e9, &command->high, err) < 0)
        return -1;
    command->within = percent / 100.0;
    return 0;
}

static int read_unit(struct tree_at at, const struct command_row *row, struct command *command, struct error *err)
{
    const char *words[COUNT(units)];
    double scales[COUNT(units)];
    size_t count = 0;
    int word = 0;
    for (size_t i = 0; i < COUNT(units); i++) {
        if (units[i].of != row->of)
            continue;
        words[count] = units[i].word;
        scales[count++] = units[i].scale;
    }
    if (row->of != OF_NOTHING && tree_need_word(at, "unit", words, count, &word, err) < 0)
        return -1;
    command->scale = row->of == OF_NOTHING ? 1.0 : scales[word];
    return 0;
}

static int read_command(struct tree_at root, const struct command_row *row, struct command *command, bool needed,
                        struct error *err)
{
    struct tree_at at;
    *command = (struct command){.scale = 1.0, .answer_decimals = -1, .separator = ',', .high = 1e9, .fields = 1};
    if (!needed && !tree_has(root, row->key))
        return 0;
    /* A list of probes goes to a thermometer as the value of its query. */
    if (tree_need_group(root, row->key, &at, err) < 0 || read_unit(at, row, command, err) < 0 ||
        read_template(at, "query", command->query, row->parts & PART_QUERY,
                      row->fields == -1 ? VALUE_EITHER : VALUE_NONE, true, err) < 0)
        return -1;
    if ((row->parts & PART_SEND) && read_template(at, "send", command->send, true, VALUE_ONE, false, err) < 0)
        return -1;
    if (can_send(command) && read_setting(at, command, err) < 0)
        return -1;
    return can_ask(command) ? read_answer(at, row, command, err) : 0;
}

static int read_toggle(struct tree_at root, const char *key, struct toggle *toggle, struct error *err)
{
    struct tree_at at;
    strcpy(toggle->answer_on, "1");
    strcpy(toggle->answer_off, "0");
    if (tree_need_group(root, key, &at, err) < 0 ||
        read_template(at, "on", toggle->on, true, VALUE_NONE, false, err) < 0 ||
        read_template(at, "off", toggle->off, true, VALUE_NONE, false, err) < 0 ||
        read_template(at, "off_all", toggle->off_all, false, VALUE_NONE, false, err) < 0 ||
        read_template(at, "query", toggle->query, false, VALUE_NONE, true, err) < 0 ||
        tree_want_text(at, "answer_on", toggle->answer_on, WORD_SIZE, err) < 0 ||
        tree_want_text(at, "answer_off", toggle->answer_off, WORD_SIZE, err) < 0)
        return -1;
    if (strchr(toggle->on, ';'))
        return tree_refuse(at, err, "on \"%s\" carries more than one command, expected input-on to travel alone",
                           toggle->on);
    if (strcmp(toggle->on, toggle->off) == 0 || strcmp(toggle->answer_on, toggle->answer_off) == 0)
        return tree_refuse(at, err, "can't tell on from off, expected two different texts");
    return 0;
}

static int read_mode(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    static const enum command_id set_by[LOAD_MODES] = {CMD_CURRENT, CMD_VOLTAGE, CMD_RESISTANCE};
    if (!tree_has(root, "mode"))
        return can_send(&dialect->commands[CMD_VOLTAGE]) || can_send(&dialect->commands[CMD_RESISTANCE])
                   ? tree_refuse(root, err,
                                 "has set-points of several modes, expected a group mode that says how to change it")
                   : 0;
    if (tree_need_group(root, "mode", &at, err) < 0 ||
        read_template(at, "send", dialect->mode_send, true, VALUE_ONE, false, err) < 0 ||
        read_template(at, "query", dialect->mode_query, false, VALUE_NONE, true, err) < 0)
        return -1;
    for (int mode = 0; mode < LOAD_MODES; mode++) {
        const char *key = load_mode_name((enum load_mode)mode);
        int rc = can_send(&dialect->commands[set_by[mode]])
                     ? tree_need_text(at, key, dialect->mode_word[mode], WORD_SIZE, err)
                     : tree_want_text(at, key, dialect->mode_word[mode], WORD_SIZE, err);
        if (rc < 0)
            return -1;
    }
    return 0;
}

static const char *const trip_keys[TRIPS] = {"over_volts_bit", "over_amps_bit", "over_watts_bit",
                                             "over_temperature_bit", "under_volts_bit"};

static int read_tripped(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    if (!tree_has(root, "tripped"))
        return 0;
    if (tree_need_group(root, "tripped", &at, err) < 0 ||
        read_template(at, "query", dialect->trip_query, true, VALUE_NONE, true, err) < 0 ||
        read_template(at, "clear", dialect->trip_clear, true, VALUE_NONE, false, err) < 0)
        return -1;
    for (int trip = 0; trip < TRIPS; trip++)
        if (tree_want_int(at, trip_keys[trip], 1, 1 << 24, &dialect->trip_bit[trip], err) < 0)
            return -1;
    return 0;
}

static const char *const channel_words[CHANNEL_DEFAULTS] = {"stated", "first", "selected"};

static int read_channels(struct tree_at root, struct dialect *dialect, struct error *err)
{
    struct tree_at at;
    int word = 0;
    if (!tree_has(root, "channels"))
        return 0;
    if (tree_need_group(root, "channels", &at, err) < 0 ||
        tree_need_word(at, "left_out", channel_words, CHANNEL_DEFAULTS, &word, err) < 0)
        return -1;
    dialect->channel_default = (enum channel_default)word;
    if (dialect->channel_default != CHANNEL_SELECTED)
        return 0;
    if (read_template(at, "select", dialect->channel_select, true, VALUE_ONE, false, err) < 0)
        return -1;
    return read_template(at, "query", dialect->channel_query, true, VALUE_NONE, true, err);
}

/* ---- whole ---- */

static int read_commands(struct tree_at root, struct dialect *dialect, struct error *err)
{
    for (size_t i = 0; i < COMMANDS; i++) {
        const struct command_row *row = &command_rows[i];
        dialect->commands[i].scale = 1.0;
        if ((row->roles & IN(dialect->role)) &&
            read_command(root, row, &dialect->commands[i], (row->needed & IN(dialect->role)) != 0, err) < 0)
            return -1;
    }
    return 0;
}

static int read_load(struct tree_at root, struct dialect *dialect, struct error *err)
{
    if (read_toggle(root, "input", &dialect->toggle, err) < 0 || read_mode(root, dialect, err) < 0 ||
        read_tripped(root, dialect, err) < 0)
        return -1;
    return read_channels(root, dialect, err);
}

static int read_selector(struct tree_at root, struct dialect *dialect, struct error *err)
{
    dialect->contract_within_us = 3 * US_PER_S;
    if (tree_want_duration(root, "contract_within", 10 * US_PER_MS, 60 * US_PER_S, &dialect->contract_within_us, err) <
        0)
        return -1;
    return tree_has(root, "attached") ? read_toggle(root, "attached", &dialect->toggle, err) : 0;
}

static int read_role(struct tree_at root, struct dialect *dialect, struct error *err)
{
    if (read_commands(root, dialect, err) < 0)
        return -1;
    switch (dialect->role) {
    case AS_LOAD:
        return read_load(root, dialect, err);
    case AS_SELECTOR:
        return read_selector(root, dialect, err);
    case AS_MAINS:
        return read_toggle(root, "output", &dialect->toggle, err);
    case AS_THERMOMETER:
    case AS_METER:
    case AS_ROLES:
        break;
    }
    return 0;
}

/* The ways off and the question who is there must fit into one message, else nothing can be done with it. */
static int check_lengths(struct tree_at root, const struct dialect *dialect, struct error *err)
{
    const char *const forms[] = {dialect->toggle.on, dialect->toggle.off, dialect->toggle.off_all,
                                 dialect->toggle.query, dialect->identity_query};
    for (size_t i = 0; i < COUNT(forms); i++)
        if (strlen(forms[i]) + 2 > (size_t)dialect->line.longest_message)
            return tree_refuse(root, err, "has \"%s\", which is longer than line.longest_message, expected it to fit",
                               forms[i]);
    return 0;
}

static int read_all(struct tree *tree, struct dialect *dialect, struct error *err)
{
    struct tree_at root;
    int role = 0;
    if (tree_need_group(tree_root(tree), "dialect", &root, err) < 0 ||
        tree_need_name(root, "name", dialect->name, sizeof dialect->name, err) < 0 ||
        tree_need_word(root, "role", role_words, AS_ROLES, &role, err) < 0)
        return -1;
    dialect->role = (enum role)role;
    if (read_line(root, &dialect->line, err) < 0 || read_identity(root, dialect, err) < 0 ||
        read_nonce(root, dialect, err) < 0 || read_errors(root, dialect, err) < 0 ||
        read_power_on(root, dialect, err) < 0 || read_role(root, dialect, err) < 0)
        return -1;
    if (!dialect->line.spoil[0] && (dialect->role == AS_LOAD || dialect->role == AS_MAINS))
        return tree_refuse(
            root, err,
            "has no spoil bytes, expected line.spoil: without them half a message of a dead writer could be completed");
    if (check_lengths(root, dialect, err) < 0)
        return -1;
    return tree_all_taken(tree, err);
}

struct dialect *dialect_read(struct tree *tree, struct error *err)
{
    struct dialect *dialect = calloc(1, sizeof *dialect);
    if (!dialect) {
        error_set(err, ERROR_MEMORY, "no memory for a dialect");
        return NULL;
    }
    if (read_all(tree, dialect, err) < 0) {
        dialect_free(dialect);
        return NULL;
    }
    dialect_find_lacks(dialect);
    return dialect;
}

void dialect_free(struct dialect *dialect)
{
    free(dialect);
}

const char *dialect_name(const struct dialect *dialect)
{
    return dialect->name;
}

const char *dialect_role(const struct dialect *dialect)
{
    return role_words[dialect->role];
}

const char *dialect_lacks(const struct dialect *dialect, size_t i)
{
    return i < LACKS_MAX ? dialect->lacks[i] : NULL;
}
