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

/* The square wave that is driven, mHz. */
uint32_t wave_is(void);

#endif
