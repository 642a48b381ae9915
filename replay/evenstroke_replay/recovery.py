"""Salvage of a recording that was cut or damaged: everything that checks goes into a new, complete one.

Each chunk stands alone and carries its own checksum. So behind a damaged place the next good chunk is
looked for, and what lies between is counted: messages by the recorder's own numbers, blocks and scans by the
board's. What cannot be counted, because nothing comes behind it, is said to be unknown.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.wording import counted
from evenstroke_protocol.decoder import FrameDecoder
from evenstroke_protocol.errors import DeviceProtocolError
from evenstroke_protocol.events import Edges, Hello, NeedData, Samples
from evenstroke_protocol.wire import DELIMITER
from mcap.records import Attachment, Channel, DataEnd, McapRecord, Message, Metadata
from mcap.writer import MCAP0_MAGIC

from .mcap_reading import BROKEN, RECORD_HEAD, data_records, read_statistics
from .recorder import Recorder
from .recording import (
    Item,
    RecordedBlock,
    RecordedBytes,
    RecordedNote,
    item_in,
    meta_of,
    opened,
)
from .recording_format import (
    CHANNELS,
    FORMAT_VERSION,
    META_NAME,
    SETUP_NAME,
    Note,
    RecordingError,
    RecordingMeta,
    check_meta,
)
from .whole_file import require_recording_name, written_whole

_SEQUENCES = 1 << 32
_SIGNATURES = (
    (b"\x04\x00\x00\x00zstd", 9 + 8 + 8 + 8 + 4),
    (struct.pack("<I", len(SETUP_NAME)) + SETUP_NAME.encode(), 9 + 8 + 8),
    (struct.pack("<I", len(META_NAME)) + META_NAME.encode(), 9),
)
"""What a chunk, the set-up and the metadata have in them, and how far behind their beginning."""
_WINDOW = 1 << 20
_MOST_BYTES_OF_A_RECORD = 1 << 30
_UNKNOWN = "unknown"


@dataclass(slots=True)
class Hole:
    """A place where the file holds nothing that checks.

    at_byte, size: where, in bytes of the file. messages: how many the recorder had numbered there; None
    where that cannot be told. blocks, scans, edge_frames: what the board had numbered and the new
    recording lacks; scans is None where another run began in the hole. seconds: by the board's
    ticks where scans are known, else between the host times of what came before and after; None at an end.
    """

    at_byte: int
    size: int
    messages: int | None = None
    blocks: int = 0
    scans: int | None = 0
    edge_frames: int = 0
    seconds: float | None = None
    at_the_end: bool = False

    @property
    def lost_data(self) -> bool:
        return self.messages != 0

    def sentence(self) -> str:
        """What is missing here, for a person."""
        where = f"byte {self.at_byte}: {self.size} bytes hold nothing that checks"
        if not self.lost_data:
            return f"{where}; no data were in them"
        if self.messages is None:
            return f"{where}; how much came there, or behind it, cannot be told"
        parts = [f"{counted(self.messages, 'piece')} of the recording"]
        if self.blocks:
            scans = "an unknown number of" if self.scans is None else str(self.scans)
            parts.append(f"{self.blocks} sample blocks ({scans} scans of every input)")
        elif self.scans is None:
            parts.append("an unknown number of scans: another run of the board began here")
        elif self.scans:
            parts.append(f"{self.scans} scans")
        if self.edge_frames:
            parts.append(f"{self.edge_frames} frames of edges")
        if self.seconds is not None:
            parts.append(f"{self.seconds:.4f} s")
        return f"{where}; lost: {', '.join(parts)}"


@dataclass(slots=True)
class Salvage:
    """What `recover` did.

    closed: the recording had been closed. hello_lost: it is a board's, and what the board said of itself is
    not in what was kept. meta_lost, setup_given: where it comes from could not be read;
    the set-up was the caller's. messages, bytes_kept: what is in the new recording; bytes_kept counts what
    the board sent. imported: it holds an imported capture. kept_s: from the first to the last that was kept, by the
    host's clock of a board's bytes, by the capture's own times of an import. holes: in the order of the file.
    """

    path: Path
    out: Path
    closed: bool = False
    hello_lost: bool = False
    meta_lost: bool = False
    setup_given: bool = False
    messages: int = 0
    bytes_kept: int = 0
    imported: bool = False
    kept_s: float = 0.0
    holes: list[Hole] = field(default_factory=list)

    @property
    def lost(self) -> bool:
        """Whether any data are known or must be feared to be missing."""
        return (
            self.hello_lost
            or self.meta_lost
            or self.setup_given
            or any(hole.lost_data for hole in self.holes)
        )

    def sentences(self) -> list[str]:
        """The whole account, for a person."""
        kept = (
            f"{self.kept_s:.2f} s of the imported capture"
            if self.imported
            else f"{self.bytes_kept} bytes from the board, {self.kept_s:.2f} s by the host's clock"
        )
        said = [f"kept: {counted(self.messages, 'piece')}, {kept}"]
        said += [hole.sentence() for hole in self.holes]
        if self.hello_lost:
            said.append(
                "no hello of the board is in what was kept: its samples are there, but without its clock rate and "
                "reference they have no seconds and no volts"
            )
        if self.meta_lost:
            said.append("when it was recorded, and by which version, could not be read any more")
        if self.setup_given:
            said.append("its set-up could not be read any more; the one that was given took its place")
        if not self.closed and not any(hole.at_the_end for hole in self.holes):
            said.append("it was never closed, and ends behind a whole piece, as when the recorder was killed")
        if not self.lost:
            said.append("nothing that had been written to it is lost")
        return said


def recover(path: Path, out: Path, setup_text: str | None = None) -> Salvage:
    """Copy everything that checks into a new recording, which is complete; the old one is left alone.

    setup_text: takes the place of the recording's own set-up where that cannot be read any more.
    Where something is missing the new recording holds a note; a board's stream also gets one zero byte
    there, which ends the frame that was cut, so that the next one is not lost with it.

    Raises RecordingError where there is nothing to salvage, or the recording is another job's or a newer
    version's; OutputError where `out` exists already or cannot be written. Then nothing is left behind.
    """
    require_recording_name(out)
    salvage = Salvage(path, out)
    with written_whole(out, replace=False) as part, opened(path) as stream:
        size = os.fstat(stream.fileno()).st_size
        summary = read_statistics(stream)
        ends = size if summary is None else summary[1]
        salvage.closed = summary is not None
        counts = summary[0].channel_message_counts if summary else None
        _Copy(salvage, part, setup_text, counts).run(_records(stream, ends))
    return salvage


@dataclass(frozen=True, slots=True)
class _Damage:
    """Bytes of the file in which no record was found."""

    begins: int
    ends: int
    at_the_end: bool


class _Copy:
    """One pass over what was found in the old file, on its way into the new one."""

    def __init__(
        self, salvage: Salvage, out: Path, setup_text: str | None, expected: dict[int, int] | None
    ) -> None:
        self._salvage = salvage
        self._out = out
        self._given = setup_text
        self._expected = expected  # messages by channel, where the summary says so
        self._setup: str | None = None
        self._meta: RecordingMeta | None = None
        # The ids that every recorder of this version gives, for when the first chunk is gone.
        self._channels = {number: kind.topic for number, kind in enumerate(CHANNELS, 1)}
        self._next: dict[int, int] = {}
        self._recorder: Recorder | None = None
        self._board = _BoardCount()
        self._import = _ImportCount()
        self._open: list[Hole] = []  # holes that no message has come behind yet
        self._first_ns: int | None = None
        self._last_ns = 0

    def run(self, found: Iterator[McapRecord | _Damage]) -> None:
        try:
            for record in found:
                self._take(record)
            self._end()
        finally:
            if self._recorder is not None:
                self._recorder.close()

    def _take(self, record: McapRecord | _Damage) -> None:
        if isinstance(record, _Damage):
            self._open.append(Hole(record.begins, record.ends - record.begins, at_the_end=record.at_the_end))
            self._salvage.holes.append(self._open[-1])
        elif isinstance(record, Metadata) and record.name == META_NAME and self._meta is None:
            self._meta = meta_of(self._salvage.path, record)
        elif isinstance(record, Attachment) and record.name == SETUP_NAME and self._setup is None:
            self._setup = record.data.decode()
        elif isinstance(record, Channel):
            self._channels[record.id] = record.topic
        elif isinstance(record, Message):
            self._message(record)
        elif isinstance(record, DataEnd):
            self._salvage.closed = True

    def _message(self, message: Message) -> None:
        missing = (message.sequence - self._next.get(message.channel_id, 0)) % _SEQUENCES
        self._next[message.channel_id] = (message.sequence + 1) % _SEQUENCES
        item = item_in(message, self._channels)
        if item is None:
            return
        recorder = self._recorder or self._begin(item)
        self._recorder = recorder
        if missing and not self._open:
            # Whole chunks were taken out of the file, so that nothing in it looks damaged.
            self._open.append(Hole(0, 0))
            self._salvage.holes.append(self._open[-1])
        if self._open:
            self._close_holes(recorder, item, missing)
        self._copy(recorder, item)

    def _close_holes(self, recorder: Recorder, item: Item, missing: int) -> None:
        """The first message behind one or several holes came; the last one of them takes the count."""
        for hole in self._open:
            hole.messages = 0
            hole.scans = 0
        hole = self._open[-1]
        hole.messages = missing
        self._open.clear()
        if not missing:
            return
        host_ns = self._last_ns if isinstance(item, RecordedBlock) else item.host_ns
        recorder.note(
            f"recovered: {counted(missing, 'piece is', 'pieces are')} missing here (byte {hole.at_byte})",
            host_ns,
            "here",
        )
        if isinstance(item, RecordedBlock):
            self._import.expect(hole)
        else:
            if self._first_ns is not None:
                hole.seconds = max(0.0, (item.host_ns - self._last_ns) / 1e9)
            recorder.received(DELIMITER, host_ns)
            self._board.expect(hole)

    def _begin(self, item: Item) -> Recorder:
        salvage = self._salvage
        text = self._setup
        if text is None:
            if self._given is None:
                raise RecordingError(
                    "the set-up in this recording cannot be read any more",
                    where=str(salvage.path),
                    expected=f"the attachment {SETUP_NAME}, with the checksum that it was written with",
                    found="; ".join(hole.sentence() for hole in salvage.holes) or "none",
                    todo="give the set-up that it was made with: evenstroke recover PATH --setup FILE",
                )
            text, salvage.setup_given = self._given, True
        meta = self._meta
        if meta is None:
            salvage.meta_lost = True
            meta = RecordingMeta(
                format_version=FORMAT_VERSION,
                evenstroke_version=_UNKNOWN,
                started_at=_UNKNOWN,
                started_host_ns=0 if isinstance(item, RecordedBlock) else item.host_ns,
                source="import" if isinstance(item, RecordedBlock) else "board",
            )
        return Recorder.copy_of(self._out, text, meta)

    def _copy(self, recorder: Recorder, item: Item) -> None:
        salvage = self._salvage
        salvage.messages += 1
        if isinstance(item, RecordedBlock):
            gap = self._import.gap_before(item)
            if gap is not None:
                recorder.imported(gap)
            recorder.imported(item.block)
            salvage.imported, salvage.kept_s = True, self._import.kept_s
            return
        if isinstance(item, RecordedNote):
            if isinstance(item.content, Note):
                recorder.note(item.content.text, item.host_ns, item.content.missing)
            else:
                recorder.phase(item.content.phase, item.host_ns)
            return
        recorder.received(item.data, item.host_ns)
        salvage.bytes_kept += len(item.data)
        self._board.receive(item)
        if self._first_ns is None:
            self._first_ns = item.host_ns
        self._last_ns = item.host_ns
        salvage.kept_s = (self._last_ns - self._first_ns) / 1e9

    def _end(self) -> None:
        if self._recorder is None:
            raise RecordingError(
                "there is nothing to salvage",
                where=str(self._salvage.path),
                expected="at least one whole piece of an evenstroke recording",
                found="; ".join(hole.sentence() for hole in self._salvage.holes) or "no data in it",
                todo="use another recording",
            )
        self._salvage.hello_lost = self._salvage.bytes_kept > 0 and not self._board.hello_came
        missing = None
        if self._expected is not None:
            missing = sum(
                max(0, count - self._next.get(channel, 0)) for channel, count in self._expected.items()
            )
        elif self._salvage.closed:
            missing = 0 if not self._open else None
        if missing and not self._open:
            self._open.append(Hole(0, 0))
            self._salvage.holes.append(self._open[-1])
        for hole in self._open:
            hole.messages = 0
        if self._open:
            self._open[-1].messages = missing
            self._open[-1].scans = None
            if missing != 0:
                self._recorder.note("recovered: what came behind this is missing", self._last_ns, "behind")


class _BoardCount:
    """What a board numbered and did not come, by its own sequence numbers and ticks."""

    def __init__(self) -> None:
        self._decoder: FrameDecoder | None = FrameDecoder()
        self.hello_came = False
        self._clock_hz: int | None = None
        self._samples: tuple[int, int, int] | None = None  # run, next sequence, next tick
        self._edges: tuple[int, int] | None = None  # run, next sequence
        self._waiting: Hole | None = None  # samples have not come behind it yet
        self._waiting_edges: Hole | None = None

    def expect(self, hole: Hole) -> None:
        """The next bytes come behind a hole."""
        if self._decoder is not None:
            self._decoder.receive(DELIMITER)
            self._drain()
        if self._waiting is not None:
            self._waiting.scans = None  # no samples came between the two: the later one takes it all
        self._waiting = self._waiting_edges = hole

    def receive(self, item: RecordedBytes) -> None:
        if self._decoder is not None:
            self._decoder.receive(item.data)
            self._drain()

    def _drain(self) -> None:
        assert self._decoder is not None
        try:
            while not isinstance(event := self._decoder.next_event(), NeedData):
                if isinstance(event, Hello):
                    self._clock_hz = event.clock_hz
                    self.hello_came = True
                elif isinstance(event, Samples):
                    self._count_samples(event)
                elif isinstance(event, Edges):
                    self._count_edges(event)
        except DeviceProtocolError:
            # The bytes are kept whatever they mean; only what is missing cannot be counted any more.
            self._decoder = None
            if self._waiting is not None:
                self._waiting.scans = None

    def _count_samples(self, event: Samples) -> None:
        hole, self._waiting = self._waiting, None
        if hole is not None:
            if self._samples is None or self._samples[0] != event.run:
                hole.scans = None
            else:
                _, sequence, tick = self._samples
                hole.blocks = (event.sequence - sequence) % _SEQUENCES
                hole.scans = round((event.tick - tick) / event.scan_ticks)
                if self._clock_hz:
                    hole.seconds = hole.scans * event.scan_ticks / self._clock_hz
        scans = int(event.counts.shape[0])
        self._samples = (event.run, (event.sequence + 1) % _SEQUENCES, event.tick + scans * event.scan_ticks)

    def _count_edges(self, event: Edges) -> None:
        hole, self._waiting_edges = self._waiting_edges, None
        if hole is not None and self._edges is not None and self._edges[0] == event.run:
            hole.edge_frames = (event.sequence - self._edges[1]) % _SEQUENCES
        self._edges = (event.run, (event.sequence + 1) % _SEQUENCES)


class _ImportCount:
    """What an imported recording lacks, by the times in its blocks."""

    def __init__(self) -> None:
        self._begins: float | None = None
        self._ends: float | None = None
        self._waiting: Hole | None = None

    @property
    def kept_s(self) -> float:
        """From the first sample to the end of the last one; 0 where level changes alone came."""
        return 0.0 if self._begins is None or self._ends is None else self._ends - self._begins

    def expect(self, hole: Hole) -> None:
        self._waiting = hole

    def gap_before(self, item: RecordedBlock) -> Gap | None:
        """The gap that the hole before this block made, where there was one and both its ends are known."""
        block, gap = item.block, None
        if isinstance(block, SampleBlock):
            hole, self._waiting = self._waiting, None
            if hole is not None and self._ends is not None and block.t0 > self._ends:
                hole.scans = round((block.t0 - self._ends) / block.dt)
                hole.seconds = block.t0 - self._ends
                gap = Gap(self._ends, block.t0, hole.scans, GapReason.RECORDING_DAMAGED)
            elif hole is not None:
                hole.scans = None
            self._begins = block.t0 if self._begins is None else self._begins
            self._ends = block.t0 + block.samples * block.dt
        elif isinstance(block, EdgeBlock) and self._waiting is not None and self._ends is None:
            self._waiting.scans = None
        return gap


# --- what is found in the file ---------------------------------------------------------------------------


def _records(stream: IO[bytes], ends: int) -> Iterator[McapRecord | _Damage]:
    """Records that check, chunks taken apart, and the damage between them, up to byte `ends`."""
    stream.seek(0)
    place = len(MCAP0_MAGIC) if stream.read(len(MCAP0_MAGIC)) == MCAP0_MAGIC else 0
    while place < ends:
        found = _record_at(stream, place, ends)
        if found is None:
            again = _next_good(stream, place + 1, ends)
            behind = ends if again is None else again
            yield _Damage(place, behind, again is None)
            place = behind
            continue
        size, records = found
        yield from records
        if any(isinstance(record, DataEnd) for record in records):
            return  # what follows repeats what was said before
        place += size


def _record_at(stream: IO[bytes], place: int, ends: int) -> tuple[int, list[McapRecord]] | None:
    """The size of the record at `place` and what is in it; None where there is none that checks."""
    stream.seek(place)
    head = stream.read(RECORD_HEAD.size)
    if len(head) < RECORD_HEAD.size:
        return None
    opcode, length = RECORD_HEAD.unpack(head)
    if length > min(ends - place - RECORD_HEAD.size, _MOST_BYTES_OF_A_RECORD):
        return None
    body = stream.read(length)
    if len(body) < length:
        return None
    try:
        records = data_records(opcode, body)
        for record in records:
            if isinstance(record, Metadata) and record.name == META_NAME:
                check_meta(record.metadata)
    except BROKEN:
        return None
    return RECORD_HEAD.size + length, records


def _next_good(stream: IO[bytes], place: int, ends: int) -> int | None:
    """The first place from here on where a chunk, the set-up or the metadata stand whole."""
    while place < ends:
        stream.seek(place)
        window = stream.read(min(_WINDOW, ends - place))
        candidates = sorted(
            place + at - back
            for signature, back in _SIGNATURES
            for at in _all(window, signature)
            if at >= back
        )
        for candidate in candidates:
            if _record_at(stream, candidate, ends) is not None:
                return candidate
        if place + len(window) >= ends:
            return None
        place += len(window) - max(back + len(signature) for signature, back in _SIGNATURES)
    return None


def _all(data: bytes, part: bytes) -> Iterator[int]:
    at = data.find(part)
    while at >= 0:
        yield at
        at = data.find(part, at + 1)
