/*
 * Real serial ports through libserialport 0.1.1, whose behaviour was measured before this was written: it wants the resolved path, leaves
 * XON on, HUPCL set and the descriptor open across exec, takes no lock, sets RTS/CTS without effect while saying OK, and reads 0 bytes
 * both for silence and for a pulled plug. Only its non-blocking calls are used.
 */
#include "daemon/bench/links/link_kind.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <string.h>
#include <unistd.h>

static int refused(const struct link *link, enum sp_return why, struct error *err)
{
    if (why == SP_ERR_MEM)
        return error_set(err, ERROR_MEMORY, "%s: no memory to open it", link->address);
    if (why == SP_ERR_SUPP)
        return error_set(err, ERROR_LINK, "%s: %s: its driver doesn't support what is asked", link->address, link->device);
    return link_device_refused(link, errno, err);
}

static void identity_read(struct link *link)
{
    int vendor = 0, product = 0;
    const struct { const char *text, *before; } parts[] = {
        {sp_get_port_usb_manufacturer(link->port), ""},
        {sp_get_port_usb_product(link->port), " "},
        {sp_get_port_usb_serial(link->port), ", serial number "},
    };
    if (sp_get_port_transport(link->port) != SP_TRANSPORT_USB)
        return;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
        if (parts[i].text)
            text_add(link->identity, sizeof link->identity, "%s%s", link->identity[0] ? parts[i].before : "", parts[i].text);
    if (sp_get_port_usb_vid_pid(link->port, &vendor, &product) == SP_OK)
        text_add(link->identity, sizeof link->identity, "%sUSB %04x:%04x", link->identity[0] ? ", " : "", (unsigned)vendor,
                 (unsigned)product);
}

static int line_set(const struct link *link, const struct link_settings *s, struct error *err)
{
    struct sp_port *port = link->port;
    enum sp_parity parity = s->parity == 'e' ? SP_PARITY_EVEN : s->parity == 'o' ? SP_PARITY_ODD : SP_PARITY_NONE;
    enum sp_return r;
    if ((r = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE)) == SP_OK && (r = sp_set_baudrate(port, s->baud)) == SP_OK &&
        (r = sp_set_bits(port, s->data_bits)) == SP_OK && (r = sp_set_stopbits(port, s->stop_bits)) == SP_OK)
        r = sp_set_parity(port, parity);
    if (r == SP_OK)
        return 0;
    if (r == SP_ERR_MEM || (r == SP_ERR_FAIL && errno != EINVAL))
        return refused(link, r, err);
    return error_set(err, ERROR_LINK, "%s: %s can't do %d baud %d%c%d: choose other line settings", link->address,
                     link->device, s->baud, s->data_bits, s->parity, s->stop_bits);
}

static tcflag_t parity_flags(char parity)
{
    return parity == 'e' ? PARENB : parity == 'o' ? PARENB | PARODD : 0;
}

/* What termios must say afterwards; drivers drop what they can't do and report success. */
static int line_verify(const struct link *link, const struct link_settings *s, struct error *err)
{
    static const tcflag_t sizes[] = {CS5, CS6, CS7, CS8};
    struct termios t;
    if (tcgetattr(link->fd, &t) < 0)
        return link_device_refused(link, errno, err);
    if (!!(t.c_cflag & CRTSCTS) != (s->flow == 'r') || !!(t.c_iflag & IXON) != (s->flow == 'x'))
        return error_set(err, ERROR_LINK, "%s: %s did not take flow control '%c': its driver has none; use flow 'n'",
                         link->address, link->device, s->flow);
    if ((t.c_cflag & CSIZE) != sizes[s->data_bits - 5] || !!(t.c_cflag & CSTOPB) != (s->stop_bits == 2) ||
        (t.c_cflag & (PARENB | PARODD)) != parity_flags(s->parity))
        return error_set(err, ERROR_LINK, "%s: %s did not take %d%c%d: its driver can't; choose other line settings",
                         link->address, link->device, s->data_bits, s->parity, s->stop_bits);
    return 0;
}

