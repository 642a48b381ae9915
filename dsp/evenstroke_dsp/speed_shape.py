"""How the crank speeds up and slows down between two syncs, read from what the starter draws.

A direct-current starter turns the slower the more it draws: emf - R i = k w, so that
speed = mean speed + g (mean current - current), with one gain g = R/k for a whole crank (the circuit
law of a separately excited or permanent-magnet machine: Fitzgerald, Kingsley and Umans, Electric Machinery,
chapter 7, from memory). Battery voltage falls as the current rises and serves in its stead. Mean
speed is what the two syncs say, so that the angle between them is exact and only its course is estimated.

The gain is not known beforehand. It follows from what each interval bears out, weighed by Bayes' rule on a
grid: the crank seldom stands still or turns back; speed without any current is a starter's usual one; the
inrush at the start tells the current of a starter that stands (`inrush.py`); the sum of speed and drop changes
slowly from cycle to cycle; and every cylinder loads the starter most at the same cylinder angle.

Where the starter's clutch lets the crank run ahead of the rotor, the current tells the rotor's speed only: `clutch_overrun.py`
says by how much the crank is faster, and that is taken off the load, so that all of the above holds of the crank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import savgol_filter

from .blocks import Floats
from .clutch_overrun import ClutchOverrun, Lead
from .engine import CYCLE_DEG
from .history import History, Stretch
from .inrush import Inrush, read_inrush
from .rhythm_tracker import shortest_period
from .setup import DEFAULT_LOWPASS_HZ, Probe, Setup

_SOURCES = ("starter_current", "battery_voltage")

ELECTRIC_S = 0.002
"""Inductance over resistance of a starter's circuit: the current lags by this much (1 to 4 ms: common
practice, no source)."""
_SLOPE_S = 0.008
UNLOADED_RPM = 280.0
_UNLOADED_SPREAD = 0.25
"""Crank speed that a starter would reach without load, and the standard deviation of its logarithm: a
load of a quarter to a third of the stall torque at 150 to 250 rpm (common practice, no source)."""
_INRUSH = 0.0
_INRUSH_SPREAD = 0.05
"""Logarithm of the stall current while cranking over what the inrush says of it, and its standard deviation: the battery gives
less by then, and a light rotor turns before it can be seen (130 simulated inrushes of two models, from -0.04 to 0.10)."""
_SWING, _SWING_SPREAD = 0.45, 0.5
"""Without a level at rest: the slowest moment lies this share below the mean, standard deviation of its
logarithm (common practice, no source)."""
_STEADY_SPREAD = 0.015  # of the sum of speed and drop, from cycle to cycle
_PLACE_SPREAD_DEG = 8.0  # of the angle of greatest load, from cylinder to cylinder
_OUTLIER = 9.0  # a squared deviation counts no more than this
_WORTH_INTERVALS = 2.0  # errors of the model repeat: many intervals say no more than two about places
_SLOWEST_SHARE = 0.97  # of the mean speed that may be lost at the slowest moment
_NEAR_STALL, _ROCKED_SPREAD, _ROCKED_SHARE = 0.92, 0.10, 1.3
"""But where the current came so near to what the starter draws at a standstill: compression may have rocked the crank back until
its leaks let it pass; spread of what that adds, and what is lost at most (simulated twins turn back at up to a quarter of their
mean speed)."""
_CREEPS = 1e-3  # of what a crank that stands is off constant speed: an angle that is told must ascend
_LONGEST_ARM_DEG = 90.0
_LOAD_LEADS_DEG = 10.0  # the load is greatest before TDC

_GAINS = np.linspace(math.log(0.02), math.log(16.0), 160)
"""Logarithm of the gain, in units of the first interval's mean speed over its mean load."""

