#include "acquire/port.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <limits.h>
#include <linux/serial.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

#define BY_ID "/dev/serial/by-id"

struct port {
    struct sp_port *listed; /* NULL: opened directly */
    int fd;
    struct port_errors start; /* counts when it was opened */
    bool counts;
};

/* Unix98 pseudo-terminal slaves have the majors 136 to 143: Linux, admin-guide/devices.txt. */
static bool is_pseudo_terminal(const char *path)
{
    struct stat info;

    return stat(path, &info) == 0 && S_ISCHR(info.st_mode) && major(info.st_rdev) >= 136 &&
           major(info.st_rdev) <= 143;
}

static enum status_code open_failed(struct status *st, const char *path, int error)
{
    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return status_fail(st, STATUS_NOT_FOUND, "%s: nothing is plugged in there", path);
    case EBUSY:
        return status_fail(st, STATUS_BUSY, "%s: another program holds this port", path);
    case EACCES:
    case EPERM:
        return status_fail(st, STATUS_IO,
                           "%s: no permission; the user must be in the group that owns the port "
                           "(often dialout)",
                           path);
    default:
        return status_fail(st, STATUS_IO, "%s: cannot be opened: %s", path, strerror(error));
    }
}

static bool read_counts(int fd, struct port_errors *errors)
{
    struct serial_icounter_struct counts;

    memset(&counts, 0, sizeof counts);
    if (ioctl(fd, TIOCGICOUNT, &counts) != 0)
        return false;
    *errors = (struct port_errors){counts.frame, counts.parity, counts.overrun, counts.buf_overrun};
    return true;
}

static enum status_code configure_listed(struct sp_port *listed, const struct port_settings *s,
                                         const char *path, struct status *st)
{
    static const enum sp_parity parity[] = {SP_PARITY_NONE, SP_PARITY_EVEN, SP_PARITY_ODD,
                                            SP_PARITY_MARK, SP_PARITY_SPACE};
    static const enum sp_flowcontrol flow[] = {SP_FLOWCONTROL_NONE, SP_FLOWCONTROL_RTSCTS,
                                               SP_FLOWCONTROL_XONXOFF, SP_FLOWCONTROL_DTRDSR};
    struct sp_port_config *config;
    enum sp_return result;

    if (sp_new_config(&config) != SP_OK)
        return status_fail(st, STATUS_MEMORY, "%s: no memory", path);
    sp_set_config_baudrate(config, s->baud);
    sp_set_config_bits(config, s->bits);
    sp_set_config_parity(config, parity[s->parity]);
    sp_set_config_stopbits(config, s->stop);
    sp_set_config_flowcontrol(config, flow[s->flow]);
    if (s->flow != PORT_FLOW_RTSCTS)
        sp_set_config_rts(config, s->rts ? SP_RTS_ON : SP_RTS_OFF);
    if (s->flow != PORT_FLOW_DTRDSR)
        sp_set_config_dtr(config, s->dtr ? SP_DTR_ON : SP_DTR_OFF);
    result = sp_set_config(listed, config);
    sp_free_config(config);
    if (result != SP_OK)
        return status_fail(st, STATUS_IO,
                           "%s: the port refuses %d baud, %d bits, %d stop bits or the flow "
                           "control: %s",
                           path, s->baud, s->bits, s->stop, strerror(errno));
    return status_ok(st);
}

static enum status_code open_listed(struct port *port, const char *path,
                                    const struct port_settings *settings, struct status *st)
{
    enum status_code code;

    if (sp_open(port->listed, SP_MODE_READ_WRITE) != SP_OK)
        return open_failed(st, path, errno);
    code = configure_listed(port->listed, settings, path, st);
    if (code == STATUS_OK && sp_get_port_handle(port->listed, &port->fd) != SP_OK)
        code = status_fail(st, STATUS_IO, "%s: no descriptor for the port", path);
    if (code != STATUS_OK)
        sp_close(port->listed);
    return code;
}

static enum status_code open_direct(struct port *port, const char *path, struct status *st)
{
    struct termios term;

    port->fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->fd < 0)
        return open_failed(st, path, errno);
    /* Only raw mode matters: no bits travel on a wire here. */
    if (tcgetattr(port->fd, &term) == 0) {
        cfmakeraw(&term);
        term.c_cc[VMIN] = 1;
        term.c_cc[VTIME] = 0;
        if (tcsetattr(port->fd, TCSANOW, &term) == 0)
            return status_ok(st);
    }
    open_failed(st, path, errno);
    close(port->fd);
    port->fd = -1;
    return st ? st->code : STATUS_IO;
}

enum status_code port_open(const char *path, const struct port_settings *settings,
                           struct port **result, struct status *st)
{
    char real[PATH_MAX];
    struct port *port;
    enum status_code code;

