#include "daemon/serve/serve_own.h"

#include <stdlib.h>
#include <string.h>

struct item *item_new(char *line)
{
    size_t len = line ? strlen(line) : 0;
    struct item *item = line ? malloc(sizeof *item + len) : NULL;
    if (item) {
        *item = (struct item){.refs = 1, .len = len};
        memcpy(item->text, line, len);
    }
    free(line);
    return item;
}

/* A line without pacing brings thousands of readings a second, and most of the time nobody follows: most lines are never written. */
struct item *item_pack(const struct reading *reading, uint64_t seq)
{
    struct item *item = malloc(sizeof *item + sizeof *reading);
    if (item) {
        *item = (struct item){.refs = 1, .len = sizeof *reading, .seq = seq, .packed = true};
        memcpy(item->text, reading, sizeof *reading);
    }
    return item;
}

static struct item *item_unpack(const struct item *packed)
{
    struct reading reading;
    memcpy(&reading, packed->text, sizeof reading);
    json_t *json = wire_reading(&reading, packed->seq);
    struct item *item = item_new(json ? wire_notice("reading", json) : NULL);
    if (item)
        item->seq = packed->seq;
    return item;
}

struct item *item_ref(struct item *item)
{
    item->refs++;
    return item;
}

void item_unref(struct item *item)
{
    if (item && --item->refs == 0)
        free(item);
}

uint64_t tape_oldest(const struct tape *tape)
{
    return tape->next > SERVE_RING ? tape->next - SERVE_RING : 0;
}

const struct item *tape_at(const struct tape *tape, uint64_t number)
{
    return tape->items[number % SERVE_RING];
}

struct item *tape_line(struct tape *tape, uint64_t number)
{
    struct item **slot = &tape->items[number % SERVE_RING];
    if ((*slot)->packed) {
        struct item *item = item_unpack(*slot);
        if (!item)
            return NULL;
        item_unref(*slot);
        *slot = item;
    }
    return item_ref(*slot);
}

void tape_put(struct tape *tape, struct item *item, const char *kind, const uint64_t *seq)
{
    struct item **slot = &tape->items[tape->next % SERVE_RING];
    item->begin = strcmp(kind, "begin") == 0;
    if (item->begin)
        tape->last_seq = 0;
    if (seq)
        tape->last_seq = *seq;
    item->seq = tape->last_seq;
    item_unref(*slot);
    *slot = item;
    tape->next++;
}

uint64_t tape_find(const struct tape *tape, uint64_t from_seq)
{
    uint64_t at = tape->next, oldest = tape_oldest(tape);
    while (at > oldest && tape_at(tape, at - 1)->seq >= from_seq) {
        at--;
        if (tape_at(tape, at)->begin)
            break;
    }
    return at;
}

void tape_free(struct tape *tape)
{
    for (size_t i = 0; i < SERVE_RING; i++)
        item_unref(tape->items[i]);
}
