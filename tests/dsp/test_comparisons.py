"""Over how many verdicts the confidence is shared: never fewer than are given."""

from __future__ import annotations

import numpy as np
from evenstroke_dsp.comparisons import ComparisonKeeper, verdict_cylinders
from evenstroke_dsp.cycles import Place
from evenstroke_dsp.features import Pulse
from evenstroke_dsp.measurement import Measured, ProbeMeasurer
from evenstroke_dsp.setup import parse_setup

SETUP = """
schema = 1
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
[[probe]]
name = "intake"
role = "intake_pulse"
[[probe]]
name = "bank"
role = "exhaust_pulse"
sees = [1, 2, 3]
[[probe]]
name = "one pipe"
role = "exhaust_pulse"
sees = [4]
"""


def test_an_engine_that_starts_gives_every_verdict_twice() -> None:
    setup = parse_setup(SETUP)
    measurers = [ProbeMeasurer(setup, probe, row) for row, probe in enumerate(setup.probe)]
    keeper = ComparisonKeeper(setup, measurers)
    for stretch in ("cranking", "idle"):
        for measurer in measurers:
            values = {feature.name: 1.0 for feature in measurer.pulse.features}
            heard = setup.sees(measurer.probe)
            measured = [
                Measured(Place(cylinder, None, 0.0), k, Pulse(0.0, 0.1, values), None)
                for k, cylinder in enumerate(heard, 1)
            ]
            keeper.add(measurer, measured, stretch, 0, 0)  # type: ignore[arg-type]  # one of the words above
    given = list(verdict_cylinders(keeper.state()))
    # Drop of six, rise and suction of three; a pipe of one cylinder compares with nothing.
    assert len(given) == 2 * (6 + 2 * 3)
    assert 2 * keeper.verdicts_shared == len(given)
    # What healthy cranked engines show says nothing of one that fires: simulated cranks are all that it rests on.
    for comparison, cylinder in given:
        if comparison.stretch == "idle":
            assert cylinder.normal is None
        elif comparison.feature == "drop":
            assert cylinder.normal is not None
            # No narrower than by the physics, which say some 9 % of a six of which nothing else is known.
            assert cylinder.normal.high >= 9.1


def test_cycles_taken_anew_never_turn_a_verdict_into_another() -> None:
    """A probe found to be upside down is measured anew: cylinder 1 was small, is large now, and gets no word."""
    setup = parse_setup(SETUP)
    measurer = ProbeMeasurer(setup, setup.probe[0], 0)
    keeper = ComparisonKeeper(setup, [measurer])

    def words(size_of_first: float) -> tuple[set[str | None], tuple[str, ...]]:
        draw = np.random.default_rng(1)
        for cycle in range(12):
            measured = [
                Measured(
                    Place(cylinder, None, 0.0),
                    k,
                    Pulse(
                        0.0,
                        0.1,
                        {"drop": (size_of_first if cylinder == 1 else 1.0) * (1.0 + 0.01 * draw.normal())},
                    ),
                    None,
                )
                for k, cylinder in enumerate(setup.sees(setup.probe[0]), 1)
            ]
            keeper.add(measurer, measured, "cranking", cycle, 0)
        drop = next(c for c in keeper.state() if c.feature == "drop")
        return {c.verdict for c in drop.cylinders if c.cylinder == 1}, drop.because

    assert words(0.7)[0] == {"smaller"}
    keeper.forget("intake")
    verdicts, because = words(1.3)
    assert verdicts == {"undecided"}
    assert "verdict_withdrawn" in because
    keeper.forget("intake")
    assert words(0.7)[0] == {"smaller"}


def test_a_signal_that_is_cut_off_for_longer_than_is_remembered_is_not_left_out(monkeypatch) -> None:
    """Of a long idle only the latest cycles are remembered, all cut off: few of all that were, and none would be left."""
    setup = parse_setup(SETUP)
    measurer = ProbeMeasurer(setup, setup.probe[0], 0)
    monkeypatch.setattr(ProbeMeasurer, "cut_off", lambda *_: (False, True))
    keeper = ComparisonKeeper(setup, [measurer])
    draw = np.random.default_rng(1)
    for cycle in range(2100):
        measured = [
            Measured(
                Place(cylinder, None, 0.0), k, Pulse(0.0, 0.1, {"drop": 1.0 + 0.01 * draw.normal()}), None
            )
            for k, cylinder in enumerate(setup.sees(setup.probe[0]), 1)
        ]
        keeper.add(measurer, measured, "idle", cycle, 0)
        if cycle % 50 == 49:
            for group in keeper._groups.values():
                group.look_for_cuts()
    (drop,) = (c for c in keeper.state() if c.feature == "drop")
    assert "clipped" in drop.because and "clipped_for_a_while" not in drop.because
    assert all(c.cycles for c in drop.cylinders)
