#include "es_commands.h"

#include "es_crc.h"

static struct {
    uint8_t body[ES_COMMAND_ROOM];
    uint16_t coded;   /* bytes of the frame so far, as they came */
    uint16_t decoded; /* bytes of its body */
    uint8_t left;     /* of the COBS block in progress */
    bool zero_next;   /* the block that ends now stands for a zero too */
    bool overlong;
    bool wide;        /* its kind ends in CRC-32 */
    uint32_t crc;
} in;

static void begin_frame(void)
{
    in.coded = 0;
    in.decoded = 0;
    in.left = 0;
    in.zero_next = false;
}

void es_commands_begin(void)
{
    in.overlong = false;
    begin_frame();
}

static void body_byte(uint8_t byte)
{
    if (in.decoded == 0) {
        in.wide = byte == ES_SAMPLES || byte == ES_EDGES;
        in.crc = in.wide ? ES_CRC32_BEGIN : ES_CRC16_BEGIN;
    }
    if (in.decoded < ES_COMMAND_ROOM)
        in.body[in.decoded] = byte;
    in.decoded++;
    in.crc = in.wide ? es_crc32_byte(in.crc, byte) : es_crc16_byte((uint16_t)in.crc, byte);
}

static void read_start(uint16_t length, es_command *command)
{
    if (length != ES_START_BYTES) {
        command->status = ES_BAD_LENGTH;
        return;
    }
    command->run = in.body[3];
    command->rate_hz = es_get32(in.body + 4);
    command->inputs = es_get16(in.body + 8);
    command->flags = in.body[10];
    if (command->run == 0 || command->flags & ~ES_START_COUNTING)
        command->status = ES_BAD_VALUE;
}

static es_heard end_frame(es_command *command)
{
    const uint16_t crc_bytes = in.wide ? ES_CRC32_BYTES : ES_CRC16_BYTES;
    if (in.left || in.decoded < 1u + crc_bytes || in.crc != (in.wide ? ES_CRC32_GOOD : ES_CRC16_GOOD))
        return ES_DAMAGED;
    const uint16_t length = (uint16_t)(in.decoded - crc_bytes);
    command->kind = in.body[0];
    command->status = ES_DONE;
    command->token = length >= ES_COMMAND_BYTES ? es_get16(in.body + 1) : 0;
    switch (command->kind) {
    case ES_IDENTIFY:
    case ES_STOP:
    case ES_PING:
        if (length != ES_COMMAND_BYTES)
            command->status = ES_BAD_LENGTH;
        break;
    case ES_START:
        read_start(length, command);
        break;
    default:
        command->status = ES_UNKNOWN_COMMAND;
    }
    return ES_COMMAND;
}

es_heard es_commands_byte(uint8_t byte, es_command *command)
{
    if (byte == 0) {
        es_heard heard = ES_NOTHING;
        if (in.overlong) {
            heard = in.coded ? ES_DAMAGED : ES_NOTHING; /* the rest of it */
            in.overlong = false;
        } else if (in.coded) {
            if (in.decoded == 0)
                in.wide = false;
            heard = end_frame(command);
        }
        begin_frame();
        return heard;
    }
    if (++in.coded > ES_LONGEST_CODED) {
        /* Cut where the host's decoder cuts, so that both count the same. */
        begin_frame();
        in.overlong = true;
        return ES_DAMAGED;
    }
    if (in.overlong)
        return ES_NOTHING;
    if (in.left == 0) {
        if (in.zero_next)
            body_byte(0);
        in.left = (uint8_t)(byte - 1);
        in.zero_next = byte != 0xFF;
    } else {
        body_byte(byte);
        in.left--;
    }
    return ES_NOTHING;
}
