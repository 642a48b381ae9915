"""Writing a recording, so that whatever was handed in is on its way to the disk within 20 ms.

The file is MCAP (FORMAT.md says what is in it, and what is kept when something happens). What comes
within 20 ms makes one complete, self-delimiting, checksummed chunk: a process that is killed loses
nothing that was flushed. The memory that it takes does not grow with the recording.
"""

from __future__ import annotations

import contextlib
import os
import re
import unicodedata
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.messages import CodedWarning, PhaseName, SetupNote
from mcap.records import Channel, Message, Schema

from .mcap_file import McapFile
from .recording_format import (
    BOARD_BYTES,
    CHANNELS,
    FORMAT_VERSION,
    IMPORT_EDGES,
    IMPORT_GAPS,
    IMPORT_SAMPLES,
    META_NAME,
    NOTES,
    PHASES,
    PROFILE,
    SETUP_MEDIA_TYPE,
    SETUP_NAME,
    ChannelKind,
    Missing,
    Note,
    Phase,
    RecordingError,
    RecordingMeta,
    encode_edges,
    encode_gap,
    encode_meta,
    encode_samples,
)
from .whole_file import remedy_for

HOLD_NS = 20_000_000
"""The longest that a piece is held back so that several share a chunk, and its bookkeeping."""
_MOST_HELD_BYTES = 1 << 20
_SYNC_EVERY_NS = 1_000_000_000
"""Between two requests that the disk itself keeps what the system holds: what a power cut may cost."""


class ImportedFrom(msgspec.Struct, frozen=True, kw_only=True):
    """The capture that an imported recording was made from."""

    file: str
    sha256: str
    duration_s: float
    warnings: tuple[CodedWarning, ...]


