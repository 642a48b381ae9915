"""Where in its pattern a toothed wheel stands, from a run of edges, with how sure that is.

For each place at which the run may begin, the edges give a course of the crank's speed. At the true place that course is
smooth and repeats with the firing; at a wrong one it jumps wherever a gap is taken for teeth or teeth for a gap.
How likely each course is follows from a Gaussian process over crank angle (C. Rasmussen and C. Williams,
Gaussian Processes for Machine Learning, 2006, equation 2.30), so that strong compression and a spin-up are no
obstacle, and a run that fits two places is not taken.
"""

from __future__ import annotations

import bisect
import functools
import itertools
import math
from dataclasses import dataclass

import numpy as np

from .blocks import Floats

_LEVEL = 10.0  # standard deviation of the logarithm of speed: not known at all
_SLOW_DEG, _SLOW = 300.0, 0.6  # spin-up and run-out
_RIPPLE_DEG, _RIPPLE = 40.0, 0.35
_QUICK_DEG, _QUICK = 12.0, 0.12
"""Compression: within how many crank degrees speed changes, and the standard deviation of its logarithm; a single
cylinder swings by 3 to 1. What is quick is the sharp turn at TDC."""
_FIRING, _FIRING_SHARPNESS = 0.35, 1.0  # what repeats from one firing to the next
_SWINGS = (0.15, 1.0, 2.0)
"""Multiples of these: an engine that turns evenly, one that compression slows, and one that it all but stops; any may be."""
_TOOTH, _BESIDE_GAP = 0.03, 0.08
"""Unevenness of teeth, and of the intervals beside and across a gap where a pick-up shifts the edges."""
_SURE = math.log(3000.0)  # odds against all other places together
_MISFIT = 2.0  # the most that the course may be less likely than its prior, squared deviations per interval
_STRANGEST = 6.0  # standard deviations of one interval from what the others lead to expect
_BOUNCE = 0.3  # of the closest spacing of the pattern
_FEW_TEETH, _MANY_TEETH = 20, 30
_TOOTH_OF_MANY = 0.05
_SEARCHES = 12  # in a revolution
_KEPT_WHILE_LEARNING = 512  # edges
_LIKELY_PLACES, _LIKELY_OF_MANY, _FEW_GAPS = 24, 12, 4
"""Places of several gaps: of those that alone explain most, all arrangements are tried."""


class WheelPattern:
    """Spacing of the edges used in one revolution, degrees, from the edge that begins the longest run."""

    def __init__(self, spacings: Floats) -> None:
        self.spacings = spacings
        self.edges = int(spacings.size)
        self.starts = np.concatenate([[0.0], np.cumsum(spacings)[:-1]])

    @classmethod
    def of(cls, teeth: str | tuple[float, ...]) -> WheelPattern | None:
        """The pattern of a set-up's `teeth`; None where several gaps must be learnt first."""
        if not isinstance(teeth, str):
            angles = np.asarray(teeth, dtype=np.float64)
            return cls(np.diff(np.concatenate([angles, [angles[0] + 360.0]])))
        slots, *gaps = (int(part) for part in teeth.split("-"))
        if len(gaps) > 1:
            return None
        unit = 360.0 / slots
        runs = [unit] * (slots - gaps[0] - 1)
        return cls(np.asarray([*runs, unit * (gaps[0] + 1)]))


