"""From a file to its judgement: a recording and a capture as CSV go through the same pipeline."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
from evenstroke_dsp.blocks import Block, EdgeBlock, Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.cycles import Anchor
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.messages import (
    CodedWarning,
    Cycle,
    Judgement,
    PipelineMessage,
    SetupNote,
    SourceInfo,
)
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.pressure_trace import PressureTrace
from evenstroke_dsp.setup import Setup, SetupError
from evenstroke_dsp.setup_effects import setup_notes
from evenstroke_dsp.wording import counted
from evenstroke_protocol.errors import EvenstrokeError
from mcap.writer import MCAP0_MAGIC

from .capture_csv import EMPTY_CELLS, CaptureError, read_capture, setup_missing
from .cranks import cranks_in, said_of, within
from .physics_cache import PhysicsCache
from .player import BlockMaker
from .recording import RecordedNote, Recording, open_recording
from .recording_format import Missing, Note, RecordingError
from .shelf import Shelf, sha256_of

CLOCK_TOLERANCE_PPM = 1000.0
"""A board's crystal or resonator is good to 0.5 % at worst; 0.1 % of speed is less than any speed here is sure of."""


Window = tuple[float, float]
"""From when to when, seconds of the file."""

EDGES_LOST, RECORDING_CUT = "edges_lost", "recording_cut"
END_MISSING, PIECES_MISSING = "end_missing", "pieces_missing"
"""Codes of the warnings that say that something other than samples is missing."""
_SHORTER_S, _SHORTER = 0.1, 0.01
"""By so much, and such a share, an import's data are shorter than what was imported where their end is missing."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What somebody noted while it was recorded. at_s: the file's own seconds that had then been recorded; no
    uncertainty is stated for it (what the link delays)."""

    at_s: float
    text: str


@dataclass(frozen=True)
class JudgedFile:
    """A judgement, everything the pipeline said on the way, and the set-up that it rests on.

    setup_text: None where the caller gave a set-up without its text. pressure: each transducer by crank angle.
    setup_notes: what the set-up does to each comparison, as it was said before the crank; where nothing was said
    then, or the set-up was replaced, as it would be said now. marks: in order. scans: how many arrived.
    """

    judgement: Judgement
    messages: tuple[PipelineMessage, ...]
    setup: Setup
    setup_text: str | None
    pressure: tuple[PressureTrace, ...] = ()
    setup_notes: tuple[SetupNote, ...] = ()
    marks: tuple[Mark, ...] = ()
    scans: int = 0

    @property
    def lossy(self) -> bool:
        """Whether anything that was measured is not in what was judged."""
        return bool(lost_parts(self.judgement))


def lost_parts(judgement: Judgement) -> list[str]:
    """What the judged data lack, in a few words for each kind; empty where nothing is known to be lost."""
    codes = {warning.code for warning in judgement.warnings}
    lost = judgement.source.lost_samples
    parts = [f"{counted(lost, 'sample')} lost"] if lost else []
    parts += ["cells of the capture empty"] if EMPTY_CELLS in codes else []
    parts += ["level changes lost"] if EDGES_LOST in codes else []
    parts += ["cut short or damaged, and what follows was not read"] if RECORDING_CUT in codes else []
    parts += ["pieces of the recording are missing"] if PIECES_MISSING in codes and not lost else []
    parts += ["and what came behind that is missing"] if END_MISSING in codes else []
    return parts


def is_recording(path: Path) -> bool:
    """Whether a file is to be read as a recording and not as CSV: by its beginning, or its suffix.

    Raises RecordingError where it cannot be read.
    """
    try:
        with path.open("rb") as stream:
            beginning = stream.read(len(MCAP0_MAGIC))
    except OSError as error:
        raise RecordingError(
            "the file cannot be read",
            where=str(path),
            expected="a recording (.mcap) or a capture as CSV",
            found=error.strerror or str(error),
            todo="check the path and who may read it",
        ) from error
    return path.suffix.lower() == ".mcap" or beginning == MCAP0_MAGIC


