"""Texts of set-up files that several tests begin with: an engine, its conditions, and its probes' tables."""

from __future__ import annotations


def engine(*order: int) -> str:
    """A file's beginning: an engine of so many cylinders that fires in this order."""
    return f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n"


FOUR = engine(1, 3, 4, 2)
CANNOT_START = """\
[conditions]
fuel = "disabled"
ignition = "disabled"
"""


def sampled(rate_hz: int) -> str:
    """Samples a second of each of a board's inputs."""
    return f"[acquisition]\nrate_hz = {rate_hz}\n"


def probe(name: str, role: str, **keys: float) -> str:
    """One probe's table, with further keys as they are called in the file."""
    lines = [f'name = "{name}"', f'role = "{role}"', *(f"{key} = {value}" for key, value in keys.items())]
    return "\n".join(("[[probe]]", *lines, ""))


def intake(**keys: float) -> str:
    """An intake pulse probe's table."""
    return probe("intake", "intake_pulse", **keys)


def spark(**keys: float) -> str:
    """The table of a pick-up on the ignition of cylinder 1."""
    return probe("spark", "ignition_sync", **keys, cylinder=1)
