"""What a set-up allows, said before anyone cranks: names, comparisons, disturbances, cautions.

Names and rules follow from the set-up alone; how large a disturbance is comes from the engine physics, where their
prediction is given.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from .cautions import STEP_TITLES, cautions_for, dangers, plugs_out
from .cycles import UNKNOWN_OFFSET_DEG
from .disturbance import altered
from .engine import companions, firing_angles, firing_intervals, order_of_strokes
from .features import ROLE_PULSES
from .messages import SetupNote, SyncBasis
from .prediction import Prediction
from .setup import PULSE_ROLES, ROLE_WORDS, SYNC_ROLES, Engine, Probe, Setup
from .setup_effects import (
    UNEVENLY_HEARD,
    blind_lines,
    care_lines,
    good_lines,
    in_short,
    instead_lines,
    place_lines,
    setup_notes,
)
from .wording import listed


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what is to be said under it, a paragraph to a line."""

    title: str
    lines: tuple[str, ...]


def expected_sync(setup: Setup) -> SyncBasis:
    """What cylinders will be told apart by, if every sync and wheel of the set-up works."""
    wheel = any(probe.role == "crank_teeth" for probe in setup.probe)
    every = {probe.every for probe in setup.probe if probe.is_sync}
    if "cycle" in every:
        return "wheel+cycle" if wheel else "cycle"
    if "revolution" in every:
        return "wheel+revolution" if wheel else "revolution"
    return "wheel" if wheel else "none"


def check_setup(setup: Setup, prediction: Prediction | None = None) -> tuple[Section, ...]:
    """Everything that can be said about a set-up before the engine turns.

    prediction: what the engine physics say of it; None leaves the sizes of disturbances out.
    """
    sections = (
        Section("In short", _short_lines(setup, prediction)),
        Section("Dangers", _danger_lines(setup)),
        Section("Engine", _engine_lines(setup)),
        Section("Conditions", _condition_lines(setup)),
        Section("Probes", _probe_lines(setup)),
        Section("Naming cylinders", _sync_lines(setup)),
        Section("What can be compared", _comparison_lines(setup, prediction)),
        Section("Where to put a transducer", place_lines(setup, prediction)),
        Section("What to record instead", instead_lines(setup)),
        Section("What stays good", good_lines(setup, prediction)),
        Section("What this test cannot see", blind_lines(setup)),
        Section("What else alters it", care_lines(setup)),
        Section("Cautions", _caution_lines(setup)),
    )
    return tuple(section for section in sections if section.lines)


def check_text(setup: Setup, prediction: Prediction | None = None, width: int = 100) -> str:
    """`check_setup` as plain text of that many columns, ending with a line end."""
    blocks = [setup.title] if setup.title else []
    for section in check_setup(setup, prediction):
        lines = (
            textwrap.fill(
                line, width, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
            )
            for line in section.lines
        )
        blocks.append("\n".join((section.title, *lines)))
    return "\n\n".join(blocks) + "\n"


# --- the sections ------------------------------------------------------------------------------


def _short_lines(setup: Setup, prediction: Prediction | None) -> tuple[str, ...]:
    """What whoever is about to crank has to know, before all else that can be said."""
    lines = [f"Do not crank it as it is: {danger.todo}." for danger in dangers(setup) if danger.blocks]
    declined = _declined(setup)
    if declined is not None:
        return (*lines, declined)
    if setup.conditions.mode == "cranking" and setup_notes(setup, prediction):
        lines += in_short(setup, prediction)
    if expected_sync(setup) in ("none", "wheel"):
        lines.append(
            "No cylinder can be named as it is: a sync on one cylinder, once a cycle, would name them all."
        )
    return tuple(lines)


def _danger_lines(setup: Setup) -> tuple[str, ...]:
    return tuple(
        f"{danger.text} {'`listen` will refuse' if danger.blocks else 'Take care'}: {danger.todo}."
        if danger.blocks or danger.acknowledgement is None
        else danger.text
        for danger in dangers(setup)
    )


