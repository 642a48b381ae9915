"""What is on the wire: kinds, layouts and limits. SPEC.md has the words, this file the numbers."""

from __future__ import annotations

import enum
import struct
from typing import Final

PROTOCOL_VERSION: Final = 1

DELIMITER: Final = b"\x00"
LONGEST_BODY: Final = 254
"""Payload and CRC together, bytes: up to here COBS adds exactly one byte."""
LONGEST_CODED: Final = LONGEST_BODY + 1
"""COBS-coded frame without its delimiter, bytes."""


class Kind(enum.IntEnum):
    """The first byte of every payload: below 0x80 the board speaks, from there on the host."""

    HELLO = 0x01
    SAMPLES = 0x02
    EDGES = 0x03
    COUNTERS = 0x04
    LOG = 0x05
    ACK = 0x06
    IDENTIFY = 0x81
    START = 0x82
    STOP = 0x83
    PING = 0x84


CRC32_KINDS: Final = frozenset({int(Kind.SAMPLES), int(Kind.EDGES)})
"""Kinds that end in CRC-32/ISO-HDLC; every other kind, known or not, ends in CRC-16/MCRF4XX."""

CRC16_BYTES: Final = 2
CRC32_BYTES: Final = 4

# The fixed parts, kind byte included. "<": little-endian, nothing is padded.
HELLO = struct.Struct("<BBQIBIBHBBIBBBB")
SAMPLES = struct.Struct("<BBIIIHHBB")
SAMPLES_SHAPE = struct.Struct("<IHHBB")  # its end, scan_ticks to format
EDGES = struct.Struct("<BBIIB")
EDGE = struct.Struct("<IB")
COUNTERS = struct.Struct("<BBIIIII")
LOG = struct.Struct("<BBB")
ACK = struct.Struct("<BBHBI")
COMMAND = struct.Struct("<BH")  # identify, stop, ping; the beginning of start
START = struct.Struct("<BHBIHB")
RATE = struct.Struct("<I")
INPUT = struct.Struct("<BB")

MOST_INPUTS: Final = 16  # an input mask is 16 bits
MOST_RATES: Final = 16
LONGEST_INPUT_NAME: Final = 16
LONGEST_BOARD_NAME: Final = 32
LONGEST_FIRMWARE_NAME: Final = 16
MOST_EDGES: Final = (LONGEST_BODY - CRC32_BYTES - EDGES.size) // EDGE.size  # 47
LONGEST_LOG: Final = LONGEST_BODY - CRC16_BYTES - LOG.size  # 249

COUNTING: Final = 0x80  # in a samples frame's format byte
RISING: Final = 0x80  # in an edge's input byte
EDGE_UNUSED: Final = 0x70
START_COUNTING: Final = 0x01  # in start's flags

GROUPS: Final[dict[int, tuple[int, int]]] = {10: (4, 5), 12: (2, 3), 16: (1, 2)}
"""Bits of a count: (samples, bytes) of one packed group."""


def packed_bytes(samples: int, bits: int) -> int:
    """Bytes that `samples` counts of `bits` bits (10, 12 or 16) take, the last group filled up."""
    group_samples, group_bytes = GROUPS[bits]
    return -(-samples // group_samples) * group_bytes


def most_scans(inputs: int, bits: int) -> int:
    """The most scans of `inputs` analog inputs that fit into one samples frame."""
    group_samples, group_bytes = GROUPS[bits]
    room = (LONGEST_BODY - CRC32_BYTES - SAMPLES.size) // group_bytes * group_samples
    return min(room // inputs, 255)


def mask_of(inputs: tuple[int, ...]) -> int:
    return sum(1 << index for index in inputs)


def inputs_of(mask: int) -> tuple[int, ...]:
    return tuple(index for index in range(MOST_INPUTS) if mask >> index & 1)
