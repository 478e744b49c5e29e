/* Puts lines together, member by member, on their way out: no line is ever whole in memory. */
#include "line.h"

#include <stdint.h>

#include "analog.h"
#include "board.h"
#include "clock.h"
#include "command.h"
#include "edges.h"
#include "output.h"
#include "start.h"
#include "text.h"

static const uint8_t pulse_numbers[PULSE_INPUTS] PROGMEM = PULSE_NUMBERS;
static const uint8_t level_numbers[LEVEL_INPUTS] PROGMEM = LEVEL_NUMBERS;

static uint16_t sequence;

/* Milliseconds since the start, over any number of wraps of the clock; asked for oftener than it wraps. */
static uint32_t up_ms(void)
{
    static uint32_t counted_us;
    static uint32_t ms;
    uint32_t passed = (clock_now() - counted_us) / 1000u;
    counted_us += passed * 1000u;
    ms += passed;
    return ms;
}

void line_hello(void)
{
    text_begin();
    TEXT("{\"hello\":{\"format\":1,\"fw\":\"" FIRMWARE_VERSION "\",\"board\":\"" BOARD_NAME "\",\"reset\":\"");
    text_flash(start_cause());
    TEXT("\",\"adc_max\":" ADC_MAX ",\"analog\":");
    text_short(ANALOG_INPUTS);
    TEXT(",\"pulse\":[" PULSE_PINS_TEXT "],\"digital\":[" LEVEL_PINS_TEXT "],\"output\":[" SWITCH_PINS_TEXT "],\"freq\":[");
    text_short(FREQUENCY_PIN);
    TEXT("],\"duty\":[");
    text_short(DUTY_PIN);
    TEXT("],\"rate_hz\":");
    text_short(command_rate_hz());
    TEXT(",\"up_ms\":");
    text_number(up_ms());
    TEXT("}");
    text_end();
}

/* `,"kN":` */
static void name(uint8_t kind, uint8_t pin)
{
    TEXT(",\"");
    text_byte(kind);
    text_short(pin);
    TEXT("\":");
}

/* The mean of an input, with a tenth where it has one: eighths, cut. */
static void mean(uint16_t sum)
{
    text_short(sum / ANALOG_SAMPLES);
    uint8_t tenth = (uint8_t)((sum % ANALOG_SAMPLES) * 10u / ANALOG_SAMPLES);
    if (tenth != 0) {
        text_byte('.');
        text_byte('0' + tenth);
    }
}

static void analog(void)
{
    uint16_t reference = analog_sum(ANALOG_REFERENCE);
    if (reference != UINT16_MAX) {
        TEXT(",\"ref\":");
        mean(reference);
    }
    for (uint8_t index = 0; index < ANALOG_INPUTS; index++) {
        uint16_t sum = analog_sum(index);
        if (sum != UINT16_MAX) {
            name('a', index);
            mean(sum);
        }
    }
}

static void pulses(const struct edges *taken)
{
    for (uint8_t index = 0; index < PULSE_INPUTS; index++, taken++) {
        uint8_t pin = pgm_read_byte(&pulse_numbers[index]);
        name('p', pin);
        text_byte('[');
        text_number(taken->count);
        text_byte(',');
        text_number(taken->last);
        text_byte(',');
        text_number(taken->shortest);
        text_byte(',');
        text_number(taken->longest);
        text_byte(']');
        /* Most pins never ring, and what is 0 costs bytes. */
        if (taken->rejected != 0) {
            name('q', pin);
            text_number(taken->rejected);
        }
    }
}

static void pins(void)
{
    for (uint8_t index = 0; index < LEVEL_INPUTS; index++) {
        name('d', pgm_read_byte(&level_numbers[index]));
        text_byte(LEVEL_READ(index) ? '1' : '0');
    }
    for (uint8_t output = 0; output < OUTPUTS; output++) {
        uint32_t is = output_is(output);
        name(output_kind(output), output_pin(output));
        if (is == OUTPUT_UNKNOWN) {
            TEXT("null");
        } else {
            text_number(is);
        }
    }
}

void line_reading(void)
{
    struct edges taken[PULSE_INPUTS];
    for (uint8_t index = 0; index < PULSE_INPUTS; index++) {
        edges_take(index, &taken[index]);
    }
    /* After the edges, so that none is newer than the line. */
    uint32_t now = clock_now();
    for (uint8_t index = 0; index < PULSE_INPUTS; index++) {
        edges_age(index, now, &taken[index]);
    }
    text_begin();
    TEXT("{\"s\":");
    text_short(sequence++);
    TEXT(",\"t\":");
    text_number(now);
    analog();
    pulses(taken);
    pins();
    text_end();
}
