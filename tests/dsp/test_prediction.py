"""What the physics predict of a set-up, and how a recording narrows it.

Statistics against scipy: where nothing is seen the range must be the Student t prediction interval
of a sample (any statistics textbook; scipy.stats.t as the reference) of the bent effects, and a covariate that is known
exactly must give the ordinary least-squares prediction.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.prediction import (
    _MODEL_LEAST,
    _MODEL_SHARE,
    Prediction,
    Seen,
    _conditional,
)
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.simulated_draws import predict
from scipy import stats

DRAWS = 40
KEY = ("intake", "drop")


def seen(**swings: float) -> Seen:
    return Seen(rpm=None, swings=swings, sizes={}, angles={}, angle_uncertainty_deg=None)


def made(effect: np.ndarray, swing: np.ndarray, columns: int = 4) -> Prediction:
    """A prediction in which the second cylinder alone is altered, by `effect` per cent of the others' size."""
    bare = np.ones((effect.size, columns))
    fitted = bare.copy()
    fitted[:, 1] += effect / 100
    return Prediction(
        cylinders={"intake": (1, 3, 4, 2)[:columns]},
        fitted={KEY: fitted},
        bare={KEY: bare},
        rpm=np.full(effect.size, 200.0),
        swings={"starter": swing},
        relative=frozenset({KEY}),
        scaled=frozenset(),
    )


def bent_range(effect: np.ndarray) -> tuple[float, float, float]:
    """Low, middle, high by the textbook, in the scale in which effects are evenly spread."""
    bend = max(_MODEL_LEAST / _MODEL_SHARE, 2 * abs(np.median(effect)))
    bent = np.arcsinh(effect / bend)
    middle = bend * np.sinh(bent.mean())
    # Another model is off by so much; the slope of arsinh there carries it into that scale.
    model = np.hypot(_MODEL_SHARE * middle, _MODEL_LEAST) / np.hypot(middle, bend)
    spread = np.hypot(bent.std(ddof=1) * np.sqrt(1 + 1 / effect.size), model)
    reach = stats.t.ppf(0.975, effect.size - 1) * spread
    return tuple(bend * np.sinh(bent.mean() + np.array([-reach, 0.0, reach])))


def test_where_nothing_is_seen_the_range_is_students_prediction_interval() -> None:
    effect = np.random.default_rng(1).normal(-5.0, 2.0, DRAWS)
    predicted = made(effect, np.ones(DRAWS)).predicted(KEY, (0, 2, 3))[3]
    assert (predicted.low, predicted.deviation, predicted.high) == pytest.approx(bent_range(effect))


def test_a_small_effect_is_off_by_an_amount_and_a_large_one_by_a_share() -> None:
    reach = stats.t.ppf(0.975, DRAWS - 1)
    small = made(np.full(DRAWS, -0.01), np.ones(DRAWS)).predicted(KEY, (0, 2, 3))[3]
    assert (small.high - small.low) / 2 == pytest.approx(reach * _MODEL_LEAST, rel=0.05)
    # Arithmetic: about -40, a step of reach * share * 40 to either side, less in proportion toward zero.
    large = made(np.full(DRAWS, -40.0), np.ones(DRAWS)).predicted(KEY, (0, 2, 3))[3]
    assert (large.high - large.low) / 2 == pytest.approx(reach * _MODEL_SHARE * 40, rel=0.05)
    assert -40 - large.low > 1.02 * (large.high + 40) > 0


def test_draws_that_a_factor_spreads_reach_far_to_their_own_side_and_hardly_to_the_other() -> None:
    # Reference: of the law itself 2.5 % lie beyond either end; a normal law of the same mean and deviation would have put 0 %
    # beyond the near end, which it has on the other side of zero.
    effect = -8.0 * np.exp(np.random.default_rng(11).normal(0.0, 0.6, 4000))
    predicted = made(effect, np.ones(4000)).predicted(KEY, (0, 2, 3))[3]
    beyond = np.mean(effect < predicted.low), np.mean(effect > predicted.high)
    assert 0.005 < beyond[0] < 0.045 and beyond[1] < 0.025
    assert effect.mean() + 1.96 * effect.std() > 2.5 > predicted.high + 1.5


def test_what_is_known_exactly_predicts_as_least_squares_do() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal(DRAWS)
    y = -4 + 2 * x + 0.3 * rng.standard_normal(DRAWS)
    score = (x - x.mean()) / x.std(ddof=1)
    fit = stats.linregress(score, y)
    middle, deviation, _ = _conditional(y, score[:, None], np.array([1.3]), np.zeros(1))
    assert middle == pytest.approx(fit.intercept + 1.3 * fit.slope)
    assert 0.2 < deviation < 0.45


def test_chance_slopes_do_not_widen_what_they_should_narrow() -> None:
    # Nine covariates that have nothing to do with the effect: least squares would fit the draws' chance.
    rng = np.random.default_rng(12)
    wider = []
    for _ in range(60):
        y, scores = rng.standard_normal(DRAWS), rng.standard_normal((DRAWS, 9))
        at = rng.standard_normal(9)
        _, deviation, _ = _conditional(y, scores, at, np.full(9, 0.1))
        wider.append(deviation / (y.std(ddof=1) * np.sqrt(1 + 1 / DRAWS)))
    assert np.mean(wider) < 1.03
    # Reference: ordinary least squares loses about (n - 1 + k) / (n - 1 - k) of the variance (textbooks' Cp).
    assert np.mean(wider) < np.sqrt((DRAWS + 8) / (DRAWS - 10)) - 0.1


