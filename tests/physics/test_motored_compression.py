"""Compression of a sealed, adiabatic cylinder, and the heat capacities that it rests on."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.physics import kernel
from evenstroke_dsp.physics.parameters import CONSTANT_CP_OVER_R, GAS_CONSTANT_AIR, VARIABLE_CP_OVER_R
from scipy.optimize import brentq

VARIABLE = kernel.Gas(GAS_CONSTANT_AIR, np.array(VARIABLE_CP_OVER_R))


def peak_over_first(bench, ratio: float, **changes: object) -> tuple[float, float]:
    """Peak pressure over the pressure at BDC, and the peak's angle after TDC; 200 rpm."""
    engine = bench.sealed_single(ratio, **changes)
    trace = bench.crank(
        engine,
        rest_s=0.0,
        crank_s=0.0,
        coast_s=0.2,
        first_deg=540.0,
        step_s=25e-6,
        imposed=bench.constant_speed(200),
    )
    pressure = trace.cylinder_kpa[0]
    at = int(np.argmax(pressure))
    return pressure[at] / pressure[0], trace.theta_deg[at] - 720


@pytest.mark.parametrize("ratio", [7.3, 8.3, 9.4, 12.0])
def test_constant_heat_capacity_gives_the_closed_form(bench, ratio: float) -> None:
    # p2/p1 = CR^gamma (any thermodynamics text).
    rise, at = peak_over_first(bench, ratio, cp_over_r=(3.5,))
    assert rise == pytest.approx(ratio**1.4, rel=2e-5)
    assert at == pytest.approx(0, abs=0.13)


def test_variable_heat_capacity_against_air_tables(bench) -> None:
    # Moran and Shapiro, table A-22 (from memory): at 300 K v_r = 621.2; 621.2 / 9.4 = 66.09 lies between
    # 710 K (67.07) and 720 K (64.53): 713.9 K, so that p2/p1 = 9.4 x 713.9 / 300 = 22.37.
    rise, _ = peak_over_first(bench, 9.4, cp_over_r=VARIABLE_CP_OVER_R, wall_k=300.0)
    assert rise == pytest.approx(22.37, rel=2e-3)


def test_variable_heat_capacity_against_cantera(bench) -> None:
    cantera = pytest.importorskip(
        "cantera", reason="cantera is absent: compression with its heat capacities was not checked"
    )
    air = cantera.Solution("air.yaml")
    air.TPX = 361.15, 101325.0, "O2:0.2095,N2:0.7812,AR:0.0093"
    first_entropy, first_volume = air.s, air.v
    air.SV = first_entropy, first_volume / 9.4
    rise, _ = peak_over_first(bench, 9.4, cp_over_r=VARIABLE_CP_OVER_R)
    assert rise == pytest.approx(air.P / 101325.0, rel=2e-3)


def test_variable_heat_capacity_against_coolprop(bench) -> None:
    coolprop = pytest.importorskip(
        "CoolProp.CoolProp", reason="CoolProp is absent: compression with its heat capacities was not checked"
    )
    ratio, first_k = 9.4, 361.15

    def entropy_at_fixed_volume(last_k: float) -> float:
        # Ideal gas: integral of cv(T) dT / T, less what the smaller volume takes.
        kelvin = np.linspace(first_k, last_k, 400)
        cp0 = coolprop.PropsSI("CP0MASS", "T", kelvin, "P", 101325.0, "Air")
        return np.trapezoid((cp0 - GAS_CONSTANT_AIR) / kelvin, kelvin) - GAS_CONSTANT_AIR * np.log(ratio)

    last_k = brentq(entropy_at_fixed_volume, 600, 1100)
    rise, _ = peak_over_first(bench, ratio, cp_over_r=VARIABLE_CP_OVER_R)
    assert rise == pytest.approx(ratio * last_k / first_k, rel=2e-3)


def test_what_an_ideal_gas_leaves_out(bench) -> None:
    coolprop = pytest.importorskip(
        "CoolProp.CoolProp", reason="CoolProp is absent: compression of real air was not checked"
    )
    first = coolprop.PropsSI("S", "T", 361.15, "P", 101325.0, "Air")
    density = coolprop.PropsSI("D", "T", 361.15, "P", 101325.0, "Air")
    real = coolprop.PropsSI("P", "S", first, "D", density * 9.4, "Air") / 101325.0
    rise, _ = peak_over_first(bench, 9.4, cp_over_r=VARIABLE_CP_OVER_R)
    # Real air at 2.2 MPa and 840 K resists compression a little more: 1.1 % of the pressure.
    assert 1.005 < real / rise < 1.015


@pytest.mark.parametrize("kelvin", [300, 400, 500, 600, 700, 800, 900, 1000])
def test_heat_capacity_against_table(kelvin: float) -> None:
    # Moran and Shapiro, table A-20, ideal gas specific heats of air, kJ/(kg K); from memory.
    table = {
        300: 1.005, 400: 1.013, 500: 1.029, 600: 1.051, 700: 1.075, 800: 1.099, 900: 1.121, 1000: 1.142
    }  # fmt: skip
    assert kernel.cp_of(VARIABLE, kelvin) / 1e3 == pytest.approx(table[int(kelvin)], rel=2e-3)


def test_the_constant_heat_capacity_is_the_variable_one_at_500_kelvin() -> None:
    constant = kernel.Gas(GAS_CONSTANT_AIR, np.array(CONSTANT_CP_OVER_R))
    assert kernel.cp_of(constant, 300.0) == pytest.approx(kernel.cp_of(VARIABLE, 500.0), rel=1e-3)


@pytest.mark.parametrize("kelvin", [250.0, 293.15, 500.0, 1000.0])
def test_temperature_undoes_internal_energy(kelvin: float) -> None:
    energy = kernel.internal_energy_of(VARIABLE, kelvin)
    assert kernel.temperature_of(VARIABLE, energy, 300.0) == pytest.approx(kelvin, rel=1e-9)
    # Its slope is cv = cp - R.
    slope = (kernel.internal_energy_of(VARIABLE, kelvin + 0.01) - energy) / 0.01
    assert slope == pytest.approx(kernel.cp_of(VARIABLE, kelvin) - GAS_CONSTANT_AIR, rel=1e-4)
