/* Terms as JSON and back. One table row a field, used in both directions, so that the two can't drift apart. */
#include "daemon/wire/wire.h"

#include "daemon/base/text.h"

#include <limits.h>
#include <math.h>
#include <string.h>

enum field_type { FIELD_TIME, FIELD_INT, FIELD_BITS, FIELD_NUMBER, FIELD_NUMBERS, FIELD_BOOL, FIELD_TEXT, FIELD_WORD };

struct field {
    const char *key;
    enum field_type type;
    size_t offset;
    size_t size;                /* text: with its NUL; numbers: how many */
    const char *(*word)(int i); /* words: their names ... */
    int words;                  /* ... and how many */
};

static const char *mode_word(int i)
{
    return load_mode_name((enum load_mode)i);
}
static const char *finding_word(int i)
{
    return finding_kind_name((enum finding_kind)i);
}
static const char *severity_word(int i)
{
    return severity_name((enum severity)i);
}
static const char *mark_word(int i)
{
    return mark_kind_name((enum mark_kind)i);
}
static const char *order_word(int i)
{
    return order_kind_name((enum order_kind)i);
}
static const char *end_word(int i)
{
    return run_end_name((enum run_end)i);
}
static const char *state_word(int i)
{
    return outcome_state_name((enum outcome_state)i);
}
static const char *proof_word(int i)
{
    static const char *const words[] = {[PROOF_NONE] = "none", [PROOF_VOLTAGE_ONLY] = "voltage only", [PROOF_CONTRACT] = "contract"};
    return i >= 0 && i <= PROOF_CONTRACT ? words[i] : "none";
}

#define TIME(of, name)    {#name, FIELD_TIME, offsetof(struct of, name), 0, NULL, 0}
#define INT(of, name)     {#name, FIELD_INT, offsetof(struct of, name), 0, NULL, 0}
#define NUMBER(of, name)  {#name, FIELD_NUMBER, offsetof(struct of, name), 0, NULL, 0}
#define BOOL(of, name)    {#name, FIELD_BOOL, offsetof(struct of, name), 0, NULL, 0}
#define TEXT(of, name)    {#name, FIELD_TEXT, offsetof(struct of, name), sizeof((struct of *)0)->name, NULL, 0}
#define WORD(of, name, word, count) {#name, FIELD_WORD, offsetof(struct of, name), 0, word, count}
#define FIELDS(table) (table), sizeof(table) / sizeof(table)[0]

static const struct field reading_fields[] = {
    TIME(reading, at_us), TIME(reading, asked_us), INT(reading, port), NUMBER(reading, volts), NUMBER(reading, amps),
    NUMBER(reading, load_volts), WORD(reading, mode, mode_word, LOAD_MODES), NUMBER(reading, set_point),
    BOOL(reading, input_on), INT(reading, contract),
    {"celsius", FIELD_NUMBERS, offsetof(struct reading, celsius), PROBES_MAX, NULL, 0},
    {"quality", FIELD_BITS, offsetof(struct reading, quality), 0, NULL, 0},
};
static const struct field finding_fields[] = {
    TIME(finding, at_us), TIME(finding, since_us), WORD(finding, kind, finding_word, FINDING_KINDS),
    WORD(finding, severity, severity_word, SEVERITY_ABORT + 1), INT(finding, port), INT(finding, contract),
    NUMBER(finding, volts), NUMBER(finding, amps), NUMBER(finding, limit), NUMBER(finding, period_s),
    NUMBER(finding, duty), BOOL(finding, over), TEXT(finding, text),
};
static const struct field mark_fields[] = {
    TIME(mark, at_us), TIME(mark, from_us), WORD(mark, kind, mark_word, MARK_KINDS), INT(mark, stage), INT(mark, port),
    INT(mark, contract), WORD(mark, mode, mode_word, LOAD_MODES), NUMBER(mark, set_point), NUMBER(mark, number),
    BOOL(mark, held), TEXT(mark, text),
};
static const struct field order_fields[] = {
    WORD(order, kind, order_word, ORDER_KINDS), INT(order, port), WORD(order, mode, mode_word, LOAD_MODES),
    NUMBER(order, value), NUMBER(order, volts), NUMBER(order, amps), NUMBER(order, watts), NUMBER(order, floor_volts),
    INT(order, contract), TIME(order, period_us), WORD(order, end, end_word, RUN_ENDS), TEXT(order, text),
};
static const struct field outcome_fields[] = {
    TIME(outcome, at_us), WORD(outcome, kind, order_word, ORDER_KINDS), INT(outcome, port), INT(outcome, contract),
    WORD(outcome, state, state_word, OUTCOME_STATES), WORD(outcome, proof, proof_word, PROOF_CONTRACT + 1),
    NUMBER(outcome, value), TEXT(outcome, text),
};

