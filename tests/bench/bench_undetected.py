"""How many damaged frames would pass for good ones: the error that CRC, lengths and fields leave.

    python tests/bench/bench_undetected.py [--frames 40000]

Bits of a stream of frames (samples of four inputs, every tenth frame edges, now and then counters) are flipped at a
given rate, delimiters included, so that frames are also torn apart and run together. Every piece that is none of the
frames sent is given the CRC that its first byte calls for and shown to the decoder: what the decoder then takes would
have passed all but the CRC. The CRC lets about one in 2^32 of these through, or one in 2^16 of those whose first byte
was damaged into a kind with a short CRC; patterns of few wrong bits, of which it lets none through, are counted as if
it did. A test checks that share on the pieces' real CRCs, as far as a share of 1 in 256 can be seen.
The table gives the expected number of undetected frames for each 10 million sent; below 0.1 at 1e-4 is wanted.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

import numpy as np
from cobs import cobs
from evenstroke_protocol import encoder, wire
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.events import Counters, Edge, Edges, Loss, NeedData, Samples

RATES = (1e-4, 3e-4, 1e-3, 3e-3, 1e-2)


def frames_sent(count: int, rng: np.random.Generator) -> list[bytes]:
    """Frames of a run of four inputs at 10 bits, with some 400 edges a second, as a board sends them."""
    scans = wire.most_scans(4, 10)
    frames = []
    for k in range(count):
        tick = k * scans * 200
        if k % 200 == 199:
            frames.append(encoder.encode_counters(Counters(1, tick, 0, 0, 0, 0)))
        elif k % 10 == 9:
            ticks = np.sort(rng.integers(tick - 80_000, tick, 16)).tolist()
            edges = tuple(Edge(t, 4, i % 2 == 0) for i, t in enumerate(ticks))
            frames.append(encoder.encode_edges(Edges(1, k // 10, tick, edges)))
        else:
            counts = rng.integers(0, 1024, (scans, 4), dtype=np.uint16)
            frames.append(
                encoder.encode_samples(Samples(1, k, tick, 200, 50, 10, False, (0, 1, 2, 3), counts))
            )
    return frames


def content_of(piece: bytes) -> bytes | None:
    """Payload and CRC of what came between two delimiters, None where that is no COBS or too long."""
    if len(piece) > wire.LONGEST_CODED:
        return None
    try:
        return cobs.decode(piece)
    except cobs.DecodeError:
        return None


def passes_all_but_the_crc(piece: bytes) -> int:
    """Bits of the CRC that alone stands between this piece and being taken for a frame; 0: it is refused anyway."""
    content = content_of(piece)
    if not content:
        return 0
    size = wire.CRC32_BYTES if content[0] in wire.CRC32_KINDS else wire.CRC16_BYTES
    if len(content) <= size:
        return 0
    decoder = FrameDecoder()
    decoder.receive(encoder.frame(content[:-size]))
    return 0 if isinstance(decoder.next_event(), Loss | NeedData) else 8 * size


def damaged_pieces(rate: float, frames: int, rng: np.random.Generator) -> Iterator[bytes]:
    """What lies between delimiters and is none of the frames sent, at so many wrong bits per bit."""
    sent = frames_sent(min(frames, 2000), rng)
    stream = np.frombuffer(b"".join(sent), dtype=np.uint8)
    whole = {frame[:-1] for frame in sent}
    for _ in range(max(1, frames // len(sent))):
        flips = np.zeros(stream.size * 8, dtype=np.uint8)
        # Drawn without replacement: a bit that is flipped twice is right.
        flips[rng.choice(flips.size, rng.binomial(flips.size, rate), replace=False)] = 1
        received = (stream ^ np.packbits(flips)).tobytes()
        yield from (piece for piece in received.split(wire.DELIMITER) if piece and piece not in whole)


def expected_undetected(
    rate: float, frames: int, rng: np.random.Generator
) -> tuple[float, int, dict[int, int]]:
    """Expected undetected per 10 million frames sent, pieces damaged, and of these per length of the CRC (bits)
    how many pass all but that. frames: a multiple of 2000, or fewer."""
    damaged, passing = 0, {16: 0, 32: 0}
    for piece in damaged_pieces(rate, frames, rng):
        damaged += 1
        if bits := passes_all_but_the_crc(piece):
            passing[bits] += 1
    return sum(n / 2.0**bits for bits, n in passing.items()) / frames * 1e7, damaged, passing


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--frames", type=int, default=40_000, help="frames sent at each rate, a multiple of 2000"
    )
    options = parser.parse_args()
    if options.frames < 2000 or options.frames % 2000:
        parser.error("--frames: a multiple of 2000")
    rng = np.random.default_rng(1)
    say = sys.stdout.write
    say(
        f"{'bit errors':>10}  {'damaged':>8}  {'but for CRC-32':>14}  {'but for CRC-16':>14}  {'undetected per 10 million':>26}\n"
    )
    for rate in RATES:
        expected, damaged, passing = expected_undetected(rate, options.frames, rng)
        say(f"{rate:10.0e}  {damaged:8d}  {passing[32]:14d}  {passing[16]:14d}  {expected:26.2e}\n")


if __name__ == "__main__":
    main()
