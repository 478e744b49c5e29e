/* The bench: the compiled firmware on a simulated ATmega328P, a script played to it, and what it did told with its times.
 *
 * Owns what its parts share. In: an ELF file and a script (or, with --pty, lines on the standard input and bytes on a
 * pseudo-terminal). Out: one event a line, parted by TABs, simulated microseconds first. The processor, timers, ports,
 * external interrupts and watchdog are those of simavr 1.6, repaired where repair.c says so; serial port, converter
 * and the pins' levels are models of the bench's own, after the ATmega328P data sheet.
 *
 * What the bench does not show:
 *  - Anything electric: drive strength, noise on wires, input thresholds, protection diodes, source impedance (a
 *    converter input settles at once; so does the internal reference after it is selected), the converter's own error.
 *  - A supply that sinks: `supply` changes what the converter measures, nothing else. A brown-out is a reset with its flag
 *    set, at an instant of the script; the detector itself, fuses and the start-up time after a reset are not there.
 *  - The oscillator's error and drift. Both ends of the serial line run at what the chip's registers say, exactly, so a
 *    wrong speed, framing and parity errors do not show (the speed is told with `stats`). A break does not exist.
 *  - The boot loader, and what it may leave in registers. Self-programming, EEPROM timing, fuses, lock bits.
 *  - WDRF does not hold WDE set, as the chip's does. The watchdog's clock is exact; the chip's is off by ten per cent.
 *  - The timers' prescaler is not shared, is never reset and has no phase. Timers 0 and 2 know no forced
 *    compare; the compare registers of timer 1 are not double-buffered in PWM.
 *  - A conversion can be started by software and by free running only; other triggers are told as `fault`.
 *  - An external level or edge is seen at the end of the running instruction; the two-cycle synchroniser is not there. An
 *    interrupt costs its four cycles at entry (eight from sleep); sleep modes are all idle mode, their start-up is not
 *    there. Sleep ends one cycle late.
 *  - Pins 0 and 1 have no level. What drives a pin that is an output of the chip loses against it, unless it is a `short`, which
 *    always wins; what that costs the chip is not there. A `short` of pin 2 or 3 makes no edge. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <simavr/sim_avr.h>

#include "atmega328p.h"

/* Something that is due at a cycle. Owned by whoever sets it; `when` is handed to `fire` exact, though it comes late by what
 * the running instruction takes. */
struct alarm {
    uint64_t when;
    void (*fire)(struct alarm *alarm);
    bool set;
    struct alarm *next;
};

/* alarm.c: what is due, in the order of time. */
void alarm_set(struct alarm *alarm, uint64_t when);
void alarm_clear(struct alarm *alarm);
void alarm_rearm(void); /* after a reset, which throws away the simulator's timers */

/* chip.c: the processor, its resets, and what is measured of it. */
enum cause { CAUSE_NONE, CAUSE_POWER, CAUSE_EXTERNAL, CAUSE_BROWN_OUT, CAUSE_WATCHDOG };
extern avr_t *chip;
void chip_start(const char *elf);
bool chip_run(void); /* false once the firmware cannot go on */
void chip_ask_reset(enum cause cause);
void chip_stop_loop(void);
void chip_poke(const char *symbol, unsigned bytes, uint64_t value);
uint64_t chip_peek(const char *symbol, unsigned bytes);
uint64_t now(void); /* cycles since the start; goes on over resets */
unsigned chip_busy_permille(void);
unsigned chip_stack_bytes(void);

/* repair.c: faults of the simulator put right. */
typedef void (*register_write)(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param);
typedef uint8_t (*register_read)(avr_t *avr, avr_io_addr_t address, void *param);
void repair_interrupts(void);
void repair_note_sleep(void);
void take_write(uint16_t address, register_write write);
void take_read(uint16_t address, register_read read);
void vector_prepare(avr_int_vector_t *vector, uint8_t number, uint16_t enable_register, uint8_t enable_bit);

/* uart.c: the chip's serial port. host.c: the other end of its line. */
void uart_attach(void);
void uart_reset(void);
bool uart_receives(void);
void uart_start_bit(void);
void uart_take(uint8_t byte);
uint32_t uart_bit_cycles(void);
void host_attach(void);
void host_send(const uint8_t *bytes, size_t count);
void host_garbage(uint64_t seed, size_t count);
size_t host_waiting(void);
void host_take(uint8_t byte); /* a byte that the chip sent */

/* converter.c: the chip's analog-to-digital converter. */
void converter_attach(void);
void converter_reset(void);
void converter_input(unsigned channel, double millivolts);
void converter_supply(double millivolts);
void converter_noise(uint64_t seed, double millivolts);

/* pins.c: levels of pins as they are. stimulus.c: what is done to them. */
#define PINS 20u
void pins_attach(void);
void pins_reset(void);
void pin_drive(unsigned pin, bool level);
void pin_short(unsigned pin, bool is, bool level); /* stronger than the chip */
void stimulus_attach(void);
void stimulus_level(unsigned pin, bool level);
void stimulus_square(unsigned pin, double hertz);
void stimulus_burst(unsigned pin, unsigned count, double gap_us);

/* script.c: lines of a script. */
void script_load(const char *path);
void script_line(const char *text); /* one more, while it runs */
bool script_ended(void);
void script_require_end(void);

/* tell.c: events, and complaints that end the bench. */
extern bool tell_at_once;
void tell(const char *format, ...) __attribute__((format(printf, 1, 2)));
void tell_serial(const uint8_t *line, size_t length);
void fail(const char *format, ...) __attribute__((format(printf, 1, 2), noreturn));

/* pty.c: the serial line as a pseudo-terminal, in real time. */
void pty_open(void);
void pty_byte(uint8_t byte);
void pty_pace(void);
extern bool pty_is_open;

/* A reproducible row of numbers (xorshift, Marsaglia 2003, period 2^64 - 1). */
static inline uint64_t random_next(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}
static inline uint64_t random_seed(uint64_t seed)
{
    return seed * 0x9E3779B97F4A7C15u + 0x1234567u;
}

#endif