def _engine_lines(setup: Setup) -> tuple[str, ...]:
    engine = setup.engine
    order = "-".join(map(str, engine.firing_order))
    intervals = firing_intervals(engine)
    if max(intervals) - min(intervals) < 0.01:
        rhythm = f"evenly, every {intervals[0]:g} crank degrees"
    else:
        at = ", ".join(f"{c} at {angle:g}" for c, angle in firing_angles(engine).items())
        rhythm = f"unevenly: {at} crank degrees"
    plural = "cylinder fires" if engine.cylinders == 1 else f"cylinders fire in the order {order}"
    lines = [f"{engine.cylinders} {plural}, {rhythm}."]
    pairs = companions(engine)
    if pairs:
        lines.append(
            f"Companions, whose pistons move together: {listed(f'{a} with {b}' for a, b in pairs)}. "
            "What is fitted in one of them shows in the other."
        )
    else:
        lines.append("No two pistons move together: what is fitted in one cylinder may show in all of them.")
    if engine.cylinders > 1:
        first = engine.firing_order[0]
        lines.append(
            f"After the firing TDC of {first}, intake strokes come in the order "
            f"{'-'.join(map(str, order_of_strokes(engine, 360)))}, exhaust strokes in the order "
            f"{'-'.join(map(str, order_of_strokes(engine, 180)))}."
        )
    swept = _swept_cc(engine)
    if (
        swept is not None
        and engine.displacement_cc is not None
        and abs(swept / engine.displacement_cc - 1) > 0.03
    ):
        lines.append(
            f"displacement_cc = {engine.displacement_cc:g}, but bore and stroke make {swept:.0f} cc: one "
            "of them is wrong."
        )
    missing = [
        key
        for key in ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "rod_mm")
        if getattr(engine, key) is None
    ]
    events = engine.valve_events_deg
    missing += [
        f"valve_events_deg.{key}"
        for key in ("exhaust_opens", "exhaust_closes", "intake_opens", "intake_closes")
        if getattr(events, key) is None
    ]
    if missing:
        lines.append(
            f"Not given: {', '.join(missing)}. What depends on them is stated more widely, or not at all."
        )
    return tuple(lines)


def _condition_lines(setup: Setup) -> tuple[str, ...]:
    conditions = setup.conditions
    lines = [f"The test: {'cranking' if conditions.mode == 'cranking' else 'idling'}."]
    if conditions.mode == "idle" and conditions.fuel in ("disabled", "clear_flood"):
        lines.append(f'An engine does not idle with fuel = "{conditions.fuel}": mend mode or fuel.')
    if conditions.mode == "cranking":
        if (
            conditions.start_prevented_by is None
            and conditions.fuel != "disabled"
            and conditions.ignition != "disabled"
        ):
            lines.append("Nothing says what keeps the engine from starting: expect that it may.")
        if conditions.throttle == "open" or conditions.fuel == "clear_flood":
            lines.append(
                "The throttle is open: intake pulses are far smaller than with it closed, and noise "
                "matters more."
            )
        elif conditions.throttle is None:
            lines.append(
                "throttle is not given: pulses with it open cannot be compared with pulses with it closed."
            )
    if conditions.battery_support:
        lines.append("The battery is supported: its voltage says little about the cylinders.")
    if conditions.engine_temperature_c is None:
        lines.append(
            "engine_temperature_c is not given: compare this crank only with one at the same warmth."
        )
    return tuple(lines)


