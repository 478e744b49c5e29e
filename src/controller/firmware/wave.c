/* The compare's interrupt: where the next edge is. */
#include "wave.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "board.h"

/* Ticks in 1000 s, over twice the frequency: the ticks of half a wave times the frequency in mHz. */
#define HALF_SECOND_TICKS_1000 (TICKS_PER_US * 500000000UL)
/* The longest step from match to match; a longer half is made of several, of which the last one moves the pin. */
#define LONGEST 0xC000u
#define STEP 0x8000u

static volatile uint32_t driven; /* mHz; 0: stopped */
static uint32_t half; /* ticks of half a wave */
static uint8_t part; /* and 1/256 of one */
static uint8_t parts; /* what is left over of those */
static uint32_t left; /* ticks from the next match to the edge behind it; 0: it is the edge */
static uint8_t high; /* what the next match makes of the pin */
static uint8_t was_high; /* the pin was high when it was last looked at while it should be */
static uint8_t was_low;

static inline uint32_t next_half(void)
{
    uint16_t sum = (uint16_t)parts + part;
    parts = (uint8_t)sum;
    return half + (sum >> 8);
}

/* The match that called this made the pin `high` a few us ago: no half of a wave is over so soon. A pin that a wire holds to ground
 * or to the supply is at its wrong level in each other half. */
static inline void look(void)
{
    if (high) {
        was_high = WAVE_READ();
    } else {
        was_low = !WAVE_READ();
    }
}

ISR(WAVE_VECTOR)
{
    look();
    if (left == 0) {
        left = next_half();
    }
    uint16_t step = left > LONGEST ? STEP : (uint16_t)left;
    left -= step;
    WAVE_COMPARE += step;
    if (left == 0) {
        high ^= 1u;
    }
    if (high) {
        WAVE_NEXT_HIGH();
    } else {
        WAVE_NEXT_LOW();
    }
}

static void start(uint32_t millihertz)
{
    uint8_t runs = driven != 0;
    driven = millihertz;
    if (left > half) {
        left = half; /* a faster wave does not wait for a slow one's edge */
    }
    if (runs) {
        return;
    }
    left = 0;
    high = 0;
    was_high = 0;
    was_low = 0;
    parts = 0;
    WAVE_NEXT_LOW();
    WAVE_COMPARE = CLOCK_TICKS + 64u * TICKS_PER_US;
    WAVE_INTERRUPT_ON();
}

void wave_set(uint32_t millihertz)
{
    if (millihertz == 0) {
        wave_stop();
        return;
    }
    /* Divided while interrupts come: it takes 80 us. */
    uint32_t whole = HALF_SECOND_TICKS_1000 / millihertz;
    uint8_t rest = (uint8_t)(((HALF_SECOND_TICKS_1000 % millihertz) << 8) / millihertz);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        half = whole;
        part = rest;
        start(millihertz);
    }
}

void wave_stop(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        WAVE_INTERRUPT_OFF();
        WAVE_RELEASE();
        driven = 0;
    }
}

uint32_t wave_is(void)
{
    uint32_t is;
    uint8_t seen;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        is = driven;
        seen = was_high && was_low;
    }
    if (is == 0 && WAVE_READ()) {
        return WAVE_UNKNOWN;
    }
    return seen ? is : 0;
}
