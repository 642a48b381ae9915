"""How numbers and cylinders are written for people: in the live table, in plain lines, in `judge`."""

from __future__ import annotations

from evenstroke_dsp.messages import Comparison, CylinderBalance

MAIN_FEATURES = ("drop", "rise", "suction", "compression")
"""The features that get verdicts."""

SHAPES = {"smaller": "v", "larger": "^", "even": "=", "undecided": "?"}
"""A sign beside each verdict's word, so that a column can be read at a glance without any colour."""


def cylinder_name(balance: CylinderBalance) -> str:
    """ "2", "1 or 6" where several fit, as with the half-cycle open, "place 3" where cylinders are unnamed."""
    if balance.cylinder is not None:
        return str(balance.cylinder)
    if balance.one_of:
        return " or ".join(str(c) for c in balance.one_of)
    return f"place {balance.position}"


def comparison_name(comparison: Comparison) -> str:
    """ "intake drop", and "at idle" where that is the stretch."""
    idle = " at idle" if comparison.stretch == "idle" else ""
    return f"{comparison.probe} {comparison.feature}{idle}"


def is_main(comparison: Comparison) -> bool:
    return comparison.feature in MAIN_FEATURES


def unit_sign(comparison: Comparison) -> str:
    return "%" if comparison.unit == "percent" else "deg"


def interval(balance: CylinderBalance) -> str:
    """ "-8.6 (-11.3 to -5.9)": the deviation and its 95 % interval."""
    if balance.deviation is None:
        return "not known yet"
    if balance.low is None or balance.high is None:
        return f"{balance.deviation:+.1f} (no interval yet)"
    return f"{balance.deviation:+.1f} ({balance.low:+.1f} to {balance.high:+.1f})"


def verdict(balance: CylinderBalance) -> str:
    """ "v smaller": the sign and the word; "" where no verdict is given on this feature."""
    return f"{SHAPES[balance.verdict]} {balance.verdict}" if balance.verdict else ""


def trust(comparison: Comparison) -> str:
    """ "disturbed: added volume"."""
    because = ", ".join(code.replace("_", " ") for code in comparison.because)
    return f"{comparison.trust}: {because}" if because else comparison.trust


def size(count: int) -> str:
    """Bytes for people: "830 kB"."""
    value = float(count)
    for unit in ("bytes", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit in ("bytes", "kB") else f"{value:.1f} {unit}"
        value /= 1000
    raise AssertionError("unreachable")
