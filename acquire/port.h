/* port: a serial line, opened once for good and never waited on.
 *
 * libserialport opens what the kernel lists as a serial device. It refuses a pseudo-terminal (it
 * looks for it under /sys/class/tty, and asks for modem lines that a pseudo-terminal has not), so
 * one of those, such as a network bridge makes, is opened here with termios. The caller sees no
 * difference. Reading and writing never block and never take more than the caller's buffer. */
#ifndef TRUEWOUND_PORT_H
#define TRUEWOUND_PORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include <sys/types.h>

#include "db/status.h"

enum port_parity {
    PORT_PARITY_NONE,
    PORT_PARITY_EVEN,
    PORT_PARITY_ODD,
    PORT_PARITY_MARK,
    PORT_PARITY_SPACE
};
enum port_flow { PORT_FLOW_NONE, PORT_FLOW_RTSCTS, PORT_FLOW_XONXOFF, PORT_FLOW_DTRDSR };

struct port_settings {
    int baud;
    int bits; /* 5 to 8 */
    enum port_parity parity;
    int stop; /* 1 or 2 */
    enum port_flow flow;
    bool dtr, rts; /* level of the two lines, as far as the flow control leaves them free */
};

struct port;

/* Opens the device at path (a symbolic link such as /dev/serial/by-id/... is followed) for this
 * program alone, raw, and throws away what had come in before. STATUS_NOT_FOUND when it is not
 * there, STATUS_BUSY when another program holds it, STATUS_IO otherwise. */
enum status_code port_open(const char *path, const struct port_settings *settings,
                           struct port **port, struct status *st);

/* Closes and frees it; NULL is allowed. */
void port_close(struct port *port);

/* The descriptor, for epoll only. */
int port_descriptor(const struct port *port);

/* True when libserialport holds it, false when it is a pseudo-terminal opened directly. */
bool port_is_listed(const struct port *port);

/* Reads at most size bytes. 0: nothing there now. -1: the device is gone; *st says how. */
ssize_t port_read(struct port *port, unsigned char *bytes, size_t size, struct status *st);

/* Hands at most size bytes to the kernel and returns how many it took; -1 as port_read. */
ssize_t port_write(struct port *port, const unsigned char *bytes, size_t size, struct status *st);

/* Throws away what came in and was not read. */
void port_discard(struct port *port);

/* What the kernel's driver counted on the line since it was opened. */
struct port_errors {
    long framing, parity, overrun, lost;
};

/* False when the driver does not count (pseudo-terminals, some USB leads). */
bool port_errors(const struct port *port, struct port_errors *errors);

/* Prints one line for each serial port the kernel lists: its stable name, then what is plugged in.
 * Returns how many there are, -1 when they cannot be listed. */
int port_list(FILE *out);

#endif
