"""Intervals that hold at every look, against numerical integration and Monte Carlo runs.

Sources: J. Ville, Etude critique de la notion de collectif (1939), the maximal inequality; T. L. Lai, On
confidence sequences, Annals of Statistics 4 (1976); the t mixture as in H. Wang and A. Ramdas,
arXiv 2310.03722. All from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.sequential import e_value, t_limit
from scipy import integrate, special, stats


@pytest.mark.parametrize("n", [2, 3, 5, 16, 200])
@pytest.mark.parametrize("alpha", [0.05, 0.05 / 6, 0.05 / 24])
@pytest.mark.parametrize("columns", [2, 6])
def test_the_limit_is_where_the_e_process_reaches_one_over_alpha(n: int, alpha: float, columns: int) -> None:
    freedom = (n - 1) * (columns - 1)
    limit = t_limit(n, freedom, alpha)
    if math.isinf(limit):
        assert e_value(n, freedom, 1e9) < 1 / alpha
    else:
        assert e_value(n, freedom, limit) == pytest.approx(1 / alpha, rel=1e-9)


@pytest.mark.parametrize(("n", "freedom"), [(4, 3), (4, 15), (12, 11), (12, 55)])
@pytest.mark.parametrize("t", [0.0, 1.0, 3.0, 8.0])
def test_the_e_value_is_the_mixture_integrated_numerically(n: int, freedom: int, t: float) -> None:
    # The likelihood ratio of t between noncentral t with the moment prior on the standardised effect, g d^2 times the
    # normal density of variance 1/g, and central t: scipy.stats.nct and scipy.integrate.
    g = 1.0

    def weighted(effect: float) -> float:
        shifted = stats.nct.pdf(t, freedom, effect * math.sqrt(n))
        return float(shifted * g * effect**2 * stats.norm.pdf(effect, scale=1.0 / math.sqrt(g)))

    mixed = integrate.quad(weighted, -8.0, 8.0, limit=200, points=[0.0, t / math.sqrt(n)])[0]
    assert e_value(n, freedom, t, g) == pytest.approx(mixed / stats.t.pdf(t, freedom), rel=2e-4)


def test_an_interval_for_every_look_is_wider_than_one_for_a_single_look() -> None:
    for n in (3, 8, 20, 100):
        assert t_limit(n, n - 1, 0.05) > stats.t.ppf(0.975, n - 1)


def test_the_limit_falls_with_more_freedom_and_rises_with_confidence() -> None:
    assert t_limit(10, 45, 0.05) < t_limit(10, 9, 0.05) < t_limit(10, 9, 0.005)


@pytest.mark.parametrize("n", [0, 1])
def test_one_observation_tells_nothing(n: int) -> None:
    assert math.isinf(t_limit(n, 10, 0.05))
    assert math.isinf(t_limit(5, 0, 0.05))


@pytest.mark.parametrize("alpha", [0.0, 1.0, -0.1, 2.0])
def test_an_impossible_confidence_is_refused(alpha: float) -> None:
    with pytest.raises(ValueError, match="alpha"):
        t_limit(5, 4, alpha)


def escapes(columns: int, looks: int, runs: int, seed: int) -> tuple[float, float]:
    """Shares of runs in which column 0's true deviation ever left the interval: sequential, single-look."""
    draw = np.random.default_rng(seed)
    left = np.zeros(runs, dtype=bool)
    left_single = np.zeros(runs, dtype=bool)
    x = draw.normal(size=(runs, looks, columns)) + draw.normal(size=(runs, looks, 1)) * 5.0
    x -= x.mean(axis=2, keepdims=True)  # each cycle its own yardstick
    first, second = np.cumsum(x, axis=1), np.cumsum(x**2, axis=1)
    for n in range(2, looks + 1):
        mean = first[:, n - 1] / n
        freedom = (n - 1) * (columns - 1)
        sigma = np.sqrt((second[:, n - 1] - n * mean**2).sum(axis=1) / freedom)
        t = np.abs(mean[:, 0]) / (sigma * math.sqrt((1 - 1 / columns) / n))
        left |= t > t_limit(n, freedom, 0.05)
        left_single |= t > stats.t.ppf(0.975, freedom)
    return float(left.mean()), float(left_single.mean())


@pytest.mark.parametrize("columns", [2, 6])
def test_two_hundred_looks_leave_the_truth_outside_in_at_most_five_per_cent_of_runs(columns: int) -> None:
    # Normal data, unknown variance pooled over columns, 3000 runs; an ordinary interval is the control, so
    # that the check can fail: looked at that often it loses the truth in a third of the runs.
    escaped, escaped_single = escapes(columns, looks=200, runs=3000, seed=7)
    assert escaped <= 0.05
    assert escaped_single > 0.2


@pytest.mark.parametrize("n", [3, 10, 100])
@pytest.mark.parametrize("g", [0.1, 1.0])
@pytest.mark.parametrize("alpha", [0.05, 0.002])
def test_with_the_variance_known_the_limit_is_the_closed_form_of_the_mixture(
    n: int, g: float, alpha: float
) -> None:
    """With s = g / (n + g) and q = 1 + (1 - s) t^2 the mixture is s^(3/2) q exp((q - 1) / 2), worked out by hand as the
    mean of g d^2 exp(d S - n d^2 / 2) over a normal d; so q = 2 W(exp(1/2) / (2 alpha s^(3/2))) with Lambert's W
    (scipy.special.lambertw). H. Robbins, Annals of Mathematical Statistics 41 (1970), for boundaries of mixtures; from
    memory."""
    s = g / (n + g)
    q = 2.0 * special.lambertw(math.exp(0.5) / (2.0 * alpha * s**1.5)).real
    assert t_limit(n, 1e8, alpha, g) == pytest.approx(math.sqrt((q - 1.0) / (1.0 - s)), rel=1e-4)


@pytest.mark.parametrize(("n", "freedom"), [(4, 9), (12, 33)])
def test_the_mean_of_the_e_process_is_one_under_the_hypothesis(n: int, freedom: int) -> None:
    """What Ville's inequality needs: by numerical integration over Student's distribution (scipy.stats.t)."""

    def weighted(t: float) -> float:
        return float(e_value(n, freedom, t) * stats.t.pdf(t, freedom))

    assert integrate.quad(weighted, -np.inf, np.inf, limit=200)[0] == pytest.approx(1.0, abs=1e-3)
