"""A leak through the whole network, against the closed form of an adiabatic blow-down."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.physics import ImposedSpeed

GAMMA = 1.4
R = 287.055


def test_a_standing_cylinder_empties_as_the_closed_form_says(bench) -> None:
    """One sealed, adiabatic cylinder is turned from BDC to TDC in 2 ms, then stands and leaks, choked.

    p/p1 = (1 + (g-1)/2 t/tau)^(-2g/(g-1)), tau = V / (A K sqrt(R T1)), K = sqrt(g) (2/(g+1))^((g+1)/(2(g-1))).
    Shapiro, The Dynamics and Thermodynamics of Compressible Fluid Flow, vol. 1, chapter 4 (from memory).
    """
    leak_mm2 = 1.0
    engine = bench.sealed_single(8.0, ring_leak_mm2=(leak_mm2,), cp_over_r=(3.5,), breather_mm2=1e4)
    speed = np.zeros(2001)
    # Linear between its points: half a period of slowing down is made up for by the first points.
    speed[:20] = math.pi / (19.5 * 1e-4)
    trace = bench.crank(
        engine,
        rest_s=0.0,
        crank_s=0.0,
        coast_s=0.1,
        first_deg=540.0,
        step_s=10e-6,
        imposed=ImposedSpeed(rad_s=speed, period_s=1e-4),
    )
    stands = 25
    assert trace.theta_deg[stands:] == pytest.approx(720.0, abs=0.1)
    pressure = trace.cylinder_kpa[0][stands:]
    elapsed = trace.times_s[stands:] - trace.times_s[stands]
    # What leaked before is next to nothing, and does not alter the entropy of what stays.
    temperature = (273.15 + 88) * (pressure[0] / trace.ambient_kpa) ** ((GAMMA - 1) / GAMMA)
    k = math.sqrt(GAMMA) * (2 / (GAMMA + 1)) ** ((GAMMA + 1) / (2 * (GAMMA - 1)))
    volume = engine.clearance_cc[0] * 1e-6
    tau = volume / (leak_mm2 * 1e-6 * k * math.sqrt(R * temperature))
    expected = pressure[0] * (1 + (GAMMA - 1) / 2 * elapsed / tau) ** (-2 * GAMMA / (GAMMA - 1))
    choked = expected > 2 * trace.ambient_kpa
    assert choked.sum() > 300
    assert pressure[choked] == pytest.approx(expected[choked], rel=2e-3)
