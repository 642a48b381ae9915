"""Crank-slider geometry against Heywood, Internal Combustion Engine Fundamentals, chapter 2."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.physics import kernel
from scipy.optimize import brentq

# Stroke 81.9, rod 140 mm.
A, ROD = 0.04095, 0.140


def share_of_travel(degrees: float) -> float:
    return kernel.swept_volume(math.radians(degrees), A, ROD, 1.0)[0] / (2 * A)


def test_travel_at_a_quarter_turn_and_angle_of_half_travel() -> None:
    # Heywood, eqs. 2.4 to 2.6, evaluated for this stroke and rod: 57.5 % and 81.6 degrees.
    assert share_of_travel(90) == pytest.approx(0.575, abs=5e-4)
    half = brentq(lambda degrees: share_of_travel(degrees) - 0.5, 0, 180)
    assert half == pytest.approx(81.6, abs=0.05)


def test_dead_centres_and_symmetry() -> None:
    assert share_of_travel(0) == pytest.approx(0, abs=1e-12)
    assert share_of_travel(180) == pytest.approx(1, abs=1e-12)
    assert share_of_travel(250) == pytest.approx(share_of_travel(110), abs=1e-12)


@pytest.mark.parametrize("degrees", [1, 45, 90, 170, 200, 300])
def test_slope_follows_piston_speed_formula(degrees: float) -> None:
    # Heywood, eq. 2.11: Sp / mean Sp = pi/2 sin(t) [1 + cos(t) / sqrt(R^2 - sin^2 t)], R = rod / crank radius.
    angle = math.radians(degrees)
    ratio = ROD / A
    expected = (
        math.pi / 2 * math.sin(angle) * (1 + math.cos(angle) / math.sqrt(ratio**2 - math.sin(angle) ** 2))
    )
    # Mean piston speed is 2 x stroke x n; per radian: stroke / pi.
    slope = kernel.swept_volume(angle, A, ROD, 1.0)[1] / (2 * A / math.pi)
    assert slope == pytest.approx(expected, rel=1e-9)


def test_an_endless_rod_moves_the_piston_harmonically() -> None:
    for angle in np.linspace(0, 2 * math.pi, 13):
        swept = kernel.swept_volume(angle, A, 1e6, 1.0)[0]
        assert swept == pytest.approx(A * (1 - math.cos(angle)), abs=1e-8)


def test_valve_lift_is_zero_at_its_events_and_full_half_way() -> None:
    duration = math.radians(240)
    assert kernel.lift_share(0.0, duration) == 0
    assert kernel.lift_share(duration, duration) == 0
    assert kernel.lift_share(duration / 2, duration) == pytest.approx(1)
    assert kernel.lift_share(math.radians(300), duration) == 0
