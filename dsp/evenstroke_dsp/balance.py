"""Each cylinder's deviation from the engine's own mean: robust, with an interval valid at every look.

Every cycle is its own yardstick: a value is compared with the mean of that cycle's reference
cylinders, so that a sagging battery or a drifting speed moves all cylinders alike and none's deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .blocks import Bools, Floats
from .messages import VerdictWord
from .sequential import t_limit

Ints = npt.NDArray[np.int_]

EVEN_MARGIN_PERCENT = 5.0
ALPHA = 0.05
FEWEST_CYCLES = 3
_FORESEE_CYCLES = 200
_MAD_TO_SIGMA = 1.4826
_ONE_OFF_SIGMAS = 4.5
_ONE_OFF_LEAST_PERCENT = 4.0
"""A one-off is at least this far off: on very quiet recordings 4.5 sigma would be nothing."""
_KEPT_CYCLES = 1000


@dataclass(frozen=True, slots=True)
class CylinderDeviation:
    """One cylinder's repeating deviation; deviations in per cent, or degrees for angle features."""

    value: float | None
    deviation: float | None
    low: float | None
    high: float | None
    cycles: int
    one_offs: tuple[int, ...]
    verdict: VerdictWord | None
    more_cycles: int | None


@dataclass(frozen=True, slots=True)
class _Estimate:
    values: Floats
    deviation: Floats
    radius: Floats
    counts: Floats
    one_off: Bools
    sigma: float
    freedom: float


