"""What the comparisons say in words, and the one thing to do now."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from .balance import EVEN_MARGIN_PERCENT
from .cautions import plugs_out
from .comparisons import HALVES_DIFFER, verdict_cylinders
from .health import advice_for
from .messages import (
    TRUST_ORDER,
    CauseOfFinding,
    CodedWarning,
    Comparison,
    CylinderBalance,
    Finding,
    Normal,
    Predicted,
    StretchKind,
)
from .names import cylinder_name, pulse_name
from .prediction import PHYSICS_NORMAL
from .ran_unasked import MAY_HAVE_RUN, STARTED, make_safe_first
from .setup import Setup
from .wording import counted, decimals, listed, with_article

ENOUGH_STARTER_S = 10.0
"""Starter: 10 s at most, then 2 minutes' rest; the maker's figure rules (common practice, no source)."""

_CAUSES_BY_URGENCY: tuple[CauseOfFinding, ...] = ("engine", "unclear", "set-up", "spread")
_HEADINGS: dict[CauseOfFinding, str] = {
    "engine": "Neither healthy engines nor what is fitted account for this",
    "unclear": "Cannot be told yet",
    "set-up": "What is fitted for the test accounts for this",
    "spread": "Odd, but as healthy engines show it",
}

_SPOILS = ("dead", "clipped")
"""What is wrong with a signal that another crank would not make any better: it is mended before anything else is done."""

_MAY_SPOIL = ("unfiltered", "mains_pickup", "noisy", "brush_pickup")
"""The same, where it leaves its probe no verdict at all; where verdicts are given beside it, it has not spoilt them."""

_EMPTY_CELLS = "empty_cells"
_MOST_LEFT_OUT = 0.25
"""Share of the cycles that others have, from which on empty cells are why a probe is undecided (chosen)."""

_CRANKS_DIFFER = "cranks_differ"
_NO_NAMES = ("sync_not_believed", "sync_silent")
"""Why a sync that is recorded names no cylinder."""

_SWAPPED = "roles_doubtful"
_SEE_ROLES = (
    "See first whether the intake and the exhaust probe, or their columns, are swapped (further down it is said how), and judge "
    "the same recording again."
)

_PULLS = "pulls the mean"
_PULLED_HEADING = "Off the mean because another one pulls it: look at that one first"

_COUNT = "cylinder_count"
"""Compression comes another number of times a cycle than the set-up's cylinders do."""

_FEWEST_TO_FORESEE = 8
"""With fewer cycles the spread is known too badly to tell anybody to stop for want of hope."""

_FEWEST_INTERMITTENT, _INTERMITTENT_SHARE, _LISTED = 3, 0.2, 8
"""Odd cycles of one cylinder that are a finding: two in twelve may be chance and stay one-offs."""

MEND_COUNT = (
    "See to the set-up before anything else: compression does not come as often as its cylinders compress (the warnings say how "
    "often). If `cylinders` or `firing_order` are not this engine's, or the sync does not come once a cycle, mend that and judge "
    "the same recording again. If all that is right, some cylinders hardly compress, at even intervals, as where a gasket is "
    "burnt through between two: leave the engine as it is and confirm that by a compression or leak-down test, by the maker's "
    "procedure. Until one of the two is known nothing that names a cylinder holds."
)
MEND_SERIES = (
    "Turn the sync's pick-up away from the other cylinders' coils and leads, clip it on nearer to its own, or raise its "
    "threshold until one event a cycle is left; then crank again."
)

_FEWEST_TO_STOP = 4
"""Counted cycles from which on nobody is told to crank on where that cannot help: what these signs rest on has settled by then
(the sign of a compression that is missing needs two)."""

_CAUSES_SAID: dict[CauseOfFinding, str] = {
    "spread": "what healthy engines show",
    "set-up": "made by the set-up",
    "engine": "the engine's",
    "unclear": "unclear",
}


