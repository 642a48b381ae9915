"""Within which range healthy engines of a family lie: against a worked example, a library, and by counting."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from evenstroke_dsp.known_goods import (
    CONFIDENCE,
    SHARE,
    HealthyPulses,
    KnownGoods,
    epsilon,
    healthy_range,
    tolerance_factor,
)

KEY = ("intake", "drop", "cranking")


def test_the_factor_is_that_of_a_worked_example() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3 (from memory): 43 wafers, a share of 90 % with a
    confidence of 99 %: 2.217 standard deviations."""
    assert tolerance_factor(43, 42, 0.90, 0.99) == pytest.approx(2.217, abs=0.001)


@pytest.mark.parametrize(("values", "exact"), [(3, 9.916), (5, 5.079), (10, 3.379), (30, 2.549)])
def test_the_factor_is_near_the_exact_one(values: int, exact: float) -> None:
    """Two-sided normal tolerance factors, 95 % with 95 % confidence (Hahn and Meeker, 1991, table A.10b; ISO 16269-6; from
    memory): Howe's are known to be within a few per cent of them, on the safe side from few values on."""
    assert tolerance_factor(values, values - 1, 0.95, 0.95) == pytest.approx(exact, rel=0.03)


@pytest.mark.parametrize(("engines", "cylinders"), [(3, 4), (5, 6), (12, 3), (20, 8)])
def test_the_degrees_of_freedom_are_those_of_another_program(engines: int, cylinders: int) -> None:
    """pingouin's epsilon for repeated measures (Huynh-Feldt, at least Greenhouse-Geisser, at most 1)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own, as it is imported
        import pingouin
    draw = np.random.default_rng(engines)
    values = draw.normal(size=(engines, cylinders)) @ np.diag(np.linspace(1.0, 3.0, cylinders))
    box = pingouin.epsilon(pd.DataFrame(values), correction="gg")
    huynh = pingouin.epsilon(pd.DataFrame(values), correction="hf")
    deviations = values - values.mean(axis=1, keepdims=True)
    found = epsilon(np.cov(deviations, rowvar=False), engines)
    # A denominator below zero is taken for "all of them" here, as the formula's limit from above is.
    assert found == pytest.approx(min(max(huynh, box), 1.0), rel=1e-6)


@pytest.mark.parametrize(("engines", "cylinders"), [(3, 4), (5, 6), (10, 4)])
def test_a_shelf_holds_the_share_as_surely_as_is_said(engines: int, cylinders: int) -> None:
    """Counted on 600 families whose cylinders have means of their own, each held against 200 others of it."""
    draw = np.random.default_rng(7)
    enough = 0
    for _ in range(600):
        family = draw.normal(size=cylinders) * 5 + draw.normal(size=(engines + 200, cylinders))
        family -= family.mean(axis=1, keepdims=True)
        low, high = healthy_range(family[:engines])
        others = family[engines:]
        # Of a share of just so much, half of the samples of 200 would show less by chance: 3 of their deviations less.
        least = SHARE - 3 * np.sqrt(SHARE * (1 - SHARE) / 200)
        enough += bool(((low <= others) & (others <= high)).all(axis=1).mean() >= least)
    assert enough / 600 >= CONFIDENCE - 3 * np.sqrt(CONFIDENCE * (1 - CONFIDENCE) / 600)


def known(engines: list[np.ndarray], error: float = np.nan) -> KnownGoods:
    errors = tuple(np.full(e.shape, error) for e in engines)
    return KnownGoods({"intake": (1, 3, 4, 2)}, {KEY: HealthyPulses(tuple(engines), errors)})


def sizes(number: int, recordings: int = 1) -> np.ndarray:
    draw = np.random.default_rng(number)
    one = np.array([1.02, 0.89, 1.02, 1.02]) * draw.normal(1.0, 0.01, 4)
    return np.tile(one, (recordings, 1)) * draw.normal(1.0, 0.002, (recordings, 4))


def test_two_engines_say_nothing_however_often_they_were_recorded() -> None:
    reference = range(4)
    assert known([sizes(1, 5), sizes(2, 5)]).normal(KEY, reference, relative=True) is None
    third = known([sizes(1, 5), sizes(2, 5), sizes(3)]).normal(KEY, reference, relative=True)
    assert third is not None
    assert {n.from_ for n in third.values()} == {"3 known-goods of this family"}
    middles = {c: (n.low + n.high) / 2 for c, n in third.items()}
    assert middles[3] == pytest.approx(-10, abs=3)  # the small one's range is its own
    assert min(middles[c] for c in (1, 4, 2)) > 0


def test_gains_do_not_matter_and_the_reference_does() -> None:
    engines = [sizes(k) for k in (1, 2, 3)]
    plain = known(engines).normal(KEY, range(4), relative=True)
    louder = known([e * g for e, g in zip(engines, (1, 3, 0.2), strict=True)])
    assert louder.normal(KEY, range(4), relative=True)[2].low == pytest.approx(plain[2].low)
    without_the_small_one = known(engines).normal(KEY, (0, 2, 3), relative=True)
    middle = (without_the_small_one[3].low + without_the_small_one[3].high) / 2
    expected = np.mean([100 * (e[0, 1] / e[0, [0, 2, 3]].mean() - 1) for e in engines])
    assert middle == pytest.approx(expected)


def test_copies_of_one_recording_leave_the_room_that_its_cycles_leave() -> None:
    copies = known([sizes(1)] * 3, error=0.5).normal(KEY, range(4), relative=True)
    assert copies[1].high - copies[1].low == pytest.approx(
        2 * 0.5 * tolerance_factor(3, 6, 1 - 0.05 / 4, 0.95)
    )
