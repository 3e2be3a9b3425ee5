#include "sim/world/inside.h"

static int64_t boundary(const struct converter *conv, int64_t count)
{
    return conv->phase_us + count * conv->update_us;
}

static int64_t count_at(const struct converter *conv, int64_t at_us)
{
    return at_us < conv->phase_us ? 0 : (at_us - conv->phase_us) / conv->update_us;
}

void converter_begin(struct converter *conv, int64_t at_us)
{
    conv->count = count_at(conv, at_us);
    conv->sum = conv->value = 0.0;
}

/* value * time that falls into the window which ends at end_us */
static double overlap(const struct converter *conv, int64_t end_us, int64_t from_us, int64_t to_us, double value)
{
    int64_t first = end_us - conv->window_us > from_us ? end_us - conv->window_us : from_us;
    int64_t last = end_us < to_us ? end_us : to_us;
    return last > first ? (double)(last - first) * value : 0.0;
}

void converter_feed(struct converter *conv, int64_t from_us, int64_t to_us, double value)
{
    int64_t last = count_at(conv, to_us);
    if (last > conv->count) {
        int64_t end_us = boundary(conv, conv->count + 1);
        conv->value = (conv->sum + overlap(conv, end_us, from_us, to_us, value)) / (double)conv->window_us;
        if (last > conv->count + 1)
            conv->value = value;
        conv->count = last;
        conv->sum = 0.0;
    }
    conv->sum += overlap(conv, boundary(conv, conv->count + 1), from_us, to_us, value);
}

double converter_look(const struct converter *conv, int64_t at_us, int64_t now_us, double value, int64_t *ret_count)
{
    struct converter copy = *conv;
    converter_feed(&copy, at_us, now_us, value);
    *ret_count = copy.count;
    return copy.value;
}