_REST_REACH_S = 4.0
_QUIET_S = 0.1
_RIPPLE_SHARE = 0.75
"""Of the signal's variance over an interval that lies where compression can make it; white noise has less."""
_KNOT_S = 0.010
_FEWEST_SAMPLES = 32
_SMOOTH_S = 0.02
_SLOWEST_SAMPLE_S = 0.006
_LONGEST_DEG, _FASTEST_RPM = 2 * CYCLE_DEG, 450.0
"""Where the crank's lead over the rotor is asked for: no more than one sync was missed, and the starter turns the engine."""
_LEAST_OF_SWING = 0.05
"""Of a load's swing, that its mean lies above rest where the clamp passes direct current: simulated starters' swing is 4 times
their mean at most. One that is AC-coupled has next to no mean, and says nothing of the motor's speed without load."""
_LEAST_GAIN_SPREAD = 0.03
_LEAD_GAIN_SPREAD = 0.2
"""Of the logarithm of the gain that goes best with the crank's lead over the rotor, on most simulated cranks."""
_FLOOR_DEG, _SHARE_OF_COURSE = 3.0, 0.20
"""What the model itself gets wrong, beside the gain: see tests/bench/bench_angle.py."""
_SHARE_BESIDE_LEAD, _SHARE_OF_LEAD = 0.15, 1.6
"""Likewise where the crank's lead over the rotor is told, and what of the lead itself may be wrong. Fitted to cranks of 40
drawn engines of `physics` (twins to fives, warm and cold: seeds 100 to 107 of tests/bench/bench_angle.py): a lead is
mostly too small where a rotor is much heavier than the crank, and then by up to its own size."""


@dataclass(frozen=True, slots=True)
class Course:
    """Knots inside an interval: times (seconds, shape (knots,)), share of its angle turned by then, in (0, 1),
    and half a 95 % interval of the angle, degrees either way. overrun_known: what a starter's clutch lets the crank do is in
    both."""

    times: Floats
    share: Floats
    uncertainty_deg: float
    overrun_known: bool = False


@dataclass(slots=True)
class _Evidence:
    """Log-likelihood of each gain, shape (gains,); `scale` turns the grid into degrees per second and unit."""

    scale: float
    intervals: int = 0
    possible: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    rocked: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    prior: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    steady: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    by_lead: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    places: Floats = field(default_factory=lambda: np.zeros(_GAINS.size))
    placed: int = 0
    sum_before: Floats | None = None

    def gain(self) -> tuple[float, float]:
        """The gain's mean, in degrees per second and unit, and the standard deviation of its logarithm."""
        log = self.possible + self.rocked + (self.prior + self.by_lead) / max(self.intervals, 1) + self.steady
        if self.placed:
            log = log + self.places * (min(self.placed, _WORTH_INTERVALS) / self.placed)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = float(weight @ _GAINS)
        return self.scale * math.exp(mean), math.sqrt(float(weight @ (_GAINS - mean) ** 2))


