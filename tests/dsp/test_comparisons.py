"""Over how many verdicts the confidence is shared: never fewer than are given."""

from __future__ import annotations

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
    assert keeper.verdicts_shared == len(given)
