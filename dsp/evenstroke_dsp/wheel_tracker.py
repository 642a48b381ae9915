"""Crank angle from a toothed wheel: finds the wheel's pattern in the edges and follows it.

A lock needs a whole revolution that fits the pattern at one place and at no other. Afterwards every edge is
held against the tooth that is due: edges that come too early are rejected, teeth that did not
come are counted, and two revolutions in a row with several of either end the lock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .angle import Rotation
from .blocks import Bools, Floats
from .setup import Probe

_FITS = 0.16
"""Largest mean deviation of log(interval / pattern) from its neighbourhood in a lock. Cranking changes
the speed by a few per cent from tooth to tooth; a gap in the wrong place gives log 2 and more."""
_CLEARLY = 1.6  # the second-best place must fit this much worse
_TOO_EARLY = 0.5  # of the due interval
_STRANGE = np.log(1.9)  # an interval this far from anything due ends the lock
_OFF = np.log(1.35)  # an interval this far from the due one counts as an error
_DOUBT = 0.12
"""A later tooth than the due one must fit better by this much: an inductive pick-up shifts the edges beside
a gap, and a gap of three that reads as three and a half must not pass for four."""
_STRAINED = 3  # errors in a revolution
_COASTING = 0.5  # of the fastest in the last revolutions
_PEAK_FADES = 0.998  # a tooth
_SILENT_TEETH = 8.0
_SHORTEST_SILENCE_S = 0.35


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

    @classmethod
    def learn(cls, teeth: str, times: Floats) -> WheelPattern | None:
        """Places of several gaps, where two revolutions in a row agree on them; else None.

        times: the latest edges, seconds, at least two revolutions of them.
        """
        slots, *gaps = (int(part) for part in teeth.split("-"))
        edges = slots - sum(gaps)
        intervals = np.diff(times)[-2 * edges :]
        if intervals.size < 2 * edges:
            return None
        local = np.array([np.median(intervals[max(0, i - 5) : i + 6]) for i in range(intervals.size)])
        multiples = np.rint(intervals / local).astype(int)
        first, second = multiples[:edges], multiples[edges:]
        expected = sorted([1] * (edges - len(gaps)) + [gap + 1 for gap in gaps])
        if not np.array_equal(first, second) or sorted(first.tolist()) != expected:
            return None
        # Begin with the edge after the gap that the longest unbroken run follows.
        after_gap = (np.flatnonzero(first > 1) + 1) % edges
        run = [int(np.argmax(np.roll(first, -int(k)) > 1)) for k in after_gap]
        begin = int(after_gap[int(np.argmax(run))])
        return cls(np.roll(first, -begin) * (360.0 / slots))


@dataclass(slots=True)
class _Place:
    """Where the wheel stands: the last edge taken and the tooth that it is."""

    tooth: int
    t: float
    deg: float  # since the rotation began
    rate: float  # degrees per second
    trend: float = 1.0  # what the next rate will be of this one, where the wheel slows down fast


class EdgeFollower:
    """Follows one direction of edges. `rotations` grow as it locks; counts what it rejects."""

    def __init__(self, teeth: str | tuple[float, ...]) -> None:
        self._teeth = teeth
        self.pattern = WheelPattern.of(teeth)
        self.rotations: list[Rotation] = []
        self.tooth_zero: list[float] = []  # per rotation: its degrees at one passage of tooth 0
        self.accepted = 0
        self.rejected = 0
        self.missed = 0
        self.misfit = np.inf  # residual of the latest lock
        self._recent: list[float] = []
        self._place: _Place | None = None
        self._errors = 0  # since the last passage of tooth 0
        self._strained = 0  # revolutions in a row with many errors
        self._peak_rate = 0.0  # degrees per second, of the last revolutions

    def push(self, times: list[float], until: float) -> None:
        for t in times:
            self._end_where_silent(t)
            self._recent.append(t)
            if self._place is None:
                self._search()
            else:
                self._follow(t)
        self._end_where_silent(until)
        keep = 3 * self.pattern.edges if self.pattern is not None else 512
        if len(self._recent) > 2 * keep:
            del self._recent[:-keep]

    def finish(self) -> None:
        self._stop()

    def _stop(self) -> None:
        if self.rotations:
            self.rotations[-1].ended = True
        self._place = None
        self._recent.clear()

    def _end_where_silent(self, now: float) -> None:
        if not self._recent:
            return
        silence = now - self._recent[-1]
        patience = _SHORTEST_SILENCE_S
        if self._place is not None and self.pattern is not None:
            due = float(self.pattern.spacings[self._place.tooth]) / self._place.rate
            patience = max(patience, _SILENT_TEETH * due)
        if silence > patience:
            self._stop()

    def _search(self) -> None:
        """Looks for the one place in the pattern that the latest revolution fits."""
        if self.pattern is None:
            if isinstance(self._teeth, str):
                self.pattern = WheelPattern.learn(self._teeth, np.asarray(self._recent))
            if self.pattern is None:
                return
        found = self._fit(np.asarray(self._recent[-self.pattern.edges - 2 :]))
        if found is None:
            return
        tooth_of_first, self.misfit = found
        edges = self._recent[-self.pattern.edges - 2 :]
        rotation = Rotation()
        tooth, deg = tooth_of_first, 0.0
        for i, t in enumerate(edges):
            rotation.add(t, deg)
            if tooth == 0:
                zero = deg
            if i + 1 < len(edges):
                deg += float(self.pattern.spacings[tooth])
                tooth = (tooth + 1) % self.pattern.edges
        self.rotations.append(rotation)
        self.tooth_zero.append(zero)
        self.accepted += len(edges)
        last = (tooth - 1) % self.pattern.edges
        rate = float(self.pattern.spacings[last]) / (edges[-1] - edges[-2])
        self._place = _Place(tooth, edges[-1], deg, rate)
        self._errors = self._strained = 0
        self._peak_rate = rate

    def _fit(self, times: Floats) -> tuple[int, float] | None:
        """Tooth number of the first edge and the residual, where one place fits and no other does."""
        assert self.pattern is not None
        edges = self.pattern.edges
        if times.size < edges + 2:
            return None
        intervals = np.diff(times)
        places = (np.arange(edges)[:, None] + np.arange(intervals.size)[None, :]) % edges
        ratios = np.log(intervals[None, :] / self.pattern.spacings[places])
        neighbours = np.median(np.stack([np.roll(ratios, k, axis=1) for k in range(-3, 4)]), axis=0)
        misfit = (
            np.abs(ratios - neighbours)[:, 3:-3].mean(axis=1)
            if intervals.size > 12
            else (np.abs(ratios - np.median(ratios, axis=1)[:, None]).mean(axis=1))
        )
        # What counts is the worst place: an even run fits everywhere, a gap only where it is.
        worst = np.abs(ratios - np.median(ratios, axis=1)[:, None]).max(axis=1)
        order = np.argsort(misfit + worst)
        best, second = int(order[0]), int(order[1])
        total = misfit + worst
        if misfit[best] > _FITS or total[second] < _CLEARLY * total[best]:
            return None
        return best, float(misfit[best])

    def _follow(self, t: float) -> None:
        place, pattern = self._place, self.pattern
        assert place is not None and pattern is not None
        turned = (t - place.t) * place.rate * place.trend
        due = float(pattern.spacings[place.tooth])
        if turned < _TOO_EARLY * due:
            self.rejected += 1
            self._errors += 1
            return
        coasting = place.rate < _COASTING * self._peak_rate
        passed, angle = 0, due
        best_passed, best_angle = 0, due
        # A wheel that runs out slows down from tooth to tooth as if some were missing; none is.
        while not coasting and angle < 2.0 * turned and passed < pattern.edges:
            doubt = _DOUBT if passed and not best_passed else 0.0
            if abs(np.log(turned / angle)) < abs(np.log(turned / best_angle)) - doubt:
                best_passed, best_angle = passed, angle
            passed += 1
            angle += float(pattern.spacings[(place.tooth + passed) % pattern.edges])
        if not coasting and abs(np.log(turned / best_angle)) > _STRANGE:
            self.rejected += 1
            self._stop()
            return
        self.missed += best_passed
        self._errors += best_passed + (abs(np.log(turned / best_angle)) > _OFF)
        self.accepted += 1
        rate = best_angle / (t - place.t)
        self._peak_rate = max(rate, _PEAK_FADES * self._peak_rate)
        tooth = place.tooth + 1 + best_passed
        deg = place.deg + best_angle
        self.rotations[-1].add(t, deg)
        trend = rate / place.rate
        self._place = _Place(tooth % pattern.edges, t, deg, rate, max(trend, 0.7) if trend < 0.9 else 1.0)
        if tooth >= pattern.edges:
            self._revolution_done()

    def _revolution_done(self) -> None:
        """A lock in the wrong place is mended at the same places in every revolution; then it is given up."""
        self._strained = self._strained + 1 if self._errors >= _STRAINED else 0
        self._errors = 0
        if self._strained >= 2:
            self._stop()


class WheelTracker:
    """The toothed wheel of a set-up: takes both directions, follows the one that fits best.

    After a choice: `rotations` with relative degrees, `tooth_zero` beside them, `edge` the direction.
    """

    def __init__(self, probe: Probe) -> None:
        assert probe.teeth is not None
        self.probe = probe
        wanted = {"rising": (True,), "falling": (False,), "auto": (True, False)}[probe.edge]
        self._followers = {rising: EdgeFollower(probe.teeth) for rising in wanted}
        self._chosen: bool | None = wanted[0] if len(wanted) == 1 else None

    @property
    def edge(self) -> str | None:
        return None if self._chosen is None else ("rising" if self._chosen else "falling")

    @property
    def follower(self) -> EdgeFollower | None:
        return None if self._chosen is None else self._followers[self._chosen]

    def push(self, times: Floats, rising: Bools, until: float) -> None:
        """Edges before `until` (seconds), all of them."""
        for direction, follower in self._followers.items():
            if self._chosen is None or self._chosen == direction:
                follower.push(times[rising == direction].tolist(), until)
        if self._chosen is None:
            self._choose(final=False)

    def finish(self) -> None:
        if self._chosen is None:
            self._choose(final=True)
        for follower in self._followers.values():
            follower.finish()

    def _choose(self, *, final: bool) -> None:
        """Both directions get a revolution beyond their lock; a missing or bent tooth edge shows there."""
        locked = {d: f for d, f in self._followers.items() if f.rotations}
        if not locked:
            return
        ready = [f for f in locked.values() if f.pattern is not None and f.accepted >= 2 * f.pattern.edges]
        if not final and not ready:
            return
        self._chosen = min(locked, key=lambda d: (locked[d].rejected + locked[d].missed, locked[d].misfit))
