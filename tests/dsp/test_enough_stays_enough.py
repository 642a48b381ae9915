"""Once a crank has been called enough, the pipeline does not ask the person at the key to go on with it."""

from __future__ import annotations

import msgspec
import pytest
from evenstroke_dsp.findings import instruction
from evenstroke_dsp.messages import Comparison, CylinderBalance
from evenstroke_dsp.setup import parse_setup
from setup_texts import FOUR, intake

CRANKED = parse_setup(FOUR + intake())


def undecided(cycles: int, more: int | None) -> Comparison:
    cylinder = CylinderBalance(
        cylinder=2, value=1.0, value_unit="kPa", deviation=-6.0, low=-9.0, high=-3.0, cycles=cycles,
        verdict="undecided", normal=None, trust="clean", predicted=None, more_cycles=more, one_off_cycles=(),
        position=None, one_of=None,
    )  # fmt: skip
    return Comparison(
        probe="intake", role="intake_pulse", feature="drop", stretch="cranking", unit="percent", trust="clean",
        because=(), reference=(1, 2), cylinders=(cylinder,),
    )  # fmt: skip


def said(
    comparisons: tuple[Comparison, ...], *, enough: bool, cranked_s: float = 6.0
) -> tuple[str, int | None]:
    return instruction(
        turning=True, cranked_s=cranked_s, cycle_s=0.6, comparisons=comparisons, findings=(), refused=None,
        setup=CRANKED, enough=enough,
    )  # fmt: skip


@pytest.mark.parametrize("comparisons", [(undecided(9, 3),), (undecided(3, None),), ()])
def test_a_late_revision_does_not_undo_it(comparisons: tuple[Comparison, ...]) -> None:
    assert said(comparisons, enough=False)[0].startswith("Keep cranking")
    words, more = said(comparisons, enough=True)
    assert words.startswith("Enough") and more == 0


def test_the_starters_limit_comes_first() -> None:
    assert said((undecided(9, 3),), enough=True, cranked_s=9.8)[0].startswith("Stop cranking")


@pytest.mark.parametrize(
    ("code", "words"),
    [("no_compression", "no rhythm of compression"), ("dead", "no signal stands out of intake")],
)
def test_nobody_cranks_on_where_that_cannot_help(code: str, words: str) -> None:
    def so(cycles: int) -> Comparison:
        return msgspec.structs.replace(undecided(cycles, None), because=(code,), trust="limited")

    # What these signs rest on takes some cycles.
    assert said((so(3),), enough=False)[0] == "Keep cranking."
    told, more = said((so(4),), enough=False)
    assert told.startswith("Stop cranking") and words in told
    assert more == 0, "without a number, whoever knows the maker's limit says to go on"
    # Another probe may still tell something.
    assert said((so(4), undecided(4, 3)), enough=False)[0].startswith("Keep cranking")


def test_a_pulse_that_never_gets_an_interval_does_not_keep_the_starter_turning() -> None:
    cylinder = msgspec.structs.replace(
        undecided(9, None).cylinders[0], low=None, high=None, cycles=1, cylinder=1
    )
    comparison = undecided(9, None)
    comparison = msgspec.structs.replace(comparison, cylinders=(cylinder, *comparison.cylinders))
    assert said((comparison,), enough=False)[0].startswith("Enough: stop cranking.")