def findings_of(
    setup: Setup,
    comparisons: Sequence[Comparison],
    live: Sequence[Comparison] | None = None,
    warnings: Sequence[CodedWarning] = (),
) -> tuple[Finding, ...]:
    """One finding for each pulse that is odd every cycle, and for each that comes and goes: what asks for something
    first, then what can be trusted, then the largest.

    live: where `comparisons` were narrowed by the recording, the same as they stood while it was made. warnings: what is
    said beside them; where the engine may have run by itself, no finding asks for another crank.
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
            _CAUSES_BY_URGENCY.index(
                _cause(*pair) if pair[1].verdict in ("smaller", "larger") else "unclear"
            ),
            TRUST_ORDER.index(pair[1].trust),
            -abs(pair[1].deviation or 0.0),
        )
    )
    # Without what is fitted one crank answers for all of them: nobody has to repeat it first as it was.
    disturbs = bool(_much_disturbed(comparisons))
    settle = settle_words(comparisons)
    out = []
    for (comparison, cylinder), also in _seen_together(odd):
        key = (comparison.probe, comparison.feature, comparison.stretch, cylinder.cylinder, cylinder.position)
        if cylinder.verdict in ("smaller", "larger"):
            live_one = before.get(key)
            out.append(_finding(setup, comparison, cylinder, also, live_one, settle, disturbs=disturbs))
        else:
            out.append(_intermittent(comparison, cylinder))
    if safe := make_safe_first(warnings):
        out = [f if f.cause == "spread" else msgspec.structs.replace(f, next_step=safe) for f in out]
    return tuple(out)


_Odd = tuple[Comparison, CylinderBalance]


def _seen_together(odd: Sequence[_Odd]) -> list[tuple[_Odd, list[_Odd]]]:
    """Each odd pulse, with the others that say the same: the load of one compression, as current, voltage and speed show it, is
    one deviation seen through several probes. What comes first in `odd` is the one that is told."""
    out: list[tuple[_Odd, list[_Odd]]] = []
    told: dict[tuple[object, ...], list[_Odd]] = {}
    for comparison, cylinder in odd:
        named = cylinder.cylinder is not None or cylinder.one_of is not None
        one_load = comparison.feature == "compression" and cylinder.verdict in ("smaller", "larger") and named
        key = (comparison.stretch, cylinder.verdict, cylinder.cylinder, cylinder.position)
        if one_load and key in told:
            told[key].append((comparison, cylinder))
            continue
        also: list[_Odd] = []
        out.append(((comparison, cylinder), also))
        if one_load:
            told[key] = also
    return out


def _much_disturbed(comparisons: Sequence[Comparison]) -> list[tuple[Comparison, CylinderBalance]]:
    """Cylinders with a verdict that what is fitted may move by more than the even margin, or by nobody knows how much.

    A hose behind a check valve, once pumped up, or a short one on a large engine moves less: then a crank without it says
    no more than another one as it is.
    """
    return [
        (comparison, c)
        for comparison, c in verdict_cylinders(comparisons)
        if c.trust == "disturbed"
        and not only_sync_disturbs(comparison)
        and (c.predicted is None or max(-lowest(c.predicted), c.predicted.high) > EVEN_MARGIN_PERCENT)
    ]


def only_sync_disturbs(comparison: Comparison) -> bool:
    """Whether the sync alone, coming in two series, disturbs it: nothing that is fitted does."""
    fitted = {"added_volume", "plug_removed"} & set(comparison.because)
    return comparison.trust == "disturbed" and "sync_ambiguous" in comparison.because and not fitted


def grouped(findings: Sequence[Finding]) -> tuple[tuple[str, tuple[Finding, ...]], ...]:
    """The findings of each cause under its heading, what asks for something first."""
    pulled = tuple(f for f in findings if _PULLS in f.text)
    by_cause = (
        (_HEADINGS[cause], tuple(f for f in findings if f.cause == cause and f not in pulled))
        for cause in _CAUSES_BY_URGENCY
    )
    return tuple((heading, of) for heading, of in (*by_cause, (_PULLED_HEADING, pulled)) if of)


def briefly(heading: str) -> bool:
    """Whether what stands under it asks for nothing by itself, so that naming the pulses is enough: their figures are in the
    comparisons."""
    return heading in (_HEADINGS["spread"], _PULLED_HEADING)


def brief_lines(findings: Sequence[Finding], comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """A line for each comparison: "exhaust pulse (port pipe): 5 and 7", and which cylinder pulls their mean, where one does."""
    names: dict[tuple[str, str], list[str]] = {}
    for finding in findings:
        of = [c for c in comparisons if (c.probe, c.feature) == (finding.probe, finding.feature)]
        pulse = f"{pulse_name(of[0].role if of else '', finding.feature)} ({finding.probe})"
        for label in finding.odd_pulse_at:
            comparison, balance = next(
                ((c, x) for c in of for x in c.cylinders if _label(x) == label), (None, None)
            )
            why = ""
            if comparison is not None and _PULLS in finding.text:
                why = f", because {_told_apart(_oddest(comparison))} {_PULLS}"
            name = _told_apart(balance) if balance is not None else f"cylinder {label}"
            names.setdefault((pulse, why), []).append(name.removeprefix("cylinder "))
    return tuple(f"{pulse}: {listed(dict.fromkeys(of))}{why}" for (pulse, why), of in names.items())


def _told_apart(cylinder: CylinderBalance) -> str:
    """Its name, and its position where the name is not its own: "position 2 (cylinder 2 or 3)"."""
    if cylinder.cylinder is not None:
        return cylinder_name(cylinder)
    return f"position {cylinder.position}" + (f" ({cylinder_name(cylinder)})" if cylinder.one_of else "")


def _oddest(comparison: Comparison) -> CylinderBalance:
    """Of those that the mean is of."""
    reference = (
        c for c in comparison.cylinders if c.deviation is not None and _label(c) in comparison.reference
    )
    return max(reference, key=lambda c: abs(c.deviation or 0.0))


def _comes_and_goes(cylinder: CylinderBalance) -> bool:
    """Whether its odd cycles are too many to have happened by themselves; a pulse odd in most cycles has a verdict."""
    odd = len(cylinder.one_off_cycles)
    return odd >= _FEWEST_INTERMITTENT and odd >= _INTERMITTENT_SHARE * (cylinder.cycles + odd)


def _intermittent(comparison: Comparison, cylinder: CylinderBalance) -> Finding:
    odd = cylinder.one_off_cycles
    label = _label(cylinder)
    listed = ", ".join(map(str, odd[:_LISTED])) + (" and more" if len(odd) > _LISTED else "")
    return Finding(
        odd_pulse_at=(label,) if label is not None else (),
        probe=comparison.probe,
        feature=comparison.feature,
        cause="unclear",
        suspect_cylinder=None,
        text=(
            f"{_whose_pulse(comparison, cylinder)} comes and goes: it is far "
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
    also: Sequence[_Odd],
    live: CylinderBalance | None,
    settle: str,
    *,
    disturbs: bool,
) -> Finding:
    cause = _cause(comparison, cylinder)
    text = (
        f"{_whose_pulse(comparison, cylinder)} is {size_words(cylinder)} over {counted(cylinder.cycles, 'cycle')} of "
        f"{comparison.stretch}. "
        + _also_words(also)
        + _cut_words(comparison, cylinder)
        + (_pull_words(comparison, cylinder) or _neighbour_words(setup, comparison, cylinder))
        + _meaning_words(comparison, cylinder, cause)
        + _why(setup, comparison, cylinder, cause, narrowed=live is not None)
        + _live_words(live, cause)
        + _two_alone_words(comparison, cylinder)
        + _halves_words(comparison)
    )
    label = _label(cylinder)
    return Finding(
        odd_pulse_at=(label,) if label is not None else (),
        probe=comparison.probe,
        feature=comparison.feature,
        cause=cause,
        suspect_cylinder=None,
        text=text,
        next_step=_next_step(
            setup,
            cylinder,
            comparison.stretch,
            cause,
            settle,
            other_count=_COUNT in comparison.because,
            whose_is_open=only_sync_disturbs(comparison),
            swapped=_SWAPPED in comparison.because,
            disturbs=disturbs,
            unmodelled=cylinder.normal is None and "unmodelled" in comparison.because,
        ),
    )


def _cause(comparison: Comparison, cylinder: CylinderBalance) -> CauseOfFinding:
    """Nothing is the engine's, or as healthy ones show it, where it may be no one cylinder's."""
    return "unclear" if _COUNT in comparison.because else cause_of(cylinder)


def probes_of(finding: Finding, comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """The probe that a finding tells of, and those that show the same load of the same compression."""
    also = (
        comparison.probe
        for comparison, cylinder in verdict_cylinders(comparisons)
        if finding.feature == comparison.feature == "compression"
        and _label(cylinder) in finding.odd_pulse_at
        and cylinder.verdict in ("smaller", "larger")
    )
    return tuple(dict.fromkeys((finding.probe, *also)))


def _also_words(also: Sequence[_Odd]) -> str:
    """Where other probes show the same: "The pull on the battery (battery) shows the same: 15 % smaller (13 to 17 %)." """
    if not also:
        return ""
    said = listed(
        f"the {pulse_name(c.role, c.feature)} ({c.probe}), {size_words(x, mean=False)}" for c, x in also
    )
    return f"{said[0].upper()}{said[1:]}, {'shows' if len(also) == 1 else 'show'} the same. "


def _two_alone_words(comparison: Comparison, cylinder: CylinderBalance) -> str:
    """What a mean of two cylinders cannot tell, where they differ: which of them is the odd one."""
    pair = [c for c in comparison.cylinders if _label(c) in comparison.reference]
    if len(pair) != 2 or any(c.verdict not in ("smaller", "larger") for c in pair):
        return ""
    if all(c is not cylinder for c in pair):
        names = listed(str(_label(c)) for c in pair)
        return f" The mean it is measured against is of {names} alone, and those differ: it may be one of them that is odd."
    if cylinder.verdict == "larger":
        return " That is the same difference seen from its other side."
    return (
        " These two are compared with nothing but each other: as one is smaller the other is larger, and which of them is odd "
        "cannot be told by this."
    )


def _halves_words(comparison: Comparison) -> str:
    """Where one half of the cylinders differs from the other, and each is as far from the mean: that nobody can tell by it which
    half is off."""
    if HALVES_DIFFER not in comparison.because:
        return ""
    reference = [c for c in comparison.cylinders if _label(c) in comparison.reference]
    small, large = (
        listed(str(_label(c)) for c in reference if ((c.deviation or 0.0) < 0.0) is lower)
        for lower in (True, False)
    )
    return (
        f" But {small} read smaller and {large} larger, each half about as far from the mean of all, so that which half is off "
        "cannot be told by this."
    )


def _neighbour_words(setup: Setup, comparison: Comparison, cylinder: CylinderBalance) -> str:
    """What a weak compression does to its neighbours' load: the crank comes to the next one faster, and is braked by it more.

    A leak that takes a quarter to a half of one load adds 5 to 32 % to the next one's in simulated sixes and eights, whose
    compressions overlap, and no more than the mean does in fours and fives; one that takes 60 % of a six's deepens the dip of
    speed on either side (`tests/dsp/test_physics_features.py`, the eight).
    """
    order, own = setup.engine.firing_order, cylinder.cylinder
    if comparison.feature != "compression" or cylinder.verdict != "larger" or own is None:
        return ""
    at = order.index(own)
    sides = [("before", order[at - 1])]
    if comparison.role == "crank_teeth":
        sides.append(("after", order[(at + 1) % len(order)]))
    weak = {c.cylinder: c for c in comparison.cylinders if c.verdict == "smaller"}
    for side, other in sides:
        if other in weak and -(weak[other].deviation or 0.0) > (cylinder.deviation or 0.0):
            return (
                f"But cylinder {other}, which fires just {side} it, loads the crank less, and what one compression lacks is "
                "drawn into its neighbour's load: this one may read larger for that alone, so look at that one first. "
            )
    return ""


def _label(cylinder: CylinderBalance) -> int | None:
    return cylinder.cylinder if cylinder.cylinder is not None else cylinder.position


def _whose_pulse(comparison: Comparison, cylinder: CylinderBalance) -> str:
    """A sentence's beginning: "Cylinder 3's intake pulse", "The intake pulse in position 2"."""
    pulse = pulse_name(comparison.role, comparison.feature)
    if cylinder.cylinder is None and cylinder.one_of is None:
        return f"The {pulse} in position {cylinder.position}"
    name = cylinder_name(cylinder)
    return f"{name[0].upper()}{name[1:]}'s {pulse}"


