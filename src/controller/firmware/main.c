/* The controller: what it does, in what order, and how often. */
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>

#include "analog.h"
#include "board.h"
#include "clock.h"
#include "command.h"
#include "edges.h"
#include "line.h"
#include "output.h"
#include "serial.h"

#define HELLO_EVERY_US 5000000UL

static void start(void)
{
    LEVEL_PULLUPS();
    clock_start();
    edges_start();
    analog_start();
    serial_start();
    outputs_start();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

/* Time for a reading: the next one is due a period after this one was, however late this one is, unless it is late by more. */
static uint8_t reading_is_due(uint32_t now, uint32_t *due)
{
    if ((int32_t)(now - *due) < 0) {
        return 0;
    }
    uint32_t period = 1000000UL / command_rate_hz();
    *due += period;
    if ((int32_t)(now - *due) >= 0) {
        *due = now + period;
    }
    return 1;
}

int main(void)
{
    start();
    uint32_t due = clock_now() + 1000000UL / DEFAULT_RATE_HZ;
    uint32_t said = clock_now();
    /* A restart cut a line: this ends it. */
    serial_put('\n');
    line_hello();
    for (;;) {
        /* Most interrupts ask nothing of this loop, and to look around after each of them would take a fifth of the time. */
        if (!output_beat) {
            sleep_mode();
            continue;
        }
        output_beat = 0;
        wdt_reset();
        command_poll();
        uint32_t now = clock_now();
        if (command_wants_hello() || now - said >= HELLO_EVERY_US) {
            said = now;
            line_hello();
        }
        if (reading_is_due(now, &due)) {
            line_reading();
        }
    }
}
