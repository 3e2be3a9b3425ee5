/*
 * The daemon's half of the guard: the armed file, and talking to brunt-guard. The guard itself (main.c) shares no code with the daemon; both obey docs/safety.md.
 *
 * Armed file (DIR/armed, 0600, replaced atomically, fsynced with its directory): line-based text that the guard, `bruntd --off` (the stop command of a service) and restart read, and nothing else:
 *     brunt-armed 1
 *     pid PID STARTTIME            the daemon that may be fenced
 *     entry NAME ADDRESS BAUD DATA PARITY STOP FLOW HEX(spoil) HEX(off) HEX(query) HEX(answer) ATTEMPT_MS MAINS(0|1)
 *     end                           without it the file is torn: what is whole in it is still obeyed
 *
 * Guard's socket (DIR/guard, SOCK_SEQPACKET): daemon connects; messages: "arm N" (read the armed file again; each line's descriptor follows by SCM_RIGHTS as "fd NAME"), answered "armed N" only when
 * file is parsed and descriptors are held; "beat N" every 200 ms (the loop's heartbeat: sent by the loop itself, never by another thread); "disarm N" -> "disarmed N". No beat for 1 s while armed, or the connection
 * ends while armed: the guard fences: SIGSTOP? no: off at once, then SIGKILL to the daemon through its pidfd, waits for its death, repeats spoil + off until confirmed (or for 10 minutes, saying so), mains last where recipes say so.
 */
#ifndef BRUNT_GUARD_ARM_H
#define BRUNT_GUARD_ARM_H

#include "daemon/base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { ARM_ENTRIES_MAX = 16 };

struct arm_entry {
    char name[64];
    char address[160];            /* as link_open() takes it: the stable path, not the resolved one */
    int baud, data_bits, stop_bits;
    char parity, flow;            /* as in link_settings */
    unsigned char spoil[16], off[128], query[64], answer_off[16];
    size_t spoil_len, off_len, query_len, answer_off_len;
    int attempt_ms;               /* wait for the confirmation before the next try */
    bool mains;
};

/* Writes and fsyncs DIR/armed (temporary file, rename, fsync of DIR). Blocking: call on a worker. */
int arm_write(const char *dir, const struct arm_entry *entries, size_t count, struct error *err);
int arm_remove(const char *dir, struct error *err); /* 0 also if there was none. Blocking */
/* count entries read; 0 if the file doesn't exist. Torn or odd lines: *err says so and ret holds what is whole; returns -1 then. */
long arm_read(const char *dir, struct arm_entry ret[ARM_ENTRIES_MAX], struct error *err);

/* Turns every entry off, synchronously and without any event loop: for restart (before all else) and `bruntd --off`. Opens each address afresh, spoil + off, confirms, again until deadline_ms.
 * Returns how many could not be confirmed; says of each on `say` (one sentence; may be NULL). */
int arm_off_now(const struct arm_entry *entries, size_t count, int deadline_ms, void (*say)(void *context, const char *sentence), void *context);

/* ---- client side of the guard's socket, non-blocking ---- */

struct arm_guard;
/* Connects to DIR/guard; starts `guard_path` (brunt-guard DIR) in a session of its own if nobody listens and guard_path is not NULL. Blocking up to 2 s: call on a worker or at start. */
struct arm_guard *arm_guard_connect(const char *dir, const char *guard_path, struct error *err);
void arm_guard_close(struct arm_guard *guard);
int arm_guard_descriptor(const struct arm_guard *guard); /* poll for reading */
/* Sends "arm" and the descriptors (count may be less than entries: lines without descriptor are reopened by path). */
int arm_guard_arm(struct arm_guard *guard, const char *const names[], const int descriptors[], size_t count, struct error *err);
int arm_guard_beat(struct arm_guard *guard, struct error *err);  /* -1: the guard is gone */
int arm_guard_disarm(struct arm_guard *guard, struct error *err);
enum arm_news { ARM_NOTHING, ARM_ARMED, ARM_DISARMED, ARM_GUARD_GONE };
enum arm_news arm_guard_read(struct arm_guard *guard); /* call when readable, until ARM_NOTHING */

#endif
