"""Cuts the engine's turning into cycles and says what is known of each cylinder's place in them."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from .angle import Rotation
from .blocks import Floats
from .compression_course import CompressionCourse
from .engine import COMPANION_TOLERANCE_DEG, CYCLE_DEG, firing_angles, firing_intervals
from .first_events import FEWEST, degrees_at
from .half_cycle import HalfCycle
from .history import History
from .messages import SyncBasis
from .rhythm_tracker import RhythmTracker
from .setup import Engine, Probe, Setup
from .speed_shape import Course, SpeedShape
from .sync_rate import degrees_apart
from .sync_series import SecondSeries, second_series
from .sync_sift import BY_TEETH, keeping_step
from .sync_tracker import SyncRun, SyncTracker
from .turning_on import TurningOn
from .wheel_tracker import WheelTracker
from .wording import counted

UNKNOWN_OFFSET_DEG: dict[str, tuple[float, float]] = {
    "ignition_sync": (-15.0, 15.0),
    "coil_current_sync": (-15.0, 15.0),
}
"""Assumed offset and its uncertainty, either way: ignition 0 to 30 degrees before TDC (contract 1)."""

STARTED_RPM = 450.0
"""Faster than any starter turns an engine (warm cranking 150 to 250 rpm: common practice, no source)."""
_STRAIGHT_ERROR_DEG = 40.0
_STRAIGHT_LIKE = (180.0, 180.0, 1.7)
"""Where nothing tells the speed's course between two syncs it is taken as constant. What that can cost, either way,
about 95 %: 40 degrees at 180 rpm where the longest firing interval is 180 degrees, as the power 1.7 of that
interval and -1.7 of the speed: measured on simulated engines, with light starters' rotors and heavy ones
(tests/bench/bench_angle.py)."""
_UNSEEN_SHARE = 0.2
"""Of that, what exhaust pulses may not show; and current or voltage, where the crank's lead over the starter's rotor is not told
(`clutch_overrun.py`): after a TDC the clutch may let the crank run ahead, and the load says nothing of it
(tests/bench/bench_angle.py, and the crank of tests/bench/second_model)."""
_STRAIGHTEST_ERROR_DEG = 1.0
TOOTH_ERROR_DEG = 0.5
_REVOLUTION_DEG = CYCLE_DEG / 2
_KEPT_CYCLES = 30  # more than cycles still to be measured need; older knots are forgotten
_LOST_CYCLES = 4
"""A sync comes on evenly over as many cycles and no wheel is found: cycles are cut by the sync alone. A wheel of few teeth
needs two cycles to be found, and one more to tell its two edges apart."""
_LONGEST_HALF_SEARCH = 8  # cycles, those not recorded whole among them
_CYCLES_FOR_A_SYNC, _CYCLES_FOR_MORE = 3, 12
_CONTRADICTS = 0.15  # share by which the angle from sync to sync may be off
_SILENT_CYCLES = 5
"""The pulses' rhythm goes on over as many cycles, and neither a wheel is found nor does the sync come evenly."""
_SILENT_WHILE_TURNING = 2
"""Over as many beyond the one that an event is due in, it goes on without one of a sync that came before, or comes later: more
than an engine runs out with after its starter is let go (common practice, no source)."""
_RUNS_OUT = 0.8
"""Of the speed that an engine idled at, below which it has been switched off: where it runs out over some ten revolutions (common
practice, no source), it has 0.6 of it after three cycles, at an even loss."""
_STRAY_SHARE = 0.2  # of the events that are due then, that may come and be none
_UNEVEN_CYCLES = 10
"""Over as many, where the sync comes and is neither believed nor doubted yet."""
_IN_STEP, _IN_STEP_WITH_TEETH, _OUT_OF_STEP = math.log(1000.0), math.log(200.0), 0.0
"""Logarithm of the odds at which events that keep step with the rhythm, or with a wheel, name cylinders, and at which they no
longer do: the rhythm may be a false one, and has many places that events may keep by chance. The odds are asked at each event,
so that noise has several tries: at 20 to 1 some 2 in 100 recordings of it passed, at 200 to 1 none of 300, while three true
events do (tests/bench/bench_sync_noise.py)."""
_IN_STEP_AT_LAST = math.log(5.0)
"""Where a turning is over, of two events with none beside them; a single one has to do without."""
_IN_STEP_AT_FIRST = math.log(20.0)
"""And where they are the first that came since a silence, none beside them: of events at random few are."""
_FEWEST_HEARD = 3
_SIFTED_CYCLES = 12  # the latest ones that are looked at


@dataclass(frozen=True, slots=True)
class Place:
    """One cylinder's place in the cycle: its firing TDC, degrees after the cycle's start."""

    cylinder: int | None
    one_of: tuple[int, ...] | None
    firing_deg: float


@dataclass(frozen=True, slots=True)
class Anchor:
    """What somebody knows besides the recording: at time `t` (seconds) `cylinder` was `cylinder_deg`
    crank degrees past its own firing TDC, give or take half a firing interval."""

    t: float
    cylinder: int
    cylinder_deg: float


