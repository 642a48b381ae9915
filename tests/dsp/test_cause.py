"""`cause` exactly by contract: spread, set-up, engine, unclear."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.findings import cause_of, effect_words
from evenstroke_dsp.messages import CylinderBalance, Normal, Predicted

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
