/* The core on a computer: a board whose time, converter and edges are set by whoever tests it. */
#include <string.h>

#include "../core/es_blocks.h"
#include "../core/es_board.h"
#include "../core/es_commands.h"
#include "../core/es_edges.h"
#include "../core/es_frame.h"
#include "../core/es_port.h"

static const uint32_t rates_hz[] = {2500, 5000, 10000};
static const char *const names[] = {"A0", "A1", "A2", "A3", "D8"};

const es_board_facts es_facts = {
    .board = "evenstroke core on a computer",
    .firmware = "1.0.0",
    .clock_hz = 2000000,
    .reference_mv = 5000,
    .adc_bits = 10,
    .analog_inputs = 4,
    .edge_inputs = 1,
    .rates = 3,
    .rates_hz = rates_hz,
    .inputs = names,
    .baud = 1000000,
};

static uint32_t now;
static uint32_t overruns;
static bool running;
static uint8_t running_inputs;

uint32_t es_port_ticks(void)
{
    return now;
}

uint32_t es_port_edges_until(uint8_t *waiting)
{
    *waiting = es_edges_waiting();
    return now;
}

void es_port_start(uint32_t rate_hz, uint16_t mask, uint8_t block_scans, bool counting)
{
    running_inputs = 0;
    for (uint8_t i = 0; i < 4; i++)
        running_inputs = (uint8_t)(running_inputs + (mask >> i & 1));
    running = true;
    overruns = 0;
    if (running_inputs)
        es_blocks_begin(running_inputs, block_scans, now, es_port_scan_ticks(rate_hz), counting);
}

void es_port_stop(void)
{
    running = false;
}

uint32_t es_port_scan_ticks(uint32_t rate_hz)
{
    return es_facts.clock_hz / rate_hz;
}

uint16_t es_port_skew_ticks(uint32_t rate_hz)
{
    return (uint16_t)(es_facts.clock_hz / rate_hz / 4);
}

void es_port_feed_line(void)
{
}

void es_port_lock(void)
{
}

void es_port_unlock(void)
{
}

uint32_t es_port_overruns(void)
{
    return overruns;
}

/* --- what tests call ----------------------------------------------------------------------------------------------- */

void host_reset(uint8_t cause, uint32_t boot_count, uint32_t tick)
{
    running = false;
    now = tick;
    es_board_begin(cause, boot_count);
}

void host_ticks(uint32_t tick)
{
    now = tick;
}

/* Inputs of the run in progress, 0: no samples are taken. */
uint8_t host_inputs(void)
{
    return running ? running_inputs : 0;
}

/* Let the board do what it can; what its line has sent then, `room` bytes at most. */
size_t host_run(uint8_t *sent, size_t room)
{
    size_t count = 0;
    for (;;) {
        const bool did = es_board_step();
        while (count < room && es_board_has_byte())
            sent[count++] = es_board_next_byte();
        if (!did || count == room)
            return count;
    }
}

/* A byte from the host; false: it waits for the board to do something first. */
bool host_hear(uint8_t byte)
{
    return es_board_hear(byte);
}

/* One scan: low and high byte of each count. */
void host_scan(const uint8_t *counts)
{
    es_blocks_put_scan(counts, 0, 0xFF);
}

void host_tear(uint16_t scans, uint32_t lost)
{
    overruns += lost;
    es_blocks_tear(scans);
}

void host_edge(uint32_t tick, bool rising)
{
    es_edges_put(tick, rising ? 4 | ES_RISING : 4);
}

/* A payload framed, delimiter included; its size. Sealed in steps of `step` bytes. */
size_t host_frame(const uint8_t *payload, uint8_t length, uint8_t step, uint8_t *framed)
{
    es_sealing sealing;
    memcpy(framed + ES_PAYLOAD, payload, length);
    es_seal_begin(&sealing, framed, length);
    while (!es_seal_step(&sealing, step)) {
    }
    return es_sealed_bytes(&sealing);
}

/* What a stream of bytes from a host says: for each frame 16 bytes: heard, kind, status, run, token (2), inputs (2),
 * rate (4), flags, zeros. How many frames. */
size_t host_commands(const uint8_t *bytes, size_t length, uint8_t *found, size_t room)
{
    size_t count = 0;
    es_command command;
    es_commands_begin();
    for (size_t i = 0; i < length && count < room; i++) {
        memset(&command, 0, sizeof command);
        const es_heard heard = es_commands_byte(bytes[i], &command);
        if (heard == ES_NOTHING)
            continue;
        uint8_t *at = found + 16 * count++;
        memset(at, 0, 16);
        at[0] = (uint8_t)heard;
        if (heard == ES_COMMAND) {
            at[1] = command.kind;
            at[2] = command.status;
            at[3] = command.run;
            es_put16(at + 4, command.token);
            es_put16(at + 6, command.inputs);
            es_put32(at + 8, command.rate_hz);
            at[12] = command.flags;
        }
    }
    return count;
}

/* --- driven by any bytes ------------------------------------------------------------------------------------------- */

static struct {
    uint8_t *sent;
    size_t count, room;
} sink;

/* Runs until there is nothing to do or `most` more bytes have been sent; the sink takes them as long as it has room. */
static size_t run_into_sink(size_t most)
{
    const size_t left = sink.room - sink.count;
    const size_t sent = host_run(sink.sent + sink.count, most < left ? most : left);
    sink.count += sent;
    return sent;
}

static void hear(uint8_t byte)
{
    while (!host_hear(byte))
        if (run_into_sink(SIZE_MAX) == 0 && host_hear(byte))
            return;
}

/* What a board does to which any bytes happen; how many bytes it sent, all of them unless there was no room. The first
 * byte says what may happen beside commands: 1 edges, 2 lost triggers, 4 a line that takes little, 8 the bytes are payloads,
 * each behind its length, and are heard framed, so that a search gets past the CRC. Every byte also lets scans come. */
size_t host_drive(const uint8_t *data, size_t size, uint8_t *sent, size_t room)
{
    static const uint8_t counts[8] = {0, 0, 255, 3, 85, 1, 0, 2};
    uint8_t framed[ES_BUFFER_BYTES(ES_LONGEST_BODY)];
    uint32_t tick = 0;
    sink.sent = sent;
    sink.room = room;
    sink.count = 0;
    host_reset(1, 1, 0);
    run_into_sink(SIZE_MAX);
    const uint8_t mode = size ? data[0] : 0;
    for (size_t i = 1; i < size; i++) {
        const uint8_t byte = data[i];
        if (mode & 8) {
            const size_t left = size - i - 1;
            const uint8_t length = (uint8_t)((byte & 31) < left ? byte & 31 : left);
            if (length) {
                const size_t coded = host_frame(data + i + 1, length, 32, framed);
                for (size_t k = 0; k < coded; k++)
                    hear(framed[k]);
            }
            i += length;
        } else {
            hear(byte);
        }
        if (mode & 1) {
            tick += (uint32_t)byte << 8 | 1;
            host_ticks(tick);
            host_edge(tick - 1, byte & 1);
        }
        if (host_inputs()) {
            if (mode & 2 && byte == 0x55)
                host_tear(byte & 7, 1);
            for (int k = 0; k < (byte & 63); k++)
                host_scan(counts);
        }
        run_into_sink(mode & 4 ? byte : SIZE_MAX);
    }
    while (run_into_sink(SIZE_MAX)) {
    }
    return sink.count;
}
