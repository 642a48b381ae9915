"""What is fitted does what to which pulse, by what path and how much; where else to measure, and what cannot be seen.

Plain functions of a set-up and, where there is one, of the physics' prediction; no judgement of any recording.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .disturbance import altered, disturbed_cylinders
from .engine import companion, companions, order_of_strokes
from .features import ROLE_PULSES
from .findings import effect_words, fitted_words, lowest
from .measurement import ProbeMeasurer
from .messages import FittedPart, Predicted, SetupNote
from .prediction import Prediction
from .setup import PULSE_ROLES, Probe, Setup
from .wording import NOT_WORKED_OUT, decimals, listed

_FEW_CYLINDERS = 4
"""In fours a runner at a tenth of its area moves no pulse by more than 1 %, in sixes and eights its own by 27 and 46 %
(tests/bench/bench_what_shows.py)."""
_DRAWN = frozenset({"intake_pulse", "manifold_pressure"})
"""Roles of pulses that intake strokes draw."""
UNEVENLY_HEARD = (
    "Limited: these pulses come at uneven intervals, and that alone makes healthy ones differ by tens of per cent; look at what "
    "changes between two cranks, not at how even they are."
)
_STATED_PERCENT = 1.0
"""Effects that stay within this need no words."""


def disturbed_by(setup: Setup, probe: Probe, feature: str, prediction: Prediction | None) -> tuple[int, ...]:
    """Cylinders whose comparison what is fitted may alter, by rule and by the physics, in order of number."""
    found: Iterable[int] = disturbed_cylinders(setup, probe.role, feature, setup.sees(probe))
    if prediction is not None:
        found = prediction.disturbed((probe.name, feature), found)
    heard = setup.sees(probe)
    return tuple(sorted(c for c in found if c in heard))


def setup_notes(setup: Setup, prediction: Prediction | None) -> tuple[SetupNote, ...]:
    """One for each comparison that gets verdicts: clean, or disturbed where, how and how much."""
    notes = []
    for probe in setup.probe:
        features = ROLE_PULSES[probe.role].features if probe.role in ROLE_PULSES else ()
        for feature in features:
            if feature.verdict and len(setup.sees(probe)) >= 2:
                notes.append(_note(setup, probe, feature.name, prediction))
    return tuple(notes)


def fitted_parts(setup: Setup) -> tuple[FittedPart, ...]:
    """What sits in plug holes, recorded or not, in order of cylinder."""
    parts = [
        FittedPart(what=p.name, cylinder=p.cylinder, added_volume_cc=p.added_volume_cc, plug_removed=False)
        for p in setup.probe
        if p.role == "cylinder_pressure" and p.cylinder is not None
    ]
    parts += [
        FittedPart(
            what=f.what,
            cylinder=f.cylinder,
            added_volume_cc=f.added_volume_cc,
            plug_removed=f.plug_removed,
        )
        for f in setup.fitted
    ]
    return tuple(sorted(parts, key=lambda part: part.cylinder))


def _note(setup: Setup, probe: Probe, feature: str, prediction: Prediction | None) -> SetupNote:
    disturbed = disturbed_by(setup, probe, feature, prediction)
    start = f"{probe.name}, {feature}:"
    heard = sorted(setup.sees(probe))
    uneven = ""
    if not ProbeMeasurer(setup, probe, None).evenly_heard:
        uneven = f" {UNEVENLY_HEARD}"
    if not disturbed:
        which = "both cylinders" if len(heard) == 2 else f"all {len(heard)} cylinders"
        if len(heard) < setup.engine.cylinders:
            which = f"cylinders {listed(map(str, heard))}"
        words = (
            f"{start} compares {which}; nothing that is fitted disturbs them.{uneven}"
            if uneven
            else f"{start} compares {which} cleanly."
        )
        return SetupNote(probe=probe.name, feature=feature, disturbed=(), text=words)
    clean = [c for c in heard if c not in disturbed]
    where = f"cylinder{'s' if len(disturbed) > 1 else ''} {listed(map(str, disturbed))}"
    rest = f"{'undisturbed' if uneven else 'clean'} in {listed(map(str, clean)) if clean else 'none'}"
    sure = surely_beside(setup, probe, feature, prediction)
    words = f"{start} disturbed in {where}; {rest}. {path_words(setup, probe.role, feature, disturbed, sure)}"
    sizes = _sizes(setup, probe, feature, disturbed, prediction)
    text = f"{words} {sizes}{uneven}"
    return SetupNote(probe=probe.name, feature=feature, disturbed=disturbed, text=text)


@dataclass(frozen=True, slots=True)
class Beside:
    """A pulse drawn next to a companion's, which the fitted set-up alters as surely as that one."""

    cylinder: int
    before: bool
    companion: int
    larger: bool
    companion_larger: bool


