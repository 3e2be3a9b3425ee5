#include "daemon/serve/keep.h"

#include <stdlib.h>

struct keep {
    struct keep_item items[KEEP_MAX];
    size_t first, count;
};

struct keep *keep_new(void)
{
    return calloc(1, sizeof(struct keep));
}

void keep_free(struct keep *keep)
{
    free(keep);
}

static struct keep_item *room(struct keep *keep, enum keep_kind kind)
{
    if (keep->count == KEEP_MAX)
        return NULL;
    struct keep_item *item = &keep->items[(keep->first + keep->count++) % KEEP_MAX];
    item->kind = kind;
    return item;
}

static bool keep_reading(void *context, const struct reading *reading)
{
    struct keep_item *item = room(context, KEEP_READING);
    if (item)
        item->is.reading = *reading;
    return item != NULL;
}

static bool keep_order(void *context, int64_t at_us, const struct order *order)
{
    struct keep_item *item = room(context, KEEP_ORDER);
    if (item) {
        item->at_us = at_us;
        item->is.order = *order;
    }
    return item != NULL;
}

static bool keep_outcome(void *context, const struct outcome *outcome)
{
    struct keep_item *item = room(context, KEEP_OUTCOME);
    if (item)
        item->is.outcome = *outcome;
    return item != NULL;
}

static bool keep_finding(void *context, const struct finding *finding)
{
    struct keep_item *item = room(context, KEEP_FINDING);
    if (item)
        item->is.finding = *finding;
    return item != NULL;
}

static bool keep_mark(void *context, const struct mark *mark)
{
    struct keep_item *item = room(context, KEEP_MARK);
    if (item)
        item->is.mark = *mark;
    return item != NULL;
}

struct station_keep keep_table(struct keep *keep)
{
    return (struct station_keep){keep, keep_reading, keep_order, keep_outcome, keep_finding, keep_mark};
}

bool keep_next(struct keep *keep, struct keep_item *ret)
{
    if (!keep->count)
        return false;
    *ret = keep->items[keep->first];
    keep->first = (keep->first + 1) % KEEP_MAX;
    keep->count--;
    return true;
}