def size_words(cylinder: CylinderBalance, *, mean: bool = True) -> str:
    """ "9 % smaller than the mean (6 to 11 %, 95 % interval)"; mean: whether it is said that it is measured from that."""
    # A pulse cannot lack more than all of it, of which the law that gives the interval knows nothing.
    deviation, low, high = (max(x or 0.0, -100.0) for x in (cylinder.deviation, cylinder.low, cylinder.high))
    return (
        f"{abs(deviation):.{decimals(low, high)}f} % {cylinder.verdict} {'than the mean ' if mean else ''}"
        f"({sizes_words(low, high)} %, 95 % interval)"
    )


def _cut_words(comparison: Comparison, cylinder: CylinderBalance) -> str:
    """Where the signal is cut off and what is stated is a bound: of what."""
    if "clipped" not in comparison.because or cylinder.low is None or cylinder.high is None:
        return ""
    if cylinder.verdict == "smaller" and cylinder.low <= -100.0:
        return (
            "Other pulses of this probe are cut off and larger than they read, so that by how much more it is smaller is not "
            "known. "
        )
    if cylinder.verdict == "larger" and cylinder.high >= 100.0 * (len(comparison.reference) - 1):
        return "Its signal is cut off, so that by how much more it is larger is not known. "
    return ""


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
        c for c in comparison.cylinders if c.deviation is not None and _label(c) in comparison.reference
    ]
    if own is None or len(reference) < 3 or comparison.unit != "percent":
        return ""
    oddest = _oddest(comparison)
    others = [100.0 + (c.deviation or 0.0) for c in reference if c is not oddest]
    without = (100.0 + own) / (sum(others) / len(others)) * 100.0 - 100.0
    if cylinder is oddest or abs(without) >= EVEN_MARGIN_PERCENT or abs(without) > abs(own) / 2.0:
        return ""
    return (
        f"But {cylinder_name(oddest)} {_PULLS}: of the others' mean alone it would be {without:+.0f} % off "
        "(no interval stated), so look at that one first. "
    )


