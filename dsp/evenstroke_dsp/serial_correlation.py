"""What a mean is worth where each cycle resembles the one before it, at every look.

Values that linger (a first-order autoregression with coefficient rho) make a mean of n cycles less certain than n
independent ones, and ten cycles tell rho but roughly. So it is not estimated: each rho gets a prior weight, most of it
at 0, and keeps of that what the residuals leave it. For each rho the series are whitened; with L_rho(d) the likelihood
that deviation d has in them (all other means, the cycles' levels and the scale integrated out) and e_rho(d) the
e-process of `sequential`,

    E(d) = sum_rho w_rho L_rho(d) e_rho(d) / sum_rho w_rho L_rho(d)

is an e-process of the mixture over rho: by Ville's inequality it reaches 1/alpha with probability at most alpha where
rho is as likely as its weight says, and at most alpha / w_rho for any single one. That last bound is far from what
happens: of 4000 simulated cranks of 20 cycles and three to eight cylinders, looked at after each cycle, 8.1 in 100 have an
interval that ever loses the truth at rho 0.5 (95 % bounds 7.3 to 9.0; 103 of the 1000 with eight cylinders), mostly
within the first five cycles (`tests/bench/bench_sequential.py` counts). Above `STRONGEST` nothing is promised.
Sources: H. Robbins, "Statistical methods related to the law of the iterated logarithm", Annals of Mathematical
Statistics 41 (1970), for mixtures; G. Box, G. Jenkins and G. Reinsel, Time Series Analysis (2008), for the likelihood of an
autoregression. From memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .blocks import Bools, Floats
from .sequential import PRIOR_PRECISION, log_e

STRONGEST = 0.6
RHOS = np.linspace(0.0, STRONGEST, 7)
_STEEPNESS = 1.4
"""Of the rhos but 0 each has so much more weight than the next smaller one: the larger do the harm."""
_SIDES = np.array([-1.0, 1.0])
_REACHES = np.concatenate([[0.0], np.geomspace(0.5, 500.0, 40)])
"""In standard errors of independent cycles: where the end of an interval is looked for, between two of them on a straight line
(which is a little too far out, since log E bends down). One farther out is none."""


def log_weights(columns: int) -> Floats:
    """Natural logarithm of the prior weight of each of `RHOS`: of all but 0, one part in as many as there are columns and 1.

    The more columns, the better their residuals tell rho, and the less needs to be granted beforehand. Any weights that
    sum to 1 would do. More on 0 settles independent cycles sooner and loses the truth of lingering ones more often
    (`tests/bench/bench_sequential.py` counts both). Twice the weight, with eight cylinders: 14 instead of 20 of 150 cranks lose
    the truth at rho 0.5, but at a spread of 1.9 % 10 % is called within six cycles in 124 instead of 138 of 150 independent ones.
    """
    lingering = _STEEPNESS ** np.arange(RHOS.size - 1)
    lingering /= (columns + 1) * lingering.sum()
    out: Floats = np.log(np.concatenate([[1.0 - lingering.sum()], lingering]))
    return out


@dataclass(frozen=True, slots=True)
class Whitened:
    """Series by column, for each rho of `RHOS`.

    worth: independent observations that each column's mean is worth, shape (rhos, columns). mean: each column's mean by
    generalised least squares. squares: sum of squared residuals of each column. log_det: of the whitening, all columns.
    """

    worth: Floats
    mean: Floats
    squares: Floats
    log_det: Floats


def whitened(x: Floats, kept: Bools, index: Floats) -> Whitened:
    """x: shape (cycles, columns), used where `kept`. index: each cycle's number, shape (cycles,), ascending.

    A value m cycles after the last kept one of its column resembles that by rho to the power m.
    """
    rows = np.arange(x.shape[0])[:, None]
    last = np.maximum.accumulate(np.where(kept, rows, -1), axis=0)
    before = np.concatenate([np.full((1, x.shape[1]), -1), last[:-1]])
    lag = np.where(before >= 0, index[:, None] - index[np.maximum(before, 0)], np.inf)
    earlier = np.where(before >= 0, np.take_along_axis(x, np.maximum(before, 0), axis=0), 0.0)
    likeness = np.where(np.isinf(lag), 0.0, RHOS[:, None, None] ** np.where(np.isinf(lag), 1.0, lag))
    scale = np.sqrt(1.0 - likeness**2)
    one = np.where(kept, (1.0 - likeness) / scale, 0.0)
    y = np.where(kept, (np.where(kept, x, 0.0) - likeness * earlier) / scale, 0.0)
    worth = np.sum(one**2, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.sum(one * y, axis=1) / worth
    squares = np.sum((y - one * np.where(worth > 0, mean, 0.0)[:, None, :]) ** 2, axis=1)
    log_det = -np.sum(np.where(kept, np.log(scale), 0.0), axis=(1, 2))
    return Whitened(worth, mean, squares, log_det)


def intervals(
    series: Whitened,
    deviations: Floats,
    means: Floats,
    sigmas: Floats,
    pooled: Floats,
    shares: Floats,
    freedom: float,
    alpha: float,
) -> tuple[Floats, Floats]:
    """For each column the lowest and the highest deviation that cannot be excluded; infinite where none can.

    deviations: the plain ones, shape (columns,). means, sigmas: for each rho the columns' deviations, and the standard
    deviation of one value, shape (rhos, columns). pooled: that of all columns together, by which rhos are weighed,
    shape (rhos,). shares: variance of a value against the reference, in variances of one
    value, shape (columns,). freedom: degrees of freedom behind sigmas. alpha: in (0, 1).
    """
    columns = deviations.size
    told = _told(series, deviations, sigmas)
    nothing = np.full(columns, -np.inf), np.full(columns, np.inf)
    if freedom < 1 or not told.any():
        return nothing
    worth, means, sigmas = series.worth[:, told], means[:, told], sigmas[:, told]
    errors = sigmas * np.sqrt(shares[told] / worth)
    shrink = PRIOR_PRECISION / (worth + PRIOR_PRECISION)
    # L_rho without what is the same for every rho: of the others' means, as many as are free are integrated out.
    free = max(int(told.sum()) - 1, 1)
    log_det = series.log_det[:, None] * free / told.sum()
    log_l = log_det - 0.5 * (free - 1) * np.log(worth) - (freedom + 1.0) * np.log(pooled)[:, None]
    # Shape from here on: (rhos, columns, sides, reaches).
    tried = deviations[told][:, None, None] + _SIDES[:, None] * _REACHES * errors[0][:, None, None]
    u = ((means[:, :, None, None] - tried) / errors[:, :, None, None]) ** 2 / freedom
    log_null = (
        log_weights(columns)[:, None, None, None]
        + log_l[:, :, None, None]
        - 0.5 * (freedom + 1.0) * np.log1p(u)
    )
    log_any = log_null + log_e(shrink[:, :, None, None], u, freedom)
    log_mixed = special.logsumexp(log_any, axis=0) - special.logsumexp(log_null, axis=0)
    reach = _last_within(log_mixed, math.log(1.0 / alpha))
    for side, ends in enumerate(nothing):
        ends[told] = deviations[told] + _SIDES[side] * reach[:, side] * errors[0]
    return nothing


def standard_errors(
    series: Whitened,
    deviations: Floats,
    means: Floats,
    sigmas: Floats,
    pooled: Floats,
    shares: Floats,
    freedom: float,
) -> Floats:
    """Standard error of each column's deviation, for one look at the end: shape (columns,), NaN where there is none.

    Every rho counts by its prior weight and its likelihood; how far its own mean lies from the plain one is part of it.
    Arguments as of `intervals`.
    """
    columns = deviations.size
    out = np.full(columns, np.nan)
    told = _told(series, deviations, sigmas)
    if freedom < 1 or not told.any():
        return out
    worth = series.worth[:, told]
    free = max(int(told.sum()) - 1, 1)
    log_l = (
        log_weights(columns)
        + series.log_det * free / told.sum()
        - 0.5 * free * np.log(worth).mean(axis=1)
        - freedom * np.log(pooled)
    )
    weight = np.exp(log_l - log_l.max())[:, None]
    each = sigmas[:, told] ** 2 * shares[told] / worth + (means[:, told] - deviations[told]) ** 2
    out[told] = np.sqrt((weight * each).sum(axis=0) / weight.sum())
    return out


def _told(series: Whitened, deviations: Floats, sigmas: Floats) -> NDArray[np.bool_]:
    """Which columns have a deviation and a spread under every rho, shape (columns,)."""
    told: NDArray[np.bool_] = (
        np.isfinite(deviations) & (series.worth > 0).all(axis=0) & (sigmas > 0).all(axis=0)
    )
    return told


def _last_within(log_mixed: Floats, limit: float) -> Floats:
    """The farthest reach at which `log_mixed` is below the limit, shape (columns, sides); infinite beyond the last tried."""
    within = log_mixed <= limit
    last = _REACHES.size - 1 - np.argmax(within[..., ::-1], axis=-1)
    after = np.minimum(last + 1, _REACHES.size - 1)
    below = np.take_along_axis(log_mixed, last[..., None], axis=-1)[..., 0]
    above = np.take_along_axis(log_mixed, after[..., None], axis=-1)[..., 0]
    ended = ~within[..., -1] & within.any(axis=-1)
    part = np.divide(limit - below, above - below, out=np.zeros_like(below), where=ended)
    return np.where(ended, _REACHES[last] + part * (_REACHES[after] - _REACHES[last]), np.inf)
