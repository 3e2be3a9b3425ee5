/* Arming with guard/arm.h: what the armed file says of each load, the guard's socket, and what follows from their news. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"

#include <string.h>

/* ---- the armed file ---- */

static void entry_from(const struct daemon *d, const struct off_recipe *recipe, struct arm_entry *ret)
{
    const struct bench_instrument *instrument = lines_instrument(d, (size_t)recipe->line);
    struct link_settings s = lines_settings(&instrument->line);
    size_t bytes = recipe->spoil_len + recipe->off_len + recipe->query_len + recipe->answer_off_len;
    *ret = (struct arm_entry){.baud = s.baud, .data_bits = s.data_bits, .stop_bits = s.stop_bits, .parity = s.parity, .flow = s.flow,
                              .spoil_len = recipe->spoil_len, .off_len = recipe->off_len, .query_len = recipe->query_len,
                              .answer_off_len = recipe->answer_off_len, .mains = recipe->mains};
    text_cut(ret->name, sizeof ret->name, recipe->name);
    lines_address(instrument, ret->address, sizeof ret->address);
    memcpy(ret->spoil, recipe->spoil, sizeof ret->spoil);
    memcpy(ret->off, recipe->off, sizeof ret->off);
    memcpy(ret->query, recipe->query, sizeof ret->query);
    memcpy(ret->answer_off, recipe->answer_off, sizeof ret->answer_off);
    ret->attempt_ms = 300 + (s.baud > 0 ? (int)(bytes * 10 * 1000 / (size_t)s.baud) : 0);
}

static void arming_prepare(void *context)
{
    struct daemon *d = context;
    struct off_recipe recipes[ARM_ENTRIES_MAX];
    d->entries_len = bench_off_recipes(station_bench(d->station), recipes, ARM_ENTRIES_MAX);
    for (size_t i = 0; i < d->entries_len; i++) {
        entry_from(d, &recipes[i], &d->entries[i]);
        d->entry_line[i] = recipes[i].line;
    }
}

/* "1 load says it is off", "2 loads ..." */
static void add_loads(char ret[SENTENCE_SIZE], const char *before, int count, const char *what)
{
    if (count)
        text_add(ret, SENTENCE_SIZE, "%s%d load%s %s", before, count, count == 1 ? "" : "s", what);
}

void armed_report_sentence(const struct arm_report *report, bool off_since, char ret[SENTENCE_SIZE])
{
    ret[0] = '\0';
    text_add(ret, SENTENCE_SIZE, "the guard acted at %.20s (%.50s; daemon %.40s)", report->at, report->why, report->daemon);
    add_loads(ret, ": ", report->loads_confirmed, report->loads_confirmed == 1 ? "says it is off" : "say they are off");
    if (report->loads_confirmed)
        text_add(ret, SENTENCE_SIZE, ", the slowest after %lld ms", report->slowest_ms);
    add_loads(ret, report->loads_confirmed ? "; " : ": ", report->loads_unconfirmed, off_since ? "confirmed off only by the next start" : "NOT confirmed off");
    if (report->mains_off)
        text_add(ret, SENTENCE_SIZE, "; the mains are off");
}

/* A report that stands here came too late for the record of its run, and must not get into that of the next. */
static void take_late_report(struct daemon *d)
{
    struct arm_report report;
    struct error err = ERROR_INIT;
    if (arm_report_read(d->options.dir, &report, &err) <= 0)
        return;
    armed_report_sentence(&report, !d->standing, d->guard_did);
    arm_report_remove(d->options.dir, &err);
}

static int arming_write(void *context, struct error *err)
{
    struct daemon *d = context;
    take_late_report(d);
    return arm_write(d->options.dir, d->entries, d->entries_len, err);
}

static int arming_remove(void *context, struct error *err)
{
    const struct daemon *d = context;
    return arm_remove(d->options.dir, err);
}

/* ---- the guard ---- */

static void *guard_connect(void *context, struct error *err)
{
    const struct daemon *d = context;
    return arm_guard_connect(d->options.dir, d->options.guard, err);
}

static void guard_close(void *guard)
{
    arm_guard_close(guard);
}

static int guard_descriptor(void *guard)
{
    return arm_guard_descriptor(guard);
}

static int guard_send_arm(void *context, void *guard, struct error *err)
{
    const struct daemon *d = context;
    const char *names[ARM_ENTRIES_MAX];
    int descriptors[ARM_ENTRIES_MAX];
    size_t count = 0;
    for (size_t i = 0; i < d->entries_len; i++) {
        int fd = pump_descriptor(d->pump, (size_t)d->entry_line[i]);
        if (fd < 0)
            continue;
        names[count] = d->entries[i].name;
        descriptors[count++] = fd;
    }
    return arm_guard_arm(guard, names, descriptors, count, err);
}

static int guard_send_disarm(void *guard, struct error *err)
{
    return arm_guard_disarm(guard, err);
}

static int guard_beat(void *guard, struct error *err)
{
    return arm_guard_beat(guard, err);
}

static enum arming_news guard_read(void *guard)
{
    static const enum arming_news news[] = {
        [ARM_NOTHING] = ARMING_NOTHING, [ARM_ARMED] = ARMING_ARMED, [ARM_DISARMED] = ARMING_DISARMED, [ARM_GUARD_GONE] = ARMING_GONE};
    enum arm_news got = arm_guard_read(guard);
    return got == ARM_NOTHING && arm_guard_refusal(guard)[0] ? ARMING_REFUSED : news[got];
}

static const char *guard_refusal(void *guard)
{
    return arm_guard_refusal(guard);
}

/* ---- their news ---- */

static void on_armed(void *context, bool armed, const char *why_not)
{
    struct daemon *d = context;
    if (d->guard_did[0])
        tell(d->say, TELL_NOTICE, "%s", d->guard_did);
    d->guard_did[0] = '\0';
    if (d->drill)
        drill_armed(d->drill, armed, why_not, pump_now_us());
    else
        station_armed(d->station, armed, why_not, pump_now_us());
    if (!armed && !d->drill)
        tell(d->say, TELL_WARNING, "not armed: %s", why_not);
    process_pass(d);
}

static void on_disarmed(void *context)
{
    struct daemon *d = context;
    d->standing = false;
    if (d->drill)
        drill_disarmed(d->drill, pump_now_us());
    process_pass(d);
}

static void on_guard_changed(void *context, bool up, bool while_armed, const char *why)
{
    struct daemon *d = context;
    d->drilled = d->mains_drilled = false;
    tell(d->say, up ? TELL_INFO : TELL_WARNING, up ? "the guard is connected%s" : "no guard: %s", why);
    if (while_armed && station_running(d->station)) {
        station_abort(d->station, RUN_FAULT, "the guard is gone: the load is off, since nothing would turn it off if the daemon died", pump_now_us());
        process_pass(d);
    }
}

struct arming_does armed_does(struct daemon *d)
{
    return (struct arming_does){d, arming_prepare, arming_write, arming_remove, d->options.no_guard ? NULL : guard_connect, guard_close, guard_descriptor,
                                guard_send_arm, guard_send_disarm, guard_beat, guard_read, on_armed, on_disarmed, on_guard_changed, guard_refusal};
}
