/* CRC-16/IBM-3740: polynomial 0x1021, begins with 0xFFFF, not reflected. The library's "xmodem" step is the same one. */
#ifndef CHECKSUM_H
#define CHECKSUM_H

#include <stdint.h>
#include <util/crc16.h>

#define CHECKSUM_START 0xFFFFu

static inline uint16_t checksum_add(uint16_t sum, uint8_t byte)
{
    return _crc_xmodem_update(sum, byte);
}

#endif
