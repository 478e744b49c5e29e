/* The other end of the serial line.
 *
 * Owns the bytes on their way to the chip, one after the other without a pause at the speed that the chip's registers
 * say, and the line that comes from it. In: bytes. Out: bytes into the serial port, `serial` events, bytes to the
 * pseudo-terminal. */
#include "bench.h"

#include <stdlib.h>
#include <string.h>

#define LINE_MOST 4096u

static uint8_t *queue;
static size_t queue_at, queue_end, queue_room;
static uint64_t garbage_state;
static size_t garbage_left;
static struct alarm start_bit, stop_bit;
static uint8_t on_the_way;
static bool sending;
static uint8_t line[LINE_MOST];
static size_t line_length;

static bool next_byte(uint8_t *byte)
{
    if (queue_at < queue_end) {
        *byte = queue[queue_at++];
        return true;
    }
    queue_at = queue_end = 0;
    if (garbage_left == 0)
        return false;
    garbage_left--;
    *byte = (uint8_t)(random_next(&garbage_state) >> 32);
    return true;
}

/* A chip that has not set its speed yet has one of 1,000,000 in its registers; it does not listen either. */
static uint64_t bit(void)
{
    return uart_bit_cycles();
}

static void begin(struct alarm *alarm)
{
    sending = next_byte(&on_the_way);
    if (!sending)
        return;
    uart_start_bit();
    /* A frame is taken in the middle of its stop bit, and the next one may begin half a bit later. */
    stop_bit.when = alarm->when + bit() * 19 / 2;
    alarm_set(&stop_bit, stop_bit.when);
}

static void finish(struct alarm *alarm)
{
    uart_take(on_the_way);
    alarm_set(&start_bit, alarm->when + bit() / 2);
}

static void go_on(void)
{
    if (!sending && !start_bit.set)
        alarm_set(&start_bit, now() + 1);
}

void host_send(const uint8_t *bytes, size_t count)
{
    if (queue_end + count > queue_room) {
        queue_room = (queue_end + count) * 2;
        queue = realloc(queue, queue_room);
        if (!queue)
            fail("no memory left for what is to be sent");
    }
    memcpy(queue + queue_end, bytes, count);
    queue_end += count;
    go_on();
}

void host_garbage(uint64_t seed, size_t count)
{
    garbage_state = random_seed(seed);
    garbage_left = count;
    go_on();
}

size_t host_waiting(void)
{
    return queue_end - queue_at + garbage_left;
}

void host_take(uint8_t byte)
{
    if (pty_is_open)
        pty_byte(byte);
    if (byte != '\n' && line_length < LINE_MOST) {
        line[line_length++] = byte;
        return;
    }
    tell_serial(line, line_length);
    line_length = 0;
}

void host_attach(void)
{
    start_bit.fire = begin;
    stop_bit.fire = finish;
}
