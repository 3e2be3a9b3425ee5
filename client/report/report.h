/* A judged record for people (80 columns) and for programs (JSON). */
#ifndef BRUNT_CLIENT_REPORT_REPORT_H
#define BRUNT_CLIENT_REPORT_REPORT_H

#include "client/judge/judge.h"

#include <jansson.h>
#include <stdio.h>

struct report_head { /* from the record's meta */
    const char *id, *title, *end, *why, *path, *user, *software;
    int64_t wall_ms;
    double duration_s;
};

/* The verdict table, at most 80 columns wide, then the sentences that defend what isn't a pass. */
void report_table(FILE *to, const struct judge *judge, const struct report_head *head);

/* A sentence, broken at spaces for a terminal of 80 columns. */
void report_wrapped(FILE *to, const char *text);

/* The same as one JSON document (new reference; NULL: no memory). Numbers that were not measured are null. */
json_t *report_json(const struct judge *judge, const struct report_head *head);

#endif
