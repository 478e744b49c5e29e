/* Levels of the pins: what a wire to ground or to the supply forces, what the chip drives, what the bench drives, and what a
 * pull-up makes of the rest.
 *
 * Owns the registers PINB, PINC and PIND as they are read, the latches of the compare outputs, and the flags of the pin-change
 * interrupts, which follow the level that a pin really has (the simulator's follow what is written to its port). Out: `pin`
 * events for pins that the bench does not drive. Two faults of simavr 1.6 are put right here: a pull-up overrides a pin that is
 * driven low from outside, and a compare output writes the port's register, where the chip leaves it alone, so that a
 * pin that is taken from the timer would keep its last level. A third: whenever a compare register is written, and at each overflow
 * in any mode, it moves the output as the bottom of a PWM period does; here only PWM has a bottom, and in PWM a
 * compare register is double-buffered, as on the chip: what is written counts from the next bottom on. */
#include "bench.h"

#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>

struct port { char name; uint16_t pin, ddr, out; unsigned first, count, change; };
/* `change` is the bit of the port's pin-change interrupt, and the place of its mask behind PCMSK0. */
static const struct port ports[] = {
    { 'D', PIND, DDRD, PORTD, 0, 8, 2 },
    { 'B', PINB, DDRB, PORTB, 8, 6, 0 },
    { 'C', PINC, DDRC, PORTC, 14, 6, 1 },
};
#define PORTS (sizeof ports / sizeof *ports)

/* Where a timer's output comes out, and the two bits of its control register that connect it. */
struct compare { char timer; unsigned channel; unsigned pin; uint16_t control; unsigned shift; };
static const struct compare compares[] = {
    { '0', AVR_TIMER_COMPA, 6, TCCR0A, 6 }, { '0', AVR_TIMER_COMPB, 5, TCCR0A, 4 },
    { '1', AVR_TIMER_COMPA, 9, TCCR1A, 6 }, { '1', AVR_TIMER_COMPB, 10, TCCR1A, 4 },
    { '2', AVR_TIMER_COMPA, 11, TCCR2A, 6 }, { '2', AVR_TIMER_COMPB, 3, TCCR2A, 4 },
};
#define COMPARES (sizeof compares / sizeof *compares)

static bool latch[PINS], told[PINS], was[PINS], driven[PINS], driven_level[PINS], shorted[PINS], shorted_level[PINS];
/* The masks of the pin-change interrupts. The simulator's own copies stay 0, so that it sets no flag by itself. */
static uint8_t change_masks[PORTS];

static const struct port *port_of(unsigned pin)
{
    return pin < 8 ? &ports[0] : pin < 14 ? &ports[1] : &ports[2];
}

static unsigned mode_of(const struct compare *compare)
{
    return chip->data[compare->control] >> compare->shift & 3;
}

/* Modes with a bottom: the lowest bit of the waveform's number is set in all of them, for each of the three timers. */
static bool is_pwm(const struct compare *compare)
{
    return chip->data[compare->control] & 3;
}

static bool level_of(unsigned pin)
{
    const struct port *port = port_of(pin);
    uint8_t mask = (uint8_t)(1u << (pin - port->first));
    if (shorted[pin])
        return shorted_level[pin];
    if (!(chip->data[port->ddr] & mask))
        return driven[pin] ? driven_level[pin] : chip->data[port->out] & mask;
    for (size_t index = 0; index < COMPARES; index++)
        if (compares[index].pin == pin && mode_of(&compares[index]))
            return latch[pin];
    return chip->data[port->out] & mask;
}

/* A pin changed its level: its flag is set if its mask says so, whether the interrupt is on or not. */
static void flag_change(unsigned pin)
{
    const struct port *port = port_of(pin);
    if (!(change_masks[port->change] & 1u << (pin - port->first)))
        return;
    for (int index = 0; index < chip->interrupts.vector_count; index++) {
        avr_int_vector_t *vector = chip->interrupts.vector[index];
        if (vector->raised.reg == PCIFR && vector->raised.bit == port->change)
            avr_raise_interrupt(chip, vector);
    }
}

static void tell_changes(void)
{
    for (unsigned pin = 2; pin < PINS; pin++) {
        bool level = level_of(pin);
        if (level != was[pin])
            flag_change(pin);
        was[pin] = level;
        if (level == told[pin] || driven[pin])
            continue;
        told[pin] = level;
        tell("pin\t%u\t%u", pin, level);
    }
}

static void port_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    tell_changes();
}

static void matched(struct avr_irq_t *irq, uint32_t value, void *param)
{
    const struct compare *compare = param;
    unsigned mode = mode_of(compare);
    bool level = value & 1;
    /* A match clears in mode 2 and sets in mode 3; the opposite is the bottom of a PWM period. */
    if (mode >= 2 && level != (mode == 3) && !is_pwm(compare))
        return;
    latch[compare->pin] = mode == 1 ? !latch[compare->pin] : level;
    tell_changes();
}

/* The control registers and the compare registers of the timers of eight bits, with what the simulator does on a write. */
static struct wrapped { uint16_t address; register_write write; void *param; bool waits; uint8_t value; } wrapped[] = {
    { .address = TCCR0A }, { .address = TCCR1A }, { .address = TCCR2A },
    { .address = OCR0A }, { .address = OCR0B }, { .address = OCR2A }, { .address = OCR2B },
};
#define WRAPPED (sizeof wrapped / sizeof *wrapped)

static struct alarm after_bottom;

static struct wrapped *wrapped_at(uint16_t address)
{
    for (size_t index = 0; index < WRAPPED; index++)
        if (wrapped[index].address == address)
            return &wrapped[index];
    fail("the register %02x is not wrapped", address);
}

