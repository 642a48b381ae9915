/* Constants that stay in flash where data and program have separate memories. */
#ifndef ES_FLASH_H
#define ES_FLASH_H

#ifdef __AVR__
#include <avr/pgmspace.h>
#define ES_IN_FLASH PROGMEM
#define ES_FLASH8(address) pgm_read_byte(address)
#define ES_FLASH32(address) pgm_read_dword(address)
#else
#define ES_IN_FLASH
#define ES_FLASH8(address) (*(const unsigned char *)(address))
#define ES_FLASH32(address) (*(const uint32_t *)(address))
#endif

#endif
