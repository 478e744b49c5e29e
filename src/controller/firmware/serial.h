/* The serial port: bytes out through a ring that interrupts empty, bytes in through one that they fill. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdint.h>

void serial_start(void);

/* Puts a byte in line. Waits where the ring is full, doing meanwhile what cannot wait. */
void serial_put(uint8_t byte);

/* The next byte that came; -1: none. */
int16_t serial_get(void);

/* Bytes were lost since this was last asked: the line that they were in is not to be trusted. */
uint8_t serial_lost(void);

#endif
