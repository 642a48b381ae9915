"""Does a sync come as often as the set-up says? Told by the teeth; by pulses and compression `sync_pace` tells it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .angle import Rotation
from .engine import CYCLE_DEG
from .setup import Probe
from .sync_tracker import SyncTracker

_FEWEST_EVENTS = 4
_LATEST = 12
_OFF = 0.15
_IRREGULAR_SHARE = 0.1


def degrees_apart(tracker: SyncTracker, rotations: Sequence[Rotation]) -> float | None:
    """Median crank degrees from one event to the next by the wheel; None for too few."""
    apart: list[float] = []
    for rotation in rotations:
        if len(rotation.t) < 2:
            continue
        for run in tracker.believed:
            times = [t for t in run.times[-_LATEST:] if rotation.t[0] <= t <= rotation.t[-1]]
            apart += np.diff(rotation.angles_at(np.asarray(times))).tolist() if len(times) >= 2 else []
    return float(np.median(apart)) if len(apart) >= _FEWEST_EVENTS - 1 else None


def wrong_by_teeth(probe: Probe, tracker: SyncTracker, rotations: Sequence[Rotation]) -> float | None:
    """The degrees at which it does come, where those are not what the set-up says; else None."""
    expected = CYCLE_DEG if probe.every == "cycle" else CYCLE_DEG / 2
    apart = degrees_apart(tracker, rotations)
    return apart if apart is not None and abs(apart / expected - 1.0) > _OFF else None


def irregular(tracker: SyncTracker, *, forgiven: int = 0) -> bool:
    """More than a tenth of the events were missed or were none, but for what a silence or a gap begins or ends with.

    forgiven: how many more are not counted as that.
    """
    astray = tracker.missed + tracker.extra - tracker.extra_at_first - forgiven
    return tracker.events >= _FEWEST_EVENTS and astray > _IRREGULAR_SHARE * tracker.events
