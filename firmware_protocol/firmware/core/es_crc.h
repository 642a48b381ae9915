/* CRC-32/ISO-HDLC and CRC-16/MCRF4XX, a byte at a time. */
#ifndef ES_CRC_H
#define ES_CRC_H

#include <stdint.h>

#include "es_flash.h"

#define ES_CRC32_BEGIN 0xFFFFFFFFu
/* Over data and their own CRC the register then holds this (0x2144DF1C before the final inversion). */
#define ES_CRC32_GOOD 0xDEBB20E3u
#define ES_CRC16_BEGIN 0xFFFFu
#define ES_CRC16_GOOD 0x0000u

extern const uint32_t es_crc32_table[256] ES_IN_FLASH;

/* The register after one more byte. CRC-32 is the register inverted, once all bytes are in. */
static inline uint32_t es_crc32_byte(uint32_t crc, uint8_t byte)
{
    return ES_FLASH32(&es_crc32_table[(uint8_t)crc ^ byte]) ^ crc >> 8;
}

/* The register after one more byte; it is the CRC. */
static inline uint16_t es_crc16_byte(uint16_t crc, uint8_t byte)
{
    uint8_t mixed = (uint8_t)(byte ^ (uint8_t)crc);
    mixed ^= (uint8_t)(mixed << 4);
    return (uint16_t)(((uint16_t)mixed << 8 | crc >> 8) ^ (uint8_t)(mixed >> 4) ^ (uint16_t)mixed << 3);
}

#endif
