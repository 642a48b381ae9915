"""Reading a recording: all of it, or what there is up to the place where it was cut."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO

import msgspec
from evenstroke_dsp.blocks import Block
from evenstroke_dsp.setup import Setup, parse_setup
from mcap.exceptions import EndOfFile
from mcap.records import Attachment, Channel, DataEnd, Header, McapRecord, Message, Metadata
from mcap.writer import MCAP0_MAGIC

from .mcap_reading import BROKEN, RECORD_HEAD, data_records, read_statistics
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
    check_meta,
    decode_edges,
    decode_gap,
    decode_meta,
    decode_samples,
)

_SEQUENCES = 1 << 32


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
                        self._meet(record, self._channels)
                    if not check_all and self._meta is not None and self._setup_text is not None:
                        break
                    self.whole_bytes = whole.place
                else:
                    self.complete, self.whole_bytes = True, self._size
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
        if place and not self._channels:  # they are declared before the first data
            next(self.groups(), None)
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
                self.complete, self.whole_bytes = True, self._size
            except BROKEN as error:
                if not self._checked:
                    self.whole_bytes, self.cut = behind, _cut_sentence(behind, self._size, error)
                    return
                if self.cut is not None and behind == self.whole_bytes:
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

    A broken length would otherwise ask for many gigabytes at once.
    """

    def __init__(self, stream: IO[bytes], size: int, place: int = 0) -> None:
        self._stream = stream
        self._size = size
        self.place = place

    def read(self, length: int) -> bytes:
        if length > self._size - self.place:
            raise EndOfFile
        data = self._stream.read(length)
        if len(data) != length:
            raise EndOfFile
        self.place += length
        return data

    def check_end(self, counted: dict[int, int], from_the_beginning: bool) -> None:
        """Whether what follows the data is there, checks, and says that these messages were all.

        counted: messages by channel. Raises EndOfFile or ValueError.
        """
        summary = read_statistics(self._stream)
        if summary is None:
            self._stream.seek(-len(MCAP0_MAGIC), io.SEEK_END)
            if self._stream.read() != MCAP0_MAGIC:
                raise EndOfFile
            raise ValueError("the index behind the data is damaged")
        stated = summary[0].channel_message_counts
        for channel in stated if from_the_beginning else counted:
            missing = stated.get(channel, 0) - counted.get(channel, 0)
            if missing:
                raise ValueError(f"{missing} messages are missing at the end")


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
    found = record.metadata.get("format_version", "none")
    try:
        check_meta(record.metadata)
        # The version first: what the other fields of a later one mean is not for us to say.
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
            todo="it was written by something else, or damaged: `evenstroke recover` can save its data",
        ) from error


def _groups(whole: _WholeReads) -> Iterator[list[McapRecord]]:
    """What stands in the file record by record, a chunk's contents together once its CRC is checked.

    Ends behind a complete file; raises one of `BROKEN` where there is no more to read, or where messages are
    missing: a chunk whose opcode was damaged would otherwise be passed over.
    """
    from_the_beginning = whole.place == 0
    if from_the_beginning and whole.read(len(MCAP0_MAGIC)) != MCAP0_MAGIC:
        raise ValueError("the MCAP magic is damaged")
    counted: dict[int, int] = {}
    while True:
        opcode, length = RECORD_HEAD.unpack(whole.read(RECORD_HEAD.size))
        records = data_records(opcode, whole.read(length))
        for record in records:
            if isinstance(record, Message):
                channel = record.channel_id
                expected = counted.get(channel, 0 if from_the_beginning else record.sequence)
                if record.sequence != expected:
                    raise ValueError(f"{(record.sequence - expected) % _SEQUENCES} messages are missing")
                counted[channel] = (record.sequence + 1) % _SEQUENCES
        yield records
        if any(isinstance(record, DataEnd) for record in records):
            break
    whole.check_end(counted, from_the_beginning)


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
            "everything up to there was read, and `evenstroke recover` makes a new, complete recording of what is whole"
        )
    return (
        f"the recording is damaged behind byte {whole_bytes} of {size} "
        f"({str(error) or type(error).__name__}); everything up to there was read, and `evenstroke recover` makes a new "
        "recording that also holds what is whole behind it"
    )


_DECODERS: dict[str, Callable[[Message], Item]] = {
    BOARD_BYTES.topic: lambda m: RecordedBytes(m.log_time, m.data),
    NOTES.topic: lambda m: RecordedNote(m.log_time, msgspec.json.decode(m.data, type=Note)),
    PHASES.topic: lambda m: RecordedNote(m.log_time, msgspec.json.decode(m.data, type=Phase)),
    IMPORT_SAMPLES.topic: lambda m: RecordedBlock(decode_samples(m.data)),
    IMPORT_EDGES.topic: lambda m: RecordedBlock(decode_edges(m.data)),
    IMPORT_GAPS.topic: lambda m: RecordedBlock(decode_gap(m.data)),
}
