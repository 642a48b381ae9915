"""A probe's low corner: undone where it is given, held by the interval where it is not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.low_corner import highest_corner, plausible, undone_cycle, widening
from evenstroke_dsp.physics.probes import high_pass, rc_corner_hz
from evenstroke_dsp.pulse_evidence import LOW_CORNERS_HZ


def test_a_cycle_is_as_it_was_before_the_high_pass() -> None:
    # The reference is a first-order digital high-pass (scipy's bilinear transform), run until it is steady.
    rate, corner, cycle_s = 10_000.0, 2.0, 0.6
    t = np.arange(0.0, 20 * cycle_s, 1.0 / rate)
    true = sum(a * np.sin(2 * np.pi * k * t / cycle_s + k) for k, a in ((1, 1.0), (2, 0.5), (6, 2.0)))
    read = high_pass(true, 1.0 / rate, corner)
    steps = np.linspace(19 * cycle_s, 20 * cycle_s, 361)
    got = undone_cycle(np.interp(steps[:-1], t, read), steps, corner)
    want = np.interp(steps[:-1], t, true)
    assert got - got.mean() == pytest.approx(want - want.mean(), abs=0.01)


def test_what_a_2_hz_corner_does_at_200_rpm() -> None:
    # Arithmetic: at 200 rpm once a cycle is 1.67 Hz; a 2 Hz corner passes 0.64 of it and leads by 50 degrees.
    f, corner = 200 / 120, 2.0
    passed = 1.0 / complex(1.0, -corner / f)
    assert abs(passed) == pytest.approx(0.64, abs=0.005)
    assert math.degrees(math.atan2(passed.imag, passed.real)) == pytest.approx(50.2, abs=0.2)


def test_the_corners_thought_possible_hold_those_of_bare_discs() -> None:
    # A 27 mm disc has about 20 nF (common practice): 0.8 Hz into 10 Mohm and 8 Hz into 1 Mohm (arithmetic).
    for ohm, hertz in ((10e6, 0.8), (1e6, 8.0)):
        corner = rc_corner_hz(20e-9, ohm)
        assert corner == pytest.approx(hertz, rel=0.01)
        assert LOW_CORNERS_HZ[1] < corner < LOW_CORNERS_HZ[-1]


def test_a_level_that_stays_off_excludes_high_corners() -> None:
    # exp(-2 pi fc t) of at most 20 heights is 1 height left after 5 s: fc <= ln 20 / (10 pi) = 0.095 Hz.
    assert highest_corner(-1.0, 5.0) == pytest.approx(0.0954, abs=0.0005)
    assert highest_corner(0.1, 5.0) == math.inf
    corners = np.asarray(LOW_CORNERS_HZ)
    even = np.full(corners.size, 1.0 / corners.size)
    assert plausible(corners, even, 0.0954).max() == corners[corners >= 0.0954].min()
    assert plausible(corners, even, math.inf).max() == corners.max()


def test_the_widening_is_the_hull_and_never_narrows() -> None:
    read = np.array([1.0, 1.0, 1.0, 1.0])
    undone = np.array([[1.1, 0.9, 1.0, 1.0], [1.05, 1.05, 0.9, 1.0]])
    wider = widening(read, undone, (0, 1, 2, 3), relative=True)
    assert wider is not None
    assert wider.up == pytest.approx([10.0, 5.0, 0.0, 0.0])
    assert wider.down == pytest.approx([0.0, -10.0, -10.0, 0.0])


@pytest.fixture(scope="module")
def six(cranks):
    setup = cranks.setup("six", exhaust="travel_m = 0.0")
    trace = cranks.crank(setup, seed=500, seconds=8.0)
    return setup, trace, cranks.judged(setup, trace, cranks.heard(trace))


@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("given", [True, False])
def test_the_interval_holds_what_a_probe_without_a_corner_shows(cranks, six, corner_hz, given) -> None:
    plain, trace, true = six
    setup = cranks.setup("six", intake=f"low_corner_hz = {corner_hz}") if given else plain
    outcome = cranks.judged(setup, trace, cranks.heard(trace, corner_hz=corner_hz, noise_db=30.0))
    comparison = outcome.comparison("intake", "drop")
    assert ("low_corner_unknown" in comparison.because) is not given
    assert comparison.trust == "clean"
    truth = true.cylinders("intake", "drop")
    for cylinder, balance in outcome.cylinders("intake", "drop").items():
        assert balance.low <= truth[cylinder].deviation <= balance.high
        assert balance.low <= balance.deviation <= balance.high


def test_an_unstated_corner_costs_width_unless_the_recording_excludes_it(cranks, six) -> None:
    setup, trace, _ = six

    def width(outcome) -> float:
        return float(np.mean([c.high - c.low for c in outcome.cylinders("intake", "drop").values()]))

    told = cranks.setup("six", intake="low_corner_hz = 8.0")
    # Little noise: undoing 8 Hz makes noise linger from cycle to cycle, which widens the stated corner's intervals too.
    coupled = cranks.heard(trace, corner_hz=8.0, noise_db=45.0)
    assert width(cranks.judged(setup, trace, coupled)) > 1.3 * width(cranks.judged(told, trace, coupled))
    # A probe that goes down to zero shows the plenum's mean fall for as long as the crank turns.
    direct = cranks.judged(setup, trace, cranks.heard(trace, noise_db=30.0))
    assert direct.pipeline._measurers[0].corner_values("cranking")[1]["drop"].shape[0] <= 2
