/* The converter: takes the inputs in turn, many times over, in the background; gives the mean of the newest full turn. */
#ifndef ANALOG_H
#define ANALOG_H

#include <stdint.h>

#include "board.h"

/* Index of the fixed reference among the inputs: behind the last one. */
#define ANALOG_REFERENCE ANALOG_INPUTS
/* A mean is the sum of so many conversions. A power of two. */
#define ANALOG_SAMPLES 8u

void analog_start(void);

/* The sum of the newest ANALOG_SAMPLES conversions of an input; 0xFFFF before there are any. */
uint16_t analog_sum(uint8_t index);

#endif
