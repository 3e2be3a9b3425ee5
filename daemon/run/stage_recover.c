/* The ladder is climbed by itself after each loss; this stage makes sure of it: does the contract still stand? If not, up the ladder. */
#include "daemon/run/run_private.h"

static void recover_enter(struct run *run)
{
    run->stage.ring.len = 0;
    text_copy(run->doing, sizeof run->doing, "contract still there?");
    out_pace(run, run_port(run), 0);
    int64_t least_us = run_stage(run)->dwell_us > 2 * US_PER_S ? run_stage(run)->dwell_us : 2 * US_PER_S;
    run->phase_due_us = run->now_us + least_us;
}

static void recover_feed(struct run *run, const struct reading *reading)
{
    if (!reading_trusted(reading))
        return;
    ring_add(&run->stage.ring, reading);
    if (ring_settled(&run->stage.ring, run_label(run)->volts, idle_window_volts(run), NULL))
        stage_unload(run);
}

static void recover_tick(struct run *run)
{
    run->after = AFTER_STAGE;
    run->loss_us = run->now_us;
    run->ports[run_port(run)].contract = -1;
    ladder_climb(run, RUNG_REQUEST);
}

static void recover_lost(struct run *run, const struct finding *finding)
{
    trip_let_go(run, AFTER_STAGE, finding);
}

const struct stage_row stage_recover = {.name = "recover",
                                        .help = "the recovery ladder, if the contract is lost",
                                        .expects_collapse = true,
                                        .enter = recover_enter,
                                        .feed = recover_feed,
                                        .tick = recover_tick,
                                        .lost = recover_lost};