@dataclass(frozen=True, slots=True)
class CycleSpan:
    """One complete cycle: engine angle `start_deg` to `start_deg + 720` of `rotation`."""

    rotation: Rotation
    rotation_index: int
    number: int  # within its rotation
    start_deg: float
    places: tuple[Place, ...]

    @property
    def from_s(self) -> float:
        return self.rotation.time_at(self.start_deg)

    @property
    def to_s(self) -> float:
        return self.rotation.time_at(self.start_deg + CYCLE_DEG)

    @property
    def uncertainty_deg(self) -> float | None:
        """Of the engine angle at any time inside: half a 95 % interval, either way; None where places are not known."""
        return self.rotation.uncertainty_between(self.start_deg, self.start_deg + CYCLE_DEG)

    @property
    def rpm(self) -> float:
        return 120.0 / (self.to_s - self.from_s)


@dataclass(slots=True)
class _Turning:
    """A rotation with what is known of it; `shift` turns its degrees into engine angle."""

    rotation: Rotation
    shift: float | None
    cut: int = 0  # cycles handed out
    first_deg: float | None = None
    half_sought: int = 0  # cycles in which the half was sought
    half_settled: bool = False
    given_up: bool = False  # no more cycles are cut from it
    run: SyncRun | None = None  # whose events it turns by
    number: int = 0  # of all turnings that there were
    by_sync: bool = False  # a wheel's: a sync tells where it stands

    @property
    def believed(self) -> bool:
        return self.run is None or self.run.believed


def _runs_out(rotation: Rotation, from_s: float) -> bool:
    """Whether an engine that ran by itself loses speed from that time on, as one that is switched off: its ignition is silent."""
    at = rotation.time_to_deg(from_s)
    before = max(at - _REVOLUTION_DEG, rotation.deg[0])
    ran = (at - before) / (from_s - rotation.time_at(before)) / 6.0 if at > before else 0.0
    return ran > STARTED_RPM and rotation.speed_at_end() / 6.0 < _RUNS_OUT * ran


