"""The conditioned signals of the last seconds, on their thinned time grid."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from .blocks import Bools, Floats

KEPT_S = 30.0
"""Ten cycles of the slowest engine that still turns; older samples have long been measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A piece of the conditioned signals: t (samples,), values and lost (channels, samples)."""

    t: Floats
    values: Floats
    lost: Bools


class History:
    """Frames in, pieces out; `until` is the time up to which the signals are known."""

    def __init__(self) -> None:
        self._frames: deque[Stretch] = deque()
        self.until = -np.inf

    def add(self, t0: float, dt: float, values: Floats, lost: Bools) -> None:
        """One thinned frame, values and lost shape (channels, samples)."""
        if not values.shape[1]:
            return
        t = t0 + np.arange(values.shape[1], dtype=np.float64) * dt
        self._frames.append(Stretch(t, values, lost))
        self.until = float(t[-1])
        while self._frames and self._frames[0].t[-1] < self.until - KEPT_S:
            self._frames.popleft()

    def clear(self) -> None:
        """A new time grid begins: nothing older can be put beside it."""
        self._frames.clear()

    def piece(self, t_from: float, t_to: float) -> Stretch | None:
        """What is known between two times; None where that is nothing."""
        frames = [f for f in self._frames if f.t[-1] >= t_from and f.t[0] <= t_to]
        if not frames:
            return None
        return Stretch(
            np.concatenate([f.t for f in frames]),
            np.concatenate([f.values for f in frames], axis=1),
            np.concatenate([f.lost for f in frames], axis=1),
        )
