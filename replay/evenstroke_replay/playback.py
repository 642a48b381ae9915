"""A recording played through the pipeline step by step, from any second and any cycle.

A balance rests on every cycle before it, and a filter on the seconds before it. So a seek runs the pipeline
over everything in between, only without saying so: what comes after it is, message for message, what came
live. Copies of the whole state are kept on the way, in memory or where `copies` puts them, so that going back costs
seconds and not everything from the beginning.
"""

from __future__ import annotations

import pickle
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from evenstroke_dsp.blocks import Block, Gap, SampleBlock
from evenstroke_dsp.board_feed import BoardFeed
from evenstroke_dsp.known_goods import KnownGoods
from evenstroke_dsp.messages import Cycle, PipelineMessage, ProbeHealth, WaveData
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.prediction import Prediction
from evenstroke_dsp.setup import Setup
from evenstroke_protocol.events import Counters

from .player import BlockMaker
from .recording import Item, RecordedBytes, RecordedNote, Recording
from .recording_format import Note

_LONGEST_BLOCK_S = 0.05
"""An imported capture comes in long blocks; live it would have come like this."""
_COPY_EVERY_S = 10.0
_MOST_COPIES = 32


@dataclass(frozen=True, slots=True)
class Moment:
    """What one piece of the recording made the pipeline say. at_s: the newest sample's time by then, seconds.
    notes: what somebody had said to be kept with this moment."""

    at_s: float
    messages: tuple[PipelineMessage, ...]
    notes: tuple[str, ...] = ()

    @property
    def cycle(self) -> Cycle | None:
        """The last cycle that it completed."""
        return next((m for m in reversed(self.messages) if isinstance(m, Cycle)), None)


@dataclass(slots=True)
class Progress:
    """How far a playback has come.

    at_s: the newest sample's time, seconds. cycles: said so far. samples: scans so far. lost_samples: scans
    missing in all gaps. bytes_received: from the board. missing: a note says that data are missing.
    """

    at_s: float = 0.0
    cycles: int = 0
    samples: int = 0
    lost_samples: int = 0
    bytes_received: int = 0
    missing: bool = False


@dataclass(frozen=True, slots=True)
class Copy:
    """The whole state of a playback as it was at_s, with so many cycles said, at that place in the file. state: reads it."""

    at_s: float
    cycles: int
    place: int
    state: Callable[[], bytes]


class Copies(Protocol):
    """Where copies are kept."""

    def due(self, at_s: float) -> bool:
        """Whether a copy of this moment is wanted."""

    def keep(self, at_s: float, cycles: int, place: int, state: bytes) -> None: ...

    def latest(self, before: Callable[[Copy], bool]) -> Copy | None:
        """The latest of those that a caller finds early enough."""


class CopiesInMemory:
    """Ten seconds apart; thinned out when there are too many."""

    def __init__(self) -> None:
        self._kept: list[Copy] = []
        self._every_s = _COPY_EVERY_S

    def __len__(self) -> int:
        return len(self._kept)

    def due(self, at_s: float) -> bool:
        return at_s >= (self._kept[-1].at_s if self._kept else 0.0) + self._every_s

    def keep(self, at_s: float, cycles: int, place: int, state: bytes) -> None:
        if len(self._kept) == _MOST_COPIES:
            self._kept = self._kept[1::2]
            self._every_s *= 2.0
        self._kept.append(Copy(at_s, cycles, place, lambda: state))

    def latest(self, before: Callable[[Copy], bool]) -> Copy | None:
        return next((copy for copy in reversed(self._kept) if before(copy)), None)


