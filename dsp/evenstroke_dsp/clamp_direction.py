"""Does the current clamp lie the wrong way round? A starter only draws, the more so as it begins to turn.

From rest the inrush says it: where it goes below the level at rest and nothing goes as far above, the clamp is turned, and what
it reads is turned over about that level. What was recorded from amid a crank has no such level: a scaled current below zero is
then either a turned clamp or a wrong `volts_at_zero`, and nothing is judged by it.
"""

from __future__ import annotations

import numpy as np

from .blocks import Floats
from .setup import Probe

_REST_S = 0.3
_MEDIAN_OVER_S = 0.003
"""Noise of single samples does not count, nor does a spike."""
_DRAWS_A = 20.0
"""What a starter that turns an engine draws at the least, and no clamp's zero drifts by (common practice, no source)."""
_OVER_REST = 8.0
"""Times the swing of the recording's first moments. From amid a crank that swing is compression's own, of which neither the
inrush nor the end of the crank is so many times."""
_OTHER_SIDE = 3.0
"""Times what the current did to the other side: charging after a start, or what a solenoid leaves, is less than the inrush."""


class ClampDirection:
    """Feeds on one clamp's samples in order of time, in the probe's unit."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.reversed = False
        self._scaled = probe.volts_per_unit is not None
        self._first: list[Floats] = []
        self._rest: float | None = None
        self._floor = np.inf
        self._up = 0.0
        self._down = 0.0

    @property
    def doubtful(self) -> bool:
        """The scaled current is below zero from the first on, and no inrush says which way it flows."""
        if self._rest is None or not self._scaled or self.reversed or self._rest > -_DRAWS_A:
            return False
        return self._up <= self._floor or self._rest + self._up < _DRAWS_A

    def push(self, values: Floats, dt: float) -> Floats:
        """One frame, shape (samples,), NaN = lost; returns it the right way round."""
        each = max(3, round(_MEDIAN_OVER_S / dt))
        levels = np.median(values[: values.size // each * each].reshape(-1, each), axis=1)
        levels = levels[np.isfinite(levels)]
        if levels.size:
            self._learn(levels, each * dt)
        if not self.reversed or self._rest is None:
            return values
        turned: Floats = 2.0 * self._rest - values
        return turned

    def _learn(self, levels: Floats, every_s: float) -> None:
        if self._rest is None:
            self._first.append(levels)
            first = np.concatenate(self._first)
            if first.size * every_s < _REST_S:
                return
            # Their mean, since the median of few steps of a converter is one of them.
            self._rest = float(first.mean())
            self._floor = max(_OVER_REST * float(np.ptp(first)), _DRAWS_A if self._scaled else 0.0)
            self._first.clear()
        self._up = max(self._up, float(levels.max()) - self._rest)
        self._down = max(self._down, self._rest - float(levels.min()))
        if self._down > max(self._floor, _OTHER_SIDE * self._up):
            self.reversed = True
        elif self._up > max(self._floor, _OTHER_SIDE * self._down):
            self.reversed = False
