"""How much does the same engine differ from one crank to the next, and how far apart may two cranks of it read by that?

Two cranks of an unchanged engine read apart by what each one's cycles scatter, which those cycles tell (a standard
error), and by what the engine does otherwise from crank to crank, of which each untouched pulse is one draw. The second is
a variance component beside known variances (random effects). Its standard deviation is not estimated by one value but
weighed over all it may be: restricted likelihood of the untouched pulses' differences, times a prior. With the three to
seven pulses that there are, a point estimate is 0 half of the time, and a t-factor makes up for that by being huge.

Sources: D. Harville, "Maximum likelihood approaches to variance component estimation", Journal of the American
Statistical Association 72 (1977), for the restricted likelihood; A. Gelman, "Prior distributions for variance parameters in
hierarchical models", Bayesian Analysis 1 (2006), for a half-Cauchy prior where there are few groups. From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from .blocks import Floats

PRIOR_SCALE = 1.5
"""Of the half-Cauchy prior, per cent (of angles: degrees): half of its weight lies below it. An assumption, no source.
`tests/bench/bench_two_cranks.py` counts what it costs in width, and in lost truth where engines do more."""
_TAU = np.concatenate([[0.0], np.geomspace(0.01, 200.0, 120)])
_STEPS = np.gradient(_TAU)
_LEAST, _FARTHEST = 1e-6, 1e5


@dataclass(frozen=True, slots=True)
class CrankScatter:
    """What the standard deviation from crank to crank may be; weights over `_TAU`, summing to 1."""

    weights: Floats

    def quantile(self, share: float) -> float:
        """The standard deviation below which this share of the weight lies; share in (0, 1)."""
        return float(np.interp(share, np.cumsum(self.weights) - self.weights / 2.0, _TAU))

    def reach(self, share: float, within: float, freedom: float, *, alpha: float) -> float:
        """Half-width such that a pulse that did not change reads farther apart with chance alpha.

        share: variance of a pulse against the reference, in variances of one. within: variance of its difference by the
        cycles' scatter, freedom: degrees of freedom behind that.
        """
        spread = np.maximum(np.sqrt(share * _TAU**2 + within), _LEAST)

        def too_often(half: float) -> float:
            outside = 2.0 * special.stdtr(freedom, -half / spread)
            return float((self.weights * outside).sum()) - alpha

        return float(optimize.brentq(too_often, 0.0, _FARTHEST, xtol=1e-4))


NO_SCATTER = CrankScatter(np.where(_TAU == 0.0, 1.0, 0.0))
"""Where nothing tells of it: what cycles scatter, alone."""


def crank_scatter(differences: Sequence[float], variances: Sequence[float]) -> CrankScatter:
    """What the differences of pulses that nothing touches tell of it; with none of them, the prior alone.

    differences: first crank less second, of each pulse; what all share is left out. variances: of each by its cycles.
    """
    apart, known = np.asarray(differences, dtype=np.float64), np.asarray(variances, dtype=np.float64)
    log = -np.log1p((_TAU / PRIOR_SCALE) ** 2)
    if apart.size > 1:
        weight = 1.0 / np.maximum(_TAU[:, None] ** 2 + known, _LEAST)
        total = weight.sum(axis=1)
        middle = (weight * apart).sum(axis=1) / total
        squares = (weight * (apart - middle[:, None]) ** 2).sum(axis=1)
        log = log + 0.5 * (np.log(weight).sum(axis=1) - np.log(total) - squares)
    weights = np.exp(log - log.max()) * _STEPS
    return CrankScatter(weights / weights.sum())
