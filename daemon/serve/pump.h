/*
 * Moves bytes between the lines and the station on the loop. What opens, reads and writes a line comes in as a table (main.c gives links/), since opening and closing may block they run on workers;
 * a line that can't be opened, or was lost, is tried again every 250 ms under its stable path.
 *
 * One pass: bytes in -> station -> bytes out at once -> passed(). Due times are kept by a timerfd, since the loop's own timers know whole milliseconds only.
 */
#ifndef BRUNT_SERVE_PUMP_H
#define BRUNT_SERVE_PUMP_H

#include "daemon/station/station.h"

#include <uv.h>

struct pump_does {
    void *context;
    void *(*open)(void *context, size_t line, struct error *err); /* on a worker; NULL: err */
    void (*close)(void *link);                                    /* on a worker */
    int (*descriptor)(const void *link);
    long (*read)(void *link, void *to, size_t size, struct error *err);          /* as link_read() */
    long (*write)(void *link, const void *from, size_t len, struct error *err);
    void (*passed)(void *context);                                /* the bytes are out: now record and publish. May call pump_flush(), not pump_pass() */
    void (*changed)(void *context, size_t line, bool up, const char *why); /* why: sentence of a failure, once for each different one */
};

struct pump;
struct pump *pump_new(uv_loop_t *loop, struct station *station, const struct pump_does *does, struct error *err);
void pump_begin(struct pump *pump);                   /* starts opening every line */
void pump_flush(struct pump *pump);                   /* pending bytes out */
void pump_pass(struct pump *pump);                    /* after anything that was done to the station from outside: flush, passed(), due time */
int pump_descriptor(const struct pump *pump, size_t line); /* -1: not open */
const char *pump_trouble(const struct pump *pump, size_t line); /* why it is not open; "" */
void pump_close(struct pump *pump);                   /* closes handles and lines; freed when the last worker and handle are done */

static inline int64_t pump_now_us(void)
{
    return (int64_t)(uv_hrtime() / 1000);
}

#endif
