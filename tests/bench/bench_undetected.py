"""How many damaged frames would pass for good ones: the error that CRC, lengths and fields leave.

    python tests/bench/bench_undetected.py [--frames 200000]

Bits of a stream of sample frames are flipped at a given rate, delimiters included, so that frames are
also torn apart and run together. Counted is how many pieces that are not one of the frames sent pass everything
but the CRC: COBS, kind, exact length, field values. A CRC of 32 bits lets about one in 2^32 of those
through (its patterns of few wrong bits, where it does better, are counted as if it did not). The table gives the
expected number of undetected frames for each 10 million sent; below 0.1 at 1e-4 is wanted.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from cobs import cobs
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.events import Samples

RATES = (1e-4, 3e-4, 1e-3, 3e-3, 1e-2)


def frames_sent(count: int, rng: np.random.Generator) -> list[bytes]:
    """Sample frames of four inputs at 10 bits, as a board sends them."""
    scans = wire.most_scans(4, 10)
    return [
        encoder.encode_samples(
            Samples(
                run=1,
                sequence=k,
                tick=k * scans * 200,
                scan_ticks=200,
                skew_ticks=50,
                bits=10,
                counting=False,
                inputs=(0, 1, 2, 3),
                counts=rng.integers(0, 1024, (scans, 4), dtype=np.uint16),
            )
        )
        for k in range(count)
    ]


def passes_all_but_the_crc(piece: bytes) -> bool:
    """Whether this is a samples frame in every way but for its CRC (SPEC: kind, exact length, fields)."""
    try:
        content = cobs.decode(piece)
    except cobs.DecodeError:
        return False
    head = wire.SAMPLES.size
    if len(content) < head + wire.CRC32_BYTES or content[0] != wire.Kind.SAMPLES:
        return False
    _, _, _, _, scan_ticks, _, mask, scans, form = wire.SAMPLES.unpack(content[:head])
    bits, inputs = form & 0x7F, mask.bit_count()
    if bits not in (10, 12, 16) or not scans or not inputs or not scan_ticks:
        return False
    return len(content) == head + wire.packed_bytes(scans * inputs, bits) + wire.CRC32_BYTES


def expected_undetected(rate: float, frames: int, rng: np.random.Generator) -> tuple[float, int, int]:
    """Expected undetected per 10 million frames, pieces damaged, and how many of them pass all but the CRC."""
    sent = frames_sent(min(frames, 2000), rng)
    rounds = max(1, frames // len(sent))
    stream = np.frombuffer(b"".join(sent), dtype=np.uint8)
    whole = {frame[:-1] for frame in sent}
    damaged = passing = 0
    for _ in range(rounds):
        flips = np.zeros(stream.size * 8, dtype=np.uint8)
        flips[rng.integers(0, flips.size, rng.binomial(flips.size, rate))] ^= 1
        received = (stream ^ np.packbits(flips)).tobytes()
        for piece in received.split(wire.DELIMITER):
            if piece and piece not in whole:
                damaged += 1
                passing += passes_all_but_the_crc(piece)
    return passing / (rounds * len(sent)) * 1e7 / 2**32, damaged, passing


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=40_000, help="frames sent at each rate")
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    say = sys.stdout.write
    say(f"{'bit errors':>10}  {'damaged':>8}  {'pass all but CRC':>16}  {'undetected per 10 million':>26}\n")
    for rate in RATES:
        expected, damaged, passing = expected_undetected(rate, options.frames, rng)
        say(f"{rate:10.0e}  {damaged:8d}  {passing:16d}  {expected:26.2e}\n")


if __name__ == "__main__":
    main()
