/* Taking values out of a tree: type, range and unit are held against what the reader asks. */
#include "daemon/base/tree_node.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *ending, *unit;
} key_units[] = {
    {"amps_per_s", " A/s"}, {"volts", " V"}, {"amps", " A"}, {"watts", " W"},   {"ohms", " ohm"}, {"percent", " %"},
    {"celsius", " °C"},     {"kelvin", " K"}, {"hz", " Hz"},  {"joules", " J"}, {"k", " K"},      {"seconds", " s"},
};

/* The unit that the ending of a key promises; "" for keys that are plain numbers. */
static const char *unit_of_key(const char *key)
{
    size_t len = strlen(key);
    for (size_t i = 0; i < sizeof key_units / sizeof key_units[0]; i++) {
        size_t ending = strlen(key_units[i].ending);
        if (len >= ending && strcmp(key + len - ending, key_units[i].ending) == 0 && (len == ending || key[len - ending - 1] == '_'))
            return key_units[i].unit;
    }
    return "";
}

static void remember(struct tree_node *group, const char *key)
{
    struct tree_asked **end = &group->asked;
    for (; *end; end = &(*end)->next)
        if (strcmp((*end)->key, key) == 0)
            return;
    size_t size = strlen(key) + 1;
    struct tree_asked *asked = malloc(sizeof *asked + size);
    if (!asked)
        return; /* a sentence will list one key less */
    memcpy(asked->key, key, size);
    asked->next = NULL;
    *end = asked;
}

static struct tree_node *find(struct tree_at group, const char *key)
{
    remember(group.node, key);
    if (group.node->type != TREE_GROUP)
        return NULL;
    for (size_t i = 0; i < group.node->count; i++)
        if (strcmp(group.node->members[i].key, key) == 0)
            return &group.node->members[i];
    return NULL;
}

bool tree_has(struct tree_at group, const char *key)
{
    return find(group, key) != NULL;
}

int tree_line_of(struct tree_at group, const char *key)
{
    const struct tree_node *node = find(group, key);
    return node ? node->line : group.node->line;
}

/* `max` stands where `max_volts` is wanted: the unit was forgotten. */
static const struct tree_node *without_unit(struct tree_at group, const char *key)
{
    for (size_t i = 0; i < group.node->count; i++) {
        const struct tree_node *member = &group.node->members[i];
        size_t len = strlen(member->key);
        if (len && !member->taken && strncmp(member->key, key, len) == 0 && key[len] == '_' && unit_of_key(key)[0])
            return member;
    }
    return NULL;
}

/* 1: found and taken, 0: absent and not needed, -1: absent and needed. */
static int take(struct tree_at group, const char *key, bool needed, const char *expected, struct tree_at *ret, struct error *err)
{
    struct tree_node *node = find(group, key);
    if (node) {
        node->taken = true;
        *ret = (struct tree_at){group.tree, node};
        return 1;
    }
    if (!needed)
        return 0;
    if (group.node->type != TREE_GROUP)
        return tree_refuse(group, err, "is no group, expected { %s = ...; }", key);
    const struct tree_node *bare = without_unit(group, key);
    if (bare)
        return tree_refuse_line(group.tree, bare->line, err, "%s is given without its unit, expected %s", bare->key, key);
    return tree_refuse(group, err, "lacks %s, expected %s", key, expected);
}

/* What stands there, for "is ..., expected ...". */
static void describe(const struct tree_node *node, char *to, size_t size)
{
    to[0] = '\0';
    switch (node->type) {
    case TREE_GROUP:
        text_add(to, size, "a group");
        break;
    case TREE_LIST:
        text_add(to, size, "a list");
        break;
    case TREE_INTEGER:
        text_add(to, size, "the number %lld", node->integer);
        break;
    case TREE_REAL:
        text_add(to, size, "the number %.10g", node->number);
        break;
    case TREE_BOOLEAN:
        text_add(to, size, "%s", node->integer ? "true" : "false");
        break;
    case TREE_STRING:
        text_add(to, size, "the text \"");
        text_printable(to + strlen(to), size - strlen(to) - 8, node->text, strnlen(node->text, 60));
        text_add(to, size, "\"");
        break;
    }
}

static int refuse_type(struct tree_at at, struct error *err, const char *expected)
{
    char is[160];
    describe(at.node, is, sizeof is);
    return tree_refuse(at, err, "is %s, expected %s", is, expected);
}

int tree_need_group(struct tree_at group, const char *key, struct tree_at *ret, struct error *err)
{
    struct tree_at at;
    if (take(group, key, true, "a group { ... }", &at, err) < 0)
        return -1;
    if (at.node->type != TREE_GROUP)
        return refuse_type(at, err, "a group { ... }");
    *ret = at;
    return 0;
}

