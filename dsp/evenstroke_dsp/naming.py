"""What the cylinders' names in a judgement rest on, which hardly any recording can check by itself."""

from __future__ import annotations

from .cycles import UNKNOWN_OFFSET_DEG
from .messages import Judgement
from .setup import Probe, Setup


def names_rest_on(setup: Setup, judgement: Judgement) -> str:
    """One sentence or two for whoever is about to touch a cylinder; empty where none is named.

    A sync on another cylinder's lead, another firing order or an offset that is a firing interval off moves every name alike,
    and leaves all else as it is.
    """
    named = any(
        c.cylinder is not None or c.one_of
        for comparison in judgement.comparisons
        if len(comparison.cylinders) > 1
        for c in comparison.cylinders
    )
    if judgement.refused is not None or not named:
        return ""
    parts = []
    basis = judgement.sync.basis
    if basis.endswith(("cycle", "revolution")):
        sync = next((p for p in setup.probe if p.is_sync), None)
        parts += [_sync_words(sync)] if sync is not None else []
    elif basis == "wheel":
        wheel = next((p for p in setup.probe if p.role == "crank_teeth"), None)
        if wheel is not None and wheel.first_tooth_deg is not None:
            parts.append(
                f"{wheel.name} with its first tooth {_from_tdc(wheel.first_tooth_deg)} of cylinder 1"
            )
    if not parts:
        parts.append("which cylinder was said to come first")
    parts.append(f"firing order {'-'.join(map(str, setup.engine.firing_order))}")
    return (
        f"Names rest on: {'; '.join(parts)}. If one of these is wrong, so are the names, and nothing else here need show it: "
        "check them before any work on a cylinder."
    )


def _sync_words(sync: Probe) -> str:
    if sync.offset_deg is not None:
        where = f"{_from_tdc(sync.offset_deg)} of that cylinder"
    elif sync.role in UNKNOWN_OFFSET_DEG:
        centre, doubt = UNKNOWN_OFFSET_DEG[sync.role]
        where = f"taken to be {-centre - doubt:g} to {-centre + doubt:g} degrees before its firing TDC"
    else:
        where = "its offset not given"
    return f"{sync.name} on cylinder {sync.cylinder}, once a {sync.every}, {where}"


def _from_tdc(deg: float) -> str:
    return f"{abs(deg):g} degrees {'before' if deg < 0 else 'after'} the firing TDC"
