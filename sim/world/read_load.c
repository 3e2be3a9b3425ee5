/* Load channels, mains, ambient, places of the thermometer. Each key and its default: docs/simulator.md. */
#include "sim/world/inside.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#define AT(member)  offsetof(struct channel_setup, member)
#define ROWS(table) table, sizeof table / sizeof table[0]

static struct channel_setup channel_default(size_t index, size_t ports)
{
    return (struct channel_setup){
        .port = (int)(index < ports ? index : ports - 1),
        .max_volts = 60.0,
        .max_amps = 15.0,
        .max_watts = 150.0,
        .max_ohms = 2000.0,
        .min_volts = 1.0,
        .floor_volts = 0.5,
        .resolution = {0.001, 0.001, 0.001, 0.01},
        .volts_noise = 0.0008,
        .volts_step = 0.0001,
        .amps_noise = 0.0004,
        .amps_step = 0.0001,
        .update_us = 20000,
        .conversion_us = 16000,
        .skew_us = 3000,
        .relay_on_us = 8000,
        .relay_off_us = 1000,
        .protect_us = 5000,
        .boot_us = 2000000,
        .lead_ohms = 0.030,
        .slew_amps_per_s = 100000.0,
        .celsius_per_watt = 0.3,
        .remote_sense = true,
    };
}

static const struct number_row channel_numbers[] = {
    {"max_volts", AT(max_volts), 1, 1000},
    {"max_amps", AT(max_amps), 0.1, 1000},
    {"max_watts", AT(max_watts), 1, 50000},
    {"max_ohms", AT(max_ohms), 1, 1e6},
    {"min_volts", AT(min_volts), 0.05, 20},
    {"floor_volts", AT(floor_volts), 0, 10},
    {"resolution_amps", AT(resolution[WORLD_CURRENT]), 0, 1},
    {"resolution_volts", AT(resolution[WORLD_VOLTAGE]), 0, 1},
    {"resolution_ohms", AT(resolution[WORLD_RESISTANCE]), 0, 10},
    {"resolution_watts", AT(resolution[WORLD_POWER]), 0, 10},
    {"program_gain_percent", AT(program_gain_percent), -10, 10},
    {"program_offset_amps", AT(program_offset[WORLD_CURRENT]), -1, 1},
    {"program_offset_volts", AT(program_offset[WORLD_VOLTAGE]), -1, 1},
    {"program_offset_watts", AT(program_offset[WORLD_POWER]), -5, 5},
    {"volts_gain_percent", AT(volts_gain_percent), -10, 10},
    {"volts_offset_volts", AT(volts_offset), -1, 1},
    {"volts_noise_volts", AT(volts_noise), 0, 1},
    {"volts_step_volts", AT(volts_step), 0, 1},
    {"amps_gain_percent", AT(amps_gain_percent), -10, 10},
    {"amps_offset_amps", AT(amps_offset), -1, 1},
    {"amps_noise_amps", AT(amps_noise), 0, 1},
    {"amps_step_amps", AT(amps_step), 0, 1},
    {"lead_ohms", AT(lead_ohms), 0, 5},
    {"slew_amps_per_s", AT(slew_amps_per_s), 0.01, 1e7},
    {"celsius_per_watt", AT(celsius_per_watt), 0, 10},
};

static const struct time_row channel_times[] = {
    {"update", AT(update_us), 1000, 5 * US_PER_S},   {"conversion", AT(conversion_us), 100, 5 * US_PER_S},
    {"skew", AT(skew_us), 0, 5 * US_PER_S},          {"relay_on", AT(relay_on_us), 0, US_PER_S},
    {"relay_off", AT(relay_off_us), 0, US_PER_S},    {"protect_time", AT(protect_us), 0, 10 * US_PER_S},
    {"boot_time", AT(boot_us), 1000, 60 * US_PER_S},
};

static int channel_check(struct tree_at group, const struct channel_setup *s, struct error *err)
{
    if (s->conversion_us > s->update_us)
        return tree_refuse(group, err, "converts longer than it updates, expected conversion at most update");
    if (s->skew_us >= s->update_us && s->skew_us > 0)
        return tree_refuse(group, err, "has a skew as long as its update, expected less");
    if (s->floor_volts >= s->min_volts)
        return tree_refuse(group, err, "has floor_volts %.3f, expected less than min_volts %.3f", s->floor_volts,
                           s->min_volts);
    return 0;
}

