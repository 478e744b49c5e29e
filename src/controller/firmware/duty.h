/* The duty output: a pin that is high for a share of a carrier near 1 kHz, and what the pin itself was seen to do. */
#ifndef DUTY_H
#define DUTY_H

#include <stdint.h>

#include "board.h"

/* Per mille. */
#define DUTY_MOST 1000u
/* A verdict is made of so many looks at the pin: 15 ms, less than from one reading to the next. A power of two below 256. */
#define DUTY_LOOKS 128u

void duty_start(void);

/* Drives the nearest of 256 steps to that many per mille; 0: low, 1000: high. Interrupts may call it. */
void duty_set(uint16_t per_mille);

/* What the pin does, per mille: the step that is driven while the pin agrees with it, else the share for which it was seen high. */
uint16_t duty_is(void);

/* Called once in each period of the carrier, soon after it began. */
void duty_beat(void);

/* Of the newest full DUTY_LOOKS: how many saw the pin high, and how many saw it otherwise than the timer had it. */
extern volatile uint8_t duty_high;
extern volatile uint8_t duty_wrong;

/* Looks at the pin. Called by the converter's interrupt, which comes oftenest and at ever other steps of the carrier. */
static inline void duty_sample(void)
{
    uint8_t should = DUTY_SHOULD_BE_HIGH();
    uint8_t is = DUTY_READ();
    DUTY_SEEN_HIGH += is;
    DUTY_SEEN_WRONG += is ^ should;
    if (++DUTY_LOOKED == DUTY_LOOKS) {
        duty_high = DUTY_SEEN_HIGH;
        duty_wrong = DUTY_SEEN_WRONG;
        DUTY_LOOKED = 0;
        DUTY_SEEN_HIGH = 0;
        DUTY_SEEN_WRONG = 0;
    }
}

#endif
