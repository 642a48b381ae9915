"""What a low corner that nobody stated may have done to a probe's balance: it widens, and corrects nothing.

A first-order corner attenuates and turns the low orders, which tell cylinders apart. Over the corners that
the recording leaves plausible, the mean cycle is undone and measured again; how far the deviations then move
is what the interval has to hold besides its own width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid

from .blocks import Floats

_MASS = 0.99
_LARGEST_FALL = 20.0
"""Heights of the pulse by which the level moves at most as the crank begins to turn (16 in simulated cranks)."""
_LEAST_LEFT = 0.3
"""Heights of the pulse that the level must still be off, before that counts as not decayed."""


@dataclass(frozen=True, slots=True)
class Widening:
    """Per place, how far low moves down (<= 0) and high up (>= 0); per cent or degrees, shape (places,)."""

    down: Floats
    up: Floats


def undone_cycle(cycle: Floats, t: Floats, low_corner_hz: float) -> Floats:
    """One cycle that repeats, as it was before a first-order high-pass: x + 2 pi fc times its integral.

    cycle: shape (steps,). t: seconds at each step and at the cycle's end, shape (steps + 1,).
    """
    closed = np.append(cycle, cycle[0])
    # What a coupled probe reads of a steady cycle has no mean of its own.
    ac = closed - np.trapezoid(closed, t) / (t[-1] - t[0])
    integral = cumulative_trapezoid(ac, x=t, initial=0)
    return np.asarray(cycle + 2 * math.pi * low_corner_hz * integral[:-1])


def plausible(corners_hz: Floats, probability: Floats, highest_hz: float) -> Floats:
    """The corners that together have 99 % of the probability, most probable first; a bound leaves out what is above."""
    # The bound may lie anywhere below the next corner of the grid.
    allowed = int(np.searchsorted(corners_hz, highest_hz)) + 1
    weights = np.where(np.arange(corners_hz.size) < allowed, probability, 0.0)
    if not weights.sum() > 0:
        return corners_hz[:1]
    order = np.argsort(weights)[::-1]
    mass = np.cumsum(weights[order]) / weights.sum()
    kept = order[: int(np.searchsorted(mass, _MASS)) + 1]
    return np.asarray(np.sort(corners_hz[kept]))


def highest_corner(left: float, seconds: float) -> float:
    """The highest corner, Hz, behind which a level that moved at first could still be this far off.

    left: how far the level of a cycle is from that of the rest before, in heights of the pulse. seconds: since
    the crank began to turn. A step of s heights is s exp(-2 pi fc t) after t.
    """
    if abs(left) < _LEAST_LEFT or not seconds > 0:
        return math.inf
    return max(0.0, math.log(_LARGEST_FALL / abs(left))) / (2 * math.pi * seconds)


def widening(
    as_read: Floats, undone: Floats, reference: tuple[int, ...], *, relative: bool
) -> Widening | None:
    """How far deviations move, over all corners tried.

    as_read: a feature's values of the mean cycle, shape (places,). undone: the same for each corner, shape
    (corners, places). reference: the places whose mean is 100 per cent. None where they cannot be compared.
    """
    if not np.isfinite(as_read).all() or not undone.size:
        return None
    moved = _deviations(undone, reference, relative) - _deviations(as_read[None, :], reference, relative)
    moved = moved[np.isfinite(moved).all(axis=1)]
    if not moved.size:
        return None
    return Widening(np.minimum(moved.min(axis=0), 0.0), np.maximum(moved.max(axis=0), 0.0))


def _deviations(values: Floats, reference: tuple[int, ...], relative: bool) -> Floats:
    level = values[:, list(reference)].mean(axis=1, keepdims=True)
    if not relative:
        return np.asarray(values - level)
    return np.asarray(100.0 * (values / np.where(level > 0, level, np.nan) - 1.0))
