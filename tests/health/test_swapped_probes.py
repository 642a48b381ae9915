"""An intake and an exhaust probe that are swapped, or both upside down, on engines of the first-principles physics."""

from __future__ import annotations

import pytest
from evenstroke_dsp.physics.scenario import Fault
from evenstroke_dsp.swapped_probes import SwappedPair

DEAD = (Fault(kind="intake_valve_not_opening", cylinders=(3,)),)


def run(cranks, kind, seed, *, swapped=False, sign=1.0, faults=()):
    setup = cranks.setup(kind, wheel=False)
    trace = cranks.crank(setup, seed=seed, faults=faults)
    signals = cranks.heard(trace, corner_hz=0.5, noise_db=25.0, sign=sign)
    if swapped:
        signals = {0: signals[1], 1: signals[0]}
    return cranks.judged(setup, trace, signals)


@pytest.mark.parametrize(
    ("kind", "seed"), [("three", 34), ("four", 34), ("four", 5), ("four", 6), ("six", 34)]
)
def test_probes_that_are_swapped_are_asked_about_and_no_cause_is_named(cranks, kind, seed) -> None:
    outcome = run(cranks, kind, seed, swapped=True)
    said = outcome.said("roles_doubtful")
    assert said.startswith("intake and exhaust: ") and "exchange their `input` or `column`" in said
    for comparison in outcome.judgement.comparisons:
        assert "roles_doubtful" in comparison.because and comparison.trust == "limited"
        for row in comparison.cylinders:
            assert row.verdict in ("undecided", None) and row.normal is None
    assert all(finding.cause == "unclear" for finding in outcome.judgement.findings)


@pytest.mark.parametrize("kind", ["three", "four", "six", "eight"])
@pytest.mark.parametrize("faults", [(), DEAD])
def test_probes_in_their_places_are_not(cranks, kind, faults) -> None:
    assert "roles_doubtful" not in run(cranks, kind, 34, faults=faults).codes


def test_two_that_are_upside_down_keep_their_verdicts(cranks) -> None:
    right, wrong = (run(cranks, "four", 34, sign=sign) for sign in (1.0, -1.0))
    assert wrong.said("polarity").count("upside down") == 2
    for cylinder, row in wrong.cylinders("intake", "drop").items():
        assert row.verdict == right.cylinders("intake", "drop")[cylinder].verdict


def test_where_both_fit_both_cylinders_are_named(cranks, monkeypatch) -> None:
    """Upside down or swapped: a four's pulse is its cylinder's, or that of the one whose exhaust stroke is then."""
    for name in ("_MAY_BE", "_OPEN"):
        monkeypatch.setattr(f"evenstroke_dsp.swapped_probes.{name}", -100.0)
    outcome = run(cranks, "four", 34, sign=-1.0)
    assert "both would be upside down" in outcome.said("roles_doubtful")
    for row in outcome.comparison("intake", "drop").cylinders:
        assert row.cylinder is None and row.one_of is not None and len(row.one_of) == 2
    assert all(finding.cause == "unclear" for finding in outcome.judgement.findings)


@pytest.mark.parametrize("likely", [True, False])
@pytest.mark.parametrize("unmodelled", [True, False])
def test_a_doubt_about_the_simulation_is_none_about_the_roles(
    cranks, monkeypatch, likely, unmodelled
) -> None:
    """Of pulses that come unevenly both may be in doubt, or either one alone."""
    monkeypatch.setattr("evenstroke_dsp.comparisons.described_normals", lambda n, *_: (list(n), unmodelled))
    for pair in (None, SwappedPair("intake", "exhaust", likely, names_open=False)):
        monkeypatch.setattr("evenstroke_dsp.pipeline.swapped_pair", lambda _, pair=pair: pair)
        judgement = run(cranks, "odd six", 34).judgement
        assert judgement.comparisons
        for comparison in judgement.comparisons:
            assert ("roles_doubtful" in comparison.because) == (pair is not None)
            assert ("unmodelled" in comparison.because) == unmodelled
            if pair is None and comparison.feature == "drop":
                assert all(row.normal is not None for row in comparison.cylinders)


def test_probes_that_are_likely_swapped_show_no_valve_s_event(cranks, monkeypatch) -> None:
    """What the exhaust probe shows would be stated of exhaust valves, and it may be in the intake."""
    setup = cranks.setup("four")
    trace = cranks.crank(setup, seed=34)
    signals = cranks.heard(trace, corner_hz=0.5, noise_db=40.0)
    assert cranks.judged(setup, trace, signals).judgement.valve_events
    pair = SwappedPair("intake", "exhaust", likely=True, names_open=True)
    monkeypatch.setattr("evenstroke_dsp.pipeline.swapped_pair", lambda _: pair)
    outcome = cranks.judged(setup, trace, signals)
    assert not outcome.judgement.valve_events and "valve_events_none" not in outcome.codes
