"""Measures every probe's pulses in one cycle and gives each to the cylinder whose stroke made it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import cumulative_trapezoid

from .angle import Rotation
from .blocks import Bools, Floats
from .cycles import Anchor, CycleSpan, Place
from .engine import CYCLE_DEG, firing_angles, firing_intervals
from .features import (
    EXHAUST_OPENS_DEG,
    FOLD_STEP_DEG,
    LONGEST_ARM_DEG,
    ROLE_PULSES,
    Pulse,
    RolePulse,
    Shape,
    Window,
    exhaust_middle,
    fold,
    measure,
    middle_in_fold,
)
from .history import History
from .messages import StretchKind
from .setup import PULSE_ROLES, Probe, Setup

_ARM = 0.6  # of the way to the next pulse's middle: crest and trough may lie beyond half way
_FOLD_MEMORY = 0.2
_LONGEST_REACH_DEG = 90.0
_REFERENCE_TEMPERATURE_C = 20.0
_EVEN_SPACING_DEG = 5.0
_SPEED_OVER_DEG = 12.0
_GAP_SPACINGS = 1.5


def speed_of_sound(temperature_c: float) -> float:
    """Metres per second in dry air: 343.2 * sqrt(T/293.15 K) (ISO 9613-1:1993, clause 6.4; from memory)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def undo_low_corner(t: Floats, x: Floats, low_corner_hz: float, from_s: float, to_s: float) -> Floats:
    """What an AC-coupled probe would read without its first-order high-pass corner, but for a constant.

    The inverse of s/(s + w) is 1 + w/s. What the probe reads has no mean of its own over a steady cycle, so
    that the cycle's mean is its bias, and the integral starts without the memory of what came before.
    t, x: one cycle and somewhat beyond, shape (samples,). from_s, to_s: the cycle itself, seconds.
    """
    inside = (t >= from_s) & (t < to_s)
    if not inside.any():
        return x
    ac = x - x[inside].mean()
    integral: Floats = cumulative_trapezoid(ac, x=t, initial=0)
    return x + 2 * math.pi * low_corner_hz * integral


@dataclass(frozen=True, slots=True)
class Measured:
    """One place's pulse in one cycle; `pulse` is None where it is left out, `left_out` says why."""

    place: Place
    position: int
    pulse: Pulse | None
    left_out: str | None


@dataclass(slots=True)
class _Fold:
    mean: Floats | None = None
    cycles: int = 0


@dataclass(frozen=True, slots=True)
class _Signal:
    t: Floats
    x: Floats
    lost: Bools | None


