"""How much the whole decoder costs beside the bare library calls that it cannot do without.

    python tests/bench/bench_decode.py

Floor: split at delimiters, `cobs.decode` and `zlib.crc32` of every frame, nothing else. Decoder:
`FrameDecoder`, every event fetched. Both read the same bytes in turns within one run, so that a
busy machine hits both; medians and the quartiles of the ratio are printed, CPU time throughout.
Nothing here passes or fails.
"""

from __future__ import annotations

import statistics
import sys
import time
import zlib
from collections.abc import Callable

import numpy as np
from cobs import cobs
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.encoder import encode_edges, encode_samples
from evenstroke_protocol.events import NEED_DATA, Edge, Edges, Samples
from evenstroke_protocol.wire import DELIMITER, most_scans

ROUNDS = 15
BLOCKS = 12_000  # about 3 MB
LIVE_CHUNK = 2_000  # bytes: 20 ms at 1 Mbaud


def stream(bits: int, inputs: int, *, with_edges: bool) -> bytes:
    """One run of full samples frames at 10 kS/s per input and, when asked for, an edges frame every 50 ms."""
    rng = np.random.default_rng(1)
    scans = most_scans(inputs, bits)
    scan_ticks = 200  # of a 2 MHz tick
    parts: list[bytes] = []
    edge_blocks = 0
    for block in range(BLOCKS):
        tick = block * scans * scan_ticks
        counts = rng.integers(0, 2**bits, (scans, inputs)).astype(np.uint16)
        parts.append(
            encode_samples(Samples(1, block, tick, scan_ticks, 26, bits, False, tuple(range(inputs)), counts))
        )
        if with_edges and tick >= (edge_blocks + 1) * 100_000:
            until = (edge_blocks + 1) * 100_000
            edges = tuple(Edge(until - 1000 * k, 4, bool(k % 2)) for k in range(8, 0, -1))
            parts.append(encode_edges(Edges(1, edge_blocks, until, edges)))
            edge_blocks += 1
    return b"".join(parts)


def floor(data: bytes) -> None:
    for coded in data.split(DELIMITER):
        if coded:
            zlib.crc32(cobs.decode(coded))


def decode(data: bytes, chunk: int) -> None:
    decoder = FrameDecoder()
    for at in range(0, len(data), chunk):
        decoder.receive(data[at : at + chunk])
        while decoder.next_event() is not NEED_DATA:
            pass


def cpu_ms_per_mb(work: Callable[[], None], size: int) -> float:
    began = time.process_time()
    work()
    return (time.process_time() - began) * 1e9 / size


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    cases = [
        ("10 bit x 4, all at once", stream(10, 4, with_edges=False), None),
        ("10 bit x 4 and edges, all at once", stream(10, 4, with_edges=True), None),
        ("10 bit x 4 and edges, as it comes live", stream(10, 4, with_edges=True), LIVE_CHUNK),
        ("12 bit x 3, all at once", stream(12, 3, with_edges=False), None),
        ("16 bit x 2, all at once", stream(16, 2, with_edges=False), None),
    ]
    say(f"{ROUNDS} rounds, CPU ms per MB of wire bytes (median), ratio to the floor (quartiles)")
    say(f"{'case':<40}{'MB':>6}{'floor':>8}{'decoder':>9}{'ratio':>8}")
    for name, data, chunk in cases:
        floors: list[float] = []
        decodes: list[float] = []
        for _ in range(ROUNDS):
            floors.append(cpu_ms_per_mb(lambda: floor(data), len(data)))  # noqa: B023
            decodes.append(cpu_ms_per_mb(lambda: decode(data, chunk or len(data)), len(data)))  # noqa: B023
        ratios = [d / f for f, d in zip(floors, decodes, strict=True)]
        low, _, high = statistics.quantiles(ratios, n=4)
        say(
            f"{name:<40}{len(data) / 1e6:>6.1f}{statistics.median(floors):>8.2f}"
            f"{statistics.median(decodes):>9.2f}{statistics.median(ratios):>8.2f}  ({low:.2f} to {high:.2f})"
        )


if __name__ == "__main__":
    main()
