/*
 * Armed before on: the armed file stands and the guard has acknowledged it before an input goes on; and the other way round afterwards. On the loop; what blocks runs on workers.
 * What writes the file and talks to the guard comes in as a table (process/ gives guard/arm.h).
 */
#ifndef BRUNT_SERVE_ARMING_H
#define BRUNT_SERVE_ARMING_H

#include "daemon/base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <uv.h>

enum arming_news { ARMING_NOTHING, ARMING_ARMED, ARMING_DISARMED, ARMING_GONE, ARMING_REFUSED };

struct arming_does {
    void *context;
    void (*prepare)(void *context);                        /* on the loop, before write(): gather what is to be armed */
    int (*write)(void *context, struct error *err);        /* on a worker */
    int (*remove)(void *context, struct error *err);       /* on a worker */
    void *(*connect)(void *context, struct error *err);    /* on a worker; the function NULL: no guard is wanted */
    void (*close)(void *guard);
    int (*descriptor)(void *guard);
    int (*send_arm)(void *context, void *guard, struct error *err); /* with the descriptors that are open now */
    int (*send_disarm)(void *guard, struct error *err);
    int (*beat)(void *guard, struct error *err);
    enum arming_news (*read)(void *guard);
    void (*armed)(void *context, bool armed, const char *why_not); /* answer to arming_want(true), never from within it */
    void (*disarmed)(void *context);                       /* the file is gone and the guard stands down */
    void (*guard_changed)(void *context, bool up, bool while_armed, const char *why);
    const char *(*refusal)(void *guard);                   /* why, after ARMING_REFUSED; read() says that when nothing else is left to read */
};

struct arming;
/* Begins to connect. standing: an armed file of an earlier daemon stands still; arming_want(false) removes it. */
struct arming *arming_new(uv_loop_t *loop, const struct arming_does *does, bool standing, struct error *err);
void arming_want(struct arming *arming, bool armed);
void arming_resend(struct arming *arming); /* a line was opened again: its new descriptor goes to the guard if armed */
bool arming_is_armed(const struct arming *arming);
bool arming_is_down(const struct arming *arming); /* no file, nothing under way */
bool arming_guard_up(const struct arming *arming);
void arming_close(struct arming *arming); /* ends the connection; an armed guard then does its work */

#endif