class CycleCutter:
    """Takes the trackers' findings after each frame and yields the cycles that have become complete.

    sync, wheel: the trackers, or None. sync_probe: the probe behind `sync`. history: the conditioned signals,
    from which the speed's course between two syncs is read. rhythm: where neither sync nor wheel is recorded.
    """

    def __init__(
        self,
        setup: Setup,
        sync: SyncTracker | None,
        sync_probe: Probe | None,
        wheel: WheelTracker | None,
        history: History,
        rhythm: RhythmTracker | None = None,
        anchor: Anchor | None = None,
    ) -> None:
        self._engine: Engine = setup.engine
        self._angles = firing_angles(setup.engine)
        self._sync, self._probe, self._wheel, self._rhythm = sync, sync_probe, wheel, rhythm
        self._history = history
        self._anchor = anchor
        self.anchor_unused = anchor
        """What somebody named and no turning needed, so far."""
        self._turnings: list[_Turning] = []
        self._begun_turnings = 0
        self._of_wheel: list[_Turning] = []  # one for each rotation of the wheel
        self._of_rhythm: list[_Turning] = []  # one for each rotation of the rhythm
        self._of_runs: dict[int, _Turning] = {}  # by sync run
        self._runs_seen: dict[int, int] = {}  # events taken from each sync run
        self._events_compared = 0  # with the wheel
        self.sifted: list[SyncRun] = []
        """Events that keep step with the rhythm, out of those that are not even enough to be believed by themselves."""
        self._heard_until = -math.inf  # of a sync's first events
        self._sifted_by: Rotation | None = None
        self._sifted_until = -math.inf
        self.wheel_lost_s: float | None = None
        """From when on cycles are cut without the wheel that the set-up has; None: they are not."""
        self.by_rhythm = wheel is None and sync is None
        """Cycles are cut by the pulses' rhythm, since there is nothing else, or nothing else came."""
        self.offset_assumed = False
        self._sync_deg, self._offset_uncertainty = self._place_of_sync()
        after_sync = (
            [(a - self._sync_deg) % CYCLE_DEG for a in self._angles.values()]
            if self._sync_deg is not None
            else []
        )
        self.half_cycle = HalfCycle(setup, history)
        self._half_sought_in: Rotation | None = None
        self.shape = SpeedShape(setup, history, tuple(after_sync), self._offset_uncertainty)
        uneven = rhythm is not None and bool(rhythm.sources) and not rhythm.even
        self._turning_on = TurningOn(rhythm.sources, history) if rhythm is not None and uneven else None
        self.compression = CompressionCourse(setup, history, tuple(after_sync), self._offset_uncertainty)

    @property
    def _every_deg(self) -> float:
        """Degrees from one sync event to the next."""
        return _REVOLUTION_DEG if self._probe is not None and self._probe.every == "revolution" else CYCLE_DEG

    def _place_of_sync(self) -> tuple[float | None, float]:
        """Engine angle of a sync event, and its uncertainty; None where the offset is unknown."""
        probe = self._probe
        if probe is None or probe.cylinder is None:
            return None, 0.0
        offset, uncertainty = probe.offset_deg, 0.0
        if offset is None:
            if probe.role not in UNKNOWN_OFFSET_DEG:
                return None, 0.0
            offset, uncertainty = UNKNOWN_OFFSET_DEG[probe.role]
            self.offset_assumed = True
        return (self._angles[probe.cylinder] + offset) % CYCLE_DEG, uncertainty

    @property
    def basis(self) -> SyncBasis:
        """What the angles rest on, by what really came and not by what is fitted."""
        if self.by_rhythm:
            return "none"
        turned_wheel = bool(self._of_wheel) and self.wheel_lost_s is None
        came = self.sync_believed
        every = self.sync_every
        if turned_wheel:
            if not came:
                return "wheel"
            return "wheel+cycle" if every == "cycle" else "wheel+revolution"
        if not came:
            return "none"
        return "cycle" if every == "cycle" else "revolution"

    @property
    def sync_believed(self) -> bool:
        """Whether any of the sync's events are taken for an engine's, and not for noise."""
        if self._sync is None:
            return False
        by_wheel = any(turning.by_sync for turning in self._of_wheel)
        return bool(self._sync.believed or self.sifted) or by_wheel

    @property
    def sync_name(self) -> str:
        """Of the probe that cycles are cut by; empty without one."""
        return self._probe.name if self._probe is not None else ""

    @property
    def sync_every(self) -> str:
        """What the set-up says of how often it comes."""
        return self._probe.every if self._probe is not None else "cycle"

    @property
    def sync_counts(self) -> tuple[int, int]:
        """Events that did not come and events that were none, among those that are believed."""
        if self._sync is None:
            return 0, 0
        if self.sync_is_noise:
            return 0, self._sync.events
        if not self.sifted:
            return self._sync.missed, self._sync.extra
        runs = [*self._sync.believed, *self.sifted]
        used = len({t for run in runs for t in run.times if t >= run.believed_from})
        used += sum(run.forgotten for run in runs) + self._sync.events_of_forgotten
        return sum(n - 1 for run in runs for n in run.intervals[1:]), max(self._sync.events - used, 0)

    @property
    def second_series(self) -> SecondSeries | None:
        """Where the sync's events come in two series that nothing tells apart."""
        if self._sync is None or self._probe is None or self._probe.every != "cycle" or self.by_rhythm:
            return None
        by_wheel = self.told_by_teeth and self._rotations_of_wheel
        if not by_wheel:
            return (
                second_series(self._sync.recent, [*self._sync.believed, *self.sifted])
                if self.sync_believed
                else None
            )
        series = second_series(self._sync.recent, [])
        if series is not None and self._wheel is not None and self._wheel.probe.first_tooth_deg is not None:
            return replace(series, wrong_deg=(_REVOLUTION_DEG,))  # the teeth leave nothing but the half open
        return series

    @property
    def _sync_leads_and_rests(self) -> bool:
        """No event comes, at this moment, of the sync that cycles are cut by."""
        return (
            self._sync is not None
            and not self.told_by_teeth
            and (not self._sync.runs or self._sync.runs[-1].ended)
        )

    @property
    def told_by_teeth(self) -> bool:
        """Whether cycles are cut by a wheel, and a sync only says which revolution is which."""
        return self._wheel is not None and self.wheel_lost_s is None

    @property
    def sync_silences(self) -> tuple[tuple[float, float], ...]:
        """From when to when, seconds, the sync that cycles are named by gave no event of its own though by the teeth, or by the
        pulses' rhythm, the engine turned: from the event before, or the first tooth or beat, to the one behind, or the last."""
        if self._sync is None or self.by_rhythm or not self.sync_believed:
            return ()
        if self.told_by_teeth:
            events = self._sync.recent
            known_s = events[0] if self._sync.events > len(events) else -math.inf
            return tuple(self._silences_by_teeth(events, known_s))
        heard = sorted(
            (-math.inf if run.forgotten else run.times[0], run.times[-1])
            for run in [*self._sync.believed, *self.sifted]
        )
        found = []
        for rotation in self._rhythm.rotations if self._rhythm is not None else ():
            if len(rotation.t) < 2:
                continue
            begin, last = rotation.t[0], rotation.t[-1]
            for run_from, run_to in [*heard, (math.inf, math.inf)]:
                end = min(run_from, last)
                turned = rotation.time_to_deg(end) - rotation.time_to_deg(begin) if end > begin else 0.0
                came = sum(begin < t < end for t in self._sync.recent)
                if turned >= self._silent_deg and came <= _STRAY_SHARE * turned / self._every_deg:
                    found.append((begin, end))
                begin = max(begin, run_to)
        for begin, end, cycles in self._turning_on.silences if self._turning_on is not None else ():
            known = any(a < end and begin < b for a, b in found)
            if cycles * CYCLE_DEG >= self._silent_deg and not known:
                found.append((begin, end))
        return tuple(found)

    @property
    def _silent_deg(self) -> float:
        """Over how many degrees without an event a sync is silent."""
        return self._every_deg + _SILENT_WHILE_TURNING * CYCLE_DEG

    def _silences_by_teeth(self, events: list[float], known_s: float) -> Iterator[tuple[float, float]]:
        """Of what the wheel's turnings remember: the latest cycles of a long one, and the event before them. known_s: events
        before that are forgotten."""
        ended_s = -math.inf
        for turning in self._of_wheel:
            rotation = turning.rotation
            if len(rotation.t) < 2:
                continue
            first, last = max(rotation.t[0], known_s), rotation.t[-1]
            if turning.by_sync and first < last:
                # The turning may have forgotten the teeth at the event before those that it remembers.
                begins = max((t for t in events if ended_s < t <= first), default=first)
                inside = [t for t in events if first < t <= last]
                for begin, end in itertools.pairwise([begins, *inside, last]):
                    turned = rotation.time_to_deg(end) - rotation.time_to_deg(max(begin, first))
                    switched_off = end == last and _runs_out(rotation, max(begin, first))
                    if turned >= self._silent_deg and not switched_off:
                        yield begin, end
            ended_s = last

    @property
    def sync_is_noise(self) -> bool:
        """Events came, too many for a silent pick-up, and none is believed."""
        return self._sync is not None and self._sync.events >= _FEWEST_HEARD and not self.sync_believed

    @property
    def listens(self) -> bool:
        """Whether cycles can be sought in the pulses' own rhythm."""
        return self._rhythm is not None and bool(self._rhythm.sources)

    @property
    def listens_unevenly(self) -> bool:
        """And whether these have to tell uneven firing angles apart."""
        return self.listens and self._rhythm is not None and not self._rhythm.even

    @property
    def came(self) -> tuple[str, ...]:
        """What the set-up's sync and wheel gave, in words, where no cycle could be cut by them; empty where it has neither."""
        words = []
        if self._sync is not None and self._probe is not None:
            name, events = self._probe.name, self._sync.came
            odd = ", at times that fit no turning engine" if self.sync_is_noise else ""
            words.append(f"{name}: {counted(events, 'event') + ' came' + odd if events else 'no event came'}")
        if self._wheel is not None:
            name, edges = self._wheel.probe.name, self._wheel.edges
            fits = "and they fit its `teeth` at no one place"
            words.append(f"{name}: {f'{edges} of its edges came, {fits}' if edges else 'no edge came'}")
        return tuple(words)

    @property
    def rotations(self) -> tuple[Rotation, ...]:
        """But those by a sync that is not believed."""
        return tuple(turning.rotation for turning in self._turnings if turning.believed)

    @property
    def turning(self) -> tuple[Rotation, ...]:
        """Those that go on, by a sync that is not believed yet among them."""
        return tuple(turning.rotation for turning in self._turnings if not turning.rotation.ended)

    def engine_angles(self, times: Floats) -> Floats:
        """Engine angle modulo 720 at ascending times, NaN where no turning with known places has knots."""
        angles = np.full(times.shape, np.nan)
        for turning in self._turnings:
            rotation = turning.rotation
            if turning.shift is None or not rotation.places_known or len(rotation.t) < 2:
                continue
            if not turning.believed:
                continue
            inside = (times >= rotation.t[0]) & (times <= rotation.t[-1])
            angles[inside] = (rotation.angles_at(times[inside]) + turning.shift) % CYCLE_DEG
        return angles

    def update(self, *, final: bool = False) -> Iterator[CycleSpan]:
        """Yields complete cycles, oldest first. final: nothing more will come."""
        self._hear_first_events()
        self._choose_lead(final=final)
        if self.by_rhythm:
            self._follow_rhythm(final=final)
        elif self.told_by_teeth:
            self._follow_wheel(final=final)
        elif self._sync is not None:
            self._follow_sync(final=final)
            if self._turning_on is not None and self._sync.runs:
                events = round(CYCLE_DEG / self._every_deg)
                self._turning_on.update(self._sync.runs[-1], events, fastest_s=120.0 / STARTED_RPM)
        for turning in self._turnings:
            if self._anchored(turning) and self._half_is_settled(turning, final=final):
                yield from self._cut(turning.number, turning)

    # --- what leads ---------------------------------------------------------------------------------

    def _choose_lead(self, *, final: bool) -> None:
        """Teeth before a sync, a sync before the pulses' rhythm; teeth that do not come, or cannot be followed, are given
        up for the rest of the recording, a rhythm as soon as something better comes."""
        if self.told_by_teeth:
            self._look_for_wheel(final=final)
        if self._rhythm is None or (self._sync is None and self._wheel is None):
            return
        turned = 0.0 if self._wheel is None else sum(r.deg[-1] - r.deg[0] for r in self._rotations_of_wheel)
        if self._sync is not None:
            self._sift(self._sync, final=final)
            runs = [*self._sync.believed, *self.sifted]
            turned += sum(sum(run.intervals[1:]) for run in runs) * self._every_deg
        if not (turned == 0 or (final and turned <= CYCLE_DEG)):
            if self.by_rhythm and not final:
                self._leave_rhythm()
            elif self._sync_leads_and_rests:
                self._rhythm.update(final=final)  # whether the engine turns on without it
            return
        self._rhythm.update(final=final)
        waits = self._sync is not None and self._sync.runs and not self._sync.doubted
        fewest = 1 if final else _UNEVEN_CYCLES if waits else _SILENT_CYCLES
        if any(r.deg[-1] - r.deg[0] >= fewest * CYCLE_DEG + turned for r in self._rhythm.rotations):
            self.by_rhythm = True
            for turning in self._of_runs.values():
                turning.rotation.ended = turning.given_up = True
            self._of_runs.clear()
            self._runs_seen.clear()

    def _hear_first_events(self) -> None:
        """Believes a sync's first events as soon as three came, nothing beside them, and each keeps step with the beats."""
        sync, rhythm = self._sync, self._rhythm
        if sync is None or rhythm is None or self.told_by_teeth:
            return
        times = sync.first_events
        if len(times) < FEWEST or times[-1] <= self._heard_until or self._history.until < times[-1]:
            return
        self._heard_until = times[-1]
        degrees = degrees_at(times, self._every_deg, rhythm, self._history)
        if degrees is None:
            return
        step = keeping_step(degrees, float(degrees[-1]), self._every_deg)
        if step.odds >= _IN_STEP_AT_FIRST and step.true.all():
            sync.bear_out()

    def _sift(self, sync: SyncTracker, *, final: bool) -> None:
        """Holds events that are not even enough to be believed against the rhythm, and keeps those in step with it."""
        run = sync.runs[-1] if sync.runs else None
        if self._rhythm is None or not sync.recent or self.told_by_teeth:
            return
        until = max((r.times[-1] for r in [*sync.believed, *self.sifted]), default=-math.inf)
        if run is not None and run.believed and not run.ended:
            if self.sifted and not self.sifted[-1].ended:
                self.sifted[-1].ended = True
                run.believed_from = max(run.believed_from, self.sifted[-1].times[-1])
            return
        if sync.latest_s <= self._sifted_until or not (sync.doubted or self.sifted):
            return
        self._rhythm.update(final=final)
        rotation = self._rhythm.rotations[-1] if self._rhythm.rotations else None
        if rotation is None or len(rotation.t) < 2:
            return
        if rotation is not self._sifted_by:
            self._end_sifted()
            self._sifted_by = rotation
        first = max(rotation.t[0], rotation.time_at(rotation.deg[-1] - _SIFTED_CYCLES * CYCLE_DEG))
        times = [t for t in sync.recent if first <= t <= rotation.t[-1]]
        if not times or times[-1] <= self._sifted_until:
            if rotation.ended:
                self._end_sifted()
            return
        seen_until, self._sifted_until = self._sifted_until, times[-1]
        degrees = rotation.angles_at(np.asarray(times))
        turned = rotation.deg[-1] - rotation.time_to_deg(first)
        step = keeping_step(degrees, turned, self._every_deg)
        live = self.sifted[-1] if self.sifted and not self.sifted[-1].ended else None
        if step.odds < (_OUT_OF_STEP if live else _IN_STEP):
            self._end_sifted()
            return
        kept = [
            (t, d) for t, d, true in zip(times, degrees.tolist(), step.true.tolist(), strict=True) if true
        ]
        if live is not None:
            kept = [(t, d) for t, d in kept if t > seen_until]
            before = live.times[-1]
        else:
            kept = [(t, d) for t, d in kept if t >= until]
            if len(kept) < 2:
                return
            live = SyncRun([kept[0][0]], [1], believed=True)
            self.sifted.append(live)
            before = kept.pop(0)[0]
        at = rotation.time_to_deg(before)
        for t, deg in kept:
            count = round((deg - at) / self._every_deg)
            if count >= 1:
                live.add(t, count)
                at = deg
        rotation.forget_before(rotation.deg[-1] - _KEPT_CYCLES * CYCLE_DEG)

    def _end_sifted(self) -> None:
        if self.sifted:
            self.sifted[-1].ended = True

    def _leave_rhythm(self) -> None:
        """Something better came: whoever asks whether the engine turns must not be told by what nobody follows any more."""
        self.by_rhythm = False
        for turning in self._of_rhythm:
            turning.rotation.ended = turning.given_up = True

    @property
    def _rotations_of_wheel(self) -> list[Rotation]:
        follower = self._wheel.follower if self._wheel is not None else None
        return follower.rotations if follower is not None else []

    def _look_for_wheel(self, *, final: bool) -> None:
        """Gives the wheel up where the sync goes on without it, or comes after angles that no sync comes after."""
        if self._sync is None or not self._sync.believed:
            return
        rotations = self._rotations_of_wheel
        if rotations and not rotations[-1].ended:
            if not self._contradicted(rotations):
                return
            lost = max((self._cut_until(turning) for turning in self._of_wheel), default=-math.inf)
            fewest = 0
            for turning in self._of_wheel:
                turning.given_up = True
        else:
            lost = rotations[-1].t[-1] if rotations else -math.inf
            fewest = 1 if final and not rotations else _LOST_CYCLES
        times = [t for t in self._sync.believed[-1].times if t > lost]
        if len(times) > fewest * CYCLE_DEG / self._every_deg:
            self.wheel_lost_s = times[0]
            for rotation in rotations:
                rotation.ended = True  # for whoever asks whether the engine turns

    def _contradicted(self, rotations: list[Rotation]) -> bool:
        """By the wheel the sync comes neither once nor twice a cycle nor every other one: the teeth are others."""
        assert self._sync is not None
        if self._sync.events == self._events_compared:
            return False
        self._events_compared = self._sync.events
        apart = degrees_apart(self._sync, rotations)
        if apart is None:
            return False
        return min(abs(apart / (every * CYCLE_DEG) - 1.0) for every in (0.5, 1.0, 2.0)) > _CONTRADICTS

    @staticmethod
    def _cut_until(turning: _Turning) -> float:
        if turning.first_deg is None or not turning.cut:
            return -math.inf
        return turning.rotation.time_at(turning.first_deg + turning.cut * CYCLE_DEG)

    def _begun(self, turning: _Turning) -> _Turning:
        """The same with its number, among those that cycles are cut from."""
        turning.number, self._begun_turnings = self._begun_turnings, self._begun_turnings + 1
        self._turnings.append(turning)
        return turning

    def _follow_rhythm(self, *, final: bool) -> None:
        assert self._rhythm is not None
        self._rhythm.update(final=final)
        for rotation in self._rhythm.rotations[len(self._of_rhythm) :]:
            self._of_rhythm.append(self._begun(_Turning(rotation, 0.0)))

    # --- a wheel, with or without a sync -------------------------------------------------------------

    def _follow_wheel(self, *, final: bool) -> None:
        follower = self._wheel.follower if self._wheel is not None else None
        if follower is None:
            return
        for rotation in follower.rotations[len(self._of_wheel) :]:
            rotation.uncertainty_deg = TOOTH_ERROR_DEG
            self._of_wheel.append(self._begun(_Turning(rotation, None)))
        for turning, zero in zip(self._of_wheel, follower.tooth_zero, strict=True):
            if turning.shift is None:
                self._place_wheel(turning, zero, final=final)

    def _place_wheel(self, turning: _Turning, tooth_zero_deg: float, *, final: bool) -> None:
        """Engine angle = wheel degrees + shift, once a sync has come or none can."""
        assert self._wheel is not None
        rotation = turning.rotation
        first_tooth = self._wheel.probe.first_tooth_deg
        from_wheel = (
            None
            if first_tooth is None
            else (self._angles[1] + first_tooth - tooth_zero_deg) % (CYCLE_DEG / 2)
        )
        event = self._believed_event_in(rotation, final=final)
        if event is None:
            waiting = self._sync is not None and not (final or rotation.ended)
            turned = rotation.deg[-1] - rotation.deg[0]
            if waiting and turned < self._patience(rotation) * CYCLE_DEG:
                return
            turning.shift = from_wheel if from_wheel is not None else -rotation.deg[0]
            rotation.places_known = from_wheel is not None
            rotation.modulo_deg = _REVOLUTION_DEG
            if from_wheel is None:
                rotation.uncertainty_deg = None
            return
        assert self._probe is not None
        turning.by_sync = True
        at = rotation.time_to_deg(event)
        expected = self._sync_deg
        if expected is None and from_wheel is None:
            turning.shift, rotation.places_known = -at, False
            rotation.uncertainty_deg = None
        elif expected is None:
            assert from_wheel is not None
            turning.shift, rotation.modulo_deg = from_wheel, _REVOLUTION_DEG
        elif from_wheel is None:
            turning.shift = expected - at
            rotation.uncertainty_deg = TOOTH_ERROR_DEG + self._offset_uncertainty
            rotation.modulo_deg = self._every_deg
        else:
            halves = round((expected - at - from_wheel) / (CYCLE_DEG / 2))
            turning.shift = from_wheel + halves * CYCLE_DEG / 2
            rotation.modulo_deg = self._every_deg

    def _patience(self, rotation: Rotation) -> int:
        """Cycles to wait for a sync's second event: more where one came, for a wrong wheel may seem to turn fast."""
        assert self._sync is not None
        return _CYCLES_FOR_MORE if self._sync.latest_s >= rotation.t[0] else _CYCLES_FOR_A_SYNC

    def _believed_event_in(self, rotation: Rotation, *, final: bool) -> float | None:
        """A sync event that others bear out, a whole number of its intervals away by the wheel.

        Where the turning is over, a single one has to do, if no other came.
        """
        if self._sync is None or self._probe is None:
            return None
        times = [t for t in self._sync.recent if rotation.t[0] <= t <= rotation.t[-1]]
        if len(times) > 1:
            degrees = rotation.angles_at(np.asarray(times))
            step = keeping_step(degrees, rotation.deg[-1] - rotation.deg[0], self._every_deg, BY_TEETH)
            last_two = len(times) == 2 and step.true.all() and (final or rotation.ended)
            if step.odds >= (_IN_STEP_AT_LAST if last_two else _IN_STEP_WITH_TEETH) and step.true.any():
                return times[int(np.argmax(step.true))]
            return None
        return times[0] if times and (final or rotation.ended) else None

    # --- a sync alone ---------------------------------------------------------------------------------

    def _follow_sync(self, *, final: bool) -> None:
        assert self._sync is not None and self._probe is not None
        step = self._every_deg
        start = self._sync_deg if self._sync_deg is not None else 0.0
        begins = -math.inf if self.wheel_lost_s is None else self.wheel_lost_s
        sifted = [(-1 - k, run) for k, run in enumerate(self.sifted)]
        self._forget_runs(self._sync.runs)
        for index, run in [*((run.number, run) for run in self._sync.runs), *sifted]:
            if run.times[-1] < begins:
                continue
            # Events that nobody was there to take are as good as a silence.
            missed = index in self._of_runs and self._runs_seen[index] < run.forgotten
            if missed:
                self._of_runs[index].rotation.ended = True
            if missed or index not in self._of_runs:
                rotation = Rotation(
                    places_known=self._sync_deg is not None,
                    modulo_deg=self._every_deg,
                    uncertainty_deg=None if self._sync_deg is None else self._offset_uncertainty,
                    pace_deg=CYCLE_DEG,
                )
                self._of_runs[index] = self._begun(_Turning(rotation, 0.0, run=run))
                self._runs_seen[index] = run.forgotten + bisect.bisect_left(run.times, begins)
            self._take_events(index, run, start, step, final=final)

    def _forget_runs(self, kept: list[SyncRun]) -> None:
        """Forgets what was begun by runs that the tracker has forgotten; cycles of those that were believed are long cut."""
        gone = {index for index in self._of_runs if index >= 0} - {run.number for run in kept}
        if gone:
            turnings = [self._of_runs.pop(index) for index in gone]
            self._turnings = [t for t in self._turnings if not any(t is of for of in turnings)]
            for index in gone:
                del self._runs_seen[index]

    def _take_events(self, index: int, run: SyncRun, start: float, step: float, *, final: bool) -> None:
        rotation = self._of_runs[index].rotation
        for k in range(self._runs_seen[index] - run.forgotten, len(run.times)):
            t = run.times[k]
            if not (final or (self.shape.knows(t) and self.compression.knows(t))):
                return
            self._runs_seen[index] = run.forgotten + k + 1
            if not rotation.t:
                self.shape.begin(t)
                self.compression.begin()
                rotation.add(t, start)
                continue
            self._take_interval(rotation, t, run.intervals[k] * step)
        rotation.ended = run.ended

    def _take_interval(self, rotation: Rotation, t: float, deg: float) -> None:
        """Knots from the last sync event to the one at `t`, `deg` degrees later."""
        t_before, deg_before = rotation.t[-1], rotation.deg[-1]
        course, told = self._course(rotation, t_before, t, deg)
        if not told:
            rotation.assumed.append((deg_before, deg_before + deg))
        for at, share in zip(course.times.tolist(), course.share.tolist(), strict=True):
            rotation.add(at, deg_before + share * deg)
        rotation.add(t, deg_before + deg)
        rotation.doubts.append((deg_before + deg, course.uncertainty_deg))

    def _course(self, rotation: Rotation, t0: float, t1: float, deg: float) -> tuple[Course, bool]:
        """As the starter's load tells it; where that was not recorded, as compression makes it; else at constant speed. And
        whether anything recorded told it."""
        course = self.shape.between(t0, t1, deg)
        speed = deg / (t1 - t0)
        unseen = _UNSEEN_SHARE * self._straight_error(speed)
        if course is not None:
            doubt = 0.0 if course.overrun_known else unseen
            return replace(course, uncertainty_deg=course.uncertainty_deg + doubt), True
        change = math.log(speed / rotation.speed_at_end()) if len(rotation.t) >= 2 else math.inf
        ramp = (
            deg / 8.0 * abs(change) if math.isfinite(change) else 0.0
        )  # the sagitta of a speed that changes evenly
        # A load that was recorded and has no rhythm is a dead probe's, or no compression's.
        if not self.shape.recorded(t0, t1) and speed / 6.0 < STARTED_RPM:
            course = self.compression.between(t0, t1, deg, change)
        if course is None:
            return self._straight(speed, ramp, deg), False
        doubt = ramp + (unseen if self.compression.told else 0.0)
        return replace(course, uncertainty_deg=course.uncertainty_deg + doubt), False

    def _straight(self, speed: float, ramp: float, deg: float) -> Course:
        """Constant speed, with what that can cost: ripple, and half of what the speed changes meanwhile."""
        error = _STRAIGHTEST_ERROR_DEG + min(self._straight_error(speed) + ramp, deg / 4.0)
        return Course(np.empty(0), np.empty(0), error)

    def _straight_error(self, speed: float) -> float:
        """What ripple makes of a constant speed between two syncs, degrees; speed: degrees a second."""
        longest, rpm, power = _STRAIGHT_LIKE
        ripple: float = (max(firing_intervals(self._engine)) / longest * rpm / (speed / 6.0)) ** power
        return _STRAIGHT_ERROR_DEG * ripple

    # --- named by hand -------------------------------------------------------------------------------

    def _anchored(self, turning: _Turning) -> bool:
        """Puts the anchor to use in the turning that holds its time; False while that cannot be told yet."""
        anchor, rotation = self._anchor, turning.rotation
        if anchor is None or turning.shift is None or not rotation.t or rotation.t[0] > anchor.t:
            return True
        if rotation.t[-1] < anchor.t:
            return rotation.ended
        if rotation.places_known and rotation.modulo_deg == CYCLE_DEG:
            return True
        self.anchor_unused = None
        asked = self._angles[anchor.cylinder] + anchor.cylinder_deg
        off = asked - (rotation.time_to_deg(anchor.t) + turning.shift)
        step = rotation.modulo_deg
        turning.shift += round(off / step) * step if rotation.places_known else off
        rotation.places_known, rotation.modulo_deg = True, CYCLE_DEG
        return True

    # --- which half ----------------------------------------------------------------------------------

    def _half_is_settled(self, turning: _Turning, *, final: bool) -> bool:
        """Lets the pulses tell the half-cycle where they can; False while more cycles may tell it."""
        rotation = turning.rotation
        if (
            turning.half_settled
            or turning.shift is None
            or not rotation.t
            or not (rotation.places_known and rotation.half_cycle_open)
        ):
            return True
        if self._half_sought_in is not rotation:
            self._half_sought_in = rotation
            self.half_cycle.begin()
        told = None
        while told is None and not self.half_cycle.exhausted:
            start = rotation.deg[0] + turning.half_sought * CYCLE_DEG
            end = start + CYCLE_DEG
            if rotation.deg[-1] < end or not (final or self.half_cycle.knows(rotation.time_at(end))):
                if not (final or rotation.ended):
                    return False
                break
            self.half_cycle.add(rotation, start, turning.shift)
            turning.half_sought += 1
            told = self.half_cycle.told()
            if turning.half_sought >= _LONGEST_HALF_SEARCH:
                break
        turning.half_settled = True
        if told is not None:
            rotation.modulo_deg = CYCLE_DEG
            turning.shift += 0.0 if told else CYCLE_DEG / 2
        return True

    # --- cycles ---------------------------------------------------------------------------------------

    def _cut(self, index: int, turning: _Turning) -> Iterator[CycleSpan]:
        rotation, shift = turning.rotation, turning.shift
        if shift is None or turning.given_up or len(rotation.t) < 2 or not turning.believed:
            return
        if turning.first_deg is None:
            turning.first_deg = self._first_start(turning, shift)
        while True:
            start = turning.first_deg + turning.cut * CYCLE_DEG
            if rotation.deg[-1] < start + CYCLE_DEG - 1e-9:
                return
            yield CycleSpan(rotation, index, turning.cut, start, self._places(rotation, start + shift))
            turning.cut += 1
            rotation.forget_before(start - _KEPT_CYCLES * CYCLE_DEG)

    def _first_start(self, turning: _Turning, shift: float) -> float:
        """A sync begins its cycles; a wheel's begin at the first cylinder's firing TDC."""
        rotation = turning.rotation
        if turning.run is not None and turning.run.believed_from > rotation.t[0]:
            doubtful = rotation.time_to_deg(turning.run.believed_from) - rotation.deg[0]
            return rotation.deg[0] + math.ceil(doubtful / CYCLE_DEG - 1e-6) * CYCLE_DEG
        if not (rotation.of_teeth and rotation.places_known):
            return rotation.deg[0]
        before = -((rotation.deg[0] + shift) // -CYCLE_DEG)  # next multiple of 720 at or after the first knot
        return before * CYCLE_DEG - shift

    def _places(self, rotation: Rotation, engine_deg: float) -> tuple[Place, ...]:
        places = []
        for cylinder, angle in self._angles.items():
            firing = (angle - engine_deg) % CYCLE_DEG
            if not rotation.places_known:
                places.append(Place(None, None, firing))
            elif rotation.modulo_deg < CYCLE_DEG:
                places.append(Place(None, self._alike(cylinder, rotation.modulo_deg), firing))
            else:
                places.append(Place(cylinder, None, firing))
        return tuple(places)

    def _alike(self, cylinder: int, modulo_deg: float) -> tuple[int, ...]:
        """Cylinders that cannot be told apart from this one where the engine angle is known modulo that."""
        angles = self._angles
        away = {
            c: (angles[c] - angles[cylinder] + modulo_deg / 2) % modulo_deg - modulo_deg / 2 for c in angles
        }
        alike = tuple(sorted(c for c in angles if abs(away[c]) <= COMPANION_TOLERANCE_DEG))
        return alike if len(alike) > 1 else self._engine.firing_order
