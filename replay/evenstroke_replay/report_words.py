"""How a report names cylinders and comparisons, and writes numbers with their units and intervals."""

from __future__ import annotations

import math

from evenstroke_dsp.judge import UNCOUNTED
from evenstroke_dsp.messages import Comparison, CylinderBalance, CylinderPulse, Judgement, SyncInfo

from .report_pictures import signed

STRETCH_WORDS = {"cranking": "while cranking", "idle": "at idle"}


def pulse_of(balance: CylinderBalance) -> str:
    """Whose pulse it is, as far as it can be told: "cylinder 2", "cylinder 1 or 6", "place 3"."""
    if balance.cylinder is not None:
        return f"cylinder {balance.cylinder}"
    return (
        f"cylinder {' or '.join(map(str, balance.one_of))}" if balance.one_of else f"place {balance.position}"
    )


def short_name(balance: CylinderBalance) -> str:
    return pulse_of(balance).removeprefix("cylinder ")


def pulse_label(pulse: CylinderPulse) -> str:
    """A pulse's mark in a picture: its cylinder, or its place in round brackets."""
    return str(pulse.cylinder) if pulse.cylinder is not None else f"({pulse.position})"


def comparison_name(comparison: Comparison) -> str:
    return f"{comparison.probe} {comparison.feature}, {STRETCH_WORDS[comparison.stretch]}"


def size(balance: CylinderBalance) -> str:
    """A mean size to three figures, with its unit."""
    if balance.value is None:
        return "not measured"
    magnitude = math.floor(math.log10(abs(balance.value))) if balance.value else 0
    return f"{balance.value:.{max(0, 2 - magnitude)}f}\N{NO-BREAK SPACE}{balance.value_unit}"


def interval(balance: CylinderBalance, unit: str) -> str:
    """A deviation with its interval; unit: "percent" or "degrees"."""
    if balance.deviation is None:
        return size(balance) + (", nothing to compare" if balance.value is not None else "")
    sign = "°" if unit == "degrees" else "%"
    ends = (
        "no interval yet" if balance.low is None or balance.high is None else span(balance.low, balance.high)
    )
    return f"{signed(balance.deviation)} {sign} ({ends})".replace(" ", "\N{NO-BREAK SPACE}")


def span(low: float, high: float) -> str:
    return f"{signed(low)} to {signed(high)}"


def plain(value: object) -> str:
    """A value of a set-up file for reading."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (tuple, list)):
        return ", ".join(map(plain, value))
    if isinstance(value, dict):
        return "; ".join(f"{key}: {plain(inner)}" for key, inner in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)


def angle_known(sync: SyncInfo) -> str:
    """How well the crank angle is known: half the width of its 95 % interval, in the cycle where that is widest."""
    if sync.angle_uncertainty_deg is None:
        return "not stated"
    return f"\N{PLUS-MINUS SIGN}{sync.angle_uncertainty_deg:.1f} crank degrees (95 %, in the worst cycle that counts)"


def counts_contradicted(judgement: Judgement) -> bool:
    """Whether what counts the cycles contradicts the set-up, so that neither they nor the speed are known."""
    return any(warning.code in (UNCOUNTED, "sync_rate") for warning in judgement.warnings)
