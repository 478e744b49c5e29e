/* Counts the rounds of the clock's timer. */
#include "clock.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

volatile uint32_t clock_rounds_us;

ISR(CLOCK_VECTOR)
{
    clock_rounds_us += CLOCK_ROUND_US;
}

void clock_start(void)
{
    CLOCK_START();
}

uint32_t clock_now(void)
{
    uint32_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = clock_stamp();
    }
    return now;
}
