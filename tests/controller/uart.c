/* The chip's serial port, after chapter 19 (USART0) of the ATmega328P data sheet.
 *
 * Owns UDR0, UCSR0A, UCSR0B and the three vectors. Frames of 10 bits whose length follows UBRR0 and U2X0 as they are when
 * a frame begins; a transmit buffer beside the shift register (UDRE, TXC); two received bytes and a third that waits in
 * the shift register: one more start bit then is an overrun (DOR, event `overrun`). Frame errors, parity, nine bits, the
 * synchronous modes and multi-processor mode are not there. */
#include "bench.h"

static avr_int_vector_t on_receive, on_empty, on_sent;
static struct alarm frame_sent, ask_again;
static uint8_t shift, buffer, received[2], third;
static bool shifting, buffered, third_waits, overrun, complete;
static unsigned held;

uint32_t uart_bit_cycles(void)
{
    uint32_t divisor = (chip->data[UBRR0H] & 0x0F) << 8 | chip->data[UBRR0L];
    return (divisor + 1) * (chip->data[UCSR0A] & U2X ? 8 : 16);
}

bool uart_receives(void)
{
    return chip->data[UCSR0B] & RXEN;
}

/* The interrupt is wanted as long as its cause lasts; the simulator only knows a moment. */
static void want(avr_int_vector_t *vector, bool wanted)
{
    if (wanted && avr_regbit_get(chip, vector->enable)) {
        if (!vector->pending)
            avr_raise_interrupt(chip, vector);
    } else if (vector->pending) {
        avr_clear_interrupt(chip, vector);
    }
}

static void refresh(void)
{
    want(&on_receive, held > 0);
    want(&on_empty, !buffered && chip->data[UCSR0B] & TXEN);
    want(&on_sent, complete);
}

static void refresh_again(struct alarm *alarm)
{
    refresh();
}

static void served(struct avr_irq_t *irq, uint32_t running, void *param)
{
    if (!running)
        return;
    if (param == &on_sent)
        complete = false;
    /* The simulator takes the request back only after this call, so the cause is looked at again a cycle later. */
    alarm_set(&ask_again, now() + 1);
}

static void begin_frame(uint8_t byte)
{
    shift = byte;
    shifting = true;
    alarm_set(&frame_sent, now() + 10u * uart_bit_cycles());
}

static void end_frame(struct alarm *alarm)
{
    host_take(shift);
    shifting = false;
    if (buffered) {
        buffered = false;
        shift = buffer;
        shifting = true;
        /* From when the frame ended, not from now: frames follow each other without a pause. */
        alarm_set(&frame_sent, alarm->when + 10u * uart_bit_cycles());
    } else {
        complete = true;
    }
    refresh();
}

static void write_data(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    if (!(avr->data[UCSR0B] & TXEN))
        return;
    if (!shifting) {
        begin_frame(value);
    } else if (!buffered) {
        buffer = value;
        buffered = true;
    }
    /* Else the byte is lost: what is written while UDRE is not set is ignored. */
    refresh();
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t address, void *param)
{
    uint8_t byte = received[0];
    if (held > 0) {
        received[0] = received[1];
        held--;
    }
    if (third_waits) {
        received[held++] = third;
        third_waits = false;
    }
    overrun = false;
    refresh();
    return byte;
}

static uint8_t read_status(avr_t *avr, avr_io_addr_t address, void *param)
{
    uint8_t status = avr->data[UCSR0A] & (U2X | MPCM);
    status |= held > 0 ? RXC : 0;
    status |= complete ? TXC : 0;
    status |= buffered ? 0 : UDRE;
    status |= overrun ? DOR : 0;
    return status;
}

static void write_status(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    if (value & TXC)
        complete = false;
    avr->data[UCSR0A] = value & (U2X | MPCM);
    refresh();
}

static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[UCSR0B] = value;
    if (!(value & RXEN)) {
        held = 0;
        third_waits = overrun = false;
    }
    refresh();
}

static void write_plain(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
}

void uart_start_bit(void)
{
    if (!third_waits)
        return;
    third_waits = false;
    overrun = true;
    tell("overrun");
}

void uart_take(uint8_t byte)
{
    if (!uart_receives())
        return;
    if (held < 2) {
        received[held++] = byte;
    } else {
        third = byte;
        third_waits = true;
    }
    refresh();
}

void uart_reset(void)
{
    alarm_clear(&frame_sent);
    alarm_clear(&ask_again);
    shifting = buffered = third_waits = overrun = complete = false;
    held = 0;
    chip->data[UCSR0A] = 0;
}

void uart_attach(void)
{
    frame_sent.fire = end_frame;
    ask_again.fire = refresh_again;
    vector_prepare(&on_receive, VECTOR_USART_RX, UCSR0B, RXCIE_BIT);
    vector_prepare(&on_empty, VECTOR_USART_UDRE, UCSR0B, UDRIE_BIT);
    vector_prepare(&on_sent, VECTOR_USART_TX, UCSR0B, TXCIE_BIT);
    avr_int_vector_t *all[] = { &on_receive, &on_empty, &on_sent };
    for (size_t index = 0; index < 3; index++)
        avr_irq_register_notify(all[index]->irq + AVR_INT_IRQ_RUNNING, served, all[index]);
    take_write(UDR0, write_data);
    take_read(UDR0, read_data);
    take_write(UCSR0A, write_status);
    take_read(UCSR0A, read_status);
    take_write(UCSR0B, write_control);
    take_write(UCSR0C, write_plain);
    take_write(UBRR0L, write_plain);
    take_write(UBRR0H, write_plain);
}
