"""Writing a recording, so that whatever was handed in is on its way to the disk at once.

The file is MCAP (FORMAT.md says what is in it). Each call writes one complete, self-delimiting,
checksummed chunk: a process that is killed between two calls loses nothing that it handed in.
The price is half a kilobyte of memory per call until the recording is closed, for MCAP's index.
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
from typing import IO, Any, Self, cast

import msgspec
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_dsp.messages import CodedWarning
from mcap.writer import CompressionType, Writer

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
    Note,
    Phase,
    PhaseName,
    RecordingError,
    RecordingMeta,
    Source,
    encode_edges,
    encode_gap,
    encode_meta,
    encode_samples,
)

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

    path: the file. bytes_written: its size so far. Host times are nanoseconds of a monotonic
    clock, never negative; wall times are passed in.

    Every method raises RecordingError when the file cannot be written. What was handed in before
    is kept, the file then ends behind it, and every later call fails with the same error.
    """

    def __init__(
        self,
        path: Path,
        setup_text: str,
        *,
        started_at: datetime,
        started_host_ns: int = 0,
        imported: ImportedFrom | None = None,
    ) -> None:
        """Create the file and write where it comes from and the set-up, word for word.

        An existing file is never written over: RecordingError.
        """
        source: Source = "board" if imported is None else "import"
        meta = RecordingMeta(
            format_version=FORMAT_VERSION,
            evenstroke_version=version("evenstroke"),
            started_at=started_at.isoformat(),
            started_host_ns=started_host_ns,
            source=source,
            imported_file=imported.file if imported else None,
            imported_sha256=imported.sha256 if imported else None,
            imported_duration_s=imported.duration_s if imported else None,
            imported_warnings=imported.warnings if imported else (),
        )
        self.path = path
        self._problem: RecordingError | None = None
        self._closed = False
        self._synced_ns = started_host_ns
        self._channels: dict[str, int] = {}
        self._sequences: dict[str, int] = {}
        self._sink = _Sink(_create(path))
        # Not one CRC over the whole file: it would only be there where the recording ended well.
        # Every chunk carries its own.
        self._writer = Writer(cast(IO[Any], self._sink), compression=CompressionType.ZSTD)
        try:
            self._writer.start(profile=PROFILE, library=f"evenstroke {meta.evenstroke_version}")
            self._writer.add_metadata(META_NAME, encode_meta(meta))
            self._writer.add_attachment(0, started_host_ns, SETUP_NAME, SETUP_MEDIA_TYPE, setup_text.encode())
            self._flush()
            self._sink.sync()
            _sync_folder(path.parent)
        except OSError as error:
            raise self._fail(error) from error
        for kind in CHANNELS:
            self._register(kind)

    @classmethod
    def in_folder(
        cls, folder: Path, title: str, setup_text: str, *, started_at: datetime, started_host_ns: int = 0
    ) -> Self:
        """A recording with a name of its own in a folder, which is made when it is not there."""
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot(folder, "the folder for recordings cannot be made", error) from error
        path = folder / recording_name(started_at, title)
        number = 1
        while path.exists():
            number += 1
            path = path.with_name(f"{recording_name(started_at, title).removesuffix('.mcap')}-{number}.mcap")
        return cls(path, setup_text, started_at=started_at, started_host_ns=started_host_ns)

    @property
    def bytes_written(self) -> int:
        return self._sink.written

    def received(self, data: bytes, host_ns: int) -> None:
        """Bytes exactly as the board's link gave them, and when."""
        self._add(BOARD_BYTES, data, host_ns)

    def note(self, text: str, host_ns: int) -> None:
        """What the user wants to remember of this moment."""
        self._add(NOTES, msgspec.json.encode(Note(text=text)), host_ns)

    def phase(self, phase: PhaseName, host_ns: int) -> None:
        """What is being done to the engine from now on."""
        self._add(PHASES, msgspec.json.encode(Phase(phase=phase)), host_ns)

    def imported(self, block: Block) -> None:
        """A block of an imported capture. Its exact times are in the message, float64 seconds."""
        if isinstance(block, SampleBlock):
            self._add(IMPORT_SAMPLES, encode_samples(block), _log_time(block.t0))
        elif isinstance(block, EdgeBlock):
            first = float(block.times[0]) if block.times.size else block.until
            self._add(IMPORT_EDGES, encode_edges(block), _log_time(first))
        else:
            self._add(IMPORT_GAPS, encode_gap(block), _log_time(block.t_from))

    def close(self) -> None:
        """Write the summary that makes the file quick to search, and see it onto the disk."""
        if self._closed:
            return
        if self._problem is not None:
            raise self._problem
        try:
            self._writer.finish()  # type: ignore[no-untyped-call]
            self._sink.flush()
            self._sink.sync()
        except OSError as error:
            raise self._fail(error) from error
        self._closed = True
        self._sink.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # A recorder that failed has said so already; what it kept needs no second error.
        if self._problem is None:
            self.close()

    def _register(self, kind: ChannelKind) -> None:
        schema = 0
        if kind.schema_name is not None:
            schema = self._writer.register_schema(kind.schema_name, "jsonschema", kind.schema_text())
        self._channels[kind.topic] = self._writer.register_channel(kind.topic, kind.message_encoding, schema)
        self._sequences[kind.topic] = 0

    def _add(self, kind: ChannelKind, data: bytes, log_time: int) -> None:
        if self._problem is not None:
            raise self._problem
        if self._closed:
            raise RecordingError("this recording is closed", where=str(self.path), todo="begin another one")
        sequence = self._sequences[kind.topic]
        self._sequences[kind.topic] = (sequence + 1) % (1 << 32)
        try:
            self._writer.add_message(self._channels[kind.topic], log_time, data, log_time, sequence)
            self._flush()
            if kind is BOARD_BYTES and log_time - self._synced_ns >= _SYNC_EVERY_NS:
                self._synced_ns = log_time
                self._sink.sync()
        except OSError as error:
            raise self._fail(error) from error

    def _flush(self) -> None:
        self._writer.flush()  # type: ignore[no-untyped-call]

    def _fail(self, error: OSError) -> RecordingError:
        self._problem = _cannot(self.path, "the recording cannot be written any further", error)
        self._sink.give_up()
        return self._problem


def _create(path: Path) -> int:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        return os.open(path, flags, 0o666)
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


def _cannot(path: Path, problem: str, error: OSError) -> RecordingError:
    return RecordingError(
        problem,
        where=str(path),
        found=error.strerror or str(error),
        todo="make room on the disk, or record to another folder; what was written before is kept",
    )


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


class _Sink:
    """What the MCAP writer writes to: each flush becomes one write at the end of the file.

    A write that fails is undone, so that the file always ends behind a complete record.
    """

    def __init__(self, file: int) -> None:
        self._file = file
        self._pending: list[bytes] = []
        self._pending_size = 0
        self.written = 0

    def write(self, data: bytes) -> int:
        self._pending.append(data)
        self._pending_size += len(data)
        return len(data)

    def tell(self) -> int:
        return self.written + self._pending_size

    def flush(self) -> None:
        data = memoryview(b"".join(self._pending))
        self._pending.clear()
        self._pending_size = 0
        size = len(data)
        while data:
            data = data[os.write(self._file, data) :]
        self.written += size

    def sync(self) -> None:
        os.fsync(self._file)

    def give_up(self) -> None:
        with contextlib.suppress(OSError):
            os.ftruncate(self._file, self.written)
        self.close()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            os.close(self._file)
