/*
 * What the station wants kept, held for a moment: the station's keep functions only copy into this bounded ring; the loop takes it out again after the bytes of the same pass have been written,
 * so that nothing is recorded or published before an order that turns a load off has gone out.
 */
#ifndef BRUNT_SERVE_KEEP_H
#define BRUNT_SERVE_KEEP_H

#include "daemon/station/station.h"

enum keep_kind { KEEP_READING, KEEP_ORDER, KEEP_OUTCOME, KEEP_FINDING, KEEP_MARK };

struct keep_item {
    enum keep_kind kind;
    int64_t at_us; /* KEEP_ORDER */
    union {
        struct reading reading;
        struct order order;
        struct outcome outcome;
        struct finding finding;
        struct mark mark;
    } is;
};

enum { KEEP_MAX = 1024 };

struct keep;
struct keep *keep_new(void); /* NULL: no memory */
void keep_free(struct keep *keep);
struct station_keep keep_table(struct keep *keep); /* each function answers false when the ring is full */
bool keep_next(struct keep *keep, struct keep_item *ret);

#endif