class _GapLearner:
    """Learns where the several gaps of a wheel lie, from two revolutions that agree on it."""

    def __init__(self, teeth: str) -> None:
        self._slots, *gaps = (int(part) for part in teeth.split("-"))
        self._gaps = tuple(gaps)
        self._edges = self._slots - sum(gaps)
        deg = np.arange(2 * self._edges) * np.float64(360.0 / self._edges)
        self._inverse = _inverse(_covariance(deg, np.full(2 * self._edges, _TOOTH)))
        self._stiff = self._inverse.reshape(2, self._edges, 2, self._edges).sum(axis=(0, 2))

    def learn(self, times: Floats) -> WheelPattern | None:
        """times: the latest edges, seconds. None where they are too few, or fit two arrangements."""
        intervals = np.diff(times)[-2 * self._edges :]
        if intervals.size < 2 * self._edges or (intervals <= 0).any():
            return None
        # The course of the speed if there were no gap; a gap adds the logarithm of its pitches at one place.
        pull = (self._inverse @ -np.log(intervals)).reshape(2, self._edges).sum(axis=0)
        least = np.log(min(self._gaps) + 1.0)
        alone = least * pull + 0.5 * least**2 * np.diag(self._stiff)
        likely = np.sort(
            np.argsort(alone)[: _LIKELY_PLACES if len(self._gaps) <= _FEW_GAPS else _LIKELY_OF_MANY]
        )
        places = np.array(list(itertools.combinations(likely.tolist(), len(self._gaps))))
        costs, orders = [], sorted(set(itertools.permutations(self._gaps)))
        for order in orders:
            size = np.log(np.asarray(order) + 1.0)
            stiff = self._stiff[places[:, :, None], places[:, None, :]]
            costs.append(pull[places] @ size + 0.5 * np.einsum("i,nij,j->n", size, stiff, size))
        cost = np.stack(costs)
        first, second = np.partition(cost.ravel(), 1)[:2]
        if second - first < _SURE:
            return None
        which, at = np.unravel_index(int(np.argmin(cost)), cost.shape)
        multiples = np.ones(self._edges)
        multiples[places[at]] = np.asarray(orders[which]) + 1
        # Begin with the edge after the gap that the longest unbroken run follows.
        after_gap = (np.flatnonzero(multiples > 1) + 1) % self._edges
        run = [int(np.argmax(np.roll(multiples, -int(k)) > 1)) for k in after_gap]
        begin = int(after_gap[int(np.argmax(run))])
        return WheelPattern(np.roll(multiples, -begin) * (360.0 / self._slots))


@dataclass(frozen=True, slots=True)
class Locked:
    """Edges whose teeth are known: `tooth` is the first one's; `rejected` edges among them were bounce."""

    times: Floats
    tooth: int
    misfit: float
    rejected: int


class WheelLock:
    """Finds the place of a run of edges in the wheel's pattern.

    firing_deg: crank degrees after which the firing rhythm repeats; None where it is not known.
    """

    def __init__(self, teeth: str | tuple[float, ...], firing_deg: float | None = None) -> None:
        self._firing_deg = firing_deg
        self.pattern = WheelPattern.of(teeth)
        self._learner = _GapLearner(teeth) if self.pattern is None and isinstance(teeth, str) else None

    @property
    def longest(self) -> int:
        """How many edges a search looks back."""
        return _KEPT_WHILE_LEARNING if self.pattern is None else 2 * max(self._lengths())

    @property
    def patience(self) -> int:
        """How many more edges to wait for after a search in vain: a part of a revolution."""
        return 1 if self.pattern is None else 1 + self.pattern.edges // _SEARCHES

    def _lengths(self) -> list[int]:
        """Intervals in a run: two revolutions and one more, or twice that where teeth are few."""
        assert self.pattern is not None
        edges = self.pattern.edges
        return [2 * edges + 1] if edges > _FEW_TEETH else [2 * edges + 1, 4 * edges + 1]

    def find(self, recent: list[float]) -> Locked | None:
        """The place of the latest edges (seconds, ascending), where one fits and no other does."""
        if self._learner is not None and self.pattern is None:
            self.pattern = self._learner.learn(np.asarray(recent))
        if self.pattern is None:
            return None
        for count in self._lengths():
            if len(recent) <= count:
                return None
            times = np.asarray(recent[-2 * count :])
            found = self._place(times[-count - 1 :])
            if found is None and self.pattern.edges > _FEW_TEETH:
                times = self._without_bounce(times)
                found = self._place(times[-count - 1 :]) if times.size > count else None
            if found is not None:
                times = times[-count - 1 :]
                between = len(recent) - bisect.bisect_left(recent, float(times[0]))
                return Locked(times, *found, rejected=between - times.size)
        return None

    def _without_bounce(self, times: Floats) -> Floats:
        """The edges but those that come closer to the one before than teeth can, for the speed around them.

        Every tooth may bounce once: the longer half of the intervals tells the speed.
        """
        assert self.pattern is not None
        closest = float(self.pattern.spacings.min() / np.median(self.pattern.spacings))
        intervals = np.diff(times)
        around = np.lib.stride_tricks.sliding_window_view(np.pad(intervals, 4, mode="edge"), 9)
        far = intervals >= _BOUNCE * closest * np.quantile(around, 0.75, axis=1)
        return np.asarray(times[np.append(True, far)])

    def _place(self, times: Floats) -> tuple[int, float] | None:
        """Tooth number of the first edge and the misfit."""
        assert self.pattern is not None
        spacings, edges = self.pattern.spacings, self.pattern.edges
        intervals = np.diff(times)
        if (intervals <= 0).any():
            return None
        inverses, scales = _model(tuple(spacings.tolist()), intervals.size, self._firing_deg)
        places = (np.arange(edges)[:, None] + np.arange(intervals.size)[None, :]) % edges
        courses = np.log(spacings[places] / intervals[None, :])
        courses -= courses.mean()
        # A course away from its neighbours' by weighed / inverse's diagonal (Rasmussen and Williams, equation 5.12).
        weighed = _weighed(courses, inverses)
        squares = np.einsum("spi,pi->sp", weighed, courses)
        likelihood = np.logaddexp.reduce(scales - 0.5 * squares, axis=0)
        best = int(np.argmax(likelihood))
        others = np.delete(likelihood, best)
        sure = likelihood[best] - float(np.logaddexp.reduce(others))
        swing = int(np.argmax(scales[:, best % scales.shape[1]] - 0.5 * squares[:, best]))
        stiff = np.diagonal(inverses[swing, best % inverses.shape[1]])
        strangest = float((np.abs(weighed[swing, best]) / np.sqrt(stiff)).max())
        misfit = float(squares[swing, best]) / intervals.size
        return (best, misfit) if sure >= _SURE and misfit <= _MISFIT and strangest <= _STRANGEST else None