/* An output that is connected to the timer or taken from it changes without anything being written to its port. */
static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct wrapped *at = wrapped_at(address);
    at->write(avr, address, value, at->param);
    tell_changes();
}

static void write_compare(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct wrapped *at = wrapped_at(address);
    uint16_t control = address == OCR0A || address == OCR0B ? TCCR0A : TCCR2A;
    at->value = value;
    at->waits = avr->data[control] & 1;
    if (!at->waits)
        at->write(avr, address, value, at->param);
}

static void use_waiting(struct alarm *alarm)
{
    for (size_t index = 0; index < WRAPPED; index++) {
        struct wrapped *at = &wrapped[index];
        if (at->waits)
            at->write(chip, at->address, at->value, at->param);
        at->waits = false;
    }
}

/* An overflow: not within the simulator's own handling of it, which would count the timer twice. */
static void at_bottom(struct avr_irq_t *irq, uint32_t raised, void *param)
{
    if (raised)
        alarm_set(&after_bottom, now() + 1);
}

static void wrap(void)
{
    static const uint8_t overflows[] = { VECTOR_TIMER0_OVF, VECTOR_TIMER2_OVF };
    after_bottom.fire = use_waiting;
    for (size_t index = 0; index < WRAPPED; index++) {
        struct wrapped *at = &wrapped[index];
        at->write = chip->io[AVR_DATA_TO_IO(at->address)].w.c;
        at->param = chip->io[AVR_DATA_TO_IO(at->address)].w.param;
        bool control = at->address == TCCR0A || at->address == TCCR1A || at->address == TCCR2A;
        take_write(at->address, control ? write_control : write_compare);
    }
    for (size_t index = 0; index < 2; index++)
        avr_irq_register_notify(avr_get_interrupt_irq(chip, overflows[index]) + AVR_INT_IRQ_PENDING, at_bottom, NULL);
}

/* A forced compare does to the output what a match would do. */
static void write_force(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    for (size_t index = 0; index < COMPARES; index++) {
        const struct compare *compare = &compares[index];
        if (compare->timer != '1' || !(value & (compare->channel == AVR_TIMER_COMPA ? FOC1A : FOC1B)))
            continue;
        unsigned mode = mode_of(compare);
        if (mode == 1)
            latch[compare->pin] = !latch[compare->pin];
        else if (mode)
            latch[compare->pin] = mode == 3;
    }
    tell_changes();
}

static void write_change_mask(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    change_masks[address - PCMSK0] = value;
}

static uint8_t read_change_mask(avr_t *avr, avr_io_addr_t address, void *param)
{
    return change_masks[address - PCMSK0];
}

static uint8_t read_pins(avr_t *avr, avr_io_addr_t address, void *param)
{
    uint8_t levels = 0;
    for (size_t index = 0; index < PORTS; index++)
        for (unsigned bit = 0; ports[index].pin == address && bit < ports[index].count; bit++)
            levels |= (uint8_t)(level_of(ports[index].first + bit) << bit);
    return levels;
}

/* Tells the simulator's port what hangs on it, so that its pull-ups leave it alone. */
static void tell_simulator(const struct port *port)
{
    avr_ioport_external_t outside = { .name = (unsigned char)port->name };
    for (unsigned bit = 0; bit < port->count; bit++) {
        outside.mask |= driven[port->first + bit] << bit;
        outside.value |= (driven[port->first + bit] && driven_level[port->first + bit]) << bit;
    }
    avr_ioctl(chip, AVR_IOCTL_IOPORT_SET_EXTERNAL(port->name), &outside);
}

void pin_drive(unsigned pin, bool level)
{
    const struct port *port = port_of(pin);
    driven[pin] = true;
    driven_level[pin] = level;
    tell_simulator(port);
    avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(port->name), (int)(pin - port->first)), level);
    tell_changes();
}

void pin_short(unsigned pin, bool is, bool level)
{
    shorted[pin] = is;
    shorted_level[pin] = level;
    tell_changes();
}

static avr_irq_t *compare_irq(const struct compare *compare)
{
    int index = TIMER_IRQ_OUT_COMP + (int)compare->channel;
    return avr_io_getirq(chip, AVR_IOCTL_TIMER_GETIRQ(compare->timer), index);
}

void pins_reset(void)
{
    for (size_t index = 0; index < WRAPPED; index++)
        wrapped[index].waits = false;
    for (size_t index = 0; index < PORTS; index++)
        change_masks[index] = 0;
    for (size_t index = 0; index < COMPARES; index++) {
        const struct port *port = port_of(compares[index].pin);
        int bit = (int)(compares[index].pin - port->first);
        latch[compares[index].pin] = false;
        avr_unconnect_irq(compare_irq(&compares[index]),
                          avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(port->name), bit));
    }
    for (size_t index = 0; index < PORTS; index++)
        tell_simulator(&ports[index]);
    for (unsigned pin = 0; pin < PINS; pin++)
        if (driven[pin])
            pin_drive(pin, driven_level[pin]);
    tell_changes();
}

void pins_attach(void)
{
    for (size_t index = 0; index < PORTS; index++) {
        uint32_t name = AVR_IOCTL_IOPORT_GETIRQ(ports[index].name);
        avr_irq_register_notify(avr_io_getirq(chip, name, IOPORT_IRQ_PIN_ALL), port_written, NULL);
        take_read(ports[index].pin, read_pins);
        take_write((uint16_t)(PCMSK0 + ports[index].change), write_change_mask);
        take_read((uint16_t)(PCMSK0 + ports[index].change), read_change_mask);
    }
    for (size_t index = 0; index < COMPARES; index++)
        avr_irq_register_notify(compare_irq(&compares[index]), matched, (void *)&compares[index]);
    take_write(TCCR1C, write_force);
    wrap();
}
