/* The profile file: what to do. Which key belongs to which kind of stage is a table, and so is what each is by default. */
#include "daemon/plan/plan_own.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <string.h>

#define MS(n) ((n) * US_PER_MS)
#define S(n)  ((n) * US_PER_S)

/* ---- one stage ---- */

static int read_steps(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    double percent[STEPS_MAX];
    if (tree_need_numbers(at, "rated_percent", 0.0, 200.0, percent, STEPS_MAX, &ret->fractions_len, err) < 0)
        return -1;
    for (size_t i = 0; i < ret->fractions_len; i++)
        ret->fractions[i] = percent[i] / 100.0;
    return 0;
}

static int read_one_level(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    double percent;
    if (tree_need_number(at, "rated_percent", 0.0, 200.0, &percent, err) < 0)
        return -1;
    ret->fractions[0] = percent / 100.0;
    ret->fractions_len = 1;
    return 0;
}

static int read_ramp(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    double from, to;
    if (tree_need_number(at, "from_percent", 0.0, 200.0, &from, err) < 0 || tree_need_number(at, "to_percent", 0.0, 200.0, &to, err) < 0
        || tree_need_number(at, "slew_amps_per_s", 0.001, 100.0, &ret->slew_amps_per_s, err) < 0)
        return -1;
    ret->fractions[0] = from / 100.0;
    ret->fractions[1] = to / 100.0;
    ret->fractions_len = 2;
    return 0;
}

static int read_capacity(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    double resolution = 1.0, cap = 150.0;
    ret->slew_amps_per_s = 2.0;
    ret->trips_max = 3;
    if (tree_want_number(at, "resolution_percent", 0.1, 10.0, &resolution, err) < 0
        || tree_want_number(at, "cap_percent", 101.0, 300.0, &cap, err) < 0
        || tree_want_number(at, "slew_amps_per_s", 0.01, 100.0, &ret->slew_amps_per_s, err) < 0
        || tree_want_int(at, "trips_max", 1, 3, &ret->trips_max, err) < 0)
        return -1;
    ret->resolution_fraction = resolution / 100.0;
    ret->cap_fraction = cap / 100.0;
    return 0;
}

static int read_trace(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    double from = 95.0, to = 20.0;
    int points = 12;
    ret->max_joules = 1000.0;
    if (tree_want_number(at, "from_percent", 30.0, 99.0, &from, err) < 0 || tree_want_number(at, "to_percent", 5.0, 90.0, &to, err) < 0
        || tree_want_int(at, "points", 3, 60, &points, err) < 0 || tree_want_number(at, "max_joules", 1.0, 100000.0, &ret->max_joules, err) < 0)
        return -1;
    if (to >= from)
        return tree_refuse(at, err, "walks from_percent %.1f %% to_percent %.1f %%, expected downwards", from, to);
    ret->trace_from = from / 100.0;
    ret->trace_to = to / 100.0;
    ret->trace_points = (size_t)points;
    return 0;
}

static int read_recover(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    struct tree_at list;
    ret->rungs = (1u << RUNGS) - 1;
    if (!tree_has(at, "rungs"))
        return 0;
    if (tree_need_list(at, "rungs", 1, RUNGS, &list, err) < 0)
        return -1;
    ret->rungs = 0;
    ret->rungs_stated = true;
    for (size_t i = 0; i < tree_count(list); i++) {
        char word[NAME_SIZE];
        struct tree_at member = tree_member(list, i);
        unsigned rung = 0;
        if (tree_as_text(member, word, sizeof word, err) < 0)
            return -1;
        while (rung < RUNGS && strcmp(word, rung_words[rung]) != 0)
            rung++;
        if (rung == RUNGS)
            return tree_refuse(member, err, "is \"%s\", expected \"wait\", \"request\", \"detach\", \"mains\" or \"operator\"", word);
        ret->rungs |= 1u << rung;
    }
    return 0;
}

static const struct stage_reading {
    int64_t min_dwell_us, max_dwell_us; /* max 0: this kind has no dwell */
    bool settles;
    int (*read)(struct tree_at at, struct profile_stage *ret, struct error *err);
} stage_readings[STAGE_KINDS] = {
    [STAGE_IDLE] = {MS(100), S(3600), true, NULL},
    [STAGE_STEP] = {MS(100), S(3600), true, read_steps},
    [STAGE_RAMP] = {0, 0, false, read_ramp},
    [STAGE_HOLD] = {MS(100), S(86400), true, read_one_level},
    [STAGE_CAPACITY] = {MS(100), S(600), true, read_capacity},
    [STAGE_TRACE] = {MS(50), S(2), true, read_trace}, /* a limiting source heats load and itself: at most 2 s a point */
    [STAGE_RECOVER] = {0, 0, false, read_recover},
    [STAGE_SOAK] = {S(1), S(30LL * 86400), true, read_one_level},
};

static int read_dwell(struct tree_at at, const struct stage_reading *reading, struct profile_stage *ret, struct error *err)
{
    if (reading->max_dwell_us == 0)
        return 0;
    if (tree_need_duration(at, "dwell", reading->min_dwell_us, reading->max_dwell_us, &ret->dwell_us, err) < 0)
        return -1;
    ret->settle_us = ret->dwell_us / 4 < S(10) ? ret->dwell_us / 4 : S(10);
    if (reading->settles && tree_want_duration(at, "settle", 0, S(3600), &ret->settle_us, err) < 0)
        return -1;
    if (ret->settle_us >= ret->dwell_us) {
        char settle[48], dwell[48];
        duration_format(settle, sizeof settle, ret->settle_us);
        duration_format(dwell, sizeof dwell, ret->dwell_us);
        return tree_refuse(at, err, "settles for %s, expected less than its dwell (%s)", settle, dwell);
    }
    return 0;
}

