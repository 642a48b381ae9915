"""Does a sync come as often as the set-up says? Told by the teeth, else by the pulses between two events."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .angle import Rotation
from .engine import CYCLE_DEG
from .mean_cycle import MeanCycle
from .setup import Probe
from .sync_tracker import SyncTracker

_FEWEST_EVENTS = 4
_LATEST = 12
_OFF = 0.15
_TIMES_STRONGER = 2.0
_LOWER_STRONGER = 1.2
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


def twice_by_pulses(probe: Probe, mean: MeanCycle | None, cylinders: int) -> bool:
    """Whether a sync that is said to come once a cycle comes every revolution: half the pulses between events.

    mean: of a probe that hears all cylinders, at even intervals. Odd numbers of cylinders leave no whole half and cannot tell. A
    pulse that is missing makes all low orders alike; half the pulses make that of their number alone.
    """
    if (
        probe.every != "cycle"
        or mean is None
        or mean.cycles < _FEWEST_EVENTS
        or cylinders % 2
        or cylinders < 4
    ):
        return False
    orders = np.abs(np.fft.rfft(mean.whole))
    half = cylinders // 2
    lower = _LOWER_STRONGER * orders[1:half].max()
    return bool(orders[half] > max(_TIMES_STRONGER * orders[cylinders], lower))


def irregular(tracker: SyncTracker) -> bool:
    """More than a tenth of the events were missed or were none."""
    return (
        tracker.events >= _FEWEST_EVENTS
        and tracker.missed + tracker.extra > _IRREGULAR_SHARE * tracker.events
    )
