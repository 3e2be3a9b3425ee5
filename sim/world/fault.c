/* Faults, by a line of text: NAME [port|channel|place N] [VALUE | off]. N counts from 1, as in all that a person
 * writes; 1 if left out. */
#include "sim/world/inside.h"

#include "daemon/base/text.h"

#include <stdio.h>
#include <string.h>

enum where { NOWHERE, AT_PORT, AT_CHANNEL, AT_PLACE };

struct struck {
    struct world *w;
    size_t at;
    bool on;
    double value; /* the row's default, if none was given */
};

static struct port *port_of(const struct struck *s)
{
    return &s->w->ports[s->at];
}

static struct channel *channel_of(const struct struck *s)
{
    return &s->w->channels[s->at];
}

static void strike_short(const struct struck *s)
{
    channel_of(s)->short_ohms = s->on ? s->value : 0.0;
}

static void strike_sense_open(const struct struck *s)
{
    channel_of(s)->sense = s->on ? SENSE_OPEN : SENSE_GOOD;
    channel_of(s)->sense_open_fraction = s->value;
}

static void strike_sense_reversed(const struct struck *s)
{
    channel_of(s)->sense = s->on ? SENSE_REVERSED : SENSE_GOOD;
}

static void strike_drift(const struct struck *s)
{
    channel_of(s)->drift_percent_per_min = s->on ? s->value : 0.0;
    channel_of(s)->drift_since_us = s->w->now_us;
}

static void strike_stuck(const struct struck *s)
{
    struct channel *c = channel_of(s);
    double watts;
    c->stuck = false;
    if (!s->on)
        return;
    world_load_measure(s->w, s->at, &c->stuck_volts, &c->stuck_amps, &watts);
    c->stuck = true;
}

static void strike_return_on(const struct struck *s)
{
    channel_of(s)->return_on_fault = s->on;
}

static void strike_ignored(const struct struck *s)
{
    struct channel *c = channel_of(s);
    c->input_ignored = s->on;
    if (!s->on && c->closed != c->input)
        c->relay_us = s->w->at_us; /* what was ordered last comes true */
}

static void power_all(const struct struck *s, bool on)
{
    for (size_t i = 0; i < s->w->channels_len; i++)
        if (s->w->channels[i].set.load == channel_of(s)->set.load)
            load_power(s->w, &s->w->channels[i], on);
}

static void strike_power_off(const struct struck *s)
{
    power_all(s, !s->on);
}

static void strike_power_on(const struct struck *s)
{
    power_all(s, s->on);
}

static void strike_power_cycle(const struct struck *s)
{
    if (!s->on)
        return;
    power_all(s, false);
    power_all(s, true);
    for (size_t i = 0; i < s->w->channels_len; i++)
        if (s->w->channels[i].set.load == channel_of(s)->set.load)
            s->w->channels[i].boot_us += (int64_t)(s->value * 1e6);
}

static void strike_joint(const struct struck *s)
{
    struct port *p = port_of(s);
    p->set.joint_ohms = s->on ? s->value : 0.0;
    p->joint_now_ohms = 0.0;
    p->joint_next_us = s->on ? s->w->at_us : US_NEVER;
}

static void strike_dried(const struct struck *s)
{
    struct port *p = port_of(s);
    double before = joules_stored(s->w);
    p->set.dryness = s->on ? fmin(s->value, 1.0) : 0.0;
    s->w->joules_stored_at_start += joules_stored(s->w) - before; /* the capacitor changed, no energy moved */
}

static void strike_intermittent(const struct struck *s)
{
    struct port *p = port_of(s);
    p->set.intermittent_us = s->on ? (int64_t)(s->value * 1e6) : 0;
    p->intermittent_next_us =
        s->on ? s->w->at_us + world_exponential_us(s->w, (double)p->set.intermittent_us) : US_NEVER;
}

static void strike_over_voltage(const struct struck *s)
{
    port_of(s)->over_voltage_percent = s->on ? s->value : 0.0;
}

static void strike_hard_reset(const struct struck *s)
{
    if (s->on)
        port_hard_reset(s->w, port_of(s));
}

static void strike_brown_out(const struct struck *s)
{
    s->w->brown_out_volts = s->on ? s->value : NAN;
}

static void strike_drop_out(const struct struck *s)
{
    s->w->drop_out_until_us = s->on ? s->w->at_us + (int64_t)(s->value * 1e3) : s->w->at_us;
}