def judge_path(
    path: Path,
    setup: Setup | None = None,
    time_column: str | None = None,
    setup_text: str | None = None,
    first_position_is: int | None = None,
    physics: PhysicsCache | None = None,
    crank: int | None = None,
    shelf: Shelf | None = None,
) -> JudgedFile:
    """Judge a recording, or a capture as CSV.

    setup: how to read it; a recording brings its own, which this one replaces. setup_text: its text.
    time_column: of a CSV, `time_s` when None. first_position_is: the cylinder whose pulse comes first where
    no sync names them. physics: where what the set-up does is looked up or worked out; None leaves physics out.
    crank: of several in the file judge that one alone, counted from 1; None: all together, and whether they agree.
    shelf: known-goods to measure by, but for this file and the other recordings of its engine; None leaves them out.

    Raises SetupError for a CSV without a set-up or a cylinder that the engine lacks, RecordingError for a crank
    that the file lacks, and whatever reading the file raises.
    """

    def judge(anchor: Anchor | None, physics: PhysicsCache | None, window: Window | None) -> JudgedFile:
        return _judge(path, setup, time_column, setup_text, anchor, physics, window, shelf)

    judged = judge(None, physics, None)
    cranks = cranks_in(judged.judgement.cranked)
    window = None
    if crank is not None:
        if not 1 <= crank <= len(cranks):
            raise RecordingError(
                "the file has no such crank",
                where=f"{path}, --crank",
                expected=f"1 to {len(cranks)}" if cranks else "a file in which an engine is cranked",
                found=str(crank),
                todo="judge it without --crank: all cranks are listed" if cranks else "leave --crank out",
            )
        window = cranks[crank - 1].window
        judged = judge(None, physics, window)
    anchor = None
    if first_position_is is not None:
        anchor = _anchor(path, judged, first_position_is)
        judged = judge(anchor, physics, window) if anchor is not None else judged
    if crank is None and len(cranks) > 1:
        # Physics says why, not whether they agree.
        each = [judge(anchor, None, one.window).judgement for one in cranks]
        several = _with_warnings(judged.judgement, said_of(cranks, each))
        judged = replace(judged, judgement=several)
    if first_position_is is not None and anchor is None:
        note = CodedWarning(
            code="first_position_unused",
            text=f"That the first position is cylinder {first_position_is} was not used: no pulse that is compared lacks a name.",
        )
        return replace(judged, judgement=_with_warnings(judged.judgement, [note]))
    return judged


def _anchor(path: Path, judged: JudgedFile, cylinder: int) -> Anchor | None:
    """Where the first unnamed pulse of the first cycle that counts puts the cylinder."""
    order = judged.setup.engine.firing_order
    if cylinder not in order:
        raise SetupError(
            "the engine has no such cylinder",
            where=f"{path}, --first-position-is",
            expected=f"one of {', '.join(map(str, sorted(order)))}",
            found=str(cylinder),
            todo="give the cylinder whose pulse came first",
        )
    rows = [row for part in judged.judgement.comparisons for row in part.cylinders]
    if rows and all(row.cylinder is not None for row in rows):
        return None  # a name for cycles that are set aside could only contradict what names the others
    pipeline = Pipeline(judged.setup)
    counted = (m for m in judged.messages if isinstance(m, Cycle) and m.left_out is None)
    return next((a for cycle in counted if (a := pipeline.anchor_at(cycle, cylinder)) is not None), None)


