"""Which cylinders' pulses what is fitted may alter, by rule: from firing order alone, without its size."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from .engine import companion
from .setup import Setup

_ALSO_IN_ITSELF = frozenset({"compression"})
"""Features that volume in a cylinder alters in that cylinder itself, beside its companion."""


def disturbed_cylinders(
    setup: Setup, role: str, feature: str, heard: Sequence[int] | None = None
) -> dict[int, tuple[str, ...]]:
    """Cylinders whose feature the fitted set-up may alter, each with why, in firing order.

    heard: those that the probe hears; without it, all.

    By rule: added volume or a missing plug disturbs the companion cylinder, whose piston moves
    with it; for exhaust features and `compression` also its own cylinder; where a fitted
    cylinder has no companion, every cylinder. Where it leaves fewer than two of those that are heard, the rest can
    only be compared with disturbed ones (in a twin each is the other's mirror image), and is disturbed too. The
    codes are `added_volume` and `plug_removed`.
    """
    engine = setup.engine
    also_itself = role == "exhaust_pulse" or feature in _ALSO_IN_ITSELF
    because: dict[int, set[str]] = {}
    for fitted_in, code in _alterations(setup):
        other = companion(engine, fitted_in)
        altered: Iterable[int] = engine.firing_order if other is None else (other,)
        for cylinder in (*altered, *((fitted_in,) if also_itself else ())):
            because.setdefault(cylinder, set()).add(code)
    among = engine.firing_order if heard is None else heard
    if any(c in because for c in among) and sum(c not in because for c in among) < 2:
        codes = {code for c in among for code in because.get(c, ())}
        for cylinder in among:
            because.setdefault(cylinder, codes)
    return {c: tuple(sorted(because[c])) for c in engine.firing_order if c in because}


def disturbance_codes(setup: Setup) -> tuple[str, ...]:
    """Why anything at all may be disturbed: `added_volume`, `plug_removed`, both or none."""
    return tuple(sorted({code for _, code in _alterations(setup)}))


def _alterations(setup: Setup) -> list[tuple[int, str]]:
    """What is fitted that may alter pulses: (cylinder, code). A flush transducer adds no volume."""
    found = [
        (probe.cylinder, "added_volume")
        for probe in setup.probe
        if probe.role == "cylinder_pressure" and probe.cylinder is not None and probe.added_volume_cc != 0
    ]
    for fitted in setup.fitted:
        if fitted.added_volume_cc:
            found.append((fitted.cylinder, "added_volume"))
        if fitted.plug_removed:
            found.append((fitted.cylinder, "plug_removed"))
    return found


def altered(setup: Setup) -> tuple[int, ...]:
    """Cylinders with volume added or their plug out, in order of number."""
    return tuple(sorted({cylinder for cylinder, _ in _alterations(setup)}))
