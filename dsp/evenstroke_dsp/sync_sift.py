"""Which of a sync's events keep step with the engine, held against an angle that does not come from the sync?

That angle is a wheel's, or the compression rhythm's, which turns as far from one event to the next. Either the events come at
random, or an engine makes most of them at one place of the cycle and the rest comes at random. How likely each is follows from
the likelihood of a Poisson process (D. Daley and D. Vere-Jones, An Introduction to the Theory of Point Processes, 2nd edition,
2003, proposition 7.2.III), averaged over the place and over how many true events come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .blocks import Bools, Floats

_COME = np.array([0.5, 0.75, 0.95])
"""Of the true events, where an engine makes them: a pick-up that misses more is no use."""
_FEWEST_FALSE = 0.5  # that come even where none was seen
_FARTHEST_DEG, _IN_STEP = 25.0, 0.8


@dataclass(frozen=True, slots=True)
class Spread:
    """Of a true event's place, degrees: standard deviations of most events and of the share that strays farther. Places are
    sought every `step_deg`."""

    sharp_deg: float
    blunt_deg: float
    blunt_share: float
    step_deg: float

    def density(self, away: Floats) -> Floats:
        """Of a true event by how far from its place it comes, per degree."""
        sharp, blunt = (
            np.exp(-0.5 * (away / spread) ** 2) / (spread * math.sqrt(math.tau))
            for spread in (self.sharp_deg, self.blunt_deg)
        )
        return np.asarray((1.0 - self.blunt_share) * sharp + self.blunt_share * blunt)


BY_RHYTHM = Spread(8.0, 25.0, 0.2, 4.0)
"""On a steady crank, and as it spins up, sags or misfires."""
BY_TEETH = Spread(5.0, 20.0, 0.15, 2.0)
"""A cam's chain, a trigger's threshold and an ignition's advance move by a few degrees; the teeth do not."""


@dataclass(frozen=True, slots=True)
class Step:
    """odds: logarithm of those for an engine against chance. true: which events it makes, one in a cycle at most, shape
    (events,)."""

    odds: float
    true: Bools


def keeping_step(degrees: Floats, turned_deg: float, every_deg: float, spread: Spread = BY_RHYTHM) -> Step:
    """degrees: the angle at each event, ascending, shape (events,), within `turned_deg` that were followed. every_deg: how often
    a true one comes."""
    count = degrees.size
    turned = max(turned_deg / every_deg, 1.0)
    if count < 2:
        return Step(-math.inf, np.zeros(count, dtype=np.bool_))
    places = np.arange(0.0, every_deg, spread.step_deg)
    away = np.abs((degrees[None, :] - places[:, None] + every_deg / 2) % every_deg - every_deg / 2)
    density = spread.density(away) * every_deg  # (places, events), of one interval
    # How often a false one comes in an interval, at each place of the true ones.
    false = np.maximum(count - (away < _FARTHEST_DEG).sum(axis=1), _FEWEST_FALSE)[:, None] / turned
    true = _COME[:, None, None] * density
    log = np.log(false + true).sum(axis=2) - (false.T + _COME[:, None]) * turned
    log -= count * math.log(count / turned) - count
    odds = float(np.logaddexp.reduce(log.ravel())) - math.log(log.size)
    come, place = np.unravel_index(int(np.argmax(log)), log.shape)
    likely = true[come, place] / (true[come, place] + false[place])
    near = (likely >= _IN_STEP) & (away[place] <= _FARTHEST_DEG)
    number = np.round((degrees - places[place]) / every_deg)
    for cycle in np.unique(number[near]):
        same = np.flatnonzero(near & (number == cycle))
        near[same] = same == same[int(np.argmin(away[place][same]))]
    return Step(odds, near)