class SpeedShape:
    """Feeds on intervals between syncs in order of time.

    firing_deg: each cylinder's firing TDC, degrees after the sync, or () where that is not known.
    offset_doubt_deg: by how much the sync itself may lie elsewhere, half a 95 % interval, either way.
    `row` and `offset_s`, as a probe's measurer has them, are set once the samples' grid is known.
    """

    def __init__(
        self, setup: Setup, history: History, firing_deg: tuple[float, ...], offset_doubt_deg: float
    ) -> None:
        probes = {p.role: p for p in reversed(setup.probe)}
        self.probe: Probe | None = next((probes[r] for r in _SOURCES if r in probes), None)
        self.row: int | None = None
        self.offset_s = 0.0
        self._history = history
        self._firing = np.sort(np.asarray(firing_deg, dtype=np.float64))
        self._cylinders = setup.engine.cylinders
        self._lowpass_hz = 0.0
        if self.probe is not None:
            self._lowpass_hz = self.probe.lowpass_hz or DEFAULT_LOWPASS_HZ[self.probe.role]
        self._rest: float | None = None
        self._inrush: Inrush | None = None
        self._evidence: _Evidence | None = None
        self._pattern_deg = shortest_period(list(firing_deg)) if firing_deg else CYCLE_DEG
        self._overrun = (
            ClutchOverrun(setup.engine, self._firing, offset_doubt_deg)
            if self.probe is not None and firing_deg
            else None
        )

    def knows(self, until: float) -> bool:
        """Whether all that can be read up to this time has come."""
        return self.probe is None or self.row is None or self._history.until + self.offset_s >= until

    def begin(self, t: float) -> None:
        """A turning begins, with its first sync at `t`: learns the level at rest and the inrush before it."""
        self._evidence = None
        if self._overrun is not None:
            self._overrun.begin()
        load = self._signal(t - _REST_REACH_S, t)
        if load is None or load[0][-1] - load[0][0] < 2 * _QUIET_S:
            return
        times, x = load
        low, high = float(np.quantile(x, 0.05)), float(x.max())
        quiet = x < low + 0.05 * (high - low)
        first = times < times[0] + _QUIET_S
        if quiet[first].all() and not quiet[-1]:
            self._rest = float(np.median(x[quiet]))
            self._inrush = read_inrush(times, x - self._rest, float(x[first].std()), self._lowpass_hz)

    def between(self, t0: float, t1: float, deg: float) -> Course | None:
        """How the crank turned `deg` degrees from one sync to the next; None where nothing tells."""
        load = self._load(t0, t1)
        if load is None:
            return None
        times, x = load
        if not self._is_rhythm(x, deg):
            return None
        lead = self._lead(t0, t1, deg, times, x)
        t, speed = times - t0, deg / (t1 - t0)
        ahead, faster = _ahead(lead, times)
        lost, above = self._weigh(t, x, ahead, faster, speed, deg)
        assert self._evidence is not None
        if lead is not None:
            off = (_GAINS - math.log(lead.gain / self._evidence.scale)) / _LEAD_GAIN_SPREAD
            self._evidence.by_lead -= 0.5 * np.minimum(off**2, _OUTLIER)
        gain, spread = self._evidence.gain()
        gain = min(gain, _ROCKED_SHARE * speed / above)
        inside = np.arange(t[0] + _KNOT_S, t1 - t0 - _KNOT_S / 2, _KNOT_S)
        crank = speed * inside - gain * np.interp(inside, t, lost)
        course = gain * float(np.abs(lost).max())
        own = _FLOOR_DEG + _SHARE_OF_COURSE * course
        by_lead = 0.0
        if lead is not None:
            crank = crank + np.interp(inside, t, ahead)
            own = _FLOOR_DEG + _SHARE_BESIDE_LEAD * course
            by_lead = _SHARE_OF_LEAD * float(np.abs(ahead).max())
        turned = _onward(crank, inside * speed)
        back = float(np.abs(turned - crank).max())
        uncertainty = math.hypot(1.96 * spread * course, own, by_lead, back)
        return Course(t0 + inside, turned / deg, uncertainty, lead is not None)

    def _lead(self, t0: float, t1: float, deg: float, times: Floats, x: Floats) -> Lead | None:
        """How the crank led the starter's rotor, None where that cannot be told."""
        rest = self._rest_level(float(np.trapezoid(x, times)) / (times[-1] - times[0]))
        if self._overrun is None or rest is None or (deg + 0.5) % self._pattern_deg > 1.0:
            return None
        if deg > _LONGEST_DEG or deg / (t1 - t0) > 6.0 * _FASTEST_RPM:
            return None
        before = self._load(t0 - (t1 - t0) / self._firing.size, t1) if self._evidence is not None else None
        if before is not None:
            times, x = before
        even = float(np.median(np.diff(times)))
        if even > _SLOWEST_SAMPLE_S:
            return None
        gain, spread = self._gain_before(times, x, t0, t1, deg)
        window = max(round(_SMOOTH_S / even), 4) // 2 * 2 + 1
        grid = np.arange(times[0], times[-1], even)
        smooth = savgol_filter(np.interp(grid, times, x), window, 2) - rest
        if float(smooth[grid >= t0].mean()) < _LEAST_OF_SWING * float(np.ptp(smooth)):
            return None
        # The clutch holds where the load is greatest; a turning's first interval has nothing before it.
        early = grid < t0
        begins = int(np.argmax(np.where(early, smooth, -np.inf))) if early.any() else 0
        spread = max(spread, _LEAST_GAIN_SPREAD)
        return self._overrun.between(grid[begins:], smooth[begins:], t0, t1, deg, gain, spread)

    def _gain_before(self, times: Floats, x: Floats, t0: float, t1: float, deg: float) -> tuple[float, float]:
        """The gain that the intervals before bear out; of a turning's first, what it says without any lead."""
        if self._evidence is not None:
            return self._evidence.gain()
        none = np.zeros(times.size)
        self._weigh(times - t0, x, none, 0.0, deg / (t1 - t0), deg)
        assert self._evidence is not None
        gain = self._evidence.gain()
        self._evidence = None
        return gain

    def recorded(self, t0: float, t1: float) -> bool:
        """Whether the load between two times is there as a whole, whatever it tells."""
        return self._load(t0, t1) is not None

    def _load(self, t_from: float, t_to: float) -> tuple[Floats, Floats] | None:
        """The load on the starter between two times, larger = more, as without the circuit's lag; None where it was not recorded
        whole."""
        signal = self._signal(t_from, t_to)
        return None if signal is None else (signal[0], _without_lag(*signal))

    def _signal(self, t_from: float, t_to: float) -> tuple[Floats, Floats] | None:
        """Likewise, as recorded."""
        if self.probe is None or self.row is None:
            return None
        piece: Stretch | None = self._history.piece(t_from - self.offset_s, t_to - self.offset_s)
        if piece is None or piece.t.size < _FEWEST_SAMPLES:
            return None
        t, x = piece.t + self.offset_s, piece.values[self.row]
        inside = (t >= t_from) & (t <= t_to)
        if inside.sum() < _FEWEST_SAMPLES or piece.lost[self.row][inside].any():
            return None
        sign = -1.0 if self.probe.role == "battery_voltage" else 1.0
        return t[inside], sign * x[inside]

    def _is_rhythm(self, x: Floats, deg: float) -> bool:
        """Whether what moves in the signal is slow enough to come from compression strokes."""
        level = x - np.linspace(x[0], x[-1], x.size)
        power = np.abs(np.fft.rfft(level - level.mean())) ** 2
        highest = math.ceil((1.5 * self._cylinders + 2) * deg / 720.0)
        total = float(power.sum())
        return total > 0 and float(power[: highest + 1].sum()) >= _RIPPLE_SHARE * total

    def _weigh(
        self, t: Floats, x: Floats, ahead: Floats, faster: float, speed: float, deg: float
    ) -> tuple[Floats, float]:
        """Adds what one interval says about the gain.

        ahead, faster: as `_ahead` has them. Returns the degrees lost to a gain of one, the integral of what the load is above
        its mean, and how far it is above that at most.
        """
        mean = float(np.trapezoid(x, t)) / (t[-1] - t[0])
        lost = np.concatenate([[0.0], np.cumsum((x[1:] + x[:-1]) / 2 * np.diff(t))])
        lost -= mean * (t - t[0])
        lost -= lost[-1] * (t - t[0]) / (t[-1] - t[0])
        above = max(float(x.max()) - mean, 1e-12)
        rest = self._rest_level(mean)
        if self._evidence is None:
            self._evidence = _Evidence(speed / (mean - rest if rest is not None else above))
        evidence = self._evidence
        evidence.intervals += 1
        gains = evidence.scale * np.exp(_GAINS)
        slowed = gains * above / speed
        most = _SLOWEST_SHARE
        if (
            self._inrush is not None
            and rest is not None
            and x.max() - rest > _NEAR_STALL * self._inrush.stall
        ):
            most = _ROCKED_SHARE
            rocked = -0.5 * (np.maximum(slowed - _SLOWEST_SHARE, 0.0) / _ROCKED_SPREAD) ** 2
            evidence.rocked = np.minimum(evidence.rocked, rocked)
        evidence.possible -= 0.5 * (np.maximum(slowed - most, 0.0) / 0.03) ** 2
        if rest is None:
            evidence.prior -= 0.5 * (np.log(slowed / _SWING) / _SWING_SPREAD) ** 2
        else:
            rotor = speed - faster
            unloaded = (rotor + gains * (mean - rest)) / 6.0
            evidence.prior -= 0.5 * (np.log(unloaded / UNLOADED_RPM) / _UNLOADED_SPREAD) ** 2
            stall = mean - rest + rotor / gains
            if self._inrush is not None:
                over = np.log(stall / self._inrush.stall) - _INRUSH
                spread = math.hypot(_INRUSH_SPREAD, self._inrush.spread)
                evidence.prior -= 0.5 * np.minimum((over / spread) ** 2, _OUTLIER)
            total = rotor + gains * (mean - rest)
            if evidence.sum_before is not None:
                step = np.log(total / evidence.sum_before) / _STEADY_SPREAD
                evidence.steady -= 0.5 * np.minimum(step**2, _OUTLIER)
            evidence.sum_before = total
        away = self._places(t, x, ahead, lost, speed, gains, deg)
        if away is not None:
            evidence.places -= 0.5 * away
            evidence.placed += 1
        return lost, above

    def _rest_level(self, mean: float) -> float | None:
        """The signal at rest; a scaled current is zero there. None where no level below the mean is known."""
        scaled = self.probe is not None and self.probe.volts_per_unit is not None
        known = self._rest
        if known is None and scaled and self.probe is not None and self.probe.role == "starter_current":
            known = 0.0
        return known if known is not None and known < mean else None

    def _places(
        self, t: Floats, x: Floats, ahead: Floats, lost: Floats, speed: float, gains: Floats, deg: float
    ) -> Floats | None:
        """Squared deviations of where each cylinder's greatest load lies, for each gain, shape (gains,)."""
        if self._firing.size < 2 or self._firing.size > 6 or deg != 720.0:
            return None
        arms = np.diff(np.concatenate([self._firing, [self._firing[0] + 720.0]]))
        arm = min(_LONGEST_ARM_DEG, 0.45 * float(arms.min()))
        straight = speed * t + ahead
        off = []
        for firing in self._firing:
            window = np.abs((straight - firing + _LOAD_LEADS_DEG + 360.0) % 720.0 - 360.0) < arm
            if window.sum() < 5:
                continue
            k = int(np.flatnonzero(window)[int(np.argmax(x[window]))])
            off.append((straight[k] - gains * lost[k] - firing + 360.0) % 720.0 - 360.0)
        if len(off) < 2:
            return None
        away = np.asarray(off) - np.mean(off, axis=0)
        squares: Floats = np.minimum((away / _PLACE_SPREAD_DEG) ** 2, _OUTLIER).sum(axis=0)
        return squares * (len(off) - 1) / len(off)


