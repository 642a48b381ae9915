"""What a board said, turned into blocks: volts and seconds for the pipeline.

The only place where ticks become seconds and counts become volts. It reads no clock:
the same events with the same host times always give the same blocks, so that a replayed
recording feeds the pipeline exactly what the live link fed it.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from evenstroke_protocol.events import Counters, Edges, Event, Hello, InputKind, Loss, LossReason, Samples

from .blocks import Block, EdgeBlock, Gap, GapReason, SampleBlock
from .board_clock import BoardClock
from .messages import LossCount
from .setup import EDGE_ROLES, Setup, SetupError

_SEQUENCES = 1 << 32
_MOST_HELD_EDGES = 256
"""Edge frames kept until the first samples tell when their run began: about 13 s at 50 ms each."""


def check_board(setup: Setup, hello: Hello) -> None:
    """Make sure that this board can serve every probe of the set-up.

    An analog input serves any role, an edge input only `EDGE_ROLES`: it reports when a level
    changed and never how high it was.

    Raises SetupError, with what the board offers, where it cannot.
    """
    offers = _offers(hello)
    for index, probe in enumerate(setup.probe):
        where = f"probe[{index}] ({probe.name!r})"
        if probe.input is None:
            raise SetupError(
                "this probe names no input of the board",
                where=where,
                expected=f"input = a number; this board has {offers}",
                found=f"data called {probe.key!r}, which is how a capture's column is named",
                todo="add `input = ...` to the probe, or judge the capture that this set-up was written for",
            )
        if not 0 <= probe.input < len(hello.inputs):
            raise SetupError(
                "the board has no such input",
                where=f"{where}.input",
                expected=offers,
                found=str(probe.input),
                todo="give the number of the input that the probe is wired to",
            )
        if hello.inputs[probe.input].kind is InputKind.EDGE and probe.role not in EDGE_ROLES:
            raise SetupError(
                f"a probe with the role {probe.role} needs an analog input",
                where=f"{where}.input",
                expected=f"one of the analog inputs; this board has {offers}",
                found=f"{probe.input} ({hello.inputs[probe.input].name}), which only reports level changes",
                todo="wire the probe to an analog input and give its number",
            )


def _offers(hello: Hello) -> str:
    def named(indices: tuple[int, ...]) -> str:
        return ", ".join(f"{i} ({hello.inputs[i].name})" for i in indices) or "none"

    return f"analog inputs {named(hello.analog_inputs)}; edge inputs {named(hello.edge_inputs)}"


class _Run:
    """One unbroken stream of the board, with one relation between its ticks and our seconds."""

    def __init__(self, number: int, tick: int, t: float, clock_hz: int) -> None:
        self.number = number
        self._tick = tick
        self._t = t
        self._clock_hz = clock_hz
        self.next_tick = tick  # where the next scan belongs if none is lost
        self.last_tick = tick - 1  # when the latest scan was taken
        self.samples_sequence: int | None = None
        self.edges_sequence: int | None = None
        self.edges_until = tick  # every edge before this tick was reported, or is known to be lost

    def seconds(self, tick: int) -> float:
        # From the run's beginning each time and never summed up, so that nothing drifts.
        return self._t + (tick - self._tick) / self._clock_hz


class BoardFeed:
    """Decoder events in, blocks out.

    The time axis begins (t = 0) at the first sample that arrives; within a run every time
    is exact in the board's ticks. A later run (the board was reset or restarted) begins where
    the host's clock says, and a Gap with the estimated number of scans stands between.

    Samples that arrive before any Hello cannot be scaled; they are dropped and counted under
    the reason "before_hello".

    clock: the board's against the host's. hello: the latest one. lost_samples: scans missing in all gaps
    so far. lost_edges: how many times level changes of the set-up's edge inputs went missing, on the way or
    on the board (which says how many it missed); how many were lost on the way is not known. counting:
    whether any samples were the counting test signal and not what the inputs read.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self.hello: Hello | None = None
        self.lost_samples = 0
        self.counting = False
        self._edge_losses = 0
        self._board_missed: dict[int, int] = {}  # by run
        self._losses: dict[str, tuple[int, int, int]] = {}
        self._analog: tuple[int, ...] = ()
        self._edge: tuple[int, ...] = ()
        self._run: _Run | None = None
        self._end: tuple[float, int] | None = None  # newest end of data on our axis, host time of its coming
        self._reported = 0.0  # no block so far reaches beyond this time
        self._lost_first: dict[LossReason, Loss] = {}  # what may be missing before a run's first block
        self._held: deque[tuple[Edges, int]] = deque()
        self.clock = BoardClock()

    @property
    def losses(self) -> tuple[LossCount, ...]:
        """Everything that did not become data so far, by reason."""
        return tuple(
            LossCount(reason=reason, frames=frames, blocks=blocks, bytes=size)
            for reason, (frames, blocks, size) in sorted(self._losses.items())
        )

    @property
    def lost_edges(self) -> int:
        """How many times level changes went missing."""
        return self._edge_losses + sum(self._board_missed.values())

    def feed(self, event: Event, host_ns: int) -> list[Block]:
        """The blocks that an event completes, oldest first.

        host_ns: when its bytes arrived, nanoseconds of a monotonic clock. It only places later
        runs on the time axis.

        Raises SetupError when a Hello shows a board that cannot serve the set-up, or when a
        run leaves out an input that the set-up needs.
        """
        if isinstance(event, Samples):
            return self._samples(event, host_ns)
        if isinstance(event, Edges):
            return self._edges(event, host_ns)
        if isinstance(event, Hello):
            self._meet(event)
        elif isinstance(event, Counters):
            if self._edge:
                self._board_missed[event.run] = event.edges_missed
        elif isinstance(event, Loss):
            self._count(event.reason.value, frames=1, blocks=event.blocks_lost, size=event.bytes_lost)
            self._lost_first[event.reason] = event
        return []

    def _count(self, reason: str, *, frames: int = 0, blocks: int = 0, size: int = 0) -> None:
        had = self._losses.get(reason, (0, 0, 0))
        self._losses[reason] = (had[0] + frames, had[1] + blocks, had[2] + size)

    def _meet(self, hello: Hello) -> None:
        check_board(self._setup, hello)
        used = {probe.input for probe in self._setup.probe}
        self._analog = tuple(i for i in hello.analog_inputs if i in used)
        self._edge = tuple(i for i in hello.edge_inputs if i in used)
        reset = self.hello is not None and hello.boot_count != self.hello.boot_count
        if self._run is not None and (reset or hello.run != self._run.number):
            self._run = None
        self.hello = hello

    def _samples(self, event: Samples, host_ns: int) -> list[Block]:
        hello = self.hello
        if hello is None:
            self._count("before_hello", blocks=1)
            return []
        if not self._analog:
            return []
        blocks: list[Block] = []
        run = self._run
        if run is None or run.number != event.run or event.tick <= run.last_tick:
            run, gap = self._begin(event, host_ns, hello)
            if gap is not None:
                blocks.append(self._lose(gap))
        # A board whose trigger wavers by some ticks, or whose period changed, has lost nothing.
        elif (missing := round((event.tick - run.next_tick) / event.scan_ticks)) > 0:
            follows = (
                run.samples_sequence is None or event.sequence == (run.samples_sequence + 1) % _SEQUENCES
            )
            t_from, t_to = run.seconds(run.next_tick), run.seconds(event.tick)
            blocks.append(
                self._lose(
                    Gap(
                        t_from,
                        t_to,
                        missing,
                        GapReason.BOARD_DROPPED if follows else GapReason.SAMPLES_MISSING,
                    )
                )
            )
        scans = int(event.counts.shape[0])
        run.samples_sequence = event.sequence
        run.next_tick = event.tick + scans * event.scan_ticks
        run.last_tick = run.next_tick - event.scan_ticks
        end = run.seconds(run.next_tick)
        self._end = (end, host_ns)
        self.clock.add(run.number, end, host_ns)
        self._reported = max(self._reported, end)
        self.counting = self.counting or event.counting
        blocks.extend(self._volts(event, run, hello))
        blocks.extend(self._release(run.number))
        return blocks

    def _lose(self, gap: Gap) -> Gap:
        self.lost_samples += gap.lost_samples
        return gap

    def _begin(self, event: Samples, host_ns: int, hello: Hello) -> tuple[_Run, Gap | None]:
        missing = [i for i in self._analog if i not in event.inputs]
        if missing:
            probe = next(p for p in self._setup.probe if p.input == missing[0])
            raise SetupError(
                "the set-up needs an input that was not sampled",
                where=f"probe {probe.name!r}.input",
                expected=f"one of the inputs of this run: {', '.join(map(str, event.inputs))}",
                found=str(missing[0]),
                todo="use the set-up that the data were taken with, or take that probe out of this one",
            )
        t, gap = 0.0, None
        dt = event.scan_ticks / hello.clock_hz
        scans = int(event.counts.shape[0])
        if self._end is None:
            lost = self._lost_before(LossReason.SAMPLES_MISSING, event.run)
            if lost:
                # The time axis begins at the first sample that came; what it lacks lies before 0.
                gap = Gap(-lost * scans * dt, 0.0, lost * scans, GapReason.SAMPLES_MISSING)
        else:
            t_end, end_host_ns = self._end
            # A block arrives when its last scan is over: go back by its length.
            away = (host_ns - end_host_ns) / 1e9 - scans * dt
            t = max(t_end + away, self._reported)
            gap = Gap(t_end, t, round((t - t_end) / dt), GapReason.LINK_LOST)
        self._run = _Run(event.run, event.tick, t, hello.clock_hz)
        return self._run, gap

    def _lost_before(self, reason: LossReason, run_number: int) -> int:
        """Blocks that the decoder found missing before the first one of this run."""
        loss = self._lost_first.pop(reason, None)
        return loss.blocks_lost if loss is not None and loss.run == run_number else 0

    def _volts(self, event: Samples, run: _Run, hello: Hello) -> list[Block]:
        columns = [event.inputs.index(i) for i in self._analog]
        scale = hello.adc_reference_mv / 1000.0 / (1 << event.bits)
        first, step = columns[0], columns[1] - columns[0] if len(columns) > 1 else 1
        even = columns == list(range(first, first + step * len(columns), step))
        return [
            SampleBlock(
                inputs=self._analog,
                volts=np.multiply(event.counts.T[columns], scale, dtype=np.float64),
                t0=run.seconds(event.tick + first * event.skew_ticks),
                dt=event.scan_ticks / hello.clock_hz,
                skew=step * event.skew_ticks / hello.clock_hz if even else 0.0,
                # Inputs that were sampled and that no probe uses may stand between the others.
                offsets=()
                if even
                else tuple((column - first) * event.skew_ticks / hello.clock_hz for column in columns),
            )
        ]

    def _release(self, run_number: int) -> list[Block]:
        """The blocks of the edges that waited for this run's first samples."""
        blocks: list[Block] = []
        for _ in range(len(self._held)):
            event, host_ns = self._held.popleft()
            if event.run == run_number:
                blocks.extend(self._edges(event, host_ns))
            else:
                self._miss_edges()
        return blocks

    def _edges(self, event: Edges, host_ns: int) -> list[Block]:
        hello = self.hello
        if hello is None:
            self._count("before_hello", frames=1)
            return []
        if not self._edge:
            return []
        blocks: list[Block] = []
        first = event.edges[0].tick if event.edges else event.until_tick
        run = self._run
        if run is None or run.number != event.run:
            if self._analog:
                # The run's first samples say when it began; its edges wait for them.
                self._held.append((event, host_ns))
                if len(self._held) > _MOST_HELD_EDGES:
                    self._held.popleft()
                    self._miss_edges()
                return []
            run, gap = self._begin_without_samples(event.run, first, host_ns, hello)
            if gap is not None:
                blocks.append(gap)
        if run.edges_sequence is None:
            lost = self._lost_before(LossReason.EDGES_MISSING, event.run) > 0 and event.sequence > 0
        else:
            lost = event.sequence != (run.edges_sequence + 1) % _SEQUENCES
        if lost:
            # Where the lost frames ended is not known, only that it was before the first edge that came.
            t_to = run.seconds(first)
            self._edge_losses += 1
            blocks.append(Gap(min(run.seconds(run.edges_until), t_to), t_to, 0, GapReason.EDGES_MISSING))
        run.edges_sequence = event.sequence
        run.edges_until = event.until_tick
        until = run.seconds(event.until_tick)
        self._reported = max(self._reported, until)
        if not self._analog:
            self._end = (until, host_ns)
        for i in self._edge:
            mine = [e for e in event.edges if e.input == i]
            blocks.append(
                EdgeBlock(
                    input=i,
                    times=np.array([run.seconds(e.tick) for e in mine], dtype=np.float64),
                    rising=np.array([e.rising for e in mine], dtype=np.bool_),
                    until=until,
                )
            )
        return blocks

    def _miss_edges(self) -> None:
        self._edge_losses += 1
        self._count(LossReason.EDGES_MISSING.value, frames=1)

    def _begin_without_samples(
        self, number: int, tick: int, host_ns: int, hello: Hello
    ) -> tuple[_Run, Gap | None]:
        t, gap = 0.0, None
        if self._end is not None:
            t_end, end_host_ns = self._end
            t = t_end + max(0.0, (host_ns - end_host_ns) / 1e9)
            gap = Gap(t_end, t, 0, GapReason.LINK_LOST)
            self._edge_losses += 1
        self._run = _Run(number, tick, t, hello.clock_hz)
        return self._run, gap
