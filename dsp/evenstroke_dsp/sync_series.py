"""Do a sync's events come in two series, each once a cycle, so that nothing in them tells which is the cylinder's own?

A pick-up that hears another cylinder's coil as loud as its own gives two events a cycle, at one distance all the time. Ringing
and multi-strike events come closer, and are one event before they get here; an event every revolution comes half way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .engine import CYCLE_DEG, firing_angles
from .setup import Engine
from .sync_tracker import SyncRun

_FEWEST = 6
"""Pairs in a row that are alike, of some eight events: by chance one pair in ten is like the one before."""
_ALIKE = 0.04  # of a cycle: how much farther one distance may be than the one before
_PACE_ALIKE = 0.12  # of the time that two intervals take
_NEAREST, _HALF_WAY = 50.0 / CYCLE_DEG, 0.06
"""Of a cycle: nearer than the first is one event that rings on; this close to half way, an event every revolution."""
_MOST = 0.7  # of all events; where fewer have a second one beside them, the true ones go on without it
_TWO_SERIES = 0.75  # of a cycle's time: events at a quicker pace are both series' taken for one


@dataclass(frozen=True, slots=True)
class SecondSeries:
    """apart_deg: from the events that name cylinders to the next one of the other series, by time; two values where some cycles
    went by one series and some by the other. wrong_deg: by how much names are off if they are wrong. mixed: events of both
    were taken for one series, so that no cycle is one."""

    apart_deg: tuple[float, ...]
    wrong_deg: tuple[float, ...]
    mixed: bool

    def may_be(self, engine: Engine) -> dict[int, tuple[int, ...]]:
        """By the cylinder that is named: that one, and those whose pulse it is by the other series."""
        angles = firing_angles(engine)

        def nearest(angle: float) -> int:
            return min(
                angles, key=lambda c: abs((angles[c] - angle + CYCLE_DEG / 2) % CYCLE_DEG - CYCLE_DEG / 2)
            )

        return {
            c: tuple(sorted({c, *(nearest(angle - apart) for apart in self.wrong_deg)}))
            for c, angle in angles.items()
        }


def second_series(events: Sequence[float], runs: Iterable[SyncRun]) -> SecondSeries | None:
    """events: all that came, ascending, seconds. runs: those that cycles are cut by; empty where a wheel counts them. None
    where there is one series."""
    t = np.asarray(events)
    if t.size < _FEWEST + 2:
        return None
    both = t[2:] - t[:-2]
    share = (t[1:-1] - t[:-2]) / both  # of two intervals, that of the first
    aside = np.minimum(share, 1.0 - share)
    like = (aside >= _NEAREST) & (aside <= 0.5 - _HALF_WAY)
    turns = (np.abs(share[1:] + share[:-1] - 1.0) <= _ALIKE) & (
        np.abs(np.log(both[1:] / both[:-1])) <= _PACE_ALIKE
    )
    goes_on = turns & like[1:] & like[:-1]
    paired = np.zeros(share.size, dtype=np.bool_)
    begins = 0
    for k, on in enumerate([*goes_on.tolist(), False]):
        if not on:
            if k - begins + 1 >= _FEWEST:
                paired[begins : k + 1] = True
            begins = k + 1
    if paired.sum() < _MOST * t.size:
        return None
    runs = list(runs)
    used = np.isin(t[:-2], [time for run in runs for time in run.times]) | (not runs)
    apart = [
        CYCLE_DEG * float(np.median(share[of]))
        for of in (paired & used & (share < 0.5), paired & used & (share > 0.5))
        if of.any()
    ]
    paces = [np.diff(run.times) / np.asarray(run.intervals[1:]) for run in runs if len(run.times) > 1]
    if not apart:
        return None
    cycle_s = float(np.median(both[paired]))
    mixed = bool(paces) and float(np.median(np.concatenate(paces))) < _TWO_SERIES * cycle_s
    return SecondSeries(tuple(apart), tuple(apart), mixed)
