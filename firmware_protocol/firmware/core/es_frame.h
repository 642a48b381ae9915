/* A frame in its buffer: payload, then CRC, then COBS, all in place and a few bytes at a time. */
#ifndef ES_FRAME_H
#define ES_FRAME_H

#include <stdbool.h>
#include <stdint.h>

/* Where the payload begins in a buffer: COBS puts its one extra byte in front. */
#define ES_PAYLOAD 1
/* Bytes of a buffer for a payload of so many bytes: code, payload, widest CRC, delimiter. */
#define ES_BUFFER_BYTES(payload) (ES_PAYLOAD + (payload) + 4 + 1)

typedef struct {
    uint8_t *buffer;
    uint8_t payload_end; /* index behind its last byte */
    uint8_t end;         /* behind the CRC's */
    uint8_t at;          /* next byte to be worked on */
    uint8_t code;        /* COBS: where the distance to the next zero belongs */
    bool wide;           /* CRC-32 */
    uint32_t crc;
} es_sealing;

/* Begin to seal `length` bytes of payload, 1 to 250 of samples and edges, 252 of others, at buffer + ES_PAYLOAD. */
void es_seal_begin(es_sealing *sealing, uint8_t *buffer, uint8_t length);

/* Work on, `bytes` bytes at most; true once the frame stands whole, delimiter included.
 * In steps, since whoever feeds the line must come back to it before it runs dry. */
bool es_seal_step(es_sealing *sealing, uint8_t bytes);

/* Bytes of the whole frame, delimiter included, once es_seal_step said so: 4 to 256. */
uint16_t es_sealed_bytes(const es_sealing *sealing);

#endif
