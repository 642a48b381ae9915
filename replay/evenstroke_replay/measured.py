"""What was measured, gathered for other programs: volts, level changes, what is missing, what was noted.

A recording and a capture as CSV give the same: every sample with the time at which it was taken, in the file's own
seconds, and every level change that was reported and not sampled. Nothing is filtered, scaled or put on another grid.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Block, Bools, EdgeBlock, Floats, Gap, GapReason, InputKey, SampleBlock
from evenstroke_dsp.board_clock import ClockRate
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.setup import Probe, Setup
from evenstroke_dsp.wording import counted

from .capture_csv import read_capture, setup_missing
from .judging import Mark, is_recording
from .player import BlockMaker
from .recording import RecordedBytes, RecordedNote, Recording, open_recording
from .recording_format import Note, RecordingError, RecordingMeta

_SAME = 1e-9
"""Seconds: distances between inputs, and periods, that differ by less are the same."""


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """A probe's samples. volts: shape (rows,), NaN where there is none. late_s: how long after its row's time each one
    was taken, seconds."""

    probe: Probe
    volts: Floats
    late_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """A probe's level changes, as they were reported. times: shape (changes,), ascending, s. rising: shape (changes,)."""

    probe: Probe
    times: Floats
    rising: Bools


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """All that a recording or a capture holds.

    times: of the rows, shape (rows,), seconds; period_s: between two of them, None where there are none.
    changes_until: up to when level changes are known, seconds. gaps: in order. marks, phases: what was noted, and what
    was being done, from when on. recorded_at: wall time of the file's second 0, ISO 8601, None where it is not known;
    it is late by what the link delays. clock: the board's against this computer's. lost: what is not there, one
    sentence for each kind. remarks: what else whoever reads it should know.
    """

    source: str
    sha256: str
    setup: Setup
    times: Floats
    period_s: float | None
    sampled: tuple[Sampled, ...]
    changes: tuple[Changes, ...]
    changes_until: float
    gaps: tuple[Gap, ...]
    marks: tuple[Mark, ...]
    phases: tuple[Mark, ...]
    recorded_at: str | None
    clock: ClockRate | None
    meta: RecordingMeta | None
    lost: tuple[str, ...]
    remarks: tuple[str, ...]


def measured_in(
    path: Path, setup: Setup | None = None, time_column: str | None = None
) -> tuple[Measured, str | None]:
    """What the file at `path` holds, and the set-up's text that the recording carries, None of a capture.

    setup: how to read it; a recording brings its own, which this one replaces. A recording that was cut or damaged is
    read as far as it goes. Raises SetupError for a CSV without a set-up, and whatever reading the file raises.
    """
    if not is_recording(path):
        if setup is None:
            raise setup_missing(path)
        capture = read_capture(path, setup, time_column)
        gathered = _Gathered(setup)
        for block in capture.blocks():
            gathered.take(block)
        missing = counted(capture.lost_samples, "sample is", "samples are")
        lost = [f"{missing} missing from the capture"] if capture.lost_samples else []
        remarks = tuple(warning.text for warning in capture.warnings)
        return gathered.measured(path, capture.sha256, None, None, None, tuple(lost), remarks), None
    recording = open_recording(path)
    text = recording.setup_text if setup is None else None
    setup = recording.setup if setup is None else setup
    feed = BoardFeed(setup)
    gathered = _Gathered(setup)
    for block in gathered.noting(recording, BlockMaker(recording, setup, feed)):
        gathered.take(block)
    with path.open("rb") as stream:
        sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
    lost = list(_lost_of(recording, feed, gathered))
    remarks = tuple(_remarks_of(recording, feed))
    wall = _wall_time(recording.meta, gathered.zero_host_ns)
    return gathered.measured(path, sha256, recording.meta, wall, feed.clock.rate, tuple(lost), remarks), text


def _lost_of(recording: Recording, feed: BoardFeed, gathered: _Gathered) -> Iterator[str]:
    places = [gap.lost_samples for gap in gathered.gaps if gap.lost_samples]
    if places:
        yield f"{counted(sum(places), 'sample')} of every input did not arrive, in {counted(len(places), 'place')}"
    if feed.lost_edges:
        yield f"level changes went missing {counted(feed.lost_edges, 'time')}"
    if recording.cut is not None:
        yield recording.cut


def _remarks_of(recording: Recording, feed: BoardFeed) -> Iterator[str]:
    yield from (warning.text for warning in recording.meta.imported_warnings)
    if feed.counting:
        yield "the board sent its counting test signal: these are no volts of any probe"


def _wall_time(meta: RecordingMeta, zero_host_ns: int | None) -> str | None:
    if zero_host_ns is None or meta.source != "board":
        return None
    try:
        began = datetime.fromisoformat(meta.started_at)
    except ValueError:
        return None  # salvaged, and its beginning is gone
    at = began + timedelta(microseconds=(zero_host_ns - meta.started_host_ns) / 1e3)
    return at.isoformat(timespec="milliseconds")


