/* The lines of the bench file, opened as links for the pump. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"

void lines_address(const struct bench_instrument *instrument, char *ret, size_t size)
{
    ret[0] = '\0';
    text_add(ret, size, "%s:%s", link_kind_name(instrument->link), instrument->address);
}

struct link_settings lines_settings(const struct line_settings *line)
{
    static const char parities[] = {[PARITY_NONE] = 'n', [PARITY_EVEN] = 'e', [PARITY_ODD] = 'o'};
    static const char flows[] = {[FLOW_NONE] = 'n', [FLOW_RTS_CTS] = 'r', [FLOW_XON_XOFF] = 'x'};
    return (struct link_settings){line->baud, line->data_bits, line->stop_bits, parities[line->parity], flows[line->flow]};
}

const struct bench_instrument *lines_instrument(const struct daemon *d, size_t line)
{
    for (size_t i = 0; i < d->bench.instruments_len; i++)
        if (station_line_of(d->station, i) == (int)line)
            return &d->bench.instruments[i];
    return &d->bench.instruments[0];
}

static void *line_open(void *context, size_t line, struct error *err)
{
    const struct daemon *d = context;
    const struct bench_instrument *instrument = lines_instrument(d, line);
    struct link_settings settings = lines_settings(&instrument->line);
    char address[ADDRESS_SIZE + 16];
    lines_address(instrument, address, sizeof address);
    return link_open(address, &settings, err);
}

static void line_close(void *link)
{
    link_close(link);
}

static int line_descriptor(const void *link)
{
    return link_descriptor(link);
}

static long line_read(void *link, void *to, size_t size, struct error *err)
{
    return link_read(link, to, size, err);
}

static long line_write(void *link, const void *from, size_t len, struct error *err)
{
    return link_write(link, from, len, err);
}

static void line_changed(void *context, size_t line, bool up, const char *why)
{
    struct daemon *d = context;
    d->drilled = d->mains_drilled = false;
    if (up) {
        tell(d->say, TELL_INFO, "%s: the line is open", lines_instrument(d, line)->name);
        if (d->arming)
            arming_resend(d->arming);
    } else {
        tell(d->say, TELL_WARNING, "%s: %s", lines_instrument(d, line)->name, why);
    }
}

struct pump_does lines_does(struct daemon *d)
{
    return (struct pump_does){d, line_open, line_close, line_descriptor, line_read, line_write, loop_passed, line_changed};
}