def _judge(
    path: Path,
    setup: Setup | None,
    time_column: str | None,
    setup_text: str | None,
    anchor: Anchor | None,
    physics: PhysicsCache | None,
    window: Window | None,
    shelf: Shelf | None,
) -> JudgedFile:
    if is_recording(path):
        return _judge_recording(path, setup, setup_text, anchor, physics, window, shelf)
    if path.suffix.lower() == ".toml":
        raise CaptureError(
            "this is a set-up file, and there is nothing in it to judge",
            where=str(path),
            expected="a recording (.mcap) or a capture as CSV",
            found="a file that ends in .toml",
            todo="give the capture, and this file behind --setup",
        )
    if setup is None:
        raise setup_missing(path)
    capture = read_capture(path, setup, time_column)
    source = SourceInfo(
        file=path.name,
        sha256=capture.sha256,
        duration_s=capture.duration_s,
        lost_samples=capture.lost_samples,
    )
    prediction, notes = _predicted(setup, physics)
    known_goods = _known_goods(shelf, setup, capture.sha256)
    pipeline = Pipeline(setup, anchor, prediction, known_goods)
    extent = _Extent()
    messages = _messages(pipeline, _part(extent.over(capture.blocks()), window))
    warnings = [*capture.warnings, *notes, *_shelf_warnings(known_goods)]
    return JudgedFile(
        _with_warnings(pipeline.judge(source), warnings),
        messages,
        setup,
        setup_text,
        pipeline.pressure_traces(),
        setup_notes(setup, prediction),
        scans=extent.scans,
    )


def _known_goods(shelf: Shelf | None, setup: Setup, sha256: str) -> KnownGoods | None:
    return shelf.known_goods(setup, but_not=sha256) if shelf is not None else None


def _shelf_warnings(known_goods: KnownGoods | None) -> Iterator[CodedWarning]:
    """What the shelf cannot say of this recording."""
    if known_goods is not None and known_goods.note:
        yield CodedWarning(code="known_goods", text=known_goods.note)


def _predicted(
    setup: Setup, physics: PhysicsCache | None
) -> tuple[Prediction | None, tuple[CodedWarning, ...]]:
    """What the physics say of the set-up, and what is to be said where they cannot."""
    if physics is None:
        return None, ()
    try:
        return physics.prediction(setup), ()
    except EvenstrokeError as error:
        text = f"What the set-up does could not be worked out by engine physics: {error}"
        return None, (CodedWarning(code="not_predicted", text=text),)


def _judge_recording(
    path: Path,
    setup: Setup | None,
    setup_text: str | None,
    anchor: Anchor | None,
    physics: PhysicsCache | None,
    window: Window | None,
    shelf: Shelf | None,
) -> JudgedFile:
    recording = open_recording(path)
    said_before = recording.meta.setup_notes if setup is None else ()
    if setup is None:
        setup, setup_text = recording.setup, recording.setup_text
    feed = BoardFeed(setup)
    extent = _Extent()
    marks: list[Mark] = []
    prediction, notes = _predicted(setup, physics)
    sha256 = sha256_of(path)
    known_goods = _known_goods(shelf, setup, sha256)
    pipeline = Pipeline(setup, anchor, prediction, known_goods)
    missing: set[Missing] = set()
    blocks = extent.over(_blocks(recording, setup, feed, extent, marks, missing))
    messages = _messages(pipeline, _part(blocks, window))
    warnings = list(recording.meta.imported_warnings)
    if recording.cut is not None:
        warnings.append(CodedWarning(code=RECORDING_CUT, text=f"{recording.cut}."))
    if "here" in missing:
        warnings.append(
            CodedWarning(
                code=PIECES_MISSING,
                text="Pieces of this recording are missing, where its notes say so: it was damaged, and recovered from that.",
            )
        )
    whole_s = recording.meta.imported_duration_s
    short = whole_s is not None and whole_s - extent.duration_s > max(_SHORTER_S, _SHORTER * whole_s)
    if recording.cut is None and ("behind" in missing or short):
        warnings.append(
            CodedWarning(
                code=END_MISSING,
                text=f"The data end at {extent.last_s:.2f} s, and what came behind that is missing: the recording was cut, or "
                "nothing came from the board any more. Whatever the engine did then is not judged.",
            )
        )
    if feed.counting:
        warnings.append(
            CodedWarning(
                code="counting_signal",
                text="The board sent its counting test signal: these are no volts of any probe.",
            )
        )
    warnings += _clock_warnings(feed)
    warnings += notes
    warnings += _shelf_warnings(known_goods)
    if feed.lost_edges:
        warnings.append(
            CodedWarning(
                code=EDGES_LOST,
                text=f"Level changes of an edge input went missing, {feed.lost_edges} "
                f"{'time' if feed.lost_edges == 1 else 'times'}. Cycles that are known to lack some do not count.",
            )
        )
    source = SourceInfo(
        file=path.name,
        sha256=sha256,
        # Of a capture that is not all there, what is there.
        duration_s=extent.duration_s if short or whole_s is None else whole_s,
        lost_samples=extent.lost_samples,
    )
    judgement = _with_warnings(pipeline.judge(source), warnings)
    return JudgedFile(
        judgement,
        messages,
        setup,
        setup_text,
        pipeline.pressure_traces(),
        said_before or setup_notes(setup, prediction),
        tuple(marks),
        extent.scans,
    )


