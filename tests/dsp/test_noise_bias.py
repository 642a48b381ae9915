"""The size of an intake pulse in noise: a small one must not read larger for it.

Against arithmetic: a sine whose crest and trough are known, and the closed form of a parabola's weights.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.cycles import CycleSpan, Place
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.features import ROLE_PULSES, Window, _level, measure
from evenstroke_dsp.history import History
from evenstroke_dsp.measurement import Measured, ProbeMeasurer
from evenstroke_dsp.setup import parse_setup
from scipy import signal
from setup_texts import FOUR, intake

RATE_HZ = 1000.0
DEG_PER_S = 1200.0  # 200 rpm
INTERVAL_DEG = 180.0


def drop(x: np.ndarray, t: np.ndarray) -> float:
    middle, arm = 0.5, 0.6 * INTERVAL_DEG / DEG_PER_S
    window = Window(middle - arm, middle, middle + arm, 435.0, DEG_PER_S)
    pulse = measure(ROLE_PULSES["intake_pulse"], t, x, window, INTERVAL_DEG)
    assert pulse is not None
    return pulse.values["drop"]


def sine(amplitude: float) -> tuple[np.ndarray, np.ndarray]:
    """Steepest fall at 0.5 s; crest to trough is twice the amplitude."""
    t = np.arange(1000) / RATE_HZ
    return t, -amplitude * np.sin(2 * np.pi * (DEG_PER_S / INTERVAL_DEG) * (t - 0.5))


def noise(draw: np.random.Generator, rms: float) -> np.ndarray:
    """Of the pass band: white below 50 Hz."""
    low = signal.butter(4, 50.0, fs=RATE_HZ, output="sos")
    x = signal.sosfiltfilt(low, draw.normal(size=3000))[1000:2000]
    return np.asarray(rms * x / x.std())


def test_without_noise_a_sine_s_size_is_its_crest_to_trough() -> None:
    t, x = sine(1.0)
    assert drop(x, t) == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("snr_db", [30.0, 20.0, 18.0])
def test_noise_moves_the_share_of_a_small_pulse_by_less_than_a_point(snr_db: float) -> None:
    """The highest less the lowest of the same samples is the control: it moves it by more."""
    draw = np.random.default_rng(3)
    rms = 1.0 / np.sqrt(2.0) / 10 ** (snr_db / 20)
    full, small = [], []
    peak_full, peak_small = [], []
    for _ in range(500):
        for amplitude, sizes, peaks in ((1.0, full, peak_full), (0.8, small, peak_small)):
            t, x = sine(amplitude)
            x = x + noise(draw, rms)
            sizes.append(drop(x, t))
            a, b, c = np.searchsorted(t, (0.41, 0.5, 0.59))
            peaks.append(x[a:b].max() - x[b:c].min())
    moved = 100.0 * (np.mean(small) / np.mean(full) - 0.8)
    plain = 100.0 * (np.mean(peak_small) / np.mean(peak_full) - 0.8)
    assert abs(moved) < 0.6
    if snr_db <= 20.0:
        assert plain > 0.8


def test_where_nothing_falls_the_pulse_is_of_no_size() -> None:
    """A cylinder whose valve stays shut is no cycle left out: without a size it would never be called small."""
    t = np.arange(1000) / RATE_HZ
    assert drop(3.0 * t, t) == 0.0


@pytest.mark.parametrize("reach", [2, 5, 12])
def test_the_level_is_that_of_a_least_squares_parabola(reach: int) -> None:
    """Against numpy.polyfit."""
    x = np.random.default_rng(reach).normal(size=60)
    at = np.arange(-reach, reach + 1)
    expected = np.polyfit(at, x[30 + at], 2)[2]
    assert _level(x, 30, reach) == pytest.approx(expected, rel=1e-9)


def test_a_pulse_that_begins_beyond_the_others_middle_is_measured_from_its_own_trough() -> None:
    """As of an exhaust valve that opens less: its dip comes later than the middle, where all cylinders' pulses are steepest."""
    t = np.arange(1000) / RATE_HZ
    middle, arm = 0.5, 0.6 * INTERVAL_DEG / DEG_PER_S
    window = Window(middle - arm, middle, middle + arm, 200.0, DEG_PER_S)
    late = np.interp(t, [0.0, 0.43, 0.52, 0.57, 1.0], [1.0, 1.0, -0.7, 0.9, 0.0])
    pulse = measure(ROLE_PULSES["exhaust_pulse"], t, late, window, INTERVAL_DEG)
    assert pulse is not None
    assert pulse.t_from == pytest.approx(0.52)
    assert pulse.values["rise"] == pytest.approx(1.6)


def ends(measured: tuple[Measured, ...], begin_deg: float) -> np.ndarray:
    """Where each pulse's trough was found, crank degrees after the cycle's beginning."""
    return np.array([DEG_PER_S * m.pulse.t_to - begin_deg for m in measured if m.pulse is not None])


def test_a_first_cycle_measured_on_another_slope_is_taken_anew() -> None:
    """As where a signal comes back from its end while the plenum still empties: what was read there is no one-off."""
    setup = parse_setup(FOUR + intake())
    firing = firing_angles(setup.engine)
    places = tuple(Place(c, None, angle) for c, angle in firing.items())
    t = np.arange(0.0, 6.0, 1 / RATE_HZ)
    degrees = DEG_PER_S * t
    values = np.sin(np.radians(2.0 * degrees))
    values += np.where(degrees < 1440.0, 1.5 * np.sin(np.radians(2.0 * degrees + 170.0)), 0.0)
    history = History()
    history.add(0.0, 1 / RATE_HZ, values[None, :], np.zeros((1, t.size), dtype=np.bool_))
    turning = Rotation(t=[0.0, 6.0], deg=[0.0, 6.0 * DEG_PER_S])
    measurer = ProbeMeasurer(setup, setup.probe[0], 0)
    anew, lags = [], []
    for number in range(1, 6):
        live = measurer.measure(CycleSpan(turning, 0, number, 720.0 * number, places), history, "cranking")
        lags.append(ends(live, 720.0 * number))
        anew.append(measurer.count(number))
    assert anew == [False, True, False, False, False]
    again = ends(next(measured for _, measured in measurer.counted_anew()), 720.0)
    # What the first cycle holds is another sine, whose trough the others' window reaches only at its end.
    first, taken_anew = np.abs(lags[0] - lags[-1]), np.abs(again - lags[-1])
    assert taken_anew.max() < first.min() - 20.0
