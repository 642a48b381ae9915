"""The mean pulse of one probe by cylinder angle, as orders with their scatter from cycle to cycle.

An order m is what comes m times in 720 degrees. With evenly firing cylinders only multiples of their number
survive the mean over cylinders; uneven ones leave more.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import numpy.typing as npt

from .blocks import Floats
from .engine import CYCLE_DEG

Complexes = npt.NDArray[np.complex128]

STEPS = 360
ORDERS = 25
"""Orders 0 to 24: three events for each of eight cylinders; at 200 rpm that is 40 Hz."""
_LIKE, _FEWEST_LEAST = 3, 3
_NO_NOISE = 0.25
"""A cycle is held against so many before it. The least of such differences between cycles of noise is less than this share of the
usual one in fewer than 1 of 100 recordings of 14 cycles, even where its band leaves six degrees of freedom to a cycle (simulated:
tests/dsp/test_comes_and_goes.py; white noise within 0.5 to 50 Hz has some 60): then the signal has two states."""
_KEPT_CHANGES = 60
"""Differences between cycles of which the median is taken: the noise is what it has been lately, at a cost that does not grow."""


def harmonics(cycle: Floats, firing_deg: Floats) -> Complexes:
    """(ORDERS,) coefficients of exp(i m x), x = 2 pi of cylinder angle / 720, of the mean over cylinders.

    cycle: the signal at STEPS even angles over one cycle and at its end. firing_deg: each heard cylinder's firing TDC,
    degrees after the cycle's start.
    """
    orders = np.arange(ORDERS)
    found = np.fft.rfft(without_drift(cycle))[:ORDERS] / (cycle.size - 1)
    turns = np.exp(2j * math.pi * np.outer(orders, firing_deg) / CYCLE_DEG).mean(axis=1)
    return np.asarray(found * turns)


def without_drift(cycle: Floats) -> Floats:
    """A cycle that ends higher than it began is drifting; its step at the seam would leak into all orders.

    cycle: shape (steps + 1,), the last one being the next cycle's first. Returns shape (steps,).
    """
    return np.asarray((cycle - (cycle[-1] - cycle[0]) * np.linspace(0.0, 1.0, cycle.size))[:-1])


def array_factor(firing_deg: Floats) -> Floats:
    """(ORDERS,) how much of each order cylinders at these places leave, 0 to 1."""
    orders = np.arange(ORDERS)
    return np.asarray(np.abs(np.exp(2j * math.pi * np.outer(orders, firing_deg) / CYCLE_DEG).mean(axis=1)))


class MeanCycle:
    """`add` one cycle after another; the mean of all, and its orders with their standard errors."""

    def __init__(self) -> None:
        self.cycles = 0
        self.seconds = 0.0
        self._whole = np.zeros(STEPS)
        self._times = np.zeros(STEPS + 1)
        self._before: deque[Floats] = deque(maxlen=_LIKE)
        self._changes: deque[float] = deque(maxlen=_KEPT_CHANGES)
        self._least_changes: deque[float] = deque(maxlen=_KEPT_CHANGES)
        self._sum = np.zeros(ORDERS, dtype=np.complex128)
        self._squares = np.zeros(ORDERS)

    def add(self, cycle: Floats, times: Floats, firing_deg: Floats) -> None:
        """One cycle at STEPS even angles and its end, when those were in seconds, both shape (STEPS + 1,), and
        where its cylinders fire."""
        found = harmonics(cycle, firing_deg)
        self.cycles += 1
        steady = without_drift(cycle)
        self._whole += steady
        level = steady - steady.mean()
        if self._before:
            changes = [float(np.mean((level - before) ** 2)) for before in self._before]
            self._changes.append(changes[-1])
            if len(changes) == _LIKE:
                self._least_changes.append(min(changes))
        self._before.append(level)
        self.seconds += float(times[-1] - times[0])
        self._times += times - times[0]
        self._sum += found
        self._squares += np.abs(found) ** 2

    @property
    def whole(self) -> Floats:
        """(STEPS,) the mean cycle, from the cycle's start, all cylinders apart."""
        return self._whole / max(1, self.cycles)

    @property
    def signal_to_noise_db(self) -> float | None:
        """Power of what comes in every cycle over that of what does not, dB; None for fewer than three cycles.

        Of two cycles in a row the difference holds twice the noise's power. Its median is taken: a level that settles, a pulse
        that grows, or one bad cycle is no noise. Nor is a pulse that comes and goes: a cycle without it is like another one
        before it, so much more than noise alone ever makes one of the last few like it.
        """
        if self.cycles < 3:
            return None
        every = float(np.var(self.whole))
        changes = float(np.median(self._changes))
        least = (
            float(np.median(self._least_changes)) if len(self._least_changes) >= _FEWEST_LEAST else changes
        )
        noise = max((least if least < _NO_NOISE * changes else changes) / 2.0, 1e-12 * every)
        signal = max(every - noise / self.cycles, 1e-12 * every)
        return 10.0 * math.log10(signal / noise) if signal > 0 and noise > 0 else None

    @property
    def times(self) -> Floats:
        """(STEPS + 1,) seconds from the cycle's start to each step and to the end, on average."""
        return self._times / max(1, self.cycles)

    @property
    def mean(self) -> Complexes:
        return np.asarray(self._sum / max(1, self.cycles))

    @property
    def error(self) -> Floats:
        """(ORDERS,) standard error of each mean, real and imaginary part alike; infinite for a single cycle."""
        if self.cycles < 2:
            return np.full(ORDERS, np.inf)
        spread = np.maximum(self._squares / self.cycles - np.abs(self.mean) ** 2, 0.0)
        return np.asarray(np.sqrt(spread / 2.0 / (self.cycles - 1)))

    @property
    def skewness(self) -> float:
        """Third moment of the mean pulse about its mean, in its standard deviation; it knows no shift."""
        pulse = np.fft.irfft(np.concatenate([[0.0], self.mean[1:]]), STEPS)
        deviation = float(np.sqrt(np.mean(pulse**2)))
        return float(np.mean(pulse**3)) / deviation**3 if deviation > 0 else 0.0

    @property
    def cycle_hz(self) -> float:
        """Cycles a second; an order m comes m times as often."""
        return self.cycles / self.seconds
