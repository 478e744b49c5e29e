/* The outputs and their leases. Each is at rest, low, unless a lease holds it; a lease that is not renewed ends by itself,
 * counted by an interrupt, so that nothing the main loop does or fails to do keeps an output on. */
#ifndef OUTPUT_H
#define OUTPUT_H

#include <stdint.h>

#include "board.h"

/* Starts the beat that leases are counted in. */
void outputs_start(void);

/* Set by each beat, about 1,000 times a second. */
extern volatile uint8_t output_beat;

/* What an output is called in the counts format: its kind and its pin. */
uint8_t output_kind(uint8_t output);
uint8_t output_pin(uint8_t output);

/* The output of that kind and pin; OUTPUTS: there is none. */
uint8_t output_find(uint8_t kind, uint8_t pin);

/* Whether an output can do that value. */
uint8_t output_may(uint8_t output, uint32_t value);

/* Holds an output at a value that it can do for at most `lease_ms`, 10 to 5,000. */
void output_set(uint8_t output, uint32_t value, uint16_t lease_ms);

/* No value of this output's kind says what its pin does. */
#define OUTPUT_UNKNOWN UINT32_MAX

/* What an output's pin really does, as seen at the pin: its level, its square wave or its duty; or OUTPUT_UNKNOWN. */
uint32_t output_is(uint8_t output);

#endif
