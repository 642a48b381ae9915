"""A pulse that is cut off is found, a quiet or a flat one is not taken for that, and no verdict rests on what is not there.

Where a signal is cut off is chosen here, by arithmetic; what pulses read without that is the same crank's, uncut.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.clipping import ClippingFinder
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.findings import instruction_at_rest

RATES_HZ = [200.0, 2000.0, 10000.0]


def found(x, rate_hz: float):
    finder = ClippingFinder(rate_hz)
    frame = max(8, round(0.04 * rate_hz))
    for first in range(0, x.size - frame + 1, frame):
        finder.push(x[first : first + frame], first / rate_hz)
    return finder


def cuts(finder) -> tuple[int, int]:
    low, high = finder._spans
    return len(low), len(high)


def bells(t, height: float):
    """Six pulses a second, 1/6 s apart, each exp(-(t / 25 ms)^2)."""
    return height * np.exp(-(((((t * 6.0) % 1.0) - 0.5) / 6.0 / 0.025) ** 2))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("steps", [4, 16, 40, 1000])
@pytest.mark.parametrize("noise_steps", [0.0, 0.1, 0.6])
def test_a_pulse_in_few_steps_of_the_converter_is_not_cut_off(rate_hz, steps, noise_steps) -> None:
    t = np.arange(round(8 * rate_hz)) / rate_hz
    noise = noise_steps * np.random.default_rng(1).standard_normal(t.size)
    for pulse in (bells(t, steps), steps / 2 * np.sin(12 * np.pi * t), -bells(t, steps)):
        assert cuts(found(np.round(300.3 + pulse + noise), rate_hz)) == (0, 0)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("at", [0.95, 0.7, 0.3])
@pytest.mark.parametrize("upper", [True, False])
def test_what_is_cut_off_is_found_where_it_is(rate_hz, at, upper) -> None:
    """exp(-(t/w)^2) is above `at` for 2 w sqrt(-ln at)."""
    t = np.arange(round(8 * rate_hz)) / rate_hz
    x = np.round(np.minimum(bells(t, 400.0), 400.0 * at))
    finder = found(500.0 + (x if upper else -x), rate_hz)
    assert cuts(finder)[int(not upper)] == 0
    held_s = 2 * 0.025 * np.sqrt(-np.log(at))
    if held_s < 4 / min(rate_hz, 1000.0):
        return  # it lasts for less than four samples
    assert cuts(finder)[int(upper)] >= 40  # of 48
    for pulse in range(10, 40):
        middle = (pulse + 0.5) / 6.0
        assert finder.between(middle - held_s / 2, middle + held_s / 2)[int(upper)]
        assert finder.between(middle + 0.07, middle + 0.09) == (False, False)
    assert finder.share_since(4.0) == pytest.approx(6 * held_s, abs=0.03 + 12 / rate_hz)


def test_an_amplifier_that_saturates_below_the_range_s_end_is_found_under_the_converter_s_noise() -> None:
    t = np.arange(16000) / 2000.0
    x = np.minimum(bells(t, 400.0), 280.0) + 0.5 * np.random.default_rng(3).standard_normal(t.size)
    assert cuts(found(np.round(100.0 + x), 2000.0))[1] >= 40


def test_a_level_between_pulses_a_rest_and_a_probe_that_died_are_not_cut_off() -> None:
    t = np.arange(16000) / 2000.0
    rest = np.round(np.where((t * 1.7) % 1.0 < 0.5, 0.0, 300.0 * np.sin(2 * np.pi * 1.7 * t) ** 4))
    assert cuts(found(rest, 2000.0)) == (0, 0)
    died = np.where(t < 4.0, np.round(bells(t, 400.0)), 200.0)
    assert cuts(found(died, 2000.0)) == (0, 0)
    cranks = np.where((t % 2.0) < 1.0, 0.0, 200.0 + bells(t, 100.0))
    assert cuts(found(np.round(cranks), 2000.0)) == (0, 0)


def test_what_stood_at_its_end_is_found_at_any_time_that_it_touches() -> None:
    finder = ClippingFinder(2000.0)
    finder._spans[1].extend([(1.0, 1.2), (2.0, 2.3), (5.0, 5.1)])
    for t_from, t_to, at_end in (
        (0.0, 0.9, False), (0.0, 1.0, True), (1.05, 1.1, True), (1.2, 1.3, True), (1.21, 1.9, False),
        (0.0, 9.0, True), (2.31, 4.99, False), (5.1, 6.0, True), (5.2, 6.0, False),
    ):  # fmt: skip
        assert finder.between(t_from, t_to) == (False, at_end)


@pytest.fixture(scope="module")
def six(cranks):
    """kPa: one even fall each stroke (`FALL` about 450 degrees after firing TDC), 3's a fifth smaller."""
    setup = cranks.setup("six", intake="volts_at_zero = 0.0", exhaust="travel_m = 0.0")
    trace = cranks.crank(setup, seed=6, seconds=8.0)
    signals = cranks.heard(trace, corner_hz=0.5, noise_db=30.0)
    angles = firing_angles(setup.engine)
    total = np.zeros(trace.theta_deg.size)
    for cylinder, angle in angles.items():
        away = (trace.theta_deg - angle - 470.0 + 360.0) % 720.0 - 360.0
        total -= (0.8 if cylinder == 3 else 1.0) * np.exp(-((away / 42.0) ** 2))
    turning = np.clip(trace.current_a / 60.0, 0.0, 1.0)
    noise = 0.005 * np.random.default_rng(4).standard_normal(total.size)
    signals[0] = total * turning + noise
    return setup, trace, signals, cranks.judged(setup, trace, signals)


