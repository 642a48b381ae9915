"""Compressible flow through an opening, against the published isentropic formulas and table."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp.physics import kernel

GAMMA = 1.4
CHOKED = 0.6847
"""mdot sqrt(R T0) / (A* p0) at gamma = 1.4: 0.04042 kg K^0.5 / (s m2 Pa) x sqrt(287.05), the standard
coefficient for choked air (John and Keith, Gas Dynamics; from memory)."""


@pytest.mark.parametrize(
    ("pressure_ratio", "area_ratio"),
    # NACA Report 1135 (1953), table I, subsonic: M, p/p0, A/A*; from memory.
    [
        (0.9725, 2.9635),  # M 0.20
        (0.8956, 1.5901),  # M 0.40
        (0.8430, 1.3398),  # M 0.50
        (0.7840, 1.1882),  # M 0.60
        (0.6560, 1.0382),  # M 0.80
        (0.5283, 1.0000),  # M 1
    ],
)
def test_against_the_isentropic_table(pressure_ratio: float, area_ratio: float) -> None:
    # The same mass flow passes A and A*, so the flux per area is the choked one over A/A*.
    assert kernel.nozzle_flux(GAMMA, pressure_ratio) == pytest.approx(CHOKED / area_ratio, rel=5e-4)


def test_choked_flow_ignores_what_is_behind() -> None:
    # Heywood, appendix C, eq. C.9.
    expected = math.sqrt(GAMMA) * (2 / (GAMMA + 1)) ** ((GAMMA + 1) / (2 * (GAMMA - 1)))
    for ratio in (0.0, 0.1, 0.4, 0.528):
        assert kernel.nozzle_flux(GAMMA, ratio) == pytest.approx(expected, rel=1e-12)
    assert expected == pytest.approx(CHOKED, rel=1e-4)


@pytest.mark.parametrize("gamma", [1.25, 1.33, 1.4, 1.667])
def test_against_mach_number_formulas(gamma: float) -> None:
    # Any gas dynamics text: p0/p = (1 + (g-1)/2 M^2)^(g/(g-1)),
    # mdot sqrt(R T0)/(A p0) = sqrt(g) M (1 + (g-1)/2 M^2)^(-(g+1)/(2(g-1))).
    for mach in np.linspace(0.05, 0.99, 20):
        inner = 1 + (gamma - 1) / 2 * mach**2
        flux = math.sqrt(gamma) * mach * inner ** (-(gamma + 1) / (2 * (gamma - 1)))
        assert kernel.nozzle_flux(gamma, inner ** (-gamma / (gamma - 1))) == pytest.approx(flux, rel=1e-9)


def test_small_differences_follow_bernoulli() -> None:
    # mdot = A sqrt(2 rho dp): with p0 and R T0 taken out, sqrt(2 (1 - ratio)).
    assert kernel.nozzle_flux(GAMMA, 0.999) == pytest.approx(math.sqrt(2e-3), rel=1e-3)
