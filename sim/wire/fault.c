#include "sim/wire/fault.h"

#include <string.h>

typedef void strike_fn(struct wire_faults *faults, struct wire_line *line);

static uint64_t next_random(uint64_t *state) /* splitmix64, public domain */
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static size_t end_len(const struct wire_line *line)
{
    size_t len = 0;
    while (len < line->len && (line->text[line->len - len - 1] == '\n' || line->text[line->len - len - 1] == '\r'))
        len++;
    return len;
}

static void stale(struct wire_faults *faults, struct wire_line *line)
{
    if (faults->stale_len == 0)
        return; /* there is no previous answer yet */
    memcpy(line->text, faults->stale, faults->stale_len);
    line->len = faults->stale_len;
}

static void replace_number(struct wire_line *line, const char *with)
{
    size_t from = 0, to, with_len = strlen(with), body = line->len - end_len(line);
    while (from < body && !strchr("+-.0123456789", line->text[from]))
        from++;
    to = from;
    while (to < body && strchr("+-.0123456789eE", line->text[to]))
        to++;
    memmove(line->text + from + with_len, line->text + to, line->len - to);
    memcpy(line->text + from, with, with_len);
    line->len = line->len - (to - from) + with_len;
}

static void nan_value(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    replace_number(line, "9.91E37");
}

static void over_range(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    replace_number(line, "9.9E37");
}

static void corrupt(struct wire_faults *faults, struct wire_line *line)
{
    size_t body = line->len - end_len(line);
    size_t at = body ? (size_t)(next_random(&faults->random) % body) : 0;
    char other = (char)(1u << (next_random(&faults->random) % 7));
    if (line->len == 0)
        return;
    line->text[at] ^= other;
    if (line->text[at] == '\n' ||
        line->text[at] == '\r') /* changed it must be, but not into a line end: that would be another fault */
        line->text[at] = '~';
}

static void truncate_line(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    line->len = (line->len - end_len(line) + 1) / 2;
}

static void merge(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    line->len -= end_len(line);
}

static void garbage(struct wire_faults *faults, struct wire_line *line)
{
    size_t count = 1 + (size_t)(next_random(&faults->random) % 16);
    memmove(line->text + count, line->text, line->len);
    for (size_t i = 0; i < count; i++) {
        char c = (char)(next_random(&faults->random) & 0xff);
        line->text[i] = c == '\n' || c == '\r' ? '\x7f' : c;
    }
    line->len += count;
}

static void duplicate(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    memcpy(line->text + line->len, line->text, line->len);
    line->len *= 2;
}

static void delay(struct wire_faults *faults, struct wire_line *line)
{
    line->delay_us = (int64_t)(faults->delay_ms * 1e3);
}

static void drop(struct wire_faults *faults, struct wire_line *line)
{
    (void)faults;
    line->len = 0;
}

/* In the order in which they strike one answer. */
static const struct {
    const char *name;
    strike_fn *strike; /* NULL: of the line itself */
} rows[] = {
    [WIRE_STALE] = {"stale", stale},
    [WIRE_NAN] = {"nan", nan_value},
    [WIRE_OVER_RANGE] = {"over-range", over_range},
    [WIRE_CORRUPT] = {"corrupt", corrupt},
    [WIRE_TRUNCATE] = {"truncate", truncate_line},
    [WIRE_MERGE] = {"merge", merge},
    [WIRE_GARBAGE] = {"garbage", garbage},
    [WIRE_DUPLICATE] = {"duplicate", duplicate},
    [WIRE_DELAY] = {"delay", delay},
    [WIRE_DROP] = {"drop", drop},
    [WIRE_SILENCE] = {"silence", NULL},
    [WIRE_HANG_UP] = {"hang-up", NULL},
};
_Static_assert(sizeof rows / sizeof rows[0] == WIRE_FAULTS, "a wire fault has no row");

const char *wire_fault_name(enum wire_fault fault)
{
    return rows[fault].name;
}

bool wire_fault_is_of_answers(enum wire_fault fault)
{
    return rows[fault].strike != NULL;
}

void wire_strike(struct wire_faults *faults, struct wire_line *line)
{
    char now[WIRE_LINE_MAX];
    size_t now_len = line->len < sizeof now ? line->len : sizeof now;
    memcpy(now, line->text, now_len);
    for (int i = 0; i < WIRE_FAULTS; i++) {
        if (!rows[i].strike || faults->left[i] == 0)
            continue;
        rows[i].strike(faults, line);
        if (faults->left[i] > 0)
            faults->left[i]--;
    }
    memcpy(faults->stale, now, now_len);
    faults->stale_len = now_len;
}

void wire_faults_off(struct wire_faults *faults)
{
    memset(faults->left, 0, sizeof faults->left);
}
