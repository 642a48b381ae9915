"""What healthy engines show, where neither known-goods nor physics say it for this one."""

from __future__ import annotations

from .messages import Normal
from .setup import Engine

_HEALTHY_DROP_PERCENT = ((4, 2.0), (6, 4.0), (12, 15.0))
"""Up to so many cylinders, drops of healthy engines lie within so many per cent of their mean: an
independent simulation of fours, sixes and a V8 with ordinary production scatter, not a measurement."""


def generic_normal(engine: Engine, feature: str) -> Normal | None:
    """The generic table's interval; None for a feature that it says nothing of."""
    if feature != "drop":
        return None
    for cylinders, percent in _HEALTHY_DROP_PERCENT:
        if engine.cylinders <= cylinders:
            return Normal(
                low=-percent, high=percent, from_="generic table for this number of cylinders (simulated)"
            )
    return None