def surely_beside(
    setup: Setup, probe: Probe, feature: str, prediction: Prediction | None
) -> tuple[Beside, ...]:
    """Pulses drawn just before or after a companion's that the physics say are altered beyond doubt, and at least half as
    much as that one; none without a prediction, nor of pulses that are not drawn."""
    if probe.role not in _DRAWN or prediction is None:
        return ()
    weak = altered(setup)
    effects = _effects(setup, probe, feature, disturbed_by(setup, probe, feature, prediction), prediction)
    order = order_of_strokes(setup.engine, 360)
    found = []
    for other in sorted({c for w in weak if (c := companion(setup.engine, w)) is not None} - set(weak)):
        own = effects.get(other)
        for step in (-1, 1):
            beside = order[(order.index(other) + step) % len(order)]
            effect = effects.get(beside)
            if own is None or effect is None or beside in weak or beside == other:
                continue
            sure = effect.low > _STATED_PERCENT or effect.high < -_STATED_PERCENT
            if sure and abs(effect.deviation) >= abs(own.deviation) / 2:
                found.append(Beside(beside, step < 0, other, effect.deviation > 0, own.deviation > 0))
    return tuple(found)


def path_words(
    setup: Setup, role: str, feature: str, disturbed: Sequence[int] = (), sure: Sequence[Beside] = ()
) -> str:
    """By what way what is fitted reaches this pulse; disturbed: all cylinders whose pulse it reaches; sure: those of them
    beside a companion's that are altered as surely as that one."""
    weak = altered(setup)
    where = listed(map(str, weak))
    others = sorted({c for w in weak if (c := companion(setup.engine, w)) is not None} - set(weak))
    there = f"cylinder {where}" if len(weak) == 1 else f"cylinders {where}"
    faster = f"{there} compresses less, so that the crank goes faster through the TDC there"
    if len(weak) > 1:
        faster = f"{there} compress less, so that the crank goes faster through their TDCs"
    whom = (
        f"the pulse of {listed(map(str, others))}, drawn at that moment,"
        if others
        else f"every pulse drawn near {'it' if len(weak) == 1 else 'them'}"
    )
    if role in _DRAWN:
        further = sorted(set(disturbed) - set(others) - set(weak)) if others else []
        beside = f" So do those beside it, which overlap it ({listed(map(str, further))})." if further else ""
        also = "".join(
            f" That of {b.cylinder}, which inhales just {'before' if b.before else 'after'} {b.companion}, is made "
            f"{_larger(b.larger)} as surely as that of {b.companion} {_larger(b.companion_larger)}: trust neither."
            for b in sure
        )
        words = f"The way: {faster}, the intake refills for a shorter time, and {whom} begins from another level.{beside}{also}"
    elif feature == "compression":
        itself = (
            "it loads the starter less itself" if len(weak) == 1 else "they load the starter less themselves"
        )
        words = f"The way: {faster}, and {itself}."
    else:
        words = f"The way: {faster}, and what is left in it when its exhaust valve opens draws and pushes differently."
    return words


