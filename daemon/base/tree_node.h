/* What tree*.c share: the node, and how a tree is built. Not for other rooms: they have tree.h. */
#ifndef BRUNT_BASE_TREE_NODE_H
#define BRUNT_BASE_TREE_NODE_H

#include "daemon/base/tree.h"

enum tree_type { TREE_GROUP, TREE_LIST, TREE_INTEGER, TREE_REAL, TREE_BOOLEAN, TREE_STRING };

enum { TREE_KEY_MAX = 63, TREE_PATH_SIZE = TREE_DEPTH_MAX * (TREE_KEY_MAX + 8) + 64 };

struct tree_asked { /* a key somebody looked for in this group: the known ones */
    struct tree_asked *next;
    char key[];
};

struct tree_node {
    struct tree_node *parent;  /* NULL: root */
    char *key;                 /* "" for the root and for list members */
    enum tree_type type;
    int line;
    bool taken;
    double number;             /* TREE_INTEGER, TREE_REAL */
    long long integer;         /* TREE_INTEGER, TREE_BOOLEAN */
    char *text;                /* TREE_STRING */
    struct tree_node *members; /* TREE_GROUP, TREE_LIST: `count` of them, in the order of the file */
    size_t count;
    struct tree_asked *asked;
};

struct tree {
    char *file, *text;
    struct tree_node root;
    size_t nodes;
};

/* Gives an empty tree whose root is a group; text_len bytes of text are copied. NULL: err is set. */
struct tree *tree_new(const char *file, const char *text, size_t text_len, struct error *err);

/* Room for `count` members of a group or list, `depth` levels below the root; refused beyond the bounds of tree.h. */
int tree_grow(struct tree *tree, struct tree_node *node, size_t count, int depth, struct error *err);

/* Key and string are copied; refused when too long, not UTF-8, or (string) with a NUL inside. */
int tree_set_key(struct tree *tree, struct tree_node *node, const char *key, struct error *err);
int tree_set_string(struct tree *tree, struct tree_node *node, const char *string, size_t len, struct error *err);
int tree_set_integer(struct tree *tree, struct tree_node *node, long long value, struct error *err);
int tree_set_real(struct tree *tree, struct tree_node *node, double value, struct error *err);

bool tree_is_utf8(const char *bytes, size_t len);

/* "supply.ports[0].volts" of a node; "" for the root. */
void tree_path(const struct tree_node *node, char *to, size_t size);

/* Reads the source as far as libconfig's values can't be trusted: @include, integers that would wrap, nesting, NUL. */
int tree_check_source(const char *file, const char *text, size_t len, struct error *err);

/* ERROR_FILE with file and line in front; line 0 (what came by JSON need not have one) is left out. */
int tree_refuse_line(const struct tree *tree, int line, struct error *err, const char *format, ...) __attribute__((format(printf, 4, 5)));

#endif
