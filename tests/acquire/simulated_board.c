/* simulated-board: runs the coil board's real firmware in simavr, its UART on a pseudo-terminal, at
 * the speed of a real one.
 *
 *   simulated-board FIRMWARE.elf LINK
 *
 * LINK becomes a symbolic link to the pseudo-terminal. On standard input it takes lines, and
 * answers each with one: pin N MV                         holds converter input N at so many
 * millivolts coil EMF SOURCE WINDING HENRY SHUNT   instead of fixed pins: a battery of EMF volts
 * behind SOURCE ohm, a coil of WINDING ohm and HENRY, a SHUNT, in series with the transistor; pins
 * see them through the dividers of the wiring. i = E/R (1 - exp(-R t / L)) after the gate went up,
 *                                    with the flyback diode's loop (winding alone) after it fell
 *   dip MS MV                        the battery pin falls to MV for so long
 *   reset                            pulls the reset pin
 *   hang                             the program hangs with interrupts off
 *   heal                             ... and what hung it is gone
 *   gate                             is the gate up? 'gate 1' or 'gate 0'
 *   time                             milliseconds of the board's time since its start
 *   quit */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <avr_adc.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>

#define CLOCK   16000000.0
#define DIVIDER 6.0 /* 10 kilohm over 2 kilohm */

enum { PIN_DRAIN, PIN_SHUNT, PIN_THERMISTOR, PIN_BATTERY, PIN_SUPPLY, PINS };

struct bench {
    avr_t *avr;
    int master;
    double pin[PINS]; /* mV */
    bool coil;
    double emf, source, winding, henry, shunt;
    double current; /* A, when the gate last changed */
    double since;   /* s, likewise */
    bool gate;
    double dip_until;       /* s */
    double dip;             /* mV */
    bool held_up;           /* the UART takes no more for now */
    avr_flashaddr_t hung;   /* where the program hangs */
    unsigned char whole[2]; /* what should be there */
};

static double bench_now(const struct bench *b)
{
    return (double)b->avr->cycle / CLOCK;
}

static double bench_current(const struct bench *b)
{
    double r = b->source + b->winding + b->shunt;
    double t = bench_now(b) - b->since;

    if (b->gate)
        return b->emf / r + (b->current - b->emf / r) * exp(-t * r / b->henry);
    return b->current * exp(-t * b->winding / b->henry);
}

/* Millivolts at a pin of the converter. */
static double bench_pin(const struct bench *b, unsigned pin)
{
    double i = b->gate ? bench_current(b) : 0.0; /* of the battery: the diode's loop is its own */
    double battery = b->emf - i * b->source;

    if (pin == PIN_BATTERY && bench_now(b) < b->dip_until)
        return b->dip;
    if (!b->coil || pin == PIN_THERMISTOR || pin == PIN_SUPPLY)
        return b->pin[pin];
    if (pin == PIN_BATTERY)
        return 1e3 * battery / DIVIDER;
    if (pin == PIN_SHUNT)
        return 1e3 * i * b->shunt;
    return 1e3 * (b->gate ? i * b->shunt : battery) / DIVIDER;
}

/* A conversion begins: what it will find. */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *to)
{
    struct bench *b = to;
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } e = {.v = value};

    (void)irq;
    if (e.mux.src < PINS)
        avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + e.mux.src),
                      (uint32_t)lround(fmax(bench_pin(b, e.mux.src), 0.0)));
}

static void on_gate(struct avr_irq_t *irq, uint32_t value, void *to)
{
    struct bench *b = to;

    (void)irq;
    if ((value != 0) == b->gate)
        return;
    b->current = b->coil ? bench_current(b) : 0.0;
    b->since = bench_now(b);
    b->gate = value != 0;
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *to)
{
    struct bench *b = to;
    unsigned char c = (unsigned char)value;

    (void)irq;
    if (write(b->master, &c, 1) < 0 && errno != EAGAIN && errno != EIO)
        perror("simulated-board: pseudo-terminal");
}

static void on_xon(struct avr_irq_t *irq, uint32_t value, void *to)
{
    (void)irq;
    (void)value;
    ((struct bench *)to)->held_up = false;
}

static void on_xoff(struct avr_irq_t *irq, uint32_t value, void *to)
{
    (void)irq;
    (void)value;
    ((struct bench *)to)->held_up = true;
}

