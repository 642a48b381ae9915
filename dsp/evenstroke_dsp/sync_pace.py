"""How many pulses come between two events of a sync, and is that what the set-up says?

A coil that is heard at every firing, a sync once a cycle that is written down as one every revolution, and the other way
round: each is one even series, whose times alone say nothing against it. But compression, and what each stroke does to the
pressure, comes so many times from one event to the next. The signal of each probe that hears all cylinders is laid out by the
events, and its orders are compared: half the cylinders' pulses, or one, make the order of their own number alone, while a
cylinder that is missing among all makes all low orders alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG, firing_angles
from .history import History
from .rhythm_tracker import RhythmSource, shortest_period
from .setup import DEFAULT_LOWPASS_HZ, Probe, Setup
from .sync_tracker import SyncTracker

STARTER_LOADS = ("starter_current", "battery_voltage")
"""What shows the load on a starter, and nothing of an engine that runs by itself."""
_ROLES = (*STARTER_LOADS, "intake_pulse", "manifold_pressure", "exhaust_pulse")
_CYCLES = {"cycle": 3, "revolution": 2}
"""So many of what the set-up takes for cycles are looked at together, by how often it says that a sync comes."""
_STEPS = 96
_FEWEST_LOOKS, _MORE_OFTEN = 2, 2.0
"""Looks of one probe that find it so, at least, and how many times those that find what the set-up says."""
_TIMES_STRONGER, _LOWER_STRONGER = 2.0, 1.2
"""Of the order that is found, over the set-up's own and over those below it. Six Gaussian pulses, one of them missing, stay below
either; three at the places of six, one of them half as large, do not (tests/dsp/test_sync_pace.py)."""
_PASSED = 0.7  # of the probe's low-pass: what comes more often is weak because it is filtered
_STARTER_RPM = (50.0, 350.0)
"""Speeds at which a starter turns an engine (common practice, no source, and wide). A cylinder that is missing where broad pulses
overlap may make one pulse a cycle, too: for fewer pulses than half the cylinders the speed has to speak against the sync. So it
has for half of the compressions: a gasket that is burnt through between a four's two middle cylinders leaves every second one."""


@dataclass(frozen=True, slots=True)
class OtherPace:
    """That a sync comes `times` a cycle, of the set-up's cylinders, and not as the set-up says.

    source: the probe that shows it. pulses: how many come in what the set-up takes for a cycle. rpm: the speed that the sync's
    events would have by the set-up.
    """

    sync: Probe
    source: Probe
    times: int
    pulses: int
    rpm: float


