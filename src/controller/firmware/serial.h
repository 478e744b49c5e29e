/* The serial port: bytes out through a ring that interrupts empty, bytes in through one that they fill. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdint.h>

void serial_start(void);

/* Puts a byte in line. Waits where the ring is full, doing meanwhile what cannot wait. */
void serial_put(uint8_t byte);

/* Stands in place of a byte beside which others were lost: it makes its line one that nobody takes. */
#define SERIAL_LOST 0xFFu

/* The next byte that came; -1: none. */
int16_t serial_get(void);

#endif