class _Gathered:
    """Blocks and notes as they come, put together at the end."""

    def __init__(self, setup: Setup) -> None:
        self._probes = {probe.key: probe for probe in setup.probe}
        self._setup = setup
        self._inputs: tuple[InputKey, ...] = ()
        self._offsets: tuple[float, ...] = ()
        self._dt: float | None = None
        self._times: list[Floats] = []
        self._volts: list[Floats] = []
        self._changes: dict[InputKey, list[EdgeBlock]] = {}
        self._until = -np.inf
        self._end_s = 0.0
        self._marks: list[Mark] = []
        self._phases: list[Mark] = []
        self.gaps: list[Gap] = []
        self.zero_host_ns: int | None = None

    def noting(self, recording: Recording, maker: BlockMaker) -> Iterator[Block]:
        """The recording's blocks; what was noted between them is kept with the last second that had come."""
        for item in recording.items():
            if isinstance(item, RecordedNote):
                if isinstance(item.content, Note):
                    self._marks.append(Mark(self._end_s, item.content.text))
                else:
                    self._phases.append(Mark(self._end_s, item.content.phase))
                continue
            for block in maker.blocks(item):
                yield block
                if (
                    self.zero_host_ns is None
                    and isinstance(item, RecordedBytes)
                    and not isinstance(block, Gap)
                ):
                    # A block arrives when its last scan is over.
                    self.zero_host_ns = item.host_ns - round(self._end_s * 1e9)
        maker.finish()

    def take(self, block: Block) -> None:
        if isinstance(block, Gap):
            self.gaps.append(block)
        elif isinstance(block, EdgeBlock):
            self._changes.setdefault(block.input, []).append(block)
            self._until = max(self._until, block.until)
            self._end_s = max(self._end_s, block.until)
        elif block.samples:
            self._take_samples(block)

    def _take_samples(self, block: SampleBlock) -> None:
        offsets = block.input_offsets
        if self._dt is None:
            self._inputs, self._offsets, self._dt = block.inputs, offsets, block.dt
        same = self._inputs == block.inputs and abs(self._dt - block.dt) < _SAME
        if not same or np.abs(np.subtract(offsets, self._offsets)).max() > _SAME:
            raise RecordingError(
                "its inputs were not sampled in the same way throughout",
                where=f"the second {block.t0:.4f}",
                expected=f"{len(self._inputs)} inputs every {self._dt * 1e3:.6g} ms, as before",
                found=f"{len(block.inputs)} inputs every {block.dt * 1e3:.6g} ms, or at other distances within a scan",
                todo="other programs cannot be given that as one table; judge the recording here",
            )
        self._times.append(np.asarray(block.t0 + np.arange(block.samples) * block.dt, dtype=np.float64))
        self._volts.append(block.volts)
        self._end_s = max(self._end_s, block.t0 + block.samples * block.dt)

    def measured(
        self,
        path: Path,
        sha256: str,
        meta: RecordingMeta | None,
        recorded_at: str | None,
        clock: ClockRate | None,
        lost: tuple[str, ...],
        remarks: tuple[str, ...],
    ) -> Measured:
        if not self._times and not any(
            block.times.size for blocks in self._changes.values() for block in blocks
        ):
            raise RecordingError(
                "there is nothing in it to export",
                where=str(path),
                expected="samples or level changes of the set-up's probes",
                found=", ".join(lost) or "none",
                todo="use another recording",
            )
        volts = np.concatenate(self._volts, axis=1) if self._volts else np.empty((0, 0))
        return Measured(
            source=path.name,
            sha256=sha256,
            setup=self._setup,
            times=np.concatenate(self._times) if self._times else np.empty(0),
            period_s=self._dt,
            sampled=tuple(
                Sampled(self._probes[key], row, late)
                for key, row, late in zip(self._inputs, volts, self._offsets, strict=True)
            ),
            changes=tuple(
                self._changes_of(key) for key in sorted(self._changes, key=list(self._probes).index)
            ),
            changes_until=self._until,
            gaps=tuple(self.gaps),
            marks=tuple(self._marks),
            phases=tuple(self._phases),
            recorded_at=recorded_at,
            clock=clock,
            meta=meta,
            lost=lost,
            remarks=remarks,
        )

    def _changes_of(self, key: InputKey) -> Changes:
        blocks = self._changes[key]
        times = np.concatenate([block.times for block in blocks])
        rising = np.concatenate([block.rising for block in blocks])
        order = np.argsort(times, kind="stable")  # a board that began anew may report some late
        return Changes(self._probes[key], times[order], rising[order])


def level_gaps(measured: Measured) -> list[tuple[float, float]]:
    """From when to when level changes may be missing, seconds."""
    return [
        (gap.t_from, gap.t_to)
        for gap in measured.gaps
        if gap.reason is GapReason.EDGES_MISSING or gap.reason.takes_everything
    ]
