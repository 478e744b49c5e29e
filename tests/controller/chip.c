/* The chip: loading, running, resetting, and what is measured of it.
 *
 * Owns the simulator's instance, its clock over resets, the paint on the unused RAM, the time asleep. Between two runs it
 * does what must not be done within one: resets, and stopping the firmware's main loop. */
#include "bench.h"

#include <fcntl.h>
#include <gelf.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/sim_elf.h>

#define PAINT 0xA5u
#define RAM_IN_ELF 0x800000u
#define JUMP_TO_ITSELF 0xCFFFu

avr_t *chip;

static const char *file;
static uint64_t before_reset; /* cycles that the simulator's clock forgot */
static uint64_t asleep;
static uint16_t ram_end_of_data;
static enum cause asked;
static bool was_reset;
static bool stop_asked;
static struct { bool on; uint32_t at; uint8_t was[2]; } stopped;

uint64_t now(void)
{
    return before_reset + chip->cycle;
}

static bool find_symbol(Elf *elf, const char *name, uint64_t *value)
{
    Elf_Scn *section = NULL;
    while ((section = elf_nextscn(elf, section)) != NULL) {
        GElf_Shdr head;
        if (!gelf_getshdr(section, &head) || head.sh_type != SHT_SYMTAB)
            continue;
        Elf_Data *data = elf_getdata(section, NULL);
        for (size_t index = 0; index < head.sh_size / head.sh_entsize; index++) {
            GElf_Sym symbol;
            gelf_getsym(data, (int)index, &symbol);
            const char *found = elf_strptr(elf, head.sh_link, symbol.st_name);
            /* The optimiser puts a suffix after a dot behind names of single files. */
            size_t length = strlen(name);
            if (found && !strncmp(found, name, length) && (!found[length] || found[length] == '.')) {
                *value = symbol.st_value;
                return true;
            }
        }
    }
    return false;
}

/* Where in the RAM the symbol stands. */
static uint16_t address_of(const char *name)
{
    uint64_t value = 0;
    elf_version(EV_CURRENT);
    int descriptor = open(file, O_RDONLY);
    Elf *elf = elf_begin(descriptor, ELF_C_READ, NULL);
    bool found = elf && find_symbol(elf, name, &value);
    elf_end(elf);
    close(descriptor);
    if (!found || value < RAM_IN_ELF + RAM_START || value > RAM_IN_ELF + chip->ramend)
        fail("%s has no variable %s", file, name);
    return (uint16_t)(value - RAM_IN_ELF);
}

void chip_poke(const char *symbol, unsigned bytes, uint64_t value)
{
    uint16_t at = address_of(symbol);
    for (unsigned byte = 0; byte < bytes; byte++)
        chip->data[at + byte] = (uint8_t)(value >> 8 * byte);
}

uint64_t chip_peek(const char *symbol, unsigned bytes)
{
    uint16_t at = address_of(symbol);
    uint64_t value = 0;
    for (unsigned byte = 0; byte < bytes; byte++)
        value |= (uint64_t)chip->data[at + byte] << 8 * byte;
    return value;
}

/* What the cells hold after power comes on is chance; firmware that relies on them must show. */
static void shake_ram(void)
{
    static uint64_t state = 88172645463325252u;
    for (uint16_t at = RAM_START; at < ram_end_of_data; at++)
        chip->data[at] = (uint8_t)random_next(&state);
}

static void sleep_on(avr_t *avr, avr_cycle_count_t cycles)
{
    asleep += cycles + 1;
    repair_note_sleep();
}

static void noticed_reset(avr_io_t *io)
{
    was_reset = true;
}

static avr_io_t noticing = { .kind = "bench", .reset = noticed_reset };

static void quiet(avr_t *avr, const int level, const char *format, va_list values)
{
    /* The simulator comments on every reset; what ends a run is told by the bench itself. */
}

static uint8_t flag_of(enum cause cause)
{
    switch (cause) {
    case CAUSE_POWER: return PORF;
    case CAUSE_EXTERNAL: return EXTRF;
    case CAUSE_BROWN_OUT: return BORF;
    default: return WDRF;
    }
}

static const char *name_of(enum cause cause)
{
    switch (cause) {
    case CAUSE_POWER: return "power-on";
    case CAUSE_EXTERNAL: return "external";
    case CAUSE_BROWN_OUT: return "brown-out";
    default: return "watchdog";
    }
}

