"""Reading a recording: all of it, or what there is up to the place where it was cut."""

from __future__ import annotations

import contextlib
import io
import os
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO, cast

import msgspec
import zstandard
from evenstroke_dsp.blocks import Block
from evenstroke_dsp.setup import Setup, parse_setup
from mcap.data_stream import RecordBuilder
from mcap.exceptions import EndOfFile, McapError
from mcap.opcode import Opcode
from mcap.records import (
    Attachment,
    Channel,
    Chunk,
    Header,
    McapRecord,
    Message,
    Metadata,
    Statistics,
)
from mcap.stream_reader import StreamReader, breakup_chunk
from mcap.writer import MCAP0_MAGIC

from .recording_format import (
    BOARD_BYTES,
    FORMAT_VERSION,
    IMPORT_EDGES,
    IMPORT_GAPS,
    IMPORT_SAMPLES,
    META_NAME,
    NOTES,
    PHASES,
    PROFILE,
    SETUP_NAME,
    Note,
    Phase,
    RecordingError,
    RecordingMeta,
    decode_edges,
    decode_gap,
    decode_meta,
    decode_samples,
)


@dataclass(frozen=True, slots=True)
class RecordedBytes:
    """Bytes as the board's link gave them, and the host's monotonic clock then, nanoseconds."""

    host_ns: int
    data: bytes


@dataclass(frozen=True, slots=True, eq=False)
class RecordedBlock:
    """A block of an imported capture."""

    block: Block


@dataclass(frozen=True, slots=True)
class RecordedNote:
    """What the user said, or what was being done to the engine, at host_ns."""

    host_ns: int
    content: Note | Phase


Item = RecordedBytes | RecordedBlock | RecordedNote

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


class Recording:
    """A recording, checked from its first byte to its last when it is opened.

    path: the file. meta: where it comes from. setup_text: the set-up it was made with, word for word.
    complete: whether it ends as a recording that was closed ends.
    whole_bytes: how much of the file is whole; reading stops there.
    cut: None, or why the file is whole only up to there, in one sentence.

    check_all False opens it quickly and checks it as it is read: `complete`, `whole_bytes` and `cut` are
    then true only once everything was.
    """

    def __init__(self, path: Path, *, check_all: bool = True) -> None:
        self.path = path
        self.complete = False
        self.cut: str | None = None
        self.whole_bytes = 0
        self._checked = check_all
        self._meta: RecordingMeta | None = None
        self._setup_text: str | None = None
        self._channels: dict[int, str] = {}
        with opened(path) as stream:
            _check_beginning(path, stream)
            self._size = os.fstat(stream.fileno()).st_size
            whole = _WholeReads(stream, self._size)
            try:
                for records in _groups(whole):
                    for record in records:
                        if isinstance(record, Attachment) and not attachment_checks(record, whole.latest):
                            raise ValueError(f"the CRC of the attachment {record.name!r} does not match")
                        self._meet(record, self._channels)
                    if not check_all and self._meta is not None and self._setup_text is not None:
                        break
                    self.whole_bytes = whole.place
                else:
                    self.complete = True
            except BROKEN as error:
                self.cut = _cut_sentence(self.whole_bytes, self._size, error)
        if self._meta is None or self._setup_text is None:
            raise RecordingError(
                "this recording has no beginning",
                where=str(path),
                expected="where it comes from and the set-up, before any data",
                found=self.cut or "an MCAP file without them",
                todo="see whether `evenstroke recover` finds more in it, or use another recording",
            )
        self.meta: RecordingMeta = self._meta
        self.setup_text: str = self._setup_text

    def _meet(self, record: McapRecord, channels: dict[int, str]) -> None:
        """Take what a record says of the recording; decode data once, so that later nothing fails."""
        if isinstance(record, Header):
            _check_profile(self.path, record)
        elif isinstance(record, Metadata) and record.name == META_NAME and self._meta is None:
            self._meta = meta_of(self.path, record)
        elif isinstance(record, Attachment) and record.name == SETUP_NAME and self._setup_text is None:
            self._setup_text = record.data.decode()
        else:
            item_in(record, channels)

    @cached_property
    def setup(self) -> Setup:
        """The set-up that it was made with. Raises SetupError where this version cannot read it."""
        return parse_setup(self.setup_text, f"the set-up in {self.path}")

    def items(self) -> Iterator[Item]:
        """Everything that was handed to the recorder, in the same order.

        Raises RecordingError when the file changed since it was opened.
        """
        for _, items in self.groups():
            yield from items

    def groups(self, place: int = 0) -> Iterator[tuple[int, list[Item]]]:
        """The items as they stand together in the file, and with each group the place behind it.

        place: 0, or a place that an earlier group gave: goes on behind that one.
        Raises RecordingError when the file changed since it was opened.
        """
        with opened(self.path) as stream:
            stream.seek(place)
            whole = _WholeReads(stream, self.whole_bytes if self._checked else self._size, place)
            behind = place
            try:
                for records in _groups(whole):
                    items = [item for r in records if (item := item_in(r, self._channels)) is not None]
                    behind = whole.place
                    if items:
                        yield behind, items
                self.complete, self.whole_bytes = True, whole.place
            except BROKEN as error:
                if not self._checked:
                    self.whole_bytes, self.cut = behind, _cut_sentence(behind, self._size, error)
                    return
                if isinstance(error, EndOfFile) and whole.place == self.whole_bytes:
                    return  # the cut that was found when the file was opened
                raise RecordingError(
                    "the recording changed while it was read",
                    where=f"{self.path}, byte {whole.place}",
                    found=str(error) or type(error).__name__,
                    todo="read it again when nothing writes to it any more",
                ) from error

    @cached_property
    def host_span_ns(self) -> tuple[int, int] | None:
        """The first and the last log time, nanoseconds; None where the file does not end with a summary."""
        with opened(self.path) as stream:
            summary = read_statistics(stream)
        if summary is None or not summary[0].message_count:
            return None
        return summary[0].message_start_time, summary[0].message_end_time


