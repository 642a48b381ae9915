"""Pressures in four units, against published factors and the standard atmosphere."""

from __future__ import annotations

import pytest
from evenstroke_viewer.units import PressureUnit, factor, rounded, shown


@pytest.mark.parametrize(
    ("unit", "atmosphere"),
    [
        # The standard atmosphere, 101.325 kPa (ISO 2533), as handbooks give it: 14.696 psi, 29.921 inHg.
        (PressureUnit.KPA, 101.325),
        (PressureUnit.BAR, 1.01325),
        (PressureUnit.PSI, 14.696),
        (PressureUnit.INHG, 29.921),
    ],
)
def test_standard_atmosphere(unit, atmosphere):
    by, sign = factor("kPa", unit)
    assert sign == unit.value
    assert 101.325 * by == pytest.approx(atmosphere, rel=2e-5)


def test_other_units_stay():
    assert factor("A", PressureUnit.PSI) == (1.0, "A")
    assert shown(120.4, "A", PressureUnit.PSI) == "120\N{NO-BREAK SPACE}A"


def test_three_figures():
    assert rounded(0.8612) == "0.861"
    assert rounded(1234.0) == "1230"
    assert rounded(-0.0456) == "-0.0456"
    assert rounded(0.0) == "0"
    assert shown(0.861, "kPa", PressureUnit.INHG) == "0.254\N{NO-BREAK SPACE}inHg"


def test_the_choice_goes_round():
    unit = PressureUnit.KPA
    seen = [unit := unit.next() for _ in range(4)]
    assert [u.value for u in seen] == ["bar", "psi", "inHg", "kPa"]
