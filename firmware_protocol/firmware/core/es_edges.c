#include "es_edges.h"

es_edge_ring es_edges;
