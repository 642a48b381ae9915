#include "es_board.h"

#include <string.h>

#include "es_blocks.h"
#include "es_commands.h"
#include "es_edges.h"
#include "es_frame.h"
#include "es_port.h"

/* Everything but samples is built here, one at a time: the longest is the hello. */
#define SHORT_PAYLOAD 140
#define EDGES_IN_FRAME ((SHORT_PAYLOAD - ES_EDGES_BYTES) / ES_EDGE_BYTES)

#define SEAL_STEP 32 /* bytes: then there may be a command to obey, or edges to send */
#define EDGES_EVERY_MS 40
#define COUNTERS_EVERY_MS 1000
#define BLOCKS_A_SECOND 25 /* at least: someone watches while cranking */

/* How much of the line may be filled, and what is on it beside samples: 400 edges a second and the counters, as
 * SPEC.md, "Is the line fast enough?", works out. */
#ifndef LINE_PERCENT
#define LINE_PERCENT 90
#endif
#define BYTES_BESIDE_SAMPLES 2400

/* The stages of ending a run, each left when what it sends has gone to the line. */
enum ending { RUNNING, LAST_BLOCKS, LAST_EDGES, LAST_COUNTERS, ENDED };

static struct {
    uint8_t reset_cause;
    uint32_t boot_count;

    es_command command;
    bool command_waits;
    bool hello_waits;
    bool ack_waits;
    uint32_t ack_value;
    uint32_t rejected;

    uint8_t run; /* 0: none */
    uint8_t last_run;
    uint8_t ending;
    uint16_t mask;
    bool counting;
    uint32_t rate_hz;
    uint32_t samples_sequence;
    uint32_t edges_sequence;
    uint32_t edges_at;
    uint32_t counters_at;

    uint8_t short_bytes[ES_BUFFER_BYTES(SHORT_PAYLOAD)];
    enum { FREE, SEALING, READY } short_state, block_state;
    es_sealing short_seal, block_seal;

    const uint8_t *sending, *sending_end; /* equal: the line is idle */
    enum { DELIMITER, SHORT, BLOCK } sending_what;
} board;

static const uint8_t delimiter = 0;

static uint32_t ms(uint16_t milliseconds)
{
    return es_facts.clock_hz / 1000 * milliseconds;
}

static uint16_t analog_mask(void)
{
    return (uint16_t)((1u << es_facts.analog_inputs) - 1);
}

static uint8_t ones(uint16_t mask)
{
    uint8_t count = 0;
    for (; mask; mask &= (uint16_t)(mask - 1))
        count++;
    return count;
}

static uint8_t block_scans(uint8_t inputs, uint32_t rate_hz)
{
    uint32_t scans = rate_hz / BLOCKS_A_SECOND;
    if (scans > (uint32_t)(ES_COUNTS_ROOM / inputs))
        scans = ES_COUNTS_ROOM / inputs;
    return (uint8_t)scans;
}

static uint8_t packed_bytes(uint8_t counts)
{
    return (uint8_t)((counts + 3) / 4 * 5);
}

void es_board_begin(uint8_t reset_cause, uint32_t boot_count)
{
    memset(&board, 0, sizeof board);
    board.reset_cause = reset_cause;
    board.boot_count = boot_count;
    board.hello_waits = true;
    /* A delimiter first: it ends whatever frame the reset cut off. */
    board.sending = &delimiter;
    board.sending_end = &delimiter + 1;
    board.sending_what = DELIMITER;
    es_edges.put = es_edges.taken = 0;
    es_commands_begin();
}

/* --- commands ------------------------------------------------------------------------------------------------- */

bool es_board_hear(uint8_t byte)
{
    if (board.command_waits)
        return false;
    switch (es_commands_byte(byte, &board.command)) {
    case ES_COMMAND:
        board.command_waits = true;
        break;
    case ES_DAMAGED:
        es_count_up(&board.rejected);
        break;
    case ES_NOTHING:
        break;
    }
    return true;
}

static bool rate_is_possible(const es_command *start)
{
    bool known = false;
    for (uint8_t i = 0; i < es_facts.rates; i++)
        known = known || es_facts.rates_hz[i] == start->rate_hz;
    const uint8_t inputs = ones(start->inputs & analog_mask());
    if (!known || es_facts.baud == 0 || inputs == 0)
        return known;
    const uint8_t scans = block_scans(inputs, start->rate_hz);
    const uint32_t block = 1u + ES_SAMPLES_BYTES + packed_bytes((uint8_t)(scans * inputs)) + ES_CRC32_BYTES + 1u;
    const uint32_t wanted = block * start->rate_hz / scans + BYTES_BESIDE_SAMPLES;
    return wanted <= es_facts.baud / 1000 * LINE_PERCENT; /* ten bits a byte: baud / 10 * percent / 100 */
}

static uint8_t judge_start(const es_command *start)
{
    const uint16_t all = (uint16_t)((1ul << (es_facts.analog_inputs + es_facts.edge_inputs)) - 1);
    if (!rate_is_possible(start))
        return ES_RATE_NOT_POSSIBLE;
    if (start->inputs == 0 || start->inputs & (uint16_t)~all)
        return ES_NO_SUCH_INPUT;
    if (start->run == board.last_run)
        return ES_NOT_NOW;
    return ES_DONE;
}

