/* The bench file: where a supply is plugged in, and where the thermocouples are. */
#include "daemon/plan/bench_read.h"

#include <string.h>

static int read_loop_ohms(struct tree_at lead, struct bench_lead *ret, struct error *err)
{
    if (ret->sense == SENSE_TWO_WIRE)
        return tree_need_number(lead, "loop_ohms", 0.0, 10.0, &ret->loop_ohms, err) < 0
                       || tree_need_number(lead, "loop_ohms_u", 0.0, 10.0, &ret->loop_ohms_u, err) < 0
                   ? -1
                   : 0;
    if (tree_want_number(lead, "loop_ohms", 0.0, 10.0, &ret->loop_ohms, err) < 0
        || tree_want_number(lead, "loop_ohms_u", 0.0, 10.0, &ret->loop_ohms_u, err) < 0)
        return -1;
    if (ret->loop_ohms > 0.0 || ret->loop_ohms_u > 0.0)
        return tree_refuse(lead, err, "has loop_ohms and sense \"four-wire\", expected loop_ohms only with \"two-wire\"");
    return 0;
}

static int read_lead(struct tree_at seat, struct bench_lead *ret, struct error *err)
{
    static const char *const senses[] = {[SENSE_FOUR_WIRE] = "four-wire", [SENSE_TWO_WIRE] = "two-wire"};
    struct tree_at lead;
    int sense;
    if (tree_need_group(seat, "lead", &lead, err) < 0 || tree_need_word(lead, "sense", senses, COUNT(senses), &sense, err) < 0
        || tree_need_number(lead, "max_volts", 0.1, 1000.0, &ret->max_volts, err) < 0
        || tree_need_number(lead, "max_amps", 0.01, 1000.0, &ret->max_amps, err) < 0)
        return -1;
    ret->sense = (enum sense)sense;
    return read_loop_ohms(lead, ret, err);
}

static int read_channel(struct tree_at at, const char *key, const struct bench_instrument *of, int *ret, struct error *err)
{
    *ret = 1;
    if (tree_want_int(at, key, 1, CHANNELS_MAX, ret, err) < 0)
        return -1;
    if (*ret > of->channels)
        return tree_refuse(at, err, "%s is %d, expected 1 to %d (channels of %s, line %d)", key, *ret, of->channels, of->name, of->line_no);
    return 0;
}

static int read_selector(struct tree_at at, const struct bench_plan *bench, struct bench_seat *ret, struct error *err)
{
    ret->selector = -1;
    ret->selector_channel = 1;
    if (!tree_has(at, "selector"))
        return 0;
    if (bench_find_instrument(at, "selector", ROLE_SELECTOR, bench, &ret->selector, err) < 0)
        return -1;
    return read_channel(at, "selector_channel", &bench->instruments[ret->selector], &ret->selector_channel, err);
}

static int read_cable(struct tree_at at, struct bench_seat *ret, struct error *err)
{
    int marking;
    if (tree_need_int(at, "cable_amps", 0, 5, &marking, err) < 0)
        return -1;
    if (marking != 0 && marking != 3 && marking != 5)
        return tree_refuse(at, err, "cable_amps is %d A, expected 3 or 5 (marking of the cable), or 0 where the supply has its own plug", marking);
    ret->cable_amps = marking;
    return 0;
}

static int read_seat(struct tree_at at, const struct bench_plan *bench, struct bench_seat *ret, struct error *err)
{
    ret->line_no = tree_line(at);
    if (tree_need_name(at, "name", ret->name, sizeof ret->name, err) < 0
        || bench_find_instrument(at, "load", ROLE_LOAD, bench, &ret->load, err) < 0
        || read_channel(at, "channel", &bench->instruments[ret->load], &ret->channel, err) < 0 || read_selector(at, bench, ret, err) < 0
        || read_lead(at, &ret->lead, err) < 0 || read_cable(at, ret, err) < 0)
        return -1;
    return 0;
}

static int check_new_seat(struct tree_at at, const struct bench_plan *bench, const struct bench_seat *one, struct error *err)
{
    for (size_t i = 0; i < bench->seats_len; i++) {
        const struct bench_seat *other = &bench->seats[i];
        if (strcmp(other->name, one->name) == 0)
            return tree_refuse(at, err, "is named \"%s\", expected a name of its own (line %d has it)", one->name, other->line_no);
        if (other->load == one->load && other->channel == one->channel)
            return tree_refuse(at, err, "has channel %d of %s, expected one that seat \"%s\" (line %d) doesn't have", one->channel,
                               bench->instruments[one->load].name, other->name, other->line_no);
        if (one->selector >= 0 && other->selector == one->selector && other->selector_channel == one->selector_channel)
            return tree_refuse(at, err, "has channel %d of %s, expected one that seat \"%s\" (line %d) doesn't have", one->selector_channel,
                               bench->instruments[one->selector].name, other->name, other->line_no);
    }
    return 0;
}

int bench_read_seats(struct tree_at bench_at, struct bench_plan *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(bench_at, "seats", 1, PORTS_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        if (read_seat(at, ret, &ret->seats[i], err) < 0 || check_new_seat(at, ret, &ret->seats[i], err) < 0)
            return -1;
        ret->seats_len = i + 1;
    }
    return 0;
}

/* ---- probes ---- */

static int read_probe(struct tree_at at, const struct bench_plan *bench, struct bench_probe *ret, struct error *err)
{
    ret->line_no = tree_line(at);
    if (tree_need_name(at, "name", ret->name, sizeof ret->name, err) < 0
        || tree_need_text(at, "place", ret->place, sizeof ret->place, err) < 0
        || bench_find_instrument(at, "thermometer", ROLE_THERMOMETER, bench, &ret->thermometer, err) < 0
        || read_channel(at, "channel", &bench->instruments[ret->thermometer], &ret->channel, err) < 0
        || tree_want_bool(at, "live", &ret->live, err) < 0)
        return -1;
    const struct bench_instrument *thermometer = &bench->instruments[ret->thermometer];
    if (ret->live && thermometer->isolation_volts < bench->mains_volts)
        return tree_refuse(at, err, "sits on a live part at %.0f V (mains_volts), allowed on %s: %.0f V (its isolation_volts, line %d)",
                           bench->mains_volts, thermometer->name, thermometer->isolation_volts, thermometer->line_no);
    return 0;
}

static int check_new_probe(struct tree_at at, const struct bench_plan *bench, const struct bench_probe *one, struct error *err)
{
    for (size_t i = 0; i < bench->probes_len; i++) {
        const struct bench_probe *other = &bench->probes[i];
        if (strcmp(other->name, one->name) == 0)
            return tree_refuse(at, err, "is named \"%s\", expected a name of its own (line %d has it)", one->name, other->line_no);
        if (other->thermometer == one->thermometer && other->channel == one->channel)
            return tree_refuse(at, err, "has channel %d of %s, expected one that probe \"%s\" (line %d) doesn't have", one->channel,
                               bench->instruments[one->thermometer].name, other->name, other->line_no);
    }
    return 0;
}

int bench_read_probes(struct tree_at bench_at, struct bench_plan *ret, struct error *err)
{
    struct tree_at list;
    if (!tree_has(bench_at, "probes"))
        return 0;
    if (tree_need_list(bench_at, "probes", 0, PROBES_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        if (read_probe(at, ret, &ret->probes[i], err) < 0 || check_new_probe(at, ret, &ret->probes[i], err) < 0)
            return -1;
        ret->probes_len = i + 1;
    }
    return 0;
}
