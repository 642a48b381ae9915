/* The conversation: what the board answers, when it streams, and what the line sends next. */
#ifndef ES_BOARD_H
#define ES_BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* Once, after a reset. reset_cause and boot_count as in the hello. */
void es_board_begin(uint8_t reset_cause, uint32_t boot_count);

/* A byte came from the host. False: it cannot be taken before es_board_step was called, for a command is waiting. */
bool es_board_hear(uint8_t byte);

/* Do a little of whatever is to be done; feeds the line meanwhile. False: there was nothing to do. */
bool es_board_step(void);

/* Whether there is a byte for the line, and that byte. */
bool es_board_has_byte(void);
uint8_t es_board_next_byte(void);

#endif