int tree_need_list(struct tree_at group, const char *key, size_t min_count, size_t max_count, struct tree_at *ret, struct error *err)
{
    struct tree_at at;
    if (take(group, key, true, "a list ( ... )", &at, err) < 0)
        return -1;
    if (at.node->type != TREE_LIST)
        return refuse_type(at, err, "a list ( ... )");
    if (at.node->count < min_count || at.node->count > max_count)
        return tree_refuse(at, err, "has %zu members, expected %zu to %zu", at.node->count, min_count, max_count);
    *ret = at;
    return 0;
}

/* ---- numbers ---- */

/* key: whose ending names the unit; a list member has its list's. */
static int read_number(struct tree_at at, const char *key, double min, double max, double *ret, struct error *err)
{
    char expected[120];
    const char *unit = unit_of_key(key);
    double value = at.node->number;
    snprintf(expected, sizeof expected, "%.10g to %.10g%s", min, max, unit);
    if (at.node->type != TREE_INTEGER && at.node->type != TREE_REAL) {
        char number[160];
        snprintf(number, sizeof number, "a number, %s", expected);
        return refuse_type(at, err, number);
    }
    if (!(value >= min && value <= max))
        return tree_refuse(at, err, "is %.10g%s, expected %s", value, unit, expected);
    *ret = value;
    return 0;
}

static int get_number(struct tree_at group, const char *key, bool needed, double min, double max, double *ret, struct error *err)
{
    struct tree_at at;
    char expected[120];
    snprintf(expected, sizeof expected, "a number, %.10g to %.10g%s", min, max, unit_of_key(key));
    int found = take(group, key, needed, expected, &at, err);
    return found > 0 ? read_number(at, key, min, max, ret, err) : found;
}

int tree_need_number(struct tree_at group, const char *key, double min, double max, double *ret, struct error *err)
{
    return get_number(group, key, true, min, max, ret, err);
}

int tree_want_number(struct tree_at group, const char *key, double min, double max, double *ret, struct error *err)
{
    return get_number(group, key, false, min, max, ret, err);
}

int tree_as_number(struct tree_at at, double min, double max, double *ret, struct error *err)
{
    const char *key = at.node->parent && at.node->parent->type == TREE_LIST ? at.node->parent->key : at.node->key;
    at.node->taken = true;
    return read_number(at, key ? key : "", min, max, ret, err);
}

static int get_int(struct tree_at group, const char *key, bool needed, int min, int max, int *ret, struct error *err)
{
    struct tree_at at;
    char expected[80];
    snprintf(expected, sizeof expected, "a whole number, %d to %d%s", min, max, unit_of_key(key));
    int found = take(group, key, needed, expected, &at, err);
    if (found <= 0)
        return found;
    if (at.node->type != TREE_INTEGER)
        return refuse_type(at, err, expected);
    if (at.node->integer < min || at.node->integer > max)
        return tree_refuse(at, err, "is %lld%s, expected %d to %d%s", at.node->integer, unit_of_key(key), min, max, unit_of_key(key));
    *ret = (int)at.node->integer;
    return 0;
}

int tree_need_int(struct tree_at group, const char *key, int min, int max, int *ret, struct error *err)
{
    return get_int(group, key, true, min, max, ret, err);
}

int tree_want_int(struct tree_at group, const char *key, int min, int max, int *ret, struct error *err)
{
    return get_int(group, key, false, min, max, ret, err);
}

int tree_want_bool(struct tree_at group, const char *key, bool *ret, struct error *err)
{
    struct tree_at at;
    int found = take(group, key, false, "true or false", &at, err);
    if (found <= 0)
        return found;
    if (at.node->type != TREE_BOOLEAN)
        return refuse_type(at, err, "true or false");
    *ret = at.node->integer != 0;
    return 0;
}

static int get_numbers(struct tree_at group, const char *key, bool needed, double min, double max, double *ret, size_t max_count,
                       size_t *ret_count, struct error *err)
{
    struct tree_at list;
    int found = take(group, key, needed, "a list of numbers", &list, err);
    if (found <= 0)
        return found;
    if (list.node->type != TREE_LIST)
        return refuse_type(list, err, "a list of numbers");
    if (list.node->count < 1 || list.node->count > max_count)
        return tree_refuse(list, err, "has %zu members, expected 1 to %zu", list.node->count, max_count);
    for (size_t i = 0; i < list.node->count; i++) { /* all are looked at before one is given out */
        double unused;
        if (tree_as_number(tree_member(list, i), min, max, &unused, err) < 0)
            return -1;
    }
    for (size_t i = 0; i < list.node->count; i++)
        ret[i] = list.node->members[i].number;
    *ret_count = list.node->count;
    return 0;
}

int tree_need_numbers(struct tree_at group, const char *key, double min, double max, double *ret, size_t max_count, size_t *ret_count,
                      struct error *err)
{
    return get_numbers(group, key, true, min, max, ret, max_count, ret_count, err);
}