static int read_stage(struct tree_at at, struct profile_stage *ret, struct error *err)
{
    int kind;
    memset(ret, 0, sizeof *ret);
    ret->line_no = tree_line(at);
    if (tree_need_word(at, "kind", stage_kind_words, STAGE_KINDS, &kind, err) < 0)
        return -1;
    ret->kind = (enum stage_kind)kind;
    text_copy(ret->name, sizeof ret->name, stage_kind_words[kind]);
    const struct stage_reading *reading = &stage_readings[kind];
    if (tree_want_text(at, "name", ret->name, sizeof ret->name, err) < 0 || read_dwell(at, reading, ret, err) < 0)
        return -1;
    return reading->read ? reading->read(at, ret, err) : 0;
}

static int read_stages(struct tree_at profile_at, struct profile_plan *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(profile_at, "stages", 1, STAGES_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        if (read_stage(tree_member(list, i), &ret->stages[i], err) < 0)
            return -1;
        ret->stages_len = i + 1;
    }
    return 0;
}

/* ---- the rest ---- */

static int read_reload(struct tree_at at, struct profile_plan *ret, struct error *err)
{
    struct tree_at reload;
    if (tree_need_group(at, "reload", &reload, err) < 0 || tree_need_int(reload, "max", 1, 20, &ret->reload_max, err) < 0
        || tree_need_number(reload, "below_celsius", 0.0, 150.0, &ret->reload_below_celsius, err) < 0)
        return -1;
    return 0;
}

static int read_on_trip(struct tree_at at, struct profile_plan *ret, struct error *err)
{
    int on_trip = ON_TRIP_STOP;
    if (tree_want_word(at, "on_trip", on_trip_words, ON_TRIPS, &on_trip, err) < 0)
        return -1;
    ret->on_trip = (enum on_trip)on_trip;
    ret->on_trip_line = tree_line_of(at, "on_trip");
    if (on_trip == ON_TRIP_WATCH || on_trip == ON_TRIP_RELOAD) {
        if (tree_need_duration(at, "watch", S(1), S(86400), &ret->watch_us, err) < 0)
            return -1;
    }
    return on_trip == ON_TRIP_RELOAD ? read_reload(at, ret, err) : 0;
}

static int read_times(struct tree_at at, struct profile_plan *ret, struct error *err)
{
    ret->select_timeout_us = S(2);
    ret->tolerate_silence_us = S(1);
    ret->over_volts_percent = 20.0;
    ret->select_timeout_stated = tree_has(at, "select_timeout");
    if (tree_want_duration(at, "select_timeout", MS(300), S(3600), &ret->select_timeout_us, err) < 0
        || tree_want_duration(at, "sample_period", 0, S(60), &ret->sample_period_us, err) < 0
        || tree_want_duration(at, "tolerate_silence", MS(200), S(60), &ret->tolerate_silence_us, err) < 0
        || tree_want_number(at, "over_volts_percent", 6.0, 50.0, &ret->over_volts_percent, err) < 0)
        return -1;
    return 0;
}

/* A dwell in which no reading fits has no mean. */
static int check_dwells(struct tree_at at, const struct profile_plan *profile, struct error *err)
{
    for (size_t i = 0; i < profile->stages_len; i++) {
        const struct profile_stage *stage = &profile->stages[i];
        int64_t most_us = (stage->dwell_us - stage->settle_us) / 2;
        char period[48], most[48];
        if (stage->dwell_us == 0 || profile->sample_period_us <= most_us)
            continue;
        duration_format(period, sizeof period, profile->sample_period_us);
        duration_format(most, sizeof most, most_us);
        return error_set(err, ERROR_FILE,
                         "%s:%d: sample_period is %s, allowed up to %s (two readings in the dwell of stage \"%s\" behind its settle, line %d)",
                         tree_file(at.tree), tree_line_of(at, "sample_period"), period, most, stage->name, stage->line_no);
    }
    return 0;
}

static int read_recheck(struct tree_at at, struct profile_plan *ret, struct error *err)
{
    if (tree_want_bool(at, "recheck_first", &ret->recheck_first, err) < 0)
        return -1;
    for (size_t i = 0; i < ret->stages_len; i++)
        if (ret->stages[i].kind == STAGE_STEP || ret->stages[i].kind == STAGE_HOLD)
            return 0;
    return ret->recheck_first ? tree_refuse(at, err, "has recheck_first, expected a stage of the kind step or hold to repeat") : 0;
}

int profile_plan_read(struct tree *tree, struct profile_plan *ret, struct error *err)
{
    static const char *const eaches[] = {[EACH_CONTRACT] = "contract", [EACH_STAGE] = "stage"};
    struct profile_plan profile = {0};
    struct tree_at at;
    int each = EACH_CONTRACT;
    text_cut(profile.file, sizeof profile.file, tree_file(tree));
    if (tree_need_group(tree_root(tree), "profile", &at, err) < 0 || tree_need_name(at, "name", profile.name, sizeof profile.name, err) < 0
        || tree_want_word(at, "each", eaches, COUNT(eaches), &each, err) < 0 || read_on_trip(at, &profile, err) < 0
        || read_times(at, &profile, err) < 0 || read_stages(at, &profile, err) < 0 || read_recheck(at, &profile, err) < 0
        || tree_all_taken(tree, err) < 0 || check_dwells(at, &profile, err) < 0)
        return -1;
    profile.each = (enum each)each;
    profile.line_no = tree_line(at);
    *ret = profile;
    return 0;
}
