"""The packing of counts, against an unpacker that follows SPEC.md bit by bit."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_protocol.packing import pack, unpack
from evenstroke_protocol.wire import GROUPS, most_scans, packed_bytes
from hypothesis import given
from hypothesis import strategies as st

BITS = sorted(GROUPS)


def unpack_bit_by_bit(packed: bytes, bits: int, samples: int) -> list[int]:
    """SPEC.md, "Packing", read literally: no library, one bit at a time."""
    per_group = {10: 4, 12: 2, 16: 1}[bits]
    group_bytes = {10: 5, 12: 3, 16: 2}[bits]
    counts = []
    for sample in range(samples):
        group, place = divmod(sample, per_group)
        low = packed[group * group_bytes + place]
        high = packed[group * group_bytes + per_group]
        count = 0
        for bit in range(8):
            if low >> bit & 1:
                count += 2**bit
        for bit in range(bits - 8):
            if high >> (place * (bits - 8) + bit) & 1:
                count += 2 ** (8 + bit)
        counts.append(count)
    return counts


@given(st.data(), st.sampled_from(BITS))
def test_both_ways_against_the_reference(data: st.DataObject, bits: int) -> None:
    counts = data.draw(st.lists(st.integers(0, 2**bits - 1), min_size=1, max_size=184))
    packed = pack(np.array(counts, dtype=np.uint16), bits)
    assert len(packed) == packed_bytes(len(counts), bits)
    assert unpack_bit_by_bit(packed, bits, len(counts)) == counts
    filled = unpack(np.frombuffer(packed, dtype=np.uint8)[None, :], bits)[0].tolist()
    assert filled[: len(counts)] == counts
    assert not any(filled[len(counts) :])


@given(st.data(), st.sampled_from(BITS))
def test_many_frames_in_one_call_are_each_what_they_are_alone(data: st.DataObject, bits: int) -> None:
    per_group, group_bytes = GROUPS[bits]
    groups = data.draw(st.integers(1, 46))
    rows = data.draw(
        st.lists(
            st.binary(min_size=groups * group_bytes, max_size=groups * group_bytes), min_size=1, max_size=6
        )
    )
    together = unpack(np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(len(rows), -1), bits)
    assert together.dtype == np.uint16
    for row, counts in zip(rows, together, strict=True):
        assert counts.tolist() == unpack_bit_by_bit(row, bits, groups * per_group)


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("inputs", range(1, 17))
def test_the_most_scans_fit_and_one_more_does_not(bits: int, inputs: int) -> None:
    room = 254 - 4 - 20  # body, CRC-32, header
    scans = most_scans(inputs, bits)
    assert packed_bytes(scans * inputs, bits) <= room
    assert scans == 255 or packed_bytes((scans + 1) * inputs, bits) > room


def test_four_inputs_of_ten_bits_make_46_scans() -> None:
    assert most_scans(4, 10) == 46
    assert packed_bytes(46 * 4, 10) == 230
