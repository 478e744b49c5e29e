/* The duty output's timer, and the verdict on its pin.
 *
 * To look at the pin now and then is too coarse for a needle: the looks come in step with the carrier, and a share of 128 of them is up
 * to a tenth off. So the timer's own step is told, exact as it is, while two witnesses at the pin agree with it: it moved within the
 * last period of the carrier, and all but a few looks saw it as the timer had it at that instant. The first finds a pin that
 * a wire holds, even at the smallest step; the second one that something else moves. */
#include "duty.h"

#include <util/atomic.h>

/* Of a period of the timer. */
#define STEPS 256u
/* So many looks may see the pin otherwise: another interrupt may come between timer and pin, and a new step waits for its period. */
#define MOST_WRONG 8u

volatile uint8_t duty_high;
volatile uint8_t duty_wrong;

static uint16_t steps; /* as driven: 0 to STEPS */
static uint8_t moved; /* in the last period */

/* Rounded. */
static uint16_t per_mille_of(uint16_t of_steps)
{
    return (of_steps * 125u + 16u) / 32u;
}

void duty_start(void)
{
    DUTY_WATCH();
}

void duty_set(uint16_t per_mille)
{
    /* Sixteen bits are enough. The division takes 14 us, and an interrupt that puts the output to rest has no time for it. */
    uint16_t nearest = per_mille == 0 ? 0 : (32u * per_mille + 62u) / 125u;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        steps = nearest;
        /* The ends are levels: the timer's own least is one step, not none. */
        if (nearest == 0) {
            DUTY_DISCONNECT();
            DUTY_LOW();
        } else if (nearest == STEPS) {
            DUTY_DISCONNECT();
            DUTY_HIGH();
        } else {
            DUTY_COMPARE = (uint8_t)(nearest - 1u);
            DUTY_CONNECT();
        }
    }
}

void duty_beat(void)
{
    moved = DUTY_MOVED();
    DUTY_MOVED_CLEAR();
}

uint16_t duty_is(void)
{
    uint16_t driven;
    uint8_t moves;
    uint8_t high;
    uint8_t wrong;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        driven = steps;
        moves = moved;
        high = duty_high;
        wrong = duty_wrong;
    }
    if (driven == 0 || driven == STEPS || !moves) {
        /* A level: of the pin, whatever was to be. */
        return DUTY_READ() ? DUTY_MOST : 0;
    }
    return per_mille_of(wrong > MOST_WRONG ? high * (STEPS / DUTY_LOOKS) : driven);
}