static int line_finish(struct link *link, const struct link_settings *s, struct error *err)
{
    struct termios t;
    if (tcgetattr(link->fd, &t) < 0)
        return link_device_refused(link, errno, err);
    tcflag_t framing = t.c_cflag & (CSIZE | PARENB | PARODD | CSTOPB);
    link_termios_raw(&t, 0);
    t.c_cflag = (t.c_cflag & (tcflag_t) ~(CSIZE | PARENB | PARODD | CSTOPB | CRTSCTS)) | framing;
    if (s->flow == 'r')
        t.c_cflag |= CRTSCTS;
    if (s->flow == 'x')
        t.c_iflag |= IXON | IXOFF;
    if (tcsetattr(link->fd, TCSANOW, &t) < 0)
        return link_device_refused(link, errno, err);
    tcflush(link->fd, TCIFLUSH);
    return line_verify(link, s, err);
}

/* Gives up a port that somebody else holds: his exclusive mark must stay. */
static int drop_unclaimed(struct link *link)
{
    sp_close(link->port);
    link->fd = -1;
    return -1;
}

/* sp_open() changes line settings before anybody can take a lock, which would disturb a holder's talk. So the lock is tried first, and the
 * probe stays open across sp_open() so that closing it drops no modem line. */
static int open_undisturbed(struct link *link, struct error *err)
{
    int probe = open(link->device, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (probe < 0)
        return link_device_refused(link, errno, err);
    int why = link_device_lock(probe);
    if (why) {
        close(probe);
        return link_device_refused(link, why, err);
    }
    enum sp_return r = sp_open(link->port, SP_MODE_READ_WRITE);
    int done = r == SP_OK ? 0 : refused(link, r, err);
    if (done == 0 && sp_get_port_handle(link->port, &link->fd) != SP_OK)
        done = refused(link, SP_ERR_SUPP, err);
    close(probe); /* its lock goes with it */
    return done;
}

static int serial_open(struct link *link, const char *path, const struct link_settings *settings, struct error *err)
{
    enum sp_return r;
    sp_set_debug_handler(NULL); /* with LIBSERIALPORT_DEBUG set it would write to standard error */
    if (link_device_find(link, path, false, err) < 0)
        return -1;
    if ((r = sp_get_port_by_name(link->device, &link->port)) != SP_OK) {
        link->port = NULL;
        return r == SP_ERR_ARG ? error_set(err, ERROR_LINK, "%s: %s is no serial port", link->address, link->device)
                               : refused(link, r, err);
    }
    if (open_undisturbed(link, err) < 0)
        return -1;
    fcntl(link->fd, F_SETFD, FD_CLOEXEC);
    if (link_device_claim(link, err) < 0)
        return drop_unclaimed(link);
    if (line_set(link, settings, err) < 0 || line_finish(link, settings, err) < 0)
        return -1;
    identity_read(link);
    return 0;
}

static long serial_read(struct link *link, void *to, size_t size, struct error *err)
{
    enum sp_return n = sp_nonblocking_read(link->port, to, size);
    if (n > 0)
        return n;
    if (n == SP_ERR_FAIL && (errno == EAGAIN || errno == EINTR))
        return 0;
    if (n == 0 && sp_input_waiting(link->port) >= 0) /* a pulled plug reads as 0 too, but fails here */
        return 0;
    return link_lost(link, err, errno == EIO || errno == ENODEV ? "hung up, was the plug pulled?" : strerror(errno));
}

static long serial_write(struct link *link, const void *from, size_t len, struct error *err)
{
    enum sp_return n = sp_nonblocking_write(link->port, from, len);
    if (n >= 0)
        return n;
    if (n == SP_ERR_FAIL && (errno == EAGAIN || errno == EINTR))
        return 0;
    return link_lost(link, err, errno == EIO || errno == ENODEV ? "hung up, was the plug pulled?" : strerror(errno));
}

static void serial_close(struct link *link)
{
    if (link->fd >= 0) {
        link_device_release(link);
        tcflush(link->fd, TCOFLUSH); /* close() would wait for unsent bytes, up to half a minute with flow control */
        sp_close(link->port);
        link->fd = -1;
    } else if (link->port) {
        sp_close(link->port); /* refuses quietly if it is not open */
    }
    if (link->port)
        sp_free_port(link->port);
    link->port = NULL;
}

const struct link_kind link_kind_serial = {"serial:", serial_open, serial_read, serial_write, serial_close};
