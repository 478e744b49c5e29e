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

ISR(USART_UDRE_vect)
{
    uint8_t first = out_first;
    UDR0 = out[first++];
    out_first = first;
    if (first == out_next) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

/* Lost bytes leave their mark in the very line that lost them: a checksum alone would let one in 65,536 through. */
ISR(USART_RX_vect)
{
    uint8_t bad = UCSR0A & (_BV(FE0) | _BV(DOR0));
    uint8_t byte = UDR0;
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
    UCSR0A = _BV(U2X0);
    UBRR0 = SERIAL_DIVIDER;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
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
    UCSR0B |= _BV(UDRIE0);
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