static int channel_read(struct tree_at group, size_t ports, struct channel_setup *ret, struct error *err)
{
    static const char *const senses[] = {"two-wire", "four-wire"};
    int sense = ret->remote_sense, port = ret->port + 1, load = ret->load + 1; /* a person counts from 1 */
    if (tree_want_int(group, "port", 1, (int)ports, &port, err) < 0 ||
        tree_want_int(group, "load", 1, WORLD_CHANNELS_MAX, &load, err) < 0 ||
        numbers_read(group, ROWS(channel_numbers), ret, err) < 0 ||
        times_read(group, ROWS(channel_times), ret, err) < 0 ||
        tree_want_word(group, "sense", senses, 2, &sense, err) < 0 ||
        tree_want_bool(group, "returns_on", &ret->returns_on, err) < 0)
        return -1;
    ret->remote_sense = sense == 1;
    ret->port = port - 1;
    ret->load = load - 1;
    return channel_check(group, ret, err);
}

int channels_read(struct tree_at group, struct world *ret, struct error *err)
{
    struct tree_at list;
    bool listed = tree_has(group, "channels");
    if (listed && tree_need_list(group, "channels", 1, WORLD_CHANNELS_MAX, &list, err) < 0)
        return -1;
    ret->channels_len = listed ? tree_count(list) : ret->ports_len;
    for (size_t i = 0; i < ret->channels_len; i++) {
        struct channel_setup *s = &ret->channels[i].set;
        *s = channel_default(i, ret->ports_len);
        s->load = (int)i;
        if (listed && channel_read(tree_member(list, i), ret->ports_len, s, err) < 0)
            return -1;
    }
    return 0;
}

/* ---- thermometer ---- */

static const char *const node_words[] = {
    "ambient", "hot", "secondary", "transformer", "capacitor", "top", "bottom", "shell",
};
_Static_assert(sizeof node_words / sizeof node_words[0] == HEAT_NODES + 1, "a heat node has no word");

static struct place place_default(int word)
{
    struct place p = {.node = word - 1, .settling_s = 4.0, .noise_kelvin = 0.05};
    text_copy(p.name, sizeof p.name, node_words[word]);
    return p;
}

static int place_read(struct tree_at group, struct place *ret, struct error *err)
{
    static const struct number_row numbers[] = {
        {"settling_s", offsetof(struct place, settling_s), 0.1, 600},
        {"noise_kelvin", offsetof(struct place, noise_kelvin), 0, 10},
        {"offset_kelvin", offsetof(struct place, offset_kelvin), -20, 20},
    };
    int word = 0;
    if (tree_need_word(group, "at", node_words, HEAT_NODES + 1, &word, err) < 0)
        return -1;
    *ret = place_default(word);
    if (tree_want_text(group, "name", ret->name, sizeof ret->name, err) < 0)
        return -1;
    return numbers_read(group, ROWS(numbers), ret, err);
}

static int places_read(struct tree_at group, struct world *ret, struct error *err)
{
    struct tree_at list;
    bool listed = tree_has(group, "places");
    if (listed && tree_need_list(group, "places", 1, WORLD_PLACES_MAX, &list, err) < 0)
        return -1;
    ret->places_len = listed ? tree_count(list) : HEAT_NODES + 1;
    for (size_t i = 0; i < ret->places_len; i++) {
        ret->places[i] = place_default(listed ? 0 : (int)i);
        if (listed && place_read(tree_member(list, i), &ret->places[i], err) < 0)
            return -1;
    }
    return 0;
}

/* ---- mains, ambient ---- */

static int mains_read(struct tree_at group, struct world *ret, struct error *err)
{
    struct tree_at mains;
    if (!tree_has(group, "mains"))
        return 0;
    if (tree_need_group(group, "mains", &mains, err) < 0 ||
        tree_want_number(mains, "volts", 0, 300, &ret->mains_volts, err) < 0)
        return -1;
    return tree_want_bool(mains, "on", &ret->mains_on, err);
}

int surroundings_read(struct tree_at group, struct world *ret, struct error *err)
{
    static const struct number_row numbers[] = {
        {"ambient_celsius", offsetof(struct world, ambient_celsius), -20, 80},
        {"breath_kelvin", offsetof(struct world, breath_kelvin), 0, 10},
        {"drift_kelvin_per_hour", offsetof(struct world, drift_kelvin_per_hour), -10, 10},
    };
    static const struct time_row times[] = {
        {"breath_time", offsetof(struct world, breath_us), 10 * US_PER_S, 7 * 86400 * US_PER_S}};
    ret->mains_volts = 230.0;
    ret->mains_on = true;
    ret->ambient_celsius = 23.0;
    ret->breath_kelvin = 0.3;
    ret->breath_us = 1200 * US_PER_S;
    if (mains_read(group, ret, err) < 0 || numbers_read(group, ROWS(numbers), ret, err) < 0 ||
        times_read(group, ROWS(times), ret, err) < 0)
        return -1;
    return places_read(group, ret, err);
}
