"""Each cylinder's deviation from the engine's own mean: robust, with an interval valid at every look.

Every cycle is its own yardstick: a value is compared with the mean of that cycle's reference
cylinders, so that a sagging battery or a drifting speed moves all cylinders alike and none's deviation.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from .blocks import Bools, Floats
from .even_margin import EVEN_MARGIN_PERCENT as EVEN_MARGIN_PERCENT
from .messages import VerdictWord
from .sequential import t_limit
from .serial_correlation import Whitened, intervals, standard_errors, whitened

Ints = npt.NDArray[np.int_]

ALPHA = 0.05
FEWEST_CYCLES = 3
_FORESEE_CYCLES = 200
_MAD_TO_SIGMA = 1.4826
_ONE_OFF_SIGMAS = 4.5
_ONE_OFF_LEAST_PERCENT = 4.0
"""A one-off is at least this far off: on very quiet recordings 4.5 sigma would be nothing."""
KEPT_CYCLES = 1000
_FEWEST_TO_DRIFT = 6
_NOISIER = 0.05
"""Chance that a column of the common spread is taken for a noisier one, at one look. It only costs width.

A rough cylinder's interval rests on its own spread then, but still on the freedom of all: with its own alone there
would be no interval before the eighth cycle. Simulated, 20 looks, 95 % shared over the columns: a column three times
as noisy as five others is missed in 5 % of all runs, one four times as noisy as seven others in 10 %; with the
common spread for all of them it was 48 % and 80 %."""


@dataclass(frozen=True, slots=True)
class CylinderDeviation:
    """One cylinder's repeating deviation; deviations in per cent, or degrees for angle features.

    standard_error: of the deviation, at this look alone and by what the cycles scatter alone.
    """

    value: float | None
    deviation: float | None
    low: float | None
    high: float | None
    cycles: int
    one_offs: tuple[int, ...]
    verdict: VerdictWord | None
    more_cycles: int | None
    standard_error: float | None = None


@dataclass(frozen=True, slots=True)
class _Lingering:
    """The same for every coefficient by which a cycle may resemble the one before it."""

    series: Whitened
    deviation: Floats  # shape (rhos, columns)
    sigma: Floats  # pooled, shape (rhos,)
    wide_sigma: (
        Floats  # of each column by itself, where that is more than `sigma`, else that; shape (rhos, columns)
    )


@dataclass(frozen=True, slots=True)
class _Estimate:
    values: Floats
    deviation: Floats
    counts: Floats
    one_off: Bools
    sigma: float  # of one value, pooled over the columns; freedom: its degrees of freedom
    freedom: float
    noisier: Bools  # columns whose own spread exceeds that of the others by more than chance
    lingering: _Lingering | None


class _Running:
    """What the intervals of all looks so far have in common, column by column.

    Each look's interval holds the true value at all looks at once, so that their intersection does too.
    An estimate that leaves it has drifted: then the past is let go of, and the present interval stands alone.
    """

    def __init__(self, columns: int) -> None:
        self._intervals = [(-math.inf, math.inf)] * columns

    def narrowed(self, column: int, deviation: float, now: tuple[float, float]) -> tuple[float, float]:
        if not math.isfinite(now[1] - now[0]):
            return -math.inf, math.inf
        low, high = self._intervals[column]
        low, high = max(low, now[0]), min(high, now[1])
        if not low <= deviation <= high:
            low, high = now
        self._intervals[column] = (low, high)
        return low, high


class BalanceTable:
    """Values of one feature, cycle by cycle: `add` each cycle, then `deviations`.

    cylinders: how many columns. reference: columns whose mean is 100 per cent. relative: per cent of that
    mean, else the difference to it. with_verdict: whether `even`, `smaller`, `larger` are given.
    alpha: chance that the interval of one column may ever lose the truth.
    """

    def __init__(
        self,
        cylinders: int,
        reference: tuple[int, ...],
        *,
        relative: bool,
        with_verdict: bool,
        alpha: float,
    ) -> None:
        self._reference = np.asarray(reference, dtype=int)
        self._relative = relative
        self._with_verdict = with_verdict
        self._alpha = alpha
        self._shares = np.array([self._share(c) for c in range(cylinders)])
        self._rows: list[Floats] = []
        self._indices: list[int] = []
        self._columns = cylinders
        self._left_out: frozenset[int] = frozenset()
        self._pooled = _Running(cylinders)
        self._widened = _Running(cylinders)
        self._given: list[VerdictWord | None] = [None] * cylinders
        self._withdrawn = [False] * cylinders
        self._spread: float | None = None
        self.down, self.up = np.zeros(cylinders), np.zeros(cylinders)
        """By how much more each interval reaches down (<= 0) and up (>= 0): what is no spread from cycle to
        cycle, such as a distortion that is the same in all of them."""
        self.lowest, self.highest = np.full(cylinders, np.inf), np.full(cylinders, -np.inf)
        """What each interval holds besides, where values are bounds of what they measure; no number of cycles changes that."""

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

    @property
    def given(self) -> tuple[VerdictWord | None, ...]:
        """The verdict that each column was given first."""
        return tuple(self._given)

    def remember(self, given: tuple[VerdictWord | None, ...]) -> None:
        """The verdicts of a table that this one replaces: here too none of them may turn into another."""
        self._given = list(given)

    def leave_out(self, cycles: frozenset[int]) -> None:
        """From now on these cycles' values count for nothing. Where such a one did before, intervals begin anew, since those so
        far rest on it; no verdict is forgotten."""
        if cycles != self._left_out and not set(self._indices).isdisjoint(cycles ^ self._left_out):
            self._pooled, self._widened = _Running(self._columns), _Running(self._columns)
        self._left_out = cycles

    def _counted(self) -> tuple[Floats, list[int]]:
        """Values of the cycles that count, shape (cycles, cylinders), and their numbers."""
        rows, indices = self._rows, self._indices
        if self._left_out:
            kept = [k for k, index in enumerate(indices) if index not in self._left_out]
            rows, indices = [rows[k] for k in kept], [indices[k] for k in kept]
        return np.asarray(rows) if rows else np.empty((0, self._columns)), indices

    def level_change(self) -> tuple[float, float] | None:
        """By how many per cent the reference's level changed from the first cycle to the last, and the half-width of
        the 95 % interval of that: a straight line through the logarithm of each cycle's mean (least squares,
        independent cycles). None with fewer than six cycles, or where it is no relative feature."""
        if not self._relative or not self._reference.size:
            return None
        x, indices = self._counted()
        level = _nanmean(x[:, self._reference], axis=1)
        good = np.isfinite(level) & (level > 0)
        if int(good.sum()) < _FEWEST_TO_DRIFT:
            return None
        at = np.asarray(indices, dtype=np.float64)[good]
        line = stats.linregress(at, np.log(level[good]))
        span = float(at[-1] - at[0])
        change = 100.0 * math.expm1(float(line.slope) * span)
        error = float(stats.t.ppf(0.975, at.size - 2)) * float(line.stderr) * span
        return change, (100.0 + change) * error

    def add(self, index: int, values: Floats) -> None:
        """One cycle's values, shape (cylinders,), NaN = left out; index: the cycle's number."""
        self._rows.append(np.asarray(values, dtype=np.float64))
        self._indices.append(index)
        if len(self._rows) > KEPT_CYCLES:
            del self._rows[0], self._indices[0]

    def deviations(self) -> tuple[CylinderDeviation, ...]:
        """The state after the cycles so far; a verdict once given never turns into another one."""
        x, indices = self._counted()
        estimate = self._estimate(x, indices)
        self._spread = estimate.sigma if math.isfinite(estimate.sigma) else None
        pooled, widened = self._ends(estimate, wide=False), self._ends(estimate, wide=True)
        errors = self._errors(estimate)
        return tuple(
            self._of_column(estimate, indices, c, pooled[c], widened[c], float(errors[c]))
            for c in range(self._columns)
        )

    def _of_column(
        self,
        estimate: _Estimate,
        indices: list[int],
        column: int,
        pooled: tuple[float, float],
        widened: tuple[float, float],
        error: float,
    ) -> CylinderDeviation:
        n = int(estimate.counts[column])
        deviation = float(estimate.deviation[column])
        known = math.isfinite(deviation)
        now = widened if estimate.noisier[column] else pooled
        pooled = self._pooled.narrowed(column, deviation, pooled)
        widened = self._widened.narrowed(column, deviation, widened)
        low, high = widened if estimate.noisier[column] else pooled
        low, high = low + float(self.down[column]), high + float(self.up[column])
        held = float(self.lowest[column]), float(self.highest[column])
        low, high = min(low, held[0]), max(high, held[1])
        bounded = math.isfinite(high - low)
        foreseen = bounded and held == (math.inf, -math.inf)
        verdict = self._verdict(column, low, high, n) if self._with_verdict else None
        return CylinderDeviation(
            value=float(estimate.values[column]) if n else None,
            deviation=deviation if known else None,
            low=low if bounded else None,
            high=high if bounded else None,
            cycles=n,
            one_offs=tuple(indices[i] for i in np.flatnonzero(estimate.one_off[:, column])),
            verdict=verdict,
            more_cycles=self._more(estimate, column, now) if verdict == "undecided" and foreseen else None,
            standard_error=error if math.isfinite(error) else None,
        )

    def _errors(self, estimate: _Estimate) -> Floats:
        """Each column's standard error: by its own spread where that exceeds that of all."""
        of = estimate.lingering
        if of is None:
            return np.full(self._columns, np.nan)
        sigmas = np.where(estimate.noisier, of.wide_sigma, of.sigma[:, None])
        return standard_errors(
            of.series,
            estimate.deviation,
            of.deviation,
            sigmas,
            of.sigma,
            self._shares,
            estimate.freedom,
        )

    def _ends(self, estimate: _Estimate, *, wide: bool) -> list[tuple[float, float]]:
        """This look's interval of each column, by the spread of all or by its own where that is wider."""
        of = estimate.lingering
        if of is None or (wide and not estimate.noisier.any()):
            return [(-math.inf, math.inf)] * self._columns
        low, high = intervals(
            of.series,
            estimate.deviation,
            of.deviation,
            of.wide_sigma if wide else np.broadcast_to(of.sigma[:, None], of.deviation.shape),
            of.sigma,
            self._shares,
            estimate.freedom,
            self._alpha,
        )
        return list(zip(low.tolist(), high.tolist(), strict=True))

    def _verdict(self, column: int, low: float, high: float, n: int) -> VerdictWord:
        word = _word(low, high) if n >= FEWEST_CYCLES else "undecided"
        given = self._given[column]
        if given is not None and word != given:
            self._withdrawn[column] = True
        elif word != "undecided":
            self._given[column] = word
            self._withdrawn[column] = False
        return "undecided" if self._withdrawn[column] else word

    def _more(self, estimate: _Estimate, column: int, now: tuple[float, float]) -> int | None:
        """Further cycles, like those so far, until the interval would settle it; None = not to be foreseen.

        now: this look's interval. What it exceeds one of independent cycles by is doubt whether they are, which
        further cycles settle.
        """
        n = float(estimate.counts[column])
        columns = int((estimate.counts > 0).sum())
        sigma = estimate.sigma * math.sqrt(self._shares[column])
        deviation, plain = float(estimate.deviation[column]), sigma * self._radius(n, estimate.freedom)
        excess = max((now[1] - now[0]) / 2.0 / plain - 1.0, 0.0) if math.isfinite(plain) else 0.0

        def settled(more: int) -> bool:
            freedom = estimate.freedom + more * max(1, columns - 1)
            radius = sigma * self._radius(n + more, freedom) * (1.0 + excess * n / (n + more))
            low, high = deviation - radius + self.down[column], deviation + radius + self.up[column]
            return _word(low, high) != "undecided" and n + more >= FEWEST_CYCLES

        # Intervals only narrow, so that what is settled stays so.
        before = bisect.bisect_left(range(1, _FORESEE_CYCLES + 1), True, key=settled)
        return before + 1 if before < _FORESEE_CYCLES else None

    def _radius(self, n: float, freedom: float) -> float:
        """Of an interval of independent cycles, in standard deviations of one value."""
        return t_limit(n, freedom, self._alpha) / math.sqrt(n)

    def _share(self, column: int) -> float:
        """Variance of a value against the mean of r reference columns, in variances of one value.

        1 - 1/r for a column that is part of that mean, 1 + 1/r for one that is not (arithmetic).
        """
        r = self._reference.size
        if not r:
            return 1.0
        return 1.0 - 1.0 / r if column in self._reference else 1.0 + 1.0 / r

    def _estimate(self, x: Floats, indices: list[int]) -> _Estimate:
        cycles, columns = x.shape
        nothing = np.full(columns, np.nan)
        none_off = np.zeros(x.shape, dtype=bool)
        good = np.asarray(np.isfinite(x))
        usable = np.asarray(good.any(axis=0))
        counts = good.sum(axis=0).astype(np.float64)
        values = _nanmean(x, axis=0) if cycles else nothing
        reference = self._reference[usable[self._reference]] if self._reference.size else self._reference
        untold = _Estimate(
            values, nothing, counts, none_off, math.nan, 0.0, np.zeros(columns, dtype=bool), None
        )
        if not cycles or columns < 2 or reference.size < 2:
            return untold
        if self._relative and not float(_nanmean(values[reference], axis=0)) > 0:
            return untold
        scaled, shape = self._by_cycle(x, good, reference, _nanmedian)
        off = self._one_offs(scaled, shape, good)
        kept: Bools = good & ~off
        # Once more, with the cycles' yardsticks free of the one-offs.
        scaled, _ = self._by_cycle(x, kept, reference, _nanmean)
        kept = kept & np.isfinite(scaled)
        n = np.sum(kept, axis=0).astype(np.float64)
        mean = _nanmean(np.where(kept, scaled, np.nan), axis=0)
        level = float(_nanmean(mean[reference], axis=0))
        if not math.isfinite(level) or (self._relative and not level > 0):
            return untold
        deviation = 100.0 * (mean / level - 1.0) if self._relative else mean - level
        residual = np.where(kept, scaled - mean[None, :], 0.0)
        rows_used = int(kept.any(axis=1).sum())
        freedom = float(n.sum() - (n > 0).sum() - max(0, rows_used - 1))
        shares = self._shares
        expected = float((shares * np.maximum(n - 1.0, 0.0)).sum())  # of the sum of squares, in variances
        sigma = math.sqrt(float((residual**2).sum()) / expected) if freedom >= 1 else math.nan
        squares = np.sum(residual**2, axis=0)
        unit = 100.0 / abs(level) if self._relative else 1.0  # of the deviations, in that of `scaled`
        return _Estimate(
            values=_nanmean(np.where(kept, x, np.nan), axis=0),
            deviation=deviation,
            counts=n,
            one_off=off,
            sigma=unit * sigma,
            freedom=freedom,
            noisier=_noisier(squares, shares, n),
            lingering=self._lingering(scaled, kept, indices, reference, unit) if freedom >= 1 else None,
        )

    def _lingering(
        self, scaled: Floats, kept: Bools, indices: list[int], reference: Ints, unit: float
    ) -> _Lingering:
        series = whitened(scaled, kept, np.asarray(indices, dtype=np.float64))
        level = series.mean[:, reference].mean(axis=1, keepdims=True)
        squares, fewer = series.squares, np.maximum(np.sum(kept, axis=0) - 1.0, 0.0)
        pooled = np.sqrt(squares.sum(axis=1) / float((self._shares * fewer).sum()))
        own = np.sqrt(squares / (self._shares * np.maximum(fewer, 1.0)))
        return _Lingering(
            series=series,
            deviation=100.0 * (series.mean / level - 1.0) if self._relative else series.mean - level,
            sigma=unit * pooled,
            wide_sigma=unit * np.fmax(own, pooled[:, None]),
        )

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
            usual = _positive(usual)
            for _ in range(2):
                yardstick = _positive(_nanmedian(masked[:, reference] / usual[reference], axis=1))
                usual = _positive(_nanmedian(masked / yardstick[:, None], axis=0))
            yardstick = _positive(middle(masked[:, reference] / usual[reference], 1))
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
        """Cells far from their column's usual value.

        The scale is that of a fit by medians: 1.4826 times the median of the residuals without the smallest
        ones, as many as were fitted, which such a fit makes vanish (R. Maronna, D. Martin and V. Yohai, Robust
        Statistics, 2006, section 4.4). The plain median of three cylinders' residuals is less than half of it.
        """
        if scaled.shape[0] < FEWEST_CYCLES + 1:
            return np.zeros(scaled.shape, dtype=bool)
        residual = scaled / usual[None, :] - 1.0 if self._relative else scaled - usual[None, :]
        known = good & np.isfinite(residual)
        sizes = np.where(known, np.abs(residual), np.nan)
        ordered = np.sort(sizes[known])
        fitted = int(known.any(axis=0).sum() + known.any(axis=1).sum()) - 1
        if ordered.size <= max(fitted, 0):  # where no usual size is known, nothing was fitted
            return np.zeros(scaled.shape, dtype=bool)
        # What a rough cylinder does in many cycles is no one-off of it.
        spread = _MAD_TO_SIGMA * np.fmax(_nanmedian(sizes, axis=0), float(np.median(ordered[fitted:])))
        least = _ONE_OFF_LEAST_PERCENT / 100.0 if self._relative else _ONE_OFF_LEAST_PERCENT
        limit = np.maximum(self._one_off_sigmas(scaled.shape[0]) * spread, least)
        off: Bools = good & (np.nan_to_num(np.abs(residual)) > limit[None, :])
        return off


