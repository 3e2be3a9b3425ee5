/* A tree to and from JSON: the form in which a plan crosses the socket, with file, original text and lines, so that the far end can
 * name the same FILE:LINE. What comes in is not trusted: it is held to the same bounds as a file. */
#include "daemon/base/tree_node.h"

#include "daemon/base/text.h"

#include <jansson.h>
#include <string.h>

/* ---- out ---- */

static json_t *to_value(const struct tree_node *node, json_t *lines);

static json_t *members_to_value(const struct tree_node *node, json_t *lines)
{
    json_t *value = node->type == TREE_GROUP ? json_object() : json_array();
    for (size_t i = 0; value && i < node->count; i++) {
        const struct tree_node *member = &node->members[i];
        json_t *below = to_value(member, lines);
        int failed = node->type == TREE_GROUP ? json_object_set_new(value, member->key, below) : json_array_append_new(value, below);
        if (failed) {
            json_decref(value);
            return NULL;
        }
    }
    return value;
}

static json_t *to_value(const struct tree_node *node, json_t *lines)
{
    char path[TREE_PATH_SIZE];
    tree_path(node, path, sizeof path);
    if (json_object_set_new(lines, path, json_integer(node->line)) < 0)
        return NULL;
    switch (node->type) {
    case TREE_GROUP:
    case TREE_LIST:
        return members_to_value(node, lines);
    case TREE_INTEGER:
        return json_integer(node->integer);
    case TREE_REAL:
        return json_real(node->number);
    case TREE_BOOLEAN:
        return json_boolean(node->integer);
    case TREE_STRING:
        return json_string(node->text);
    }
    return NULL;
}

json_t *tree_to_json(const struct tree *tree)
{
    json_t *lines = json_object(), *document = json_object();
    json_t *settings = lines ? to_value(&tree->root, lines) : NULL;
    bool good = document && settings && json_object_set_new(document, "file", json_string(tree->file)) == 0
                && json_object_set_new(document, "text", json_string(tree->text)) == 0
                && json_object_set(document, "settings", settings) == 0 && json_object_set(document, "lines", lines) == 0;
    json_decref(settings);
    json_decref(lines);
    if (good)
        return document;
    json_decref(document);
    return NULL;
}

/* ---- in ---- */

struct reader {
    struct tree *tree;
    const json_t *lines;
    struct error *err;
};

static int from_value(struct reader *r, struct tree_node *node, const json_t *value, int depth);

static int line_of(const struct reader *r, const struct tree_node *node)
{
    char path[TREE_PATH_SIZE];
    tree_path(node, path, sizeof path);
    json_int_t line = json_integer_value(json_object_get(r->lines, path));
    return line > 0 && line <= TREE_TEXT_MAX ? (int)line : 0;
}

static int from_object(struct reader *r, struct tree_node *node, const json_t *value, int depth)
{
    const char *key;
    json_t *below, *walked = (json_t *)(uintptr_t)value; /* jansson's iterator wants it so; nothing is changed */
    size_t i = 0;
    node->type = TREE_GROUP;
    if (tree_grow(r->tree, node, json_object_size(value), depth, r->err) < 0)
        return -1;
    json_object_foreach(walked, key, below) {
        struct tree_node *member = &node->members[i++];
        if (tree_set_key(r->tree, member, key, r->err) < 0 || from_value(r, member, below, depth + 1) < 0)
            return -1;
    }
    return 0;
}

static int from_array(struct reader *r, struct tree_node *node, const json_t *value, int depth)
{
    node->type = TREE_LIST;
    if (tree_grow(r->tree, node, json_array_size(value), depth, r->err) < 0)
        return -1;
    for (size_t i = 0; i < node->count; i++)
        if (from_value(r, &node->members[i], json_array_get(value, i), depth + 1) < 0)
            return -1;
    return 0;
}

static int from_value(struct reader *r, struct tree_node *node, const json_t *value, int depth)
{
    node->line = line_of(r, node);
    switch (json_typeof(value)) {
    case JSON_OBJECT:
        return from_object(r, node, value, depth);
    case JSON_ARRAY:
        return from_array(r, node, value, depth);
    case JSON_INTEGER:
        return tree_set_integer(r->tree, node, json_integer_value(value), r->err);
    case JSON_REAL:
        return tree_set_real(r->tree, node, json_real_value(value), r->err);
    case JSON_STRING:
        return tree_set_string(r->tree, node, json_string_value(value), json_string_length(value), r->err);
    case JSON_TRUE:
    case JSON_FALSE:
        node->type = TREE_BOOLEAN;
        node->integer = json_is_true(value);
        return 0;
    case JSON_NULL:
        break;
    }
    return tree_refuse((struct tree_at){r->tree, node}, r->err, "is null, expected a value");
}

static int no_tree(struct error *err, const char *sentence)
{
    return error_set(err, ERROR_FILE, "(settings as JSON):0: %s", sentence);
}

static int check_envelope(const json_t *document, struct error *err)
{
    const json_t *file = json_object_get(document, "file"), *text = json_object_get(document, "text");
    const char *name = json_string_value(file);
    const char *key;
    json_t *value, *walked = (json_t *)(uintptr_t)document;
    if (!json_is_object(document))
        return no_tree(err, "no object, expected {\"file\", \"text\", \"settings\", \"lines\"}");
    json_object_foreach(walked, key, value)
        if (strcmp(key, "file") && strcmp(key, "text") && strcmp(key, "settings") && strcmp(key, "lines"))
            return no_tree(err, "unknown member, expected file, text, settings and lines");
    if (!name || json_string_length(file) < 1 || json_string_length(file) > 255 || strlen(name) != json_string_length(file))
        return no_tree(err, "file is no name, expected text of 1 to 255 bytes");
    for (const char *c = name; *c; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            return no_tree(err, "file holds a control character, expected printable text");
    if (!json_is_string(text) || json_string_length(text) > TREE_TEXT_MAX || strlen(json_string_value(text)) != json_string_length(text))
        return no_tree(err, "text is missing or too long, expected the original file");
    if (!json_is_object(json_object_get(document, "settings")))
        return no_tree(err, "settings is missing, expected an object");
    if (!json_is_object(json_object_get(document, "lines")))
        return no_tree(err, "lines is missing, expected an object of line numbers");
    return 0;
}

struct tree *tree_read_json(const json_t *document, struct error *err)
{
    const json_t *text = json_object_get(document, "text");
    if (check_envelope(document, err) < 0)
        return NULL;
    struct tree *tree = tree_new(json_string_value(json_object_get(document, "file")), json_string_value(text), json_string_length(text), err);
    struct reader reader = {tree, json_object_get(document, "lines"), err};
    if (tree && from_value(&reader, &tree->root, json_object_get(document, "settings"), 0) < 0) {
        tree_free(tree);
        return NULL;
    }
    return tree;
}
