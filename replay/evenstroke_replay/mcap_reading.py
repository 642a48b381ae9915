"""Records of an MCAP file, taken only where they belong and check.

The public library reads leniently: it passes over records that it does not know and takes messages outside
chunks, which no checksum guards. One flipped bit in an opcode then hides a chunk, or makes data of what is none.
A recorder of ours writes no such records, so whatever else stands among the data is damage.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import struct
import zlib
from collections.abc import Callable
from typing import IO

import zstandard
from mcap.data_stream import ReadDataStream, RecordBuilder
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Attachment, Chunk, DataEnd, Header, McapRecord, MessageIndex, Metadata, Statistics
from mcap.stream_reader import StreamReader, breakup_chunk, get_chunk_data_stream
from mcap.writer import MCAP0_MAGIC

RECORD_HEAD = struct.Struct("<BQ")
"""Opcode and length of what follows."""
_FOOTER = struct.Struct("<BQQQI")  # opcode, length, summary, its offsets, CRC

BROKEN = (
    McapError,
    zstandard.ZstdError,
    struct.error,
    ValueError,  # a CRC that does not match, text that is not UTF-8, JSON that does not fit
    KeyError,
    OverflowError,
    MemoryError,
)
"""What the MCAP library and our decoders raise for bytes that no recorder wrote."""


def data_records(opcode: int, body: bytes) -> list[McapRecord]:
    """The record with this opcode and body; for a chunk what is in it, its CRC checked.

    Raises one of `BROKEN` for one that does not stand among a recording's data, or does not check.
    """
    read = _READ.get(opcode)
    if read is None:
        raise ValueError(f"a record of the unknown kind 0x{opcode:02x}")
    stream = ReadDataStream(io.BytesIO(body))
    record = read(stream)
    if stream.count != len(body):
        raise ValueError(
            f"{type(record).__name__} of {len(body)} bytes, of which {stream.count} belong to it"
        )
    if isinstance(record, Chunk):
        return _in_chunk(record)
    if isinstance(record, Attachment):
        _check_attachment(record, body)
    return [record]


_READ: dict[int, Callable[[ReadDataStream], McapRecord]] = {
    Opcode.HEADER: Header.read,
    Opcode.CHUNK: Chunk.read,
    Opcode.MESSAGE_INDEX: MessageIndex.read,
    Opcode.ATTACHMENT: Attachment.read,
    Opcode.METADATA: Metadata.read,
    Opcode.DATA_END: DataEnd.read,
}
"""What stands in a recording's data section, outside chunks."""


def _in_chunk(chunk: Chunk) -> list[McapRecord]:
    # By ourselves, since the library takes a CRC of 0 for none.
    stream, length = get_chunk_data_stream(chunk)
    data = stream.read(length)
    if zlib.crc32(data) != chunk.uncompressed_crc:
        raise ValueError("the CRC of a chunk does not match")
    return breakup_chunk(dataclasses.replace(chunk, compression="", data=data))


def _check_attachment(attachment: Attachment, body: bytes) -> None:
    """Its CRC is its last four bytes; the MCAP reader passes over that."""
    builder = RecordBuilder()
    attachment.write(builder)
    written: bytes = builder.end()  # type: ignore[no-untyped-call]
    if written[-4:] != body[-4:]:
        raise ValueError(f"the CRC of the attachment {attachment.name!r} does not match")


def read_statistics(stream: IO[bytes]) -> tuple[Statistics, int] | None:
    """What the summary of a closed recording counts, and the place of the summary; None where there is none.

    The summary's own CRC is checked.
    """
    ends = len(MCAP0_MAGIC)
    size = stream.seek(0, io.SEEK_END)
    at = size - ends - _FOOTER.size
    if at < 0:
        return None
    stream.seek(at)
    tail = stream.read(_FOOTER.size + ends)
    opcode, length, start, offsets, crc = _FOOTER.unpack_from(tail)
    if tail[_FOOTER.size :] != MCAP0_MAGIC or (opcode, length) != (Opcode.FOOTER, _FOOTER.size - 9):
        return None
    if not 0 < start <= offsets <= at:
        return None
    stream.seek(start)
    summary = stream.read(at - start)
    if zlib.crc32(tail[: _FOOTER.size - 4], zlib.crc32(summary)) != crc:
        return None
    with contextlib.suppress(*BROKEN):
        for record in StreamReader(io.BytesIO(summary), skip_magic=True).records:
            if isinstance(record, Statistics):
                return record, start
    return None
