/* Runs before main, and before variables are set up. */
#include "start.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdint.h>

#include "board.h"

static uint8_t flags __attribute__((section(".noinit")));

void start_first(void) __attribute__((naked, used, section(".init3")));

/* No function returns here: it is fallen through. After a watchdog's reset the watchdog still runs, with its shortest time. */
void start_first(void)
{
    OUTPUTS_AT_REST();
    flags = RESET_FLAGS;
    RESET_FLAGS = 0;
    wdt_enable(WATCHDOG_TIME);
}

const char *start_cause(void)
{
    if (flags & RESET_BY_POWER) {
        return PSTR("power-on");
    }
    if (flags & RESET_BY_BROWN_OUT) {
        return PSTR("brown-out");
    }
    if (flags & RESET_BY_WATCHDOG) {
        return PSTR("watchdog");
    }
    if (flags & RESET_BY_PIN) {
        return PSTR("external");
    }
    return PSTR("unknown"); /* a boot loader cleared them */
}
