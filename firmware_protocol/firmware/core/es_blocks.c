#include "es_blocks.h"

#include "es_count.h"

es_block es_blocks[ES_BLOCKS];
es_filling es_fill;

static uint8_t taking, releasing; /* indices: the next block for the line, and the one that it is done with next */
static uint8_t taken;             /* by the line, and not released */

static void begin_block(void)
{
    es_block *block = &es_blocks[es_fill.writing];
    es_fill.scans_left = es_fill.block_scans;
    es_fill.in_group = 0;
    es_fill.test_at_block = es_fill.test_count;
    if (block->full) {
        es_fill.at = 0;
    } else {
        es_fill.at = block->bytes + ES_PAYLOAD + ES_SAMPLES_BYTES;
        block->tick = es_fill.tick;
    }
}

void es_blocks_begin(uint8_t inputs, uint8_t block_scans, uint32_t tick, uint32_t scan_ticks, bool counting)
{
    for (uint8_t i = 0; i < ES_BLOCKS; i++)
        es_blocks[i].full = false;
    taking = releasing = taken = 0;
    es_fill.writing = 0;
    es_fill.inputs = inputs;
    es_fill.block_scans = block_scans;
    es_fill.counting = counting;
    es_fill.test_count = 0;
    es_fill.tick = tick;
    es_fill.scan_ticks = scan_ticks;
    es_fill.dropped = 0;
    begin_block();
}

/* Zeros up to the end of the last group, so that one block has one coding. */
static void fill_group(void)
{
    if (es_fill.in_group == 0)
        return;
    uint8_t gathered = es_fill.high;
    for (uint8_t i = es_fill.in_group; i < 4; i++) {
        *es_fill.at++ = 0;
        gathered >>= 2;
    }
    *es_fill.at++ = gathered;
}

static void hand_on(uint8_t scans)
{
    if (!es_fill.at) {
        es_count_up(&es_fill.dropped);
        return;
    }
    es_block *block = &es_blocks[es_fill.writing];
    fill_group();
    block->scans = scans;
    block->full = true;
    es_fill.writing = (es_fill.writing + 1) & (ES_BLOCKS - 1);
}

/* Adds one count to the group; a group is four low bytes, then their high bits, the first count's lowest. */
static inline uint8_t *put_count(uint8_t *to, uint8_t low, uint8_t high)
{
    *to++ = low;
    uint8_t gathered = es_fill.high >> 2;
    if (high & 1)
        gathered |= 0x40; /* bit by bit: an AVR would multiply for `high << 6` */
    if (high & 2)
        gathered |= 0x80;
    es_fill.high = gathered;
    if (++es_fill.in_group == 4) {
        es_fill.in_group = 0;
        *to++ = gathered;
    }
    return to;
}

/* A scan of four is a group of its own: no bookkeeping. */
static inline uint8_t *put_group(uint8_t *to, const uint8_t *ring, uint8_t at, uint8_t mask)
{
    uint8_t gathered = 0;
    for (uint8_t i = 0; i < 4; i++) {
        const uint8_t high = ring[at + 1];
        *to++ = ring[at];
        gathered >>= 2;
        if (high & 1)
            gathered |= 0x40;
        if (high & 2)
            gathered |= 0x80;
        at = (at + 2) & mask;
    }
    *to++ = gathered;
    return to;
}

static uint8_t *put_test_scan(uint8_t *to)
{
    for (uint8_t i = 0; i < es_fill.inputs; i++) {
        const uint16_t count = (uint16_t)(es_fill.test_count + i);
        to = put_count(to, (uint8_t)count, (uint8_t)(count >> 8));
    }
    return to;
}

void es_blocks_put_scan(const uint8_t *ring, uint8_t at, uint8_t mask)
{
    uint8_t *to = es_fill.at;
    if (to) {
        if (es_fill.counting) {
            to = put_test_scan(to);
        } else if (es_fill.inputs == 4) {
            to = put_group(to, ring, at, mask);
        } else {
            for (uint8_t i = 0; i < es_fill.inputs; i++, at = (at + 2) & mask)
                to = put_count(to, ring[at], ring[at + 1]);
        }
        es_fill.at = to;
    }
    es_fill.test_count = (uint16_t)(es_fill.test_count + es_fill.inputs);
    if (--es_fill.scans_left)
        return;
    hand_on(es_fill.block_scans);
    es_fill.tick += es_fill.block_scans * es_fill.scan_ticks;
    begin_block();
}

void es_blocks_tear(uint16_t scans)
{
    es_count_up(&es_fill.dropped);
    scans = (uint16_t)(scans + (es_fill.block_scans - es_fill.scans_left));
    es_fill.tick += scans * es_fill.scan_ticks;
    es_fill.test_count = (uint16_t)(es_fill.test_at_block + scans * es_fill.inputs);
    begin_block();
}

void es_blocks_end(void)
{
    if (es_fill.scans_left != es_fill.block_scans)
        hand_on((uint8_t)(es_fill.block_scans - es_fill.scans_left));
    es_fill.at = 0;
}

es_block *es_blocks_take(void)
{
    es_block *block = &es_blocks[taking];
    /* The next to be taken may be one that the line still has, once round. */
    if (!block->full || (taking == releasing && taken))
        return 0;
    taking = (taking + 1) & (ES_BLOCKS - 1);
    taken++;
    return block;
}

void es_blocks_release(void)
{
    es_blocks[releasing].full = false;
    releasing = (releasing + 1) & (ES_BLOCKS - 1);
    taken--;
}

bool es_blocks_are_out(void)
{
    return !taken && !es_blocks[taking].full;
}