class SyncPace:
    """`update` while events and samples come in; `found` says whether they contradict the set-up.

    sources: the probes that hear all cylinders of an evenly firing engine; their rows are set once the samples' grid is known.
    """

    def __init__(self, setup: Setup, probe: Probe, tracker: SyncTracker, history: History) -> None:
        engine = setup.engine
        even = shortest_period(list(firing_angles(engine).values())) * engine.cylinders <= CYCLE_DEG + 1.0
        heard = [p for role in _ROLES for p in setup.probe if p.role == role] if even else []
        self.sources = [RhythmSource.of(setup, p) for p in heard if len(setup.sees(p)) == engine.cylinders]
        self._setup, self._probe, self._tracker, self._history = setup, probe, tracker, history
        self._events = 2 if probe.every == "revolution" else 1  # in what the set-up takes for a cycle
        self._looked_until = -np.inf
        self._looks: list[dict[int, int]] = [{} for _ in self.sources]  # by how many pulses were found
        self._rpm: dict[int, float] = {}
        self._slow = 0  # looks at a speed at which a starter turns an engine, by the sync

    def update(self) -> None:
        """Looks at the events that have come since, where they are enough."""
        wanted = _CYCLES[self._probe.every] * self._events
        for run in self._tracker.believed[-2:]:
            first = int(np.searchsorted(run.times, self._looked_until))
            while len(run.times) - first > wanted and run.times[first + wanted] <= self._history.until:
                times = np.asarray(run.times[first : first + wanted + 1])
                counts = np.asarray([0, *run.intervals[first + 1 : first + wanted + 1]])
                self._look(times, np.cumsum(counts))
                first += wanted
                self._looked_until = float(times[-1])

    def found(self) -> OtherPace | None:
        """What contradicts the set-up, by the best source; None where nothing does, where another one bears the set-up out, or
        where nothing tells."""
        cylinders = self._setup.engine.cylinders
        # Half of the cylinders may not compress, or not reach a probe; but pulses of all of them come by no other sync.
        if any(_mostly(looks) == cylinders for looks in self._looks):
            return None
        for source, looks in zip(self.sources, self._looks, strict=True):
            pulses = max((m for m in looks if m != cylinders), key=lambda m: looks[m], default=None)
            if pulses is None or looks[pulses] < _FEWEST_LOOKS:
                continue
            if self._by_speed(pulses, source) and self._slow >= _FEWEST_LOOKS:
                continue  # it began as slowly as a starter turns, and then it started
            if looks[pulses] >= _MORE_OFTEN * looks.get(cylinders, 0):
                times = self._events * cylinders // pulses
                return OtherPace(self._probe, source.probe, times, pulses, self._rpm[pulses])
        return None

    def _look(self, times: Floats, turned: Floats) -> None:
        """times: of events in a row. turned: how many intervals each lies after the first."""
        intervals = int(turned[-1])
        cycles = intervals / self._events
        rpm = 120.0 * cycles / float(times[-1] - times[0])
        if cycles != int(cycles):
            return
        self._slow += rpm <= _STARTER_RPM[1]
        at = np.interp(np.arange(_STEPS * int(cycles) + 1) / _STEPS * self._events, turned, times)
        for source, looks in zip(self.sources, self._looks, strict=True):
            heard = source.listen(self._history, float(times[0]), float(times[-1]))
            if heard is None:
                continue
            t, x = heard
            # What is listened to by its slope is put together again.
            x = np.cumsum(x - x.mean()) if source.sloped else x
            pulses = self._pulses(np.interp(at, t, x), int(cycles), source, rpm)
            if pulses is not None:
                looks[pulses] = looks.get(pulses, 0) + 1
                self._rpm[pulses] = rpm

    def _pulses(self, x: Floats, cycles: int, source: RhythmSource, rpm: float) -> int | None:
        """How many pulses come in what the set-up takes for a cycle; None where none of what may be stands out."""
        cylinders = self._setup.engine.cylinders
        steady = (x - (x[-1] - x[0]) * np.linspace(0.0, 1.0, x.size))[:-1]
        spectrum = np.abs(np.fft.rfft(steady - steady.mean())) ** 2
        orders = np.arange(1, 2 * cylinders + 1)
        # A speed that changes within the look takes some of an order's power to the lines beside it.
        aside = cycles // 4
        amplitude = np.sqrt([spectrum[m * cycles - aside : m * cycles + aside + 1].sum() for m in orders])
        passed = orders * rpm / 120.0 <= _PASSED * _lowpass_hz(source.probe)
        strongest = int(orders[int(np.argmax(amplitude))])
        if strongest == cylinders:
            return cylinders
        below = amplitude[: strongest - 1].max(initial=0.0)
        if amplitude[strongest - 1] < _LOWER_STRONGER * below or not self._may_be(strongest, source, rpm):
            return None
        own = float(amplitude[cylinders - 1])
        if not passed[cylinders - 1]:
            # Pulses of all cylinders would not show at such a speed.
            own = float(np.delete(amplitude, strongest - 1).max())
        return strongest if amplitude[strongest - 1] >= _TIMES_STRONGER * own else None

    def _may_be(self, pulses: int, source: RhythmSource, rpm: float) -> bool:
        """Whether a sync that comes a whole number of times a cycle explains so many pulses, at a speed that engines have."""
        cylinders = self._setup.engine.cylinders
        if self._events * cylinders % pulses:
            return False
        if pulses > cylinders:
            # A pipe that rings makes two rises of each stroke.
            return source.probe.role != "exhaust_pulse"
        least, most = _STARTER_RPM
        cranking = self._setup.conditions.mode == "cranking" and rpm > most
        return not self._by_speed(pulses, source) or (cranking and least <= rpm * pulses / cylinders <= most)

    def _by_speed(self, pulses: int, source: RhythmSource) -> bool:
        """Whether the speed has to speak against the sync as well."""
        cylinders = self._setup.engine.cylinders
        half_may_be_lost = cylinders < 4 or source.probe.role in STARTER_LOADS
        return 2 * pulses < cylinders or (half_may_be_lost and pulses < cylinders)


def _mostly(looks: dict[int, int]) -> int | None:
    """How many pulses most looks found; None for too few."""
    pulses = max(looks, key=lambda m: looks[m], default=None)
    return pulses if pulses is not None and looks[pulses] >= _FEWEST_LOOKS else None


def _lowpass_hz(probe: Probe) -> float:
    return probe.lowpass_hz if probe.lowpass_hz is not None else DEFAULT_LOWPASS_HZ[probe.role]


def why_not(found: OtherPace, cylinders: int) -> str:
    """What contradicts the set-up, what may be wrong, and what to do about each."""
    name, times = found.sync.name, found.times
    said = "every revolution" if found.sync.every == "revolution" else "once a cycle"
    pulses = "one pulse comes" if found.pulses == 1 else f"{found.pulses} pulses come"
    turned = "two revolutions" if found.sync.every == "revolution" else "one cycle"
    begin = (
        f"{name} does not come {said}, as the set-up says: by {found.source.name} {pulses} in what would be {turned} of it, and "
        f"the set-up has {cylinders} cylinders (by it the engine would turn at {found.rpm:.0f} rpm, no uncertainty stated), so "
        "that pulses cannot be given to cylinders."
    )
    if times == 1:
        right = 'If it comes once a cycle, write every = "cycle"'
    elif times == 2:
        right = 'If it comes every revolution, write every = "revolution"'
    else:
        heard = "at every firing" if times == cylinders else f"{times} times a cycle"
        return (
            f"{begin} It seems to be heard {heard}: is its pick-up at one cylinder's own lead or coil? Put it there, away from "
            f"the others, and crank again. Without {name} in the set-up the same recording is judged by positions, unless it is "
            "`cylinders` that is wrong: mend that first."
        )
    # A bank that does not breathe leaves half of an engine that fires its banks by turns, as evenly spaced.
    rest = (
        f" Where all that is right, only {found.pulses} of the {cylinders} cylinders make such pulses, evenly spaced, or only "
        f"theirs reach {found.source.name} (`sees`)."
        if found.pulses < cylinders and not cylinders % found.pulses
        else ""
    )
    return (
        f"{begin} {right} and judge the same recording again; or mend `cylinders`, if that is wrong, or the pick-up, and crank "
        f"again.{rest}"
    )
