/* The square wave, made by the clock's compare, which drives the pin itself: no interrupt that comes late shifts an edge. */
#ifndef WAVE_H
#define WAVE_H

#include <stdint.h>

#define WAVE_LEAST_MHZ 1000UL
#define WAVE_MOST_MHZ 5000000UL

/* Drives a square wave of that many mHz; 0: low. */
void wave_set(uint32_t millihertz);

/* Low. May be called by interrupts. */
void wave_stop(void);

/* No frequency says that the pin is high for ever. */
#define WAVE_UNKNOWN UINT32_MAX

/* The square wave that the pin does, mHz: what is driven, while the pin itself was last seen high where it should be high and low
 * where it should be low; else 0, for then it does none. WAVE_UNKNOWN: it should be low and is high. */
uint32_t wave_is(void);

#endif