def open_recording(path: Path, *, check_all: bool = True) -> Recording:
    """Open and check a recording; check_all False checks its data only as they are read.

    A file that was cut (the recorder was killed, the disk was full) opens, with `complete` False
    and `cut` saying where; what is before the cut reads as if nothing had happened.

    Raises RecordingError for a file that is empty, is no recording of evenstroke's, was written by
    a newer version, or was cut before the set-up was in it.
    """
    return Recording(path, check_all=check_all)


class _WholeReads:
    """A file that gives as many bytes as it is asked for, or says that it has ended.

    The MCAP reader takes a short read for a whole one, and would ask for a broken length of
    many gigabytes at once.
    """

    def __init__(self, stream: IO[bytes], size: int, place: int = 0) -> None:
        self._stream = stream
        self._size = size
        self.place = place
        self.latest = b""  # what the latest read gave

    def read(self, length: int) -> bytes:
        if length > self._size - self.place:
            raise EndOfFile
        data = self._stream.read(length)
        if len(data) != length:
            raise EndOfFile
        self.place += length
        self.latest = data
        return data


def opened(path: Path) -> IO[bytes]:
    """The file, for reading. Raises RecordingError."""
    try:
        return path.open("rb")
    except OSError as error:
        raise RecordingError(
            "the recording cannot be opened",
            where=str(path),
            found=error.strerror or str(error),
            todo="check the path and who may read it",
        ) from error


def _check_beginning(path: Path, stream: IO[bytes]) -> None:
    beginning = stream.read(len(MCAP0_MAGIC))
    stream.seek(0, io.SEEK_SET)
    if not beginning:
        raise RecordingError(
            "this recording is empty",
            where=str(path),
            expected="an MCAP file",
            found="0 bytes",
            todo="nothing was recorded into it; use another recording",
        )
    if not MCAP0_MAGIC.startswith(beginning):
        raise RecordingError(
            "this is no recording",
            where=str(path),
            expected=f"an MCAP file, which begins with the bytes {MCAP0_MAGIC.hex(' ')}",
            found=beginning.hex(" "),
            todo="give a .mcap file that evenstroke recorded; a capture as CSV needs --setup to be judged",
        )


