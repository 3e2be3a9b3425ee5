/* What instruments show of the world: latest finished conversions with their errors. A look draws nothing: noise
 * belongs to the conversion's number. */
#include "sim/world/inside.h"

enum stream { STREAM_RIPPLE = 10, STREAM_VOLTS = 30, STREAM_AMPS = 50, STREAM_PLACE = 70, STREAM_RECEPTACLE = 110 };

#define RECEPTACLE_NOISE_VOLTS 0.0003
#define RIPPLE_EACH_US         150000 /* ripple beats with the conversion: a slow wander */
#define PLACE_EACH_US          500000

static double volts_at_sense(const struct world *w, const struct channel *c)
{
    const struct port *p = &w->ports[c->set.port];
    return sensed_volts(c, p->attached ? p->volts : 0.0, c->amps);
}

void meters_feed(struct world *w, int64_t step_us)
{
    int64_t end_us = w->at_us + step_us;
    for (size_t i = 0; i < w->ports_len; i++)
        converter_feed(&w->ports[i].receptacle, w->at_us, end_us, w->ports[i].volts);
    for (size_t i = 0; i < w->channels_len; i++) {
        struct channel *c = &w->channels[i];
        converter_feed(&c->volts, w->at_us, end_us, volts_at_sense(w, c));
        converter_feed(&c->current, w->at_us, end_us, c->amps);
    }
}

static double noise(const struct world *w, int stream, size_t which, int64_t count)
{
    return w->quiet ? 0.0 : noise_gauss(w->seed, (uint64_t)stream + which, (uint64_t)count);
}

static double ripple(const struct world *w, size_t port, int64_t at_us)
{
    const struct port *p = &w->ports[port];
    int64_t slot = at_us / RIPPLE_EACH_US;
    double part = (double)(at_us % RIPPLE_EACH_US) / RIPPLE_EACH_US;
    double wander = noise(w, STREAM_RIPPLE, port, slot) * (1.0 - part) + noise(w, STREAM_RIPPLE, port, slot + 1) * part;
    double loaded = fmin(0.3 + p->source_amps, 1.0);
    return port_output_on(p) && p->volts > 0.5 ? wander * p->set.ripple_volts * loaded * (1.0 + 4.0 * p->set.dryness)
                                               : 0.0;
}

static double rounded(double value, double step)
{
    return step > 0.0 ? round(value / step) * step : value;
}

static double drift(const struct world *w, const struct channel *c)
{
    return 1.0 + c->drift_percent_per_min / 100.0 * (double)(w->now_us - c->drift_since_us) / 60e6;
}

static double shown_volts(const struct world *w, size_t channel)
{
    const struct channel *c = &w->channels[channel];
    int64_t count;
    double volts = converter_look(&c->volts, w->at_us, w->now_us, volts_at_sense(w, c), &count);
    if (c->sense != SENSE_OPEN || !c->set.remote_sense)
        volts += ripple(w, (size_t)c->set.port, c->volts.phase_us + count * c->volts.update_us);
    volts = volts * (1.0 + c->set.volts_gain_percent / 100.0) * drift(w, c) + c->set.volts_offset;
    return rounded(volts + c->set.volts_noise * noise(w, STREAM_VOLTS, channel, count), c->set.volts_step);
}

static double shown_amps(const struct world *w, size_t channel)
{
    const struct channel *c = &w->channels[channel];
    int64_t count;
    double amps = converter_look(&c->current, w->at_us, w->now_us, c->amps, &count);
    amps = amps * (1.0 + c->set.amps_gain_percent / 100.0) * drift(w, c) + c->set.amps_offset;
    return rounded(amps + c->set.amps_noise * noise(w, STREAM_AMPS, channel, count), c->set.amps_step);
}

void world_load_measure(struct world *w, size_t channel, double *volts, double *amps, double *watts)
{
    const struct channel *c = &w->channels[channel];
    *volts = c->stuck ? c->stuck_volts : shown_volts(w, channel);
    *amps = c->stuck ? c->stuck_amps : shown_amps(w, channel);
    *watts = *volts * *amps;
}

double world_receptacle_volts(const struct world *w, size_t port)
{
    const struct port *p = &w->ports[port];
    int64_t count;
    double volts = converter_look(&p->receptacle, w->at_us, w->now_us, p->volts, &count);
    return volts + RECEPTACLE_NOISE_VOLTS * noise(w, STREAM_RECEPTACLE, port, count);
}

size_t world_places(const struct world *w)
{
    return w->places_len;
}

const char *world_place_name(const struct world *w, size_t place)
{
    return w->places[place].name;
}

double world_celsius(const struct world *w, size_t place)
{
    const struct place *p = &w->places[place];
    if (p->open)
        return NAN;
    return p->celsius + p->offset_kelvin + p->noise_kelvin * noise(w, STREAM_PLACE, place, w->now_us / PLACE_EACH_US);
}
