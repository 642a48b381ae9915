"""The two checksums of the wire, by their names in the CRC RevEng catalogue.

Both are appended little-endian. A CRC over a body that ends in its own CRC is then a
constant, so that checking a frame is one call and one comparison.
"""

from __future__ import annotations

import zlib
from typing import Final

import fastcrc

RESIDUE32: Final = 0x2144DF1C  # zlib.crc32 over any data followed by its own CRC
RESIDUE16: Final = 0x0000


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC."""
    return zlib.crc32(data)


def crc16(data: bytes) -> int:
    """CRC-16/MCRF4XX; avr-libc's `_crc_ccitt_update` from 0xFFFF."""
    return int(fastcrc.crc16.mcrf4xx(data))
