/* What the core's parts cost an ATmega328P: each write to OCR2B marks a cycle, which the simulated board tells.
 *
 * Marks, in order: 0 to 1 nothing; to 2 a loop over BYTES bytes; to 3 the same with CRC-16; to 4 the same with CRC-32;
 * to 5 preparing a block, to 6 packing its scans of four inputs, to 7 preparing its frame, to 8 sealing that. */
#include <avr/io.h>
#include <avr/sleep.h>

#include "../core/es_blocks.h"
#include "../core/es_board.h"
#include "../core/es_crc.h"
#include "../core/es_port.h"

#define BYTES 250 /* payload of a full block; who reads the marks divides by it */
#define SCANS 46

static const uint32_t rates_hz[] = {10000};
static const char *const names[] = {"A0", "A1", "A2", "A3", "D8"};
const es_board_facts es_facts = {.board = "costs", .firmware = "1.0.0", .clock_hz = 2000000, .reference_mv = 5000,
                                 .adc_bits = 10, .analog_inputs = 4, .edge_inputs = 1, .rates = 1,
                                 .rates_hz = rates_hz, .inputs = names, .baud = 0};

uint32_t es_port_ticks(void) { return 0; }
uint32_t es_port_edges_until(uint8_t *waiting) { *waiting = 0; return 0; }
void es_port_start(uint32_t rate_hz, uint16_t mask, uint8_t block_scans, bool counting)
{
    (void)rate_hz, (void)mask, (void)block_scans, (void)counting;
}
void es_port_stop(void) {}
uint32_t es_port_scan_ticks(uint32_t rate_hz) { return 2000000 / rate_hz; }
uint16_t es_port_skew_ticks(uint32_t rate_hz) { return (uint16_t)(500000 / rate_hz); }
void es_port_feed_line(void) {} /* what sending costs is not counted here */
void es_port_lock(void) {}
void es_port_unlock(void) {}
uint32_t es_port_overruns(void) { return 0; }

static volatile uint8_t from[BYTES];
static volatile uint32_t result;
static uint8_t ring[64];

#define MARK() (OCR2B = 0)

int main(void)
{
    for (uint8_t i = 0; i < BYTES; i++)
        from[i] = (uint8_t)(i * 7);
    for (uint8_t i = 0; i < sizeof ring; i += 2) {
        ring[i] = i;
        ring[i + 1] = i & 3;
    }
    MARK();
    MARK();
    uint8_t sum = 0;
    for (uint8_t i = 0; i < BYTES; i++)
        sum ^= from[i];
    MARK();
    result = sum;
    uint16_t crc16 = ES_CRC16_BEGIN;
    for (uint8_t i = 0; i < BYTES; i++)
        crc16 = es_crc16_byte(crc16, from[i]);
    MARK();
    result = crc16;
    uint32_t crc32 = ES_CRC32_BEGIN;
    for (uint8_t i = 0; i < BYTES; i++)
        crc32 = es_crc32_byte(crc32, from[i]);
    MARK();
    result = crc32;
    es_blocks_begin(4, SCANS, 0, 200, false);
    MARK();
    for (uint8_t i = 0; i < SCANS; i++)
        es_blocks_put_scan(ring, (uint8_t)(i * 8) & 63, 63);
    MARK();
    es_block *const block = es_blocks_take();
    es_sealing sealing;
    block->bytes[ES_PAYLOAD] = ES_SAMPLES;
    es_seal_begin(&sealing, block->bytes, ES_SAMPLES_BYTES + SCANS * 5);
    MARK();
    while (!es_seal_step(&sealing, 32)) {
    }
    MARK();
    sleep_mode(); /* the simulator ends */
    return 0;
}
