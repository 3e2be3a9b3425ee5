/* What the files of this room share. Other rooms have watch.h. */
#ifndef BRUNT_WATCH_WATCH_OWN_H
#define BRUNT_WATCH_WATCH_OWN_H

#include "daemon/base/units.h"
#include "daemon/watch/watch.h"

enum { STRETCHES_MAX = 96, SPREAD_MAX = 31 };

/* Where one reading stands. */
enum level {
    LEVEL_NONE,
    LEVEL_GOOD,    /* in the contract's window */
    LEVEL_OTHER,   /* at another contract's level */
    LEVEL_AWAY,    /* no volts, no amps */
    LEVEL_FLOOR,   /* below the window, current flows but not as much as a current load asks: the source is in limit */
    LEVEL_HELD,    /* a load in voltage or resistance mode draws current: wherever the volts are, it is the load that put them there */
    LEVEL_SAGGING, /* below the window at the full set-point: droop, or the volts are wrong */
    LEVEL_BETWEEN, /* none of these: slewing, decaying, a conversion across an edge */
};

struct spread { /* last few values, for a median that outliers don't move */
    double values[SPREAD_MAX];
    size_t len, next;
};

struct sampling {
    struct spread interval_s, hold_s, step_volts, step_amps;
    double interval, hold, noise_volts, noise_amps; /* medians of these; 0 while unknown. hold: how long one conversion is shown */
    bool noise_seen;
    int64_t last_us, fresh_us, same_since_us;
    struct reading last;
    size_t seen;
};

struct load_order {
    int64_t at_us;
    bool input_on;
    enum load_mode mode;
    double set_point;
};

struct seen { /* one reading as the watchers look at it */
    const struct reading *r;
    bool trusted;  /* has volts and amps and no bad quality */
    bool fresh;    /* not a repeat of the conversion before: counts for persistence */
    bool settled;  /* the order in force is old enough to show in it */
    bool flowing;  /* more amps than can be mistaken for none */
    bool at_set;   /* current mode: amps at the set-point */
    enum level level;
    double other_volts; /* LEVEL_OTHER: which */
};

/* ---- plain watchers: a table of evidence, persistence, exit ---- */

enum evidence { EVIDENCE_NONE /* this reading can't say */, EVIDENCE_FOR, EVIDENCE_AGAINST };

struct watcher {
    enum finding_kind kind;
    enum severity severity, lasting_severity;
    unsigned hits, clears;   /* fresh readings in a row: to begin, to end */
    int64_t hold_us;         /* and so long at least */
    int64_t lasting_us;      /* then it is told again as lasting; 0: never */
    enum evidence (*look)(const struct watch *watch, const struct seen *seen);
    void (*say)(const struct watch *watch, const struct seen *seen, struct finding *ret);
};

struct watcher_state {
    unsigned hits, clears;
    int64_t since_us;
    bool on, lasting;
    struct mean volts; /* of the readings that were evidence */
};

enum { WATCHERS = 8 };
extern const struct watcher watchers[WATCHERS];

/* ---- how it lets go ---- */

struct stretch { /* readings in a row at one level */
    enum level level;
    bool loaded, flowing, by_current; /* by_current: the load is in current mode */
    int64_t from_us, to_us;
    unsigned count; /* fresh ones */
    double volts_mark, volts_last, volts_max, amps_sum, other_volts; /* mark: since mark_us the volts are near it */
    int64_t mark_us;
    unsigned mark_count;
    unsigned readings;
    int contract;
};

struct episode {
    bool any, open;
    int64_t good_us;     /* last good reading before it */
    bool began_loaded;
    int contract_before;
    size_t len;
    double peak_amps;    /* of the bursts so far */
    bool low;            /* below 40 % of it */
    unsigned swings;     /* how often the loaded current went down below 40 % and up above 70 % of its peak again */
    struct stretch stretches[STRETCHES_MAX]; /* last: what stands from `len` on is nothing, and isn't cleared */
};

struct stuck {
    bool on;
    int64_t block_until_us; /* no nudge is wanted before */
};

struct watch {
    struct watch_setup setup;
    struct sampling sampling;
    struct load_order order, before;
    int64_t pace_us;
    bool expected, armed; /* armed: seen good since it is expected */
    struct watcher_state states[WATCHERS];
    struct episode pending, episode;
    unsigned away_hits, low_hits, other_hits, good_hits;
    int64_t good_since_us;
    enum finding_kind live; /* name told last for the open episode; FINDING_KINDS none */
    bool say_closed;        /* closed from outside: tell at the next feed */
    bool stale, stale_lasting;
    struct stuck stuck;
    int64_t now_us;
};

struct out { /* where findings of one call go */
    struct finding *list;
    size_t len;
};

/* sampling.c */
void spread_add(struct spread *spread, double value);
double spread_median(const struct spread *spread); /* 0: none */
bool sampling_feed(struct watch *watch, const struct reading *reading, bool trusted, bool steady); /* true: fresh */
double conversion_s(const struct watch *watch);   /* as stated, or as repeats show it */
double settle_s(const struct watch *watch);

/* level.c */
double away_volts(const struct watch_setup *setup);
double flow_amps(const struct watch *watch);      /* amps above this are not none */
double set_band_amps(const struct watch *watch);  /* amps that near are at the set-point */
double volts_margin(const struct watch *watch);
bool level_other(const struct watch_setup *setup, double volts, double *ret_level);
void level_judge(const struct watch *watch, struct seen *seen);

/* emit.c */
struct finding *finding_begin(const struct watch *watch, struct out *out, enum finding_kind kind, enum severity severity, const struct reading *reading, int64_t since_us);
void finding_say(struct finding *finding, const char *format, ...) __attribute__((format(printf, 2, 3)));
void watchers_feed(struct watch *watch, const struct seen *seen, struct out *out);

/* voltage.c, input.c, sense.c, instrument.c */
enum evidence over_voltage_look(const struct watch *, const struct seen *);
enum evidence droop_look(const struct watch *, const struct seen *);
enum evidence input_on_look(const struct watch *, const struct seen *);
enum evidence input_off_look(const struct watch *, const struct seen *);
enum evidence disagrees_look(const struct watch *, const struct seen *);
enum evidence sense_look(const struct watch *, const struct seen *);
enum evidence nan_look(const struct watch *, const struct seen *);
enum evidence range_look(const struct watch *, const struct seen *);
void over_voltage_say(const struct watch *, const struct seen *, struct finding *);
void droop_say(const struct watch *, const struct seen *, struct finding *);
void input_on_say(const struct watch *, const struct seen *, struct finding *);
void input_off_say(const struct watch *, const struct seen *, struct finding *);
void disagrees_say(const struct watch *, const struct seen *, struct finding *);
void sense_say(const struct watch *, const struct seen *, struct finding *);
void nan_say(const struct watch *, const struct seen *, struct finding *);
void range_say(const struct watch *, const struct seen *, struct finding *);
double nudge_amps(const struct watch_setup *setup);
void stuck_feed(struct watch *watch, const struct seen *seen, struct out *out);
void stale_tick(struct watch *watch, int64_t now_us, struct out *out);
void stale_back(struct watch *watch, const struct reading *reading, struct out *out);
int64_t stale_due_us(const struct watch *watch);

/* letgo.c */
void letgo_feed(struct watch *watch, const struct seen *seen, struct out *out);
void letgo_close(struct watch *watch);

/* verdict.c */
enum finding_kind episode_name(const struct watch *watch, const struct episode *episode, struct finding *ret);

double seconds_between(int64_t from_us, int64_t to_us);

#endif
