"""Orders of an engine that gains speed: resampling by crank angle against arithmetic and a reference library.

Reference: rota-order (computed order tracking; A. Brandt, Noise and Vibration Analysis, 2011, chapter 12). It is used here
only, and is under the GPL. An order is what comes so many times in 720 degrees; the library counts by revolution.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.mean_cycle import STEPS, MeanCycle

RATE_HZ = 1000.0  # what the conditioned signals are kept at
ORDERS = {1: (0.30, 0.4), 4: (1.0, -1.1), 8: (0.25, 2.0), 12: (0.1, 0.7)}
"""By order: amplitude and phase. Twelve times a cycle is 24 Hz at the end."""
CYCLES = 16


def sped_up() -> tuple[Floats, Floats, Floats]:
    """Times, engine angle and signal: 150 to 240 rpm, with the fourth order's ripple in the speed."""
    t = np.arange(round(12.0 * RATE_HZ)) / RATE_HZ
    deg = 900.0 * t + 22.5 * t**2 + 6.0 * np.sin(2 * np.pi * 4.0 * (900.0 * t + 22.5 * t**2) / 720.0)
    turned = 2 * np.pi * deg / 720.0
    return t, deg, np.asarray(sum(a * np.cos(k * turned + p) for k, (a, p) in ORDERS.items()))


def test_orders_and_phases_come_back_whatever_the_speed_does() -> None:
    t, deg, x = sped_up()
    rotation = Rotation()
    for tooth in np.arange(0.0, deg[-1], 6.0):
        rotation.add(float(np.interp(tooth, deg, t)), float(tooth))
    mean = MeanCycle()
    for cycle in range(1, CYCLES):
        times = rotation.times_at(cycle * 720.0 + np.arange(0.0, 721.0, 720.0 / STEPS))
        mean.add(np.interp(times, t, x), times, np.array([0.0]))
    for order in range(1, 16):
        amplitude, phase = ORDERS.get(order, (0.0, 0.0))
        # Arithmetic: a cos(m x + p) has the coefficient a/2 exp(i p); straight lines between samples cost 0.3 % at most.
        assert mean.mean[order] == pytest.approx(amplitude / 2 * np.exp(1j * phase), abs=0.004)


def test_orders_against_a_reference_library() -> None:
    angle = pytest.importorskip(
        "rota.angle", reason="rota-order is absent: orders were not checked against it"
    )
    t, deg, x = sped_up()
    rpm = np.gradient(deg, t) / 6.0
    resampled = angle.angular_resample(x, RATE_HZ, rpm, samples_per_rev=180)
    values = np.asarray(resampled.x if hasattr(resampled, "x") else resampled.data).ravel()
    cycles = values[: values.size // 360 * 360].reshape(-1, 360)[2:-3]
    theirs = 2.0 * np.abs(np.fft.rfft(cycles.mean(axis=0)))[:16] / 360
    rotation = Rotation()
    for tooth in np.arange(0.0, deg[-1], 6.0):
        rotation.add(float(np.interp(tooth, deg, t)), float(tooth))
    mean = MeanCycle()
    for cycle in range(2, 2 + len(cycles)):
        times = rotation.times_at(cycle * 720.0 + np.arange(0.0, 721.0, 720.0 / STEPS))
        mean.add(np.interp(times, t, x), times, np.array([0.0]))
    assert len(cycles) >= 8
    np.testing.assert_allclose(2.0 * np.abs(mean.mean[1:16]), theirs[1:], atol=0.006)
