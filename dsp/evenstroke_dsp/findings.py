"""What the comparisons say in words, and the one thing to do now."""

from __future__ import annotations

import math
from collections.abc import Sequence

from .balance import EVEN_MARGIN_PERCENT
from .cautions import plugs_out
from .comparisons import verdict_cylinders
from .messages import TRUST_ORDER, CauseOfFinding, Comparison, CylinderBalance, Finding, Predicted
from .names import cylinder_name, pulse_name
from .setup import Setup
from .wording import counted, decimals

ENOUGH_STARTER_S = 10.0
"""Starter: 10 s at most, then 2 minutes' rest; the maker's figure rules (common practice, no source)."""

_URGENCY: dict[CauseOfFinding, int] = {"engine": 0, "set-up": 1, "unclear": 1, "spread": 2}

_FEWEST_TO_FORESEE = 8
"""With fewer cycles the spread is known too badly to tell anybody to stop for want of hope."""

_FEWEST_INTERMITTENT, _INTERMITTENT_SHARE, _LISTED = 3, 0.2, 8
"""Odd cycles of one cylinder that are a finding: two in twelve may be chance and stay one-offs."""

_CAUSES_SAID: dict[CauseOfFinding, str] = {
    "spread": "what healthy engines show",
    "set-up": "made by the set-up",
    "engine": "the engine's",
    "unclear": "unclear",
}


def findings_of(
    setup: Setup, comparisons: Sequence[Comparison], live: Sequence[Comparison] | None = None
) -> tuple[Finding, ...]:
    """One finding for each pulse that is odd every cycle, and for each that comes and goes: what asks for something
    first, then what can be trusted, then the largest.

    live: where `comparisons` were narrowed by the recording, the same as they stood while it was made.
    """
    before = {
        (c.probe, c.feature, c.stretch, x.cylinder, x.position): x
        for c in (live if live is not None else ())
        for x in c.cylinders
    }
    odd = [
        (comparison, cylinder)
        for comparison, cylinder in verdict_cylinders(comparisons)
        if cylinder.verdict in ("smaller", "larger") or _comes_and_goes(cylinder)
    ]
    odd.sort(
        key=lambda pair: (
            _URGENCY[cause_of(pair[1]) if pair[1].verdict in ("smaller", "larger") else "unclear"],
            TRUST_ORDER.index(pair[1].trust),
            -abs(pair[1].deviation or 0.0),
        )
    )
    # Without what is fitted one crank answers for all of them: nobody has to repeat it first as it was.
    disturbs = any(c.trust == "disturbed" for comparison in comparisons for c in comparison.cylinders)
    out = []
    for comparison, cylinder in odd:
        key = (comparison.probe, comparison.feature, comparison.stretch, cylinder.cylinder, cylinder.position)
        if cylinder.verdict in ("smaller", "larger"):
            out.append(_finding(setup, comparison, cylinder, before.get(key), disturbs=disturbs))
        else:
            out.append(_intermittent(comparison, cylinder))
    return tuple(out)


def _comes_and_goes(cylinder: CylinderBalance) -> bool:
    """Whether its odd cycles are too many to have happened by themselves; a pulse odd in most cycles has a verdict."""
    odd = len(cylinder.one_off_cycles)
    return odd >= _FEWEST_INTERMITTENT and odd >= _INTERMITTENT_SHARE * (cylinder.cycles + odd)


