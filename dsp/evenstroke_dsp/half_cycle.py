"""Which half of the cycle it is, where a sync or a wheel leaves that open: told by where the pulses lie.

Turned by 360 degrees, the strokes of an engine with companions fall on each other, and nothing tells. Those of three,
five or unevenly firing cylinders, of one bank, or of the one cylinder with a transducer do not: each half is weighed by
how well pulses there fit the mean cycle, wherever within what is plausible they lie in their strokes, and for
either polarity where that is not sure. A half is taken at odds of 200 to 1, and never on fewer than three cycles that agree.
These are the odds for pulses of the usual shape: a three with one all but dead cylinder has been seen to mislead them.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np

from .angle import Rotation
from .blocks import Floats
from .engine import CYCLE_DEG, firing_angles
from .features import ROLE_PULSES
from .history import History
from .rhythm_tracker import RhythmSource
from .setup import Probe, Setup
from .travel import travel_time

_TOLD = math.log(200.0)
_MOST_OF_ONE = math.log(2000.0)
_FEWEST_CYCLES, _MOST_CYCLES = 3, 6
_STEP_DEG = 3.0
_SHIFTS_DEG = np.arange(-90.0, 91.0, _STEP_DEG)
_PLACE_SPREAD_DEG = {
    "cylinder_pressure": 10.0,
    "starter_current": 15.0,
    "battery_voltage": 15.0,
    "intake_pulse": 30.0,
    "manifold_pressure": 35.0,
    "exhaust_pulse": 35.0,
}
"""Standard deviation of where a pulse's middle lies in its stroke (common practice, no source: when valves
open, how far compression's load leads TDC)."""
_TRAVEL_UNKNOWN_DEG = 30.0  # more, where `travel_m` of a pulse is not given
_INVERTED = 0.05  # how often a probe is the other way up
_DEAD = 0.1  # how often one of the cylinders that are heard makes no pulse
_WORTH = 12.0  # independent values that a mean cycle is worth: what a model gets wrong repeats
_WIDTH_DEG = 120.0
_SAME_DEG = 1.0


@dataclass(slots=True)
class _Source:
    listener: RhythmSource
    delay_s: float
    spread_deg: float
    cycles: list[Floats] = field(default_factory=list)
    one_signed: bool = False  # it was above zero throughout, so that its polarity is sure


