/* The electronic load: what it is told, what it does, what it believes. */
#include "sim/world/inside.h"

bool load_passes(const struct channel *c)
{
    return c->closed && c->powered;
}

static double range_of(const struct channel *c, enum world_load_mode mode)
{
    const double ranges[4] = {c->set.max_amps, c->set.max_volts, c->set.max_ohms, c->set.max_watts};
    return ranges[mode];
}

static void defaults(struct channel *c)
{
    c->mode = WORLD_CURRENT;
    c->set_point[WORLD_CURRENT] = 0.0;
    c->set_point[WORLD_VOLTAGE] = c->set.max_volts;
    c->set_point[WORLD_RESISTANCE] = c->set.max_ohms;
    c->set_point[WORLD_POWER] = 0.0;
    c->slew_amps_per_s = c->set.slew_amps_per_s;
    c->level[0] = 1.05 * c->set.max_volts;
    c->level[1] = 1.05 * c->set.max_amps;
    c->level[2] = 1.05 * c->set.max_watts;
    c->level[3] = 85.0;
    c->level[4] = 0.0;
}

static void order_relay(struct world *w, struct channel *c, bool on)
{
    c->input = on;
    if (!c->input_ignored)
        c->relay_us = c->closed == on ? US_NEVER : w->at_us + (on ? c->set.relay_on_us : c->set.relay_off_us);
}

static void never_trip(struct channel *c)
{
    for (int i = 0; i < TRIPS; i++)
        c->trip_us[i] = US_NEVER;
}

static void relay_event(struct channel *c)
{
    c->relay_us = US_NEVER;
    c->closed = c->input;
    c->ramp_amps = 0.0;
    never_trip(c);
}

static void boot_event(struct world *w, struct channel *c)
{
    bool returns = (c->set.returns_on || c->return_on_fault) && c->was_on;
    double amps = c->set_point[WORLD_CURRENT];
    c->boot_us = US_NEVER;
    c->powered = true;
    c->trips = 0;
    c->input = c->closed = false;
    defaults(c);
    converter_begin(&c->volts, w->at_us);
    converter_begin(&c->current, w->at_us);
    if (!returns)
        return;
    c->set_point[WORLD_CURRENT] = amps;
    order_relay(w, c, true);
}

void load_events(struct world *w, struct channel *c)
{
    if (c->boot_us <= w->at_us)
        boot_event(w, c);
    if (c->relay_us <= w->at_us)
        relay_event(c);
    else
        return;
    w->step_us = STEP_FINE_US;
}

int64_t load_due_us(const struct channel *c)
{
    int64_t due = c->relay_us < c->boot_us ? c->relay_us : c->boot_us;
    for (int i = 0; i < TRIPS; i++)
        if (c->trip_us[i] < due)
            due = c->trip_us[i];
    return due;
}

void load_ramp(struct channel *c, int64_t step_us)
{
    const struct channel_setup *s = &c->set;
    double set =
        c->set_point[WORLD_CURRENT] * (1.0 + s->program_gain_percent / 100.0) + s->program_offset[WORLD_CURRENT];
    double target = c->mode == WORLD_CURRENT ? fmax(set, 0.0) : s->max_amps;
    double most = c->slew_amps_per_s * 1e-6 * (double)step_us;
    double way = target - c->ramp_amps;
    if (!load_passes(c))
        c->ramp_amps = 0.0;
    else
        c->ramp_amps = fabs(way) <= most ? target : c->ramp_amps + copysign(most, way);
}

static unsigned exceeded(const struct channel *c, double volts)
{
    double sees = sensed_volts(c, volts, c->amps);
    double at_terminals = terminal_volts(c, volts, c->amps);
    const bool beyond[TRIPS] = {fmax(sees, at_terminals) > c->level[0], c->amps > c->level[1],
                                at_terminals * c->amps > c->level[2], c->celsius > c->level[3],
                                load_passes(c) && sees < c->level[4]};
    unsigned bits = 0;
    for (int i = 0; i < TRIPS; i++)
        if (c->level[i] > 0.0 && beyond[i])
            bits |= 1u << i;
    return bits;
}

static void trip(struct world *w, struct channel *c, unsigned bit)
{
    c->trips |= bit;
    c->input = false;
    c->relay_us = US_NEVER;
    if (!c->input_ignored)
        c->closed = false; /* the stage itself blocks at once, without the relay */
    w->step_us = STEP_FINE_US;
}

static void watch_trips(struct world *w, struct channel *c, double volts)
{
    unsigned bits = exceeded(c, volts) & ~c->trips;
    for (int i = 0; i < TRIPS; i++) {
        if (!(bits & 1u << i))
            c->trip_us[i] = US_NEVER;
        else if (c->trip_us[i] == US_NEVER)
            c->trip_us[i] = w->at_us + c->set.protect_us;
        else if (c->trip_us[i] <= w->at_us) {
            c->trip_us[i] = US_NEVER;
            trip(w, c, 1u << i);
        }
    }
}