static void strike_overheat(const struct struck *s)
{
    double before = joules_stored(s->w);
    if (s->on)
        s->w->heat[HEAT_HOT] = s->value;
    s->w->joules_stored_at_start += joules_stored(s->w) - before; /* brought in from outside the books */
}

static void strike_opened(const struct struck *s)
{
    s->w->opened = s->on;
}

static void strike_probe_open(const struct struck *s)
{
    s->w->places[s->at].open = s->on;
}

static void strike_probe_off(const struct struck *s)
{
    s->w->places[s->at].off = s->on;
}

static const struct fault {
    const char *name;
    enum where where;
    double fallback, min, max; /* of VALUE; min > max: takes none */
    void (*strike)(const struct struck *s);
    const char *help;
} faults[] = {
    {"power-stage-short", AT_CHANNEL, 0.5, 0.01, 1000, strike_short, "ohms; the input conducts whatever is ordered"},
    {"input-ignored", AT_CHANNEL, 0, 1, 0, strike_ignored, "input on and off are believed, but not done"},
    {"sense-open", AT_CHANNEL, 0.02, 0, 1, strike_sense_open, "part of the voltage that is still seen"},
    {"sense-reversed", AT_CHANNEL, 0, 1, 0, strike_sense_reversed, "remote sense reads the voltage negative"},
    {"readback-drift", AT_CHANNEL, 0.5, -100, 100, strike_drift, "percent a minute, volts and amps"},
    {"reading-stuck", AT_CHANNEL, 0, 1, 0, strike_stuck, "the display keeps its last reading"},
    {"input-on-after-power", AT_CHANNEL, 0, 1, 0, strike_return_on, "after a power cycle the input returns as it was"},
    {"instrument-power-cycle", AT_CHANNEL, 0.5, 0, 3600, strike_power_cycle, "seconds without power"},
    {"instrument-power-off", AT_CHANNEL, 0, 1, 0, strike_power_off, "off until instrument-power-on"},
    {"instrument-power-on", AT_CHANNEL, 0, 1, 0, strike_power_on, "after its start time"},
    {"solder-joint", AT_PORT, 0.3, 0.001, 5, strike_joint, "most ohms of a joint that comes and goes"},
    {"dried-capacitor", AT_PORT, 0.8, 0, 1, strike_dried, "how dry, 0 to 1: ripple, earlier limit"},
    {"contract-intermittent", AT_PORT, 5, 0.01, 86400, strike_intermittent,
     "mean seconds between losses of the contract"},
    {"over-voltage", AT_PORT, 25, -50, 100, strike_over_voltage, "percent above the contract"},
    {"hard-reset", AT_PORT, 0, 1, 0, strike_hard_reset, "once"},
    {"brown-out", NOWHERE, 70, 0, 300, strike_brown_out, "mains volts until off"},
    {"drop-out", NOWHERE, 100, 0.1, 1e7, strike_drop_out, "milliseconds without mains"},
    {"overheat", NOWHERE, 130, -20, 400, strike_overheat, "celsius of the hot spot, once"},
    {"opened", NOWHERE, 0, 1, 0, strike_opened, "the case is taken off"},
    {"probe-open", AT_PLACE, 0, 1, 0, strike_probe_open, "open thermocouple"},
    {"probe-off", AT_PLACE, 0, 1, 0, strike_probe_off, "fallen off: goes to ambient"},
};
enum { FAULTS = sizeof faults / sizeof faults[0], WORDS_MAX = 5 };

static const struct fault *find(const char *name)
{
    for (size_t i = 0; i < FAULTS; i++)
        if (strcmp(faults[i].name, name) == 0)
            return &faults[i];
    return NULL;
}

static int place_by_name(const struct world *w, const char *word)
{
    for (size_t i = 0; i < w->places_len; i++)
        if (strcmp(w->places[i].name, word) == 0)
            return (int)i;
    return -1;
}

static int where_read(const struct fault *f, const struct world *w, const char *word, size_t *ret, struct error *err)
{
    const size_t counts[] = {0, w->ports_len, w->channels_len, w->places_len};
    long long number;
    int named = f->where == AT_PLACE ? place_by_name(w, word) : -1;
    if (named >= 0)
        number = named + 1;
    else if (!text_to_int64(word, 1, (long long)counts[f->where], &number))
        return error_set(err, ERROR_USAGE, "%s: \"%.40s\" is none of the %zu there are, counted from 1", f->name, word,
                         counts[f->where]);
    *ret = (size_t)number - 1;
    return 0;
}

