/* The tree itself: its life, places in it, refusals, and what nobody took. */
#include "daemon/base/tree_node.h"

#include "daemon/base/text.h"

#include <jansson.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int no_memory(struct error *err)
{
    return error_set(err, ERROR_MEMORY, "no memory for a settings tree");
}

struct tree *tree_new(const char *file, const char *text, size_t text_len, struct error *err)
{
    struct tree *tree = calloc(1, sizeof *tree);
    if (!tree) {
        no_memory(err);
        return NULL;
    }
    tree->root.type = TREE_GROUP;
    tree->root.taken = true;
    tree->nodes = 1;
    tree->file = strdup(file);
    tree->text = malloc(text_len + 1);
    tree->root.key = strdup("");
    if (!tree->file || !tree->text || !tree->root.key) {
        no_memory(err);
        tree_free(tree);
        return NULL;
    }
    memcpy(tree->text, text, text_len);
    tree->text[text_len] = '\0';
    return tree;
}

static void clear_node(struct tree_node *node)
{
    for (size_t i = 0; i < node->count; i++)
        clear_node(&node->members[i]); /* as deep as TREE_DEPTH_MAX at most */
    while (node->asked) {
        struct tree_asked *next = node->asked->next;
        free(node->asked);
        node->asked = next;
    }
    free(node->members);
    free(node->key);
    free(node->text);
}

void tree_free(struct tree *tree)
{
    if (!tree)
        return;
    clear_node(&tree->root);
    free(tree->file);
    free(tree->text);
    free(tree);
}

int tree_grow(struct tree *tree, struct tree_node *node, size_t count, int depth, struct error *err)
{
    struct tree_at at = {tree, node};
    if (depth > TREE_DEPTH_MAX)
        return tree_refuse(at, err, "is nested too deep, expected at most %d levels", TREE_DEPTH_MAX);
    if (count > TREE_NODES_MAX - tree->nodes)
        return tree_refuse(at, err, "is one too many, expected at most %d settings in a file", TREE_NODES_MAX);
    if (count == 0)
        return 0;
    node->members = calloc(count, sizeof *node->members);
    if (!node->members)
        return no_memory(err);
    node->count = count;
    tree->nodes += count;
    for (size_t i = 0; i < count; i++)
        node->members[i].parent = node;
    return 0;
}

bool tree_is_utf8(const char *bytes, size_t len)
{
    json_t *probe = json_stringn(bytes, len); /* refuses what is no UTF-8 */
    json_decref(probe);
    return probe != NULL;
}

