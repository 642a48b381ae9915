"""Counts of 10, 12 or 16 bits to packed bytes and back, many frames in one go.

A group is the low bytes of its samples in order, then one byte with what lies above
them, first sample lowest: an 8-bit board stores the ADC's low byte as it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from evenstroke_protocol.wire import GROUPS, packed_bytes

Counts = npt.NDArray[np.uint16]
Bytes = npt.NDArray[np.uint8]


def pack(counts: Counts, bits: int) -> bytes:
    """Packed bytes of one frame's counts, any shape, in C order; each below 2**bits."""
    group_samples, group_bytes = GROUPS[bits]
    groups = packed_bytes(counts.size, bits) // group_bytes
    filled = np.zeros(groups * group_samples, dtype="<u2")
    filled[: counts.size] = counts.ravel()
    if bits == 16:
        return filled.tobytes()
    grouped = filled.reshape(groups, group_samples)
    packed = np.empty((groups, group_bytes), dtype=np.uint8)
    packed[:, :group_samples] = grouped & 0xFF
    packed[:, group_samples] = ((grouped >> 8) << _high_shifts(bits)).sum(axis=1)
    return packed.tobytes()


def unpack(packed: Bytes, bits: int) -> Counts:
    """Counts of shape (frames, samples), the last group's filling included; packed: (frames, bytes)."""
    group_samples, group_bytes = GROUPS[bits]
    frames = packed.shape[0]
    if bits == 16:
        return np.ascontiguousarray(packed).view("<u2").astype(np.uint16, copy=False)
    grouped = packed.reshape(frames, -1, group_bytes)
    counts = _HIGH[bits][grouped[:, :, group_samples]].view(np.uint16).reshape(frames, -1, group_samples)
    counts |= grouped[:, :, :group_samples]
    return counts.reshape(frames, -1)


def _high_shifts(bits: int) -> npt.NDArray[np.uint16]:
    return np.arange(GROUPS[bits][0], dtype=np.uint16) * np.uint16(bits - 8)


def _high_table(bits: int) -> npt.NDArray[np.unsignedinteger]:
    """Element b: what a group's last byte b adds to the group's samples, all of them in one integer."""
    last = np.arange(256, dtype=np.uint16)[:, None]
    lanes = ((last >> _high_shifts(bits)) & np.uint16((1 << (bits - 8)) - 1)) << np.uint16(8)
    return lanes.view(f"u{2 * GROUPS[bits][0]}").ravel()


_HIGH: Final = {bits: _high_table(bits) for bits in (10, 12)}
