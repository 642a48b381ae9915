"""`cause` exactly by contract: spread, set-up, engine, unclear."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.findings import cause_of, effect_words, findings_of, instruction_at_rest
from evenstroke_dsp.messages import Comparison, CylinderBalance, Normal, Predicted
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.wording import decimals

BASE = CylinderBalance(
    cylinder=2, value=1.0, value_unit="kPa", deviation=0.0, low=-1.0, high=1.0, cycles=10, verdict="smaller",
    normal=Normal(low=-4.0, high=4.0, from_="test"), trust="disturbed",
    predicted=Predicted(deviation=-5.0, low=-10.0, high=-2.0), more_cycles=None, one_off_cycles=(), position=None,
    one_of=None,
)  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "cause"),
    [
        (-4.0, -1.0, "spread"),  # inside normal
        (-11.0, -6.0, "set-up"),  # inside -14 to +2
        (-14.0, -2.0, "set-up"),
        (-16.0, -6.0, "unclear"),  # reaches out of what is predicted
        (-30.0, -15.0, "engine"),  # outside both
        (5.0, 9.0, "engine"),
        (3.0, 9.0, "unclear"),  # reaches into normal
    ],
)
def test_the_rule(low: float, high: float, cause: str) -> None:
    assert cause_of(msgspec.structs.replace(BASE, low=low, high=high)) == cause


def test_without_a_prediction_a_disturbed_cylinder_stays_unclear_and_a_clean_one_is_judged_by_normal() -> (
    None
):
    unknown = msgspec.structs.replace(BASE, predicted=None, low=-30.0, high=-15.0)
    assert cause_of(unknown) == "unclear"
    assert cause_of(msgspec.structs.replace(unknown, trust="clean")) == "engine"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-10.2, -2.1, "2 to 10 % smaller"),
        (1.0, 3.4, "1 to 3 % larger"),
        (-6.0, 1.4, "from 6 % smaller to 1 % larger"),
    ],
)
def test_a_range_in_words(low: float, high: float, words: str) -> None:
    assert effect_words(Predicted(deviation=0.0, low=low, high=high)) == words


@pytest.mark.parametrize(
    ("low", "high", "places"), [(12.6, 13.3, 1), (-13.4, -12.6, 1), (11.0, 13.0, 0), (-2.0, 9.0, 0)]
)
def test_a_narrow_range_is_not_rounded_to_nothing(low: float, high: float, places: int) -> None:
    """ "13 % (13 to 13 %)" would state no uncertainty."""
    assert decimals(low, high) == places
    words = effect_words(Predicted(deviation=0.0, low=low, high=high))
    numbers = [float(word) for word in words.replace("from ", "").split() if word[0].isdigit()]
    assert numbers[0] != numbers[1]


def test_a_healthy_pulse_beside_a_far_odd_one_is_said_to_be_pulled_by_the_mean() -> None:
    # 100, 100, 100 and 40 kPa: the mean is 85, so that the healthy ones read 18 % larger.
    setup = parse_setup(
        "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
        '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n',
        "test",
    )
    healthy = msgspec.structs.replace(
        BASE, deviation=17.6, low=17.0, high=18.0, verdict="larger", trust="clean", predicted=None
    )
    weak = msgspec.structs.replace(healthy, deviation=-52.9, low=-54.0, high=-52.0, verdict="smaller")
    cylinders = tuple(msgspec.structs.replace(weak if c == 3 else healthy, cylinder=c) for c in (1, 3, 4, 2))
    comparison = Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent", trust="clean",
        because=(), reference=(1, 3, 4, 2), cylinders=cylinders,
    )  # fmt: skip
    texts = {f.odd_pulse_at[0]: f.text for f in findings_of(setup, [comparison])}
    assert "pulls the mean" not in texts[3]
    for cylinder in (1, 2, 4):
        assert "cylinder 3 pulls the mean: of the others' mean alone it would be +0 % off" in texts[cylinder]


@pytest.mark.parametrize("verdict", [None, "undecided", "even"])
def test_an_engine_that_is_to_idle_is_never_told_to_be_cranked(verdict: str | None) -> None:
    one = msgspec.structs.replace(BASE, verdict=verdict)
    compared = Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="idle", unit="percent", trust="clean",
        because=(), reference=(1, 2), cylinders=(one, one),
    )  # fmt: skip
    words, more = instruction_at_rest(
        comparisons=(compared,) if verdict else (),
        findings=(),
        refused=None,
        mode="idle",
    )
    assert "idle" in words
    assert "crank" not in words.lower()
    assert "starter" not in words
    assert more == (0 if verdict == "even" else None)