def _larger(larger: bool) -> str:
    return "larger" if larger else "smaller"


def _sizes(
    setup: Setup, probe: Probe, feature: str, disturbed: Sequence[int], prediction: Prediction | None
) -> str:
    if prediction is None:
        return NOT_WORKED_OUT
    predicted = _effects(setup, probe, feature, disturbed, prediction)
    if not predicted:
        return "How large that is the physics cannot say."
    parts = [
        f"cylinder {c}: {range_words(p)}"
        for c, p in sorted(predicted.items())
        if c in disturbed or max(abs(p.low), abs(p.high)) > 2 * _STATED_PERCENT
    ]
    parts += [
        f"cylinder {c}: hardly any pulse is left" for c in sorted(prediction.silent((probe.name, feature)))
    ]
    return f"By engine physics (95 % ranges, before anything is recorded): {'; '.join(parts)}."


def _effects(
    setup: Setup, probe: Probe, feature: str, disturbed: Sequence[int], prediction: Prediction | None
) -> dict[int, Predicted]:
    """What is fitted does to each cylinder, against the mean of the undisturbed ones; empty where nothing is known."""
    if prediction is None:
        return {}
    columns = prediction.cylinders.get(probe.name, ())
    clean = [k for k, c in enumerate(columns) if c not in disturbed]
    found = prediction.predicted((probe.name, feature), clean if len(clean) >= 2 else range(len(columns)))
    return found or {}


def range_words(predicted: Predicted) -> str:
    """ "-3 % (-8 to +1 %)", or that it is hardly anything."""
    if max(abs(predicted.low), abs(predicted.high)) <= _STATED_PERCENT:
        return f"within {_STATED_PERCENT:g} %"
    least = lowest(predicted)
    places = decimals(least, predicted.high)
    low, middle, high = (_signed(value, places) for value in (least, predicted.deviation, predicted.high))
    return f"{middle} % ({low} to {high} %)"


def _signed(percent: float, places: int) -> str:
    words = f"{percent:+.{places}f}"
    return words if float(words) else "0"


def in_short(setup: Setup, prediction: Prediction | None) -> tuple[str, ...]:
    """What the set-up does to the test and how to crank, in two sentences for who is about to."""
    fitted = fitted_words(setup)
    rest = "Rest the starter two minutes"
    if not altered(setup):
        crank = "Crank eight seconds. " + rest + ", and crank again: nothing is believed on one crank."
        return ("Nothing that is fitted disturbs a comparison. " + crank,)
    costs, left, largest, worst = [], False, "", 0.0
    for probe, feature in _verdict_pulses(setup):
        disturbed = disturbed_by(setup, probe, feature, prediction)
        whole = len(disturbed) == len(setup.sees(probe))
        left = left or not whole
        if disturbed:
            sure = surely_beside(setup, probe, feature, prediction)
            most = sorted({c for b in sure for c in (b.cylinder, b.companion)})
            stress = f" ({listed(map(str, most))} most)" if most and len(most) < len(disturbed) else ""
            costs.append(
                f"{probe.name} {feature} of {'all' if whole else listed(map(str, disturbed))}{stress}"
            )
        for cylinder, effect in _effects(setup, probe, feature, disturbed, prediction).items():
            if abs(effect.deviation) > worst:
                worst = abs(effect.deviation)
                largest = (
                    f" Most of all {probe.name} {feature} of cylinder {cylinder}: {effect_words(effect)} by engine physics (95 % "
                    "range)."
                )
    if not costs:
        return (f"No comparison here is touched by {fitted}.",)
    others = " The others compare as usual." if left else " No two cylinders are left to compare."
    plugs = "the plug" if len(altered(setup)) == 1 else "the plugs"
    return (
        f"With {fitted} these may read otherwise though the engine is sound: {'; '.join(costs)}.{largest}{others}",
        f"Crank twice: first with {plugs} in and nothing else, then as it is. {rest} in between, and let `evenstroke "
        "compare` say what it made.",
    )