def _meaning_words(comparison: Comparison, cylinder: CylinderBalance, cause: CauseOfFinding) -> str:
    """What a deeper dip at exhaust opening says of its own cylinder, which its name does not tell; nothing where healthy engines
    or the set-up account for it, where more than overlapping strokes leaves open whose it is, or of an engine that fires: its gas
    is above atmosphere.

    Rings, intake and exhaust valves that leak 1 mm2 deepen it by 13 to 83 % in simulated fours and sixes
    (`tests/dsp/test_physics_features.py`); in a second engine model too (`tests/bench/second_model/study.py features`).
    """
    if comparison.feature != "suction" or cylinder.verdict != "larger" or cause in ("spread", "set-up"):
        return ""
    if comparison.stretch != "cranking" or "pipe_rings" in comparison.because:
        return ""
    if cylinder.one_of is not None and "strokes_overlap" not in comparison.because:
        return ""
    if any((c.deviation or 0.0) > (cylinder.deviation or 0.0) for c in comparison.cylinders):
        return (
            ""  # the deepest one only: what that does to the mean and to its neighbours is no leak of theirs
        )
    that = "that cylinder" if cylinder.one_of is None else "one of these cylinders"
    return (
        "A cylinder that lost gas while it compressed is in deeper vacuum when its exhaust valve opens: this is how a leak "
        f"of {that} looks, and so may one whose neighbour's exhaust pulse is missing. "
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
    """What is fitted in plug holes, in words: "the hose of 'p5' in cylinder 5"; empty for nothing."""
    words = _in_plug_holes(setup)
    words += [f"the missing plug of cylinder {f.cylinder}" for f in setup.fitted if f.plug_removed]
    return listed(words) if words else ""


def _in_plug_holes(setup: Setup) -> list[str]:
    words = [
        f"the hose of {p.name!r} in cylinder {p.cylinder}"
        if p.added_volume_cc != 0
        else f"the transducer {p.name!r} in cylinder {p.cylinder}"
        for p in setup.probe
        if p.role == "cylinder_pressure"
    ]
    return words + [
        f"{with_article(f.what)} in cylinder {f.cylinder}" for f in setup.fitted if not f.plug_removed
    ]


def removal(setup: Setup) -> str:
    """How to crank without what is fitted; a sentence's beginning."""
    fitted = _in_plug_holes(setup)
    out = sorted(plugs_out(setup))
    take = f"take out {listed(fitted)}, " if fitted else ""
    refit = f"{take}refit the plug{'s' if len(out) > 1 else ''} of {listed(map(str, out))}"
    return (
        f"{refit[0].upper()}{refit[1:]}, rest the starter two minutes, and crank eight seconds "
        "again with everything else as it was"
    )


def effect_words(predicted: Predicted) -> str:
    """A predicted range in words: "2 to 10 % smaller", "from 7 % smaller to 1 % larger"."""
    low, high = lowest(predicted), predicted.high
    if round(low) == round(high) == 0:
        return "hardly any different"
    places = decimals(low, high)
    low, high = round(low, places), round(high, places)
    if high <= 0.0 or low >= 0.0:
        return f"{sizes_words(low, high)} % {'smaller' if low < 0.0 else 'larger'}"
    return f"from {-low:.{places}f} % smaller to {high:.{places}f} % larger"


def lowest(predicted: Predicted) -> float:
    """The range's lower end, per cent: a pulse cannot lack more than all of it, of which the law that gives it knows nothing."""
    return max(predicted.low, -100.0)


def sizes_words(low: float, high: float) -> str:
    """Two ends of a range without their signs, the smaller one first: "9 to 13"."""
    least, most = sorted((abs(low), abs(high)))
    places = decimals(least, most)
    return f"{least:.{places}f} to {most:.{places}f}"


def _why(
    setup: Setup,
    comparison: Comparison,
    cylinder: CylinderBalance,
    cause: CauseOfFinding,
    *,
    narrowed: bool,
) -> str:
    normal, predicted = cylinder.normal, cylinder.predicted
    if _COUNT in comparison.because:
        return "Compression does not come as often as the set-up's cylinders, so that this may be no one cylinder's."
    if _SWAPPED in comparison.because:
        return "This probe and another one may be swapped, so that nothing can be said of the engine by it."
    if MAY_HAVE_RUN in comparison.because:
        return (
            "The engine may have run by itself (the warnings say why), and neither what healthy engines show that are cranked "
            "nor what is fitted to such a one says anything of one that fires."
        )
    if normal is None and "unmodelled" in comparison.because:
        return (
            "Several of the pulses that this probe hears, which come at uneven intervals, differ from those of all simulated "
            "engines of this kind: its pipes may be others than were simulated, so that nothing can be said of the engine by "
            "this."
        )
    if cause == "spread" and normal is not None and "uneven_spacing" in comparison.because:
        return (
            "The pulses that this probe hears come at uneven intervals, which alone makes healthy ones unlike: "
            f"{healthy_words(normal)}."
        )
    if only_sync_disturbs(comparison) and cause != "spread":
        return (
            "The sync comes in two series, one of which is another cylinder's, and nothing tells which: whose pulse this is "
            "stays open, so that nothing can be said of a cylinder."
        )
    if cylinder.trust == "disturbed" and predicted is None and cause != "spread":
        return (
            f"What is fitted may have made this ({fitted_words(setup)}); by how much is not computed here, "
            "so that nothing can be said of the engine."
        )
    if normal is None:
        return "What healthy engines show for this is not known here, so that it is no sign of a fault by itself."
    healthy = healthy_words(normal)
    if cause == "spread":
        return f"{healthy[0].upper()}{healthy[1:]}: no sign of a fault."
    if predicted is None:
        tail = (
            "that does not account for it" if cause == "engine" else "it reaches beyond that, but not clearly"
        )
        return f"{healthy[0].upper()}{healthy[1:]}: {tail}."
    from_ = "narrowed by this recording" if narrowed else "from the set-up file alone"
    told = (
        f"By engine physics {fitted_words(setup)} makes this pulse {effect_words(predicted)} (95 % range, {from_}), and "
        f"{healthy}"
    )
    if cause == "set-up":
        little = 2 * max(-predicted.low, predicted.high) < abs(cylinder.deviation or 0.0)
        return f"{told}: the two together account for it{', though the first for little of it' if little else ''}."
    if cause == "engine":
        return f"{told}: that does not account for it."
    return f"{told}: that may account for a part of it or for all, and this crank cannot tell."


def healthy_words(normal: Normal) -> str:
    """What healthy engines show, and where that is from."""
    within = f"within {normal.low:+.0f} to {normal.high:+.0f} %"
    if normal.from_ == PHYSICS_NORMAL:
        return f"simulated healthy engines of this kind lie {within}"
    return f"healthy engines lie {within} ({normal.from_})"


def _next_step(
    setup: Setup,
    cylinder: CylinderBalance,
    stretch: StretchKind,
    cause: CauseOfFinding,
    settle: str,
    *,
    other_count: bool,
    whose_is_open: bool,
    swapped: bool,
    disturbs: bool,
    unmodelled: bool,
) -> str:
    if other_count:
        return MEND_COUNT
    if cause == "spread":
        return "Nothing needs doing for this. Keep the recording as a reference."
    if swapped:
        return _SEE_ROLES
    if whose_is_open:
        return f"Leave the engine as it is. {MEND_SERIES}"
    # Positions of one crank are not those of another.
    nameless = _nameless_words(setup, cylinder)
    if stretch == "idle":
        return (
            "Let it idle again for half a minute, as steadily as it will, and compare the two recordings; then crank it, since "
            f"what shows at idle alone may be how it burns, and not how it breathes or seals.{nameless}"
        )
    if disturbs or cause == "set-up":
        return (
            f"Leave the engine as it is. {removal(setup)}; then compare the two recordings (evenstroke compare). What is "
            f"gone then was made by the test; what is still there is the engine's.{nameless}"
        )
    if cause == "engine" and cylinder.cylinder is None:
        syncs = [p.name for p in setup.probe if p.is_sync]
        first = (
            f"{listed(syncs)} did not settle whose this pulse is: mend first what the warnings say of that"
            if syncs
            else "Record a sync on one cylinder first"
        )
        return (
            f"{first}, then crank again after two minutes' rest; without a name the same crank again confirms nothing. If a "
            f"pulse is as odd then, {settle}"
        )
    if cause == "engine":
        return f"Repeat the same crank once more after two minutes' rest. If it is the same again, {settle}"
    if unmodelled:
        return (
            "Cannot tell by this probe: go by what else is recorded, or crank again with a probe that hears all cylinders "
            "(in the tailpipe or the intake), after two minutes' rest."
        )
    return f"Cannot tell yet: repeat the same crank after two minutes' rest and compare the two recordings.{nameless}"


def _nameless_words(setup: Setup, cylinder: CylinderBalance) -> str:
    """What a comparison of two cranks lacks where a pulse has no name: positions of one crank are not those of another."""
    if cylinder.cylinder is not None:
        return ""
    syncs = [p.name for p in setup.probe if p.is_sync]
    if not syncs:
        return " Record a sync on one cylinder in both: pulses without names cannot be compared."
    return (
        f" Pulses without names cannot be compared, and {listed(syncs)} did not settle whose this one is: mend first what "
        "the warnings say of that."
    )


def settle_words(comparisons: Sequence[Comparison]) -> str:
    """What would settle an oddity that is the engine's, opening nothing: by what has been recorded already."""
    confirm, by_the_maker = "confirm without opening the engine", "by the maker's procedure"
    loads = [
        c
        for c in comparisons
        if c.feature == "compression" and c.stretch == "cranking" and any(x.cycles for x in c.cylinders)
    ]
    weak = [x for c in loads for x in c.cylinders if x.verdict == "smaller" and cause_of(x) != "spread"]
    if weak:
        # What a neighbour lacks is drawn into a load, so that the smallest may not be the only one to test.
        least = cylinder_name(min(weak, key=lambda x: x.deviation or 0.0))
        return (
            f"{confirm}: a compression or leak-down test, first of {least}, whose compression loads the starter least, and of "
            f"its neighbours in the firing order, {by_the_maker}."
        )
    if loads and all(x.verdict == "even" for c in loads for x in c.cylinders):
        return (
            f"{confirm}. The load of each compression is even here ({listed(c.probe for c in loads)}), which speaks "
            "against much lost compression: look first at how the cylinders breathe (intake and exhaust from "
            "outside, with a borescope where the maker's procedure allows one), then a leak-down test."
        )
    first = "" if loads else "starter current by cylinder, then "
    return f"{confirm}: {first}a compression or leak-down test, {by_the_maker}."


def instruction(
    *,
    turning: bool,
    cranked_s: float,
    cycle_s: float | None,
    comparisons: Sequence[Comparison],
    findings: Sequence[Finding],
    refused: str | None,
    setup: Setup,
    enough: bool,
    warnings: Sequence[CodedWarning] = (),
) -> tuple[str, int | None]:
    """The one thing to do now, and how many more cycles would settle what this crank can still settle.

    cycle_s: how long a cycle takes now, seconds. enough: whether this crank has been called enough before: who has let
    go of the key by then is not told to go on.
    """
    judged = list(verdict_cylinders(comparisons))
    undecided = [c for _, c in judged if c.verdict == "undecided"]
    if turning and any(w.code == STARTED for w in warnings):
        return f"Let go of the key and switch the engine off. {make_safe_first(warnings)}", None
    if turning and setup.conditions.mode == "cranking":
        left = (ENOUGH_STARTER_S - cranked_s) / cycle_s if cycle_s else math.inf
        if cranking_on := _why_not_crank_on(comparisons):
            return f"Stop cranking: {cranking_on}", 0
        return _while_cranking(judged=bool(judged), undecided=undecided, cycles_left=left, enough=enough)
    if turning:
        return (
            ("Keep it running as it is.", None)
            if undecided or not judged
            else ("Enough: this settles it.", 0)
        )
    return instruction_at_rest(
        comparisons=comparisons,
        findings=findings,
        refused=refused,
        setup=setup,
        mode=setup.conditions.mode,
        warnings=warnings,
    )


def instruction_at_rest(
    *,
    comparisons: Sequence[Comparison],
    findings: Sequence[Finding],
    refused: str | None,
    setup: Setup,
    mode: str,
    warnings: Sequence[CodedWarning] = (),
) -> tuple[str, int | None]:
    """The one thing to do once the engine stands, and 0 where no more cycles are needed.

    mode: of what was recorded, "cranking" or "idle". warnings: what is said beside it, of which the gravest come first.
    """
    if safe := make_safe_first(warnings):
        return safe, None
    judged = list(verdict_cylinders(comparisons))
    undecided = [c for _, c in judged if c.verdict == "undecided"]
    if refused is not None:
        return refused, None
    if any(_COUNT in c.because for c in comparisons):
        return MEND_COUNT, None
    if differ := [w.text for w in warnings if w.code == _CRANKS_DIFFER]:
        return f"Several cranks in one file differ: judge them apart before anything else. {differ[0]}", None
    spoilt = _spoilt(comparisons)
    probes, how = listed(spoilt) if spoilt else "", " ".join(dict.fromkeys(spoilt.values()))
    elsewhere = next(
        (f for f in findings if f.cause == "engine" and spoilt.keys().isdisjoint(probes_of(f, comparisons))),
        None,
    )
    if spoilt and elsewhere is None:
        return (
            f"Mend the signal of {probes} first. {how} Then rest the starter two minutes and crank eight to ten seconds again.",
            None,
        )
    if any(_SWAPPED in c.because for c in comparisons):
        return _SEE_ROLES, None
    if first := _said_first(comparisons, findings, setup, warnings):
        return first, None
    if spoilt and elsewhere is not None:
        # What it rests on is no worse for another probe's signal, which the crank that confirms it may as well have.
        return f"{elsewhere.next_step} Before that crank mend the signal of {probes} too. {how}", None
    if findings and findings[0].cause != "spread":
        return findings[0].next_step, None
    if mode == "idle":
        return _after_idling(len(judged), len(undecided)), None if undecided or not judged else 0
    if comparisons and all(len(c.cylinders) < 2 for c in comparisons):
        return (
            "Nothing to compare: each probe hears one cylinder. A leak-down test judges that one by itself.",
            None,
        )
    if not judged:
        return "Ready: crank for eight seconds when everybody is clear.", None
    hiding = _much_disturbed(comparisons)
    if undecided:
        open_ = f"Cannot tell for {len(undecided)} of {counted(len(judged), 'pulse')}"
        again = "Rest the starter two minutes, then crank eight to ten seconds again."
        if hiding:
            again = f"A crank without {fitted_words(setup)} tells more than another one with it. {removal(setup)}."
        return f"{open_}. {again}", None
    nothing = "Nothing repeats that healthy engines do not show" if findings else "Nothing odd repeats"
    if hiding:
        return f"{nothing}, as it is. {_hidden_words(setup, hiding)} {removal(setup)}.", 0
    return f"{nothing}. Rest the starter two minutes, then crank once more to be sure.", 0


def _spoilt(comparisons: Sequence[Comparison]) -> dict[str, str]:
    """What to do about each signal that is mended before another crank, by its probe: the gravest first."""
    out: dict[str, str] = {}
    for code in (*_SPOILS, *_MAY_SPOIL):
        for probe, role in dict.fromkeys((c.probe, c.role) for c in comparisons if code in c.because):
            if code in _SPOILS or not _settled(probe, comparisons):
                out[probe] = " ".join(filter(None, (out.get(probe), advice_for(role, code))))
    return out


def _settled(probe: str, comparisons: Sequence[Comparison]) -> bool:
    """Whether any pulse of this probe has a verdict."""
    return any(
        x.verdict in ("even", "smaller", "larger")
        for c in comparisons
        if c.probe == probe
        for x in c.cylinders
    )


def _said_first(
    comparisons: Sequence[Comparison],
    findings: Sequence[Finding],
    setup: Setup,
    warnings: Sequence[CodedWarning],
) -> str:
    """What the warnings say that the same crank again would not mend; empty where they say nothing of the kind."""
    if empty := _empty_words(comparisons, warnings):
        return empty
    open_ = {
        _label(x)
        for c in comparisons
        for x in c.cylinders
        if x.cylinder is None and x.verdict in ("smaller", "larger")
    }
    if findings and findings[0].cause != "spread" and open_ & set(findings[0].odd_pulse_at):
        why = next((w.text for w in warnings if w.code in _NO_NAMES), None)
        if why is not None:
            return f"Mend the sync first, since without it no odd pulse has a cylinder's name. {why}"
        if any(p.is_sync and p.every == "revolution" for p in setup.probe) and any(
            w.code == "half_cycle_open" for w in warnings
        ):
            return (
                "Record what tells the two halves of the cycle apart first: a sync once a cycle (`cam_sync`, or `ignition_sync` "
                "on a coil that fires once a cycle). One a revolution leaves it open which of two cylinders each pulse belongs "
                "to, which the same crank again does not settle. Then rest the starter two minutes and crank again."
            )
    return ""


def _empty_words(comparisons: Sequence[Comparison], warnings: Sequence[CodedWarning]) -> str:
    """Where empty cells of a capture, and not too short a crank, leave a probe without a verdict."""
    most = max((x.cycles for c in comparisons for x in c.cylinders), default=0)
    spoilt = []
    for probe in dict.fromkeys(c.probe for c in comparisons):
        said = any(w.code == _EMPTY_CELLS and w.probe == probe for w in warnings)
        fewest = min(x.cycles for c in comparisons if c.probe == probe for x in c.cylinders)
        if said and not _settled(probe, comparisons) and fewest <= (1.0 - _MOST_LEFT_OUT) * most:
            spoilt.append(probe)
    if not spoilt:
        return ""
    return (
        f"See to the logger, or to what wrote the file, first: cells of {listed(spoilt)} are empty (the warnings say how many), "
        "and every pulse that has one is left out, which another crank with the same logger does not mend. See that its input "
        "is wired and switched on and that it writes every sample at its rate; then rest the starter two minutes and crank "
        "eight to ten seconds again."
    )


def _hidden_words(setup: Setup, hiding: Sequence[tuple[Comparison, CylinderBalance]]) -> str:
    """What a fault may hide behind: the pulse that is moved most, or those of which nobody knows by how much."""
    fitted = fitted_words(setup)
    unknown = [(comparison, c) for comparison, c in hiding if c.predicted is None]
    if unknown:
        pulses = listed(dict.fromkeys(f"{pulse_name(c.role, c.feature)} ({c.probe})" for c, _ in unknown))
        return f"But {fitted} may move, and so hide a fault in, the {pulses}; by how much is not worked out here."

    def most(c: CylinderBalance) -> float:
        assert c.predicted is not None
        return max(-lowest(c.predicted), c.predicted.high)

    comparison, oddest = max(hiding, key=lambda pair: most(pair[1]))
    assert oddest.predicted is not None
    pulse = _whose_pulse(comparison, oddest)
    return (
        f"But {fitted} may hide a fault as large as what it makes: most of all of {pulse[0].lower()}{pulse[1:]} "
        f"({comparison.probe}), which it makes {effect_words(oddest.predicted)} by engine physics (95 % range)."
    )


def _after_idling(judged: int, undecided: int) -> str:
    if not judged:
        return "Ready: start the engine when everybody is clear, and let it idle for half a minute."
    if undecided:
        return (
            f"Cannot tell for {undecided} of {counted(judged, 'pulse')}. Let it idle for another minute, as steadily as it "
            "will."
        )
    return "Nothing odd repeats at idle."


def _why_not_crank_on(comparisons: Sequence[Comparison]) -> str:
    """Why more cycles cannot help, and what to do instead; empty where they can, or where that is not known yet."""
    most = max((x.cycles for c in comparisons for x in c.cylinders), default=0)
    if most < _FEWEST_TO_STOP:
        return ""

    def all_have(code: str) -> bool:
        return all(code in c.because for c in comparisons)

    probes = listed(dict.fromkeys(c.probe for c in comparisons))
    if any(_COUNT in c.because for c in comparisons):
        return (
            "compression does not come as often as the set-up's cylinders compress, which more of it does not mend. See that "
            "`cylinders`, `firing_order` and the sync are this engine's."
        )
    if all_have("no_compression"):
        return (
            "no rhythm of compression shows, so that there is nothing to compare. See that the plugs are in, and that the "
            "clamp is closed round the starter's cable; rest the starter two minutes."
        )
    if all_have("dead"):
        return f"no signal stands out of {probes}. Mend that first; rest the starter two minutes."
    return ""


def _while_cranking(
    *, judged: bool, undecided: Sequence[CylinderBalance], cycles_left: float, enough: bool
) -> tuple[str, int | None]:
    if cycles_left < 1:
        return "Stop cranking: ten seconds are the limit. Rest the starter two minutes.", None
    if enough or (judged and not undecided):
        return "Enough: stop cranking. Rest the starter two minutes.", 0
    if not judged:
        return "Keep cranking.", None
    too_early = max(c.cycles for c in undecided) < _FEWEST_TO_FORESEE
    if any(c.low is None for c in undecided) and too_early:
        return "Keep cranking.", None
    within = [c.more_cycles for c in undecided if c.more_cycles is not None and c.more_cycles <= cycles_left]
    if within:
        return f"Keep cranking: about {counted(max(within), 'more cycle')}.", max(within)
    if too_early:
        return "Keep cranking.", None
    return (
        f"Enough: stop cranking. {counted(len(undecided), 'pulse')} cannot be settled by this crank; a further one may. "
        "Rest the starter two minutes.",
        0,
    )
