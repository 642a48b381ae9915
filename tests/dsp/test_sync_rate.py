"""How often a sync comes, told by the pulses: half of them between two events are not one that is missing.

Against arithmetic: pulses of a Gaussian shape have the orders exp(-(m s)^2 / 2) each, turned by their place and added.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.mean_cycle import STEPS, MeanCycle
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.sync_rate import twice_by_pulses

SPARK = parse_setup(
    "schema = 1\n[engine]\ncylinders = 6\nfiring_order = [1, 5, 3, 6, 2, 4]\n"
    '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
    '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\n'
).probe[1]


def mean_of(sizes: list[float], spread_rad: float) -> MeanCycle:
    """Pulses at even places of one cut cycle, as wide as that, wrapped around."""
    mean, x = MeanCycle(), 2 * np.pi * np.arange(STEPS + 1) / STEPS
    cycle = np.zeros(STEPS + 1)
    for k, size in enumerate(sizes):
        away = (x - 2 * np.pi * k / len(sizes) + np.pi) % (2 * np.pi) - np.pi
        cycle -= size * np.exp(-0.5 * (away / spread_rad) ** 2)
    for number in range(6):
        mean.add(cycle, 0.6 * number + np.linspace(0.0, 0.6, STEPS + 1), np.zeros(1))
    return mean


@pytest.mark.parametrize("gone", range(6))
@pytest.mark.parametrize("spread_rad", [0.3, 0.45, 0.55])
def test_one_missing_pulse_of_six_is_not_a_sync_that_comes_twice(gone: int, spread_rad: float) -> None:
    sizes = [1.0] * 6
    sizes[gone] = 0.0
    assert not twice_by_pulses(SPARK, mean_of(sizes, spread_rad), 6)


@pytest.mark.parametrize("sizes", [[1.0, 1.0, 1.0], [1.0, 0.95, 1.05], [1.0, 0.5, 1.0]])
def test_half_the_pulses_between_two_events_are(sizes: list[float]) -> None:
    """The last: two halves of the cycle on top of each other, one pulse of the six missing."""
    assert twice_by_pulses(SPARK, mean_of(sizes, 0.55), 6)


def test_six_pulses_are_not() -> None:
    assert not twice_by_pulses(SPARK, mean_of([1.0] * 6, 0.45), 6)
