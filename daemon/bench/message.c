#include "daemon/bench/message.h"

#include "daemon/base/text.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

static bool fill_place(char *to, size_t size, const char *name, size_t len, int channel, const char *value)
{
    if (len == 7 && memcmp(name, "channel", len) == 0)
        return channel == CHANNEL_LEFT_OUT || text_add(to, size, "%d", channel);
    if (len == 5 && memcmp(name, "value", len) == 0)
        return value && text_add(to, size, "%s", value);
    return false;
}

bool message_fill(char *to, size_t size, const char *form, int channel, const char *value)
{
    to[0] = '\0';
    while (*form) {
        if (*form != '{') {
            if (!text_add(to, size, "%c", *form++))
                return false;
            continue;
        }
        const char *end = strchr(form, '}');
        if (!end || !fill_place(to, size, form + 1, (size_t)(end - form - 1), channel, value))
            return false;
        form = end + 1;
    }
    return true;
}

bool message_number(char *to, size_t size, const struct command *command, double value)
{
    return text_decimal(to, size, value / command->scale, command->decimals);
}

static size_t short_length(const char *mnemonic, size_t len)
{
    if (len <= 4)
        return len;
    return strchr("AEIOUaeiou", mnemonic[3]) ? 3 : 4;
}

static size_t capitals(const char *mnemonic, size_t len)
{
    size_t n = 0;
    while (n < len && isupper((unsigned char)mnemonic[n]))
        n++;
    return n;
}

const char *message_shorten(char *form, char *right, size_t right_size)
{
    char *to = form;
    const char *from = form;
    while (*from && *from != ' ') {
        size_t len = 0;
        if (*from == '{') {
            const char *end = strchr(from, '}');
            len = end ? (size_t)(end - from) + 1 : strlen(from);
            memmove(to, from, len);
            to += len;
        } else if (isalpha((unsigned char)*from)) {
            while (isalpha((unsigned char)from[len]))
                len++;
            size_t keep = capitals(from, len);
            if (keep < len && keep != short_length(from, len)) {
                snprintf(right, right_size, "%.*s", (int)short_length(from, len), from);
                return right;
            }
            memmove(to, from, keep);
            to += keep;
        } else {
            len = 1;
            *to++ = *from;
        }
        from += len;
    }
    memmove(to, from, strlen(from) + 1);
    return NULL;
}

/* Length of the path that stands before the last mnemonic of a header: 6 for "MEAS1:VOLT?". */
static size_t path_length(const char *header)
{
    size_t path = 0;
    for (size_t i = 0; header[i] && header[i] != ' ' && header[i] != '?'; i++)
        if (header[i] == ':')
            path = i + 1;
    return path;
}

static bool continues_below(const char *first, size_t path, const char *second)
{
    return path == 0 || strncmp(first, second, path) == 0;
}

bool message_join(char *to, size_t size, const struct dialect *dialect, const char *first, const char *second)
{
    const char *colon = "";
    to[0] = '\0';
    if (dialect->line.compound == COMPOUND_NONE)
        return false;
    /* A common command neither has nor moves a path. */
    if (dialect->line.compound == COMPOUND_PATH && first[0] != '*' && second[0] != '*') {
        size_t path = path_length(first);
        if (continues_below(first, path, second))
            second += path;
        else
            colon = ":";
    }
    if (!text_add(to, size, "%s%c%s%s", first, dialect->line.separator, colon, second))
        return false;
    return strlen(to) + strlen(message_end(dialect)) <= (size_t)dialect->line.longest_message;
}

const char *message_end(const struct dialect *dialect)
{
    static const char *const ends[] = {[END_LF] = "\n", [END_CR] = "\r", [END_CR_LF] = "\r\n", [END_ANY] = "\n"};
    return ends[dialect->line.message_end];
}