def _noisier(squares: Floats, shares: Floats, n: Floats) -> Bools:
    """Columns whose residuals' spread is larger than that of all others together by more than chance: the
    F test of two variances, one-sided.

    squares: sum of squared residuals of each column; shares: their variance, in variances of one value.
    """
    freedom = np.maximum(n - 1.0, 0.0)
    others = squares.sum() - squares
    others_freedom = freedom.sum() - freedom
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (squares / (shares * freedom)) / (others / ((shares * freedom).sum() - shares * freedom))
        chance: Floats = special.fdtrc(freedom, others_freedom, ratio)
    return chance < _NOISIER


def _word(low: float, high: float) -> VerdictWord:
    if high < -EVEN_MARGIN_PERCENT:
        return "smaller"
    if low > EVEN_MARGIN_PERCENT:
        return "larger"
    return "even" if low >= -EVEN_MARGIN_PERCENT and high <= EVEN_MARGIN_PERCENT else "undecided"


def _positive(x: Floats) -> Floats:
    """Sizes that something can be a share of; what is not positive is none."""
    return np.where(x > 0, x, np.nan)


def _nanmedian(x: Floats, axis: int) -> Floats:
    """Median over the good values; NaN where there is none.

    numpy's own goes through masked arrays for small ones, which took most of the pipeline's time.
    """
    ordered = np.sort(x, axis=axis)  # NaN sorts last
    count = np.sum(~np.isnan(x), axis=axis, keepdims=True)
    middles = np.concatenate(
        [np.maximum(count - 1, 0) // 2, np.minimum(count // 2, x.shape[axis] - 1)], axis=axis
    )
    median = np.take_along_axis(ordered, middles, axis=axis).mean(axis=axis)
    return np.where(np.squeeze(count, axis=axis) > 0, median, np.nan)


def _nanmean(x: Floats, axis: int) -> Floats:
    """Mean over the good values; NaN where there is none."""
    good = ~np.isnan(x)
    count = np.sum(good, axis=axis)
    total = np.sum(np.where(good, x, 0.0), axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