    *result = NULL;
    if (!realpath(path, real))
        return open_failed(st, path, errno);
    port = calloc(1, sizeof *port);
    if (!port)
        return status_fail(st, STATUS_MEMORY, "%s: no memory", path);
    port->fd = -1;
    if (sp_get_port_by_name(real, &port->listed) == SP_OK) {
        code = open_listed(port, path, settings, st);
    } else {
        port->listed = NULL;
        if (is_pseudo_terminal(real))
            code = open_direct(port, path, st);
        else
            code = status_fail(st, STATUS_INPUT, "%s: is not a serial port", path);
    }
    if (code != STATUS_OK) {
        if (port->listed)
            sp_free_port(port->listed);
        free(port);
        return code;
    }
    port_discard(port);
    port->counts = read_counts(port->fd, &port->start);
    *result = port;
    return status_ok(st);
}

void port_close(struct port *port)
{
    if (!port)
        return;
    if (port->listed) {
        sp_close(port->listed);
        sp_free_port(port->listed);
    } else {
        close(port->fd);
    }
    free(port);
}

int port_descriptor(const struct port *port)
{
    return port->fd;
}

bool port_is_listed(const struct port *port)
{
    return port->listed != NULL;
}

/* A read of no bytes is the normal answer of a quiet line that libserialport set up, and also that
 * of a line whose lead was pulled; only poll tells which. */
static bool hung_up(int fd)
{
    struct pollfd one = {.fd = fd, .events = POLLIN};

    return poll(&one, 1, 0) > 0 && (one.revents & (POLLHUP | POLLERR | POLLNVAL));
}

ssize_t port_read(struct port *port, unsigned char *bytes, size_t size, struct status *st)
{
    ssize_t n;

    do
        n = read(port->fd, bytes, size);
    while (n < 0 && errno == EINTR);
    if (n > 0)
        return n;
    if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
        return 0;
    if (n == 0 && !hung_up(port->fd))
        return 0;
    status_fail(st, STATUS_IO, "the port is gone (unplugged, or its other end was closed)");
    return -1;
}

ssize_t port_write(struct port *port, const unsigned char *bytes, size_t size, struct status *st)
{
    ssize_t n;

    do
        n = write(port->fd, bytes, size);
    while (n < 0 && errno == EINTR);
    if (n >= 0)
        return n;
    if (errno == EAGAIN || errno == EWOULDBLOCK)
        return 0;
    status_fail(st, STATUS_IO, "writing to the port failed: %s", strerror(errno));
    return -1;
}

void port_discard(struct port *port)
{
    tcflush(port->fd, TCIFLUSH);
}

bool port_errors(const struct port *port, struct port_errors *errors)
{
    struct port_errors now;

    if (!port->counts || !read_counts(port->fd, &now))
        return false;
    *errors =
        (struct port_errors){now.framing - port->start.framing, now.parity - port->start.parity,
                             now.overrun - port->start.overrun, now.lost - port->start.lost};
    return true;
}

/* The name under /dev/serial/by-id that leads to the device, or NULL. The caller frees it. */
static char *stable_name(const char *device)
{
    DIR *folder = opendir(BY_ID);
    struct dirent *entry;
    char *found = NULL;

    if (!folder)
        return NULL;
    while (!found && (entry = readdir(folder))) {
        char link[PATH_MAX];
        char real[PATH_MAX];
        int n = snprintf(link, sizeof link, BY_ID "/%s", entry->d_name);

        if (n < 0 || (size_t)n >= sizeof link || entry->d_name[0] == '.')
            continue;
        if (realpath(link, real) && strcmp(real, device) == 0)
            found = strdup(link);
    }
    closedir(folder);
    return found;
}

/* Text from the device itself: nothing but printable characters goes to the terminal. */
static void print_text(FILE *out, const char *text)
{
    for (; text && *text; ++text) {
        unsigned char c = (unsigned char)*text;

        fputc(c >= 0x20 && c < 0x7f ? c : '?', out);
    }
}

int port_list(FILE *out)
{
    struct sp_port **ports;
    int count = 0;

    if (sp_list_ports(&ports) != SP_OK)
        return -1;
    for (; ports[count]; ++count) {
        const char *device = sp_get_port_name(ports[count]);
        char *stable = stable_name(device);
        int vendor, product;

        fprintf(out, "%s", stable ? stable : device);
        if (stable)
            fprintf(out, "  (%s)", device);
        if (sp_get_port_description(ports[count])) {
            fputs("  ", out);
            print_text(out, sp_get_port_description(ports[count]));
        }
        if (sp_get_port_usb_vid_pid(ports[count], &vendor, &product) == SP_OK)
            fprintf(out, "  USB %04x:%04x", (unsigned)vendor, (unsigned)product);
        if (sp_get_port_usb_serial(ports[count])) {
            fputs("  serial ", out);
            print_text(out, sp_get_port_usb_serial(ports[count]));
        }
        fputc('\n', out);
        free(stable);
    }
    sp_free_port_list(ports);
    return count;
}
