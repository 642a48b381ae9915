"""What the comparisons say in words, and the one thing to do now."""

from __future__ import annotations

import math
from collections.abc import Sequence

from .comparisons import verdict_cylinders
from .messages import TRUST_ORDER, CauseOfFinding, Comparison, CylinderBalance, Finding
from .setup import Setup

ENOUGH_STARTER_S = 10.0
"""Starter: 10 s at most, then 2 minutes' rest; the maker's figure rules (common practice, no source)."""

_FEWEST_TO_FORESEE = 8
"""With fewer cycles the spread is known too badly to tell anybody to stop for want of hope."""

_NAMES = {
    ("intake_pulse", "drop"): "intake pulse",
    ("manifold_pressure", "drop"): "manifold pressure pulse",
    ("exhaust_pulse", "rise"): "exhaust pulse",
    ("exhaust_pulse", "suction"): "dip at exhaust opening",
    ("starter_current", "compression"): "load on the starter",
    ("battery_voltage", "compression"): "pull on the battery",
    ("crank_teeth", "compression"): "slowing of the crank",
}


def pulse_name(role: str, feature: str) -> str:
    """The feature in a technician's words."""
    return _NAMES.get((role, feature), feature)


def cylinder_name(cylinder: CylinderBalance) -> str:
    """The cylinder as far as it is known."""
    if cylinder.cylinder is not None:
        return f"cylinder {cylinder.cylinder}"
    if cylinder.one_of is not None and len(cylinder.one_of) == 2:
        return f"cylinder {cylinder.one_of[0]} or {cylinder.one_of[1]}"
    return f"the cylinder in position {cylinder.position}"


def findings_of(setup: Setup, comparisons: Sequence[Comparison]) -> tuple[Finding, ...]:
    """One finding for each pulse that is odd every cycle: what can be trusted first, then the largest."""
    odd = [
        (comparison, cylinder)
        for comparison, cylinder in verdict_cylinders(comparisons)
        if cylinder.verdict in ("smaller", "larger")
    ]
    odd.sort(key=lambda pair: (TRUST_ORDER.index(pair[1].trust), -abs(pair[1].deviation or 0.0)))
    return tuple(_finding(setup, comparison, cylinder) for comparison, cylinder in odd)


def _finding(setup: Setup, comparison: Comparison, cylinder: CylinderBalance) -> Finding:
    deviation, low, high = cylinder.deviation or 0.0, cylinder.low or 0.0, cylinder.high or 0.0
    cause = cause_of(cylinder)
    name = cylinder_name(cylinder)
    sizes = sorted((abs(low), abs(high)))
    text = (
        f"{name[0].upper()}{name[1:]}'s {pulse_name(comparison.role, comparison.feature)} is "
        f"{abs(deviation):.0f} % {cylinder.verdict} than the mean "
        f"({sizes[0]:.0f} to {sizes[1]:.0f} %, 95 % interval) over {cylinder.cycles} cycles of {comparison.stretch}. "
        + _why(setup, comparison, cylinder, cause)
    )
    label = cylinder.cylinder if cylinder.cylinder is not None else cylinder.position
    return Finding(
        odd_pulse_at=(label,) if label is not None else (),
        probe=comparison.probe,
        feature=comparison.feature,
        cause=cause,
        suspect_cylinder=None,
        text=text,
        next_step=_next_step(setup, cylinder, cause),
    )


def cause_of(cylinder: CylinderBalance) -> CauseOfFinding:
    """Contract 3: `spread` inside normal; `set-up` inside what the set-up predicts, widened by normal;
    `engine` wholly outside both; else `unclear`.

    A cylinder that the set-up does not touch has nothing predicted: normal alone decides. What
    the set-up may have altered by an unknown amount stays unclear.
    """
    normal, predicted = cylinder.normal, cylinder.predicted
    if normal is None or cylinder.low is None or cylinder.high is None:
        return "unclear"
    if normal.low <= cylinder.low and cylinder.high <= normal.high:
        return "spread"
    outside_normal = cylinder.high < normal.low or cylinder.low > normal.high
    if predicted is None:
        return "engine" if outside_normal and cylinder.trust != "disturbed" else "unclear"
    low, high = predicted.low + normal.low, predicted.high + normal.high
    if low <= cylinder.low and cylinder.high <= high:
        return "set-up"
    outside_predicted = cylinder.high < low or cylinder.low > high
    return "engine" if outside_normal and outside_predicted else "unclear"


