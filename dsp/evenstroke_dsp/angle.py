"""Crank angle against time: the knots that syncs and teeth give, and what lies between them.

Engine angle grows without bound here (720 degrees a cycle); engine angle modulo 720 is the
place in the cycle, 0 = firing TDC of the first cylinder in the firing order.
"""

from __future__ import annotations

import bisect
import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from .blocks import Floats

_WIDE_DEG = 9.0
_PARTS = 8
_BEYOND = 4
"""Between teeth farther apart than this the angle follows a cubic spline over time through so many teeth more on either
side, in so many parts: in a gap, and on a wheel of few teeth, compression changes the speed."""
_GAP_DOUBT, _GAP_DOUBT_DEG, _GAP_DOUBT_POWER = 0.6, 60.0, 1.5
"""What the spline may still be off, as a share of what it is away from the straight line, by how wide the interval is: on
simulated twins a twentieth where 18 degrees are hidden, six tenths at 60 (tests/bench/bench_angle.py)."""
_COARSE, _COARSE_POWER, _COARSEST = 0.06, 2.5, 0.6
_UNSEEN_DEG, _UNSEEN_FROM_DEG, _UNSEEN_LIKE, _UNSEEN_POWER = 25.0, 45.0, 180.0, 1.7
"""And at least, on a wheel of few teeth, where the spline may be near the straight line by chance: this share, as a power of
the width over 60 degrees, of width times swing (logarithm of fastest over slowest interval); and from 45 degrees on what
compression may do unseen within, 25 degrees at 180 degrees of width and 180 rpm. Held in all but 0.1 % of 4600 simulated
cycles of twins to sixes on wheels of 4-1, 6-1, 8-1, 12-1, 24-1 and 60-2, which without it were held in 2, 13, 19, 92, 100 and
99 % (`python tests/bench/bench_angle.py --gaps`)."""