class HalfCycle:
    """Weighs the halves for one turning after the other; `told_by` names the probes that told."""

    def __init__(self, setup: Setup, history: History) -> None:
        self._history = history
        self._sources = [
            _Source(listener, _delay(setup, listener.probe), _spread(listener.probe))
            for listener in _listeners(setup)
            if not _turns_into_itself(listener.heard_deg)
        ]
        self.told_by: tuple[str, ...] = ()

    @property
    def listeners(self) -> tuple[RhythmSource, ...]:
        return tuple(source.listener for source in self._sources)

    def begin(self) -> None:
        """Another turning: what the one before said of its halves says nothing of this one's."""
        for source in self._sources:
            source.cycles.clear()

    def knows(self, until: float) -> bool:
        """Whether all that can be read up to this time has come."""
        offsets = [s.listener.offset_s + s.delay_s for s in self._sources]
        return self._history.until >= until + max(offsets, default=0.0)

    def add(self, rotation: Rotation, start_deg: float, shift_deg: float) -> None:
        """One cycle from `start_deg` of the rotation on, whose engine angle there is `start_deg + shift_deg` or that
        and 360 more."""
        grid = np.arange(0.0, CYCLE_DEG, _STEP_DEG)
        times = rotation.times_at(start_deg + np.append(grid, CYCLE_DEG))
        for source in self._sources:
            heard = source.listener.listen(
                self._history, float(times[0]) + source.delay_s, float(times[-1]) + source.delay_s
            )
            if heard is None:
                continue
            values = np.interp(times[:-1] + source.delay_s, *heard)
            into = (grid + start_deg + shift_deg) % CYCLE_DEG
            order = np.argsort(into)
            source.cycles.append(np.interp(grid, into[order], values[order], period=CYCLE_DEG))
            probe = source.listener.probe
            scaled = probe.volts_per_unit is not None
            level = float(values.mean()) * ROLE_PULSES[probe.role].sign
            source.one_signed = scaled and probe.role in ("starter_current", "battery_voltage") and level > 0

    @property
    def cycles(self) -> int:
        """How many were heard, by the source that heard most."""
        return max((len(source.cycles) for source in self._sources), default=0)

    @property
    def exhausted(self) -> bool:
        return not self._sources or self.cycles >= _MOST_CYCLES

    def told(self) -> bool | None:
        """True: the engine angle is as it was taken; False: it is the other half; None: that cannot be told."""
        odds: dict[str, float] = {}
        for source in self._sources:
            if len(source.cycles) < _FEWEST_CYCLES:
                continue
            each = [self._log_odds(source, cycle) for cycle in source.cycles]
            mean = self._log_odds(source, np.mean(source.cycles, axis=0))
            agree = all(one > 0 for one in each) or all(one < 0 for one in each)
            odds[source.listener.probe.name] = (
                float(np.clip(mean, -_MOST_OF_ONE, _MOST_OF_ONE)) if agree else 0.0
            )
        total = sum(odds.values())
        if abs(total) < _TOLD:
            return None
        self.told_by = tuple(name for name, one in odds.items() if one * total > 0)
        return total > 0

    @staticmethod
    def _log_odds(source: _Source, cycle: Floats) -> float:
        """Logarithm of the odds for the angle as taken, from one cycle (or the mean of several) on the grid."""
        listener = source.listener
        grid = np.arange(0.0, CYCLE_DEG, _STEP_DEG)
        heard = np.sort(listener.heard_deg)
        gaps = np.diff(np.append(heard, heard[0] + CYCLE_DEG))
        width = min(_WIDTH_DEG, float(gaps.min()))
        middles = heard[None, :] + listener.middle_deg + _SHIFTS_DEG[:, None]
        away = (grid[None, :, None] - middles[:, None, :] + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2
        near = np.abs(away) < width / 2
        each = np.where(near, 0.5 + 0.5 * np.cos(2 * math.pi * away / width), 0.0)
        whole = each.sum(axis=2)
        cases = [(1.0 - _DEAD, whole)]
        if heard.size > 1:
            cases += [(_DEAD / heard.size, whole - each[:, :, k]) for k in range(heard.size)]
        prior = -0.5 * (_SHIFTS_DEG / source.spread_deg) ** 2
        level = cycle - cycle.mean()
        share = 0.0 if source.one_signed or listener.probe.role == "cylinder_pressure" else _INVERTED
        likely = [0.0, 0.0]
        for (weight, comb), turned in itertools.product(cases, (0, 1)):
            half = np.roll(comb, turned * round(CYCLE_DEG / 2 / _STEP_DEG), axis=1)
            shape = half - half.mean(axis=1, keepdims=True)
            norm = np.linalg.norm(shape, axis=1) * np.linalg.norm(level)
            fit = np.clip(shape @ level / np.maximum(norm, 1e-300), -0.999, 0.999)
            upright = prior - 0.5 * _WORTH * np.log(1.0 - np.maximum(fit, 0.0) ** 2)
            inverted = prior - 0.5 * _WORTH * np.log(1.0 - np.minimum(fit, 0.0) ** 2)
            both = np.exp(upright) * (1.0 - share) + np.exp(inverted) * share
            likely[turned] += weight * float(both.sum())
        return math.log(likely[0] / likely[1])


def _listeners(setup: Setup) -> list[RhythmSource]:
    angles = firing_angles(setup.engine)
    listeners = []
    for probe in setup.probe:
        if probe.role == "cylinder_pressure" and probe.cylinder is not None:
            listeners.append(RhythmSource(probe, np.array([angles[probe.cylinder]]), 0.0))
        elif probe.role in _PLACE_SPREAD_DEG:
            listeners.append(RhythmSource.of(setup, probe))
    return listeners


def _delay(setup: Setup, probe: Probe) -> float:
    return travel_time(probe.travel_m or 0.0, probe.role, setup.conditions)


def _spread(probe: Probe) -> float:
    travels = probe.role in ("intake_pulse", "manifold_pressure", "exhaust_pulse") and probe.travel_m is None
    return math.hypot(_PLACE_SPREAD_DEG[probe.role], _TRAVEL_UNKNOWN_DEG if travels else 0.0)


def _turns_into_itself(heard_deg: Floats) -> bool:
    """Whether the cylinders' firing angles turned by half a cycle are the same angles."""
    away = (
        heard_deg[:, None] + CYCLE_DEG / 2 - heard_deg[None, :] + CYCLE_DEG / 2
    ) % CYCLE_DEG - CYCLE_DEG / 2
    return bool((np.abs(away).min(axis=1) <= _SAME_DEG).all())
