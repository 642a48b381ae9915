"""How the crank's speed goes between two syncs where neither current nor voltage tells: as compression makes it.

Compression takes energy from the crank and expansion gives it back, while the starter pulls harder the slower
it turns. With w the speed, w0 its mean and x the crank angle, J w dw/dx = torque of the gas - D (w - w0), so that
u = (w/w0)^2 follows, to first order, du/dx = 2 K tau(x) - (u - 1) / L. tau is the gas torque of all cylinders
over p0 times one cylinder's swept volume: a slider-crank (J. Heywood, Internal Combustion Engine Fundamentals, chapter 2)
that compresses by a power law. K = p0 swept / (J w0^2) says how light the crank is, L = J w0 / D within how many radians
the starter makes good what was lost.

Neither is known, nor whether every cylinder compresses. So many engines are drawn from what engines are like, and what
the exhaust pulses say is weighed by Bayes' rule: where firing is even, each pulse's fundamental comes as much late against even
spacing as the crank was late there. That tells a cylinder that compresses less, and little of what all cylinders do alike.
The course is the mean over the draws; its uncertainty what they stray from it, more where the pulses lie as no draw explains.
`tests/bench/bench_angle.py` measures both, for healthy engines and with `--leak` for others.

The phases of the pulses' harmonics (`pulse_evidence`) were tried as evidence for K and L, and left out: mixed with valve
timing, delay and the probe's corner, they make fours worse (4.1 degrees RMS to 5.1 with an intake, to 6.3 with an exhaust
probe; threes 5.3 to 8.8 and 6.1; four engines each), and what was stated no longer held. So were the lags of intake pulses.
"""

from __future__ import annotations

import itertools
import math

import numpy as np

from .blocks import Floats
from .engine import CYCLE_DEG
from .gas_torque import CLOSES_DEG, RATIO, rod_over_crank, travel
from .history import History
from .rhythm_tracker import RhythmSource, shortest_period
from .setup import Engine, Setup
from .speed_shape import Course

_LIKE_RPM = 180.0
_LIGHTNESS, _LIGHTNESS_OFFSET, _LIGHTNESS_SPREAD = 2.2, 1.1, 0.5
"""Median of K at 180 rpm is the first over (cylinders + the second), and the standard deviation of its logarithm: cranks of
0.04 kg m2 and 0.075 more for each litre filled to atmosphere give 2.9 / (cylinders + 1.1); fitted to simulated cranks, whose
gas is thinner, 0.3 to 0.9 for threes and fours. Since starters' rotors and clutches are drawn as widely as they are, both this
and the next were tried anew, by 15 % and by 25 % either way: on 40 drawn engines (twins to sixes) neither gains. Nor does the
gas torque of `gas_torque.py`, that loses more after TDC: threes go from 4.3 to 5.3 degrees RMS, twins from 24 to 26. A real
four's is among them (`tests/dsp/test_real_captures.py`)."""
_RECOVERY, _RECOVERY_SPREAD = 0.9, 0.35
"""Median of K L at 180 rpm times the cylinders, and its spread: it knows no inertia, only how much more the starter pulls
for each rpm less (fitted to simulated cranks: 0.5 to 2)."""
_WEAK, _WEAK_SHARES = 0.3, (0.7, 0.35, 0.0)
"""How likely one cylinder compresses less than the others, and how much is left of it: engines that are tested have faults."""
_DRAWS = np.linspace(-2.1, 2.1, 7)
_STOOD, _GOES_ON = -0.2, 0.0
"""Least u to first order at which a draw would have stood still, and from which on it surely goes on: the crank did."""
_SLOWEST = 0.03  # u at its least, as cranks show it
_FEWEST = 0.02  # weight of the draws that go on, before anything is said
_STEP_DEG = 3.0
_STEPS = round(CYCLE_DEG / _STEP_DEG)
_EXPONENT = 1.3
_LOST_IN_HEAT = 0.10  # of the pressure, on the way down
_ERROR_DEG, _SHARE_OF_COURSE = 2.5, 0.15
"""What the model itself gets wrong (`tests/bench/bench_angle.py`)."""

_TELLING = frozenset({3, 4, 6, 8})
"""Cylinders of engines whose exhaust pulses were seen to lag as the crank does, within _LAG_SHARE of the largest lag, since a
weak cylinder also makes other pulses. A five's do not, and intake pulses do not: a dead cylinder moves its own by 50 degrees."""
_LAG_SHARE = 0.3
_TOLD, _UNTOLD = 0.95, 0.99
"""Share of the draws that stay within what is stated; where nothing tells a weak cylinder, of those that have one (at
0.97 a dead cylinder's cycles were held in 30 to 60 % on sixes, fours and V6s; at 0.99 in all)."""
_LAG_ERROR_DEG, _FIRST_LAG_ERROR_DEG = 0.7, 3.0
"""Standard deviation of a healthy engine's lags, by their unevenness and by noise before a second cycle shows it."""
_STEADY = 0.03  # logarithm of speed over the one before: in a cycle that changes more, pulses lag by that


