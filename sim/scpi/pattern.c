#include "sim/scpi/pattern.h"

#include <ctype.h>
#include <strings.h>
#include <string.h>

static bool same(const char *a, size_t a_len, const char *b, size_t b_len)
{
    return a_len == b_len && strncasecmp(a, b, a_len) == 0;
}

bool mnemonic_is(const char *word, size_t word_len, const char *text, size_t len)
{
    size_t short_len = 0;
    while (short_len < word_len && !islower((unsigned char)word[short_len]))
        short_len++;
    return same(word, word_len, text, len) || same(word, short_len, text, len);
}

static int node_split(const char *text, size_t len, struct header_node *ret)
{
    size_t letters = len;
    if (len == 0 || !isalpha((unsigned char)text[0]))
        return -110;
    if (len > MNEMONIC_MAX)
        return -112;
    while (letters > 0 && isdigit((unsigned char)text[letters - 1]))
        letters--;
    ret->text = text;
    ret->len = letters;
    ret->suffix = -1;
    for (size_t i = letters; i < len; i++) /* at most 11 digits; beyond any channel number it stays a large one */
        ret->suffix = ret->suffix > 99999 ? ret->suffix : (ret->suffix < 0 ? 0 : ret->suffix) * 10 + (text[i] - '0');
    return 0;
}

int header_split(const char *text, size_t len, struct header *ret)
{
    size_t start = 0;
    ret->count = 0;
    for (size_t i = 0; i <= len; i++) {
        int number;
        if (i < len && text[i] != ':')
            continue;
        if (ret->count == HEADER_NODES_MAX)
            return -110;
        number = node_split(text + start, i - start, &ret->nodes[ret->count]);
        if (number)
            return number;
        ret->count++;
        start = i + 1;
    }
    return 0;
}

struct pattern_node {
    const char *word;
    size_t len;
    bool optional, numbered;
    const char *rest;
};

/* false: nothing left. Brackets hold exactly one node each, with its colon before or behind. */
static bool next_node(const char *at, struct pattern_node *ret)
{
    ret->optional = *at == '[';
    at += strspn(at, "[:");
    if (*at == '\0')
        return false;
    ret->word = at;
    ret->len = strcspn(at, "#:[]");
    at += ret->len;
    ret->numbered = *at == '#';
    at += ret->numbered;
    if (ret->optional)
        at += strcspn(at, "]") + 1;
    ret->rest = at;
    return true;
}

static enum pattern_match fits_from(const char *pattern, const struct header *header, size_t at, int *suffix)
{
    struct pattern_node node;
    enum pattern_match match = PATTERN_NO;
    if (!next_node(pattern, &node))
        return at == header->count ? PATTERN_YES : PATTERN_NO;
    if (at < header->count && mnemonic_is(node.word, node.len, header->nodes[at].text, header->nodes[at].len)) {
        match = fits_from(node.rest, header, at + 1, suffix);
        if (match != PATTERN_NO && header->nodes[at].suffix >= 0) {
            *suffix = header->nodes[at].suffix;
            match = node.numbered ? match : PATTERN_SUFFIX;
        }
    }
    if (match == PATTERN_NO && node.optional)
        match = fits_from(node.rest, header, at, suffix);
    return match;
}

enum pattern_match pattern_fits(const char *pattern, const struct header *header, int *ret_suffix)
{
    *ret_suffix = -1;
    return fits_from(pattern, header, 0, ret_suffix);
}