class BalanceTable:
    """Values of one feature, cycle by cycle: `add` each cycle, then `deviations`.

    cylinders: how many columns. reference: columns whose mean is 100 per cent. relative: per cent of that
    mean, else the difference to it. with_verdict: whether `even`, `smaller`, `larger` are given.
    comparisons: over how many verdicts, in all, the 95 % are shared.
    """

    def __init__(
        self,
        cylinders: int,
        reference: tuple[int, ...],
        *,
        relative: bool,
        with_verdict: bool,
        comparisons: int,
    ) -> None:
        self._reference = np.asarray(reference, dtype=int)
        self._relative = relative
        self._with_verdict = with_verdict
        self._alpha = ALPHA / max(1, comparisons)
        self._rows: list[Floats] = []
        self._indices: list[int] = []
        self._given: list[VerdictWord | None] = [None] * cylinders
        self._withdrawn = [False] * cylinders
        self._spread: float | None = None

    @property
    def cycles(self) -> int:
        return len(self._rows)

    @property
    def spread(self) -> float | None:
        """Standard deviation from cycle to cycle at the last look, pooled over cylinders, per cent or
        degrees; None while it cannot be told."""
        return self._spread

    @property
    def withdrawn(self) -> tuple[bool, ...]:
        """Columns whose verdict was given once and no longer holds."""
        return tuple(self._withdrawn)

    def add(self, index: int, values: Floats) -> None:
        """One cycle's values, shape (cylinders,), NaN = left out; index: the cycle's number."""
        self._rows.append(np.asarray(values, dtype=np.float64))
        self._indices.append(index)
        if len(self._rows) > _KEPT_CYCLES:
            del self._rows[0], self._indices[0]

    def deviations(self) -> tuple[CylinderDeviation, ...]:
        """The state after the cycles so far; a verdict once given never turns into another one."""
        x = np.asarray(self._rows) if self._rows else np.empty((0, len(self._given)))
        estimate = self._estimate(x)
        self._spread = estimate.sigma if math.isfinite(estimate.sigma) else None
        out = []
        for c in range(x.shape[1]):
            one_offs = tuple(self._indices[i] for i in np.flatnonzero(estimate.one_off[:, c]))
            n = int(estimate.counts[c])
            deviation, radius = estimate.deviation[c], estimate.radius[c]
            known = bool(np.isfinite(deviation))
            bounded = known and bool(np.isfinite(radius))
            verdict = self._verdict(c, float(deviation), float(radius), n) if self._with_verdict else None
            out.append(
                CylinderDeviation(
                    value=float(estimate.values[c]) if n else None,
                    deviation=float(deviation) if known else None,
                    low=float(deviation - radius) if bounded else None,
                    high=float(deviation + radius) if bounded else None,
                    cycles=n,
                    one_offs=one_offs,
                    verdict=verdict,
                    more_cycles=self._more(estimate, c) if verdict == "undecided" and bounded else None,
                )
            )
        return tuple(out)

    def _verdict(self, column: int, deviation: float, radius: float, n: int) -> VerdictWord:
        word = _word(deviation, radius) if n >= FEWEST_CYCLES else "undecided"
        given = self._given[column]
        if given is not None and word != given:
            self._withdrawn[column] = True
        elif word != "undecided":
            self._given[column] = word
            self._withdrawn[column] = False
        return "undecided" if self._withdrawn[column] else word

    def _more(self, estimate: _Estimate, column: int) -> int | None:
        """Further cycles, like those so far, until the interval would settle it; None = not to be foreseen."""
        n = float(estimate.counts[column])
        columns = max(1, int((estimate.counts > 0).sum()))
        for more in range(1, _FORESEE_CYCLES + 1):
            freedom = estimate.freedom + more * max(1, columns - 1)
            radius = self._radius(estimate.sigma, n + more, freedom, columns)
            if _word(float(estimate.deviation[column]), radius) != "undecided" and n + more >= FEWEST_CYCLES:
                return more
        return None

    def _radius(self, sigma: float, n: float, freedom: float, columns: int) -> float:
        spread = sigma * math.sqrt(max(1.0 - 1.0 / columns, 0.5) / n) if n else math.inf
        limit = t_limit(n, freedom, self._alpha)
        return spread * limit if math.isfinite(limit) else math.inf

    def _estimate(self, x: Floats) -> _Estimate:
        cycles, columns = x.shape
        nothing = np.full(columns, np.nan)
        none_off = np.zeros(x.shape, dtype=bool)
        good: Bools = np.isfinite(x)
        usable = good.any(axis=0)
        counts = good.sum(axis=0).astype(np.float64)
        values = np.array(
            [x[np.flatnonzero(good[:, c]), c].mean() if usable[c] else np.nan for c in range(columns)]
        )
        reference = self._reference[usable[self._reference]] if self._reference.size else self._reference
        if not cycles or columns < 2 or reference.size < 2:
            return _Estimate(values, nothing, nothing.copy(), counts, none_off, math.nan, 0.0)
        if self._relative and not float(np.nanmean(values[reference])) > 0:
            return _Estimate(values, nothing, nothing.copy(), counts, none_off, math.nan, 0.0)
        scaled, shape = self._by_cycle(x, good, reference, _nanmedian)
        off = self._one_offs(scaled, shape, good)
        kept: Bools = good & ~off
        # Once more, with the cycles' yardsticks free of the one-offs.
        scaled, _ = self._by_cycle(x, kept, reference, _nanmean)
        n = np.sum(kept, axis=0).astype(np.float64)
        mean = np.array([scaled[kept[:, c], c].mean() if n[c] else np.nan for c in range(columns)])
        level = float(np.nanmean(mean[reference]))
        deviation = 100.0 * (mean / level - 1.0) if self._relative else mean - level
        residual = np.where(kept, scaled - mean[None, :], 0.0)
        rows_used = int(kept.any(axis=1).sum())
        freedom = float(n.sum() - (n > 0).sum() - max(0, rows_used - 1))
        sigma = math.sqrt(float((residual**2).sum()) / freedom) if freedom >= 1 else math.nan
        if self._relative:
            sigma *= 100.0 / abs(level)
        used = int((n > 0).sum())
        radius = np.array(
            [self._radius(sigma, k, freedom, used) if k and freedom >= 1 else np.inf for k in n]
        )
        values = np.array([x[kept[:, c], c].mean() if n[c] else np.nan for c in range(columns)])
        return _Estimate(values, deviation, radius, n, off, sigma, freedom)

    def _by_cycle(
        self, x: Floats, kept: Bools, reference: Ints, middle: Callable[[Floats, int], Floats]
    ) -> tuple[Floats, Floats]:
        """Each value against its cycle's yardstick, and each column's usual value on that scale.

        The yardstick of a cycle in which a reference cylinder is missing is corrected for how that cylinder
        usually stands, else its absence would move the others. `middle` makes the yardstick: the median
        does not move with a one-off, the mean wastes nothing once those are out.
        """
        masked = np.where(kept, x, np.nan)
        usual = _nanmedian(masked, axis=0)
        if self._relative:
            usual = np.where(usual == 0, np.nan, usual)
            for _ in range(2):
                yardstick = _nanmedian(masked[:, reference] / usual[reference], axis=1)
                usual = _nanmedian(masked / yardstick[:, None], axis=0)
            yardstick = middle(masked[:, reference] / usual[reference], 1)
            return masked / yardstick[:, None], usual
        for _ in range(2):
            yardstick = _nanmedian(masked[:, reference] - usual[reference], axis=1)
            usual = _nanmedian(masked - yardstick[:, None], axis=0)
        yardstick = middle(masked[:, reference] - usual[reference], 1)
        return masked - yardstick[:, None], usual

    @staticmethod
    def _one_off_sigmas(cycles: int) -> float:
        """Few cycles make the spread look small, since the medians follow them."""
        return _ONE_OFF_SIGMAS * (1.0 + 4.0 / cycles)

    def _one_offs(self, scaled: Floats, usual: Floats, good: Bools) -> Bools:
        if scaled.shape[0] < FEWEST_CYCLES + 1:
            return np.zeros(scaled.shape, dtype=bool)
        residual = scaled / usual[None, :] - 1.0 if self._relative else scaled - usual[None, :]
        sizes = np.abs(residual[good & np.isfinite(residual)])
        if not sizes.size:
            return np.zeros(scaled.shape, dtype=bool)
        spread = _MAD_TO_SIGMA * float(np.median(sizes))
        least = _ONE_OFF_LEAST_PERCENT / 100.0 if self._relative else _ONE_OFF_LEAST_PERCENT
        limit = max(self._one_off_sigmas(scaled.shape[0]) * spread, least)
        return good & (np.nan_to_num(np.abs(residual)) > limit)


def _word(deviation: float, radius: float) -> VerdictWord:
    if not (math.isfinite(deviation) and math.isfinite(radius)):
        return "undecided"
    if deviation + radius < -EVEN_MARGIN_PERCENT:
        return "smaller"
    if deviation - radius > EVEN_MARGIN_PERCENT:
        return "larger"
    return "even" if abs(deviation) + radius <= EVEN_MARGIN_PERCENT else "undecided"


def _nanmedian(x: Floats, axis: int) -> Floats:
    """Median over the good values; NaN, without a warning, where there is none."""
    empty = np.isnan(x).all(axis=axis, keepdims=True)
    result = np.nanmedian(np.where(empty, 0.0, x), axis=axis)
    return np.where(np.squeeze(empty, axis=axis), np.nan, result)


def _nanmean(x: Floats, axis: int) -> Floats:
    empty = np.isnan(x).all(axis=axis, keepdims=True)
    result = np.nanmean(np.where(empty, 0.0, x), axis=axis)
    return np.where(np.squeeze(empty, axis=axis), np.nan, result)
