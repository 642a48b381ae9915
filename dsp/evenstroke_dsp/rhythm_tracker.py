"""Cycles where neither a sync nor a wheel is recorded: from the rhythm of the pulses themselves.

The cylinders' firing angles repeat every `period_deg`: 720/N of an even engine, all 720 degrees of a twin 270/450.
Each such period makes one beat. The pulses' spectrum tells how often beats come (a comb of harmonics,
weighed as the firing angles weigh them); then each beat is found from the one before, by the phase of the
signal over three periods. A beat that lies where none is due, or is too weak, ends the turning, so that
positions are never carried over a slip.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from .angle import Rotation
from .blocks import Floats
from .engine import CYCLE_DEG, firing_angles
from .features import EXHAUST_OPENS_DEG, ROLE_PULSES, Shape, exhaust_middle
from .history import History
from .setup import PULSE_ROLES, Probe, Setup

_SOURCES = (
    "starter_current",
    "battery_voltage",
    "intake_pulse",
    "manifold_pressure",
    "exhaust_pulse",
)
"""What is listened to, best first: compression loads the starter once for each cylinder, whatever the gas does."""

_SLOWEST_RPM, _FASTEST_RPM = 50.0, 1500.0
_CANDIDATES = 500
_SAME_ANGLE_DEG = 1.0
_USUAL_RPM, _USUAL_SPREAD, _LEAST_LIKELY = 190.0, 0.5, 0.1
"""Median cranking speed and the standard deviation of its logarithm (common practice, no source: 80 to 250 rpm);
an idling engine is unlikely by this much, and its rhythm leaves no other choice."""
_WINDOW_S = 2.0
_LONG_WINDOW_S = 4.0
"""What a rhythm is sought in: several beats of the slowest crank; the longer one where a beat is a whole cycle."""
_HOP_S = 0.2
_HARMONICS = 4
_BAND = 0.12  # of a harmonic: speed changes while one listens
_LEAST_SHARE = 0.5  # of the signal's power that lies at the harmonics
_ARM = 1.5  # periods on either side of a beat that its phase is taken from
_LEAST_COHERENCE = 0.3  # of the beat's sinusoid in the signal around it; white noise has some 0.2
_WEAKEST = 0.25  # of the usual beat
_AWAY = 0.25  # of a period, from where a beat is due
_PACE_MEMORY = 0.5
_STRENGTH_MEMORY = 0.1
_STEPS = 4
_FEWEST_BEATS = 3
_SHORTEST_S = 1.0
_PATTERN_STEPS = 144
_STRAYS_DEG = 40.0
_CLEARLY = 0.75
_PHASE_ERROR_DEG, _COURSE_ERROR = 30.0, 0.125
"""Of the engine angle of an uneven engine: where in its stroke a pulse lies, and the course of the speed within a
beat, as a share of it (tests/bench/bench_angle.py)."""
_LOWEST_HZ = 0.4


@dataclass(slots=True)
class RhythmSource:
    """A probe that is listened to; `row` and `offset_s`, as a probe's measurer has them, come with the samples' grid.

    heard_deg: firing TDCs of the cylinders that it hears. middle_deg: where their pulses' middles lie after these.
    """

    probe: Probe
    heard_deg: Floats
    middle_deg: float
    row: int | None = None
    offset_s: float = 0.0

    @classmethod
    def of(cls, setup: Setup, probe: Probe) -> RhythmSource:
        angles = firing_angles(setup.engine)
        middle = ROLE_PULSES[probe.role].middle_deg
        if middle is None:
            opens = setup.engine.valve_events_deg.exhaust_opens
            opens = EXHAUST_OPENS_DEG if opens is None else opens
            middle = exhaust_middle(opens, CYCLE_DEG / setup.engine.cylinders)
        return cls(probe, np.array([angles[c] for c in setup.sees(probe)]), middle)

    def listen(self, history: History, t_from: float, t_to: float) -> tuple[Floats, Floats] | None:
        """The signal, turned so that each pulse's middle is a crest; None where samples are missing."""
        if self.row is None:
            return None
        piece = history.piece(t_from - self.offset_s, t_to - self.offset_s)
        if piece is None or piece.t.size < 32:
            return None
        pulse = ROLE_PULSES[self.probe.role]
        t, x = piece.t + self.offset_s, pulse.sign * piece.values[self.row]
        if t[0] > t_from + 0.01 or t[-1] < t_to - 0.01 or piece.lost[self.row].mean() > 0.1:
            return None
        if self.probe.positive_is == "vacuum" and self.probe.role in PULSE_ROLES:
            x = -x
        if self.sloped:
            x = np.gradient(x, t) * (1.0 if pulse.shape is Shape.RISE else -1.0)
        return t, x

    @property
    def sloped(self) -> bool:
        """Whether the pulse's middle is its steepest place."""
        return ROLE_PULSES[self.probe.role].shape is not Shape.HUMP


@dataclass(slots=True)
class _Beat:
    source: RhythmSource
    t: float
    period: float
    strength: float  # running mean of the beats' amplitude