def _verdict_pulses(setup: Setup) -> list[tuple[Probe, str]]:
    """Probe and feature of each comparison that gets verdicts."""
    return [
        (probe, feature.name)
        for probe in setup.probe
        if probe.role in ROLE_PULSES and len(setup.sees(probe)) >= 2
        for feature in ROLE_PULSES[probe.role].features
        if feature.verdict
    ]


def place_lines(setup: Setup, prediction: Prediction | None) -> tuple[str, ...]:
    """Where a transducer would sit best."""
    pairs = companions(setup.engine)
    weak = altered(setup)
    if setup.engine.cylinders < 2:
        return ()
    lines = [
        "In the suspect itself, for its own pressure: peak, leakage, valve timing by angle stand by themselves and "
        "need no other cylinder to compare with."
    ]
    sure = [b for p, f in _verdict_pulses(setup) for b in surely_beside(setup, p, f, prediction)]
    if pairs:
        sides = [
            word
            for word, before in (("before", True), ("after", False))
            if any(b.before == before for b in sure)
        ]
        also = (
            f", and in this engine as surely that of the cylinder that inhales just {' or '.join(sides)} the companion"
            if sure
            else ""
        )
        suspected = (
            "whose companion nobody suspects" if not sure else "where nobody suspects the pulses it alters"
        )
        lines.append(
            f"Or, to keep the balance clean, in a cylinder {suspected}: it is the companion's pulse that a hose alters{also}. "
            f"Pairs: {listed(f'{a} with {b}' for a, b in pairs)}."
        )
    else:
        lines.append(
            "No cylinder of this engine leaves the balance clean: no two pistons move together, and what is fitted in "
            "one shows in all. Keep the transducer for a crank of its own."
        )
    both = [(w, c) for w in weak if (c := companion(setup.engine, w)) is not None and c in weak and w < c]
    for w, c in both:
        lines.append(
            f"As it is, what is fitted in {w} alters the pulse of {c}, and what is fitted in {c} that of {w}: neither "
            "can be compared. Leave one of the two out."
        )
    if pairs and weak and not both:
        pulses = [(p, f) for p, f in _verdict_pulses(setup) if f != "compression"] or _verdict_pulses(setup)
        costs = sorted({c for p, f in pulses for c in disturbed_by(setup, p, f, prediction)} - set(weak))
        if costs:
            one = len(costs) == 1
            most = sorted({c for b in sure for c in (b.cylinder, b.companion)})
            stress = f", most of all of {listed(map(str, most))}" if most and len(most) < len(costs) else ""
            lines.append(
                f"As it is, {fitted_words(setup)} costs the balance of {listed(map(str, costs))}{stress}: right if "
                f"{listed(map(str, weak))} is the suspect, wrong if {costs[0] if one else 'one of those'} is."
            )
    lines.append(
        "The shorter and narrower the hose, the less it alters; a transducer flush in the plug hole alters least."
    )
    return tuple(lines)


def instead_lines(setup: Setup) -> tuple[str, ...]:
    """What to record instead of everything at once."""
    weak = altered(setup)
    if not weak:
        return ()
    plugs = "the plug" if len(weak) == 1 else "the plugs"
    return (
        f"Two cranks. First with nothing in the plug holes: {plugs} of {listed(map(str, weak))} in, eight seconds. Rest two "
        "minutes. Then as it is now, eight seconds, everything else the same. `evenstroke compare` says what "
        f"{fitted_words(setup)} made.",
    )