void load_watch(struct world *w, struct channel *c, int64_t step_us)
{
    double volts = w->ports[c->set.port].attached ? w->ports[c->set.port].volts : 0.0;
    double watts = terminal_volts(c, volts, c->amps) * c->amps;
    double to = w->ambient_celsius + watts * c->set.celsius_per_watt;
    c->celsius += (to - c->celsius) * -expm1(-1e-6 * (double)step_us / 60.0);
    if (c->powered)
        watch_trips(w, c, volts);
}

void load_power(struct world *w, struct channel *c, bool on)
{
    if (on && !c->powered && c->boot_us == US_NEVER)
        c->boot_us = w->at_us + c->set.boot_us;
    if (on)
        return;
    if (c->powered)
        c->was_on = c->input;
    c->powered = c->input = c->closed = false;
    c->relay_us = c->boot_us = US_NEVER;
    never_trip(c);
}

/* ---- what others may ask of it ---- */

void world_load_input(struct world *w, size_t channel, bool on)
{
    struct channel *c = &w->channels[channel];
    if (!c->powered || (on && c->trips))
        return;
    world_sync(w);
    order_relay(w, c, on);
}

bool world_load_input_is_on(const struct world *w, size_t channel)
{
    return w->channels[channel].input;
}

bool world_load_conducts(const struct world *w, size_t channel)
{
    const struct channel *c = &w->channels[channel];
    return c->short_ohms > 0.0 || load_passes(c);
}

double world_load_set(struct world *w, size_t channel, enum world_load_mode mode, double value)
{
    struct channel *c = &w->channels[channel];
    double step = c->set.resolution[mode];
    double most = range_of(c, mode);
    if (!c->powered || isnan(value))
        return c->set_point[mode];
    double rounded = step > 0.0 ? round(value / step) * step : value;
    double least = mode == WORLD_RESISTANCE ? c->set.min_volts / c->set.max_amps : 0.0;
    rounded = fmin(fmax(rounded, least), most);
    if (rounded != c->set_point[mode]) {
        world_sync(w);
        c->set_point[mode] = rounded;
    }
    return rounded;
}

void world_load_mode(struct world *w, size_t channel, enum world_load_mode mode)
{
    struct channel *c = &w->channels[channel];
    if (c->mode == mode || !c->powered)
        return;
    world_sync(w);
    c->mode = mode;
    c->ramp_amps = c->amps; /* the new mode starts from the current that flows */
}

enum world_load_mode world_load_mode_now(const struct world *w, size_t channel)
{
    return w->channels[channel].mode;
}

double world_load_set_now(const struct world *w, size_t channel, enum world_load_mode mode)
{
    return w->channels[channel].set_point[mode];
}

double world_load_range(const struct world *w, size_t channel, enum world_load_mode mode)
{
    return range_of(&w->channels[channel], mode);
}

static int trip_index(enum world_trip bit)
{
    for (int i = 0; i < TRIPS; i++)
        if ((unsigned)bit == 1u << i)
            return i;
    return -1;
}

void world_load_protect(struct world *w, size_t channel, enum world_trip bit, double level)
{
    int i = trip_index(bit);
    if (i < 0 || isnan(level))
        return;
    world_sync(w);
    w->channels[channel].level[i] = fmax(level, 0.0);
}

double world_load_protect_now(const struct world *w, size_t channel, enum world_trip bit)
{
    int i = trip_index(bit);
    return i < 0 ? 0.0 : w->channels[channel].level[i];
}

unsigned world_load_trips(const struct world *w, size_t channel)
{
    return w->channels[channel].trips;
}

void world_load_clear(struct world *w, size_t channel)
{
    world_sync(w);
    w->channels[channel].trips = 0;
}

void world_load_slew(struct world *w, size_t channel, double amps_per_s)
{
    if (!(amps_per_s > 0.0))
        return;
    world_sync(w);
    w->channels[channel].slew_amps_per_s = fmin(fmax(amps_per_s, 0.01), 1e7);
}

void world_load_reset(struct world *w, size_t channel)
{
    struct channel *c = &w->channels[channel];
    if (!c->powered)
        return;
    world_sync(w);
    order_relay(w, c, false);
    defaults(c);
    c->trips = 0;
}

void world_load_power(struct world *w, size_t channel, bool on)
{
    world_sync(w);
    for (size_t i = 0; i < w->channels_len; i++)
        if (w->channels[i].set.load == w->channels[channel].set.load)
            load_power(w, &w->channels[i], on);
}

bool world_load_has_power(const struct world *w, size_t channel)
{
    return w->channels[channel].powered;
}
