"""The judgement document: every key, null where it does not apply, and its rules on every kind of recording."""

from __future__ import annotations

import json
import math
from typing import Any

import msgspec
import pytest
from evenstroke_dsp.messages import TRUST_ORDER
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

KEYS: dict[str, set[str]] = {
    "": {
        "schema", "source", "engine", "cranked", "running_from_s", "sync", "comparisons", "findings", "causes",
        "valve_events", "warnings", "refused",
    },
    "source": {"file", "sha256", "duration_s", "lost_samples"},
    "engine": {"cylinders", "firing_order"},
    "cranked": {"from_s", "to_s", "cycles", "mean_rpm"},
    "sync": {"basis", "events", "missed", "extra", "angle_uncertainty_deg"},
    "comparisons": {
        "probe", "role", "feature", "stretch", "unit", "trust", "because", "reference", "cylinders",
    },
    "cylinders": {
        "cylinder", "value", "value_unit", "deviation", "low", "high", "cycles", "verdict", "normal", "trust",
        "predicted", "more_cycles", "one_off_cycles", "position", "one_of", "standard_error",
    },
    "normal": {"low", "high", "from"},
    "findings": {"odd_pulse_at", "probe", "feature", "cause", "suspect_cylinder", "text", "next_step"},
    "warnings": {"code", "text", "probe"},
}  # fmt: skip
"""Written out from the contract, not from the code."""

FEATURES = {
    "intake_pulse": ["drop", "depth", "area", "steepest_deg", "width_deg"],
    "exhaust_pulse": ["rise", "depth", "area", "steepest_deg", "width_deg", "suction"],
    "crankcase_pulse": ["area"],
    "cylinder_pressure": ["peak", "peak_deg"],
    "starter_current": ["compression"],
    "battery_voltage": ["compression"],
    "crank_teeth": ["compression"],
}
WITH_VERDICT = {"drop", "rise", "suction", "compression"}

EVERYTHING = """
[[probe]]
name = "p5"
role = "cylinder_pressure"
input = 3
cylinder = 5
added_volume_cc = 9.0
volts_per_unit = 0.002
volts_at_zero = 0.5
[[probe]]
name = "exhaust"
role = "exhaust_pulse"
input = 4
[[probe]]
name = "crankcase"
role = "crankcase_pulse"
input = 5
[[probe]]
name = "starter"
role = "starter_current"
input = 6
volts_per_unit = 0.008
volts_at_zero = 0.5
[[probe]]
name = "battery"
role = "battery_voltage"
input = 7
volts_per_unit = 0.25
"""
SIX = (1, 5, 3, 6, 2, 4)
UPRIGHT = 'volts_per_unit = 1.0\nvolts_at_zero = 2.5\npositive_is = "pressure"'
"""Without it the invented pulse of a six by a sync alone, unlike a simulated one, fits a stroke either way up."""
CRANK = Cranking(rpm=210.0, rest_s=0.5, crank_s=5.5, noise_db=40.0)


@pytest.fixture(scope="module")
def runs(bench) -> dict[str, Any]:
    """One run of each kind; the documents are checked below, all of them by every rule."""
    out = {}
    for name, how, alterations in (
        ("everything fitted", {"order": SIX, "extra": EVERYTHING}, (Alteration("intake", 2, -20.0),)),
        ("sync alone", {"order": SIX, "wheel": False, "scale": UPRIGHT}, (Alteration("intake", 3, 30.0),)),
        ("wasted spark", {"order": SIX, "wheel": False, "sync": "revolution"}, ()),
        ("nothing to go by", {"order": (1, 3, 4, 2), "wheel": False, "sync": ""}, ()),
        ("three", {"order": (1, 3, 2), "extra": EVERYTHING.replace("cylinder = 5", "cylinder = 2")}, ()),
    ):
        setup = bench.setup(**how)
        out[name] = bench.crank(setup, EngineSource(setup, CRANK, alterations), seconds=7.0)
    setup = bench.setup(SIX)
    out["no data at all"] = bench.run(setup, [])
    still = EngineSource(setup, Cranking(rest_s=9.0, crank_s=1.0))
    out["engine at rest"] = bench.crank(setup, still, seconds=2.0)
    return out


