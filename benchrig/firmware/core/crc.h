/* CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor. */
#ifndef BENCHRIG_CRC_H
#define BENCHRIG_CRC_H

#include <stdint.h>

#include "rom.h"

#define CRC_INITIAL 0xFFFFu

#ifdef __AVR__
#include <util/crc16.h>

INLINE uint16_t crc_byte(uint16_t crc, uint8_t byte)
{
    return _crc_xmodem_update(crc, byte); /* the same polynomial, in twenty cycles */
}
#else
/* One byte, without a table: eight shifts folded into four by the polynomial's shape. */
INLINE uint16_t crc_byte(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)((crc >> 8) | (crc << 8));
    crc ^= byte;
    crc ^= (uint8_t)((uint8_t)crc >> 4);
    crc ^= (uint16_t)(crc << 12);
    crc ^= (uint16_t)((crc & 0xFFu) << 5);
    return crc;
}
#endif

#endif
