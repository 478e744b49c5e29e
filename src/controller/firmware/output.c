/* Leases, switches and the duty output. */
#include "output.h"

#include <avr/interrupt.h>
#include <avr/pgmspace.h>
#include <util/atomic.h>

#include "duty.h"
#include "wave.h"

static const uint8_t kinds[OUTPUTS] PROGMEM = OUTPUT_KINDS;
static const uint8_t numbers[OUTPUTS] PROGMEM = OUTPUT_NUMBERS;

volatile uint8_t output_beat;

/* Beats left; 0: at rest. */
static volatile uint16_t beats[OUTPUTS];

static void drive(uint8_t output, uint32_t value)
{
    switch (output) {
    case OUTPUT_SWITCH_0:
        if (value) {
            SWITCH_0_ON();
        } else {
            SWITCH_0_OFF();
        }
        break;
    case OUTPUT_SWITCH_1:
        if (value) {
            SWITCH_1_ON();
        } else {
            SWITCH_1_OFF();
        }
        break;
    case OUTPUT_FREQUENCY:
        wave_set(value);
        break;
    default:
        duty_set((uint16_t)value);
    }
}

/* Lets all other interrupts in: it has a millisecond. */
ISR(BEAT_VECTOR, ISR_NOBLOCK)
{
    output_beat = 1;
    duty_beat();
    for (uint8_t output = 0; output < OUTPUTS; output++) {
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            if (beats[output] != 0 && --beats[output] == 0) {
                drive(output, 0);
            }
        }
    }
}

void outputs_start(void)
{
    duty_start();
    BEAT_START();
}

uint8_t output_kind(uint8_t output)
{
    return pgm_read_byte(&kinds[output]);
}

uint8_t output_pin(uint8_t output)
{
    return pgm_read_byte(&numbers[output]);
}

uint8_t output_find(uint8_t kind, uint8_t pin)
{
    uint8_t output = 0;
    while (output < OUTPUTS && (output_kind(output) != kind || output_pin(output) != pin)) {
        output++;
    }
    return output;
}

uint8_t output_may(uint8_t output, uint32_t value)
{
    switch (output) {
    case OUTPUT_FREQUENCY:
        return value == 0 || (value >= WAVE_LEAST_MHZ && value <= WAVE_MOST_MHZ);
    case OUTPUT_DUTY:
        return value <= DUTY_MOST;
    default:
        return value <= 1u;
    }
}

void output_set(uint8_t output, uint32_t value, uint16_t lease_ms)
{
    /* The lease first: the interrupt may end an older one at any time, and what it then puts to rest is driven again. */
    uint16_t lease = BEATS_OF_MS(lease_ms);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        beats[output] = lease;
    }
    drive(output, value);
}

uint32_t output_is(uint8_t output)
{
    switch (output) {
    case OUTPUT_SWITCH_0:
        return SWITCH_0_READ();
    case OUTPUT_SWITCH_1:
        return SWITCH_1_READ();
    case OUTPUT_FREQUENCY:
        return wave_is();
    default:
        return duty_is();
    }
}