KINDS = (
    "everything fitted", "sync alone", "wasted spark", "nothing to go by", "three", "no data at all", "engine at rest",
)  # fmt: skip


@pytest.fixture(params=KINDS)
def run(request, runs) -> Any:
    return runs[request.param]


@pytest.fixture
def document(run) -> dict[str, Any]:
    return json.loads(msgspec.json.encode(run.judgement))


def test_every_key_is_there_and_no_other(document) -> None:
    assert set(document) == KEYS[""]
    assert document["schema"] == "evenstroke.judgement/1"
    for key in ("source", "engine", "sync"):
        assert set(document[key]) == KEYS[key]
    for key in ("cranked", "comparisons", "findings", "warnings"):
        for entry in document[key]:
            assert set(entry) == KEYS[key]
    for comparison in document["comparisons"]:
        for cylinder in comparison["cylinders"]:
            assert set(cylinder) == KEYS["cylinders"]
            assert cylinder["normal"] is None or set(cylinder["normal"]) == KEYS["normal"]


def test_no_number_is_infinite_or_nan(document) -> None:
    def walk(value: object) -> None:
        if isinstance(value, dict):
            for v in value.values():
                walk(v)
        elif isinstance(value, list):
            for v in value:
                walk(v)
        elif isinstance(value, float):
            assert math.isfinite(value)

    walk(document)


def test_refused_and_comparisons_exclude_each_other(document) -> None:
    if document["refused"] is None:
        assert document["comparisons"]
    else:
        assert len(document["refused"].split()) > 5
        assert document["comparisons"] == document["findings"] == document["causes"] == []


def test_what_is_not_computed_is_empty(document) -> None:
    assert document["causes"] == []
    for finding in document["findings"]:
        assert finding["suspect_cylinder"] is None
    for comparison in document["comparisons"]:
        assert all(c["predicted"] is None for c in comparison["cylinders"])


def test_each_probe_has_the_contracts_features_once_per_stretch(run, document) -> None:
    seen: dict[tuple[str, str], list[str]] = {}
    for c in document["comparisons"]:
        seen.setdefault((c["probe"], c["stretch"]), []).append(c["feature"])
        assert c["feature"] in FEATURES[c["role"]]
    for (probe, _), features in seen.items():
        role = next(c["role"] for c in document["comparisons"] if c["probe"] == probe)
        assert sorted(features) == sorted(FEATURES[role])


def test_verdicts_stand_where_the_contract_gives_them(document) -> None:
    for comparison in document["comparisons"]:
        for c in comparison["cylinders"]:
            if comparison["feature"] in WITH_VERDICT:
                assert c["verdict"] in ("smaller", "larger", "even", "undecided")
            else:
                assert c["verdict"] is None
            if c["verdict"] == "smaller":
                assert c["high"] < -5.0
            if c["verdict"] == "larger":
                assert c["low"] > 5.0
            if c["verdict"] == "even":
                assert -5.0 <= c["low"] <= c["high"] <= 5.0
            assert c["more_cycles"] is None or (c["verdict"] == "undecided" and c["more_cycles"] >= 1)


def test_intervals_hold_their_deviation_and_units_fit(document) -> None:
    for comparison in document["comparisons"]:
        degrees = comparison["feature"].endswith("_deg")
        assert comparison["unit"] == ("degrees" if degrees else "percent")
        for c in comparison["cylinders"]:
            if c["low"] is not None:
                assert c["low"] <= c["deviation"] <= c["high"]
            assert (c["low"] is None) == (c["high"] is None)
            assert (c["value_unit"] == "deg") == degrees


def test_deviations_are_of_the_reference_cylinders_mean(document) -> None:
    for comparison in document["comparisons"]:
        own = [
            c for c in comparison["cylinders"] if (c["cylinder"] or c["position"]) in comparison["reference"]
        ]
        if len(own) >= 2 and all(c["deviation"] is not None for c in own):
            # By definition the reference cylinders' own deviations sum to nothing.
            assert sum(c["deviation"] for c in own) / len(own) == pytest.approx(0.0, abs=0.05)
            if comparison["unit"] == "percent":
                mean = sum(c["value"] for c in own) / len(own)
                for c in comparison["cylinders"]:
                    assert c["deviation"] == pytest.approx(100 * (c["value"] / mean - 1), abs=0.6)


