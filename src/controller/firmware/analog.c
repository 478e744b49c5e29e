/* The converter's interrupt. One conversion is always under way; each result begins the next. */
#include "analog.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "duty.h"

#define NONE 0xFFFFu
/* Conversions thrown away after the input was switched: the sampling capacitor must follow, and the fixed reference, which is
 * switched on with its channel, takes some 100 us until it stands. */
#define SETTLING 1u
#define REFERENCE_SETTLING 3u

static volatile uint16_t sums[ANALOG_INPUTS + 1];
static uint8_t input; /* being converted */
static uint8_t done; /* conversions of it, with those thrown away */
static uint16_t sum;

static inline uint8_t channel_of(uint8_t index)
{
    return index == ANALOG_REFERENCE ? REFERENCE_CHANNEL : index;
}

static inline void select(uint8_t index)
{
    CONVERTER_SELECT(channel_of(index));
}

ISR(CONVERTER_VECTOR, ISR_NOBLOCK)
{
    duty_sample();
    uint16_t result = CONVERTER_RESULT;
    uint8_t settling = input == ANALOG_REFERENCE ? REFERENCE_SETTLING : SETTLING;
    if (done >= settling) {
        sum += result;
    }
    if (++done == settling + ANALOG_SAMPLES) {
        uint16_t whole = sum;
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            sums[input] = whole;
        }
        input = input == ANALOG_REFERENCE ? 0 : input + 1;
        select(input);
        done = 0;
        sum = 0;
    }
    CONVERTER_START();
}

void analog_start(void)
{
    for (uint8_t index = 0; index <= ANALOG_REFERENCE; index++) {
        sums[index] = NONE;
    }
    select(0);
    CONVERTER_ON();
    CONVERTER_START();
}

uint16_t analog_sum(uint8_t index)
{
    uint16_t whole;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        whole = sums[index];
    }
    return whole;
}