static void begin_run(const es_command *start)
{
    board.run = board.last_run = start->run;
    board.ending = RUNNING;
    board.mask = start->inputs;
    board.counting = start->flags & ES_START_COUNTING;
    board.rate_hz = start->rate_hz;
    board.samples_sequence = board.edges_sequence = 0;
    board.rejected = 0;
    es_edges.put = es_edges.taken = 0;
    es_edges.missed = 0;
    const uint8_t inputs = ones(start->inputs & analog_mask());
    board.edges_at = board.counters_at = es_port_ticks();
    es_port_start(start->rate_hz, start->inputs, inputs ? block_scans(inputs, start->rate_hz) : 0, board.counting);
}

/* Ends a run bit by bit; true once it is over. */
static bool run_is_over(void)
{
    if (board.run == 0)
        return true;
    if (board.ending == RUNNING) {
        es_port_stop();
        if (board.mask & analog_mask())
            es_blocks_end();
        board.ending = LAST_BLOCKS;
    }
    if (board.ending == ENDED && board.short_state == FREE) {
        board.run = 0;
        return true;
    }
    return false;
}

/* A command is obeyed when this says so: its answer then waits. */
static bool obey(void)
{
    es_command *command = &board.command;
    uint8_t status = command->status;
    if (status == ES_DONE && command->kind == ES_START)
        status = judge_start(command);
    board.ack_value = 0;
    if (status == ES_DONE) {
        switch (command->kind) {
        case ES_IDENTIFY:
            board.hello_waits = true;
            break;
        case ES_STOP:
            if (!run_is_over())
                return false;
            break;
        case ES_START:
            if (!run_is_over())
                return false;
            board.ack_value = es_port_scan_ticks(command->rate_hz);
            break;
        default:
            break;
        }
    } else {
        es_count_up(&board.rejected);
    }
    command->status = status;
    board.ack_waits = true;
    return true;
}

/* --- short frames --------------------------------------------------------------------------------------------- */

static uint8_t *put_text(uint8_t *at, const char *text)
{
    while (*text)
        *at++ = (uint8_t)*text++;
    return at;
}

static void seal_short(const uint8_t *end)
{
    es_seal_begin(&board.short_seal, board.short_bytes, (uint8_t)(end - board.short_bytes - ES_PAYLOAD));
    board.short_state = SEALING;
}

static void build_hello(void)
{
    uint8_t *at = board.short_bytes + ES_PAYLOAD;
    *at++ = ES_HELLO;
    *at++ = ES_PROTOCOL_VERSION;
    memset(at, 0, 8); /* no serial number */
    at = es_put32(at + 8, board.boot_count);
    *at++ = board.reset_cause;
    at = es_put32(at, es_facts.clock_hz);
    *at++ = es_facts.adc_bits;
    at = es_put16(at, es_facts.reference_mv);
    *at++ = (uint8_t)(ES_COUNTS_ROOM / es_facts.analog_inputs);
    *at++ = board.run;
    at = es_put32(at, es_port_ticks());
    *at++ = es_facts.rates;
    *at++ = (uint8_t)(es_facts.analog_inputs + es_facts.edge_inputs);
    *at++ = (uint8_t)strlen(es_facts.board);
    *at++ = (uint8_t)strlen(es_facts.firmware);
    for (uint8_t i = 0; i < es_facts.rates; i++)
        at = es_put32(at, es_facts.rates_hz[i]);
    for (uint8_t i = 0; i < es_facts.analog_inputs + es_facts.edge_inputs; i++) {
        *at++ = i >= es_facts.analog_inputs;
        *at++ = (uint8_t)strlen(es_facts.inputs[i]);
        at = put_text(at, es_facts.inputs[i]);
    }
    at = put_text(at, es_facts.board);
    seal_short(put_text(at, es_facts.firmware));
}

static void build_ack(void)
{
    uint8_t *at = board.short_bytes + ES_PAYLOAD;
    *at++ = ES_ACK;
    *at++ = board.command.kind;
    at = es_put16(at, board.command.token);
    *at++ = board.command.status;
    seal_short(es_put32(at, board.ack_value));
}

static void build_counters(uint32_t now)
{
    es_port_lock();
    const uint32_t overruns = es_port_overruns();
    const uint32_t dropped = board.mask & analog_mask() ? es_fill.dropped : 0;
    const uint32_t missed = es_edges.missed;
    es_port_unlock();
    uint8_t *at = board.short_bytes + ES_PAYLOAD;
    *at++ = ES_COUNTERS;
    *at++ = board.run;
    at = es_put32(at, now);
    at = es_put32(at, overruns);
    at = es_put32(at, dropped);
    at = es_put32(at, missed);
    seal_short(es_put32(at, board.rejected));
}

