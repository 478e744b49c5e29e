/* Levels of the pins: what the chip drives, what the bench drives, and what a pull-up makes of the rest.
 *
 * Owns the registers PINB, PINC and PIND as they are read, and the latches of the compare outputs. Out: `pin` events for
 * pins that the bench does not drive. Two faults of simavr 1.6 are put right here: a pull-up overrides a pin that is
 * driven low from outside, and a compare output writes the port's register, where the chip leaves it alone, so that a
 * pin that is taken from the timer would keep its last level. */
#include "bench.h"

#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>

struct port { char name; uint16_t pin, ddr, out; unsigned first, count; };
static const struct port ports[] = {
    { 'D', PIND, DDRD, PORTD, 0, 8 },
    { 'B', PINB, DDRB, PORTB, 8, 6 },
    { 'C', PINC, DDRC, PORTC, 14, 6 },
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

static bool latch[PINS], told[PINS], driven[PINS], driven_level[PINS];

static const struct port *port_of(unsigned pin)
{
    return pin < 8 ? &ports[0] : pin < 14 ? &ports[1] : &ports[2];
}

static unsigned mode_of(const struct compare *compare)
{
    return chip->data[compare->control] >> compare->shift & 3;
}

static bool level_of(unsigned pin)
{
    const struct port *port = port_of(pin);
    uint8_t mask = (uint8_t)(1u << (pin - port->first));
    if (!(chip->data[port->ddr] & mask))
        return driven[pin] ? driven_level[pin] : chip->data[port->out] & mask;
    for (size_t index = 0; index < COMPARES; index++)
        if (compares[index].pin == pin && mode_of(&compares[index]))
            return latch[pin];
    return chip->data[port->out] & mask;
}

static void tell_changes(void)
{
    for (unsigned pin = 2; pin < PINS; pin++) {
        bool level = level_of(pin);
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
    /* In the plain modes 1 toggles; in the others the simulator says which level it is. */
    latch[compare->pin] = mode == 1 ? !latch[compare->pin] : value & 1;
    tell_changes();
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
}

static avr_irq_t *compare_irq(const struct compare *compare)
{
    int index = TIMER_IRQ_OUT_COMP + (int)compare->channel;
    return avr_io_getirq(chip, AVR_IOCTL_TIMER_GETIRQ(compare->timer), index);
}

void pins_reset(void)
{
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
    }
    for (size_t index = 0; index < COMPARES; index++)
        avr_irq_register_notify(compare_irq(&compares[index]), matched, (void *)&compares[index]);
    take_write(TCCR1C, write_force);
}