def _probe_lines(setup: Setup) -> tuple[str, ...]:
    lines = []
    for probe in setup.probe:
        place = f" ({probe.place})" if probe.place else ""
        words = [f"{probe.name}: {ROLE_WORDS[probe.role]}{place}"]
        if probe.cylinder is not None:
            words.append(f"of cylinder {probe.cylinder}")
        words.append(
            f"on input {probe.input}" if probe.input is not None else f"from the column {probe.key!r}"
        )
        if probe.role in PULSE_ROLES or probe.role == "manifold_pressure":
            seen = setup.sees(probe)
            heard = (
                "every cylinder"
                if len(seen) == setup.engine.cylinders
                else f"cylinders {listed(map(str, seen))}"
            )
            words.append(f"hearing {heard}")
        lines.append(" ".join([", ".join(words) + ".", *_costs(setup, probe)]))
    for fitted in setup.fitted:
        volume = f", adding {fitted.added_volume_cc:g} cc" if fitted.added_volume_cc is not None else ""
        plug = ", its plug out" if fitted.plug_removed else ""
        lines.append(f"Fitted and not recorded: {fitted.what} in cylinder {fitted.cylinder}{volume}{plug}.")
    return tuple(lines)


def _costs(setup: Setup, probe: Probe) -> list[str]:
    """What the keys that were left out cost."""
    costs = []
    waveform = probe.role not in SYNC_ROLES and probe.role not in ("crank_teeth", "other")
    if waveform and probe.volts_per_unit is None:
        costs.append("Without volts_per_unit it is reported in volts; per cent are unaffected.")
    if probe.role in PULSE_ROLES and probe.low_corner_hz is None:
        costs.append(
            "Without low_corner_hz the probe's own low corner is not undone: it may distort the "
            "once-per-cycle rhythm, and every interval is widened by what a likely corner would change."
        )
    if probe.role not in PULSE_ROLES and probe.low_corner_hz:
        costs.append("Its low_corner_hz is noted, but what that corner distorts is not undone for this role.")
    if probe.role == "exhaust_pulse" and probe.travel_m is None:
        costs.append(
            "Without travel_m the pulses' delay on their way is unknown, and so is which crank angle they "
            "left at."
        )
    if probe.is_sync and probe.offset_deg is None:
        if probe.role in UNKNOWN_OFFSET_DEG:
            middle, reach = UNKNOWN_OFFSET_DEG[probe.role]
            costs.append(
                f"Without offset_deg it is taken to come {-middle - reach:g} to {-middle + reach:g} degrees "
                f"before TDC of {probe.cylinder}."
            )
        else:
            costs.append(
                "Without offset_deg its place in the cycle is unknown: it tells cycles apart, but by "
                "itself names no cylinder."
            )
    if probe.role == "crank_teeth":
        if probe.first_tooth_deg is None:
            costs.append("Without first_tooth_deg crank angles are relative.")
        if probe.edge == "auto":
            costs.append("The voltage edge that fits the teeth best will be used, and said.")
    if probe.role == "cylinder_pressure":
        if probe.added_volume_cc is None:
            costs.append(
                "Without added_volume_cc its hose and adaptor are taken as some 8 cc (3 to 21 cc), so that what they do to "
                "other pulses is stated widely: fill them from a syringe and write down how much goes in."
            )
        if probe.check_valve:
            costs.append(
                "Behind a check valve it pumps up: then it is no plain added volume, and shows no whole "
                "cycle."
            )
    return costs


def _sync_lines(setup: Setup) -> tuple[str, ...]:
    basis = expected_sync(setup)
    pairs = companions(setup.engine)
    either = (
        "each pulse to one of two companions"
        if pairs
        else "each pulse to one of two places, a revolution apart"
    )
    open_half = "which of the two stays open unless the pulses tell"
    words = {
        "cycle": "One event per cycle names every cylinder.",
        "wheel+cycle": "One event per cycle names every cylinder, and the teeth give the angle between.",
        "revolution": f"One event per revolution narrows {either}; {open_half}.",
        "wheel+revolution": f"Teeth and one event per revolution narrow {either}; {open_half}.",
        "wheel": "The teeth give crank speed and angle. "
        f"With first_tooth_deg they narrow {either}; without it pulses are numbered in order of coming.",
        "none": "Nothing names a cylinder: pulses are numbered in order of coming. A sync on one cylinder "
        "would name them; so does --first-position-is, if you know whose pulse comes first.",
    }
    lines = [words[basis]]
    every_cycle = [probe for probe in setup.probe if probe.is_sync and probe.every == "cycle"]
    if every_cycle and all(p.offset_deg is None and p.role not in UNKNOWN_OFFSET_DEG for p in every_cycle):
        lines = [
            "One event per cycle tells the cycles apart, but without its offset_deg it names no cylinder."
        ]
        placed = any(probe.first_tooth_deg is not None for probe in setup.probe)
        lines.append(
            f"The teeth narrow {either}; {open_half}."
            if placed
            else "Pulses are numbered in order of coming."
        )
    wheels = [probe.name for probe in setup.probe if probe.role == "crank_teeth"]
    if len(wheels) > 1:
        lines.append(f"Of the wheels only {wheels[0]} is used.")
    return tuple(lines)


