/* The ring of sample blocks between the converter and the line.
 *
 * Whole blocks or none: one that finds no free buffer, or that lost scans tear, is dropped and counted. */
#ifndef ES_BLOCKS_H
#define ES_BLOCKS_H

#include <stdbool.h>
#include <stdint.h>

#include "es_frame.h"
#include "es_wire.h"

#define ES_BLOCKS 4 /* a power of two */
#define ES_COUNTS_ROOM ((ES_LONGEST_BODY - ES_CRC32_BYTES - ES_SAMPLES_BYTES) / 5u * 4u)

typedef struct {
    uint8_t bytes[ES_BUFFER_BYTES(ES_LONGEST_BODY - ES_CRC32_BYTES)];
    uint32_t tick;      /* of its first scan's first input */
    uint8_t scans;      /* in it */
    bool full;          /* filled by the converter, emptied by the line */
} es_block;

/* What is needed from one count to the next. */
typedef struct {
    uint8_t *at;      /* where the next byte goes; 0 while a block is dropped */
    uint8_t high;     /* the high bits of the group so far */
    uint8_t in_group; /* counts in the group so far, 0 to 3 */
    uint8_t scans_left;
    uint8_t writing; /* index of the block that is being filled */
    uint8_t inputs;
    uint8_t block_scans;
    bool counting;
    uint16_t test_count;
    uint16_t test_at_block; /* what it was when the block began */
    uint32_t tick;          /* at which the block began */
    uint32_t scan_ticks;
    uint32_t dropped;
} es_filling;

extern es_block es_blocks[ES_BLOCKS];
extern es_filling es_fill;

/* Empty the ring for a run whose first scan begins at `tick`. */
void es_blocks_begin(uint8_t inputs, uint8_t block_scans, uint32_t tick, uint32_t scan_ticks, bool counting);

/* One scan: the low and the high byte of each input's 10-bit count, from ring[at] on; at wraps round by `mask`. */
void es_blocks_put_scan(const uint8_t *ring, uint8_t at, uint8_t mask);

/* `scans` scans are missing before the next one, so that the block in progress cannot be whole: drop it. */
void es_blocks_tear(uint16_t scans);

/* The run is over: what there is of the last block is handed on. */
void es_blocks_end(void);

/* The oldest full block that was not taken yet, or 0. */
es_block *es_blocks_take(void);

/* The line is done with the oldest of those taken. */
void es_blocks_release(void);

/* Whether the line is done with every block. */
bool es_blocks_are_out(void);

#endif
