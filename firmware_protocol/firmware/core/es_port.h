/* What a board has to offer to the core. The core calls these from the main loop only. */
#ifndef ES_PORT_H
#define ES_PORT_H

#include <stdbool.h>
#include <stdint.h>

/* What the board is; constant. Names lie in RAM and are ASCII. */
typedef struct {
    const char *board;         /* 1 to 32 characters */
    const char *firmware;      /* "major.minor.patch" */
    uint32_t clock_hz;         /* ticks per second */
    uint16_t reference_mv;     /* full scale of the converter */
    uint8_t adc_bits;          /* 10: more than that the core does not pack */
    uint8_t analog_inputs;     /* inputs 0 to analog_inputs - 1 are analog */
    uint8_t edge_inputs;       /* those behind them are edge inputs */
    uint8_t rates;             /* how many */
    const uint32_t *rates_hz;  /* ascending */
    const char *const *inputs; /* names, analog ones first */
    uint32_t baud;             /* bits per second of the line, 10 to a byte; 0: no limit */
} es_board_facts;

extern const es_board_facts es_facts;

/* Now. */
uint32_t es_port_ticks(void);

/* A tick up to which every edge is in the ring and behind which none is, and how many wait in it. */
uint32_t es_port_edges_until(uint8_t *waiting);

/* Begin to sample the first `inputs` analog inputs of `mask`, evenly over a scan, and to catch edges if the mask has
 * an edge input. Calls es_blocks_begin before it puts the first count. Scans have es_port_scan_ticks(rate_hz) ticks. */
void es_port_start(uint32_t rate_hz, uint16_t mask, uint8_t block_scans, bool counting);

/* Every whole scan so far has been put into its block, and no more counts or edges come, once this returns. */
void es_port_stop(void);

/* Ticks from one scan to the next, and from one input of it to the next. */
uint32_t es_port_scan_ticks(uint32_t rate_hz);
uint16_t es_port_skew_ticks(uint32_t rate_hz);

/* Give the line a byte if it has room for one (es_board_has_byte, es_board_next_byte). Called some microseconds apart from
 * within long work, since the line must not run dry. */
void es_port_feed_line(void);

/* Keep interrupts away from what both sides use; they do not nest. */
void es_port_lock(void);
void es_port_unlock(void);

/* Converter triggers that came while a conversion was under way, in this run. Asked between lock and unlock. */
uint32_t es_port_overruns(void);

#endif