def _comparison_lines(setup: Setup, prediction: Prediction | None) -> tuple[str, ...]:
    declined = _declined(setup)
    if declined is not None:
        return (declined,)
    lines = _note_lines(setup_notes(setup, prediction))
    for probe in setup.probe:
        features = ROLE_PULSES[probe.role].features if probe.role in ROLE_PULSES else ()
        verdicts = [f.name for f in features if f.verdict]
        if verdicts and len(setup.sees(probe)) < 2:
            lines.append(
                f"{probe.name}: only one cylinder is heard, so that there is nothing to compare it with."
            )
        elif features and not verdicts:
            lines.append(f"{probe.name}, {features[0].name}: with intervals, without a verdict.")
    if not lines:
        lines.append("No probe here makes a comparison between cylinders; starter current alone would.")
    if not altered(setup):
        lines.append("Nothing that is fitted disturbs these comparisons.")
    return tuple(lines)


def _note_lines(notes: Sequence[SetupNote]) -> list[str]:
    """What is said of each comparison; what is alike of several is said once."""
    heads: dict[str, list[SetupNote]] = {}
    unevenly: list[str] = []
    for note in notes:
        text = note.text.removeprefix(f"{note.probe}, {note.feature}: ")
        if text.endswith(UNEVENLY_HEARD):
            text = text.removesuffix(UNEVENLY_HEARD).rstrip()
            unevenly.append(note.probe)
        heads.setdefault(text, []).append(note)
    lines = []
    for text, alike in heads.items():
        of = (
            f"{probe}, {listed(note.feature for note in alike if note.probe == probe)}"
            for probe in dict.fromkeys(note.probe for note in alike)
        )
        lines.append(f"{'; '.join(of)}: {text}")
    if unevenly:
        lines.append(f"{listed(dict.fromkeys(unevenly))}: {UNEVENLY_HEARD}")
    return lines


def _declined(setup: Setup) -> str | None:
    """Why a judgement of this test would be refused, and what to do; None where nothing in the set-up says so."""
    removed = {fitted.cylinder for fitted in setup.fitted if fitted.plug_removed}
    if removed == set(setup.engine.firing_order):
        return "With every plug out there is no compression to compare: a judgement will be refused. Fit the plugs."
    if setup.conditions.mode == "idle" and setup.conditions.fuel in ("disabled", "clear_flood"):
        return (
            f'Nothing: an engine does not idle with fuel = "{setup.conditions.fuel}". Mend `mode` or `fuel` under '
            "[conditions], and check again."
        )
    if setup.conditions.mode == "idle" and plugs_out(setup):
        return "Nothing: an engine must not idle with a plug out. Fit it, or crank with the fuel off."
    if setup.engine.cylinders == 1:
        return "Nothing: cylinders are compared with each other, and this engine has one. What it does is recorded."
    return None


def _caution_lines(setup: Setup) -> tuple[str, ...]:
    return tuple(f"{STEP_TITLES[caution.step]}: {caution.text}" for caution in cautions_for(setup))


# --- helpers -----------------------------------------------------------------------------------


def _swept_cc(engine: Engine) -> float | None:
    if engine.bore_mm is None or engine.stroke_mm is None:
        return None
    return math.pi / 4 * engine.bore_mm**2 * engine.stroke_mm * engine.cylinders / 1000