/* Sleeping costs no time here; main() keeps the pace. */
static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void obey(struct bench *b, const char *line, bool *quit)
{
    unsigned pin;
    double mv, ms;

    if (sscanf(line, "pin %u %lf", &pin, &mv) == 2 && pin < PINS) {
        b->pin[pin] = mv;
        b->coil = false;
        puts("ok");
    } else if (sscanf(line, "coil %lf %lf %lf %lf %lf", &b->emf, &b->source, &b->winding, &b->henry,
                      &b->shunt) == 5) {
        b->coil = true;
        b->current = 0.0;
        puts("ok");
    } else if (sscanf(line, "dip %lf %lf", &ms, &mv) == 2) {
        b->dip = mv;
        b->dip_until = bench_now(b) + ms / 1e3;
        puts("ok");
    } else if (strncmp(line, "reset", 5) == 0) {
        avr_reset(b->avr);
        puts("ok");
    } else if (strncmp(line, "hang", 4) == 0) {
        b->hung = b->avr->pc;
        memcpy(b->whole, b->avr->flash + b->hung, 2);
        memcpy(b->avr->flash + b->hung, "\xFF\xCF", 2); /* rjmp to itself */
        b->avr->sreg[S_I] = 0;
        b->avr->state = cpu_Running;
        puts("ok");
    } else if (strncmp(line, "heal", 4) == 0) {
        memcpy(b->avr->flash + b->hung, b->whole, 2);
        puts("ok");
    } else if (strncmp(line, "gate", 4) == 0) {
        printf("gate %d\n", b->gate);
    } else if (strncmp(line, "time", 4) == 0) {
        printf("time %.0f\n", 1e3 * bench_now(b));
    } else if (strncmp(line, "quit", 4) == 0) {
        *quit = true;
        puts("ok");
    } else {
        puts("unknown");
    }
    fflush(stdout);
}

/* Characters for the board, one per call: a UART at 115200 baud takes one in 87 us. */
static void feed(struct bench *b)
{
    unsigned char c;

    if (!b->held_up && read(b->master, &c, 1) == 1)
        avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), c);
}

static void listen_to(struct bench *b)
{
    uint32_t flags = 0;

    avr_ioctl(b->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_sent, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON),
                            on_xon, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF),
                            on_xoff, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            on_conversion, b);
    avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_gate, b);
}

static bool open_terminal(struct bench *b, const char *path)
{
    struct termios term;
    char name[128];
    int slave;

    if (openpty(&b->master, &slave, name, NULL, NULL) != 0 || tcgetattr(slave, &term) != 0)
        return false;
    cfmakeraw(&term);
    tcsetattr(slave, TCSANOW, &term); /* slave stays open, so that nothing is lost */
    fcntl(b->master, F_SETFL, O_NONBLOCK);
    unlink(path);
    return symlink(name, path) == 0;
}

int main(int argc, char **argv)
{
    struct bench b = {.pin = {500, 100, 224, 500, 833}};
    elf_firmware_t firmware;
    struct timespec start, now;
    char line[128];
    size_t length = 0;
    bool quit = false;

    memset(&firmware, 0, sizeof firmware);
    if (argc != 3 || elf_read_firmware(argv[1], &firmware) != 0) {
        fprintf(stderr, "usage: simulated-board FIRMWARE.elf LINK\n");
        return 2;
    }
    snprintf(firmware.mmcu, sizeof firmware.mmcu, "atmega328p");
    firmware.frequency = (uint32_t)CLOCK;
    firmware.vcc = firmware.avcc = 5000;
    firmware.aref = 1100;
    b.avr = avr_make_mcu_by_name(firmware.mmcu);
    if (!b.avr || !open_terminal(&b, argv[2])) {
        fprintf(stderr, "simulated-board: no such processor or no pseudo-terminal\n");
        return 2;
    }
    avr_init(b.avr);
    b.avr->log = LOG_ERROR;
    avr_load_firmware(b.avr, &firmware);
    b.avr->sleep = no_sleep;
    listen_to(&b);
    fcntl(0, F_SETFL, O_NONBLOCK);
    clock_gettime(CLOCK_MONOTONIC, &start);
    puts("running");
    fflush(stdout);
    while (!quit) {
        avr_cycle_count_t until = b.avr->cycle + (avr_cycle_count_t)(CLOCK * 87e-6);
        double ahead;
        ssize_t n;

        while (b.avr->cycle < until)
            if (avr_run(b.avr) == cpu_Crashed) {
                fprintf(stderr, "simulated-board: the processor crashed\n");
                return 1;
            }
        feed(&b);
        n = read(0, line + length, 1);
        if (n == 0)
            break;
        if (n == 1 && (line[length] == '\n' || length + 2 == sizeof line)) {
            line[length] = '\0';
            length = 0;
            obey(&b, line, &quit);
        } else if (n == 1) {
            ++length;
        }
        clock_gettime(CLOCK_MONOTONIC, &now);
        ahead = bench_now(&b) - ((double)(now.tv_sec - start.tv_sec) +
                                 1e-9 * (double)(now.tv_nsec - start.tv_nsec));
        if (ahead > 1e-3)
            usleep(500);
    }
    unlink(argv[2]);
    return 0;
}