class RhythmTracker:
    """Feeds on the history; `rotations` grow, in degrees that count `period_deg` from beat to beat.

    Of an even engine any beat may be any cylinder's. Of an uneven one the engine angle is known modulo
    `period_deg`, where the pulses' pattern shows clearly; else no turning is begun, and `unclear` counts that.
    """

    def __init__(self, setup: Setup, history: History) -> None:
        heard = [
            RhythmSource.of(setup, probe) for role in _SOURCES for probe in setup.probe if probe.role == role
        ]
        # All are followed by one pattern: that of the best source.
        self.sources = [s for s in heard if np.array_equal(s.heard_deg, heard[0].heard_deg)]
        self.rotations: list[Rotation] = []
        self.unclear = 0
        self._history = history
        angles = heard[0].heard_deg if heard else np.zeros(1)
        self.period_deg = shortest_period(angles.tolist())
        self.even = self.period_deg * angles.size <= CYCLE_DEG + _SAME_ANGLE_DEG
        self._window_s = _LONG_WINDOW_S if self.period_deg >= CYCLE_DEG else _WINDOW_S
        self._turns = 2 * math.pi / self.period_deg * angles
        self._weights = np.array(
            [abs(np.exp(1j * h * self._turns).mean()) ** 2 / h for h in range(1, _HARMONICS + 1)]
        )
        self._beat: _Beat | None = None
        self._from: float | None = None
        self._hop = 0
        self._ended_at = -math.inf

    def _beat_deg(self, source: RhythmSource) -> float:
        """Engine angle, modulo the period, at which the beat's sinusoid is greatest."""
        first = float(np.angle(np.exp(1j * self._turns).mean())) / (2 * math.pi) * self.period_deg
        return (first + source.middle_deg) % self.period_deg

    def update(self, *, final: bool) -> None:
        """Follows the beats as far as the history reaches."""
        rows = [s for s in self.sources if s.row is not None]
        if not rows:
            return
        known = self._history.until + min(s.offset_s for s in rows)
        if self._from is None:
            piece = self._history.piece(-math.inf, math.inf)
            if piece is None:
                return
            self._from = float(piece.t[0]) + max(s.offset_s for s in rows)
        while True:
            if self._beat is not None:
                if known < self._beat.t + (1 + _AWAY + _ARM) * self._beat.period:
                    break
                self._next(self._beat)
            else:
                t = self._from + self._window_s + self._hop * _HOP_S
                if known < t:
                    break
                self._hop += 1
                self._begin(max(t - self._window_s, self._ended_at), t)
        if final and self.rotations:
            self.rotations[-1].ended = True

    # --- finding the pace ---------------------------------------------------------------------------

    def _begin(self, t_from: float, t_to: float) -> None:
        """Begins a turning where the whole window is one rhythm to one of the sources."""
        for source in self.sources:
            found = source.listen(self._history, t_from, t_to)
            if found is not None and t_to - t_from >= _SHORTEST_S and self._acquire(source, *found):
                return

    def _acquire(self, source: RhythmSource, t: Floats, y: Floats) -> bool:
        period = self._pace(t, np.cumsum(y - y.mean()) if source.sloped else y)
        if period is None:
            return False
        beats = [_settle(t, y, float(t[0]) + (_ARM + 0.5) * period, period)]
        while beats[-1] + (1 + _AWAY + _ARM) * period < t[-1]:
            due = beats[-1] + period
            at = _settle(t, y, due, period)
            if abs(at - due) > _AWAY * period:
                return False
            period += _PACE_MEMORY * (at - beats[-1] - period)
            beats.append(at)
        if len(beats) < _FEWEST_BEATS:
            return False
        strengths = [abs(_phasor(t, y, at, period)) for at in beats]
        usual = float(np.median(strengths))
        coherence = usual / (math.sqrt(2.0) * float(y.std()) + 1e-300)
        if coherence < _LEAST_COHERENCE or min(strengths) < _WEAKEST * usual:
            return False
        if not (self.even or self._is_pattern(source, t, y, beats)):
            self.unclear += 1
            return False
        rotation = Rotation(
            places_known=not self.even,
            modulo_deg=self.period_deg,
            uncertainty_deg=None if self.even else _PHASE_ERROR_DEG + _COURSE_ERROR * self.period_deg,
            pace_deg=CYCLE_DEG,
            by_rhythm=True,
        )
        for k, at in enumerate(beats):
            rotation.add(at, self._beat_deg(source) + k * self.period_deg)
        self.rotations.append(rotation)
        self._beat = _Beat(source, beats[-1], period, usual)
        return True

    def _is_pattern(self, source: RhythmSource, t: Floats, y: Floats, beats: list[float]) -> bool:
        """Whether pulses at the engine's firing angles fit the mean beat where its phase puts them, and nowhere
        else nearly as well."""
        steps = np.arange(_PATTERN_STEPS) / _PATTERN_STEPS
        times = np.concatenate([a + (b - a) * steps for a, b in itertools.pairwise(beats)])
        mean = np.interp(times, t, y).reshape(-1, _PATTERN_STEPS).mean(axis=0)
        # A pulse is as wide as the speed's course, which is not known here, lets it stray.
        near = np.abs((steps + 0.5) % 1.0 - 0.5) * self.period_deg < _STRAYS_DEG
        spectrum = np.fft.rfft(mean - mean.mean()) * np.fft.rfft(near / near.sum())
        smooth = np.fft.irfft(spectrum, _PATTERN_STEPS)
        places = (
            self._turns / (2 * math.pi) + (source.middle_deg - self._beat_deg(source)) / self.period_deg
        ) % 1.0
        at = (places[:, None] + steps[None, :]) % 1.0 * _PATTERN_STEPS
        fits = np.interp(at, np.arange(_PATTERN_STEPS + 1), np.append(smooth, smooth[0])).mean(axis=0)
        shift = np.abs((steps + 0.5) % 1.0 - 0.5) * self.period_deg
        here, elsewhere = shift <= _STRAYS_DEG, shift >= 2 * _STRAYS_DEG
        best = float(fits[here].max())
        return best > 0 and (not elsewhere.any() or float(fits[elsewhere].max()) < _CLEARLY * best)

    def _pace(self, t: Floats, y: Floats) -> float | None:
        """Seconds from beat to beat, where the spectrum shows one rhythm; None where it does not."""
        dt = float(t[1] - t[0])
        size = 1 << (8 * t.size - 1).bit_length()
        power = np.abs(np.fft.rfft((y - y.mean()) * np.hanning(y.size), size)) ** 2
        hz = np.fft.rfftfreq(size, dt)
        power[hz < _LOWEST_HZ] = 0.0
        summed = np.concatenate([[0.0], np.cumsum(power)])
        if summed[-1] <= 0:
            return None
        per_cycle = CYCLE_DEG / self.period_deg
        beats_hz = np.geomspace(_SLOWEST_RPM, _FASTEST_RPM, _CANDIDATES) / 120.0 * per_cycle
        harmonics = np.arange(1, _HARMONICS + 1)[:, None] * beats_hz[None, :]
        low = np.searchsorted(hz, harmonics * (1 - _BAND / 2))
        high = np.searchsorted(hz, harmonics * (1 + _BAND / 2))
        shares = (summed[high] - summed[low]) / summed[-1]
        usual = np.log(beats_hz * 120.0 / per_cycle / _USUAL_RPM) / _USUAL_SPREAD
        likely = np.maximum(np.exp(-0.5 * usual**2), _LEAST_LIKELY)
        best = int(np.argmax(likely * (self._weights @ shares)))
        return None if shares[:, best].sum() < _LEAST_SHARE else 1.0 / float(beats_hz[best])

    # --- from beat to beat --------------------------------------------------------------------------

    def _next(self, beat: _Beat) -> None:
        """The beat after this one, or the end of the turning."""
        assert self._from is not None
        rotation, due = self.rotations[-1], beat.t + beat.period
        reach = (_AWAY + _ARM) * beat.period
        found = beat.source.listen(self._history, due - reach, due + reach)
        at = _settle(*found, due, beat.period) if found is not None else math.nan
        near = found is not None and abs(at - due) <= _AWAY * beat.period
        strength = abs(_phasor(*found, at, beat.period)) if found is not None and near else 0.0
        if strength < _WEAKEST * beat.strength:
            rotation.ended = True
            self._ended_at, self._beat = due, None
            # The next rhythm is sought in what comes after this one.
            after = due + _SHORTEST_S - self._from - self._window_s
            self._hop = max(math.ceil(after / _HOP_S), 0)
            return
        period = beat.period + _PACE_MEMORY * (at - beat.t - beat.period)
        strength = beat.strength + _STRENGTH_MEMORY * (strength - beat.strength)
        self._beat = _Beat(beat.source, at, period, strength)
        rotation.add(at, rotation.deg[-1] + self.period_deg)


