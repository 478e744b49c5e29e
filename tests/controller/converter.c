/* The chip's analog-to-digital converter, after chapter 23 (ADC) of the ATmega328P data sheet.
 *
 * Owns ADMUX, ADCSRA, ADCSRB, ADCL, ADCH and their vector. A conversion latches channel and reference at its start, holds
 * the voltage 1.5 converter clocks later (13.5 in the first after enabling) and is done after 13 (25). Started by
 * software or free running; other triggers are told as `fault`. The result is floor(mV * 1024 / reference), at most 1023. */
#include "bench.h"

#include <math.h>

#define INTERNAL_REFERENCE_MV 1100.0
/* What the data sheet gives for the temperature sensor at 25 degrees. */
#define TEMPERATURE_MV 314.0

static avr_int_vector_t on_done;
static struct alarm hold, done;
static double inputs[8], supply = 5000.0;
static double noise_mv;
static uint64_t noise_state;
static uint8_t channel_and_reference;
static uint16_t held_counts, result;
static bool running, first, read_locked;
static uint64_t enabled_at;

static uint32_t clock_cycles(void)
{
    unsigned select = chip->data[ADCSRA] & 7;
    return 1u << (select ? select : 1);
}

static double millivolts_of(unsigned channel)
{
    if (channel < 8)
        return inputs[channel];
    switch (channel) {
    case 8: return TEMPERATURE_MV;
    case 14: return INTERNAL_REFERENCE_MV;
    default: return 0.0;
    }
}

static double reference(void)
{
    switch (channel_and_reference >> 6) {
    case 1: return supply;
    case 3: return INTERNAL_REFERENCE_MV;
    default:
        tell("fault\tthe converter's reference is the pin AREF, which hangs in the air");
        return supply;
    }
}

static double noise(void)
{
    if (noise_mv <= 0.0)
        return 0.0;
    return ((double)(random_next(&noise_state) >> 11) / 9007199254740992.0 * 2.0 - 1.0) * noise_mv;
}

static void hold_voltage(struct alarm *alarm)
{
    double millivolts = millivolts_of(channel_and_reference & 0x0F) + noise();
    /* A share of a hair is added, since 2,500 of 5,000 mV shall not be 511 for the way it was computed. */
    double counts = floor(millivolts * 1024.0 / reference() + 1e-9);
    held_counts = counts < 0.0 ? 0 : counts > 1023.0 ? 1023 : (uint16_t)counts;
}

static void begin(uint64_t from)
{
    uint32_t step = clock_cycles();
    /* The prescaler runs since the converter was enabled; a conversion begins with its next clock. */
    uint64_t start = enabled_at + (from - enabled_at + step - 1) / step * step;
    channel_and_reference = chip->data[ADMUX];
    running = true;
    alarm_set(&hold, start + step * (first ? 27 : 3) / 2);
    alarm_set(&done, start + step * (first ? 25 : 13));
    first = false;
}

static void finish(struct alarm *alarm)
{
    /* While a result is half read, a new one is lost. */
    if (!read_locked)
        result = held_counts;
    running = false;
    chip->data[ADCSRA] |= ADIF;
    if (chip->data[ADCSRA] & ADATE) {
        if (chip->data[ADCSRB] & 7)
            tell("fault\tthe converter is to be started by a trigger that the bench does not know");
        else
            begin(alarm->when);
    }
    if (!running)
        chip->data[ADCSRA] &= ~ADSC;
    avr_raise_interrupt(chip, &on_done);
}

static void stop(void)
{
    running = false;
    alarm_clear(&hold);
    alarm_clear(&done);
}

static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    uint8_t before = avr->data[ADCSRA];
    uint8_t flag = before & ADIF & (value & ADIF ? 0 : ADIF);
    if (!(before & ADEN) && value & ADEN) {
        first = true;
        enabled_at = now();
    }
    avr->data[ADCSRA] = (value & ~(ADIF | ADSC)) | flag | (running ? ADSC : 0);
    if (!(value & ADEN)) {
        stop();
        avr->data[ADCSRA] &= ~ADSC;
    } else if (value & ADSC && !running) {
        avr->data[ADCSRA] |= ADSC;
        begin(now() + 1);
    }
    if (value & ADIF)
        avr_clear_interrupt(avr, &on_done);
    else if (flag && avr_regbit_get(avr, on_done.enable) && !on_done.pending)
        avr_raise_interrupt(avr, &on_done);
}

static void write_plain(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
}

static uint16_t shown(void)
{
    return chip->data[ADMUX] & ADLAR ? (uint16_t)(result << 6) : result;
}

static uint8_t read_low(avr_t *avr, avr_io_addr_t address, void *param)
{
    read_locked = true;
    return (uint8_t)shown();
}

static uint8_t read_high(avr_t *avr, avr_io_addr_t address, void *param)
{
    read_locked = false;
    return shown() >> 8;
}

void converter_input(unsigned channel, double millivolts)
{
    inputs[channel] = millivolts;
}

void converter_supply(double millivolts)
{
    supply = millivolts;
}

void converter_noise(uint64_t seed, double millivolts)
{
    noise_state = random_seed(seed);
    noise_mv = millivolts;
}

void converter_reset(void)
{
    stop();
    first = true;
    read_locked = false;
    result = 0;
}

void converter_attach(void)
{
    hold.fire = hold_voltage;
    done.fire = finish;
    vector_prepare(&on_done, VECTOR_ADC, ADCSRA, ADIE_BIT);
    on_done.raised = (avr_regbit_t)AVR_IO_REGBIT(ADCSRA, ADIF_BIT);
    take_write(ADCSRA, write_control);
    take_write(ADCSRB, write_plain);
    take_write(ADMUX, write_plain);
    take_read(ADCL, read_low);
    take_read(ADCH, read_high);
}