@dataclass(slots=True)
class ProbeMeasurer:
    """Measures one probe; remembers the mean pulse shape, from which the middles follow.

    row: the probe's channel in the history, or None for a wheel, whose speed is the signal.
    offset_s: how much later than the scan's time this channel is sampled.
    """

    setup: Setup
    probe: Probe
    row: int | None
    offset_s: float = 0.0
    folds: dict[tuple[StretchKind, int], _Fold] = field(default_factory=dict)
    rhythm: float | None = None
    """Swing of the mean pulse as a share of the signal's mean, at the last cranking cycle."""

    @property
    def pulse(self) -> RolePulse:
        return ROLE_PULSES[self.probe.role]

    @property
    def unit(self) -> str:
        return "rpm" if self.row is None else self.probe.unit

    @property
    def delay_s(self) -> float:
        """What the gas takes from valve to probe; without `travel_m` the pulses themselves must tell."""
        return (self.probe.travel_m or 0.0) / speed_of_sound(_REFERENCE_TEMPERATURE_C)

    def needs_until(self, span: CycleSpan) -> float:
        """The history must reach this time before the cycle can be measured, seconds."""
        beyond = CYCLE_DEG + LONGEST_ARM_DEG
        return span.rotation.time_at(span.start_deg + beyond) + self.delay_s + self.offset_s

    def places(self, span: CycleSpan) -> tuple[Place, ...]:
        """The places in the cycle whose pulses this probe hears; none where that cannot be told."""
        heard = self._heard()
        if len(heard) == self.setup.engine.cylinders:
            return span.places
        named = tuple(p for p in span.places if p.cylinder is not None)
        return tuple(p for p in named if p.cylinder in heard)

    def _heard(self) -> tuple[int, ...]:
        if self.probe.role == "cylinder_pressure" and self.probe.cylinder is not None:
            return (self.probe.cylinder,)
        if self.probe.role in PULSE_ROLES or self.probe.role == "manifold_pressure":
            return self.setup.sees(self.probe)
        return self.setup.engine.firing_order

    def anchor(self, from_s: float, to_s: float, cylinder: int) -> Anchor:
        """That this pulse, from end to end as in its message, is `cylinder`'s."""
        # A hump's message ends at its crest, the middle; a fall's or a rise's middle lies between its ends.
        middle_s = to_s if self.pulse.shape is Shape.HUMP else (from_s + to_s) / 2
        return Anchor(middle_s - self.delay_s, cylinder, self._expected_middle())

    @property
    def evenly_heard(self) -> bool:
        """Whether the pulses come at even intervals; where they do not, healthy ones differ in size."""
        angles = firing_angles(self.setup.engine)
        heard = np.sort([angles[c] for c in self._heard()])
        gaps = np.diff(np.concatenate([heard, [heard[0] + CYCLE_DEG]]))
        return bool(np.ptp(gaps) <= _EVEN_SPACING_DEG)

    def measure(self, span: CycleSpan, history: History, kind: StretchKind) -> tuple[Measured, ...]:
        """All pulses of one cycle, in order of coming."""
        places = self.places(span)
        if not places:
            return ()
        signal = self._signal(span, history)
        if signal is None or signal.t.size < 16:
            return tuple(Measured(p, k + 1, None, "not_recorded") for k, p in enumerate(places))
        folded, cycle_mean = self._fold(span, signal, places, kind)
        if kind == "cranking" and cycle_mean != 0:
            self.rhythm = float(np.ptp(folded)) / abs(cycle_mean)
        middle = self._middle(span, folded)
        middles = np.array([(p.firing_deg + middle) % CYCLE_DEG for p in places])
        order = np.argsort(middles)
        gaps = np.diff(np.concatenate([middles[order], [middles[order[0]] + CYCLE_DEG]]))
        measured = []
        for k, which in enumerate(order):
            gap_before, gap_after = float(gaps[k - 1]), float(gaps[k])
            window = self._window(
                span.rotation, span.start_deg + float(middles[which]), middle, gap_before, gap_after
            )
            interval = (gap_before + gap_after) / 2
            measured.append(self._one(places[int(which)], k + 1, signal, window, interval))
        return tuple(measured)

    def values_at(self, span: CycleSpan, history: History, degrees: Floats) -> Floats | None:
        """The signal, turned so that stronger is larger, at ascending degrees after the cycle's start, travel
        time taken off; None where it was not recorded, or samples were lost."""
        signal = self._signal(span, history)
        if signal is None or (signal.lost is not None and signal.lost.any()):
            return None
        times = span.rotation.times_at(span.start_deg + degrees) + self.delay_s
        if signal.t.size < 16:
            return None
        sample = float(signal.t[1] - signal.t[0])
        if signal.t[0] > times[0] + sample or signal.t[-1] < times[-1] - sample:
            return None
        return np.interp(times, signal.t, signal.x)

    def _one(self, place: Place, position: int, signal: _Signal, window: Window, interval: float) -> Measured:
        low, high = np.searchsorted(signal.t, (window.t_low, window.t_high))
        if signal.t[0] > window.t_low or signal.t[-1] < window.t_high:
            return Measured(place, position, None, "cut_short")
        if signal.lost is not None and signal.lost[low:high].any():
            return Measured(place, position, None, "lost_samples")
        pulse = measure(self.pulse, signal.t, signal.x, window, min(interval, 2 * LONGEST_ARM_DEG))
        return Measured(place, position, pulse, None if pulse is not None else "not_found")

    def _window(
        self, rotation: Rotation, at_deg: float, middle: float, before: float, after: float
    ) -> Window:
        arm_before, arm_after = min(_ARM * before, LONGEST_ARM_DEG), min(_ARM * after, LONGEST_ARM_DEG)
        times = rotation.times_at(np.array([at_deg - arm_before, at_deg, at_deg + arm_after])) + self.delay_s
        opens = None
        if any(feature.name == "suction" for feature in self.pulse.features):
            opens = rotation.time_at(at_deg - middle + self._exhaust_opens_deg()) + self.delay_s
        speed = (arm_before + arm_after) / float(times[2] - times[0])
        return Window(float(times[0]), float(times[1]), float(times[2]), middle, speed, opens)

    def _signal(self, span: CycleSpan, history: History) -> _Signal | None:
        """The signal over the cycle and an arm on either side, turned so that stronger is larger."""
        degrees = np.array([span.start_deg - LONGEST_ARM_DEG, span.start_deg + CYCLE_DEG + LONGEST_ARM_DEG])
        t_from, t_to = span.rotation.times_at(degrees) + self.delay_s
        sign = self.pulse.sign
        if self.row is None:
            return self._speed(span.rotation, float(t_from), float(t_to), sign)
        piece = history.piece(float(t_from) - self.offset_s, float(t_to) - self.offset_s)
        if piece is None:
            return None
        if self.probe.positive_is == "vacuum" and self.probe.role in PULSE_ROLES:
            sign = -sign
        x = sign * piece.values[self.row]
        t = piece.t + self.offset_s
        if self.probe.low_corner_hz is not None and self.probe.role in PULSE_ROLES:
            x = undo_low_corner(
                t, x, self.probe.low_corner_hz, span.from_s + self.delay_s, span.to_s + self.delay_s
            )
        return _Signal(t, x, piece.lost[self.row])

    @staticmethod
    def _speed(rotation: Rotation, t_from: float, t_to: float, sign: float) -> _Signal | None:
        """Crank speed, rpm, over at least 12 degrees around each knot: single teeth are never quite even."""
        t, deg = np.asarray(rotation.t), np.asarray(rotation.deg)
        inside = slice(max(0, int(np.searchsorted(t, t_from)) - 3), int(np.searchsorted(t, t_to)) + 3)
        t, deg = t[inside], deg[inside]
        if t.size < 8:
            return None
        # The edges at a gap are out of place: the field there is another one than between teeth.
        gap = np.diff(deg) > _GAP_SPACINGS * float(np.median(np.diff(deg)))
        beside = np.concatenate([gap, [False]]) | np.concatenate([[False], gap])
        if not beside.all():
            t, deg = t[~beside], deg[~beside]
        if t.size < 8:
            return None
        step = max(1, math.ceil(_SPEED_OVER_DEG / 2 / float(np.median(np.diff(deg)))))
        rpm = (deg[2 * step :] - deg[: -2 * step]) / (t[2 * step :] - t[: -2 * step]) / 6.0
        return _Signal((t[2 * step :] + t[: -2 * step]) / 2, sign * rpm, None)

    def _fold(
        self, span: CycleSpan, signal: _Signal, places: tuple[Place, ...], kind: StretchKind
    ) -> tuple[Floats, float]:
        grid = np.arange(0.0, CYCLE_DEG, FOLD_STEP_DEG)
        times = span.rotation.times_at(span.start_deg + grid) + self.delay_s
        values = np.interp(times, signal.t, signal.x)
        now = fold(values, np.array([p.firing_deg for p in places]))
        # Unnamed places of one turning have nothing to do with those of another.
        key = (kind, span.rotation_index if places[0].cylinder is None else -1)
        memory = self.folds.setdefault(key, _Fold())
        memory.cycles += 1
        weight = max(1.0 / memory.cycles, _FOLD_MEMORY)
        memory.mean = now if memory.mean is None else memory.mean + weight * (now - memory.mean)
        return memory.mean, float(values.mean())

    def _exhaust_opens_deg(self) -> float:
        given = self.setup.engine.valve_events_deg.exhaust_opens
        return EXHAUST_OPENS_DEG if given is None else given

    def _expected_middle(self) -> float:
        if self.pulse.middle_deg is not None:
            return self.pulse.middle_deg
        interval = CYCLE_DEG / self.setup.engine.cylinders
        return exhaust_middle(self._exhaust_opens_deg(), interval)

    def _middle(self, span: CycleSpan, folded: Floats) -> float:
        reach = min(min(firing_intervals(self.setup.engine)) / 2, _LONGEST_REACH_DEG)
        expected = self._expected_middle() if span.rotation.places_known else None
        return middle_in_fold(folded, self.pulse.shape, expected, reach)