int tree_want_numbers(struct tree_at group, const char *key, double min, double max, double *ret, size_t max_count, size_t *ret_count,
                      struct error *err)
{
    return get_numbers(group, key, false, min, max, ret, max_count, ret_count, err);
}

/* ---- text ---- */

int tree_as_text(struct tree_at at, char *ret, size_t size, struct error *err)
{
    at.node->taken = true;
    if (at.node->type != TREE_STRING)
        return refuse_type(at, err, "text in double quotes");
    for (const char *c = at.node->text; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            return tree_refuse(at, err, "holds the control character \\x%02x, expected printable text", (unsigned)(unsigned char)*c);
    if (!at.node->text[0])
        return tree_refuse(at, err, "is empty, expected 1 to %zu bytes of text", size - 1);
    if (strlen(at.node->text) >= size)
        return tree_refuse(at, err, "is %zu bytes long, expected at most %zu", strlen(at.node->text), size - 1);
    text_copy(ret, size, at.node->text);
    return 0;
}

static int get_text(struct tree_at group, const char *key, bool needed, char *ret, size_t size, struct error *err)
{
    struct tree_at at;
    int found = take(group, key, needed, "text in double quotes", &at, err);
    return found > 0 ? tree_as_text(at, ret, size, err) : found;
}

int tree_need_text(struct tree_at group, const char *key, char *ret, size_t size, struct error *err)
{
    return get_text(group, key, true, ret, size, err);
}

int tree_want_text(struct tree_at group, const char *key, char *ret, size_t size, struct error *err)
{
    return get_text(group, key, false, ret, size, err);
}

int tree_need_name(struct tree_at group, const char *key, char *ret, size_t size, struct error *err)
{
    struct tree_at at;
    char name[64];
    if (take(group, key, true, "a name in double quotes", &at, err) < 0 || tree_as_text(at, name, size < sizeof name ? size : sizeof name, err) < 0)
        return -1;
    if (!text_is_name(name))
        return tree_refuse(at, err, "is \"%s\", expected a name of letters, digits, '-', '_' and '.'", name);
    text_copy(ret, size, name);
    return 0;
}

static int get_duration(struct tree_at group, const char *key, bool needed, int64_t min_us, int64_t max_us, int64_t *ret_us,
                        struct error *err)
{
    struct tree_at at;
    struct error why = ERROR_INIT;
    char low[64], high[64], is[64];
    int64_t value_us;
    int found = take(group, key, needed, "a duration with its unit, such as \"90 s\"", &at, err);
    if (found <= 0)
        return found;
    if (at.node->type != TREE_STRING)
        return refuse_type(at, err, "a duration in double quotes with its unit, such as \"90 s\" or \"2 h 30 min\"");
    for (const char *c = at.node->text; *c; c++)
        if ((unsigned char)*c < 0x20 || (unsigned char)*c > 0x7e)
            return refuse_type(at, err, "a duration with its unit, such as \"90 s\"");
    if (duration_parse(at.node->text, &value_us, &why) < 0)
        return tree_refuse(at, err, "%s", why.text);
    if (value_us < min_us || value_us > max_us) {
        duration_format(is, sizeof is, value_us);
        duration_format(low, sizeof low, min_us);
        duration_format(high, sizeof high, max_us);
        return tree_refuse(at, err, "is %s, expected %s to %s", is, low, high);
    }
    *ret_us = value_us;
    return 0;
}

int tree_need_duration(struct tree_at group, const char *key, int64_t min_us, int64_t max_us, int64_t *ret_us, struct error *err)
{
    return get_duration(group, key, true, min_us, max_us, ret_us, err);
}

int tree_want_duration(struct tree_at group, const char *key, int64_t min_us, int64_t max_us, int64_t *ret_us, struct error *err)
{
    return get_duration(group, key, false, min_us, max_us, ret_us, err);
}

static int get_word(struct tree_at group, const char *key, bool needed, const char *const *words, size_t count, int *ret, struct error *err)
{
    struct tree_at at;
    char expected[400] = "";
    for (size_t i = 0; i < count; i++)
        text_add(expected, sizeof expected, "%s\"%s\"", i == 0 ? "" : i + 1 == count ? " or " : ", ", words[i]);
    int found = take(group, key, needed, expected, &at, err);
    if (found <= 0)
        return found;
    for (size_t i = 0; at.node->type == TREE_STRING && i < count; i++)
        if (strcmp(words[i], at.node->text) == 0) {
            *ret = (int)i;
            return 0;
        }
    return refuse_type(at, err, expected);
}

int tree_need_word(struct tree_at group, const char *key, const char *const *words, size_t count, int *ret, struct error *err)
{
    return get_word(group, key, true, words, count, ret, err);
}

int tree_want_word(struct tree_at group, const char *key, const char *const *words, size_t count, int *ret, struct error *err)
{
    return get_word(group, key, false, words, count, ret, err);
}
