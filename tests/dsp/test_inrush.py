"""The stall current out of an inrush, against a starter integrated by SciPy.

The equations are written anew here in SI units (the circuit law of a direct-current motor with an inductance, Newton's second law
for rotor and crank, a sprung clutch that pushes and never pulls, a crank that stands until it is pushed hard enough): Fitzgerald,
Kingsley and Umans, Electric Machinery, chapter 7, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from evenstroke_dsp.inrush import read_inrush
from scipy import signal
from scipy.integrate import solve_ivp

EMF_V, OHM, HENRY, V_S = 11.8, 0.022, 50e-6, 0.37
STALL_A = EMF_V / OHM
ON_S = 0.3
LOWPASS_HZ = 50.0


@dataclass(frozen=True)
class Starter:
    """All as at the crank: kg m2, N m per rad, N m. within: share of the stall current by which what is found may be off."""

    rotor: float
    crank: float
    stiff: float
    held: float
    within: float


STARTERS = {
    "heavy rotor, stiff clutch": Starter(0.20, 0.20, 50000.0, 60.0, 0.05),
    "light rotor, that jumps to its clutch unseen": Starter(0.06, 0.20, 4000.0, 80.0, 0.04),
    "soft clutch": Starter(0.12, 0.15, 3000.0, 60.0, 0.06),
}


def current(starter: Starter, rate_hz: float, noise_a: float) -> tuple[np.ndarray, np.ndarray]:
    def rates(_: float, y):
        i, rotor, wound, crank = y
        torque = starter.stiff * max(wound, 0.0) + 8.0 * max(rotor - crank, 0.0)
        pushed = torque - starter.held
        return (
            (EMF_V - OHM * i - V_S * rotor) / HENRY,
            (0.85 * V_S * i - torque) / starter.rotor,
            rotor - crank,
            pushed / starter.crank if crank > 0 or pushed > 0 else 0.0,
        )

    made = solve_ivp(rates, (0.0, 0.2), (0.0, 0.0, 0.0, 0.0), max_step=1e-4)
    t = np.arange(0.0, ON_S + 0.2, 1 / rate_hz)
    clean = np.interp(t - ON_S, made.t, made.y[0], left=0.0)
    seen = clean + noise_a * np.random.default_rng(1).standard_normal(t.size)
    # As a probe is conditioned: both passes of a second-order Butterworth together 3 dB down at LOWPASS_HZ.
    sections = signal.butter(2, LOWPASS_HZ * (math.sqrt(2) - 1) ** -0.25, fs=rate_hz, output="sos")
    return t, signal.sosfiltfilt(sections, seen)


@pytest.mark.parametrize("name", STARTERS)
@pytest.mark.parametrize(("rate_hz", "noise_a"), [(5000.0, 3.0), (2000.0, 5.0), (1000.0, 1.0)])
def test_the_stall_current_is_found_though_the_rotor_turns_before(
    name: str, rate_hz: float, noise_a: float
) -> None:
    t, load = current(STARTERS[name], rate_hz, noise_a)
    found = read_inrush(t, load, noise_a, LOWPASS_HZ)
    assert found is not None
    assert found.stall == pytest.approx(STALL_A, rel=STARTERS[name].within)


def test_it_is_nearer_than_the_largest_sample_where_the_clutch_is_soft() -> None:
    t, load = current(STARTERS["soft clutch"], 2000.0, 2.0)
    found = read_inrush(t, load, 2.0, LOWPASS_HZ)
    assert found is not None
    assert abs(math.log(found.stall / STALL_A)) < 0.5 * math.log(STALL_A / load.max())


def test_noise_makes_it_less_sure() -> None:
    starter = STARTERS["soft clutch"]
    plain, noisy = (read_inrush(*current(starter, 5000.0, noise), noise, LOWPASS_HZ) for noise in (1.0, 60.0))
    assert plain is not None and noisy is not None
    assert noisy.spread > 2 * plain.spread


def test_a_current_that_flows_from_the_first_sample_on_or_too_few_samples_tell_nothing() -> None:
    t, load = current(STARTERS["soft clutch"], 2000.0, 1.0)
    begun = t > ON_S + 0.01
    assert read_inrush(t[begun], load[begun], 1.0, LOWPASS_HZ) is None
    assert read_inrush(t[::20], load[::20], 1.0, LOWPASS_HZ) is None


@pytest.mark.parametrize("lowpass_hz", [1000.0, 1900.0, 20000.0])
def test_a_low_pass_as_wide_as_a_set_up_may_ask_for_is_read_too(lowpass_hz: float) -> None:
    t = np.arange(0.0, ON_S + 0.2, 1e-4)
    since = np.maximum(t - ON_S, 0.0)
    found = read_inrush(t, STALL_A * (1.0 - np.exp(-since / (HENRY / OHM))), 1.0, lowpass_hz)  # held fast
    assert found is not None
    assert found.stall == pytest.approx(STALL_A, rel=0.05)


def test_a_contact_that_chatters_is_read_without_a_warning_of_numbers_too_large() -> None:
    """Of such currents some make the fit try a starter that is unstable; it must come back from there."""
    t = np.arange(0.0, ON_S + 0.2, 1e-3)
    closed = np.where(t > ON_S, np.random.default_rng(11).integers(0, 2, t.size), 0)
    found = read_inrush(t, 100.0 * closed, 1e-3, LOWPASS_HZ)
    assert found is not None
    assert math.isfinite(found.stall) and math.isfinite(found.spread)