def _settle(t: Floats, y: Floats, t0: float, period: float) -> float:
    """The time near `t0` at which the beat's sinusoid is greatest; far from it where there is none near."""
    at = t0
    for _ in range(_STEPS):
        at += float(np.angle(_phasor(t, y, at, period))) / (2 * math.pi) * period
    return at


def shortest_period(angles: list[float]) -> float:
    """The smallest angle by which the set of firing angles turns into itself, degrees; 720 where there is none."""
    places = np.asarray(angles)
    for parts in range(len(angles), 1, -1):
        step = CYCLE_DEG / parts
        away = np.abs((places[:, None] + step - places[None, :] + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2)
        if (away.min(axis=1) <= _SAME_ANGLE_DEG).all():
            return step
    return CYCLE_DEG


def _phasor(t: Floats, y: Floats, at: float, period: float) -> complex:
    """Amplitude and phase of the beat's sinusoid around one time; phase 0: a crest is there."""
    into = (t - at) / period
    near = np.abs(into) < _ARM
    weight = 0.5 + 0.5 * np.cos(math.pi * into[near] / _ARM)
    total = float(weight.sum())
    if total <= 0:
        return 0j
    level = float(weight @ y[near]) / total
    return complex(
        2.0 / total * np.sum(weight * (y[near] - level) * np.exp(-2j * math.pi * into[near]))
    ).conjugate()