def recording_name(started_at: datetime, title: str) -> str:
    """File name of a recording: its wall time, then its title in plain letters, then `.mcap`."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    return f"{started_at:%Y-%m-%dT%H%M%S}{'-' + slug if slug else ''}.mcap"


class Recorder:
    """One recording that is being written. Not for use from several threads at once.

    path: the file. bytes_written: its size so far. due_ns: when what is held back must be flushed, or
    None when nothing is. Host times are nanoseconds of a monotonic clock, never negative; wall times
    are passed in.

    Every method raises RecordingError when the file cannot be written. What was flushed before is kept,
    the file then ends behind it, and every later call fails with the same error: the caller can go on
    without it, or begin another recording.
    """

    def __init__(
        self,
        path: Path,
        setup_text: str,
        *,
        started_at: datetime,
        started_host_ns: int = 0,
        imported: ImportedFrom | None = None,
        setup_notes: tuple[SetupNote, ...] = (),
    ) -> None:
        """Create the file and write where it comes from and the set-up, word for word.

        An existing file is never written over: RecordingError.
        """
        self._open(
            path,
            setup_text,
            RecordingMeta(
                format_version=FORMAT_VERSION,
                evenstroke_version=version("evenstroke"),
                started_at=started_at.isoformat(),
                started_host_ns=started_host_ns,
                source="board" if imported is None else "import",
                imported_file=imported.file if imported else None,
                imported_sha256=imported.sha256 if imported else None,
                imported_duration_s=imported.duration_s if imported else None,
                imported_warnings=imported.warnings if imported else (),
                setup_notes=setup_notes,
            ),
        )

    @classmethod
    def copy_of(cls, path: Path, setup_text: str, meta: RecordingMeta) -> Self:
        """A recording that says of itself what another one said: for what was salvaged from that one."""
        recorder = cls.__new__(cls)
        recorder._open(path, setup_text, meta)
        return recorder

    @classmethod
    def in_folder(
        cls,
        folder: Path,
        title: str,
        setup_text: str,
        *,
        started_at: datetime,
        started_host_ns: int = 0,
        setup_notes: tuple[SetupNote, ...] = (),
    ) -> Self:
        """A recording with a name of its own in a folder, which is made when it is not there."""
        path = folder / recording_name(started_at, title)
        number = 1
        try:
            folder.mkdir(parents=True, exist_ok=True)
            while path.exists():
                number += 1
                path = path.with_name(
                    f"{recording_name(started_at, title).removesuffix('.mcap')}-{number}.mcap"
                )
        except (OSError, ValueError) as error:  # ValueError: a folder whose name no system takes
            raise _cannot(folder, "the folder for recordings cannot be used", error) from error
        return cls(
            path, setup_text, started_at=started_at, started_host_ns=started_host_ns, setup_notes=setup_notes
        )

    def _open(self, path: Path, setup_text: str, meta: RecordingMeta) -> None:
        self.path = path
        self._problem: RecordingError | None = None
        self._closed = False
        self._held: list[Message] = []
        self._held_bytes = 0
        self._started_ns = meta.started_host_ns
        self._flushed_ns: int | None = None  # when a chunk was written last
        self._kept_ns: int | None = None  # the newest of the board's bytes that are in the file
        self._synced_ns = meta.started_host_ns
        self._ids = {kind.topic: number for number, kind in enumerate(CHANNELS, 1)}
        self._sequences = dict.fromkeys(self._ids, 0)
        try:
            self._file = McapFile(path, PROFILE, f"evenstroke {version('evenstroke')}")
        except FileExistsError as error:
            raise RecordingError(
                "there is such a file already, and nothing is ever written over",
                where=str(path),
                expected="a name that is not taken",
                found="a file",
                todo="choose another name, or move that file away",
            ) from error
        except OSError as error:
            raise _cannot(path, "the recording cannot be created", error) from error
        try:
            self._file.metadata(META_NAME, encode_meta(meta))
            self._file.attachment(meta.started_host_ns, SETUP_NAME, SETUP_MEDIA_TYPE, setup_text.encode())
            self._file.begin(*_declarations())
            self._file.sync()
            _sync_folder(path.parent)
        except OSError as error:
            raise self._fail(error) from error

    @property
    def bytes_written(self) -> int:
        return self._file.size

    @property
    def due_ns(self) -> int | None:
        return self._held[0].log_time + HOLD_NS if self._held else None

    def received(self, data: bytes, host_ns: int) -> None:
        """Bytes exactly as the board's link gave them, and when.

        They are flushed at once when nothing was within the last 20 ms, else with what comes until then.
        """
        self._add(BOARD_BYTES, data, host_ns)
        if self._flushed_ns is None or host_ns - self._flushed_ns >= HOLD_NS or host_ns < self._flushed_ns:
            self._flush_at(host_ns)
        elif self._held_bytes >= _MOST_HELD_BYTES:
            self._flush()

    def flush_due(self, host_ns: int) -> None:
        """Flush what has been held back for 20 ms. Whoever hands in bytes calls it while none come."""
        due_ns = self.due_ns
        if due_ns is not None and host_ns >= due_ns:
            self._flush_at(host_ns)

    def note(self, text: str, host_ns: int, missing: Missing | None = None) -> None:
        """What the user wants to remember of this moment, or what is `missing` of the recording. Flushed at once."""
        self._add(NOTES, msgspec.json.encode(Note(text=text, missing=missing)), host_ns)
        self._flush()

    def phase(self, phase: PhaseName, host_ns: int) -> None:
        """What is being done to the engine from now on. Flushed at once."""
        self._add(PHASES, msgspec.json.encode(Phase(phase=phase)), host_ns)
        self._flush()

    def imported(self, block: Block) -> None:
        """A block of an imported capture. Its exact times are in the message, float64 seconds."""
        if isinstance(block, SampleBlock):
            self._add(IMPORT_SAMPLES, encode_samples(block), _log_time(block.t0))
        elif isinstance(block, EdgeBlock):
            first = float(block.times[0]) if block.times.size else block.until
            self._add(IMPORT_EDGES, encode_edges(block), _log_time(first))
        else:
            self._add(IMPORT_GAPS, encode_gap(block), _log_time(block.t_from))
        self._flush()

    def flush(self) -> None:
        """Hand everything to the operating system now. What then was flushed outlives this process."""
        self._check_open()
        self._flush()

    def close(self) -> None:
        """Write the summary that makes the file quick to search, and see it onto the disk."""
        if self._closed:
            return
        if self._problem is not None:
            raise self._problem
        self._flush()
        try:
            self._file.finish()
        except OSError as error:
            raise self._fail(error) from error
        self._closed = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # A recorder that failed has said so already; what it kept needs no second error.
        if self._problem is None:
            self.close()

    def _check_open(self) -> None:
        if self._problem is not None:
            raise self._problem
        if self._closed:
            raise RecordingError("this recording is closed", where=str(self.path), todo="begin another one")

    def _add(self, kind: ChannelKind, data: bytes, log_time: int) -> None:
        self._check_open()
        sequence = self._sequences[kind.topic]
        self._sequences[kind.topic] = (sequence + 1) % (1 << 32)
        self._held.append(
            Message(
                channel_id=self._ids[kind.topic],
                log_time=log_time,
                data=data,
                publish_time=log_time,
                sequence=sequence,
            )
        )
        self._held_bytes += len(data)

    def _flush_at(self, host_ns: int) -> None:
        self._flush()
        self._flushed_ns = host_ns
        if host_ns - self._synced_ns >= _SYNC_EVERY_NS:
            self._synced_ns = host_ns
            try:
                self._file.sync()
            except OSError as error:
                raise self._fail(error) from error

    def _flush(self) -> None:
        if not self._held:
            return
        try:
            self._file.chunk(self._held)
        except OSError as error:
            raise self._fail(error) from error
        bytes_id = self._ids[BOARD_BYTES.topic]
        for message in reversed(self._held):
            if message.channel_id == bytes_id:
                self._kept_ns = message.log_time
                break
        self._held.clear()
        self._held_bytes = 0

    def _fail(self, error: OSError) -> RecordingError:
        self._file.give_up()
        if isinstance(error, FileNotFoundError):
            kept = "nothing of it can be read any more"
        elif self._kept_ns is None:
            kept = "nothing of the board's data was kept yet"
        else:
            seconds = (self._kept_ns - self._started_ns) / 1e9
            kept = f"what came in its first {seconds:.2f} s is kept ({self._file.size} bytes)"
        self._problem = RecordingError(
            "the recording cannot be written any further",
            where=str(self.path),
            found=f"{error.strerror or error}; {kept}",
            todo=f"{remedy_for(error)}, or record to another folder",
        )
        return self._problem


def _declarations() -> tuple[list[Schema], list[Channel]]:
    """What MCAP wants to know of the channels: ids count from 1 in the order of `CHANNELS`."""
    schemas: list[Schema] = []
    channels: list[Channel] = []
    for number, kind in enumerate(CHANNELS, 1):
        if kind.schema_name is not None:
            schemas.append(Schema(len(schemas) + 1, kind.schema_text(), "jsonschema", kind.schema_name))
        schema_id = len(schemas) if kind.schema_name is not None else 0
        channels.append(Channel(number, kind.topic, kind.message_encoding, {}, schema_id))
    return schemas, channels


def _cannot(path: Path, problem: str, error: OSError | ValueError) -> RecordingError:
    found, todo = str(error), "record to another folder"
    if isinstance(error, OSError):
        found, todo = error.strerror or found, f"{remedy_for(error)}, or {todo}"
    return RecordingError(problem, where=str(path), found=found, todo=todo)


def _log_time(seconds: float) -> int:
    # MCAP's log times cannot be negative; a capture's own seconds may be.
    return max(0, round(seconds * 1e9))


def _sync_folder(folder: Path) -> None:
    """See the new file's name onto the disk, where the system lets a folder be opened."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        place = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(place)
        finally:
            os.close(place)