def _intermittent(comparison: Comparison, cylinder: CylinderBalance) -> Finding:
    name, odd = cylinder_name(cylinder), cylinder.one_off_cycles
    label = cylinder.cylinder if cylinder.cylinder is not None else cylinder.position
    listed = ", ".join(map(str, odd[:_LISTED])) + (" and more" if len(odd) > _LISTED else "")
    return Finding(
        odd_pulse_at=(label,) if label is not None else (),
        probe=comparison.probe,
        feature=comparison.feature,
        cause="unclear",
        suspect_cylinder=None,
        text=(
            f"{name[0].upper()}{name[1:]}'s {pulse_name(comparison.role, comparison.feature)} comes and goes: it is far "
            f"from usual in {len(odd)} of {cylinder.cycles + len(odd)} cycles of {comparison.stretch} ({listed}). That "
            f"is counted, with no interval; what is stated of it otherwise is of its other {cylinder.cycles} cycles."
        ),
        next_step=(
            "Cannot tell yet what comes and goes: see that the probe's hose and cable sit tight, and repeat the same "
            "crank after two minutes' rest. If it is the same cylinder again, record starter current as well and look "
            "whether its load goes with the pulse, before anything is opened."
        ),
    )


def _finding(
    setup: Setup,
    comparison: Comparison,
    cylinder: CylinderBalance,
    live: CylinderBalance | None,
    *,
    disturbs: bool,
) -> Finding:
    deviation, low, high = cylinder.deviation or 0.0, cylinder.low or 0.0, cylinder.high or 0.0
    cause = cause_of(cylinder)
    name = cylinder_name(cylinder)
    sizes = sorted((abs(low), abs(high)))
    places = decimals(*sizes)
    text = (
        f"{name[0].upper()}{name[1:]}'s {pulse_name(comparison.role, comparison.feature)} is "
        f"{abs(deviation):.{places}f} % {cylinder.verdict} than the mean "
        f"({sizes[0]:.{places}f} to {sizes[1]:.{places}f} %, 95 % interval) "
        f"over {counted(cylinder.cycles, 'cycle')} of {comparison.stretch}. "
        + _pull_words(comparison, cylinder)
        + _why(setup, comparison, cylinder, cause, narrowed=live is not None)
        + _live_words(live, cause)
    )
    label = cylinder.cylinder if cylinder.cylinder is not None else cylinder.position
    return Finding(
        odd_pulse_at=(label,) if label is not None else (),
        probe=comparison.probe,
        feature=comparison.feature,
        cause=cause,
        suspect_cylinder=None,
        text=text,
        next_step=_next_step(setup, cylinder, cause, disturbs=disturbs),
    )


def _live_words(live: CylinderBalance | None, cause: CauseOfFinding) -> str:
    """What it was called while it was recorded, where that was something else."""
    if live is None or live.predicted is None or cause_of(live) == cause:
        return ""
    return (
        f" While it was recorded this was called {_CAUSES_SAID[cause_of(live)]}: the set-up's range was then from the "
        f"set-up file alone ({effect_words(live.predicted)})."
    )


