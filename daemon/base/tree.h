/*
 * A strictly read tree of settings, the same whether it came from a libconfig file (client, simulator, daemon at start) or from JSON
 * over the socket (daemon at run time). Readers in other rooms take fields out by name; whatever nobody took is an unknown key.
 *
 * Every refusal is one sentence "FILE:LINE: KEY ..., expected ...", kind ERROR_FILE.
 *
 * Calling sequence:
 *     struct tree *tree = tree_read_file("supply.cfg", &err);           or tree_read_text(), tree_read_json()
 *     struct tree_at root = tree_root(tree);
 *     tree_need_group(root, "supply", &group, &err) ... tree_need_number(group, "rated_amps", 0, 20, &amps, &err) ...
 *     tree_all_taken(tree, &err);                                       refuses unknown keys
 *     tree_free(tree);
 */
#ifndef BRUNT_BASE_TREE_H
#define BRUNT_BASE_TREE_H

#include "daemon/base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct json_t;
struct tree;
struct tree_node;

struct tree_at { /* a place in a tree; borrowed from the tree, valid until tree_free() */
    struct tree *tree;
    struct tree_node *node;
};

enum { TREE_TEXT_MAX = 256 * 1024, TREE_DEPTH_MAX = 16, TREE_NODES_MAX = 20000 };

/* Reads a libconfig file, at most TREE_TEXT_MAX bytes, a regular file. @include, duplicate keys, integers outside -2^31..2^31-1 (libconfig would wrap
 * them silently; the source text of the literal is read again), non-finite numbers are refused. */
struct tree *tree_read_file(const char *path, struct error *err);

/* The same from memory; `name` stands for the file in messages. */
struct tree *tree_read_text(const char *name, const char *text, struct error *err);

/* From the JSON document that tree_to_json() made: {"file": ..., "text": ..., "settings": {...}, "lines": {"path": line, ...}}.
 * Depth, node count and text length are bounded as above. Borrows `document` for the call only. */
struct tree *tree_read_json(const struct json_t *document, struct error *err);

/* Gives a new reference (jansson), original text included; NULL: no memory. */
struct json_t *tree_to_json(const struct tree *tree);

void tree_free(struct tree *tree); /* NULL is fine */

const char *tree_file(const struct tree *tree);
const char *tree_text(const struct tree *tree); /* the original, byte for byte */

struct tree_at tree_root(struct tree *tree);
int tree_line(struct tree_at at);         /* 1...; 0: unknown */
const char *tree_key(struct tree_at at);  /* "" for the root and for list members */
/* "FILE:LINE: KEY" of that place, for a refusal that the reader itself words: return tree_refuse(at, err, "is %.3f A, expected ...", ...). */
int tree_refuse(struct tree_at at, struct error *err, const char *format, ...) __attribute__((format(printf, 3, 4)));

bool tree_has(struct tree_at group, const char *key);
size_t tree_count(struct tree_at group_or_list);                   /* members */
struct tree_at tree_member(struct tree_at group_or_list, size_t i); /* i < tree_count(); marks it taken */

/* need_: the key must be there. want_: if the key is absent *ret keeps what it had (the caller's default) and the answer is 0.
 * All return 0, or -1 with *err set and *ret untouched. */
int tree_need_group(struct tree_at group, const char *key, struct tree_at *ret, struct error *err);
int tree_need_list(struct tree_at group, const char *key, size_t min_count, size_t max_count, struct tree_at *ret, struct error *err);
/* Number: integer or float literal; min <= value <= max or refused with the range and the unit. The unit is read off the key's ending:
 * _volts _amps _watts _ohms _percent _celsius _kelvin _hz _joules _k ...; others have none. */
int tree_need_number(struct tree_at group, const char *key, double min, double max, double *ret, struct error *err);
int tree_want_number(struct tree_at group, const char *key, double min, double max, double *ret, struct error *err);
int tree_need_int(struct tree_at group, const char *key, int min, int max, int *ret, struct error *err);
int tree_want_int(struct tree_at group, const char *key, int min, int max, int *ret, struct error *err);
int tree_want_bool(struct tree_at group, const char *key, bool *ret, struct error *err);
/* Text of at most size-1 bytes, no control characters, not empty. */
int tree_need_text(struct tree_at group, const char *key, char *ret, size_t size, struct error *err);
int tree_want_text(struct tree_at group, const char *key, char *ret, size_t size, struct error *err);
/* text_is_name(). */
int tree_need_name(struct tree_at group, const char *key, char *ret, size_t size, struct error *err);
/* Duration text with unit (units.h) within [min_us, max_us]. */
int tree_need_duration(struct tree_at group, const char *key, int64_t min_us, int64_t max_us, int64_t *ret_us, struct error *err);
int tree_want_duration(struct tree_at group, const char *key, int64_t min_us, int64_t max_us, int64_t *ret_us, struct error *err);
/* One of words[0..count-1]; *ret its index. The refusal lists them all. */
int tree_need_word(struct tree_at group, const char *key, const char *const *words, size_t count, int *ret, struct error *err);
int tree_want_word(struct tree_at group, const char *key, const char *const *words, size_t count, int *ret, struct error *err);
/* List or array of numbers, each within [min, max]; *ret_count how many. */
int tree_need_numbers(struct tree_at group, const char *key, double min, double max, double *ret, size_t max_count, size_t *ret_count,
                      struct error *err);
int tree_want_numbers(struct tree_at group, const char *key, double min, double max, double *ret, size_t max_count, size_t *ret_count,
                      struct error *err);
/* The value at a place that is itself a scalar (member of a list). */
int tree_as_number(struct tree_at at, double min, double max, double *ret, struct error *err);
int tree_as_text(struct tree_at at, char *ret, size_t size, struct error *err);

/* Line of that member without taking it; the group's own where it is absent. For checks that come after reading. */
int tree_line_of(struct tree_at group, const char *key);

/* 0 if each key of the whole tree was asked for; else -1 naming the first that was not and the keys that are known at that place. */
int tree_all_taken(const struct tree *tree, struct error *err);

#endif
