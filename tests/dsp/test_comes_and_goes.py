"""A cylinder that is odd in some cycles is said to be, without a verdict; one odd cycle stays a one-off."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.comparisons import ComparisonKeeper
from evenstroke_dsp.cycles import Place
from evenstroke_dsp.features import Pulse
from evenstroke_dsp.findings import findings_of
from evenstroke_dsp.mean_cycle import STEPS, MeanCycle
from evenstroke_dsp.measurement import Measured, ProbeMeasurer
from evenstroke_dsp.messages import Comparison
from evenstroke_dsp.setup import Setup, parse_setup
from setup_texts import FOUR, intake

SETUP = FOUR + intake(low_corner_hz=0.1)


def compared(
    odd: dict[int, float], cycles: int, *, seed: int = 1, limits: tuple[str, ...] = ()
) -> tuple[Setup, tuple[Comparison, ...]]:
    """Drops of four even cylinders, 2 % of noise; cylinder 3's times so much in the cycles named."""
    setup = parse_setup(SETUP)
    measurer = ProbeMeasurer(setup, setup.probe[0], 0)
    keeper = ComparisonKeeper(setup, [measurer])
    keeper.limit("intake", limits)
    draw = np.random.default_rng(seed)
    comparisons: tuple[Comparison, ...] = ()
    for cycle in range(cycles):
        measured = [
            Measured(
                Place(cylinder, None, 0.0),
                k,
                Pulse(
                    0.0,
                    0.1,
                    {
                        "drop": (1.0 + 0.02 * float(draw.normal()))
                        * (odd.get(cycle, 1.0) if cylinder == 3 else 1.0)
                    },
                ),
                None,
            )
            for k, cylinder in enumerate((1, 3, 4, 2), 1)
        ]
        keeper.add(measurer, measured, "cranking", cycle, 0)
        comparisons = keeper.state()
        for comparison in comparisons:
            assert all(c.verdict in ("even", "undecided", None) for c in comparison.cylinders)
    return setup, comparisons


@pytest.mark.parametrize("cycles", [1, 4, 6, 9, 12])
def test_five_odd_cycles_of_fourteen_are_a_finding_and_no_verdict(cycles: int) -> None:
    odd = {(cycles + 3 * k) % 14: 0.6 for k in range(5)}
    setup, comparisons = compared(odd, 14, seed=cycles)
    (finding,) = findings_of(setup, comparisons)
    assert finding.odd_pulse_at == (3,)
    assert finding.cause == "unclear" and finding.suspect_cylinder is None
    assert "in 5 of 14 cycles" in finding.text and "comes and goes" in finding.text
    assert all(str(k) in finding.text for k in odd)
    assert "repeat the same crank" in finding.next_step


def test_cycles_of_a_signal_that_is_gone_are_no_cylinders_doing() -> None:
    setup, comparisons = compared(dict.fromkeys((6, 8, 9), 0.1), 12, limits=("dead",))
    assert findings_of(setup, comparisons) == ()
    assert all(not c.one_off_cycles for comparison in comparisons for c in comparison.cylinders)


@pytest.mark.parametrize("odd", [{5: 0.5}, {5: 0.5, 9: 0.5}, {2: 1.6}, {}])
def test_one_or_two_odd_cycles_stay_one_offs(odd: dict[int, float]) -> None:
    setup, comparisons = compared(odd, 14)
    assert findings_of(setup, comparisons) == ()
    drop = next(c for c in comparisons if c.feature == "drop")
    assert {c.cylinder: set(c.one_off_cycles) for c in drop.cylinders}[3] == set(odd)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("factor", [0.4, 0.7, 1.5])
def test_a_third_of_the_cycles_bad_from_fifteen_on_gives_no_verdict(seed: int, factor: float) -> None:
    """Fifteen good cycles, then ten bad ones among fifteen: looked at after each. All that are far out are listed."""
    draw = np.random.default_rng(seed)
    bad = sorted(draw.choice(np.arange(15, 30), size=10, replace=False).tolist())
    _, comparisons = compared(dict.fromkeys(bad, factor), 30, seed=seed)
    drop = next(c for c in comparisons if c.feature == "drop")
    three = next(c for c in drop.cylinders if c.cylinder == 3)
    assert set(three.one_off_cycles) <= set(bad)
    if factor < 0.5:
        assert set(three.one_off_cycles) == set(bad)
        assert three.verdict == "even"


@pytest.mark.parametrize("freedom", [6, 12, 60])
def test_noise_alone_is_measured_as_it_is(freedom: int) -> None:
    """Noise of so many degrees of freedom to a cycle on a pulse of 20 dB: read within what the median of its changes allows."""
    draw = np.random.default_rng(freedom)
    turned = 2 * np.pi * np.arange(STEPS + 1) / STEPS
    orders = np.arange(1, freedom // 2 + 1)
    found = []
    for _ in range(60):
        mean = MeanCycle()
        for number in range(14):
            amplitudes = draw.standard_normal((2, orders.size)) / np.sqrt(orders.size) * 0.1
            noise = amplitudes[0] @ np.cos(np.outer(orders, turned)) + amplitudes[1] @ np.sin(
                np.outer(orders, turned)
            )
            mean.add(
                np.sqrt(2.0) * np.sin(4 * turned) + noise, 0.6 * number + 0.6 * turned / 7.0, np.zeros(1)
            )
        found.append(mean.signal_to_noise_db)
    assert np.median(found) == pytest.approx(20.0, abs=0.7)
    assert max(found) < 20.0 + 4.5


@pytest.mark.parametrize("every", [2, 3, 4])
def test_a_pulse_that_comes_and_goes_is_no_noise(every: int) -> None:
    """Half of one pulse of four missing in every second, third or fourth cycle, in noise of 30 dB."""
    draw = np.random.default_rng(every)
    turned = 2 * np.pi * np.arange(STEPS + 1) / STEPS
    mean = MeanCycle()
    for number in range(14):
        cycle = sum(
            (0.5 if k == 2 and number % every == 0 else 1.0)
            * np.exp(-(((turned - np.pi / 4 - k * np.pi / 2) / 0.5) ** 2))
            for k in range(4)
        )
        noise = np.std(cycle) / 10 ** (30 / 20) * draw.standard_normal(STEPS + 1)
        mean.add(cycle + noise, 0.6 * number + 0.6 * turned / 7.0, np.zeros(1))
    assert mean.signal_to_noise_db is not None and mean.signal_to_noise_db > 20.0