def good_lines(setup: Setup, prediction: Prediction | None) -> tuple[str, ...]:
    """What can be relied on with it in."""
    lines = []
    for probe in setup.probe:
        if probe.role == "cylinder_pressure" and probe.cylinder is not None:
            lines.append(
                f"{probe.name}: behind its check valve only cylinder {probe.cylinder}'s highest pressure, once it has pumped up; "
                "no valve timing."
                if probe.check_valve
                else f"{probe.name}: cylinder {probe.cylinder}'s own pulse against its own pressure, and its valve timing by "
                "crank angle. Its peak is lower than with the plug in: the hose is part of its clearance."
            )
    clean = any(
        len(setup.sees(probe)) - len(disturbed_by(setup, probe, feature, prediction)) >= 2
        for probe, feature in _verdict_pulses(setup)
    )
    if altered(setup) and clean:
        lines.append("Cylinders called clean above compare with each other as if nothing were fitted.")
    return tuple(lines)


def blind_lines(setup: Setup) -> tuple[str, ...]:
    """What this test cannot see."""
    lines = []
    roles = {p.role for p in setup.probe}
    conditions = setup.conditions
    breathing = bool(roles & {*PULSE_ROLES, "manifold_pressure"})
    if conditions.mode == "cranking":
        few = setup.engine.cylinders <= _FEW_CYLINDERS
        lines.append(
            "Cranking is slow: an intake runner or an exhaust port at half its area, or a cam lobe worn to half its lift with "
            "its timing intact, hardly shows"
            + ("; with so few cylinders not even a runner at a tenth of its area" if few else "")
            + ". Neither do injectors, sparks or anything that needs combustion."
        )
        lines.append(
            "What all cylinders share makes none odd: a choked exhaust pipe, air that leaks in behind the throttle, a "
            "camshaft that is late as a whole (the angles of valve events, where they are stated, show that)."
        )
    if conditions.mode == "cranking" and breathing:
        lines.append(
            "The odd pulse does not name the bad cylinder: a leak makes another one's pulse odd, by way of the crank's speed."
        )
    if not breathing:
        lines.append(
            "Only the load of each compression is recorded: what hinders a cylinder's breathing without costing it "
            "compression (a choked intake runner or exhaust port, a worn lobe) does not show. An intake pulse probe "
            "would show a choked runner, an exhaust pulse probe a choked port."
        )
    elif "exhaust_pulse" not in roles:
        lines.append(
            "No exhaust pulse is recorded: the dip after each exhaust valve opens, which points at rings and leaks in "
            "the cylinder itself, is not seen, nor is a choked exhaust port."
        )
    if not roles & {"starter_current", "crank_teeth", "battery_voltage"}:
        lines.append(
            "Nothing shows the load of each compression: a clamp on the starter's cable would, with nothing opened."
        )
    for probe in setup.probe:
        heard = setup.sees(probe)
        if probe.role in PULSE_ROLES and len(heard) < setup.engine.cylinders:
            deaf = sorted(set(setup.engine.firing_order) - set(heard))
            lines.append(
                f"{probe.name} hears nothing of {listed(map(str, deaf))}: those cannot be compared with it."
            )
    return tuple(lines)


def care_lines(setup: Setup) -> tuple[str, ...]:
    """What else about the set-up changes what is read."""
    lines = []
    for probe in setup.probe:
        if probe.role in ("coil_current_sync", "injector_sync"):
            lines.append(
                f"{probe.name}: clamp round the wire. A tap into the circuit loads it, and may alter the very spark or injection "
                "that it reports; while idling that is cylinder "
                f"{probe.cylinder}'s oddity, made by the probe. Move it to another cylinder and see whether the oddity moves."
            )
    if setup.conditions.battery_support is not None or "starter_current" in {p.role for p in setup.probe}:
        lines.append(
            "Battery support on or off changes speed, current and every pulse: have it the same in all cranks that are "
            "to be compared."
        )
    if setup.conditions.fuel == "clear_flood":
        lines.append(
            "Clear-flood holds the throttle open: do not compare it with a crank with the throttle closed."
        )
    if any(f.check_valve for f in setup.fitted) or any(p.check_valve for p in setup.probe):
        lines.append(
            "Behind a check valve a hose pumps up within some cycles and is then little added volume; until then it is. "
            "Leave the first cycles out of what you read from it."
        )
    return tuple(lines)
