"""From samples and edges to cycles, balance and findings: one object for live, replay and tests.

    push(block) ... flush() -> messages; judge(source) -> the judgement document

No I/O and no clock. Everything is done on frames counted from the first sample, so that what comes out does
not depend on where blocks were cut.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Iterable, Iterator

import msgspec
import numpy as np

from .angle_record import ROLES as ANGLE_ROLES
from .angle_record import AngleRecord
from .blocks import Block, Bools, EdgeBlock, Floats, Gap, GapReason, InputKey, SampleBlock
from .clamp_direction import ClampDirection
from .comparisons import ComparisonKeeper
from .conditioning import FRAME_S, Conditioner
from .cycles import STARTED_RPM, Anchor, CycleCutter, CycleSpan
from .edge_finder import EdgeFinder
from .engine import CYCLE_DEG, firing_angles
from .features import ROLE_PULSES, unit_of_value
from .findings import findings_of, instruction
from .grid import Frame, GridStart, SampleGrid
from .health import LIMITING, ProbeWatch, probe_health, with_problems
from .history import History
from .judge import judgement, may_have_run, refusal, warnings_of
from .known_goods import KnownGoods
from .measurement import Measured, ProbeMeasurer, no_compression
from .messages import (
    ANGLE_STEP_DEG,
    Balance,
    CodedWarning,
    Comparison,
    Cycle,
    CycleProbe,
    CylinderPulse,
    FindingMessage,
    Judgement,
    PhaseName,
    PipelineMessage,
    ProbeHealth,
    SourceInfo,
    StretchKind,
    ValveEvent,
    Wave,
    WaveData,
)
from .prediction import Prediction
from .pressure_trace import PressureTrace, pressure_traces
from .rhythm_tracker import RhythmSource, RhythmTracker, shortest_period
from .setup import DEFAULT_LOWPASS_HZ, EDGE_ROLES, Probe, Setup
from .silent_cycles import SilentCycles
from .speed_shape import SpeedShape
from .stretches import StretchKeeper
from .swapped_probes import swapped_pair
from .sync_pace import STARTER_LOADS, OtherPace, SyncPace
from .sync_rate import irregular, wrong_by_teeth
from .sync_tracker import SyncTracker
from .valve_events import seen_events
from .wheel_tracker import WheelTracker
from .wording import listed

_COASTING = 0.5
"""Of the last cycle's speed: compression slows a crank by less than that over half a revolution."""

_SAME_CRANK_S = 5.0
"""A turning that begins so soon after another is the same crank, broken by events that did not come: starters rest longer."""

_ANGLES_DEG = np.arange(0.0, CYCLE_DEG + ANGLE_STEP_DEG, ANGLE_STEP_DEG)

_LONGEST_WAIT_FOR_EDGES_S = 30.0
"""Samples wait for the edges of the same moment, but not for an edge input that has gone silent for good."""

_LISTED_ROWS = 8
"""Rows of cycles in which names were given that are told one by one: over hours of idling there may be any number."""

_UNTOLD_BELOW_RATE = frozenset({"noisy", "mains_pickup", "brush_pickup"})

_OF_A_START = 2
"""Events of a sync that seem too early, or missed, where a cranked engine starts: the next comes after a quarter of the time."""