def _weighed(courses: Floats, inverses: Floats) -> Floats:
    """Inverse covariance times course, shape (swings, places, intervals)."""
    if inverses.shape[1] == 1:
        return np.asarray(courses @ inverses[:, 0])
    return np.asarray(np.matmul(courses[:, None, :], inverses)[:, :, 0, :])


def _inverse(covariance: Floats) -> Floats:
    return np.asarray(np.linalg.inv(covariance), dtype=np.float64)


@functools.lru_cache(maxsize=16)
def _model(spacings: tuple[float, ...], count: int, firing_deg: float | None) -> tuple[Floats, Floats]:
    """For each swing and place: the inverse covariance of a course of `count` intervals, shape (swings, places,
    count, count), and the logarithm of its scale, shape (swings, places).

    Where teeth are many, a gap hardly moves the other teeth, and one covariance does for all places: (swings, 1, ...).
    """
    pitches = np.asarray(spacings)
    edges = pitches.size
    middles: Floats
    noise: Floats
    if edges > _MANY_TEETH:
        middles = np.arange(count)[None, :] * np.float64(360.0 / edges)
        noise = np.full((1, count), _TOOTH_OF_MANY)
    else:
        beside = pitches > 1.3 * float(np.median(pitches))
        beside = beside | np.roll(beside, 1) | np.roll(beside, -1)
        teeth = (np.arange(edges)[:, None] + np.arange(count)[None, :]) % edges
        middles = np.cumsum(pitches[teeth], axis=1) - pitches[teeth] / 2
        noise = np.where(beside[teeth], _BESIDE_GAP, _TOOTH)
    covariance = np.stack([_covariance(middles, noise, swing, firing_deg) for swing in _SWINGS])
    return _inverse(covariance), np.asarray(-0.5 * np.linalg.slogdet(covariance)[1])


def _covariance(deg: Floats, noise: Floats, swing: float = 1.0, firing_deg: float | None = None) -> Floats:
    """Of the logarithm of the speed over intervals whose middles lie at `deg`, shape (..., intervals), and whose own
    unevenness is `noise`: shape (..., intervals, intervals)."""
    away = deg[..., :, None] - deg[..., None, :]
    covariance: Floats = _LEVEL**2 + noise[..., None] ** 2 * np.eye(deg.shape[-1])
    covariance += _SLOW**2 * np.exp(-0.5 * (away / _SLOW_DEG) ** 2)
    for reach, size in ((_RIPPLE_DEG, _RIPPLE), (_QUICK_DEG, _QUICK)):
        covariance += (swing * size) ** 2 * np.exp(-0.5 * (away / reach) ** 2)
    if firing_deg is not None:
        turned = np.sin(math.pi * away / firing_deg) / _FIRING_SHARPNESS
        covariance += (swing * _FIRING) ** 2 * np.exp(-2.0 * turned**2)
    return covariance
