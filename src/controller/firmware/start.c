/* Runs before main, and before variables are set up. */
#include "start.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdint.h>

#include "output.h"

static uint8_t flags __attribute__((section(".noinit")));

void start_first(void) __attribute__((naked, used, section(".init3")));

/* No function returns here: it is fallen through. After a watchdog's reset the watchdog still runs, with its shortest time. */
void start_first(void)
{
    OUTPUTS_AT_REST();
    flags = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_250MS);
}

const char *start_cause(void)
{
    if (flags & _BV(PORF)) {
        return PSTR("power-on");
    }
    if (flags & _BV(BORF)) {
        return PSTR("brown-out");
    }
    if (flags & _BV(WDRF)) {
        return PSTR("watchdog");
    }
    if (flags & _BV(EXTRF)) {
        return PSTR("external");
    }
    return PSTR("unknown"); /* a boot loader cleared them */
}