_Static_assert(sizeof(enum load_mode) == sizeof(int) && sizeof(enum mark_kind) == sizeof(int), "words are read as int");

static int int_at(const char *from)
{
    int value;
    memcpy(&value, from, sizeof value);
    return value;
}

/* Trailing nulls say nothing and are left out: most benches have few probes. */
static json_t *numbers_to_json(const char *from, size_t count)
{
    double values[PROBES_MAX];
    json_t *array = json_array();
    memcpy(values, from, count * sizeof values[0]);
    while (count && !isfinite(values[count - 1]))
        count--;
    for (size_t i = 0; array && i < count; i++)
        if (json_array_append_new(array, wire_number(values[i])) < 0) {
            json_decref(array);
            return NULL;
        }
    return array;
}

static json_t *field_to_json(const struct field *field, const char *from)
{
    int64_t time_us;
    double number;
    bool truth;
    switch (field->type) {
    case FIELD_TIME:
        memcpy(&time_us, from, sizeof time_us);
        return json_integer(time_us);
    case FIELD_INT:
    case FIELD_BITS:
        return json_integer(int_at(from));
    case FIELD_NUMBER:
        memcpy(&number, from, sizeof number);
        return wire_number(number);
    case FIELD_NUMBERS:
        return numbers_to_json(from, field->size);
    case FIELD_BOOL:
        memcpy(&truth, from, sizeof truth);
        return json_boolean(truth);
    case FIELD_TEXT:
        return wire_text(from);
    case FIELD_WORD:
        return wire_text(field->word(int_at(from)));
    }
    return NULL;
}

static json_t *to_json(const struct field *fields, size_t count, const void *from, uint64_t seq)
{
    json_t *object = json_object();
    if (!object || json_object_set_new(object, "seq", json_integer((json_int_t)seq)) < 0)
        goto failed;
    for (size_t i = 0; i < count; i++)
        if (json_object_set_new_nocheck(object, fields[i].key, field_to_json(&fields[i], (const char *)from + fields[i].offset)) < 0)
            goto failed;
    return object;
failed:
    json_decref(object);
    return NULL;
}

static int refuse(const struct field *field, struct error *err, const char *expected)
{
    return error_set(err, ERROR_PROTOCOL, "field \"%s\" is missing or of the wrong kind, expected %s", field->key, expected);
}

static int number_from(const json_t *json, double *ret)
{
    if (!json_is_null(json) && !json_is_number(json))
        return -1;
    *ret = json_is_null(json) ? NAN : json_number_value(json);
    return 0;
}

static int numbers_from(const json_t *json, char *to, size_t count)
{
    double values[PROBES_MAX];
    if (!json_is_array(json) || json_array_size(json) > count)
        return -1;
    for (size_t i = 0; i < count; i++) {
        values[i] = NAN;
        if (i < json_array_size(json) && number_from(json_array_get(json, i), &values[i]) < 0)
            return -1;
    }
    memcpy(to, values, count * sizeof values[0]);
    return 0;
}

static int word_from(const struct field *field, const json_t *json, char *to)
{
    const char *said = json_string_value(json);
    for (int i = 0; said && i < field->words; i++)
        if (strcmp(field->word(i), said) == 0) {
            memcpy(to, &i, sizeof i);
            return 0;
        }
    return -1;
}

static int integer_from(const json_t *json, char *to)
{
    json_int_t value = json_integer_value(json);
    int narrow = (int)value;
    if (!json_is_integer(json) || value < INT_MIN || value > INT_MAX)
        return -1;
    memcpy(to, &narrow, sizeof narrow);
    return 0;
}

