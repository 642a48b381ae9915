"""Cycles that resemble the one before them: whitening against least squares, coverage and its cost by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp import serial_correlation
from evenstroke_dsp.balance import ALPHA, BalanceTable
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.sequential import t_limit
from evenstroke_dsp.serial_correlation import RHOS, STRONGEST, intervals, whitened
from scipy import linalg, stats

ONLY_NONE = np.where(RHOS == 0.0, 0.0, -np.inf)
"""Weights by which cycles are surely independent."""


def lingering(rho: float, cycles: int, columns: int, draw: np.random.Generator) -> Floats:
    """A stationary first-order autoregression of variance 1 in each column."""
    out = draw.normal(size=(cycles, columns))
    for k in range(1, cycles):
        out[k] = rho * out[k - 1] + np.sqrt(1.0 - rho**2) * out[k]
    return out


def test_whitened_series_against_generalised_least_squares() -> None:
    """Reference: the normal equations with the whole covariance matrix rho^|i - j| (scipy.linalg), cycles missing."""
    draw = np.random.default_rng(3)
    x, kept = draw.normal(size=(14, 3)), draw.random((14, 3)) > 0.25
    index = np.array([0, 1, 2, 3, 6, 7, 8, 9, 10, 13, 14, 15, 16, 17], dtype=np.float64)
    got = whitened(x, kept, index)
    for r, rho in enumerate(RHOS):
        log_det = 0.0
        for c in range(3):
            inside = kept[:, c]
            apart = np.abs(index[inside][:, None] - index[inside][None, :])
            covariance = np.where(apart == 0, 1.0, rho**apart)
            ones, values = np.ones(int(inside.sum())), x[inside, c]
            worth = ones @ linalg.solve(covariance, ones)
            mean = ones @ linalg.solve(covariance, values) / worth
            assert got.worth[r, c] == pytest.approx(worth, rel=1e-9)
            assert got.mean[r, c] == pytest.approx(mean, rel=1e-9)
            left = values - mean
            assert got.squares[r, c] == pytest.approx(left @ linalg.solve(covariance, left), rel=1e-9)
            log_det -= 0.5 * np.linalg.slogdet(covariance)[1]
        assert got.log_det[r] == pytest.approx(log_det, abs=1e-9)


def test_where_cycles_are_surely_independent_the_ends_are_those_of_the_plain_interval(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(serial_correlation, "log_weights", lambda _: ONLY_NONE)
    x = np.random.default_rng(4).normal(size=(12, 4))
    x -= x.mean(axis=1, keepdims=True)
    series = whitened(x, np.ones(x.shape, dtype=bool), np.arange(12.0))
    shares, freedom = np.full(4, 0.75), 33.0
    pooled = np.sqrt(series.squares.sum(axis=1) / (0.75 * 44))
    sigmas = np.broadcast_to(pooled[:, None], series.mean.shape)
    low, high = intervals(series, x.mean(axis=0), series.mean, sigmas, pooled, shares, freedom, 0.01)
    radius = t_limit(12, freedom, 0.01) * pooled[0] * np.sqrt(0.75 / 12)
    assert high - x.mean(axis=0) == pytest.approx(radius, rel=0.01)
    assert x.mean(axis=0) - low == pytest.approx(radius, rel=0.01)


def missed(rho: float, columns: int, runs: int) -> int:
    """Cranks of 20 cycles, looked at after each, in which any even cylinder's interval ever excluded the truth."""
    draw, count = np.random.default_rng([5, columns, round(10 * rho)]), 0
    for _ in range(runs):
        balance = BalanceTable(
            columns, tuple(range(columns)), relative=True, with_verdict=True, alpha=0.9 * ALPHA / columns
        )
        out = False
        for k, row in enumerate(1.0 + 0.02 * lingering(rho, 20, columns, draw)):
            balance.add(k, row)
            if k >= 2 and not out:
                out = any(
                    d.low is not None and d.high is not None and not d.low <= 0.0 <= d.high
                    for d in balance.deviations()
                )
        count += out
    return count


@pytest.mark.parametrize("columns", [3, 6])
@pytest.mark.parametrize(("rho", "most"), [(0.0, 0.05), (0.3, 0.06), (0.5, 0.10)])
def test_the_truth_stays_inside_at_every_look_where_cycles_linger(
    rho: float, most: float, columns: int
) -> None:
    """All cylinders at once: so many cranks may lose it, and 120 do not exclude that. tests/bench/bench_sequential.py draws
    more of them."""
    assert rho <= STRONGEST
    count = missed(rho, columns, 120)
    assert stats.binomtest(count, 120, most, alternative="greater").pvalue > 0.01, count


def test_cycles_taken_for_independent_would_lose_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: without the weights of lingering cycles the same simulation fails by far."""
    monkeypatch.setattr(serial_correlation, "log_weights", lambda _: ONLY_NONE)
    count = missed(0.5, 6, 60)
    assert stats.binomtest(count, 60, 0.10, alternative="greater").pvalue < 0.001, count


def test_lingering_cycles_widen() -> None:
    """The same scatter, drawn independently and as an autoregression of 0.5: the latter's interval is wider."""
    widths = []
    for rho in (0.0, 0.5):
        draw, width = np.random.default_rng(6), []
        for _ in range(20):
            balance = BalanceTable(
                6, tuple(range(6)), relative=True, with_verdict=True, alpha=0.9 * ALPHA / 6
            )
            for k, row in enumerate(1.0 + 0.02 * lingering(rho, 14, 6, draw)):
                balance.add(k, row)
            d = balance.deviations()[0]
            assert d.low is not None and d.high is not None
            width.append(d.high - d.low)
        widths.append(float(np.median(width)))
    assert widths[1] > 1.2 * widths[0]
