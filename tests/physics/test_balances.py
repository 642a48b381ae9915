"""Mass, gas energy and crank energy are conserved, whatever is fitted and whatever is wrong."""

from __future__ import annotations

import dataclasses

import pytest
from evenstroke_dsp.physics import Fault, FittedPart
from evenstroke_dsp.physics.parameters import VARIABLE_CP_OVER_R

CASES: dict[str, dict[str, object]] = {
    "healthy": {},
    "hose": {"fitted": (FittedPart(cylinder=5, added_volume_cc=9.0),)},
    "plug out": {"fitted": (FittedPart(cylinder=2, plug_removed=True),)},
    "open throttle": {"throttle": "open"},
    "leaks": {
        "faults": (
            Fault(kind="ring_leak", cylinders=(5,), size=1.0),
            Fault(kind="gasket_leak", cylinders=(2, 3), size=2.0),
            Fault(kind="intake_valve_leak", cylinders=(1,), size=1.0),
        )
    },
}


@pytest.mark.parametrize("case", CASES)
def test_balances_close(bench, case: str) -> None:
    _closes(bench.crank(bench.six, **CASES[case]).balance)


def test_balances_close_with_variable_heat_capacity(bench) -> None:
    engine = dataclasses.replace(bench.six, cp_over_r=VARIABLE_CP_OVER_R)
    _closes(bench.crank(engine, crank_s=2.0).balance)


def _closes(balance) -> None:
    # Mass and gas energy leave one node as they enter another: only rounding remains.
    assert balance.mass_gained_kg == pytest.approx(balance.mass_flowed_in_kg, abs=1e-9 * balance.gas_mass_kg)
    assert balance.gas_energy_gained_j == pytest.approx(
        balance.gas_energy_supplied_j, abs=1e-9 * balance.gas_throughput_j
    )
    # The crank's kinetic energy is not linear in the state: what remains is the step's error.
    assert balance.crank_energy_gained_j == pytest.approx(
        balance.crank_energy_supplied_j, abs=2e-5 * balance.crank_throughput_j
    )
    assert balance.crank_throughput_j > 500
