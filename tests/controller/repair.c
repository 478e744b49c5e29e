/* Faults of simavr 1.6 around interrupts, put right through its own tables.
 *
 * Owns the flag and mask registers of timers, external and pin-change interrupts, and what entering an interrupt costs.
 *  - A flag is cleared by writing one to it, and no other flag is (there: any write to TIFR clears all of them, EIFR
 *    cannot be cleared). SBI and CBI touch only their bit, as the data sheet says of this chip.
 *  - An interrupt whose flag was set while it was masked is taken once it is unmasked (there: lost).
 *  - Entering one takes four cycles, eight from sleep (there: none). The jump in the vector table is an instruction and
 *    costs its three by itself. */
#include "bench.h"

#include <string.h>

static bool slept;

void take_write(uint16_t address, register_write write)
{
    /* Past avr_register_io_write, which would call the simulator's own peripheral as well. */
    chip->io[AVR_DATA_TO_IO(address)].w.c = write;
    chip->io[AVR_DATA_TO_IO(address)].w.param = NULL;
}

void take_read(uint16_t address, register_read read)
{
    chip->io[AVR_DATA_TO_IO(address)].r.c = read;
    chip->io[AVR_DATA_TO_IO(address)].r.param = NULL;
}

void vector_prepare(avr_int_vector_t *vector, uint8_t number, uint16_t enable_register, uint8_t enable_bit)
{
    memset(vector, 0, sizeof *vector);
    vector->vector = number;
    vector->enable = (avr_regbit_t)AVR_IO_REGBIT(enable_register, enable_bit);
    avr_register_vector(chip, vector);
}

/* The bits that the running instruction means to write: one for SBI, else all of `value`. */
static uint8_t meant(avr_t *avr, uint8_t value)
{
    uint16_t instruction = avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8;
    if ((instruction & 0xFF00) == 0x9A00)
        return value & 1u << (instruction & 7);
    return value;
}

static void write_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    uint8_t clear = meant(avr, value);
    for (int index = 0; index < avr->interrupts.vector_count; index++) {
        avr_int_vector_t *vector = avr->interrupts.vector[index];
        if (vector->raised.reg == address && clear & 1u << vector->raised.bit)
            avr_clear_interrupt(avr, vector);
    }
    avr->data[address] &= ~clear;
}

static void write_mask(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
    for (int index = 0; index < avr->interrupts.vector_count; index++) {
        avr_int_vector_t *vector = avr->interrupts.vector[index];
        if (vector->enable.reg != address || !vector->raised.reg || vector->pending)
            continue;
        if (avr_regbit_get(avr, vector->enable) && avr_regbit_get(avr, vector->raised))
            avr_raise_interrupt(avr, vector);
    }
}

static void entered(struct avr_irq_t *irq, uint32_t vector, void *param)
{
    /* Leaving a nested interrupt tells the outer one again, but with interrupts on. */
    if (!vector || chip->sreg[S_I])
        return;
    uint32_t cost = slept ? 8 : 4;
    slept = false;
    chip->cycle += cost;
    /* The instructions until the next timer is due are counted down apart from the clock. */
    chip->run_cycle_count -= chip->run_cycle_count < cost ? chip->run_cycle_count : cost;
}

void repair_note_sleep(void)
{
    slept = true;
}

void repair_interrupts(void)
{
    static const uint16_t flags[] = { TIFR0, TIFR1, TIFR2, EIFR, PCIFR };
    static const uint16_t masks[] = { TIMSK0, TIMSK1, TIMSK2, EIMSK, PCICR };
    for (size_t index = 0; index < sizeof flags / sizeof *flags; index++)
        take_write(flags[index], write_flags);
    for (size_t index = 0; index < sizeof masks / sizeof *masks; index++)
        take_write(masks[index], write_mask);
    avr_irq_register_notify(chip->interrupts.irq + AVR_INT_IRQ_RUNNING, entered, NULL);
}
