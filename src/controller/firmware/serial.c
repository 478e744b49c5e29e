/* The serial port's interrupts and rings. */
#include "serial.h"

#include <avr/interrupt.h>
#include <avr/sleep.h>

#include "board.h"
#include "command.h"

/* Holds most of a reading, so that the main loop goes on while it is sent. Its indices wrap by themselves. */
static uint8_t out[256];
static volatile uint8_t out_first;
static volatile uint8_t out_next;

/* Holds a command line and a third: 2.5 ms at 500,000 baud. A power of two. */
#define IN_SIZE 128u
static uint8_t in[IN_SIZE];
static volatile uint8_t in_first;
static volatile uint8_t in_next;

ISR(SERIAL_ROOM_VECTOR)
{
    uint8_t first = out_first;
    SERIAL_DATA = out[first++];
    out_first = first;
    if (first == out_next) {
        SERIAL_ROOM_OFF();
    }
}

/* Lost bytes leave their mark in the very line that lost them: a checksum alone would let one in 65,536 through. */
ISR(SERIAL_CAME_VECTOR)
{
    uint8_t bad = SERIAL_SPOILT();
    uint8_t byte = SERIAL_DATA;
    uint8_t next = in_next;
    uint8_t after = (next + 1u) % IN_SIZE;
    if (after == in_first) {
        in[(next - 1u) % IN_SIZE] = SERIAL_LOST;
        return;
    }
    in[next] = bad ? SERIAL_LOST : byte;
    in_next = after;
}

void serial_start(void)
{
    SERIAL_START();
}

void serial_put(uint8_t byte)
{
    uint8_t after = out_next + 1u;
    while (after == out_first) {
        command_poll();
        sleep_mode();
    }
    out[out_next] = byte;
    cli();
    out_next = after;
    SERIAL_ROOM_ON();
    sei();
}

int16_t serial_get(void)
{
    uint8_t first = in_first;
    if (first == in_next) {
        return -1;
    }
    uint8_t byte = in[first];
    in_first = (first + 1u) % IN_SIZE;
    return byte;
}