def test_a_narrowed_range_holds_as_often_as_it_says() -> None:
    # Reference: draws from the same law as the sample, of which three of six covariates tell something.
    rng = np.random.default_rng(13)
    hits = []
    for _ in range(400):
        x = rng.standard_normal((DRAWS + 1, 6))
        y = x @ np.array([1.0, 0.6, 0.3, 0, 0, 0]) + rng.standard_normal(DRAWS + 1)
        seen_at = x[-1] + 0.3 * rng.standard_normal(6)
        middle, deviation, freedom = _conditional(y[:-1], x[:-1], seen_at, np.full(6, 0.3))
        hits.append(abs(y[-1] - middle) <= stats.t.ppf(0.975, freedom) * deviation)
    # Binomial: one standard deviation is 1.1 %.
    assert 0.92 <= np.mean(hits) <= 0.98


def test_what_is_seen_narrows_and_moves_the_range_and_what_is_doubtful_does_not() -> None:
    rng = np.random.default_rng(3)
    swing = np.exp(rng.normal(-1.0, 0.4, DRAWS))
    effect = -6 * swing / np.exp(-1.0) + 0.2 * rng.standard_normal(DRAWS)
    prediction = made(effect, swing)
    blind = prediction.predicted(KEY, (0, 2, 3))[3]
    told = prediction.predicted(KEY, (0, 2, 3), seen(starter=float(np.exp(-1.3))))[3]
    assert told.high - told.low < 0.75 * (blind.high - blind.low)
    assert told.deviation > blind.deviation, "a smaller swing, a smaller effect"
    other = prediction.predicted(KEY, (0, 2, 3), seen(somewhere=0.1))[3]
    assert (other.low, other.high) == (blind.low, blind.high)


def test_the_disturbed_are_those_that_reach_beyond_half_the_margin_and_nobody_else() -> None:
    rng = np.random.default_rng(4)
    prediction = made(rng.normal(-12.0, 1.0, DRAWS), np.ones(DRAWS))
    # Against the mean of all four the other three would seem 4 % larger; nothing happened to them.
    assert prediction.disturbed(KEY, ()) == {3}
    assert made(rng.normal(-0.5, 0.2, DRAWS), np.ones(DRAWS)).disturbed(KEY, ()) == frozenset()
    assert made(rng.normal(-0.5, 0.2, DRAWS), np.ones(DRAWS)).disturbed(KEY, (4,)) == {4}


def test_a_cylinder_left_without_a_pulse_is_disturbed_and_hides_nothing_of_the_others() -> None:
    rng = np.random.default_rng(8)
    whole = made(rng.normal(-12.0, 1.0, DRAWS), np.ones(DRAWS))
    whole.fitted[KEY][:, 3] = np.nan  # cylinder 2: an open plug hole
    assert whole.silent(KEY) == {2}
    assert whole.disturbed(KEY, ()) == {2, 3}
    predicted = whole.predicted(KEY, (0, 2))
    assert set(predicted) == {1, 3, 4}
    assert predicted[3].high < -5


def test_an_engine_that_all_but_stalls_does_not_make_the_range() -> None:
    effect = np.random.default_rng(9).normal(-5.0, 1.0, DRAWS)
    plain = made(effect, np.ones(DRAWS)).predicted(KEY, (0, 2, 3))[3]
    effect = np.append(effect, 181.8)
    with_it = made(effect, np.ones(DRAWS + 1)).predicted(KEY, (0, 2, 3))[3]
    assert (with_it.low, with_it.high) == pytest.approx((plain.low, plain.high))
    # Wide and skewed is not absurd: of a law with long tails next to nothing is left out.
    skewed = np.random.default_rng(10).lognormal(1.0, 0.8, DRAWS)
    wide = made(-skewed, np.ones(DRAWS)).predicted(KEY, (0, 2, 3))[3]
    assert (wide.low, wide.deviation, wide.high) == pytest.approx(bent_range(-skewed))


def test_too_few_engines_say_nothing() -> None:
    assert made(np.full(5, -3.0), np.ones(5)).predicted(KEY, (0, 2, 3)) is None


SIX = """
schema = 1
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
displacement_cc = 2988
compression_ratio = 9.4
[conditions]
engine_temperature_c = 88
[[probe]]
name = "intake"
role = "intake_pulse"
low_corner_hz = 1.0
[[probe]]
name = "amps"
role = "starter_current"
"""
HOSE = '[[fitted]]\nwhat = "hose"\ncylinder = 5\nadded_volume_cc = 9.0\n'


def test_the_physics_put_the_effect_where_the_mechanism_says() -> None:
    # There is no published measurement: the companion's pulse smaller, the fitted cylinder's load less (the mechanism
    # of tests/physics/test_setup_effects.py).
    prediction = predict(parse_setup(SIX + HOSE), 16, np.random.default_rng(5))
    drop = prediction.predicted(KEY, range(6))
    load = prediction.predicted(("amps", "compression"), range(6))
    assert min(drop, key=lambda c: drop[c].deviation) == 2
    assert min(load, key=lambda c: load[c].deviation) == 5
    assert load[5].high < -3
    assert prediction.disturbed(("amps", "compression"), (5, 2)) == {5, 2}


def test_the_same_seed_gives_the_same_and_nothing_fitted_predicts_nothing() -> None:
    setup = parse_setup(SIX)
    one, two = (predict(setup, 3, np.random.default_rng(6)) for _ in range(2))
    assert np.array_equal(one.bare[KEY], two.bare[KEY])
    assert one.predicted(KEY, range(6)) is None
    assert one.fitted == {}
