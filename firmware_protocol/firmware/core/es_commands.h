/* What the host says, byte by byte: COBS and CRC as the bytes come, so that a frame of any length needs no buffer. */
#ifndef ES_COMMANDS_H
#define ES_COMMANDS_H

#include <stdbool.h>
#include <stdint.h>

#include "es_wire.h"

/* As much of a body as any command has, CRC included. */
#define ES_COMMAND_ROOM (ES_START_BYTES + ES_CRC16_BYTES)

typedef struct {
    uint8_t kind;
    uint8_t status; /* ES_DONE, or what is wrong with it as far as its own bytes tell */
    uint16_t token;
    /* of start */
    uint8_t run;
    uint8_t flags;
    uint16_t inputs;
    uint32_t rate_hz;
} es_command;

typedef enum { ES_NOTHING, ES_COMMAND, ES_DAMAGED } es_heard;

/* Forget whatever came before. */
void es_commands_begin(void);

/* One more byte. ES_COMMAND: a frame with a good CRC has ended and `command` says what it is; it is to be answered.
 * ES_DAMAGED: one has ended that is no frame; it is to be counted and not to be answered. */
es_heard es_commands_byte(uint8_t byte, es_command *command);

#endif
