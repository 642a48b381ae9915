"""What CRC, exact lengths and fields leave undetected."""

from __future__ import annotations

import importlib.util
import zlib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs

SCRIPT = Path(__file__).parents[1] / "bench" / "bench_undetected.py"


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_undetected", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_expected_undetected_is_below_a_tenth_in_ten_million_frames(bench):
    expected, damaged, passing = bench.expected_undetected(1e-4, 10_000, np.random.default_rng(7))
    assert damaged > 1000
    assert passing[32] > 1000, "else the simulation says nothing"
    assert expected < 0.1


def test_what_passes_all_but_the_crc_is_told_from_what_does_not(bench):
    frames = bench.frames_sent(200, np.random.default_rng(1))
    for place, bits in ((0, 32), (9, 32), (199, 16)):  # samples, edges, counters
        whole = cobs.decode(frames[place][:-1])
        assert bench.passes_all_but_the_crc(cobs.encode(whole)) == bits
        flipped = whole[:-1] + bytes([whole[-1] ^ 1])  # in the CRC
        assert bench.passes_all_but_the_crc(cobs.encode(flipped)) == bits
        assert not bench.passes_all_but_the_crc(cobs.encode(whole[:-1]))
        assert not bench.passes_all_but_the_crc(cobs.encode(whole[:40] + b"\x01" + whole[40:])[:256])
    assert not bench.passes_all_but_the_crc(frames[0][:-2] + frames[1][:-1])  # two run together


def test_the_real_crc_lets_its_share_of_such_pieces_through(bench):
    # One in 2^32 cannot be counted, one in 256 can: the low byte of the difference between the CRC that came and the
    # right one. Were these differences not spread evenly (damage through COBS is no random pattern), the share of
    # 2^-32 would have nothing to stand on. Pearson's chi-square, 255 degrees of freedom: mean 255, s.d. sqrt(2 * 255).
    wrong = []
    for piece in bench.damaged_pieces(3e-3, 20_000, np.random.default_rng(5)):
        if bench.passes_all_but_the_crc(piece) == 32:
            content = bench.content_of(piece)
            wrong.append(zlib.crc32(content[:-4]) ^ int.from_bytes(content[-4:], "little"))
    assert len(wrong) > 10_000
    assert 0 not in wrong, "an undetected error in 20,000 frames"
    for byte in range(4):
        seen = np.bincount(np.array(wrong) >> 8 * byte & 0xFF, minlength=256)
        chi_square = ((seen - seen.mean()) ** 2 / seen.mean()).sum()
        assert abs(chi_square - 255) < 5 * np.sqrt(2 * 255)


def test_up_to_four_wrong_bits_in_a_frame_never_pass_the_crc():
    # Hamming distance 5 up to 2974 data bits for the CRC-32 polynomial 0x04C11DB7 (P. Koopman, CRC polynomial
    # zoo and "32-bit cyclic redundancy codes for Internet applications", DSN 2002; from memory). A frame
    # holds at most 250 bytes before its CRC: 2000 bits. Linear: what matters is the pattern alone.
    length = 250
    zero = zlib.crc32(bytes(length))

    def effect(bit: int) -> int:
        data = bytearray(length)
        data[bit // 8] ^= 1 << bit % 8
        return zlib.crc32(bytes(data)) ^ zero

    # A flip in the CRC itself changes that one bit of it.
    effects = np.array(
        [effect(bit) for bit in range(8 * length)] + [1 << k for k in range(32)], dtype=np.uint64
    )
    assert effects.size == np.unique(effects).size, "one or two bits"
    pairs = (effects[:, None] ^ effects[None, :])[np.triu_indices(effects.size, 1)]
    assert not np.isin(effects, pairs).any(), "three bits"
    # Four: two pairs with the same effect would cancel. Pairs that share a bit are pairs of two bits.
    assert np.unique(pairs).size == pairs.size, "four bits"
