/* Level changes between the capture's interrupt and the line. */
#ifndef ES_EDGES_H
#define ES_EDGES_H

#include <stdbool.h>
#include <stdint.h>

#include "es_count.h"

#define ES_EDGE_RING 32 /* a power of two; at 400 a second 80 ms of them, twice what a frame waits for */

typedef struct {
    uint32_t tick;
    uint8_t input; /* and ES_RISING */
} es_edge;

typedef struct {
    volatile es_edge edge[ES_EDGE_RING];
    volatile uint8_t put, taken; /* how many so far, modulo 256 */
    uint32_t missed;
} es_edge_ring;

extern es_edge_ring es_edges;

static inline uint8_t es_edges_waiting(void)
{
    return (uint8_t)(es_edges.put - es_edges.taken);
}

/* From the interrupt. A full ring loses the edge, counted. */
static inline void es_edges_put(uint32_t tick, uint8_t input)
{
    if (es_edges_waiting() == ES_EDGE_RING) {
        es_count_up(&es_edges.missed);
        return;
    }
    volatile es_edge *edge = &es_edges.edge[es_edges.put & (ES_EDGE_RING - 1)];
    edge->tick = tick;
    edge->input = input;
    es_edges.put++;
}

#endif
