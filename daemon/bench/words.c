/* What instruments say of themselves, as words for people: trips and errors. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool trips_describe(const struct dialect *dialect, long long bits, char *to, size_t size)
{
    static const char *const names[TRIPS] = {"over-voltage", "over-current", "over-power", "over-temperature",
                                             "under-voltage"};
    bool any = false;
    to[0] = '\0';
    for (int trip = 0; trip < TRIPS; trip++) {
        if (!dialect->trip_bit[trip] || !(bits & dialect->trip_bit[trip]))
            continue;
        text_add(to, size, "%s%s", any ? " and " : "", names[trip]);
        any = true;
    }
    if (!any && bits)
        text_add(to, size, "protection %lld", bits);
    return bits != 0;
}

/* "0", "0,"No error"", "-222,"Data out of range"", "5": a number, and perhaps a text in quotes behind it. */
int error_text(const struct dialect *dialect, const char *answer, char *to, size_t size)
{
    char *end;
    strtol(answer, &end, 10);
    bool number = end != answer &&
                  (*end == '\0' || (end[0] == ',' && end[1] == '"' && end[2] && answer[strlen(answer) - 1] == '"'));
    if (!number || !strchr("+-0123456789", answer[0]))
        return -1;
    size_t len = strlen(dialect->error_none);
    if (strncmp(answer, dialect->error_none, len) == 0 && (answer[len] == '\0' || answer[len] == ','))
        return 0;
    text_cut(to, size, answer);
    return 1;
}
