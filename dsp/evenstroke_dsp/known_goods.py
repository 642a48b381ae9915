"""What one's own known-good engines of a family show: within which range healthy ones lie."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from .blocks import Floats
from .messages import Normal, StretchKind

FEWEST_ENGINES = 3
"""Two tell how much they differ with one degree of freedom: their range would hold everything."""
SHARE = 0.95
"""So many of a family's healthy engines lie within the range with all their cylinders,"""
CONFIDENCE = 0.95
"""and this sure is that, whichever engines happen to be on the shelf."""

Key = tuple[str, str, StretchKind]
"""A probe's name, a feature, a stretch."""


@dataclass(frozen=True)
class HealthyPulses:
    """One comparison of known-goods.

    engines: for each engine its recordings' mean values, (recordings, columns), columns the cylinders in firing order. Each
    recording in a unit of its own: gains need not be alike. errors: the deviations' standard errors, shaped alike, per
    cent (degrees); NaN where none was stated.
    """

    engines: tuple[Floats, ...]
    errors: tuple[Floats, ...]


@dataclass(frozen=True)
class KnownGoods:
    """Known-good engines of one family, cylinder count and firing order, as far as they fit a set-up.

    cylinders: of each probe, in firing order. note: what the reader is to know of the shelf; empty for nothing.
    """

    cylinders: Mapping[str, tuple[int, ...]]
    pulses: Mapping[Key, HealthyPulses]
    note: str = ""
    _said: dict[object, dict[int, Normal] | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """The same questions come with every cycle."""

    def normal(self, key: Key, reference: Sequence[int], *, relative: bool) -> dict[int, Normal] | None:
        """By cylinder, within what healthy engines of the family lie; None where too few are known.

        reference: columns whose mean is 100 per cent. relative: per cent of it; else the difference to it.
        """
        asked = (key, tuple(reference))
        if asked not in self._said:
            self._said[asked] = self._normal(key, reference, relative=relative)
        return self._said[asked]

    def _normal(self, key: Key, reference: Sequence[int], *, relative: bool) -> dict[int, Normal] | None:
        pulses = self.pulses.get(key)
        if pulses is None or len(pulses.engines) < FEWEST_ENGINES or pulses.engines[0].shape[1] < 2:
            return None
        rows = [_deviations(each, reference, relative=relative).mean(axis=0) for each in pulses.engines]
        low, high = healthy_range(np.asarray(rows), _cycles_error(pulses.errors))
        from_ = f"{len(rows)} known-goods of this family"
        return {
            cylinder: Normal(low=float(low[k]), high=float(high[k]), from_=from_)
            for k, cylinder in enumerate(self.cylinders[key[0]])
        }


def healthy_range(deviations: Floats, least: float = 0.0) -> tuple[Floats, Floats]:
    """Within what at least `SHARE` of the family's healthy engines lie with all their cylinders; it holds for a share of
    `CONFIDENCE` of all shelves.

    deviations: (engines, cylinders), at least two of each. least: a standard deviation that the engines' scatter is not
    taken to be below. Lows and highs, (cylinders,).

    A tolerance interval of a normal law about each cylinder's own mean, since runners are unlike; the share for all cylinders
    together by Bonferroni. How much engines scatter is pooled over cylinders, which assumes that it is much the same for all.
    Their deviations sum to zero and go together, so that they are fewer than they look: `epsilon` says how many degrees of
    freedom they are worth. What one recording's cycles leave open is part of the scatter and is not taken off.
    """
    engines, cylinders = deviations.shape
    middles = deviations.mean(axis=0)
    covariance = np.cov(deviations, rowvar=False)
    freedom = (engines - 1) * (cylinders - 1) * epsilon(covariance, engines)
    spread = max(math.sqrt(float(np.trace(covariance)) / cylinders), least)
    reach = spread * tolerance_factor(engines, freedom, 1.0 - (1.0 - SHARE) / cylinders, CONFIDENCE)
    return middles - reach, middles + reach


def tolerance_factor(values: int, freedom: float, share: float, confidence: float) -> float:
    """So many standard deviations about the mean of `values` values hold a share of a normal law's.

    Howe, Two-sided tolerance limits for normal populations, Journal of the American Statistical Association 64, 1969; as in the
    NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3, and Hahn and Meeker, Statistical Intervals, 1991, chapter 4
    (all from memory). freedom: of the standard deviation, values - 1 where it is theirs alone.
    """
    quantile = float(stats.norm.ppf((1.0 + share) / 2.0))
    unlucky = float(stats.chi2.ppf(1.0 - confidence, freedom))
    return quantile * math.sqrt(freedom * (1.0 + 1.0 / values) / unlucky)


def epsilon(covariance: Floats, engines: int) -> float:
    """What share of (engines - 1) (cylinders - 1) degrees of freedom a pooled variance has, 1 / (cylinders - 1) to 1.

    Huynh and Feldt, Journal of Educational Statistics 1, 1976, at least Greenhouse and Geisser's, Psychometrika 24, 1959
    (both from memory), of deviations from a mean: their covariance has no part along it. The latter alone would make ranges
    of three engines half as wide again (`tests/bench/bench_shelf.py` counts both).
    """
    one_less = covariance.shape[0] - 1
    centred = covariance - covariance.mean(axis=0) - covariance.mean(axis=1)[:, None] + covariance.mean()
    total = float((centred**2).sum())
    if total <= 0.0:
        return 1.0
    box: float = float(np.trace(centred)) ** 2 / total / one_less
    rest = engines - 1 - one_less * box
    huynh = (engines * one_less * box - 2.0) / (one_less * rest) if rest > 1e-9 else 1.0
    return min(max(huynh, box), 1.0)


def _deviations(values: Floats, reference: Sequence[int], *, relative: bool) -> Floats:
    level = values[:, list(reference)].mean(axis=1, keepdims=True)
    return np.asarray(100.0 * (values / level - 1.0) if relative else values - level)


def _cycles_error(errors: Sequence[Floats]) -> float:
    """What cycles alone make engines differ by, root of the mean square; 0 where no recording states it.

    Engines cannot be known to differ less: three copies of one recording would otherwise leave no room at all.
    """
    squares = [each**2 / each.shape[0] for each in errors]
    stated = np.concatenate([s[np.isfinite(s)] for s in squares])
    return math.sqrt(float(stated.mean())) if stated.size else 0.0
