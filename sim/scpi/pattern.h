/*
 * Command headers against their patterns. A pattern is written as the standard prints it: "[SOURce#:]CURRent[:LEVel]",
 * where capitals are the short form, brackets an optional node, '#' a node that takes a numeric suffix. PURE.
 */
#ifndef BRUNT_SIM_SCPI_PATTERN_H
#define BRUNT_SIM_SCPI_PATTERN_H

#include <stdbool.h>
#include <stddef.h>

enum { HEADER_NODES_MAX = 8, MNEMONIC_MAX = 12 };

struct header_node {
    const char *text; /* into the header; letters and inner digits, without the suffix */
    size_t len;
    int suffix; /* -1: none written */
};

struct header {
    size_t count;
    struct header_node nodes[HEADER_NODES_MAX];
};

enum pattern_match { PATTERN_NO, PATTERN_YES, PATTERN_SUFFIX /* fits but for a suffix that no node takes */ };

/* The mnemonic rule: true if text is exactly the long or exactly the short form of `word` ("VOLTage"), any case. */
bool mnemonic_is(const char *word, size_t word_len, const char *text, size_t len);

/* Splits at ':'. 0, or an SCPI error number: -110 too deep or empty node, -112 mnemonic longer than 12, -113. */
int header_split(const char *text, size_t len, struct header *ret);

/* *ret_suffix: the first suffix written at a '#' node, -1 if none was. */
enum pattern_match pattern_fits(const char *pattern, const struct header *header, int *ret_suffix);

#endif
