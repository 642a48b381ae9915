"""An MCAP file that grows at its end, chunk by chunk, in bounded memory.

The records are the public library's own. Its Writer is not used: it keeps half a kilobyte per chunk
until the file is closed, and a recording ends a chunk every 20 ms. Here the index that a closed file
ends with is read back from the file itself.
"""

from __future__ import annotations

import contextlib
import io
import os
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import zstandard
from mcap.data_stream import RecordBuilder
from mcap.opcode import Opcode
from mcap.records import (
    Attachment,
    AttachmentIndex,
    Channel,
    Chunk,
    ChunkIndex,
    DataEnd,
    Footer,
    Header,
    McapRecord,
    Message,
    MessageIndex,
    Metadata,
    MetadataIndex,
    Schema,
    Statistics,
    SummaryOffset,
)
from mcap.writer import MCAP0_MAGIC

if TYPE_CHECKING:
    from typing_extensions import Buffer

COMPRESSION = "zstd"
_RECORD = struct.Struct("<BQ")
_CHUNK_HEAD = struct.Struct(
    "<QQQII"
)  # start, end, size and CRC uncompressed, length of the compression's name
_SUMMARY_PIECE = 1 << 16
"""Bytes of the summary that are gathered before they are written."""


class McapFile:
    """One new MCAP file. Every method raises OSError; `give_up` then leaves it ending behind a whole record.

    channels: by their ids; they stand, with the schemas, in the first chunk.
    """

    def __init__(self, path: Path, profile: str, library: str) -> None:
        """Create the file, never over another one, and take note of what it begins with."""
        self._file = create(path)
        self.size = 0  # bytes that are whole in the file
        self._head = [MCAP0_MAGIC, _encoded(Header(profile, library))]
        self._head_size = sum(map(len, self._head))
        self._attachments: list[AttachmentIndex] = []
        self._metadata: list[MetadataIndex] = []
        self._schemas: list[Schema] = []
        self._channels: list[Channel] = []
        self._counts: dict[int, int] = {}
        self._chunks = 0
        self._times: tuple[int, int] | None = None
        self._first_chunk_at = 0
        self._compressor = zstandard.ZstdCompressor()

    # --- before the data -----------------------------------------------------------------------------

    def metadata(self, name: str, fields: dict[str, str]) -> None:
        record = _encoded(Metadata(name=name, metadata=fields))
        self._metadata.append(MetadataIndex(self._head_size, len(record), name))
        self._put_in_head(record)

    def attachment(self, log_time: int, name: str, media_type: str, data: bytes) -> None:
        record = _encoded(Attachment(0, log_time, name, media_type, data))
        self._attachments.append(
            AttachmentIndex(self._head_size, len(record), log_time, 0, len(data), name, media_type)
        )
        self._put_in_head(record)

    def begin(self, schemas: Iterable[Schema], channels: Iterable[Channel]) -> None:
        """Write everything that stands before the data."""
        self._schemas, self._channels = list(schemas), list(channels)
        self._append(b"".join(self._head))
        self._head.clear()
        self._first_chunk_at = self.size

    def _put_in_head(self, record: bytes) -> None:
        self._head.append(record)
        self._head_size += len(record)

    # --- data ----------------------------------------------------------------------------------------

    def chunk(self, messages: list[Message]) -> None:
        """Append messages as one chunk, checksummed and indexed, in one write."""
        records = RecordBuilder()
        if not self._chunks:
            for declaration in (*self._schemas, *self._channels):
                declaration.write(records)
        indexes: dict[int, MessageIndex] = {}
        for message in messages:
            index = indexes.setdefault(message.channel_id, MessageIndex(message.channel_id, []))
            index.records.append((message.log_time, records.count))
            message.write(records)
        body: bytes = records.end()  # type: ignore[no-untyped-call]
        times = [message.log_time for message in messages]
        first, last = min(times), max(times)
        chunk = Chunk(
            compression=COMPRESSION,
            data=self._compressor.compress(body),
            message_start_time=first,
            message_end_time=last,
            uncompressed_crc=zlib.crc32(body),
            uncompressed_size=len(body),
        )
        self._append(_encoded(chunk, *indexes.values()))
        self._chunks += 1
        for message in messages:
            self._counts[message.channel_id] = self._counts.get(message.channel_id, 0) + 1
        self._times = (
            (min(first, self._times[0]), max(last, self._times[1])) if self._times else (first, last)
        )

    def sync(self) -> None:
        """See what was written onto the disk. Raises FileNotFoundError where the file was deleted meanwhile."""
        os.fsync(self._file)
        if os.fstat(self._file).st_nlink == 0:
            # Writing to it would go on working, into nothing.
            raise FileNotFoundError("the file was deleted while it was being written")

    # --- the end -------------------------------------------------------------------------------------

    def finish(self) -> None:
        """Write the summary, whose index is read back from the file piece by piece, and close it."""
        self._append(_encoded(DataEnd(0)))
        data_end = self.size
        start, summary = self.size, _Summary(self._append)
        summary.group(Opcode.SCHEMA, self._schemas)
        summary.group(Opcode.CHANNEL, self._channels)
        summary.group(Opcode.STATISTICS, [self._statistics()])
        summary.group(Opcode.CHUNK_INDEX, self._chunk_indexes(data_end))
        summary.group(Opcode.ATTACHMENT_INDEX, self._attachments)
        summary.group(Opcode.METADATA_INDEX, self._metadata)
        summary.finish(start)
        os.fsync(self._file)
        self.close()

    def _statistics(self) -> Statistics:
        first, last = self._times if self._times else (0, 0)
        return Statistics(
            attachment_count=len(self._attachments),
            channel_count=len(self._channels),
            channel_message_counts=self._counts,
            chunk_count=self._chunks,
            message_count=sum(self._counts.values()),
            message_end_time=last,
            message_start_time=first,
            metadata_count=len(self._metadata),
            schema_count=len(self._schemas),
        )

    def _chunk_indexes(self, upto: int) -> Iterator[ChunkIndex]:
        stream = io.BufferedReader(_Behind(self._file, self._first_chunk_at), _SUMMARY_PIECE)
        place = self._first_chunk_at
        chunk: ChunkIndex | None = None
        while place < upto:
            opcode, length = _RECORD.unpack(stream.read(_RECORD.size))
            body = stream.read(length)
            if opcode == Opcode.MESSAGE_INDEX and chunk is not None:
                chunk.message_index_offsets[int.from_bytes(body[:2], "little")] = place
                chunk.message_index_length += _RECORD.size + length
            else:
                if chunk is not None:
                    yield chunk
                chunk = _index_of(place, body) if opcode == Opcode.CHUNK else None
            place += _RECORD.size + length
        if chunk is not None:
            yield chunk

    def give_up(self) -> None:
        """Take back half a record that a failed write may have left, and close."""
        with contextlib.suppress(OSError):
            os.ftruncate(self._file, self.size)
        self.close()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            os.close(self._file)

    def _append(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(self._file, rest) :]
        self.size += len(data)