def _check_profile(path: Path, header: Header) -> None:
    if header.profile != PROFILE:
        raise RecordingError(
            "this MCAP file was recorded for another job",
            where=str(path),
            expected=f"the profile {PROFILE!r}",
            found=f"the profile {header.profile!r}, written by {header.library!r}",
            todo="export its data as CSV (time in seconds, volts) and judge that with --setup",
        )


def meta_of(path: Path, record: Metadata) -> RecordingMeta:
    """What a recording says of itself. Raises RecordingError where this version cannot read it."""
    # The version first: what the other fields of a later one mean is not for us to say.
    found = record.metadata.get("format_version", "none")
    try:
        number = msgspec.json.decode(found, type=int)
        if number > FORMAT_VERSION:
            raise RecordingError(
                "this recording was made by a newer evenstroke",
                where=str(path),
                expected=f"format version {FORMAT_VERSION}",
                found=f"format version {number}, by evenstroke {record.metadata.get('evenstroke_version')}",
                todo="update evenstroke and try again",
            )
        return decode_meta(record.metadata)
    except msgspec.DecodeError as error:
        raise RecordingError(
            "what this recording says of itself cannot be read",
            where=f"{path}, metadata {META_NAME!r}",
            expected=f"the fields of format version {FORMAT_VERSION}",
            found=str(error),
            todo="it was written by something else, or damaged; use another recording",
        ) from error


def _groups(whole: _WholeReads) -> Iterator[list[McapRecord]]:
    """What stands in the file record by record, a chunk's contents together once its CRC is checked.

    Ends behind a complete file; raises one of `BROKEN` where there is no more to read.
    """
    reader = StreamReader(cast(IO[bytes], whole), skip_magic=whole.place > 0, emit_chunks=True)
    for record in reader.records:
        yield breakup_chunk(record, validate_crc=True) if isinstance(record, Chunk) else [record]


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


def attachment_checks(attachment: Attachment, stated: bytes) -> bool:
    """Whether an attachment is what its CRC, its last four bytes, says: the MCAP reader passes over that."""
    builder = RecordBuilder()
    attachment.write(builder)
    written: bytes = builder.end()  # type: ignore[no-untyped-call]
    return written[-4:] == stated


def item_in(record: McapRecord, channels: dict[int, str]) -> Item | None:
    """The item in a record, None where it holds none; learns the channels on the way."""
    if isinstance(record, Channel):
        channels[record.id] = record.topic
    elif isinstance(record, Message):
        decode = _DECODERS.get(channels[record.channel_id])
        if decode is not None:  # a topic that a later version added is passed over
            return decode(record)
    return None


def _cut_sentence(whole_bytes: int, size: int, error: BaseException) -> str:
    if isinstance(error, EndOfFile):
        return (
            f"the recording was cut: it was never closed, and {whole_bytes} of its {size} bytes are whole; "
            "everything up to there was read"
        )
    return (
        f"the recording is damaged behind byte {whole_bytes} of {size} "
        f"({str(error) or type(error).__name__}); everything up to there was read"
    )


_DECODERS: dict[str, Callable[[Message], Item]] = {
    BOARD_BYTES.topic: lambda m: RecordedBytes(m.log_time, m.data),
    NOTES.topic: lambda m: RecordedNote(m.log_time, msgspec.json.decode(m.data, type=Note)),
    PHASES.topic: lambda m: RecordedNote(m.log_time, msgspec.json.decode(m.data, type=Phase)),
    IMPORT_SAMPLES.topic: lambda m: RecordedBlock(decode_samples(m.data)),
    IMPORT_EDGES.topic: lambda m: RecordedBlock(decode_edges(m.data)),
    IMPORT_GAPS.topic: lambda m: RecordedBlock(decode_gap(m.data)),
}
