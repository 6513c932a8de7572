/* firmware: the coil board on an ATmega328P at 16 MHz. README.md has the wiring.
 *
 * The converter runs all the time, from its interrupt: each input in turn, so that lines can say
 * what was least and most since the line before. The millisecond clock's interrupt opens the switch
 * when its time is over, whatever the main loop does. The main loop sends lines and obeys commands.
 * A capture is the one thing done with interrupts off: at most 2.1 s, bounded by rate and samples,
 * and ended by any character that comes in.
 *
 * What keeps the coil from staying on: the pull-down at the gate (reset, no program, no supply),
 * the longest on-time, the watchdog. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "coilswitch.h"
#include "command.h"
#include "keeper.h"
#include "message.h"
#include "thermistor.h"

#define NAME      "coil-board 1"
#define REFERENCE 11000 /* tenths of a millivolt, nominal: the bench file corrects it */
#define GATE      PB1
#define SENDING   128 /* bytes of the ring; a power of two */

/* Converter inputs: pins ADC0 to ADC4. */
enum input { INPUT_DRAIN, INPUT_SHUNT, INPUT_THERMISTOR, INPUT_BATTERY, INPUT_SUPPLY, INPUTS };

/* The internal 1.1 V as reference, with the capacitor at AREF. */
#define MUX_OF(input) ((uint8_t)(_BV(REFS1) | _BV(REFS0) | (input)))
#define ADC_RUNNING   (_BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz */

/* All that interrupts and the main loop share. Interrupts take no argument, so it must be static.
 */
static struct {
    volatile uint32_t ms;
    struct coilswitch coil; /* with interrupts off */
    volatile bool timed_out;
    struct keeper keeper[INPUTS]; /* with interrupts off */
    uint8_t turn;
    char sending[SENDING];
    volatile uint8_t sending_in, sending_out;
    char line[COMMAND_LENGTH_MAX + 1];
    uint8_t length;
    bool spoilt;         /* the line is too long or holds what no command has */
    volatile bool ready; /* a whole line waits; what comes meanwhile is lost */
    bool spoilt_ready;
} board;

/* Why it started; before main, and before the watchdog can strike again. */
static uint8_t start_reason __attribute__((section(".noinit")));

void begin(void) __attribute__((naked, used, section(".init3")));

void begin(void)
{
    start_reason = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* ---- the switch ---- */

static void gate(bool on)
{
    if (on)
        PORTB |= _BV(GATE);
    else
        PORTB &= (uint8_t)~_BV(GATE);
}

static void coil_on(uint32_t ms)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        coilswitch_on(&board.coil, board.ms, ms);
        gate(true);
    }
}

static void coil_off(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        coilswitch_off(&board.coil, board.ms);
        gate(false);
    }
}

/* ---- interrupts ---- */

ISR(TIMER0_COMPA_vect)
{
    uint32_t now = board.ms + 1;

    board.ms = now;
    if (coilswitch_tick(&board.coil, now)) {
        gate(false);
        board.timed_out = true;
    }
}

/* Battery and shunt come round every 0.3 ms, the slow ones every millisecond. */
static const uint8_t turns[] = {INPUT_BATTERY, INPUT_SHUNT, INPUT_DRAIN,
                                INPUT_BATTERY, INPUT_SHUNT, INPUT_THERMISTOR,
                                INPUT_BATTERY, INPUT_SHUNT, INPUT_SUPPLY};

ISR(ADC_vect)
{
    uint8_t turn = board.turn;

    keeper_add(&board.keeper[turns[turn]], ADC);
    if (++turn == sizeof turns)
        turn = 0;
    board.turn = turn;
    ADMUX = MUX_OF(turns[turn]);
    ADCSRA |= _BV(ADSC);
}

ISR(USART_UDRE_vect)
{
    if (board.sending_in == board.sending_out) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = (uint8_t)board.sending[board.sending_out];
    board.sending_out = (uint8_t)((board.sending_out + 1) & (SENDING - 1));
}