class _Summary:
    """The summary section on its way into the file: its groups, their places and the CRC over it all."""

    def __init__(self, append: Callable[[bytes], None]) -> None:
        self._append = append
        self._builder = RecordBuilder()
        self._written = 0
        self._crc = 0
        self._groups: list[tuple[int, int, int]] = []

    def group(self, opcode: int, records: Iterable[McapRecord]) -> None:
        begins = self._place
        for record in records:
            record.write(self._builder)
            if self._builder.count >= _SUMMARY_PIECE:
                self._empty()
        self._groups.append((opcode, begins, self._place - begins))

    @property
    def _place(self) -> int:
        return self._written + self._builder.count

    def _empty(self) -> None:
        data: bytes = self._builder.end()  # type: ignore[no-untyped-call]
        self._crc = zlib.crc32(data, self._crc)
        self._append(data)
        self._written += len(data)

    def finish(self, start: int) -> None:
        """Write the offsets and the footer behind a summary that began at byte `start`."""
        offsets = start + self._place
        for opcode, begins, length in self._groups:
            SummaryOffset(group_opcode=opcode, group_start=start + begins, group_length=length).write(
                self._builder
            )
        self._empty()
        # The footer's CRC covers its own first fields too.
        crc = zlib.crc32(struct.pack("<BQQQ", Opcode.FOOTER, 8 + 8 + 4, start, offsets), self._crc)
        self._append(_encoded(Footer(start, offsets, crc)) + MCAP0_MAGIC)


class _Behind(io.RawIOBase):
    """Reads an open file from a place on that is its own: appending in between does not move it."""

    def __init__(self, file: int, place: int) -> None:
        self._file = file
        self._place = place

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Buffer) -> int:
        view = memoryview(buffer)
        os.lseek(self._file, self._place, os.SEEK_SET)
        data = os.read(self._file, len(view))
        view[: len(data)] = data
        self._place += len(data)
        return len(data)


def create(path: Path) -> int:
    """A new file that is read anywhere and written at its end. Raises FileExistsError where there is one."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND
    flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    return os.open(path, flags, 0o666)


def _index_of(place: int, body: bytes) -> ChunkIndex:
    first, last, size, _, name_length = _CHUNK_HEAD.unpack_from(body)
    at = _CHUNK_HEAD.size
    return ChunkIndex(
        chunk_length=_RECORD.size + len(body),
        chunk_start_offset=place,
        compression=body[at : at + name_length].decode(),
        compressed_size=int.from_bytes(body[at + name_length : at + name_length + 8], "little"),
        message_end_time=last,
        message_index_length=0,
        message_index_offsets={},
        message_start_time=first,
        uncompressed_size=size,
    )


def _encoded(*records: McapRecord) -> bytes:
    builder = RecordBuilder()
    for record in records:
        record.write(builder)
    data: bytes = builder.end()  # type: ignore[no-untyped-call]
    return data