def _blocks(
    recording: Recording,
    setup: Setup,
    feed: BoardFeed,
    extent: _Extent,
    marks: list[Mark],
    missing: set[Missing],
) -> Iterator[Block]:
    """The recording's blocks; what was noted between them goes to `marks`, at the last of what `extent` has seen, and what
    the notes say is missing to `missing`."""
    maker = BlockMaker(recording, setup, feed)
    for item in recording.items():
        if isinstance(item, RecordedNote) and isinstance(item.content, Note):
            marks.append(Mark(extent.last_s, item.content.text))
            if item.content.missing is not None:
                missing.add(item.content.missing)
        yield from maker.blocks(item)
    maker.finish()


def _part(blocks: Iterable[Block], window: Window | None) -> Iterable[Block]:
    return blocks if window is None else within(blocks, window)


def _clock_warnings(feed: BoardFeed) -> list[CodedWarning]:
    """What is wrong with the board's clock, where that is more than any number here could hide."""
    rate, pace = feed.clock.rate, feed.clock.pace
    if pace is not None:
        return [
            CodedWarning(
                code="not_real_time",
                text=f"The stream came {pace:.3g} times as fast as time went, as the virtual rig's does on demand: whether the "
                "board's clock is right was not checked. All times are the board's.",
            )
        ]
    if rate is None or abs(rate.ppm) - rate.uncertainty_ppm < CLOCK_TOLERANCE_PPM:
        return []
    fast = rate.ppm > 0
    return [
        CodedWarning(
            code="board_clock_off",
            text=f"The board's clock runs {abs(rate.ppm):.0f} ppm {'fast' if fast else 'slow'} against the computer's "
            f"(95 % interval: {rate.uncertainty_ppm:.0f} ppm either way); all times are the board's, so that speeds "
            f"read {abs(rate.ppm) / 1e4:.2f} % too {'low' if fast else 'high'}.",
        )
    ]


def _messages(pipeline: Pipeline, blocks: Iterable[Block]) -> tuple[PipelineMessage, ...]:
    messages: list[PipelineMessage] = []
    for block in blocks:
        messages.extend(pipeline.push(block))
    messages.extend(pipeline.flush())
    return tuple(messages)


def _with_warnings(judgement: Judgement, warnings: Iterable[CodedWarning]) -> Judgement:
    """What was noticed while the file was read stands before what the data themselves show."""
    return msgspec.structs.replace(judgement, warnings=(*warnings, *judgement.warnings))


class _Extent:
    """From when to when blocks go, how many scans they hold, and how many they lack."""

    def __init__(self) -> None:
        self._first: float | None = None
        self.last_s = 0.0
        self.lost_samples = 0
        self.scans = 0

    @property
    def duration_s(self) -> float:
        return 0.0 if self._first is None else self.last_s - self._first

    def over(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The same blocks, taken note of on their way."""
        for block in blocks:
            if isinstance(block, SampleBlock):
                self.scans += block.samples
                self._reach(block.t0, block.t0 + block.samples * block.dt)
            elif isinstance(block, EdgeBlock):
                self._reach(float(block.times[0]) if block.times.size else block.until, block.until)
            elif isinstance(block, Gap):
                self.lost_samples += block.lost_samples
            yield block

    def _reach(self, begin: float, end: float) -> None:
        if self._first is None:
            self._first, self.last_s = begin, end
        self._first = min(self._first, begin)
        self.last_s = max(self.last_s, end)