def verdicts(outcome) -> dict[int, str]:
    return {c: row.verdict for c, row in outcome.cylinders("intake", "drop").items()}


@pytest.mark.parametrize("at", [0.95, 0.9, 0.7, 0.5])
def test_a_pulse_that_is_cut_off_is_not_read_the_wrong_way_round(cranks, six, at) -> None:
    setup, trace, signals, uncut = six
    truth = verdicts(uncut)
    assert truth[3] == "smaller"
    cut = cranks.judged(setup, trace, {**signals, 0: np.maximum(signals[0], -at)})
    drop = cut.comparison("intake", "drop")
    assert "clipped" in drop.because and drop.trust == "limited"
    for cylinder, verdict in verdicts(cut).items():
        assert verdict in ("undecided", truth[cylinder])
    rows = cut.cylinders("intake", "drop")
    if at >= 0.9:
        # The others are larger than they read, so that what is smaller among them is smaller all the more.
        assert rows[3].verdict == "smaller" and rows[3].low == -100.0
        (finding,) = (f for f in cut.judgement.findings if f.odd_pulse_at == (3,) and f.probe == "intake")
        assert "by how much more it is smaller is not known" in finding.text
    else:
        assert rows[1].low is None and rows[1].high is None and rows[1].more_cycles is None


def test_one_pulse_that_is_cut_off_is_at_least_as_large_as_it_reads(cranks, six) -> None:
    setup, trace, signals, _ = six
    angle = firing_angles(setup.engine)[2]
    own = np.abs((trace.theta_deg - angle - 470.0 + 360.0) % 720.0 - 360.0) < 60.0
    large = np.where(own, 1.5 * signals[0], signals[0])
    cut = cranks.judged(setup, trace, {**signals, 0: np.maximum(large, -1.3)})
    row = cut.cylinders("intake", "drop")[2]
    assert row.verdict == "larger" and row.high == 500.0  # no more than all six together


def test_a_signal_that_is_cut_off_is_mended_before_anything_else(cranks, six) -> None:
    setup, trace, signals, _ = six
    cut = cranks.judged(setup, trace, {**signals, 0: np.maximum(signals[0], -0.9)})
    judgement = cut.judgement
    assert judgement.findings
    words, more = instruction_at_rest(
        comparisons=judgement.comparisons,
        findings=judgement.findings,
        refused=None,
        setup=setup,
        mode="cranking",
    )
    assert words.startswith(
        "Mend the signal of intake first. The signal is cut off at its end: turn the gain down"
    )
    assert "divider" in words and "farther" in words and more is None
    assert "Pulses that are cut off are larger than they read" in cut.said("clipped")