def _fitted_words(setup: Setup) -> str:
    fitted = [f"{p.name} in cylinder {p.cylinder}" for p in setup.probe if p.role == "cylinder_pressure"]
    fitted += [f"{f.what} in cylinder {f.cylinder}" for f in setup.fitted]
    return " and ".join(fitted)


def _why(setup: Setup, comparison: Comparison, cylinder: CylinderBalance, cause: CauseOfFinding) -> str:
    if cylinder.trust == "disturbed":
        return (
            f"The set-up itself may have made this ({_fitted_words(setup)}); by how much is not computed, "
            "so that nothing can be said of the engine here."
        )
    if cause == "engine":
        assert cylinder.normal is not None
        return f"Healthy engines of this kind stay within {cylinder.normal.high:.0f} % ({cylinder.normal.from_})."
    if cause == "spread" and "uneven_spacing" in comparison.because:
        return "The pulses that this probe hears come at uneven intervals; that alone makes healthy ones so unlike."
    if cause == "spread":
        return "Healthy engines of this kind can be as uneven as this."
    if cylinder.normal is None:
        return "What healthy engines show for this is not known here, so that it is no sign of a fault by itself."
    return "It reaches beyond what healthy engines show, but not clearly enough to call."


def _next_step(setup: Setup, cylinder: CylinderBalance, cause: CauseOfFinding) -> str:
    if cylinder.trust == "disturbed":
        return (
            f"Take out {_fitted_words(setup)}, refit the plug, rest the starter two minutes, and crank "
            "eight seconds again without it."
        )
    if cause == "spread":
        return "Keep this recording as a reference; nothing needs doing for this."
    if cause == "engine":
        return (
            "Repeat the same crank once more after two minutes' rest. If it is the same again, confirm without "
            "opening the engine: starter current by cylinder, then a compression or leak-down test by the "
            "maker's procedure."
        )
    return "Cannot tell yet: repeat the same crank after two minutes' rest and compare the two recordings."


def instruction(
    *,
    turning: bool,
    cranked_s: float,
    cycle_s: float | None,
    comparisons: Sequence[Comparison],
    findings: Sequence[Finding],
    refused: str | None,
    mode: str,
) -> tuple[str, int | None]:
    """The one thing to do now, and how many more cycles would settle what this crank can still settle.

    cycle_s: how long a cycle takes now, seconds.
    """
    judged = list(verdict_cylinders(comparisons))
    undecided = [c for _, c in judged if c.verdict == "undecided"]
    if turning and mode == "cranking":
        left = (ENOUGH_STARTER_S - cranked_s) / cycle_s if cycle_s else math.inf
        return _while_cranking(judged=bool(judged), undecided=undecided, cycles_left=left)
    if turning:
        return (
            ("Keep it running as it is.", None)
            if undecided or not judged
            else ("Enough: this settles it.", 0)
        )
    if refused is not None:
        return refused, None
    if findings:
        return findings[0].next_step, None
    if not judged:
        return "Ready: with recording on, crank for eight seconds when everybody is clear.", None
    if undecided:
        return (
            f"Cannot tell for {len(undecided)} of {len(judged)} comparisons. Rest the starter two minutes, then "
            "crank eight to ten seconds again.",
            None,
        )
    return "Nothing odd repeats. Rest the starter two minutes, then crank once more to be sure.", 0


def _while_cranking(
    *, judged: bool, undecided: Sequence[CylinderBalance], cycles_left: float
) -> tuple[str, int | None]:
    if cycles_left < 1:
        return "Stop cranking: ten seconds are the limit. Rest the starter two minutes.", None
    if not judged:
        return "Keep cranking.", None
    if not undecided:
        return "Enough: stop cranking. Rest the starter two minutes.", 0
    if any(c.low is None for c in undecided):
        return "Keep cranking.", None
    within = [c.more_cycles for c in undecided if c.more_cycles is not None and c.more_cycles <= cycles_left]
    if within:
        return f"Keep cranking: about {max(within)} more cycles.", max(within)
    if max(c.cycles for c in undecided) < _FEWEST_TO_FORESEE:
        return "Keep cranking.", None
    return (
        f"Enough: stop cranking. {len(undecided)} comparisons stay undecided; only a further crank can settle them. "
        "Rest the starter two minutes.",
        0,
    )