static void put_loop_back(void)
{
    if (stopped.on)
        memcpy(chip->flash + stopped.at, stopped.was, 2);
    stopped.on = false;
    stop_asked = false;
}

/* All that follows a reset of the simulator's own parts: flags, own parts, own timers. */
static void after_reset(enum cause cause, uint8_t flags_before)
{
    was_reset = false;
    put_loop_back();
    /* Flags stay until the firmware clears them; power alone clears the others. */
    chip->data[MCUSR] = (cause == CAUSE_POWER ? 0 : flags_before) | flag_of(cause);
    if (cause == CAUSE_POWER)
        shake_ram();
    alarm_rearm();
    uart_reset();
    converter_reset();
    pins_reset();
    if (cause == CAUSE_WATCHDOG) {
        /* After such a reset the watchdog runs on, at its shortest time. */
        register_write write = chip->io[AVR_DATA_TO_IO(WDTCSR)].w.c;
        write(chip, WDTCSR, WDCE | WDE, chip->io[AVR_DATA_TO_IO(WDTCSR)].w.param);
    }
    tell("reset\t%s", name_of(cause));
}

static void reset_for(enum cause cause)
{
    uint8_t flags = chip->data[MCUSR];
    uint64_t cycle = chip->cycle;
    avr_reset(chip);
    before_reset += chip->cycle < cycle ? cycle - chip->cycle : 0;
    after_reset(cause, flags);
}

void chip_start(const char *elf)
{
    static elf_firmware_t firmware;
    file = elf;
    avr_global_logger_set(quiet);
    if (elf_read_firmware(elf, &firmware) != 0)
        fail("%s is no firmware that can be read", elf);
    chip = avr_make_mcu_by_name("atmega328p");
    if (!chip)
        fail("the simulator does not know the ATmega328P");
    avr_init(chip);
    avr_load_firmware(chip, &firmware);
    chip->frequency = CLOCK_HZ;
    chip->sleep = sleep_on;
    avr_register_io(chip, &noticing);
    ram_end_of_data = address_of("_end");
    memset(chip->data + ram_end_of_data, PAINT, chip->ramend + 1u - ram_end_of_data);
    repair_interrupts();
    uart_attach();
    host_attach();
    converter_attach();
    pins_attach();
    stimulus_attach();
    reset_for(CAUSE_POWER);
}

static void nothing(struct alarm *alarm)
{
}

void chip_ask_reset(enum cause cause)
{
    /* A chip that sleeps would do so until something else is due. */
    static struct alarm wake = { .fire = nothing };
    alarm_set(&wake, now() + 1);
    asked = cause;
}

void chip_stop_loop(void)
{
    stop_asked = true;
}

/* The main loop jumps to where it is, for ever; interrupts go on. Not while one runs, or that one would stop. */
static void stop_loop_if_asked(void)
{
    if (!stop_asked || chip->interrupts.running_ptr > 0 || chip->state != cpu_Running)
        return;
    stop_asked = false;
    stopped.on = true;
    stopped.at = chip->pc;
    memcpy(stopped.was, chip->flash + chip->pc, 2);
    chip->flash[chip->pc] = JUMP_TO_ITSELF & 0xFF;
    chip->flash[chip->pc + 1] = JUMP_TO_ITSELF >> 8;
}

bool chip_run(void)
{
    uint64_t cycle = chip->cycle;
    uint8_t flags = chip->data[MCUSR];
    int state = avr_run(chip);
    if (was_reset) {
        before_reset += chip->cycle < cycle ? cycle - chip->cycle : 0;
        after_reset(CAUSE_WATCHDOG, flags);
    }
    if (asked != CAUSE_NONE) {
        enum cause cause = asked;
        asked = CAUSE_NONE;
        reset_for(cause);
    }
    stop_loop_if_asked();
    if (state == cpu_Done || state == cpu_Crashed) {
        tell("fault\tthe firmware %s at %04x", state == cpu_Done ? "sleeps with interrupts off" : "crashed", chip->pc);
        return false;
    }
    return true;
}

unsigned chip_busy_permille(void)
{
    uint64_t all = now();
    return all ? (unsigned)((all - asleep) * 1000 / all) : 0;
}

unsigned chip_stack_bytes(void)
{
    uint16_t at = ram_end_of_data;
    while (at < chip->ramend && chip->data[at] == PAINT)
        at++;
    return chip->ramend + 1u - at;
}
