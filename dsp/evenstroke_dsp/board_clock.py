"""The board's clock against the host's, from when its samples were taken and when they arrived.

A byte never arrives before it was sent, and now and then one arrives with almost no delay: of each second only
the least delayed arrival counts. How these least delays drift is the difference of the two clocks' rates; some
seconds in which none came in time do not change it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from scipy import stats

WINDOW_S = 1.0
_KEPT_WINDOWS = 120
FEWEST_WINDOWS = 6
_REAL_TIME = 0.2
"""Share by which a clock may be off: cheap oscillators are by some per cent at most (common practice, no source). What goes
faster or slower came from no board's clock in real time."""
_SURE_OF_INTERVAL = 0.95
_NO_TIME_PASSED = -1.0 + 1e-9
"""Slope of the delay at which no time of the host's passed while samples came, or it went back: its stamps were all alike, or
made up, and tell no pace."""


@dataclass(frozen=True, slots=True)
class ClockRate:
    """How much faster the board's clock runs than the host's, parts per million; uncertainty: 95 %, either side."""

    ppm: float
    uncertainty_ppm: float


class BoardClock:
    """`add` each arrival of one run, in order; `rate` says what is known so far."""

    def __init__(self) -> None:
        self._run: int | None = None
        self._least: deque[tuple[float, float]] = deque(maxlen=_KEPT_WINDOWS)  # board time, delay, seconds
        self._window: int | None = None
        self._host_zero_ns = 0

    def add(self, run: int, board_s: float, host_ns: int) -> None:
        """Data up to `board_s` (seconds of the board's clock) arrived at `host_ns` (nanoseconds of the host's)."""
        if run != self._run:
            self._run, self._window, self._host_zero_ns = run, None, host_ns
            self._least.clear()
        delay = (host_ns - self._host_zero_ns) / 1e9 - board_s
        window = int(board_s // WINDOW_S)
        if window != self._window:
            self._window = window
            self._least.append((board_s, delay))
        elif delay < self._least[-1][1]:
            self._least[-1] = (board_s, delay)

    @property
    def rate(self) -> ClockRate | None:
        """None until some seconds of one run have come, and where they did not come in real time."""
        found = self._drift()
        return None if found is None or abs(found.ppm) > 1e6 * _REAL_TIME else found

    @property
    def pace(self) -> float | None:
        """How many of the board's seconds came in each of the host's, where that is no clock's error; else None."""
        found = self._drift()
        return None if found is None or abs(found.ppm) <= 1e6 * _REAL_TIME else 1.0 + found.ppm / 1e6

    def _drift(self) -> ClockRate | None:
        """The last second is left out: it is not over."""
        points = list(self._least)[:-1]
        if len(points) < FEWEST_WINDOWS:
            return None
        board_s, delay = np.array(points).T
        # The median of all slopes (Theil and Sen): seconds in which everything came late, the host being busy or
        # the port's driver holding it back, move it by nothing until they are three in ten.
        slope, _, low, high = (float(x) for x in stats.theilslopes(delay, board_s, alpha=_SURE_OF_INTERVAL))
        if slope <= _NO_TIME_PASSED:
            return None
        # The delay grows where the board is slow: host seconds per board second less one.
        return ClockRate(
            ppm=1e6 * (1.0 / (1.0 + slope) - 1.0), uncertainty_ppm=1e6 * max(high - slope, slope - low)
        )
