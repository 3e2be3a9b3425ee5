#include "daemon/station/translate.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <string.h>

#define SILENCE_US (1 * US_PER_S) /* how long an instrument may be silent before it counts as lost; the profile may be stricter or laxer for its run */

static int line_for(const struct bench_plan *plan, size_t instrument, const int line_of[], int *lines)
{
    for (size_t i = 0; i < instrument; i++)
        if (plan->instruments[i].link == plan->instruments[instrument].link &&
            strcmp(plan->instruments[i].address, plan->instruments[instrument].address) == 0)
            return line_of[i];
    return (*lines)++;
}

static void translate_instrument(const struct bench_instrument *from, const struct dialect *dialect, int line,
                                 struct bench_setup_instrument *to)
{
    text_copy(to->name, sizeof to->name, from->name);
    text_copy(to->serial_number, sizeof to->serial_number, from->serial_number);
    to->dialect = dialect;
    to->line = line;
    to->baud = from->link == LINK_TCP ? 0 : from->line.baud;
    to->max_volts = from->max_volts;
    to->max_amps = from->max_amps;
    to->max_watts = from->max_watts;
    to->communications_timeout_us = from->communications_timeout_us;
}

static void translate_seat(const struct bench_seat *from, struct bench_setup_seat *to)
{
    to->load = from->load;
    to->channel = from->channel;
    to->selector = from->selector;
    to->selector_channel = from->selector_channel;
    to->loop_ohms = from->lead.sense == SENSE_TWO_WIRE ? from->lead.loop_ohms : 0.0;
}

void station_translate(const struct bench_plan *plan, const struct dialect *const dialects[], uint64_t seed, struct bench_setup *ret,
                       int line_of[INSTRUMENTS_MAX])
{
    int lines = 0;
    memset(ret, 0, sizeof *ret);
    for (size_t i = 0; i < plan->instruments_len; i++) {
        line_of[i] = line_for(plan, i, line_of, &lines);
        translate_instrument(&plan->instruments[i], dialects[i], line_of[i], &ret->instruments[i]);
    }
    ret->instruments_len = plan->instruments_len;
    for (size_t i = 0; i < plan->seats_len; i++)
        translate_seat(&plan->seats[i], &ret->seats[i]);
    ret->seats_len = plan->seats_len;
    for (size_t i = 0; i < plan->probes_len; i++) {
        ret->probes[i].thermometer = plan->probes[i].thermometer;
        ret->probes[i].channel = plan->probes[i].channel;
    }
    ret->probes_len = plan->probes_len;
    ret->mains = plan->mains;
    ret->tolerate_silence_us = SILENCE_US;
    ret->seed = seed;
}
