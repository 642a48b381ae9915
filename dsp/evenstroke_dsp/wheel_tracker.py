"""Crank angle from a toothed wheel: finds the wheel's pattern in the edges and follows it.

A lock needs a run of edges that fits the pattern at one place and at no other (`wheel_lock`). Afterwards every edge is
held against the tooth that is due, at the speed that the crank had at that place a cycle ago: edges that come too
early are rejected, teeth that did not come are counted, and two revolutions in a row with several of either end the lock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .angle import Rotation
from .blocks import Bools, Floats
from .setup import Probe
from .wheel_lock import WheelLock, WheelPattern

_TOO_EARLY = 0.5  # of the due interval
_BOUNCE = 0.3  # of it: the tooth before again, and no sign of a lock in the wrong place
_STRANGE = math.log(1.9)  # an interval this far from anything due ends the lock
_OFF = math.log(1.35)  # an interval this far from the due one counts as an error
_DOUBT = 0.12
"""A later tooth than the due one must fit better by this much: an inductive pick-up shifts the edges beside
a gap, and a gap of three that reads as three and a half must not pass for four."""
_MOST_MISSED, _LONGEST_MEND_DEG = 3, 60.0
"""Over more than this nothing is mended: a crank that rocked back against compression looks like teeth that did not come."""
_STRAINED = 3  # errors in a revolution
_COASTING = 0.7  # of the speed at the same place before
_SILENT_TEETH = 8.0
_SHORTEST_SILENCE_S = 0.35
_REMEMBERED = 3  # revolutions: a cycle ago, and the one that is going on


@dataclass(slots=True)
class _Place:
    """Where the wheel stands: the last edge taken and the tooth that it is."""

    tooth: int
    t: float
    deg: float  # since the rotation began
    rate: float  # degrees per second
    trend: float = 1.0  # what the next rate will be of this one, where the wheel slows down fast


class EdgeFollower:
    """Follows one direction of edges. `rotations` grow as it locks; counts what it rejects.

    firing_deg: crank degrees after which the firing rhythm repeats, where the set-up tells.
    """

    def __init__(self, teeth: str | tuple[float, ...], firing_deg: float | None = None) -> None:
        self._lock = WheelLock(teeth, firing_deg)
        self.rotations: list[Rotation] = []
        self.tooth_zero: list[float] = []  # per rotation: its degrees at one passage of tooth 0
        self.accepted = 0
        self.rejected = 0
        self.missed = 0
        self.edges = 0  # all that came
        self.followed = 0  # since the latest lock
        self.misfit = np.inf  # of the latest lock
        self._recent: list[float] = []
        self._wait = 0  # edges until the next search
        self._place: _Place | None = None
        self._errors = 0  # since the last passage of tooth 0
        self._strained = 0  # revolutions in a row with many errors
        self._rates = np.empty((_REMEMBERED, 0))  # logarithm of the rate before each tooth; NaN: not known
        self._turn = 0  # revolutions since the lock

    @property
    def pattern(self) -> WheelPattern | None:
        return self._lock.pattern

    def push(self, times: list[float], until: float) -> None:
        for t in times:
            self._end_where_silent(t)
            self.edges += 1
            self._recent.append(t)
            if self._place is None:
                self._search()
            else:
                self._follow(t)
        self._end_where_silent(until)
        keep = self._lock.longest
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
        """Looks for the one place in the pattern that the latest edges fit."""
        self._wait -= 1
        if self._wait > 0:
            return
        found = self._lock.find(self._recent)
        self._wait = self._lock.patience
        if found is None:
            return
        pattern = self._lock.pattern
        assert pattern is not None
        self.misfit = found.misfit
        self.rejected += found.rejected
        teeth = (found.tooth + np.arange(found.times.size)) % pattern.edges
        degrees = np.concatenate([[0.0], np.cumsum(pattern.spacings[teeth[:-1]])])
        rotation = Rotation(t=found.times.tolist(), deg=degrees.tolist(), of_teeth=True)
        self.rotations.append(rotation)
        self.tooth_zero.append(float(degrees[np.flatnonzero(teeth == 0)[-1]]))
        self.accepted += found.times.size
        self._rates = np.full((_REMEMBERED, pattern.edges), np.nan)
        self._turn = 0
        rates = np.diff(degrees) / np.diff(found.times)
        for tooth, rate in zip(teeth[1:].tolist(), rates.tolist(), strict=True):
            self._remember(tooth, rate)
        self._place = _Place(int(teeth[-1]), float(found.times[-1]), float(degrees[-1]), float(rates[-1]))
        self._errors = self._strained = self.followed = 0

    def _remember(self, tooth: int, rate: float) -> None:
        """The rate before `tooth` came; tooth 0 begins a revolution."""
        self._turn += tooth == 0
        self._rates[self._turn % _REMEMBERED, tooth] = math.log(rate)

    def _follow(self, t: float) -> None:
        place, pattern = self._place, self.pattern
        assert place is not None and pattern is not None
        due = float(pattern.spacings[place.tooth])
        turned = [(t - place.t) * place.rate * faster for faster in self._speeding(place)]
        if max(turned) < _TOO_EARLY * due:
            self.rejected += 1
            self._errors += max(turned) > _BOUNCE * due
            return
        passed, angle = 0, due
        best_passed, best_angle, best_off = 0, due, _off(turned, due)
        # A wheel that runs out slows down from tooth to tooth as if some were missing; none is.
        coasting = self._coasting(place)
        while not coasting and angle < 2.0 * max(turned) and passed < pattern.edges:
            doubt = _DOUBT if passed and not best_passed else 0.0
            if _off(turned, angle) < best_off - doubt:
                best_passed, best_angle, best_off = passed, angle, _off(turned, angle)
            passed += 1
            angle += float(pattern.spacings[(place.tooth + passed) % pattern.edges])
        if not coasting and best_off > _STRANGE:
            self.rejected += 1
            self._stop()
            return
        if best_passed > _MOST_MISSED and best_angle > _LONGEST_MEND_DEG:
            self._stop()
            self._recent.append(t)
            return
        self.missed += best_passed
        self._errors += best_passed + (best_off > _OFF)
        self.accepted += 1
        self.followed += 1
        rate = best_angle / (t - place.t)
        deg = place.deg + best_angle
        self.rotations[-1].add(t, deg)
        trend = rate / place.rate
        for tooth in range(place.tooth + 1, place.tooth + 2 + best_passed):
            self._remember(tooth % pattern.edges, rate)
        tooth = place.tooth + 1 + best_passed
        self._place = _Place(tooth % pattern.edges, t, deg, rate, max(trend, 0.7) if trend < 0.9 else 1.0)
        if tooth >= pattern.edges:
            self._revolution_done()

    def _speeding(self, place: _Place) -> list[float]:
        """What the rate may be next, as multiples of what it is: as its trend says, and as a revolution and a cycle
        ago. In a spin-up what was is no guide; where compression is strong the trend is none."""
        steps = [self._was(place.tooth + 1, k) - self._was(place.tooth, k) for k in (1, 2)]
        return [place.trend, *(math.exp(step) for step in steps if math.isfinite(step))]

    def _coasting(self, place: _Place) -> bool:
        """Whether the wheel turns at less than half the speed that it had at this place before."""
        known = [was for was in (self._was(place.tooth, 2), self._was(place.tooth, 1)) if math.isfinite(was)]
        return bool(known) and math.log(place.rate) < max(known) + math.log(_COASTING)

    def _was(self, tooth: int, revolutions: int) -> float:
        """The logarithm of the rate before a tooth of this revolution, or the first of the next, so long ago."""
        edges = self._rates.shape[1]
        turn = self._turn + tooth // edges - revolutions
        return float(self._rates[turn % _REMEMBERED, tooth % edges])

    def _revolution_done(self) -> None:
        """A lock in the wrong place is mended at the same places in every revolution; then it is given up."""
        self._strained = self._strained + 1 if self._errors >= _STRAINED else 0
        self._errors = 0
        if self._strained >= 2:
            self._stop()


class WheelTracker:
    """The toothed wheel of a set-up: takes both directions, follows the one that fits best.

    After a choice: `rotations` with relative degrees, `tooth_zero` beside them, `edge` the direction.
    firing_deg: crank degrees after which the firing rhythm repeats, where the set-up tells.
    """

    def __init__(self, probe: Probe, firing_deg: float | None = None) -> None:
        assert probe.teeth is not None
        self.probe = probe
        wanted = {"rising": (True,), "falling": (False,), "auto": (True, False)}[probe.edge]
        self._followers = {rising: EdgeFollower(probe.teeth, firing_deg) for rising in wanted}
        self._chosen: bool | None = wanted[0] if len(wanted) == 1 else None

    @property
    def edge(self) -> str | None:
        return None if self._chosen is None else ("rising" if self._chosen else "falling")

    @property
    def follower(self) -> EdgeFollower | None:
        return None if self._chosen is None else self._followers[self._chosen]

    @property
    def edges(self) -> int:
        """How many edges came, of the direction with most of them."""
        return max(follower.edges for follower in self._followers.values())

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
        ready = [f for f in locked.values() if f.pattern is not None and f.followed >= f.pattern.edges]
        if not final and not ready:
            return
        self._chosen = min(locked, key=lambda d: (locked[d].rejected + locked[d].missed, locked[d].misfit))


def _off(turned: list[float], angle: float) -> float:
    """The least deviation, as a logarithm, of what was turned by any estimate from `angle`."""
    return min(abs(math.log(each / angle)) for each in turned)
