"""Pressures in the unit that the reader chose; everything else in its own. No Qt here.

Factors: A. Thompson and B. N. Taylor, NIST Special Publication 811 (2008), appendix B.8: bar, pound-force per square
inch, conventional inch of mercury.
"""

from __future__ import annotations

import enum
import math


class PressureUnit(enum.Enum):
    """value: the sign that stands behind a number."""

    KPA = "kPa"
    BAR = "bar"
    PSI = "psi"
    INHG = "inHg"

    def next(self) -> PressureUnit:
        """The one after it, and from the last the first."""
        units = list(PressureUnit)
        return units[(units.index(self) + 1) % len(units)]


_KPA_IN_ONE = {
    PressureUnit.KPA: 1.0,
    PressureUnit.BAR: 100.0,
    PressureUnit.PSI: 6.894757,
    PressureUnit.INHG: 3.386389,
}
NARROW_SPACE = "\N{NO-BREAK SPACE}"


def factor(unit: str, chosen: PressureUnit) -> tuple[float, str]:
    """What values in `unit` are to be multiplied with, and the unit that they then have."""
    if unit != PressureUnit.KPA.value:
        return 1.0, unit
    return 1.0 / _KPA_IN_ONE[chosen], chosen.value


def shown(value: float, unit: str, chosen: PressureUnit = PressureUnit.KPA, *, figures: int = 3) -> str:
    """A value with its unit, to so many significant figures: "0.861 kPa", "0.254 inHg"."""
    by, sign = factor(unit, chosen)
    return f"{rounded(value * by, figures)}{NARROW_SPACE}{sign}"


def rounded(value: float, figures: int = 3) -> str:
    """A number to so many significant figures, without an exponent; zeros stand for what is not known."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:.0f}"
    places = figures - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(0, places)}f}"