class Pipeline:
    """Feeds on blocks in order of time; see `blocks.py` for what a block is.

    setup: what engine, which probe on which input. anchor: names the cylinders where no sync does.
    prior_prediction: what the set-up does by the engine physics, before anything is recorded. known_goods: what known-good
    engines of its family show. All outputs are typed in `messages.py`.
    """

    def __init__(
        self,
        setup: Setup,
        anchor: Anchor | None = None,
        prior_prediction: Prediction | None = None,
        known_goods: KnownGoods | None = None,
    ) -> None:
        self._setup = setup
        self._anchor = anchor
        self._prediction = prior_prediction
        self._known_goods = known_goods
        self.reset()

    def reset(self) -> None:
        """Forgets everything but the set-up."""
        setup = self._setup
        self._by_key: dict[InputKey, Probe] = {probe.key: probe for probe in setup.probe}
        sync_probe = _leading_sync(setup)
        wheel_probe = next((p for p in setup.probe if p.role == "crank_teeth"), None)
        firing_deg = shortest_period(list(firing_angles(setup.engine).values()))
        self._wheel = WheelTracker(wheel_probe, firing_deg) if wheel_probe is not None else None
        self._history = History()
        self._rhythm = RhythmTracker(setup, self._history)
        sifts = bool(self._rhythm.sources) and self._rhythm.even
        self._syncs = {p.name: SyncTracker(p.every, sifted_later=sifts) for p in setup.probe if p.is_sync}
        sync = self._syncs[sync_probe.name] if sync_probe is not None else None
        self._sync = sync
        self._cutter = CycleCutter(
            setup, sync, sync_probe, self._wheel, self._history, self._rhythm, self._anchor
        )
        self._pace = (
            SyncPace(setup, sync_probe, sync, self._history)
            if sync is not None and sync_probe is not None
            else None
        )
        self._stretches = StretchKeeper()
        self._measurers = [ProbeMeasurer(setup, p, None) for p in setup.probe if p.role in ROLE_PULSES]
        # A running engine's alternator charges through the same cable, the other way.
        clamped = setup.probe if setup.conditions.mode == "cranking" else ()
        self._clamps = {p.name: ClampDirection(p) for p in clamped if p.role == "starter_current"}
        for measurer in self._measurers:
            measurer.clamp = self._clamps.get(measurer.probe.name)
        self._keeper = ComparisonKeeper(setup, self._measurers, self._prediction, self._known_goods)
        self._angle_records = {p.name: AngleRecord(p) for p in setup.probe if p.role in ANGLE_ROLES}
        self._comparisons: tuple[Comparison, ...] = ()
        self._problems: dict[str, set[str]] = {p.name: set() for p in setup.probe}  # ever seen in a cycle
        self._silent = self._keeper.silent
        self._silent.update((p.name, SilentCycles()) for p in setup.probe if p.role not in EDGE_ROLES)
        self._infinite: dict[InputKey, int] = {}  # samples that were no number
        self._grid = SampleGrid()
        self._frames: deque[GridStart | Frame] = deque()
        self._conditioner: Conditioner | None = None
        self._conditioned: list[int] = []  # rows of the grid that are conditioned
        self._conditioned_from = 0.0
        self._rows: tuple[Probe | None, ...] = ()
        self._finders: dict[int, EdgeFinder] = {}
        self._watches: dict[int, ProbeWatch] = {}
        self._start: GridStart | None = None
        self._edges: dict[InputKey, tuple[list[float], list[bool]]] = {}
        self._edges_until: dict[InputKey, float] = {}
        self._edges_latest: dict[InputKey, float] = {}
        self._samples_until = -np.inf
        self._edge_frame: int | None = None
        self._waiting: deque[CycleSpan] = deque()
        self._edge_gaps: list[tuple[float, float]] = []
        self._now = 0.0
        self._begun = False
        self._turning = False
        self._phase: PhaseName = "rest"
        self._cycles = 0
        self._named: dict[tuple[str, StretchKind], list[tuple[int, int]]] = {}
        self._cycle_s: float | None = None
        self._cycled_until = -np.inf
        self._turned_at = -np.inf  # when the engine was last seen turning
        self._enough = False  # said of the crank that goes on, or was the last
        self._valve_events: tuple[ValveEvent, ...] = ()
        self._valve_cycles = 0  # after which they were worked out
        self._sequences = {"wave": 0, "cycle": 0, "balance": 0, "finding": 0}

    # --- in -------------------------------------------------------------------------------------------

    def push(self, block: Block, *, raw_only: bool = False) -> list[PipelineMessage]:
        """Takes one block and returns what it completes, oldest first. Samples and edges that lie before what has come of
        their kind, as from clocks that began anew, are left out. raw_only: give the waveforms as sampled, and leave all
        else undone: for a copy that is thrown away afterwards."""
        if isinstance(block, Gap):
            self._note_gap(block)
        elif isinstance(block, EdgeBlock):
            self._take_edges(block)
        else:
            self._take_samples(block)
        return list(self._work(final=False, raw_only=raw_only))

    def flush(self) -> list[PipelineMessage]:
        """No more blocks come: measures what is complete and says the last word."""
        if self._start is not None or self._frames:
            self._frames.extend(self._grid.finish())
        return list(self._work(final=True))

    def health(self) -> tuple[ProbeHealth, ...]:
        """Each probe's signal as of now, in the set-up's order."""
        watches = {watch.probe.name: watch for watch in self._watches.values()}
        measurers = {m.probe.name: m for m in self._measurers}
        out = []
        for probe in self._setup.probe:
            watch = watches.get(probe.name)
            health = self._watched(watch, turning=self._turning) if watch else self._event_health(probe)
            measurer = measurers.get(probe.name)
            codes = measurer.problems if measurer is not None else self._sync_problems(probe)
            if "unfiltered" in self._problems[probe.name]:
                codes = _of_too_slow((*codes, "unfiltered"))
            mean = measurer.mean_cycle if measurer is not None else None
            if mean is not None:
                health = msgspec.structs.replace(health, signal_to_noise_db=mean.signal_to_noise_db)
            out.append(with_problems(health, codes, turning=self._turning))
        return tuple(out)

    def _watched(self, watch: ProbeWatch, *, turning: bool) -> ProbeHealth:
        """A starter that is let go of loads nothing beside an engine that runs by itself: that is no signal that is gone."""
        health = watch.report(turning=turning)
        if not self._let_go_of(watch.probe) or "dead" not in health.problems:
            return health
        return msgspec.structs.replace(
            health,
            state="waiting",
            problems=(),
            advice="The engine runs by itself: the starter draws nothing.",
        )

    def _let_go_of(self, probe: Probe) -> bool:
        """Whether this shows a starter's load, and the engine runs by itself, or did and runs out."""
        ran = self._phase == "running" or (
            self._phase != "cranking" and self._stretches.running_from_s is not None
        )
        return probe.role in STARTER_LOADS and ran

    def engine_angles(self, times: Floats) -> Floats:
        """Engine angle modulo 720 at ascending times (seconds), shape as given; NaN where it is not known.

        Where only the half-cycle is open, it is one of the two. Older turning than some 30 cycles is forgotten.
        """
        return self._cutter.engine_angles(times)

    def _sync_problems(self, probe: Probe) -> tuple[str, ...]:
        """Whether a sync comes as often as the set-up says, and regularly."""
        tracker = self._syncs.get(probe.name)
        if tracker is None:
            return ()
        jumps = _OF_A_START if self._stretches.running_from_s is not None else 0
        codes = ("sync_irregular",) if irregular(tracker, forgiven=jumps) else ()
        return ("sync_rate", *codes) if self._sync_at_wrong_rate(probe, tracker) else codes

    def _sync_at_wrong_rate(self, probe: Probe, tracker: SyncTracker) -> bool:
        if self._cutter.basis.startswith("wheel"):
            return wrong_by_teeth(probe, tracker, self._cutter.rotations) is not None
        return tracker is self._sync and self._other_pace() is not None

    def _other_pace(self) -> OtherPace | None:
        """Where cycles are cut by a sync that comes otherwise than the set-up says."""
        by_sync = self._cutter.basis in ("cycle", "revolution") and self._cutter.second_series is None
        return self._pace.found() if self._pace is not None and by_sync else None

    def _syncs_at_wrong_rate(self) -> tuple[Probe, ...]:
        probes = [p for p in self._setup.probe if p.is_sync]
        return tuple(p for p in probes if self._sync_at_wrong_rate(p, self._syncs[p.name]))

    def judge(self, source: SourceInfo) -> Judgement:
        """The judgement of everything pushed so far; call it after `flush`."""
        return judgement(
            self._setup,
            source,
            self._cutter,
            self._sync,
            self._wheel,
            self._stretches,
            self._measurers,
            self._comparisons,
            self._keeper,
            self._syncs_at_wrong_rate(),
            self._other_pace(),
            self.angle_records,
            {p.name: n for key, p in self._by_key.items() if (n := self._infinite.get(key, 0))},
        )

    @property
    def angle_records(self) -> tuple[AngleRecord, ...]:
        """Each pulse and pressure probe against crank angle, over the steady cranking cycles so far."""
        return tuple(self._angle_records.values())

    def pressure_traces(self) -> tuple[PressureTrace, ...]:
        """Each transducer's mean cycle by crank angle, over the steady cranking cycles so far."""
        return pressure_traces(self._setup, self.angle_records)

    def anchor_at(self, cycle: Cycle, cylinder: int) -> Anchor | None:
        """Where the first pulse of a cycle with unnamed cylinders would put `cylinder`; None where it has none."""
        for probe in cycle.probes:
            first = next((p for p in probe.pulses if p.position == 1 and p.cylinder is None), None)
            if first is not None and first.from_s is not None and first.to_s is not None:
                measurer = next(m for m in self._measurers if m.probe.name == probe.probe)
                return measurer.anchor(first.from_s, first.to_s, cylinder)
        return None

    def _take_samples(self, block: SampleBlock) -> None:
        infinite = np.isinf(block.volts)
        if infinite.any():
            for key, count in zip(block.inputs, infinite.sum(axis=1).tolist(), strict=True):
                self._infinite[key] = self._infinite.get(key, 0) + count
            block = dataclasses.replace(block, volts=np.where(infinite, np.nan, block.volts))
        late = round((self._samples_until - block.t0) / block.dt) if self._samples_until > block.t0 else 0
        if late > 0:
            block = dataclasses.replace(block, volts=block.volts[:, late:], t0=block.t0 + late * block.dt)
            if not block.samples:
                return
        self._samples_until = max(self._samples_until, block.t0 + block.samples * block.dt)
        for item in self._grid.add(block):
            if isinstance(item, GridStart):
                self._grid.frame_length = self._plan_conditioner(item).frame
            self._frames.append(item)

    def _take_edges(self, block: EdgeBlock) -> None:
        times, rising = self._edges.setdefault(block.input, ([], []))
        latest = self._edges_latest.get(block.input, -np.inf)
        kept = block.times >= np.maximum.accumulate(np.concatenate([[latest], block.times]))[:-1]
        if not kept.all():
            self._edge_gaps.append((float(block.times.min()), max(latest, float(block.times.max()))))
        times.extend(block.times[kept].tolist())
        rising.extend(block.rising[kept].tolist())
        self._edges_latest[block.input] = max(latest, float(block.times.max(initial=-np.inf)))
        before = self._edges_until.get(block.input, -np.inf)
        self._edges_until[block.input] = max(before, block.until)

    def _note_gap(self, gap: Gap) -> None:
        sampled = self._start.inputs if self._start is not None else ()
        for probe in self._setup.probe:
            lost = gap.reason.takes_everything or (probe.key in sampled) != (
                gap.reason is GapReason.EDGES_MISSING
            )
            if probe.is_sync and lost:
                self._syncs[probe.name].note_gap(gap.t_from, gap.t_to)
        reported = any(p.role in EDGE_ROLES and p.key not in sampled for p in self._setup.probe)
        if gap.reason is GapReason.EDGES_MISSING or (reported and gap.reason.takes_everything):
            self._edge_gaps.append((gap.t_from, gap.t_to))

    # --- frames ---------------------------------------------------------------------------------------

    def _work(self, *, final: bool, raw_only: bool = False) -> Iterator[PipelineMessage]:
        while self._frames:
            item = self._frames[0]
            if isinstance(item, GridStart):
                self._begin_grid(item)
            else:
                end = item.t0 + item.volts.shape[1] * item.dt
                if not (final or item.last or self._edges_known(end)):
                    return
                yield from self._frame(item, end, raw_only=raw_only)
            self._frames.popleft()
        if self._start is None and not raw_only:
            yield from self._work_on_edges_alone(final=final)
        if final:
            yield from self._last_words()

    def _edges_known(self, until: float) -> bool:
        """Whether every edge input has told all it saw before this time."""
        newest = self._frames[-1] if self._frames else None
        have = newest.t0 if isinstance(newest, Frame) else until
        if have - until > _LONGEST_WAIT_FOR_EDGES_S:
            return True
        sampled = set(self._start.inputs) if self._start is not None else set()
        keys = [p.key for p in self._setup.probe if p.role in EDGE_ROLES and p.key not in sampled]
        return all(self._edges_until.get(key, -np.inf) >= until for key in keys)

    def _work_on_edges_alone(self, *, final: bool) -> Iterator[PipelineMessage]:
        """A capture of level changes only has no samples: frames are even pieces of time instead.

        Edges may also arrive before the samples of the same moment; those are waited for.
        """
        if not self._edges_until:
            return
        changes_only = all(probe.key in self._edges_until for probe in self._setup.probe)
        if not (final or changes_only):
            return
        if self._edge_frame is None:
            firsts = [times[0] for times, _ in self._edges.values() if times]
            if not firsts or not (final or self._edges_known(min(firsts))):
                return
            self._edge_frame = int(min(firsts) // FRAME_S)
        keys = [p.key for p in self._setup.probe if p.role in EDGE_ROLES]
        known = [self._edges_until.get(key, -np.inf) for key in keys]
        last = max(known) if final else min(known)
        while (self._edge_frame + 1) * FRAME_S <= last or (final and self._edge_frame * FRAME_S <= last):
            self._edge_frame += 1
            yield from self._advance(self._edge_frame * FRAME_S)

    def _plan_conditioner(self, start: GridStart) -> Conditioner:
        rows = [self._by_key.get(key) for key in start.inputs]
        corners = [_lowpass_hz(p) for p in rows if p is not None and p.role not in EDGE_ROLES]
        return Conditioner(corners, 1.0 / start.dt)

    def _begin_grid(self, start: GridStart) -> None:
        self._start = start
        self._rows = tuple(self._by_key.get(key) for key in start.inputs)
        self._conditioner = self._plan_conditioner(start)
        self._conditioned = [
            k for k, p in enumerate(self._rows) if p is not None and p.role not in EDGE_ROLES
        ]
        self._conditioned_from = start.t0
        self._history.clear()
        for place in self._conditioner.unfiltered:
            probe = self._rows[self._conditioned[place]]
            if probe is not None:
                self._problems[probe.name].add("unfiltered")
        rate, frame = 1.0 / start.dt, self._conditioner.frame
        self._finders, self._watches = {}, {}
        for row, probe in enumerate(self._rows):
            if probe is None:
                continue
            self._watches[row] = ProbeWatch(probe, rate, frame)
            for measurer in self._measurers:
                if measurer.probe is probe and probe.role not in EDGE_ROLES:
                    clipping = self._watches[row].clipping
                    if measurer.clipping is not None:
                        clipping.remember(measurer.clipping)
                    measurer.clipping = clipping
            if probe.role in EDGE_ROLES:
                self._finders[row] = EdgeFinder(rate, frame, teeth=probe.role == "crank_teeth")
        readers: list[ProbeMeasurer | SpeedShape | RhythmSource] = [*self._measurers, self._cutter.shape]
        readers += [*self._rhythm.sources, *self._cutter.half_cycle.listeners]
        readers += self._pace.sources if self._pace is not None else []
        if self._cutter.compression.source is not None:
            readers.append(self._cutter.compression.source)
        for reader in readers:
            if reader.probe is None or reader.probe.role in EDGE_ROLES:
                continue
            column = next((k for k, p in enumerate(self._rows) if p is reader.probe), None)
            reader.row = self._conditioned.index(column) if column is not None else None
            reader.offset_s = start.offsets[column] if column is not None else 0.0

    def _frame(self, frame: Frame, end: float, *, raw_only: bool) -> Iterator[PipelineMessage]:
        scaled = self._scale(frame.volts)
        if scaled.shape[1]:
            yield self._wave("raw", range(len(self._rows)), scaled, frame.t0, frame.dt)
        if raw_only:
            return
        for row, watch in self._watches.items():
            watch.push(scaled[row], frame.t0 + self._offset_of(row), turning=self._turning)
        for row, finder in self._finders.items():
            self._found_edges(row, finder, frame)
        yield from self._condition(scaled, last=frame.last)
        yield from self._advance(end)
        if frame.last:
            self._history_ended()

    def _offset_of(self, row: int) -> float:
        """How much later than the scan's time this channel is sampled, seconds."""
        assert self._start is not None
        return self._start.offsets[row]

    def _scale(self, volts: Floats) -> Floats:
        scaled = np.array(volts)
        for row, probe in enumerate(self._rows):
            if probe is not None and probe.volts_per_unit is not None:
                scaled[row] = (scaled[row] - probe.volts_at_zero) / probe.volts_per_unit
        return scaled

    def _found_edges(self, row: int, finder: EdgeFinder, frame: Frame) -> None:
        assert self._start is not None
        key = self._start.inputs[row]
        times, rising = finder.push(frame.volts[row], frame.t0 + self._offset_of(row))
        self._take_edges(EdgeBlock(key, times, rising, frame.t0 + frame.volts.shape[1] * frame.dt))

    def _condition(self, scaled: Floats, *, last: bool) -> Iterator[PipelineMessage]:
        assert self._conditioner is not None and self._start is not None
        if not self._conditioned:
            return
        rows = scaled[self._conditioned]
        for place, column in enumerate(self._conditioned):
            probe = self._rows[column]
            clamp = self._clamps.get(probe.name) if probe is not None else None
            if clamp is not None:
                rows[place] = clamp.push(rows[place], self._start.dt)
                if probe is self._cutter.shape.probe:
                    self._cutter.shape.row = None if clamp.doubtful else place
        ready = self._conditioner.finish(rows) if last else self._conditioner.push(rows)
        if ready is None or not ready[0].shape[1]:
            return
        values, lost = ready
        dt = self._start.dt * self._conditioner.keep_every
        t0 = self._conditioned_from
        self._conditioned_from += values.shape[1] * dt
        self._history.add(t0, dt, values, lost)
        yield self._wave("conditioned", self._conditioned, np.where(lost, np.nan, values), t0, dt)

    def _history_ended(self) -> None:
        self._start = None

    # --- cycles ---------------------------------------------------------------------------------------

    def _advance(self, until: float) -> Iterator[PipelineMessage]:
        """All edges before `until` are known: follow them, and measure what has become complete."""
        self._now = until
        for key, probe in self._by_key.items():
            if probe.role in EDGE_ROLES:
                times, rising = self._edges_before(key, until)
                self._follow(probe, times, rising, until)
        self._waiting.extend(self._cutter.update())
        if self._pace is not None:
            self._pace.update()
        self._turning = bool(self._cutter.turning)
        was, self._phase = self._phase, self._phase_now()
        yield from self._measure_ready(final=False)
        if not self._begun or was != self._phase:
            self._begun = True
            yield self._finding()

    def _phase_now(self) -> PhaseName:
        """What the engine does, from the latest half revolution; coasting shows only where there are teeth."""
        live = [r for r in self._cutter.turning if len(r.t) >= 2]
        if not live:
            return "rest"
        rpm = live[-1].speed_at_end() / 6.0
        if rpm >= STARTED_RPM:
            return "running"
        if self._cycle_s is not None and rpm < _COASTING * 120.0 / self._cycle_s:
            return "coasting"
        # Once it runs out it does not gain speed again before it rests.
        return "coasting" if self._phase == "coasting" else "cranking"

    def _edges_before(self, key: InputKey, until: float) -> tuple[Floats, Bools]:
        times, rising = self._edges.get(key, ([], []))
        count = int(np.searchsorted(np.asarray(times), until)) if times else 0
        taken = np.asarray(times[:count], dtype=np.float64), np.asarray(rising[:count], dtype=bool)
        del times[:count], rising[:count]
        return taken

    def _follow(self, probe: Probe, times: Floats, rising: Bools, until: float) -> None:
        if probe.is_sync:
            self._syncs[probe.name].push(times, rising, until)
        elif self._wheel is not None and probe is self._wheel.probe:
            self._wheel.push(times, rising, until)

    def _measure_ready(self, *, final: bool) -> Iterator[PipelineMessage]:
        while self._waiting:
            span = self._waiting[0]
            if not final and not self._measurable(span):
                return
            self._waiting.popleft()
            yield from self._cycle(span)

    def _measurable(self, span: CycleSpan) -> bool:
        for measurer in self._measurers:
            known = self._history.until if measurer.row is not None else self._now
            if known < measurer.needs_until(span):
                return False
        return True

    def _cycle(self, span: CycleSpan) -> Iterator[PipelineMessage]:
        kind, number, left_out = self._stretches.classify(span)
        if kind is None:
            return
        self._cycles += 1
        self._cycle_s = span.to_s - span.from_s
        self._cycled_until = span.to_s
        self._edge_gaps = [gap for gap in self._edge_gaps if gap[1] > span.from_s]
        if left_out is None and any(a < span.to_s and b > span.from_s for a, b in self._edge_gaps):
            left_out = "lost_edges"
        probes = []
        for measurer in self._measurers:
            if measurer.row is None and measurer.probe.role != "crank_teeth":
                continue
            if kind == "idle" and measurer.probe.role in STARTER_LOADS:
                continue  # no starter turns an engine that runs by itself
            if left_out is None and self._is_silent(measurer.probe, span, kind, number):
                gone = tuple(
                    Measured(place, k + 1, None, "no_signal") for k, place in enumerate(measurer.places(span))
                )
                if gone:
                    self._keeper.add(measurer, gone, kind, number, span.rotation_index)
                    probes.append(_cycle_probe(measurer, gone, kind, named=not self._keeper.by_series))
                continue
            measured = measurer.measure(span, self._history, kind, counts=left_out is None)
            if not measured:
                continue
            if left_out is None and measurer.count(number):
                self._keeper.forget(measurer.probe.name)
                for past, measured in measurer.counted_anew():
                    index = past.span.rotation_index
                    self._keeper.add(measurer, measured, past.kind, past.number, index)
            elif left_out is None:
                self._keeper.add(measurer, measured, kind, number, span.rotation_index)
            if left_out is None and kind == "cranking" and measurer.probe.name in self._angle_records:
                self._angle_records[measurer.probe.name].add(measurer, span, self._history)
            probes.append(_cycle_probe(measurer, measured, kind, named=not self._keeper.by_series))
            self._note_names(probes[-1], kind, number)
        if left_out is None:
            self._note_problems()
            self._limit_comparisons()
            self._limit_by_roles()
        said_anew = self._limit_by_turning()
        yield Cycle(
            sequence=self._next("cycle"),
            stretch=kind,
            index=number,
            from_s=span.from_s,
            to_s=span.to_s,
            rpm=span.rpm,
            angle_uncertainty_deg=span.uncertainty_deg,
            left_out=left_out,
            probes=tuple(probes),
            angles_at_s=tuple(span.rotation.times_at(span.start_deg + _ANGLES_DEG).tolist()),
        )
        if left_out is None or said_anew:
            yield self._balance()
        yield self._finding()

    def _is_silent(self, probe: Probe, span: CycleSpan, kind: StretchKind, number: int) -> bool:
        """Whether the signal of a probe is gone in a cycle that would count, and was there in one before."""
        watch = next((w for w in self._watches.values() if w.probe is probe), None)
        if watch is None or probe.role in EDGE_ROLES or self._let_go_of(probe):
            return False
        seen = watch.seen_between(span.from_s, span.to_s)
        return self._silent[probe.name].add(kind, number, span.from_s, span.to_s, seen)

    def _balance(self) -> Balance:
        self._comparisons = self._keeper.state()
        return Balance(
            sequence=self._next("balance"),
            at_s=self._cycled_until,
            cycles=self._cycles,
            comparisons=self._comparisons,
        )

    def _note_names(self, probe: CycleProbe, kind: StretchKind, number: int) -> None:
        """Remembers in which cycles the stream named cylinders, as first and last of each row of them."""
        if any(pulse.cylinder is not None for pulse in probe.pulses):
            rows = self._named.setdefault((probe.probe, kind), [])
            if rows and rows[-1][1] == number - 1:
                rows[-1] = (rows[-1][0], number)
            elif len(rows) <= _LISTED_ROWS:
                rows.append((number, number))

    def _names_withdrawn(self) -> Iterator[CodedWarning]:
        """In which cycles the stream named cylinders before it showed that others fit those pulses too."""
        for measurer in self._measurers:
            for kind in ("cranking", "idle"):
                rows = self._named.get((measurer.probe.name, kind), [])
                if rows and (self._keeper.by_series or measurer.strokes_open(kind)):
                    told = [f"{a}" if a == b else f"{a} to {b}" for a, b in rows[:_LISTED_ROWS]]
                    which = listed([*told, "later ones"] if len(rows) > _LISTED_ROWS else told)
                    of_roles = "roles_doubtful" if measurer.maybe_swapped else "strokes_open"
                    why = "sync_two_series" if self._keeper.by_series else of_roles
                    yield CodedWarning(
                        code="names_withdrawn",
                        text=f"{measurer.probe.name}: whose pulse it is was stated for {kind} cycle {which} and is "
                        f"withdrawn: more than one cylinder fits (`{why}`).",
                        probe=measurer.probe.name,
                    )

    def _limit_by_turning(self) -> bool:
        """What the sync's events and the speed limit by now; True where that is something else than before."""
        keeper, series = self._keeper, self._cutter.second_series
        before = keeper.by_series, keeper.speed_unsteady, keeper.other_pace, keeper.may_have_run
        keeper.by_series = series.may_be(self._setup.engine) if series is not None else {}
        keeper.speed_unsteady = self._stretches.unsteady
        keeper.other_pace = self._other_pace() is not None
        cranked = self._setup.conditions.mode == "cranking"
        keeper.may_have_run = cranked and bool(may_have_run(self._stretches, self._measurers))
        return before != (keeper.by_series, keeper.speed_unsteady, keeper.other_pace, keeper.may_have_run)

    def _limit_by_roles(self) -> None:
        """Whether two probes may be swapped, by the cycles that count."""
        heard = [m for m in self._measurers if not self._keeper.is_dead(m.probe.name)]
        pair = self._keeper.swapped = swapped_pair(heard)
        for measurer in self._measurers:
            measurer.maybe_swapped = pair is not None and pair.names_open and measurer.probe.name in pair.both

    def _note_problems(self) -> None:
        """What was wrong with the signals of the latest cycle that counts; once the engine rests they would all seem dead."""
        for watch in self._watches.values():
            if watch.probe.role not in EDGE_ROLES:
                name = watch.probe.name
                silent = self._silent[name]
                # Cycles without a signal are left out, and say nothing of the others; which pulses are cut off the keeper knows.
                if not silent.gone:
                    self._problems[name] |= LIMITING & set(self._watched(watch, turning=True).problems)
                    self._problems[name].discard("clipped")
                if silent.was_there:
                    self._problems[name].discard("dead")

    def _limit_comparisons(self) -> None:
        """By what is known of the probes by now."""
        others = [other for m in self._measurers if (other := m.other_count) is not None]
        count = ("cylinder_count",) if any(other.surely for other in others) else ()
        turns_freely = no_compression(self._measurers)
        for measurer in self._measurers:
            name = measurer.probe.name
            free = ("no_compression",) if turns_freely or measurer.without_compression else ()
            # What cycles tell gets better with them, so that it is as of now.
            now = LIMITING & set(measurer.problems)
            doubtful = ("polarity",) if measurer.polarity_doubtful or measurer.clamp_doubtful else ()
            gone = {"dead"} if name in self._silent and self._silent[name].gone else set()
            own = (*_of_too_slow(sorted(self._problems[name] | now | gone)), *doubtful)
            # What else a signal that is gone seems to have is no trouble of its own, and asks for no other remedy.
            self._keeper.limit(name, (*(("dead",) if "dead" in own else own), *count, *free))

    def _last_words(self) -> Iterator[PipelineMessage]:
        for tracker in self._syncs.values():
            tracker.finish()
        if self._wheel is not None:
            self._wheel.finish()
        self._waiting.extend(self._cutter.update(final=True))
        if self._pace is not None:
            self._pace.update()
        self._turning, self._phase = False, "rest"
        yield from self._measure_ready(final=True)
        self._limit_by_turning()
        self._limit_comparisons()
        # What cuts a signal off, or a sync's pace, shows only by what came behind the last cycle.
        if self._comparisons and self._keeper.state() != self._comparisons:
            yield self._balance()
        yield self._finding()

    # --- out ------------------------------------------------------------------------------------------

    def _next(self, topic: str) -> int:
        number = self._sequences[topic]
        self._sequences[topic] += 1
        return number

    def _finding(self) -> FindingMessage:
        refused = (
            None
            if self._turning
            else refusal(
                self._cutter,
                self._stretches,
                self._measurers,
                self._comparisons,
                self._syncs_at_wrong_rate(),
                self._other_pace(),
            )
        )
        warnings = (
            *warnings_of(
                self._setup,
                self._cutter,
                self._sync,
                self._wheel,
                self._stretches,
                self._measurers,
                self._keeper,
                self._other_pace(),
            ),
            *self._names_withdrawn(),
        )
        findings = findings_of(self._setup, self._comparisons, warnings=warnings)
        cranked = self._stretches.cranked
        if self._turning:
            self._enough = self._enough and self._now - self._turned_at < _SAME_CRANK_S
            self._turned_at = self._now
        words, more = instruction(
            turning=self._turning,
            cranked_s=cranked[-1].to_s - cranked[-1].from_s if cranked else 0.0,
            cycle_s=self._cycle_s,
            comparisons=self._comparisons,
            findings=findings,
            refused=refused if self._cycles else None,
            setup=self._setup,
            enough=self._enough,
            warnings=warnings,
        )
        self._enough = self._enough or (self._turning and more == 0)
        return FindingMessage(
            sequence=self._next("finding"),
            at_s=self._now,
            phase=self._phase,
            findings=() if refused else findings,
            warnings=warnings,
            refused=refused,
            instruction=words,
            more_cycles=more,
            valve_events=() if refused or self._keeper.valve_events_untold else self._valves_seen(),
        )

    def _valves_seen(self) -> tuple[ValveEvent, ...]:
        """Worked out when the engine rests only: it takes longer than a cycle may cost."""
        if not self._turning and self._cycles != self._valve_cycles:
            self._valve_cycles = self._cycles
            seen = seen_events(self._setup, self.angle_records)
            self._valve_events = tuple(event.message() for event in seen)
        return self._valve_events

    def _wave(
        self, kind: str, rows: Iterator[int] | range | list[int], values: Floats, t0: float, dt: float
    ) -> WaveData:
        probes = [self._rows[row] for row in rows]
        header = Wave(
            sequence=self._next("wave"),
            kind="raw" if kind == "raw" else "conditioned",
            probes=tuple(p.name if p is not None else "" for p in probes),
            units=tuple(p.unit if p is not None else "V" for p in probes),
            shape=(int(values.shape[0]), int(values.shape[1])),
            t0_s=t0,
            dt_s=dt,
        )
        return WaveData(header, np.ascontiguousarray(values, dtype="<f4"))

    def _event_health(self, probe: Probe) -> ProbeHealth:
        events: int | None = None
        if probe.is_sync:
            events = self._syncs[probe.name].came
        elif self._wheel is not None and probe is self._wheel.probe and self._wheel.follower is not None:
            events = self._wheel.follower.accepted
        if events:
            return probe_health(probe, "good", (), "", events)
        if not self._turning:
            return probe_health(probe, "waiting", (), "No event yet: the engine is at rest.", events)
        # The first event may be due only at the end of a whole turn, and that turn began before it was noticed.
        turned = max(
            (r.deg[-1] - r.deg[0] for r in self._cutter.rotations if not r.ended and r.t), default=0.0
        )
        every = CYCLE_DEG if probe.is_sync and probe.every == "cycle" else CYCLE_DEG / 2
        if turned < 1.5 * every:
            return probe_health(
                probe, "waiting", (), "No event yet: the engine has only begun to turn.", events
            )
        return probe_health(probe, "bad", ("no_events",), "", events)


def _of_too_slow(codes: Iterable[str]) -> tuple[str, ...]:
    """The same; of what is sampled too seldom, without what only its own noise between samples may seem to be."""
    found = tuple(codes)
    return tuple(c for c in found if c not in _UNTOLD_BELOW_RATE) if "unfiltered" in found else found


def _leading_sync(setup: Setup) -> Probe | None:
    """The sync that cycles are cut by: once a cycle before once a revolution, a known offset before an unknown."""
    syncs = [p for p in setup.probe if p.is_sync]
    return min(syncs, key=lambda p: (p.every != "cycle", p.offset_deg is None), default=None)


def _lowpass_hz(probe: Probe) -> float:
    return probe.lowpass_hz if probe.lowpass_hz is not None else DEFAULT_LOWPASS_HZ[probe.role]


def _cycle_probe(
    measurer: ProbeMeasurer, measured: tuple[Measured, ...], kind: StretchKind, *, named: bool
) -> CycleProbe:
    leading = measurer.pulse.features[0].name
    unit = unit_of_value(leading, measurer.unit)
    pulses = tuple(
        CylinderPulse(
            cylinder=m.place.cylinder if named and not measurer.strokes_open(kind) else None,
            position=m.position,
            value=m.pulse.values.get(leading) if m.pulse is not None else None,
            value_unit=unit,
            from_s=m.pulse.t_from if m.pulse is not None else None,
            to_s=m.pulse.t_to if m.pulse is not None else None,
            left_out=m.left_out,
            firing_tdc_deg=m.place.firing_deg,
        )
        for m in measured
    )
    return CycleProbe(probe=measurer.probe.name, feature=leading, pulses=pulses, travel_s=measurer.delay_s)