@dataclass(slots=True)
class Rotation:
    """One unbroken turning of the engine, from the first knot after rest to the last before it.

    t, deg: knots, both strictly ascending. `places_known`: engine angle modulo `modulo_deg` is known (360: the
    half-cycle is open). `uncertainty_deg`: half a 95 % interval, either way, of the engine angle at its knots; `doubts` adds to
    it what lies between syncs: (last degree of an interval, uncertainty inside). `pace_deg`: over how many
    degrees its speed at either end is taken. `of_teeth`: the knots show how the speed goes, and are no estimate of it.
    `by_rhythm`: nothing but pulses cut its cycles, so many to each as the set-up has cylinders. `assumed`: first and last degree
    of intervals between syncs inside which nothing that was recorded told how the speed goes.
    """

    t: list[float] = field(default_factory=list)
    deg: list[float] = field(default_factory=list)
    places_known: bool = True
    modulo_deg: float = 720.0
    uncertainty_deg: float | None = None
    doubts: list[tuple[float, float]] = field(default_factory=list)
    pace_deg: float = 180.0
    ended: bool = False
    of_teeth: bool = False
    by_rhythm: bool = False
    assumed: list[tuple[float, float]] = field(default_factory=list)

    @property
    def half_cycle_open(self) -> bool:
        return self.modulo_deg == 360.0

    def add(self, t: float, deg: float) -> None:
        if self.t and (t <= self.t[-1] or deg <= self.deg[-1]):
            raise ValueError("knots of a rotation must ascend")
        self.t.append(t)
        self.deg.append(deg)

    def speed_at_end(self) -> float:
        """Degrees per second over the last `pace_deg`."""
        first = bisect.bisect_left(self.deg, self.deg[-1] - self.pace_deg)
        first = min(first, len(self.t) - 2)
        return (self.deg[-1] - self.deg[first]) / (self.t[-1] - self.t[first])

    def speed_at_start(self) -> float:
        last = max(1, bisect.bisect_right(self.deg, self.deg[0] + self.pace_deg) - 1)
        return (self.deg[last] - self.deg[0]) / (self.t[last] - self.t[0])

    def time_at(self, deg: float) -> float:
        """Seconds at one engine angle."""
        return float(self.times_at(np.array([deg]))[0])

    def times_at(self, deg: Floats) -> Floats:
        """Seconds at ascending engine angles; beyond the knots at the nearest speed."""
        t, degrees = self._course(
            bisect.bisect_left(self.deg, deg[0]) - 1, bisect.bisect_right(self.deg, deg[-1]) + 1
        )
        times = np.interp(deg, degrees, t)
        late, early = deg > self.deg[-1], deg < self.deg[0]
        if late.any():
            times[late] = self.t[-1] + (deg[late] - self.deg[-1]) / self.speed_at_end()
        if early.any():
            times[early] = self.t[0] + (deg[early] - self.deg[0]) / self.speed_at_start()
        return np.asarray(times)

    def times_at_even_speed(self, deg: Floats) -> Floats | None:
        """Seconds at ascending engine angles, had the speed been even between syncs; None where anything tells more."""
        first = bisect.bisect_right(self.assumed, deg[0] + 1e-6, key=lambda interval: interval[0]) - 1
        inside = self.assumed[max(first, 0) :]
        inside = inside[: bisect.bisect_left(inside, deg[-1] - 1e-6, key=lambda interval: interval[1]) + 1]
        if not inside or inside[0][0] > deg[0] + 1e-6 or inside[-1][1] < deg[-1] - 1e-6:
            return None
        if any(before[1] != after[0] for before, after in itertools.pairwise(inside)):
            return None
        knots = np.array([inside[0][0], *(last for _, last in inside)])
        return np.interp(deg, knots, self.times_at(knots))

    def _course(self, first: int, last: int) -> tuple[Floats, Floats]:
        """Seconds and degrees of the knots from `first` on to before `last`, with more of them in wide intervals."""
        first, last = max(0, first), min(last, len(self.t))
        if not self.of_teeth or len(self.t) < _BEYOND:
            return np.asarray(self.t[first:last]), np.asarray(self.deg[first:last])
        t, deg, more_t, more_deg, _ = self._between_teeth(max(0, first - _BEYOND), last + _BEYOND)
        all_t, all_deg = np.concatenate([t, more_t.ravel()]), np.concatenate([deg, more_deg.ravel()])
        order = np.argsort(all_t, kind="stable")
        return all_t[order], all_deg[order]

    def _between_teeth(self, first: int, last: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Teeth, and what lies in wide intervals between them: t and deg (teeth,), t and deg (wide, parts - 1), and how far
        the latter are from the straight line."""
        t, deg = np.asarray(self.t[first:last]), np.asarray(self.deg[first:last])
        wide = np.flatnonzero(np.diff(deg) > _WIDE_DEG)
        parts = np.arange(1, _PARTS) / _PARTS
        more_t = t[wide, None] + np.diff(t)[wide, None] * parts
        straight = deg[wide, None] + np.diff(deg)[wide, None] * parts
        if not wide.size or t.size < _BEYOND:
            return t, deg, more_t, straight, np.zeros_like(straight)
        curved = CubicSpline(t, deg)(more_t)
        ends = np.concatenate([deg[wide, None], curved, deg[wide + 1, None]], axis=1)
        # Where edges are missing or out of place the spline may swing back; the crank does not.
        curved = np.where((np.diff(ends, axis=1) > 0).all(axis=1, keepdims=True), curved, straight)
        return t, deg, more_t, curved, np.abs(curved - straight)

    def time_to_deg(self, t: float) -> float:
        """Engine angle at one time."""
        return float(self.angles_at(np.array([t]))[0])

    def angles_at(self, times: Floats) -> Floats:
        """Engine angles at ascending times, shape as given; beyond the knots at the nearest speed."""
        if not times.size:
            return np.empty(0)
        t, deg = self._course(
            bisect.bisect_left(self.t, times[0]) - 1, bisect.bisect_right(self.t, times[-1]) + 1
        )
        angles = np.interp(times, t, deg)
        late, early = times > self.t[-1], times < self.t[0]
        if late.any():
            angles[late] = self.deg[-1] + (times[late] - self.t[-1]) * self.speed_at_end()
        if early.any():
            angles[early] = self.deg[0] + (times[early] - self.t[0]) * self.speed_at_start()
        return np.asarray(angles)

    def uncertainty_between(self, from_deg: float, to_deg: float) -> float | None:
        """The largest uncertainty of the engine angle inside, degrees, either way; None: it is not known at all."""
        if self.uncertainty_deg is None:
            return None
        if self.of_teeth:
            return self.uncertainty_deg + self._gap_doubt(from_deg, to_deg)
        first = bisect.bisect_right(self.doubts, from_deg + 1e-6, key=lambda doubt: doubt[0])
        last = bisect.bisect_left(self.doubts, to_deg - 1e-6, key=lambda doubt: doubt[0])
        inside = self.doubts[first : last + 1]
        return self.uncertainty_deg + max((doubt for _, doubt in inside), default=0.0)

    def _gap_doubt(self, from_deg: float, to_deg: float) -> float:
        """How far off the angle may be where a gap hides how the speed goes, degrees."""
        first, last = bisect.bisect_left(self.deg, from_deg), bisect.bisect_right(self.deg, to_deg)
        t, deg, _, _, away = self._between_teeth(max(0, first - _BEYOND), last + _BEYOND)
        widths = np.diff(deg)
        speeds = widths / np.diff(t)
        widths = widths[widths > _WIDE_DEG]
        if not widths.size:
            return 0.0
        shares = _GAP_DOUBT * np.minimum(widths / _GAP_DOUBT_DEG, 1.0) ** _GAP_DOUBT_POWER
        coarse = np.minimum(_COARSE * (widths / _GAP_DOUBT_DEG) ** _COARSE_POWER, _COARSEST)
        swing = math.log(float(speeds.max() / speeds.min()))
        slower = 6.0 * _UNSEEN_LIKE * float(t[-1] - t[0]) / float(deg[-1] - deg[0])
        unseen = (
            _UNSEEN_DEG * (widths / _UNSEEN_LIKE * slower) ** _UNSEEN_POWER * (widths >= _UNSEEN_FROM_DEG)
        )
        by_spline = shares * away.max(axis=1, initial=0.0)
        return float(np.maximum(by_spline, np.hypot(coarse * widths * swing, unseen)).max())

    def forget_before(self, deg: float) -> None:
        """Drops knots that no cycle needs any more, so that hours of turning stay in bounded memory."""
        k = bisect.bisect_left(self.deg, deg) - 2
        if k > 512:
            del self.t[:k]
            del self.deg[:k]
            del self.doubts[: bisect.bisect_left(self.doubts, self.deg[0], key=lambda doubt: doubt[0])]
            del self.assumed[
                : bisect.bisect_left(self.assumed, self.deg[0], key=lambda interval: interval[0])
            ]