def _pull_words(comparison: Comparison, cylinder: CylinderBalance) -> str:
    """Where this cylinder stands out only because a far odder one is part of the mean: say so, in its place."""
    own = cylinder.deviation
    reference = [
        c
        for c in comparison.cylinders
        if c.deviation is not None
        and (c.cylinder if c.cylinder is not None else c.position) in comparison.reference
    ]
    if own is None or len(reference) < 3 or comparison.unit != "percent":
        return ""
    oddest = max(reference, key=lambda c: abs(c.deviation or 0.0))
    others = [100.0 + (c.deviation or 0.0) for c in reference if c is not oddest]
    without = (100.0 + own) / (sum(others) / len(others)) * 100.0 - 100.0
    if cylinder is oddest or abs(without) >= EVEN_MARGIN_PERCENT or abs(without) > abs(own) / 2.0:
        return ""
    return (
        f"But {cylinder_name(oddest)} pulls the mean: of the others' mean alone it would be {without:+.0f} % off "
        "(no interval stated), so look at that one first. "
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


def fitted_words(setup: Setup) -> str:
    """What is fitted in plug holes, in words: "the transducer's hose in cylinder 5"; empty for nothing."""
    words = [
        f"the hose of {p.name!r} in cylinder {p.cylinder}"
        if p.added_volume_cc != 0
        else f"the transducer {p.name!r} in cylinder {p.cylinder}"
        for p in setup.probe
        if p.role == "cylinder_pressure"
    ]
    words += [f"{f.what} in cylinder {f.cylinder}" for f in setup.fitted]
    return " and ".join(words)


def removal(setup: Setup) -> str:
    """How to crank without what is fitted; a sentence's beginning."""
    plugs = "the plug" if len(plugs_out(setup)) < 2 else "the plugs"
    return (
        f"Take out {fitted_words(setup)}, refit {plugs}, rest the starter two minutes, and crank eight seconds "
        "again with everything else as it was"
    )


def effect_words(predicted: Predicted) -> str:
    """A predicted range in words: "2 to 10 % smaller", "from 7 % smaller to 1 % larger"."""
    places = decimals(predicted.low, predicted.high)
    low, high = round(predicted.low, places), round(predicted.high, places)
    if high <= 0 or low >= 0:
        word = "smaller" if high <= 0 and low < 0 else "larger"
        least, most = sorted((abs(low), abs(high)))
        return f"{least:.{places}f} to {most:.{places}f} % {word}"
    return f"from {-low:.{places}f} % smaller to {high:.{places}f} % larger"


def _why(
    setup: Setup,
    comparison: Comparison,
    cylinder: CylinderBalance,
    cause: CauseOfFinding,
    *,
    narrowed: bool,
) -> str:
    normal, predicted = cylinder.normal, cylinder.predicted
    healthy = (
        ""
        if normal is None
        else f"healthy engines of this kind lie within {normal.low:+.0f} to {normal.high:+.0f} % "
        f"({normal.from_})"
    )
    by_itself = (
        ""
        if predicted is None
        else f"By engine physics {fitted_words(setup)} by itself makes this pulse {effect_words(predicted)} (95 % range, "
        f"{'narrowed by this recording' if narrowed else 'from the set-up file alone'})"
    )
    if cylinder.trust == "disturbed" and predicted is None:
        return (
            f"The set-up itself may have made this ({fitted_words(setup)}); by how much is not computed here, "
            "so that nothing can be said of the engine."
        )
    if cause == "spread" and "uneven_spacing" in comparison.because:
        return "The pulses that this probe hears come at uneven intervals; that alone makes healthy ones so unlike."
    if cause == "spread":
        return f"That is no sign of a fault: {healthy}."
    little = predicted is not None and 2 * max(-predicted.low, predicted.high) < abs(
        cylinder.deviation or 0.0
    )
    if cause == "set-up" and little:
        return (
            f"{by_itself}, which is little of it, and {healthy}: the two together account for it. It says nothing "
            "against the engine."
        )
    if cause == "set-up":
        return f"{by_itself}; with what healthy engines show besides, that accounts for it. It says nothing against the engine."
    if cause == "engine":
        return f"{by_itself + ', and ' if by_itself else ''}{healthy}: that does not account for it.".replace(
            "healthy", "Healthy" if not by_itself else "healthy", 1
        )
    if predicted is not None:
        return f"{by_itself}, and {healthy}: that may account for a part of it or for all, and this crank cannot tell."
    if normal is None:
        return "What healthy engines show for this is not known here, so that it is no sign of a fault by itself."
    return f"It reaches beyond what is usual, but not clearly enough to call: {healthy}."


def _next_step(setup: Setup, cylinder: CylinderBalance, cause: CauseOfFinding, *, disturbs: bool) -> str:
    if cause == "spread":
        return "Keep this recording as a reference; nothing needs doing for this."
    if cause == "set-up" or (disturbs and cylinder.trust == "disturbed"):
        return (
            f"Leave the engine as it is. {removal(setup)}; then compare the two recordings (evenstroke compare). What "
            "is gone then was made by the test."
        )
    if disturbs:
        return (
            f"{removal(setup)}; then compare the two recordings (evenstroke compare). What is still there then is the "
            f"engine's: {_SETTLE}"
        )
    if cause == "engine":
        return f"Repeat the same crank once more after two minutes' rest. If it is the same again, {_SETTLE}"
    return "Cannot tell yet: repeat the same crank after two minutes' rest and compare the two recordings."


_SETTLE = (
    "confirm without opening the engine: starter current by cylinder, then a compression or leak-down test by the "
    "maker's procedure."
)


def instruction(
    *,
    turning: bool,
    cranked_s: float,
    cycle_s: float | None,
    comparisons: Sequence[Comparison],
    findings: Sequence[Finding],
    refused: str | None,
    mode: str,
    enough: bool,
) -> tuple[str, int | None]:
    """The one thing to do now, and how many more cycles would settle what this crank can still settle.

    cycle_s: how long a cycle takes now, seconds. enough: whether this crank has been called enough before: who has let
    go of the key by then is not told to go on.
    """
    judged = list(verdict_cylinders(comparisons))
    undecided = [c for _, c in judged if c.verdict == "undecided"]
    if turning and mode == "cranking":
        left = (ENOUGH_STARTER_S - cranked_s) / cycle_s if cycle_s else math.inf
        return _while_cranking(judged=bool(judged), undecided=undecided, cycles_left=left, enough=enough)
    if turning:
        return (
            ("Keep it running as it is.", None)
            if undecided or not judged
            else ("Enough: this settles it.", 0)
        )
    return instruction_at_rest(comparisons=comparisons, findings=findings, refused=refused, mode=mode)


def instruction_at_rest(
    *, comparisons: Sequence[Comparison], findings: Sequence[Finding], refused: str | None, mode: str
) -> tuple[str, int | None]:
    """The one thing to do once the engine stands, and 0 where no more cycles are needed."""
    judged = list(verdict_cylinders(comparisons))
    undecided = [c for _, c in judged if c.verdict == "undecided"]
    if refused is not None:
        return refused, None
    if findings:
        return findings[0].next_step, None
    if mode == "idle":
        return _after_idling(len(judged), len(undecided)), None if undecided or not judged else 0
    if not judged:
        return "Ready: crank for eight seconds when everybody is clear.", None
    if undecided:
        return (
            f"Cannot tell for {len(undecided)} of {counted(len(judged), 'pulse')}. Rest the starter two minutes, then "
            "crank eight to ten seconds again.",
            None,
        )
    return "Nothing odd repeats. Rest the starter two minutes, then crank once more to be sure.", 0


def _after_idling(judged: int, undecided: int) -> str:
    if not judged:
        return "Ready: start the engine when everybody is clear, and let it idle for half a minute."
    if undecided:
        return (
            f"Cannot tell for {undecided} of {counted(judged, 'pulse')}. Let it idle for another minute, as steadily as it "
            "will."
        )
    return "Nothing odd repeats at idle."


def _while_cranking(
    *, judged: bool, undecided: Sequence[CylinderBalance], cycles_left: float, enough: bool
) -> tuple[str, int | None]:
    if cycles_left < 1:
        return "Stop cranking: ten seconds are the limit. Rest the starter two minutes.", None
    if enough or (judged and not undecided):
        return "Enough: stop cranking. Rest the starter two minutes.", 0
    if not judged:
        return "Keep cranking.", None
    if any(c.low is None for c in undecided):
        return "Keep cranking.", None
    within = [c.more_cycles for c in undecided if c.more_cycles is not None and c.more_cycles <= cycles_left]
    if within:
        return f"Keep cranking: about {counted(max(within), 'more cycle')}.", max(within)
    if max(c.cycles for c in undecided) < _FEWEST_TO_FORESEE:
        return "Keep cranking.", None
    return (
        f"Enough: stop cranking. {counted(len(undecided), 'pulse')} cannot be settled by this crank; a further one may. "
        "Rest the starter two minutes.",
        0,
    )
