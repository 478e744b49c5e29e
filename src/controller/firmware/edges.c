/* The edge interrupts.
 *
 * Each takes its time first, shuts itself off, and lets all others in: the serial receiver holds two bytes, 40 us at
 * 500,000 baud. Ringing costs an interrupt an edge as well; where it does not end, the pin is not listened to until its dead
 * time is over, so that a storm cannot starve the rest. */
#include "edges.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "clock.h"

#define OLDEST_US 1800000000UL
/* So many rejected edges on a pin within a slice of 1.024 ms are ringing; more of them are a storm. */
#define RINGING 8u

struct pin {
    struct edges edges;
    uint8_t slice; /* of time, in which so many were rejected */
    uint8_t rejected_then;
    uint8_t bit; /* of its interrupt; 0 while it is listened to */
};

static struct pin pins[PULSE_INPUTS];
static uint8_t storm_waits;

/* Listens no more for `wait_us`, or until the other pin's storm is over: sooner does no harm, the dead time is looked at
 * again. */
static void shut(struct pin *pin, uint8_t bit, uint16_t wait_us)
{
    pin->bit = bit;
    if (!storm_waits) {
        storm_waits = 1;
        STORM_COMPARE = (uint16_t)(CLOCK_TICKS + TICKS_PER_US * (wait_us + 4u));
        STORM_INTERRUPT_ON();
    }
}

static inline uint8_t is_storm(struct pin *pin, uint32_t now)
{
    uint8_t slice = (uint8_t)((uint16_t)now >> 10);
    if (slice != pin->slice) {
        pin->slice = slice;
        pin->rejected_then = 0;
    }
    if (pin->rejected_then == RINGING) {
        return 1;
    }
    pin->rejected_then++;
    return 0;
}

/* For how long the pin is not to be listened to, us. */
static inline uint16_t edge(struct pin *pin, uint32_t now, uint16_t dead_us)
{
    struct edges *edges = &pin->edges;
    uint32_t gap = now - edges->last;
    if (edges->count != 0) {
        if (gap < dead_us) {
            edges->rejected++;
            return is_storm(pin, now) ? dead_us - (uint16_t)gap : 0;
        }
        if (gap > edges->longest) {
            edges->longest = gap;
        }
        if (edges->shortest == 0 || gap < edges->shortest) {
            edges->shortest = gap;
        }
    }
    edges->count++;
    if (edges->count == 0) {
        edges->count = 1; /* 0 says that none ever came; a wrap after 2^32 edges costs one of them */
    }
    edges->last = now;
    return 0;
}

#define EDGE_INTERRUPT(vector, index, interrupt_bit, dead_us) \
    ISR(vector) \
    { \
        uint32_t now = clock_stamp(); \
        PULSE_MASK &= (uint8_t)~(interrupt_bit); \
        sei(); \
        uint16_t wait_us = edge(&pins[index], now, dead_us); \
        cli(); \
        if (wait_us == 0) { \
            PULSE_MASK |= (interrupt_bit); \
        } else { \
            shut(&pins[index], interrupt_bit, wait_us); \
        } \
    }

EDGE_INTERRUPT(PULSE_0_VECTOR, 0, PULSE_0_BIT, DEAD_TIME_US_0)
EDGE_INTERRUPT(PULSE_1_VECTOR, 1, PULSE_1_BIT, DEAD_TIME_US_1)

/* The dead time of a storm is over: what came meanwhile is one more rejected edge, however many there were. */
ISR(STORM_VECTOR)
{
    /* The flag may be older than the wait, and to clear it could clear the clock's beside it. */
    if ((int16_t)(CLOCK_TICKS - STORM_COMPARE) < 0) {
        return;
    }
    STORM_INTERRUPT_OFF();
    storm_waits = 0;
    for (uint8_t index = 0; index < PULSE_INPUTS; index++) {
        struct pin *pin = &pins[index];
        uint8_t bit = pin->bit;
        if (bit == 0) {
            continue;
        }
        if (PULSE_FLAGS & bit) {
            PULSE_FLAGS = bit;
            pin->edges.rejected++;
        }
        pin->bit = 0;
        PULSE_MASK |= bit;
    }
}

void edges_start(void)
{
    PULSE_PULLUPS();
    PULSE_FALLING();
    /* Whatever came before anyone listened is no edge. */
    PULSE_FLAGS = PULSE_0_BIT | PULSE_1_BIT;
    PULSE_MASK |= PULSE_0_BIT | PULSE_1_BIT;
}

void edges_take(uint8_t index, struct edges *taken)
{
    struct edges *edges = &pins[index].edges;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *taken = *edges;
        edges->shortest = 0;
        edges->longest = 0;
    }
}

void edges_age(uint8_t index, uint32_t now, struct edges *taken)
{
    if (taken->count == 0 || now - taken->last <= OLDEST_US) {
        return;
    }
    uint32_t oldest = now - OLDEST_US;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        /* Unless a new one came in between. */
        if (pins[index].edges.last == taken->last) {
            pins[index].edges.last = oldest;
        }
    }
    taken->last = oldest;
}