static void take_character(bool broken, char c)
{
    if (board.ready)
        return;
    if (c == '\n' || c == '\r') {
        if (board.length == 0 && !board.spoilt)
            return;
        board.line[board.length] = '\0';
        board.spoilt_ready = board.spoilt;
        board.length = 0;
        board.spoilt = false;
        board.ready = true;
    } else if (broken || c < ' ' || c > '~' || board.length == COMMAND_LENGTH_MAX) {
        board.spoilt = true;
    } else {
        board.line[board.length++] = c;
    }
}

ISR(USART_RX_vect)
{
    bool broken = UCSR0A & (_BV(FE0) | _BV(DOR0));

    take_character(broken, (char)UDR0);
}

/* ---- sending ---- */

static void put(void *to, char c)
{
    uint8_t next = (uint8_t)((board.sending_in + 1) & (SENDING - 1));

    (void)to;
    while (next == board.sending_out)
        wdt_reset(); /* the interrupt makes room */
    board.sending[board.sending_in] = c;
    board.sending_in = next;
    UCSR0B |= _BV(UDRIE0);
}

static struct message start(const char *text)
{
    struct message message = {.put = put};

    message_begin(&message, text);
    return message;
}

static void say(const char *first, const char *second)
{
    struct message message = start(first);

    message_text(&message, second);
    message_end(&message);
}

/* Millivolts of a pin, or 'over' when the converter was at its end. */
static void say_pin(struct message *message, const char *name, bool good, bool clipped,
                    uint16_t value)
{
    message_text(message, name);
    if (!good)
        message_text(message, "none");
    else if (clipped)
        message_text(message, "over");
    else
        message_tenths(message, keeper_tenths(value, REFERENCE));
}

/* What was seen since the line before. */
static void say_line(uint32_t *number)
{
    struct keeper_values seen[INPUTS];
    struct message message;
    bool on, changing;
    int16_t celsius = THERMISTOR_NONE;

    /* One input after the other: interrupts are never held up for long. */
    for (uint8_t i = 0; i < INPUTS; ++i) {
        struct keeper kept;

        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            kept = board.keeper[i];
            keeper_clear(&board.keeper[i]);
        }
        keeper_read(&kept, &seen[i]);
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        on = board.coil.on;
        changing = coilswitch_is_changing(&board.coil, board.ms, true);
    }
    if (seen[INPUT_THERMISTOR].any && !seen[INPUT_THERMISTOR].clipped && seen[INPUT_SUPPLY].any &&
        !seen[INPUT_SUPPLY].clipped)
        celsius = thermistor_tenths(keeper_tenths(seen[INPUT_THERMISTOR].mean, REFERENCE),
                                    /* the supply's divider is 10 to 2 */
                                    6.0 * keeper_tenths(seen[INPUT_SUPPLY].mean, REFERENCE));

    message = start("L ");
    message_number(&message, (*number)++);
    message_text(&message, on ? " on" : " off");
    if (changing)
        message_text(&message, " changing");
    message_text(&message, " coil=");
    if (!seen[INPUT_BATTERY].any || !seen[INPUT_DRAIN].any)
        message_text(&message, "none");
    else if (seen[INPUT_BATTERY].clipped || seen[INPUT_DRAIN].clipped)
        message_text(&message, "over");
    else
        message_tenths(&message, keeper_tenths(seen[INPUT_BATTERY].mean, REFERENCE) -
                                     keeper_tenths(seen[INPUT_DRAIN].mean, REFERENCE));
    say_pin(&message, " shunt=", seen[INPUT_SHUNT].any, seen[INPUT_SHUNT].clipped,
            seen[INPUT_SHUNT].mean);
    say_pin(&message, " battery=", seen[INPUT_BATTERY].any, seen[INPUT_BATTERY].clipped,
            seen[INPUT_BATTERY].mean);
    message_text(&message, " temperature=");
    if (celsius == THERMISTOR_NONE)
        message_text(&message, "none");
    else
        message_tenths(&message, celsius);
    say_pin(&message, " supply=", seen[INPUT_SUPPLY].any, seen[INPUT_SUPPLY].clipped,
            seen[INPUT_SUPPLY].mean);
    message_end(&message);

    message = start("M ");
    message_number(&message, (*number)++);
    say_pin(&message, " least=", seen[INPUT_BATTERY].any_part, false, seen[INPUT_BATTERY].least);
    say_pin(&message, " most=", seen[INPUT_SHUNT].any_part, seen[INPUT_SHUNT].clipped,
            seen[INPUT_SHUNT].most);
    message_end(&message);
}

