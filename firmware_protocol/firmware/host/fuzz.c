/* For libFuzzer: bytes drive the whole core, and its sanitizers watch. What the core answers is compared with the Python
 * implementation by tests/bench/bench_agreement.py, which drives it in the same way. */
#include <stddef.h>
#include <stdint.h>

size_t host_drive(const uint8_t *data, size_t size, uint8_t *sent, size_t room);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint8_t sent[1 << 16];
    host_drive(data, size, sent, sizeof sent);
    return 0;
}