static int value_read(const struct fault *f, const char *word, struct struck *ret, struct error *err)
{
    if (strcmp(word, "off") == 0) {
        ret->on = false;
        return 0;
    }
    if (strcmp(word, "on") == 0)
        return 0;
    if (f->min > f->max)
        return error_set(err, ERROR_USAGE, "%s takes no value, got \"%.40s\"; expected nothing or \"off\"", f->name,
                         word);
    if (!text_to_double(word, &ret->value) || ret->value < f->min || ret->value > f->max)
        return error_set(err, ERROR_USAGE, "%s: \"%.40s\" is no value for it, expected %g to %g (%s) or \"off\"",
                         f->name, word, f->min, f->max, f->help);
    return 0;
}

static size_t words_of(char *line, char *words[WORDS_MAX])
{
    size_t count = 0;
    char *save = NULL;
    for (char *word = strtok_r(line, " \t\r\n", &save); word && count < WORDS_MAX;
         word = strtok_r(NULL, " \t\r\n", &save))
        words[count++] = word;
    return count;
}

static int words_read(const struct fault *f, char *const words[], size_t count, struct struck *s, struct error *err)
{
    static const char *const where_words[] = {"", "port", "channel", "place"};
    size_t next = 1;
    if (f->where != NOWHERE && next < count && strcmp(words[next], where_words[f->where]) == 0) {
        if (next + 1 >= count)
            return error_set(err, ERROR_USAGE, "%s: which %s? expected \"%s N\"", f->name, where_words[f->where],
                             where_words[f->where]);
        if (where_read(f, s->w, words[next + 1], &s->at, err) < 0)
            return -1;
        next += 2;
    }
    if (next < count && value_read(f, words[next++], s, err) < 0)
        return -1;
    if (next < count)
        return error_set(err, ERROR_USAGE,
                         "%s: \"%.40s\" is one word too many; expected NAME [port|channel|place N] [VALUE|off]",
                         f->name, words[next]);
    return 0;
}

int world_fault(struct world *w, const char *line, struct error *err)
{
    char copy[200], *words[WORDS_MAX];
    if (!text_copy(copy, sizeof copy, line))
        return error_set(err, ERROR_USAGE, "a fault of more than %zu characters", sizeof copy - 1);
    size_t count = words_of(copy, words);
    const struct fault *f = count ? find(words[0]) : NULL;
    if (!f)
        return error_set(err, ERROR_USAGE, "there is no fault \"%.40s\"; expected one of those that \"help\" lists",
                         count ? words[0] : "");
    struct struck s = {.w = w, .on = true, .value = f->fallback};
    if (words_read(f, words, count, &s, err) < 0)
        return -1;
    world_sync(w);
    f->strike(&s);
    w->step_us = STEP_FINE_US;
    return 0;
}

const char *world_fault_help(void)
{
    return "NAME [port|channel|place N] [VALUE|off], N counted from 1 (the default)\n"
           "power-stage-short [channel N] [OHMS]: the input conducts whatever is ordered\n"
           "input-ignored [channel N]: input on and off are believed, but not done\n"
           "sense-open [channel N] [FRACTION]: so much of the voltage is still seen\n"
           "sense-reversed [channel N]: remote sense reads the voltage negative\n"
           "readback-drift [channel N] [PERCENT a minute]\n"
           "reading-stuck [channel N]: the display keeps its last reading\n"
           "input-on-after-power [channel N]: after a power cycle the input returns as it was\n"
           "instrument-power-cycle [channel N] [SECONDS without power]\n"
           "instrument-power-off, instrument-power-on [channel N]\n"
           "solder-joint [port N] [OHMS]: a joint that comes and goes\n"
           "dried-capacitor [port N] [0 to 1]: ripple, earlier limit\n"
           "contract-intermittent [port N] [SECONDS]: mean time between losses of the contract\n"
           "over-voltage [port N] [PERCENT]\n"
           "hard-reset [port N]: once\n"
           "brown-out [VOLTS]: mains volts until off\n"
           "drop-out [MILLISECONDS]: without mains\n"
           "overheat [CELSIUS]: of the hot spot, once\n"
           "opened: the case is taken off\n"
           "probe-open, probe-off [place N or its name]\n";
}