/* ---- captures ---- */

/* The slowest, so most exact, converter clock that keeps up: 13 of its cycles make a sample. */
static uint8_t converter_speed(uint32_t rate)
{
    if (rate <= 8000)
        return _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
    if (rate <= 16000)
        return _BV(ADPS2) | _BV(ADPS1); /* 250 kHz */
    if (rate <= 32000)
        return _BV(ADPS2) | _BV(ADPS0); /* 500 kHz */
    return _BV(ADPS2);                  /* 1 MHz */
}

enum captured { CAPTURED, CAPTURED_STOPPED, CAPTURED_LATE };

/* Takes the samples with interrupts off. Sample i begins i / rate after the gate went up, and is
 * held 1.5 converter cycles later. */
static enum captured take_samples(uint16_t *sample, uint16_t samples, uint16_t ticks, uint8_t speed,
                                  uint8_t input)
{
    enum captured result = CAPTURED;

    ADCSRA = _BV(ADEN) | speed;
    ADMUX = MUX_OF(input);
    ADCSRA |= _BV(ADSC); /* the first after a change is thrown away */
    loop_until_bit_is_clear(ADCSRA, ADSC);
    TCCR1A = 0;
    OCR1A = (uint16_t)(ticks - 1);
    TCCR1B = _BV(WGM12) | _BV(CS10); /* counts the processor's clock, from 0 to OCR1A */
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A);
    gate(true);
    for (uint16_t i = 0; i < samples; ++i) {
        if (i > 0) {
            if (bit_is_set(TIFR1, OCF1A))
                result = CAPTURED_LATE; /* the moment has passed */
            loop_until_bit_is_set(TIFR1, OCF1A);
            TIFR1 = _BV(OCF1A);
        }
        ADCSRA |= _BV(ADSC);
        wdt_reset();
        if (bit_is_set(UCSR0A, RXC0)) {
            char c = (char)UDR0;

            if (c != '\r' && c != '\n') {
                take_character(false, c);
                result = CAPTURED_STOPPED;
            }
        }
        loop_until_bit_is_clear(ADCSRA, ADSC);
        sample[i] = ADC;
        if (result != CAPTURED)
            break;
    }
    gate(false);
    TCCR1B = 0;
    return result;
}

static void say_block(const uint16_t *sample, uint16_t samples, uint32_t tenths_of_rate)
{
    struct message message = start("block begin rate=");

    message_tenths(&message, (int32_t)tenths_of_rate);
    message_text(&message, " samples=");
    message_number(&message, samples);
    message_end(&message);
    for (uint16_t i = 0; i < samples; i = (uint16_t)(i + 16)) {
        message = start("block at ");
        message_number(&message, i);
        message_text(&message, ":");
        for (uint16_t k = i; k < samples && k < i + 16; ++k) {
            message_text(&message, " ");
            message_number(&message, sample[k]);
        }
        message_end(&message);
        wdt_reset();
    }
    message = start("block end samples=");
    message_number(&message, samples);
    message_end(&message);
}

