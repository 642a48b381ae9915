"""Level changes of sampled sync and tooth signals: their times, and silence where there is only noise."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import Bools, Floats
from evenstroke_dsp.edge_finder import EdgeFinder

RATE_HZ = 10_000.0
FRAME = 400


def found(x: Floats, *, teeth: bool = False, rate_hz: float = RATE_HZ) -> tuple[Floats, Bools]:
    finder = EdgeFinder(rate_hz, FRAME, teeth=teeth)
    times, rising = [], []
    for first in range(0, len(x), FRAME):
        t, up = finder.push(x[first : first + FRAME], first / rate_hz)
        times.append(t)
        rising.append(up)
    return np.concatenate(times), np.concatenate(rising)


def test_a_square_wave_gives_every_edge_once_and_in_turn() -> None:
    t = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    level = 2.5 + 2.0 * np.sign(np.sin(2 * np.pi * 3.3 * t - 0.4))
    level += np.random.default_rng(1).normal(scale=0.05, size=t.size)
    times, rising = found(level)
    true = (np.arange(1, 30) * np.pi + 0.4 - np.pi) / (2 * np.pi * 3.3)
    true = true[(true > 0.2) & (true < 3.95)]
    inside = (times > 0.2) & (times < 3.95)
    times, rising = times[inside], rising[inside]
    assert len(times) == len(true)
    # The edge lies somewhere between two samples: half a sample is all that can be known.
    assert float(np.abs(times - true).max()) <= 1.0 / RATE_HZ
    assert np.array_equal(rising[1:], ~rising[:-1])


def test_a_slow_edge_is_dated_where_it_crosses_the_middle() -> None:
    # A sine of 5 Hz takes 10 ms from its middle to the threshold: crossings near a frame's end are
    # found in the next frame, and must keep their time.
    t = np.arange(round(10.0 * RATE_HZ)) / RATE_HZ
    sine = 2.5 + 2.0 * np.sin(2 * np.pi * 4.987 * t)
    times, _ = found(sine)
    true = np.arange(1, 100) / (2 * 4.987)
    true = true[(true > 1.0) & (true < 9.9)]
    times = times[(times > 1.0) & (times < 9.9)]
    assert len(times) == len(true)
    assert float(np.abs(times - true).max()) < 0.2 / RATE_HZ


def test_inductive_teeth_keep_their_time_across_frames() -> None:
    # 58 teeth at 200 rpm make some 200 Hz; one sample at 10 kHz is 0.12 crank degrees.
    t = np.arange(round(3.0 * RATE_HZ)) / RATE_HZ
    sine = 2.0 * np.sin(2 * np.pi * 198.7 * t)
    times, _ = found(sine, teeth=True)
    true = np.arange(1, 1300) / (2 * 198.7)
    true = true[(true > 1.0) & (true < 2.95)]
    times = times[(times > 1.0) & (times < 2.95)]
    assert len(times) == len(true)
    assert float(np.abs(times - true).max()) < 0.2 / RATE_HZ


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_spikes_of_either_sign_are_found(sign: float) -> None:
    x = np.random.default_rng(2).normal(scale=0.02, size=40_000)
    starts = np.array([9000, 15_000, 21_000, 27_000, 33_000])
    for s in starts:
        x[s : s + 15] += sign * 3.0
    times, rising = found(x)
    lead = times[rising == (sign > 0)]
    assert float(np.abs(lead - (starts - 0.5) / RATE_HZ).max()) < 1.0 / RATE_HZ
    assert len(times) == 2 * len(starts)


@pytest.mark.parametrize("teeth", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_silent(teeth: bool, seed: int) -> None:
    noise = 2.5 + np.random.default_rng(seed).normal(scale=0.03, size=80_000)
    times, _ = found(noise, teeth=teeth)
    assert times.size == 0


def test_a_dead_probe_is_silent() -> None:
    times, _ = found(np.full(20_000, 2.5))
    assert times.size == 0


def test_edges_of_lost_samples_are_not_invented() -> None:
    t = np.arange(40_000) / RATE_HZ
    level = 2.5 + 2.0 * np.sign(np.sin(2 * np.pi * 2.0 * t))
    level[20_100:20_300] = np.nan  # within one level: nothing changes there
    times, rising = found(level)
    assert not ((times > 2.005) & (times < 2.035)).any()
    assert np.array_equal(rising[1:], ~rising[:-1])


def test_times_ascend_whatever_the_signal() -> None:
    x = np.cumsum(np.random.default_rng(3).normal(size=60_000))
    times, rising = found(x)
    assert (np.diff(times) >= 0).all()
    assert np.array_equal(rising[1:], ~rising[:-1])


@pytest.mark.parametrize("teeth", [False, True])
@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("swing_steps", [0.1, 0.6])
def test_a_converter_whose_last_bit_changes_gives_no_edges(
    teeth: bool, bits: int, swing_steps: float
) -> None:
    # A probe at rest between two counts: most samples equal the one before, so that the noise reads as none.
    step = 5.0 / (1 << bits)
    t = np.arange(round(10.0 * RATE_HZ)) / RATE_HZ
    wanders = 0.8 + swing_steps * np.sin(2 * np.pi * 1.7 * t)
    wanders += 0.05 * np.random.default_rng(2).normal(size=t.size)
    x = (100 + np.floor(wanders)) * step
    assert 2 <= np.unique(x).size <= 3
    assert found(x, teeth=teeth)[0].size == 0


def test_a_clean_logic_signal_has_two_levels_only_and_all_its_edges() -> None:
    t = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    assert found(np.where(np.sin(2 * np.pi * 3.3 * t - 0.4) > 0, 3.3, 0.0))[0].size == 27


def test_a_small_signal_on_a_fine_converter_has_its_edges() -> None:
    # 5 mV pulses, resolved to 10 microvolts.
    t = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    pulses = np.where((t % 0.5) < 0.01, 0.005, 0.0) + 2e-5 * np.random.default_rng(3).normal(size=t.size)
    assert found(np.round(pulses, 5))[0].size == 15
