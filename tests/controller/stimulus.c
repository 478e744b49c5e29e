/* What is done to the pins: levels, square waves, bursts.
 *
 * Owns one wave and one burst for each pin. A burst turns the level over and back, COUNT times: so it has COUNT falling
 * edges whether the pin was high or low, and lies over a square wave as ringing does. Half periods are counted from the
 * wave's start, so that no rounding adds up. */
#include "bench.h"

#include <math.h>

struct hand {
    struct alarm wave, burst;
    unsigned pin;
    bool base, turned;
    double half_cycles, gap_cycles;
    uint64_t wave_start, wave_step, burst_start;
    unsigned burst_steps, burst_step;
};

static struct hand hands[PINS];

static struct hand *hand_of(struct alarm *alarm)
{
    for (unsigned pin = 0; pin < PINS; pin++)
        if (alarm == &hands[pin].wave || alarm == &hands[pin].burst)
            return &hands[pin];
    fail("an alarm of no pin");
}

static void act(struct hand *hand)
{
    pin_drive(hand->pin, hand->base != hand->turned);
}

static void next_half(struct alarm *alarm)
{
    struct hand *hand = hand_of(alarm);
    hand->base = !hand->base;
    hand->wave_step++;
    alarm_set(alarm, hand->wave_start + (uint64_t)llround((double)hand->wave_step * hand->half_cycles));
    act(hand);
}

static void next_turn(struct alarm *alarm)
{
    struct hand *hand = hand_of(alarm);
    hand->turned = !hand->turned;
    hand->burst_step++;
    if (hand->burst_step < hand->burst_steps)
        alarm_set(alarm, hand->burst_start + (uint64_t)llround(hand->burst_step * hand->gap_cycles / 2.0));
    act(hand);
}

void stimulus_level(unsigned pin, bool level)
{
    hands[pin].base = level;
    act(&hands[pin]);
}

void stimulus_square(unsigned pin, double hertz)
{
    struct hand *hand = &hands[pin];
    alarm_clear(&hand->wave);
    if (hertz <= 0.0)
        return;
    hand->half_cycles = CLOCK_HZ / (2.0 * hertz);
    hand->wave_start = now();
    hand->wave_step = 1;
    act(hand);
    alarm_set(&hand->wave, now() + (uint64_t)llround(hand->half_cycles));
}

void stimulus_burst(unsigned pin, unsigned count, double gap_us)
{
    struct hand *hand = &hands[pin];
    hand->burst_start = now();
    hand->gap_cycles = gap_us * CYCLES_PER_US;
    hand->burst_step = 0;
    hand->burst_steps = 2 * count;
    alarm_set(&hand->burst, now() + 1);
}

void stimulus_attach(void)
{
    for (unsigned pin = 0; pin < PINS; pin++) {
        hands[pin].pin = pin;
        /* What hangs on a pulse pin rests high: an open collector with its pull-up. */
        hands[pin].base = true;
        hands[pin].wave.fire = next_half;
        hands[pin].burst.fire = next_turn;
    }
}
