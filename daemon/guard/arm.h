/*
 * The daemon's half of the guard: the armed file, and talking to brunt-guard. The guard itself (main.c) shares no code with the daemon; both obey docs/safety.md.
 *
 * Armed file (DIR/armed, 0600, replaced atomically, fsynced with its directory): line-based text that the guard, `bruntd --off` (the stop command of a service) and restart read, and nothing else:
 *     brunt-armed 1
 *     pid PID STARTTIME BOOT       the daemon that may be fenced; BOOT so that after a reboot no stranger is
 *     entry NAME ADDRESS BAUD DATA PARITY STOP FLOW HEX(spoil) HEX(off) HEX(query) HEX(answer) ATTEMPT_MS MAINS(0|1)
 *     end                           without it the file is torn: what is whole in it is still obeyed
 * Spaces, control bytes and % in NAME and ADDRESS are written %XX, no bytes as "-".
 *
 * Guard's socket (DIR/guard, SOCK_SEQPACKET): daemon connects; messages: "arm N COUNT" (read the armed file again; COUNT descriptors follow by SCM_RIGHTS, each as "fd NAME"), answered "armed N" only when the
 * file is parsed and the descriptors are held; "beat N" every 200 ms (the loop's heartbeat: sent by the loop itself, never by another thread), answered "beat N"; "disarm N" -> "disarmed N"; "hello" -> "hello 1"; "bye" (ends an
 * idle guard); "refused N SENTENCE" to what it won't. No beat for 1 s while armed, the daemon's death, or the connection's end while armed: the guard fences: spoil + off at once on all lines, SIGKILL to the
 * daemon through its pidfd, waits for its death, repeats spoil + off until confirmed twice in a row (or for 10 minutes, saying so); mains last, where a load stays unconfirmed for a second.
 * Then it writes DIR/guarded, leaves the armed file standing (the next start turns off again and removes it), gives the lines back and waits a minute for a new daemon.
 *
 * Order at a daemon's start: bench lock, arm_read(), arm_off_now(), arm_remove() when all is confirmed, arm_report_read() and arm_report_remove(), arm_guard_connect() (a guard that was still fencing gives the lines back
 * at the latest here), then the links. While loads are unconfirmed the armed file stays and the guard refuses "arm".
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
/* count entries read; 0 if the file doesn't exist in a folder that does. Torn or odd lines: *err says so and ret holds what is whole, up to the first empty name; returns -1 then. */
long arm_read(const char *dir, struct arm_entry ret[ARM_ENTRIES_MAX], struct error *err);

/* Turns every entry off, synchronously and without any event loop: for restart (before all else) and `bruntd --off`. Opens each address afresh (asking for no lock), spoil + off, confirms twice, again until deadline_ms; mains entries only where a load stays unconfirmed or none is named.
 * Returns how many could not be confirmed; says of each of these and of the confirmed on `say` (one sentence; may be NULL). */
int arm_off_now(const struct arm_entry *entries, size_t count, int deadline_ms, void (*say)(void *context, const char *sentence), void *context);
/* The same for what is whole in a torn file: a load may be missing in it, so the mains entries are turned off at once. */
int arm_off_torn(const struct arm_entry *entries, size_t count, int deadline_ms, void (*say)(void *context, const char *sentence), void *context);

/* ---- client side of the guard's socket, non-blocking ---- */

struct arm_guard;
/* Connects to DIR/guard; starts `guard_path` (brunt-guard DIR) in a session of its own if nobody listens and guard_path is not NULL. Blocking up to 2 s: call on a worker or at start. */
struct arm_guard *arm_guard_connect(const char *dir, const char *guard_path, struct error *err);
void arm_guard_close(struct arm_guard *guard); /* NULL is fine. Disarmed: the guard leaves too. While armed: the guard fences, this process included */
int arm_guard_descriptor(const struct arm_guard *guard); /* poll for reading */
/* Sends "arm" and the descriptors (count may be less than entries: lines without descriptor are reopened by path). */
int arm_guard_arm(struct arm_guard *guard, const char *const names[], const int descriptors[], size_t count, struct error *err);
/* -1: the guard is gone; or it is armed and hangs (8 beats and 1.5 s without an answer): it is killed then, and the next arm_guard_read() says ARM_GUARD_GONE. */
int arm_guard_beat(struct arm_guard *guard, struct error *err);
int arm_guard_disarm(struct arm_guard *guard, struct error *err);
enum arm_news { ARM_NOTHING, ARM_ARMED, ARM_DISARMED, ARM_GUARD_GONE };
enum arm_news arm_guard_read(struct arm_guard *guard); /* call when readable, until ARM_NOTHING. A refusal to arm is no news of its own: see arm_guard_refusal() */
const char *arm_guard_refusal(const struct arm_guard *guard); /* why the guard refused the last order, "" if it didn't: then no ARM_ARMED will come */

/* ---- what the guard did while no daemon was there: DIR/guarded, for the record of the run that died ---- */

struct arm_report {
    char at[40];     /* wall clock of the end of it, UTC, ISO 8601 */
    char why[200];   /* why it fenced */
    char daemon[160];/* pid and what became of it */
    char end[200];   /* how it ended */
    int loads_confirmed, loads_unconfirmed;
    bool mains_off;
    long long slowest_ms; /* from the fence to the second confirmation of the slowest load */
};
int arm_report_read(const char *dir, struct arm_report *ret, struct error *err); /* 1; 0: there is none; -1 */
int arm_report_remove(const char *dir, struct error *err);

#endif
