"""Level changes of an analog sync or tooth signal, with hysteresis that follows its levels.

Sparse pulses (a sync) lie between the extremes of the last seconds. Teeth come without pause, and an
inductive pick-up overshoots at a gap, so that their levels are the tenths of the last moments
instead. A swing that does not stand out of the sample-to-sample noise gives no edges, so that an
engine at rest, or a dead probe, is silent.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from .blocks import Bools, Floats

SYNC_MEMORY_S = 3.0
"""Long enough to hold one sync of an engine cranked at 50 rpm (2.4 s a cycle)."""
TEETH_MEMORY_S = 0.4
"""A pick-up's level follows the speed, which changes within tenths of a second."""
_HYSTERESIS = 0.15  # of the swing, each side of the middle
_SWING_OVER_NOISE = 12.0
_TEETH_SWING_OVER_NOISE = 6.0  # between tenths; white noise alone shows 2.6 there
_MAD_TO_SIGMA = 1.4826
_FEWEST_STEPS = 4
_LEAST_COARSE_V = 0.02
"""A swing of fewer steps of the converter is its last bit changing, unless it is larger than this: a clean logic
signal, too, has two levels only. Four steps of 10 bits over 5 V are 0.02 V (arithmetic)."""


class EdgeFinder:
    """Turns frames of one channel into edges; `swing` and `noise` tell what it goes by."""

    def __init__(self, rate_hz: float, frame: int, *, teeth: bool = False) -> None:
        self._rate = rate_hz
        self._teeth = teeth
        keep = max(1, round((TEETH_MEMORY_S if teeth else SYNC_MEMORY_S) * rate_hz / frame))
        self._lows: deque[float] = deque(maxlen=keep)
        self._highs: deque[float] = deque(maxlen=keep)
        self._noises: deque[float] = deque(maxlen=keep)
        self._steps: deque[float] = deque(maxlen=keep)  # the converter's, as far as they show
        self._before = np.empty(0)  # the frame before
        self._last_time = -np.inf
        self._high: bool | None = None
        self.swing: float | None = None
        self.noise: float | None = None

    def push(self, volts: Floats, t0: float) -> tuple[Floats, Bools]:
        """Edges of one frame, volts shape (samples,), NaN = lost; returns times (s) and rising."""
        good = volts[~np.isnan(volts)]
        if good.size < 2:
            self._before = np.empty(0)
            return np.empty(0), np.empty(0, dtype=bool)
        low, high = np.quantile(good, (0.1, 0.9)) if self._teeth else (good.min(), good.max())
        self._lows.append(float(low))
        self._highs.append(float(high))
        changes = np.abs(np.diff(good))
        # The median ignores the few samples that lie on edges.
        self._noises.append(float(np.median(changes)) * _MAD_TO_SIGMA / np.sqrt(2.0))
        self._steps.append(float(np.min(changes, initial=np.inf, where=changes > 0)))
        low = float(np.median(self._lows)) if self._teeth else min(self._lows)
        high = float(np.median(self._highs)) if self._teeth else max(self._highs)
        self.swing, self.noise = high - low, float(np.median(self._noises))
        stands_out = _TEETH_SWING_OVER_NOISE if self._teeth else _SWING_OVER_NOISE
        coarse = self.swing < _FEWEST_STEPS * min(self._steps) and self.swing < _LEAST_COARSE_V
        if coarse or self.swing <= max(stands_out * self.noise, 1e-12):
            self._before = volts
            return np.empty(0), np.empty(0, dtype=bool)
        middle, margin = (low + high) / 2.0, _HYSTERESIS * self.swing
        return self._crossings(volts, t0, middle, margin)

    def _crossings(self, volts: Floats, t0: float, middle: float, margin: float) -> tuple[Floats, Bools]:
        # A slow edge passes the middle before the far threshold, perhaps in the frame before.
        x = np.concatenate([self._before, volts])
        new = self._before.size
        self._before = volts
        beyond = np.where(x > middle + margin, 1, np.where(x < middle - margin, -1, 0))
        told = new + np.flatnonzero(beyond[new:])
        if not told.size:
            return np.empty(0), np.empty(0, dtype=bool)
        if self._high is None:
            self._high = bool(beyond[told[0]] > 0)
        levels = np.concatenate([[1 if self._high else -1], beyond[told]])
        times, rising = [], []
        for index in np.flatnonzero(np.diff(levels) != 0):
            at, up = int(told[index]), bool(levels[index + 1] > 0)
            k = at
            while k > 0 and not np.isnan(x[k - 1]) and (x[k - 1] > middle) == up:
                k -= 1
            if k > 0 and np.isnan(x[k - 1]):
                continue  # where it crossed lies in what was lost
            part = float(np.clip((middle - x[k - 1]) / (x[k] - x[k - 1]), 0.0, 1.0)) if k else 0.0
            t = t0 + (k - 1 - new + part) / self._rate
            if k == 0 or t <= self._last_time:
                t = (
                    t0 + (at - new) / self._rate
                )  # where the middle was passed cannot be told: the levels moved
            self._last_time = t
            times.append(t)
            rising.append(up)
        self._high = bool(levels[-1] > 0)
        return np.asarray(times, dtype=np.float64), np.asarray(rising, dtype=bool)