static void build_edges(void)
{
    uint8_t count;
    uint32_t until = es_port_edges_until(&count);
    if (count > EDGES_IN_FRAME) {
        count = EDGES_IN_FRAME;
        /* What stays behind is not reported yet. */
        until = es_edges.edge[(es_edges.taken + count) & (ES_EDGE_RING - 1)].tick;
    }
    uint8_t *at = board.short_bytes + ES_PAYLOAD;
    *at++ = ES_EDGES;
    *at++ = board.run;
    at = es_put32(at, board.edges_sequence++);
    at = es_put32(at, until);
    *at++ = count;
    for (; count; count--) {
        const volatile es_edge *edge = &es_edges.edge[es_edges.taken & (ES_EDGE_RING - 1)];
        at = es_put32(at, edge->tick);
        *at++ = edge->input;
        es_edges.taken++;
    }
    seal_short(at);
}

static bool has_edge_input(void)
{
    return board.mask & (uint16_t)~analog_mask();
}

/* What the run in progress has to say beside samples; false: nothing just now. */
static bool build_of_run(void)
{
    const uint32_t now = es_port_ticks();
    if (board.ending == RUNNING) {
        if (has_edge_input()
            && (es_edges_waiting() >= EDGES_IN_FRAME || now - board.edges_at >= ms(EDGES_EVERY_MS))) {
            board.edges_at = now;
            build_edges();
            return true;
        }
        if (now - board.counters_at >= ms(COUNTERS_EVERY_MS)) {
            board.counters_at += ms(COUNTERS_EVERY_MS);
            build_counters(now);
            return true;
        }
        return false;
    }
    if (board.ending == LAST_BLOCKS && (!(board.mask & analog_mask()) || es_blocks_are_out()))
        board.ending = LAST_EDGES;
    if (board.ending == LAST_EDGES) {
        if (!has_edge_input() || es_edges_waiting() <= EDGES_IN_FRAME)
            board.ending = LAST_COUNTERS;
        if (has_edge_input()) {
            build_edges();
            return true;
        }
    }
    if (board.ending == LAST_COUNTERS) {
        board.ending = ENDED;
        build_counters(now);
        return true;
    }
    return false;
}

static bool build_short(void)
{
    if (board.hello_waits) {
        board.hello_waits = false;
        build_hello();
        return true;
    }
    if (board.ack_waits) {
        board.ack_waits = false;
        board.command_waits = false;
        build_ack();
        if (board.command.kind == ES_START && board.command.status == ES_DONE)
            begin_run(&board.command);
        return true;
    }
    return board.run && build_of_run();
}

/* --- the line ------------------------------------------------------------------------------------------------- */

static void begin_block_frame(const es_block *block)
{
    uint8_t *const bytes = (uint8_t *)block->bytes;
    const uint16_t inputs = board.mask & analog_mask();
    uint8_t *at = bytes + ES_PAYLOAD;
    *at++ = ES_SAMPLES;
    *at++ = board.run;
    at = es_put32(at, board.samples_sequence++);
    at = es_put32(at, block->tick);
    at = es_put32(at, es_fill.scan_ticks);
    at = es_put16(at, es_port_skew_ticks(board.rate_hz));
    at = es_put16(at, inputs);
    *at++ = block->scans;
    *at++ = (uint8_t)(es_facts.adc_bits | (board.counting ? ES_COUNTING : 0));
    es_seal_begin(&board.block_seal, bytes,
                  (uint8_t)(ES_SAMPLES_BYTES + packed_bytes((uint8_t)(block->scans * es_fill.inputs))));
}

static bool next_frame(void)
{
    /* A short frame first: an ack goes before the first block of its run. */
    if (board.short_state == READY) {
        board.sending = board.short_bytes;
        board.sending_end = board.sending + es_sealed_bytes(&board.short_seal);
        board.sending_what = SHORT;
    } else if (board.block_state == READY) {
        board.sending = board.block_seal.buffer;
        board.sending_end = board.sending + es_sealed_bytes(&board.block_seal);
        board.sending_what = BLOCK;
        board.block_state = FREE; /* the next one is sealed while this one is sent */
    } else {
        return false;
    }
    return true;
}

static void frame_left(void)
{
    if (board.sending_what == SHORT) {
        board.short_state = FREE;
    } else if (board.sending_what == BLOCK) {
        es_blocks_release();
    }
}

bool es_board_has_byte(void)
{
    return board.sending != board.sending_end || next_frame();
}

uint8_t es_board_next_byte(void)
{
    const uint8_t byte = *board.sending++;
    if (board.sending == board.sending_end)
        frame_left();
    return byte;
}

bool es_board_step(void)
{
    if (board.command_waits && !board.ack_waits && obey())
        return true;
    if (board.short_state == FREE && build_short())
        return true;
    if (board.short_state == SEALING) {
        if (es_seal_step(&board.short_seal, SEAL_STEP))
            board.short_state = READY;
        return true;
    }
    if (board.block_state == FREE && board.run) {
        const es_block *block = es_blocks_take();
        if (block) {
            begin_block_frame(block);
            board.block_state = SEALING;
            return true;
        }
    }
    if (board.block_state == SEALING) {
        if (es_seal_step(&board.block_seal, SEAL_STEP))
            board.block_state = READY;
        return true;
    }
    return false;
}
