/* The controller's clock: microseconds since the start, wrapping at 2^32 (71.6 min), from a timer that nothing stops. */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdint.h>

#include "board.h"

/* What all full rounds of the timer add up to. Interrupts only. */
extern volatile uint32_t clock_rounds_us;

void clock_start(void);

/* Now. Lets no interrupt in for about 2 us. */
uint32_t clock_now(void);

/* The same while no interrupt can come. A round that is over but not yet counted shows in the timer's flag. */
static inline uint32_t clock_stamp(void)
{
    uint16_t ticks = CLOCK_TICKS;
    uint32_t rounds = clock_rounds_us;
    if (CLOCK_OVERFLOWED() && ticks < 0x8000u) {
        rounds += CLOCK_ROUND_US;
    }
    return rounds + ticks / TICKS_PER_US;
}

#endif