static void capture(const struct command *command)
{
    static const uint8_t inputs[] = {INPUT_SHUNT, INPUT_BATTERY, INPUT_DRAIN};
    static uint16_t sample[COMMAND_SAMPLES_MAX]; /* too much for the stack */
    uint32_t ticks = (F_CPU + command->rate / 2) / command->rate;
    uint32_t lasts = ((uint32_t)command->samples * ticks + F_CPU / 2000) / (F_CPU / 1000);
    enum captured result;

    if (board.coil.on) {
        say("error ", "capture: the coil is on");
        return;
    }
    while (board.sending_in != board.sending_out)
        wdt_reset();
    _delay_ms(2); /* the last byte goes out, a line feed behind the command comes in */
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        loop_until_bit_is_clear(ADCSRA, ADSC);
        result = take_samples(sample, command->samples, (uint16_t)ticks,
                              converter_speed(command->rate), inputs[command->input]);
        board.ms += lasts;
        board.coil.changed = true;
        board.coil.since = board.ms;
        for (uint8_t i = 0; i < INPUTS; ++i)
            keeper_clear(&board.keeper[i]); /* nobody watched */
        /* back to what goes on all the time; the first result is of the new first input */
        board.turn = 0;
        ADMUX = MUX_OF(turns[0]);
        ADCSRA = ADC_RUNNING | _BV(ADIF);
        ADCSRA |= _BV(ADIE) | _BV(ADSC);
    }
    if (result == CAPTURED)
        say_block(sample, command->samples, (uint32_t)((F_CPU * 10ULL + ticks / 2) / ticks));
    else
        say("error ", result == CAPTURED_LATE ? "capture: too fast" : "capture: stopped");
}

/* ---- commands ---- */

static void obey(uint32_t *interval, uint32_t *next)
{
    struct command command;
    const char *wrong = board.spoilt_ready ? "not a line of text" : NULL;

    if (!wrong)
        wrong = command_read(board.line, &command);
    board.ready = false; /* the next line may come */
    if (wrong) {
        say("error ", wrong);
        return;
    }
    switch (command.kind) {
    case COMMAND_WHO:
        say("I am ", NAME);
        return;
    case COMMAND_ON:
        coil_on(command.ms);
        say("done ", "on");
        return;
    case COMMAND_OFF:
        coil_off();
        say("done ", "off");
        return;
    case COMMAND_PULSE:
        coil_on(command.ms);
        say("done ", "pulse");
        return;
    case COMMAND_EVERY:
        *next = *next - *interval + command.ms;
        *interval = command.ms;
        say("done ", "every");
        return;
    case COMMAND_CAPTURE:
        capture(&command);
        return;
    }
}

static uint32_t now(void)
{
    uint32_t ms;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        ms = board.ms;
    }
    return ms;
}

static void set_up(void)
{
    gate(false);
    DDRB |= _BV(GATE);
    DIDR0 = 0x1F; /* no digital inputs behind ADC0 to ADC4 */
    for (uint8_t i = 0; i < INPUTS; ++i)
        keeper_clear(&board.keeper[i]);
    coilswitch_clear(&board.coil, 0);
    /* 1 ms: 16 MHz / 64 / 250 */
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00);
    OCR0A = 249;
    TIMSK0 = _BV(OCIE0A);
    /* 115200 baud, 8N1: 16 MHz / 8 / 17 is 2.1 % fast, as near as this crystal comes */
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    ADMUX = MUX_OF(turns[0]);
    ADCSRA = ADC_RUNNING;
    _delay_ms(10); /* the reference charges its capacitor */
    ADCSRA |= _BV(ADIE) | _BV(ADSC);
    wdt_enable(WDTO_500MS);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

int main(void)
{
    uint32_t number = 0;
    uint32_t interval = 200;
    uint32_t next = interval;

    set_up();
    say("ready " NAME " after ", start_reason & _BV(WDRF)   ? "watchdog"
                                 : start_reason & _BV(BORF) ? "brown-out"
                                 : start_reason & _BV(PORF) ? "power-on"
                                                            : "reset");
    for (;;) {
        uint32_t ms = now();

        wdt_reset();
        if (board.ready)
            obey(&interval, &next);
        if (board.timed_out) {
            board.timed_out = false;
            say("note ", "the time was over: off");
        }
        if ((int32_t)(ms - next) >= 0) {
            next += interval;
            if ((int32_t)(ms - next) >= 0)
                next = ms + interval; /* after a block: no catching up */
            say_line(&number);
        }
        sleep_mode(); /* until the next interrupt, at most 0.1 ms away */
    }
}
