"""What kinds of engines the two plain models know: their cylinders, order and dimensions.

Sizes and orders are ordinary ones (common practice, no source); no real engine is meant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Kind:
    """order: maker's numbers in firing order. intervals: degrees from each to the next. banks: who shares a pipe."""

    order: tuple[int, ...]
    intervals: tuple[float, ...]
    banks: tuple[tuple[int, ...], ...]
    cylinder_cc: float

    @property
    def cylinders(self) -> int:
        """How many."""
        return len(self.order)

    def firing_deg(self) -> np.ndarray:
        """Firing TDC of cylinder 1, 2, ... in degrees after cylinder 1's; shape (cylinders,)."""
        at = np.concatenate([[0.0], np.cumsum(self.intervals)[:-1]])
        place = {cylinder: at[i] for i, cylinder in enumerate(self.order)}
        zero = place[1]
        return np.array([(place[c] - zero) % 720.0 for c in range(1, self.cylinders + 1)])


def _even(order: tuple[int, ...], cc: float, banks: tuple[tuple[int, ...], ...] | None = None) -> Kind:
    n = len(order)
    return Kind(order, (720.0 / n,) * n, banks or (tuple(sorted(order)),), cc)


KINDS = {
    "three": _even((1, 3, 2), 333.0),
    "four": _even((1, 3, 4, 2), 480.0),
    "four_b": _even((1, 2, 4, 3), 350.0),
    "flat_four": _even((1, 3, 2, 4), 500.0),
    "five": _even((1, 2, 4, 5, 3), 480.0),
    "six": _even((1, 5, 3, 6, 2, 4), 495.0),
    "v6": _even((1, 2, 3, 4, 5, 6), 500.0, ((1, 3, 5), (2, 4, 6))),
    "v6_b": _even((1, 6, 5, 4, 3, 2), 480.0, ((1, 3, 5), (2, 4, 6))),
    "v8": _even((1, 8, 4, 3, 6, 5, 7, 2), 600.0, ((1, 3, 5, 7), (2, 4, 6, 8))),
    "v8_b": _even((1, 3, 7, 2, 6, 5, 4, 8), 575.0, ((1, 2, 3, 4), (5, 6, 7, 8))),
    "twin": Kind((1, 2), (270.0, 450.0), ((1, 2),), 450.0),
    "twin_b": Kind((1, 2), (315.0, 405.0), ((1, 2),), 600.0),
    "odd_v6": Kind((1, 6, 5, 4, 3, 2), (150.0, 90.0) * 3, ((1, 3, 5), (2, 4, 6)), 600.0),
}