class Playback:
    """One recording and one pipeline. Times are the recording's own seconds, as in its messages.

    copies: where copies of the state are kept; None: some of them in memory. Raises whatever reading the recording raises.
    """

    def __init__(
        self,
        recording: Recording,
        setup: Setup,
        prior_prediction: Prediction | None = None,
        copies: Copies | None = None,
        known_goods: KnownGoods | None = None,
    ) -> None:
        self._recording = recording
        self._setup = setup
        self._prediction = prior_prediction
        self._known_goods = known_goods
        self._copies: Copies = copies if copies is not None else CopiesInMemory()
        self._ahead: Moment | None = None  # sought and found, not given out yet
        self._begin()

    def _begin(self) -> None:
        self._maker = BlockMaker(self._recording, self._setup, BoardFeed(self._setup))
        self._pipeline = Pipeline(
            self._setup, prior_prediction=self._prediction, known_goods=self._known_goods
        )
        self.progress = Progress()
        self._resume(0)

    def _resume(self, place: int) -> None:
        self._groups: Iterator[tuple[int, list[Item]]] | None = self._recording.groups(place)
        self._blocks: deque[Block | Note] = deque()
        self._place = place

    @property
    def feed(self) -> BoardFeed:
        """What turned the board's bytes into blocks so far, and what was lost on the way."""
        return self._maker.feed

    @property
    def counters(self) -> Counters | None:
        """What the board last said that it lost itself."""
        return self._maker.counters

    def health(self) -> tuple[ProbeHealth, ...]:
        return self._pipeline.health()

    def next(self) -> Moment | None:
        """The next moment, None behind the last one."""
        moment, self._ahead = self._ahead, None
        return moment if moment is not None else self._work()

    def seek(
        self,
        at_s: float,
        passing: Callable[[Moment], None] = lambda moment: None,
        *,
        leap: bool = True,
    ) -> None:
        """Go where the next moment is the first one that reaches `at_s`; to the end where there is none.

        passing: told every moment that is worked through on the way; it may raise, to give up half way. leap: on the
        way forward what was played before is leapt over by a copy, and so not told.
        """
        self._seek(
            lambda moment: moment.at_s >= at_s,
            lambda copy: copy.at_s < at_s,
            self.progress.at_s < at_s,
            passing,
            leap=leap,
        )

    def seek_cycle(self, number: int) -> None:
        """Go where the next moment completes cycle `number`, counted from 0 over the whole recording."""
        self._seek(
            lambda _: self.progress.cycles > number,
            lambda copy: copy.cycles <= number,
            self.progress.cycles <= number,
        )

    def _seek(
        self,
        there: Callable[[Moment], bool],
        before: Callable[[Copy], bool],
        forward: bool,
        passing: Callable[[Moment], None] = lambda moment: None,
        *,
        leap: bool = True,
    ) -> None:
        self._ahead = None
        copy = self._copies.latest(before)
        if not forward or (leap and copy is not None and copy.at_s > self.progress.at_s):
            self._go_back_to(copy)
        while (moment := self._work()) is not None:
            if there(moment):
                self._ahead = moment
                return
            passing(moment)

    def raw_waves(self, from_s: float, to_s: float) -> Iterator[WaveData]:
        """Go to the last copy before `to_s`, and give the waveforms as sampled from `from_s` up to it, which cost a third
        of what a seek through them would."""
        until = self._copies.latest(lambda copy: copy.at_s < to_s)
        copy = self._copies.latest(lambda copy: copy.at_s < from_s)
        try:
            if until is None or (copy is not None and copy.place >= until.place):
                return
            self._go_back_to(copy)
            while self._place < until.place or self._blocks:
                moment = self._work(raw_only=True)
                assert moment is not None  # the copy was made behind it
                if moment.at_s >= from_s:
                    yield from (m for m in moment.messages if isinstance(m, WaveData))
        finally:
            self._ahead = None
            self._go_back_to(until)

    def _go_back_to(self, copy: Copy | None) -> None:
        if copy is None:
            self._begin()
        else:
            self._maker, self._pipeline, self.progress = pickle.loads(copy.state())
            self._resume(copy.place)

    def _work(self, *, raw_only: bool = False) -> Moment | None:
        if self._groups is None:
            return None
        if not self._blocks:
            if not raw_only:
                self._keep_copy()
            group = next(self._groups, None)
            if group is None:
                self._groups = None
                self._maker.finish()
                return self._moment(self._pipeline.flush())
            self._place, items = group
            for recorded in items:
                if isinstance(recorded, RecordedNote) and isinstance(recorded.content, Note):
                    self._blocks.append(recorded.content)
                if isinstance(recorded, RecordedBytes):
                    self.progress.bytes_received += len(recorded.data)
                for block in self._maker.blocks(recorded):
                    self._blocks.extend(_short(block))
        messages: list[PipelineMessage] = []
        notes: list[str] = []
        began_s = self.progress.at_s
        while self._blocks and self.progress.at_s - began_s < _LONGEST_BLOCK_S:
            item = self._blocks.popleft()
            if isinstance(item, Note):
                notes.append(item.text)
                self.progress.missing |= item.missing is not None
            else:
                self._note(item)
                messages.extend(self._pipeline.push(item, raw_only=raw_only))
        return self._moment(messages, notes)

    def _note(self, block: Block) -> None:
        progress = self.progress
        if isinstance(block, SampleBlock):
            progress.samples += block.samples
            progress.at_s = max(progress.at_s, block.t0 + block.samples * block.dt)
        elif isinstance(block, Gap):
            progress.lost_samples += block.lost_samples
        elif not progress.samples:
            progress.at_s = max(progress.at_s, block.until)

    def _moment(self, messages: list[PipelineMessage], notes: Sequence[str] = ()) -> Moment:
        self.progress.cycles += sum(isinstance(message, Cycle) for message in messages)
        return Moment(self.progress.at_s, tuple(messages), tuple(notes))

    def _keep_copy(self) -> None:
        progress = self.progress
        if self._copies.due(progress.at_s):
            state = pickle.dumps((self._maker, self._pipeline, progress))
            self._copies.keep(progress.at_s, progress.cycles, self._place, state)


def _short(block: Block) -> Iterator[Block]:
    """A block as it would have come live: the pipeline does not care, the eye does."""
    if not isinstance(block, SampleBlock):
        yield block
        return
    length = max(1, int(_LONGEST_BLOCK_S / block.dt))
    for first in range(0, block.samples, length):
        yield SampleBlock(
            inputs=block.inputs,
            volts=block.volts[:, first : first + length],
            t0=block.t0 + first * block.dt,
            dt=block.dt,
            skew=block.skew,
            offsets=block.offsets,
        )