def _without_lag(t: Floats, x: Floats) -> Floats:
    """The load as it would be without the circuit's lag. By slopes of single samples their noise would be three times as large,
    so that neither rest nor inrush could be told from it."""
    window = round(_SLOPE_S / float(np.median(np.diff(t)))) // 2 * 2 + 1
    # A recording that begins just before its first sync may hold less than a window.
    if not 5 <= window <= t.size:
        return x + ELECTRIC_S * np.gradient(x, t)
    smooth = savgol_filter(x, window, 2)
    return smooth + ELECTRIC_S * np.gradient(smooth, t)


def _ahead(lead: Lead | None, times: Floats) -> tuple[Floats, float]:
    """Degrees by which the crank leads a rotor that turns as far from the first time to the last, shape of `times`, and by how
    much it is faster than the real one on the mean, degrees per second."""
    if lead is None:
        return np.zeros(times.size), 0.0
    rate = np.interp(times, lead.times, lead.rate)
    ahead = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 * np.diff(times))])
    mean = float(ahead[-1]) / (times[-1] - times[0])
    return ahead - mean * (times - times[0]), mean


def _onward(turned: Floats, straight: Floats) -> Floats:
    """How far a crank got that turned by so much, shape (knots,): one that is rocked back stands until it passes that place
    again. straight: likewise at constant speed."""
    reached = np.clip(np.maximum.accumulate(turned), 0.0, straight[-1])
    return np.asarray(reached + _CREEPS * (straight - reached))
