/*
 * The source of a libconfig file, read before libconfig sees it. libconfig 1.5 turns 2147483648 into -2147483648 without a word, opens
 * whatever file an @include names, and has no bound of its own on nesting; so the literals are looked at here, in the text itself.
 */
#include "daemon/base/tree_node.h"

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct source {
    const char *file, *at, *end;
    int line, depth;
    struct error *err;
};

static int refuse(const struct source *s, const char *sentence)
{
    return error_set(s->err, ERROR_FILE, "%s:%d: %s", s->file, s->line, sentence);
}

static bool starts(const struct source *s, const char *what)
{
    size_t len = strlen(what);
    return (size_t)(s->end - s->at) >= len && memcmp(s->at, what, len) == 0;
}

static void skip_line(struct source *s)
{
    while (s->at < s->end && *s->at != '\n')
        s->at++;
}

static int skip_comment(struct source *s)
{
    int begun = s->line;
    for (s->at += 2; s->at < s->end; s->at++) {
        if (starts(s, "*/")) {
            s->at += 2;
            return 0;
        }
        s->line += *s->at == '\n';
    }
    s->line = begun;
    return refuse(s, "a comment begins here and never ends, expected */");
}

/* libconfig lets a text run over line ends; here that is a forgotten quote, named where the text begins. */
static int skip_string(struct source *s)
{
    for (s->at++; s->at < s->end && *s->at != '\n'; s->at++) {
        if (starts(s, "\\x00"))
            return refuse(s, "\\x00 in a text, expected text without NUL");
        if (*s->at == '\\' && s->at + 1 < s->end && s->at[1] != '\n')
            s->at++;
        else if (*s->at == '"') {
            s->at++;
            return 0;
        }
    }
    return refuse(s, "a text begins here and does not end on this line, expected a closing quote");
}

/* Digits, letters, sign and point in one run: a number as libconfig would cut it out, or something that it refuses itself. */
static int check_number(struct source *s)
{
    char literal[64], sentence[160];
    const char *begin = s->at;
    size_t len;
    if (*s->at == '-' || *s->at == '+')
        s->at++;
    while (s->at < s->end && (isalnum((unsigned char)*s->at) || *s->at == '.'
                              || ((*s->at == '-' || *s->at == '+') && strchr("eE", s->at[-1]) && !memchr(begin, 'x', (size_t)(s->at - begin)))))
        s->at++;
    len = (size_t)(s->at - begin);
    if (len >= sizeof literal)
        return refuse(s, "a number of more than 63 characters, expected fewer");
    memcpy(literal, begin, len);
    literal[len] = '\0';
    while (len && literal[len - 1] == 'L')
        literal[--len] = '\0';
    const char *digits = literal + (literal[0] == '-' || literal[0] == '+');
    bool hexadecimal = strncmp(digits, "0x", 2) == 0 || strncmp(digits, "0X", 2) == 0;
    if (!hexadecimal && digits[strspn(digits, "0123456789")])
        return 0; /* a real, or nothing that libconfig takes */
    if (!hexadecimal && digits[0] == '0' && digits[1]) {
        snprintf(sentence, sizeof sentence, "%s begins with a zero, expected decimal digits without it", literal);
        return refuse(s, sentence);
    }
    errno = 0;
    long long value = strtoll(literal, NULL, hexadecimal ? 16 : 10);
    if (errno || value < INT32_MIN || value > INT32_MAX) {
        snprintf(sentence, sizeof sentence, "%s is beyond an integer, expected -2147483648 to 2147483647", literal);
        return refuse(s, sentence);
    }
    return 0;
}

static int check_bracket(struct source *s)
{
    char sentence[80];
    if (strchr("{([", *s->at))
        s->depth++;
    else
        s->depth--;
    s->at++;
    if (s->depth <= TREE_DEPTH_MAX)
        return 0;
    snprintf(sentence, sizeof sentence, "nested too deep, expected at most %d levels", TREE_DEPTH_MAX);
    return refuse(s, sentence);
}

static void skip_name(struct source *s)
{
    while (s->at < s->end && (isalnum((unsigned char)*s->at) || strchr("_-*", *s->at)))
        s->at++;
}

static int check_token(struct source *s)
{
    if (*s->at == '#' || starts(s, "//"))
        skip_line(s);
    else if (starts(s, "/*"))
        return skip_comment(s);
    else if (*s->at == '"')
        return skip_string(s);
    else if (isdigit((unsigned char)*s->at) || strchr("+-.", *s->at))
        return check_number(s);
    else if (strchr("{}()[]", *s->at))
        return check_bracket(s);
    else if (isalpha((unsigned char)*s->at) || *s->at == '*')
        skip_name(s);
    else {
        s->line += *s->at == '\n';
        s->at++;
    }
    return 0;
}

/* Also where it would stand in a comment or a text: whether libconfig sees it there as we do is not worth a file opened by accident. */
static int check_lines(struct source s)
{
    for (; s.at < s.end; s.line++) {
        const char *end = memchr(s.at, '\n', (size_t)(s.end - s.at));
        size_t len = (size_t)((end ? end : s.end) - s.at);
        if (memchr(s.at, '\0', len))
            return refuse(&s, "a NUL byte, expected text");
        if (!tree_is_utf8(s.at, len))
            return refuse(&s, "bytes that are no text, expected UTF-8");
        while (s.at < s.end && (*s.at == ' ' || *s.at == '\t' || *s.at == '\r' || *s.at == '\f' || *s.at == '\v'))
            s.at++;
        if (starts(&s, "@include"))
            return refuse(&s, "@include is refused, expected the settings themselves in this file");
        s.at = end ? end + 1 : s.end;
    }
    return 0;
}

int tree_check_source(const char *file, const char *text, size_t len, struct error *err)
{
    struct source s = {.file = file, .at = text, .end = text + len, .line = 1, .err = err};
    if (check_lines(s) < 0)
        return -1;
    while (s.at < s.end)
        if (check_token(&s) < 0)
            return -1;
    return 0;
}
