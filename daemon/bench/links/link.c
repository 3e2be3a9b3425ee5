#include "daemon/bench/links/link_kind.h"

#include "daemon/base/text.h"

#include <stdlib.h>
#include <string.h>

static const struct link_kind *const kinds[] = {&link_kind_serial, &link_kind_pty, &link_kind_tcp};

static const struct link_kind *kind_of(const char *address)
{
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strncmp(address, kinds[i]->prefix, strlen(kinds[i]->prefix)) == 0)
            return kinds[i];
    return NULL;
}

static int settings_check(const struct link_settings *s, struct error *err)
{
    if (s->baud < 0 || s->baud > 4000000)
        return error_set(err, ERROR_LINK, "%d baud can't be set, expected 50 to 4000000", s->baud);
    if (s->data_bits != 0 && (s->data_bits < 5 || s->data_bits > 8))
        return error_set(err, ERROR_LINK, "%d data bits can't be set, expected 5 to 8", s->data_bits);
    if (s->stop_bits < 0 || s->stop_bits > 2)
        return error_set(err, ERROR_LINK, "%d stop bits can't be set, expected 1 or 2", s->stop_bits);
    if (s->parity && !strchr("neo", s->parity))
        return error_set(err, ERROR_LINK, "parity '%c' is unknown, expected n, e or o", s->parity);
    if (s->flow && !strchr("nrx", s->flow))
        return error_set(err, ERROR_LINK, "flow control '%c' is unknown, expected n, r (RTS/CTS) or x (XON/XOFF)", s->flow);
    return 0;
}

static struct link_settings settings_or_defaults(const struct link_settings *given)
{
    struct link_settings s = given ? *given : (struct link_settings){0};
    s.baud = s.baud ? s.baud : 115200;
    s.data_bits = s.data_bits ? s.data_bits : 8;
    s.stop_bits = s.stop_bits ? s.stop_bits : 1;
    s.parity = s.parity ? s.parity : 'n';
    s.flow = s.flow ? s.flow : 'n';
    return s;
}

static struct link *link_alloc(const char *address, const struct link_kind *kind, struct error *err)
{
    struct link *link = calloc(1, sizeof *link);
    if (!link) {
        error_set(err, ERROR_MEMORY, "no memory for the link %s", address);
        return NULL;
    }
    link->kind = kind;
    link->fd = -1;
    if (!text_copy(link->address, sizeof link->address, address)) {
        free(link);
        error_set(err, ERROR_LINK, "the address is longer than %d characters: %.60s...", LINK_ADDRESS_SIZE - 1, address);
        return NULL;
    }
    return link;
}

struct link *link_open(const char *address, const struct link_settings *settings, struct error *err)
{
    struct link_settings wanted = settings_or_defaults(settings);
    const struct link_kind *kind = kind_of(address);
    if (!kind) {
        error_set(err, ERROR_LINK, "%.100s: unknown kind of line, expected serial:/dev/..., pty:/path or tcp:host:port", address);
        return NULL;
    }
    struct link *link = link_alloc(address, kind, err);
    if (!link)
        return NULL;
    if (settings_check(&wanted, err) < 0) {
        error_prefix(err, "%s", address);
        link_close(link);
        return NULL;
    }
    if (kind->open(link, address + strlen(kind->prefix), &wanted, err) < 0) {
        link_close(link);
        return NULL;
    }
    return link;
}

void link_close(struct link *link)
{
    if (!link)
        return;
    link->kind->close(link);
    free(link);
}

int link_descriptor(const struct link *link)
{
    return link->fd;
}

const char *link_address(const struct link *link)
{
    return link->address;
}

const char *link_device(const struct link *link)
{
    return link->device;
}

long link_read(struct link *link, void *to, size_t size, struct error *err)
{
    return size ? link->kind->read(link, to, size, err) : 0;
}

long link_write(struct link *link, const void *from, size_t len, struct error *err)
{
    return len ? link->kind->write(link, from, len, err) : 0;
}

void link_identity(const struct link *link, char *ret, size_t size)
{
    text_cut(ret, size, link->identity);
}

int link_lost(const struct link *link, struct error *err, const char *how)
{
    return error_set(err, ERROR_LINK, "%s: the line is lost: %s", link->address, how);
}
