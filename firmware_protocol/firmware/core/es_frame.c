#include "es_frame.h"

#include "es_crc.h"
#include "es_port.h"
#include "es_wire.h"

void es_seal_begin(es_sealing *s, uint8_t *buffer, uint8_t length)
{
    const uint8_t kind = buffer[ES_PAYLOAD];
    s->buffer = buffer;
    s->wide = kind == ES_SAMPLES || kind == ES_EDGES;
    s->payload_end = (uint8_t)(ES_PAYLOAD + length);
    s->end = (uint8_t)(s->payload_end + (s->wide ? ES_CRC32_BYTES : ES_CRC16_BYTES));
    s->at = ES_PAYLOAD;
    s->code = 0;
    s->crc = s->wide ? ES_CRC32_BEGIN : ES_CRC16_BEGIN;
}

/* A zero in the body becomes the distance to the next one. */
static inline uint8_t stuffed(uint8_t *buffer, uint8_t at, uint8_t code)
{
    if (buffer[at] != 0)
        return code;
    buffer[code] = (uint8_t)(at - code);
    return at;
}

bool es_seal_step(es_sealing *s, uint8_t bytes)
{
    uint8_t *const buffer = s->buffer;
    uint8_t at = s->at, code = s->code;
    if (at < s->payload_end) {
        const uint8_t left = (uint8_t)(s->payload_end - at);
        const uint8_t end = (uint8_t)(at + (bytes < left ? bytes : left));
        uint32_t crc = s->crc;
        if (s->wide) {
            for (; at != end; at++) {
                crc = es_crc32_byte(crc, buffer[at]);
                code = stuffed(buffer, at, code);
                es_port_feed_line();
            }
        } else {
            for (; at != end; at++) {
                crc = es_crc16_byte((uint16_t)crc, buffer[at]);
                code = stuffed(buffer, at, code);
            }
        }
        s->crc = crc;
        if (at == s->payload_end) {
            if (s->wide)
                es_put32(buffer + at, ~crc);
            else
                es_put16(buffer + at, (uint16_t)crc);
        }
    } else {
        for (; at != s->end; at++)
            code = stuffed(buffer, at, code);
        buffer[code] = (uint8_t)(at - code);
        buffer[at] = 0;
    }
    s->at = at;
    s->code = code;
    return at == s->end;
}

uint16_t es_sealed_bytes(const es_sealing *s)
{
    return (uint16_t)(s->end + 1);
}