static int field_from_json(const struct field *field, const json_t *json, char *to, struct error *err)
{
    int64_t time_us = json_integer_value(json);
    double number;
    bool truth = json_is_true(json);
    switch (field->type) {
    case FIELD_TIME:
        if (!json_is_integer(json))
            return refuse(field, err, "whole microseconds");
        memcpy(to, &time_us, sizeof time_us);
        return 0;
    case FIELD_INT:
    case FIELD_BITS:
        return integer_from(json, to) < 0 ? refuse(field, err, "an integer") : 0;
    case FIELD_NUMBER:
        if (!json || number_from(json, &number) < 0)
            return refuse(field, err, "a number or null");
        memcpy(to, &number, sizeof number);
        return 0;
    case FIELD_NUMBERS:
        return numbers_from(json, to, field->size) < 0 ? refuse(field, err, "a list of numbers or nulls") : 0;
    case FIELD_BOOL:
        if (!json_is_boolean(json))
            return refuse(field, err, "true or false");
        memcpy(to, &truth, sizeof truth);
        return 0;
    case FIELD_TEXT:
        if (!json_is_string(json))
            return refuse(field, err, "text");
        text_cut(to, field->size, json_string_value(json));
        return 0;
    case FIELD_WORD:
        return word_from(field, json, to) < 0 ? refuse(field, err, "one of its words (docs/protocol.md)") : 0;
    }
    return -1;
}

/* `scratch` is filled first and copied on success only. */
static int from_json(const struct field *fields, size_t count, const json_t *json, void *scratch, uint64_t *ret_seq, struct error *err)
{
    const json_t *seq = json_object_get(json, "seq");
    if (!json_is_object(json))
        return error_set(err, ERROR_PROTOCOL, "expected a JSON object");
    if (seq && (!json_is_integer(seq) || json_integer_value(seq) < 0))
        return error_set(err, ERROR_PROTOCOL, "field \"seq\" is of the wrong kind, expected an integer of at least 0");
    for (size_t i = 0; i < count; i++)
        if (field_from_json(&fields[i], json_object_get(json, fields[i].key), (char *)scratch + fields[i].offset, err) < 0)
            return -1;
    if (ret_seq)
        *ret_seq = (uint64_t)json_integer_value(seq);
    return 0;
}

json_t *wire_reading(const struct reading *reading, uint64_t seq)
{
    return to_json(FIELDS(reading_fields), reading, seq);
}

int wire_to_reading(const json_t *json, struct reading *ret, uint64_t *ret_seq, struct error *err)
{
    struct reading reading = {0};
    if (from_json(FIELDS(reading_fields), json, &reading, ret_seq, err) < 0)
        return error_prefix(err, "reading");
    *ret = reading;
    return 0;
}

json_t *wire_finding(const struct finding *finding, uint64_t seq)
{
    return to_json(FIELDS(finding_fields), finding, seq);
}

int wire_to_finding(const json_t *json, struct finding *ret, uint64_t *ret_seq, struct error *err)
{
    struct finding finding = {0};
    if (from_json(FIELDS(finding_fields), json, &finding, ret_seq, err) < 0)
        return error_prefix(err, "finding");
    *ret = finding;
    return 0;
}

json_t *wire_mark(const struct mark *mark, uint64_t seq)
{
    return to_json(FIELDS(mark_fields), mark, seq);
}

int wire_to_mark(const json_t *json, struct mark *ret, uint64_t *ret_seq, struct error *err)
{
    struct mark mark = {0};
    if (from_json(FIELDS(mark_fields), json, &mark, ret_seq, err) < 0)
        return error_prefix(err, "mark");
    *ret = mark;
    return 0;
}

json_t *wire_order(const struct order *order, int64_t at_us, uint64_t seq)
{
    json_t *json = to_json(FIELDS(order_fields), order, seq);
    if (json && json_object_set_new(json, "at_us", json_integer(at_us)) < 0) {
        json_decref(json);
        return NULL;
    }
    return json;
}

json_t *wire_outcome(const struct outcome *outcome, uint64_t seq)
{
    return to_json(FIELDS(outcome_fields), outcome, seq);
}