static bool is_key(const char *key)
{
    size_t len = strspn(key, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-*");
    return len >= 1 && len <= TREE_KEY_MAX && !key[len];
}

int tree_set_key(struct tree *tree, struct tree_node *node, const char *key, struct error *err)
{
    if (!is_key(key)) {
        char shown[80] = "";
        text_printable(shown, sizeof shown, key, strlen(key));
        return tree_refuse((struct tree_at){tree, node->parent}, err, "has the key \"%s\", expected 1 to %d letters, digits, '_' or '-'", shown,
                           TREE_KEY_MAX);
    }
    node->key = strdup(key);
    return node->key ? 0 : no_memory(err);
}

int tree_set_string(struct tree *tree, struct tree_node *node, const char *string, size_t len, struct error *err)
{
    struct tree_at at = {tree, node};
    node->type = TREE_STRING;
    if (memchr(string, '\0', len) || !tree_is_utf8(string, len))
        return tree_refuse(at, err, "holds bytes that are no text, expected UTF-8 without NUL");
    node->text = malloc(len + 1);
    if (!node->text)
        return no_memory(err);
    memcpy(node->text, string, len);
    node->text[len] = '\0';
    return 0;
}

int tree_set_integer(struct tree *tree, struct tree_node *node, long long value, struct error *err)
{
    node->type = TREE_INTEGER;
    node->integer = value;
    node->number = (double)value;
    if (value < INT32_MIN || value > INT32_MAX)
        return tree_refuse((struct tree_at){tree, node}, err, "is %lld, expected an integer from -2147483648 to 2147483647", value);
    return 0;
}

int tree_set_real(struct tree *tree, struct tree_node *node, double value, struct error *err)
{
    node->type = TREE_REAL;
    node->number = value;
    if (!isfinite(value))
        return tree_refuse((struct tree_at){tree, node}, err, "is not finite, expected a number below 1e308");
    return 0;
}

const char *tree_file(const struct tree *tree)
{
    return tree->file;
}

const char *tree_text(const struct tree *tree)
{
    return tree->text;
}

struct tree_at tree_root(struct tree *tree)
{
    return (struct tree_at){tree, &tree->root};
}

int tree_line(struct tree_at at)
{
    return at.node->line;
}

const char *tree_key(struct tree_at at)
{
    return at.node->key ? at.node->key : "";
}

void tree_path(const struct tree_node *node, char *to, size_t size)
{
    if (!node->parent) {
        to[0] = '\0';
        return;
    }
    tree_path(node->parent, to, size);
    if (node->parent->type == TREE_LIST)
        text_add(to, size, "[%zu]", (size_t)(node - node->parent->members));
    else
        text_add(to, size, "%s%s", to[0] ? "." : "", node->key ? node->key : "?");
}

int tree_refuse_line(const struct tree *tree, int line, struct error *err, const char *format, ...)
{
    char sentence[sizeof err->text] = "";
    va_list args;
    va_start(args, format);
    vsnprintf(sentence, sizeof sentence, format, args);
    va_end(args);
    if (line <= 0)
        return error_set(err, ERROR_FILE, "%s: %s", tree->file, sentence);
    return error_set(err, ERROR_FILE, "%s:%d: %s", tree->file, line, sentence);
}

int tree_refuse(struct tree_at at, struct error *err, const char *format, ...)
{
    char path[TREE_PATH_SIZE], sentence[sizeof err->text] = "";
    va_list args;
    tree_path(at.node, path, sizeof path);
    va_start(args, format);
    vsnprintf(sentence, sizeof sentence, format, args);
    va_end(args);
    return tree_refuse_line(at.tree, at.node->line, err, "%s %s", path[0] ? path : "the file", sentence);
}

size_t tree_count(struct tree_at at)
{
    return at.node->count;
}

struct tree_at tree_member(struct tree_at at, size_t i)
{
    struct tree_node *member = &at.node->members[i];
    member->taken = true;
    return (struct tree_at){at.tree, member};
}

/* ---- what nobody took ---- */

static const struct tree_node *first_untaken(const struct tree_node *node)
{
    for (size_t i = 0; i < node->count; i++) {
        const struct tree_node *member = &node->members[i];
        const struct tree_node *found = member->taken ? first_untaken(member) : member;
        if (found)
            return found;
    }
    return NULL;
}

/* Somebody wrote `max = 20` where `max_volts` is meant. */
static const char *known_with_unit(const struct tree_node *group, const char *key)
{
    size_t len = strlen(key);
    for (const struct tree_asked *asked = group->asked; asked; asked = asked->next)
        if (strncmp(asked->key, key, len) == 0 && asked->key[len] == '_')
            return asked->key;
    return NULL;
}

int tree_all_taken(const struct tree *tree, struct error *err)
{
    const struct tree_node *node = first_untaken(&tree->root);
    char path[TREE_PATH_SIZE], known[400] = "";
    if (!node)
        return 0;
    tree_path(node, path, sizeof path);
    if (node->parent->type == TREE_LIST)
        return tree_refuse_line(tree, node->line, err, "%s is not expected here", path);
    const char *meant = known_with_unit(node->parent, node->key);
    if (meant)
        return tree_refuse_line(tree, node->line, err, "%s is not a known key, expected its unit in the name: %s", path, meant);
    for (const struct tree_asked *asked = node->parent->asked; asked; asked = asked->next)
        text_add(known, sizeof known, "%s%s", known[0] ? ", " : "", asked->key);
    return tree_refuse_line(tree, node->line, err, "%s is not a known key, expected one of: %s", path,
                            known[0] ? known : "none");
}