class CompressionCourse:
    """Feeds on intervals between syncs in order of time.

    firing_deg: each cylinder's firing TDC, degrees after the sync, in firing order, or () where that is not known.
    offset_doubt_deg: by how much the sync itself may lie elsewhere, half a 95 % interval, either way.
    """

    def __init__(
        self, setup: Setup, history: History, firing_deg: tuple[float, ...], offset_doubt_deg: float
    ) -> None:
        engine = setup.engine
        self._history = history
        self._firing = np.asarray(firing_deg, dtype=np.float64)
        self._pattern_deg = shortest_period(list(firing_deg)) if firing_deg else CYCLE_DEG
        even = bool(firing_deg) and self._pattern_deg * engine.cylinders <= CYCLE_DEG + 1.0
        heard = [p for p in setup.probe if p.role == "exhaust_pulse"] if even else []
        whole = [p for p in heard if len(setup.sees(p)) == engine.cylinders and engine.cylinders in _TELLING]
        self.source = RhythmSource.of(setup, whole[0]) if whole else None
        """The probe whose pulses tell; its `row` and `offset_s` are set once the samples' grid is known."""
        self._torque = np.fft.rfft(_gas_torque(engine))
        self._torque[0] = 0.0
        self._offsets = np.array([-0.5, 0.0, 0.5] if offset_doubt_deg else [0.0]) * offset_doubt_deg
        open_holes = {fitted.cylinder for fitted in setup.fitted if fitted.plug_removed}
        alike = np.array([0.0 if c in open_holes else 1.0 for c in engine.firing_order[: len(firing_deg)]])
        self._shares, self._likely = _cylinders(alike)
        into = (
            np.arange(_STEPS) * _STEP_DEG - self._firing[:, None] - self._pattern_deg / 2
        ) / self._pattern_deg
        periods = CYCLE_DEG / self._pattern_deg
        away = (into + periods / 2) % periods - periods / 2
        self._windows = np.where(np.abs(away) < 1.0, 0.5 + 0.5 * np.cos(math.pi * away), 0.0)
        self._carrier = self._windows * np.exp(-2j * math.pi * into)
        self.begin()

    def begin(self) -> None:
        """A turning begins: what the pulses said before is another turning's."""
        self._heard, self._lags = 0, np.zeros(self._firing.size)
        self._scattered = np.zeros(self._firing.size)
        """Cycles whose lags were read, the mean of these, and the sum of the squares of what they are off it: as much in
        the thousandth cycle as in the second."""

    @property
    def told(self) -> bool:
        """Whether pulses have said anything of this turning."""
        return self._heard > 0

    def knows(self, until: float) -> bool:
        """Whether all that can be read up to this time has come."""
        source = self.source
        return source is None or source.row is None or self._history.until + source.offset_s >= until

    def between(self, t0: float, t1: float, deg: float, change: float) -> Course | None:
        """How the crank turned `deg` degrees from one sync to the next; None where the model does not reach.

        change: logarithm of the speed over that of the interval before; infinite where there was none.
        """
        if not self._firing.size or (deg + 0.5) % self._pattern_deg > 1.0:
            return None
        if abs(change) <= _STEADY and deg == CYCLE_DEG:
            self._listen(t0, t1)
        ahead, weights = self._ahead(deg / (t1 - t0) / 6.0)
        if weights.sum() < _FEWEST:
            return None
        weights, unexplained = self._weighed(ahead, weights / weights.sum())
        turns = np.arange(round(deg / _STEP_DEG) + 1) % _STEPS
        courses = ahead[:, turns]
        # Each is exact at both syncs, also where these are less than a cycle apart.
        ends = courses[:, -1:] - courses[:, :1]
        courses = courses - courses[:, :1] - ends * np.linspace(0.0, 1.0, turns.size)
        mean: Floats = weights @ courses
        strays = np.abs(courses - mean).max(axis=1)
        doubtful, share = weights, _TOLD
        if not self._heard:
            share = _UNTOLD
            weak = np.repeat(np.arange(self._likely.size) > 0, weights.size // self._likely.size)
            doubtful = weights * weak / float(weights[weak].sum())
        order = np.argsort(strays)
        widest = float(np.interp(share, np.cumsum(doubtful[order]), strays[order]))
        model = _ERROR_DEG + _SHARE_OF_COURSE * float(np.abs(mean).max())
        turned: Floats = np.arange(1, turns.size - 1) * np.float64(_STEP_DEG)
        times = t0 + (turned - mean[1:-1]) / deg * (t1 - t0)
        return Course(times, turned / deg, math.hypot(widest, model) + unexplained)

    def _ahead(self, rpm: float) -> tuple[Floats, Floats]:
        """Degrees by which the crank of each draw is ahead of a constant speed, every _STEP_DEG of a cycle after the sync,
        shape (draws, steps), and how likely the draws are, summing to less than one where some would have stood still."""
        cylinders = self._firing.size
        slower = _LIKE_RPM / rpm
        draws = np.array(list(itertools.product(_DRAWS, _DRAWS[::2], self._offsets)))
        light = (
            _LIGHTNESS / (cylinders + _LIGHTNESS_OFFSET) * slower**2 * np.exp(_LIGHTNESS_SPREAD * draws[:, 0])
        )
        recovery = _RECOVERY / cylinders * slower * np.exp(_RECOVERY_SPREAD * draws[:, 1]) / light
        likely = np.exp(-0.5 * (draws[:, :2] ** 2).sum(axis=1))
        likely = np.multiply.outer(self._likely, likely / likely.sum()).ravel()
        orders = np.arange(self._torque.size)
        each = np.exp(-0.5j * np.outer(np.radians(self._firing), orders))
        response = 2.0 * light[:, None] / (0.5j * orders + 1.0 / recovery[:, None])
        response = response * np.exp(-0.5j * np.outer(np.radians(draws[:, 2]), orders))
        gas = self._torque * (self._shares @ each)
        squared = 1.0 + np.fft.irfft(gas[:, None, :] * response[None, :, :], _STEPS).reshape(-1, _STEPS)
        likely = likely * np.clip((squared.min(axis=1) - _STOOD) / (_GOES_ON - _STOOD), 0.0, 1.0)
        slowness = 1.0 / np.sqrt(np.maximum(squared, _SLOWEST))
        passed = np.cumsum((slowness + np.roll(slowness, -1, axis=1)) / 2, axis=1)
        at = np.roll(passed, 1, axis=1) / passed[:, -1:]
        at[:, 0] = 0.0
        return _STEP_DEG * np.arange(_STEPS) - CYCLE_DEG * at, likely

    def _listen(self, t0: float, t1: float) -> None:
        """By how many degrees each pulse of one cycle lags behind even spacing at constant speed, shape (cylinders,)."""
        heard = self.source.listen(self._history, t0, t1) if self.source is not None else None
        if heard is None:
            return
        x = np.interp(np.linspace(t0, t1, _STEPS + 1), *heard)
        x = (x - (x[-1] - x[0]) * np.linspace(0.0, 1.0, x.size))[:-1]
        phasors = self._carrier @ (x - x.mean())
        phase = np.angle(phasors * np.conj(phasors.sum()))
        lags = -phase / (2 * math.pi) * self._pattern_deg
        self._heard += 1
        off = lags - self._lags
        self._lags = self._lags + off / self._heard
        self._scattered = self._scattered + off * (lags - self._lags)

    def _weighed(self, ahead: Floats, weights: Floats) -> tuple[Floats, float]:
        """The draws' weights after what the pulses said so far, and the degrees that these lag, or may, as no draw explains."""
        heard, lags = self._heard, self._lags
        if not heard:
            return weights, 0.0
        scatter = (
            math.sqrt(float(self._scattered.mean()) / (heard - 1)) if heard > 1 else _FIRST_LAG_ERROR_DEG
        )
        other = _LAG_SHARE * float(np.abs(lags).max())
        error = math.hypot(_LAG_ERROR_DEG, scatter / math.sqrt(heard), other)
        behind = -ahead @ (self._windows / self._windows.sum(axis=1, keepdims=True)).T
        behind -= behind.mean(axis=1, keepdims=True)
        fit = -0.5 * (((behind - lags) / error) ** 2).sum(axis=1)
        weights = weights * np.exp(fit - fit[weights > 0].max())
        weights = weights / weights.sum()
        return weights, float(np.abs(weights @ behind - lags).max()) + other


def _cylinders(alike: Floats) -> tuple[Floats, Floats]:
    """What is left of each cylinder's compression, shape (cases, cylinders), and how likely each case is."""
    cases, likely = [alike], [1.0 - _WEAK]
    for k, share in itertools.product(range(alike.size), _WEAK_SHARES):
        cases.append(np.where(np.arange(alike.size) == k, alike * share, alike))
        likely.append(_WEAK / (alike.size * len(_WEAK_SHARES)))
    return np.array(cases), np.array(likely)


def _gas_torque(engine: Engine) -> Floats:
    """Of one cylinder over its own cycle from firing TDC on, every _STEP_DEG, over p0 times its swept volume."""
    ratio = engine.compression_ratio or RATIO
    closes = engine.valve_events_deg.intake_closes or CLOSES_DEG
    rod = rod_over_crank(engine)
    after: Floats = (np.arange(_STEPS) * np.float64(_STEP_DEG) + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2
    shut_deg = CYCLE_DEG - closes  # before TDC
    clearance = 1.0 / (ratio - 1.0)
    pressure = ((clearance + travel(shut_deg, rod)) / (clearance + travel(after, rod))) ** _EXPONENT
    pressure *= np.where(after > 0, 1.0 - _LOST_IN_HEAT, 1.0)
    slope = (travel(after + 0.5, rod) - travel(after - 0.5, rod)) / math.radians(1.0)
    return np.asarray(np.where(np.abs(after) < shut_deg, np.maximum(pressure - 1.0, 0.0) * slope, 0.0))
