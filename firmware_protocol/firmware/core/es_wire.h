/* What is on the wire: kinds, sizes and limits. SPEC.md has the words, this file the numbers. */
#ifndef ES_WIRE_H
#define ES_WIRE_H

#include <stdint.h>

#define ES_PROTOCOL_VERSION 1

enum es_kind {
    ES_HELLO = 0x01,
    ES_SAMPLES = 0x02,
    ES_EDGES = 0x03,
    ES_COUNTERS = 0x04,
    ES_LOG = 0x05,
    ES_ACK = 0x06,
    ES_IDENTIFY = 0x81,
    ES_START = 0x82,
    ES_STOP = 0x83,
    ES_PING = 0x84,
};

enum es_status {
    ES_DONE = 0,
    ES_UNKNOWN_COMMAND = 1,
    ES_BAD_LENGTH = 2,
    ES_RATE_NOT_POSSIBLE = 3,
    ES_NO_SUCH_INPUT = 4,
    ES_NOT_NOW = 5,
    ES_BAD_VALUE = 6,
};

/* Payload and CRC together: up to here COBS adds exactly one byte. */
#define ES_LONGEST_BODY 254
#define ES_LONGEST_CODED (ES_LONGEST_BODY + 1)
#define ES_CRC16_BYTES 2
#define ES_CRC32_BYTES 4

/* The fixed parts of payloads, kind byte included. */
#define ES_HELLO_BYTES 32
#define ES_SAMPLES_BYTES 20
#define ES_EDGES_BYTES 11
#define ES_EDGE_BYTES 5
#define ES_COUNTERS_BYTES 22
#define ES_ACK_BYTES 9
#define ES_COMMAND_BYTES 3
#define ES_START_BYTES 11

#define ES_COUNTING 0x80       /* in a samples frame's format byte */
#define ES_RISING 0x80         /* in an edge's input byte */
#define ES_START_COUNTING 0x01 /* in start's flags */

/* Numbers are little-endian, whatever the machine is. Each returns the place behind what it wrote. */
static inline uint8_t *es_put16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    return at + 2;
}

static inline uint8_t *es_put32(uint8_t *at, uint32_t value)
{
    return es_put16(es_put16(at, (uint16_t)value), (uint16_t)(value >> 16));
}

static inline uint16_t es_get16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

static inline uint32_t es_get32(const uint8_t *at)
{
    return es_get16(at) | (uint32_t)es_get16(at + 2) << 16;
}

#endif
