/* For libFuzzer: bytes drive the whole core, and its sanitizers watch. Each byte chooses what happens next. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <stdbool.h>

void host_reset(uint8_t cause, uint32_t boot_count, uint32_t tick);
void host_ticks(uint32_t tick);
uint8_t host_inputs(void);
size_t host_run(uint8_t *sent, size_t room);
bool host_hear(uint8_t byte);
void host_scan(const uint8_t *counts);
void host_tear(uint16_t scans, uint32_t lost);
void host_edge(uint32_t tick, bool rising);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t counts[8] = {0, 0, 255, 3, 85, 1, 0, 2};
    uint8_t sent[4096];
    uint32_t tick = 0;
    if (size < 1)
        return 0;
    host_reset(1, 1, 0);
    const uint8_t mode = data[0];
    for (size_t i = 1; i < size; i++) {
        const uint8_t byte = data[i];
        while (!host_hear(byte))
            if (host_run(sent, sizeof sent) == 0 && host_hear(byte))
                break;
        if (mode & 1) {
            tick += (uint32_t)byte << 8;
            host_ticks(tick);
            host_edge(tick - 1, byte & 1);
        }
        if (host_inputs()) {
            if (mode & 2 && byte == 0x55)
                host_tear(byte & 7, 1);
            for (int k = 0; k < (byte & 63); k++)
                host_scan(counts);
        }
        host_run(sent, mode & 4 ? byte : sizeof sent);
    }
    return 0;
}