def test_trust_is_the_worst_of_the_cylinders(document) -> None:
    order = ["clean", "limited", "disturbed"]
    assert list(TRUST_ORDER) == order
    for comparison in document["comparisons"]:
        worst = max((c["trust"] for c in comparison["cylinders"]), key=order.index)
        assert comparison["trust"] == worst
        if worst != "clean":
            assert comparison["because"]


def test_named_or_placed_but_never_both(document) -> None:
    for comparison in document["comparisons"]:
        for c in comparison["cylinders"]:
            assert (c["cylinder"] is None) == (c["position"] is not None)
            assert c["one_of"] is None or (c["cylinder"] is None and len(c["one_of"]) >= 2)


def test_cranking_comes_before_idle(document) -> None:
    kinds = [c["stretch"] for c in document["comparisons"]]
    assert kinds == sorted(kinds)  # "cranking" sorts before "idle"


def test_the_last_balance_is_the_judgement(run) -> None:
    if run.judgement.refused is None:
        assert run.balances[-1].comparisons == run.judgement.comparisons
    last = run.findings[-1]
    assert last.refused == run.judgement.refused
    assert last.findings == run.judgement.findings


def test_a_verdict_never_turns_into_its_opposite(run) -> None:
    given: dict[tuple[str, str, str, int], str] = {}
    for balance in run.balances:
        for c in balance.comparisons:
            for entry in c.cylinders:
                key = (c.probe, c.feature, c.stretch, entry.cylinder or entry.position or 0)
                if entry.verdict in ("smaller", "larger", "even"):
                    assert given.setdefault(key, entry.verdict) == entry.verdict


def test_no_next_step_takes_the_engine_apart(document) -> None:
    for finding in document["findings"]:
        assert finding["next_step"]
        for word in ("remove the head", "dismantle", "take off the manifold", "replace"):
            assert word not in finding["next_step"].lower()
        for word in ("cylinder", "position"):
            if word in finding["text"].lower():
                break
        else:
            pytest.fail(f"no place is named: {finding['text']}")
        # Every number that is shown carries its unit and its uncertainty.
        assert "%" in finding["text"]
        assert "interval" in finding["text"]


def test_added_volume_disturbs_the_companion_and_its_own_cylinder(runs) -> None:
    # 1-5-3-6-2-4: the companion of 5 is 2 (counted by hand: three places on).
    run = runs["everything fitted"]
    for feature, probe, disturbed in (
        ("drop", "intake", {2}),
        ("rise", "exhaust", {2, 5}),
        ("suction", "exhaust", {2, 5}),
        ("compression", "starter", {2, 5}),
    ):
        comparison = run.comparison(probe, feature)
        assert {c.cylinder for c in comparison.cylinders if c.trust == "disturbed"} == disturbed
        assert set(comparison.reference) == set(SIX) - disturbed
        assert "added_volume" in comparison.because


def test_an_engine_without_companions_is_disturbed_everywhere(runs) -> None:
    comparison = runs["three"].comparison("intake", "drop")
    assert all(c.trust == "disturbed" for c in comparison.cylinders)
    assert set(comparison.reference) == {1, 2, 3}


def test_what_a_disturbed_cylinder_shows_is_not_called_the_engines_fault(runs) -> None:
    findings = [f for f in runs["everything fitted"].judgement.findings if f.odd_pulse_at == (2,)]
    assert findings
    assert all(f.cause != "engine" for f in findings)


def test_judging_twice_gives_the_same(run) -> None:
    source = run.judgement.source
    assert run.pipeline.judge(source) == run.judgement


def test_every_verdict_probe_says_when_its_corner_is_unknown_and_stays_clean(runs) -> None:
    comparison = runs["sync alone"].comparison("intake", "drop")
    assert "low_corner_unknown" in comparison.because
    assert comparison.trust == "clean"


def test_nothing_recorded_at_all_still_gives_a_document() -> None:
    setup = parse_setup(
        'schema = 1\n[engine]\ncylinders = 1\nfiring_order = [1]\n[[probe]]\nname = "i"\nrole = "intake_pulse"\ninput = 0\n'
    )
    pipeline = Pipeline(setup)
    assert pipeline.flush()
    assert pipeline.health()[0].state == "waiting"
