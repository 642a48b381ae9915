"""The form for a set-up: its fields step by step, what is typed into them, and what the set-up allows. No Qt here."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from evenstroke_dsp.cautions import ALL_CAUTIONS, STEP_TITLES, Caution, Danger, Step, cautions_for, dangers
from evenstroke_dsp.setup import ROLE_WORDS, ROLES_OF_KEY, Role, Setup, SetupError
from evenstroke_dsp.wording import NOT_WORKED_OUT

from .drawing import Item, Picture, Shape, Text, rectangle
from .firing_orders import Offer, offers_for
from .knowing_more import more, names_cylinders
from .look import Look
from .setup_document import Path, SetupDocument, Value

if TYPE_CHECKING:
    from evenstroke_dsp.prediction import Prediction
    from evenstroke_dsp.setup_check import Section

# What checks a set-up loads SciPy, which takes seconds: it is imported where a set-up is checked, so that a window whose
# form nobody looks at opens at once.

Kind = Literal["whole", "number", "text", "choice", "yes or no", "cylinders", "numbers", "wheel"]

NEW_TEXT = """\
# A set-up of evenstroke: which engine, and what is fitted where.
schema = 1

[engine]

# The least invasive test comes first: nothing is opened for a clamp around the starter's cable.
[[probe]]
name = "starter"
role = "starter_current"
"""
"""What a new file begins with: all but the two things that nobody else knows."""


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a table. label: for people, with its unit. worth: what knowing it is good for, and where it is from.

    choices: the words that it may hold. needed: the set-up is none without it.
    """

    key: str
    label: str
    kind: Kind
    worth: str = ""
    choices: tuple[str, ...] = ()
    needed: bool = False


_FIRST = (
    Field("cylinders", "Cylinders", "whole", "How many the engine has.", needed=True),
    Field(
        "firing_order",
        "Firing order",
        "cylinders",
        "The maker's numbers; often cast on the engine.",
        needed=True,
    ),
)
_ENGINE = (
    Field("firing_intervals_deg", "Firing intervals, crank degrees", "numbers",
          "From each cylinder in the order to the next. Only for engines that fire unevenly."),
    Field("family", "Engine family", "text", "Known-good recordings are kept under this name, and say what is normal."),
    Field("displacement_cc", "Displacement, cc", "number", "Sizes what a hose alters. From the maker's data."),
    Field("compression_ratio", "Compression ratio", "number", "Sizes what a hose alters. From the maker's data."),
    Field("bore_mm", "Bore, mm", "number", "From the maker's data."),
    Field("stroke_mm", "Stroke, mm", "number", "From the maker's data."),
    Field("rod_mm", "Connecting rod, mm", "number", "Between its two eyes: the piston's place at each angle."),
)  # fmt: skip
_VALVES = (
    Field(
        "exhaust_opens",
        "Exhaust opens, crank degrees",
        "number",
        "Zero lift, after the cylinder's own firing TDC.",
    ),
    Field("exhaust_closes", "Exhaust closes, crank degrees", "number"),
    Field("intake_opens", "Intake opens, crank degrees", "number"),
    Field("intake_closes", "Intake closes, crank degrees", "number"),
)
_CONDITIONS = (
    Field("mode", "The test", "choice", "What the engine does while it is recorded.", ("cranking", "idle")),
    Field(
        "fuel",
        "Fuel",
        "choice",
        "Off at its pump or its injectors is the safest.",
        ("disabled", "clear_flood", "on"),
    ),
    Field("ignition", "Ignition", "choice", "", ("disabled", "on")),
    Field(
        "start_prevented_by", "What keeps it from starting", "text", "In your words: the relay that is out."
    ),
    Field("throttle", "Throttle", "choice", "Pulses with it open are far smaller.", ("closed", "open")),
    Field(
        "engine_temperature_c", "Engine's temperature, °C", "number", "Two cranks compare at the same warmth."
    ),
    Field(
        "battery_support", "Battery supported", "yes or no", "A charger or a second battery that helps it."
    ),
)
_BOARD = (
    Field("rate_hz", "Samples a second, Hz", "whole", "Of each input of a board. Left out for a CSV file."),
    Field("baud", "Speed of the line, baud", "whole", "1000000 if left out."),
)
_PROBE = (
    Field("name", "Name", "text", "As you call it: every message uses it.", needed=True),
    Field("role", "What it measures", "choice", "", get_args(Role), needed=True),
    Field("input", "Input of the board", "whole", "Counted from 0. Left out for a CSV file."),
    Field("column", "Column of the CSV file", "text", "Its name, if left out."),
    Field("cylinder", "Of cylinder", "whole", "The maker's number."),
    Field("place", "Where it sits", "text", "Two recordings compare if it sat at the same place."),
    Field("sees", "Cylinders that it hears", "cylinders", "All, if left out; a bank's pipe hears fewer."),
    Field("every", "Once in each", "choice", "cycle: 720 degrees. revolution: 360, as a wasted spark does.",
          ("cycle", "revolution")),
    Field("offset_deg", "After its cylinder's firing TDC, crank degrees", "number", "Negative: before it."),
    Field("teeth", "Teeth", "wheel", "60-2 is 60 places with two teeth missing; or the edges' angles, from 0."),
    Field("edge", "Edge used", "choice", "auto: the one that fits the teeth best.", ("auto", "rising", "falling")),
    Field("first_tooth_deg", "First tooth after cylinder 1's TDC, crank degrees", "number",
          "Without it crank angles are relative."),
    Field("added_volume_cc", "Volume of hose and adaptor, cc", "number",
          "Sizes what it does to other pulses: bore area times length."),
    Field("check_valve", "Check valve in the hose", "yes or no", "Then it pumps up, and shows no whole cycle."),
    Field("positive_is", "A rising voltage means", "choice", "", ("pressure", "vacuum")),
    Field("low_corner_hz", "The probe's own low corner, Hz", "number",
          "1 / (2 pi R C) of the disc and its bias resistor; unknown, it widens every interval."),
    Field("lowpass_hz", "Low-pass, Hz", "number", "50 for pulses if left out."),
    Field("travel_m", "Gas path from valve to probe, m", "number", "A tape measure; it delays every pulse."),
    Field("volts_per_unit", "Volts for one kPa, A or V", "number", "Without it values are in volts; per cent stay."),
    Field("volts_at_zero", "Volts at zero", "number", "0 if left out."),
    Field("sampling", "Rows of the CSV file", "choice", "edges: each row is a level change.", ("steady", "edges")),
)  # fmt: skip
_FITTED = (
    Field("what", "What is fitted and not recorded", "text", "Such as: compression hose.", needed=True),
    Field("cylinder", "In cylinder", "whole", "The maker's number.", needed=True),
    Field("added_volume_cc", "Volume that it adds, cc", "number", "Bore area times length."),
    Field("plug_removed", "Plug hole open", "yes or no"),
    Field("check_valve", "Check valve in it", "yes or no"),
)
_ABOUT = (Field("title", "Title", "text", "What the recording is called."),)
_JOB = (Field("complaint", "Complaint", "text", "Left out of what is shared unless asked for."),)


@dataclass(frozen=True, slots=True)
class Group:
    """Fields of one table of the file. fields: those that mean something there."""

    title: str
    path: Path
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class FormStep:
    """A step of the job with what is to be known of it, and what to beware of there."""

    step: Step
    title: str
    cautions: tuple[Caution, ...]
    groups: tuple[Group, ...]


def steps(document: SetupDocument, setup: Setup | None) -> tuple[FormStep, ...]:
    """The form. setup: as it was when it was last without error, for the cautions that concern it; None: all of them.

    Until the engine has cylinders and an order, only those two are asked for.
    """
    cautions = cautions_for(setup) if setup is not None else ALL_CAUTIONS
    begun = engine_known(document)
    groups: dict[Step, tuple[Group, ...]] = {"plan": (Group("The engine", ("engine",), _FIRST),)}
    if begun:
        groups["plan"] += (
            Group("More about the engine", ("engine",), _ENGINE),
            Group("When its valves are at zero lift", ("engine", "valve_events_deg"), _VALVES),
            Group("The job", (), _ABOUT),
            Group("", ("job",), _JOB),
        )
        groups["make_safe"] = (Group("How it is turned", ("conditions",), _CONDITIONS),)
        groups["connect"] = (
            *(_probe_group(document, k) for k in range(document.count("probe"))),
            *(Group(f"Fitted {k + 1}", ("fitted", k), _FITTED) for k in range(document.count("fitted"))),
            Group("The board", ("acquisition",), _BOARD),
        )
    return tuple(
        FormStep(step, title, tuple(c for c in cautions if c.step == step), groups.get(step, ()))
        for step, title in STEP_TITLES.items()
        if begun or step == "plan"
    )


def _probe_group(document: SetupDocument, place: int) -> Group:
    role = document.value(("probe", place, "role"))
    fields = tuple(
        field
        for field in _PROBE
        if field.key not in ROLES_OF_KEY
        or role in ROLES_OF_KEY[field.key]
        or document.value(("probe", place, field.key)) is not None
    )
    return Group(f"Probe {place + 1}", ("probe", place), fields)


def engine_known(document: SetupDocument) -> bool:
    """Whether the two things are there with which everything begins."""
    return all(document.value(("engine", field.key)) is not None for field in _FIRST)


def shown(field: Field, value: object) -> str:
    """A value as it stands in its field; "" where there is none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ("-" if field.kind == "cylinders" else ", ").join(map(str, value))
    return str(value)


def choice_words(field: Field, choice: str) -> str:
    """A word of the file as people say it."""
    return ROLE_WORDS.get(choice, choice) if field.key == "role" else choice.replace("_", " ")


class UnreadableError(ValueError):
    """What was typed is nothing that the field can hold; the text says what it can."""


def typed(field: Field, words: str) -> Value | None:
    """What was typed, as the file's value; None where nothing was. Raises UnreadableError."""
    words = words.strip()
    if not words:
        return None
    match field.kind:
        case "whole":
            if not re.fullmatch(r"-?[0-9]{1,9}", words):
                raise UnreadableError("a whole number, such as 4")
            return int(words)
        case "number":
            return _number(words)
        case "cylinders":
            parts = re.split(r"\s*[-,;\s]\s*", words)
            if not all(re.fullmatch(r"[0-9]{1,3}", part) for part in parts):
                raise UnreadableError("cylinder numbers with - between them, such as 1-3-4-2")
            return [int(part) for part in parts]
        case "numbers":
            return [_number(part) for part in re.split(r"\s*[,;\s]\s*", words)]
        case "wheel":
            if "-" in words:
                return words
            return [_number(part) for part in re.split(r"\s*[,;\s]\s*", words)]
        case "yes or no":
            return words == "yes"
    return words


def _number(words: str) -> int | float:
    if re.fullmatch(r"[-+]?[0-9]{1,15}", words):
        return int(words)
    if not re.fullmatch(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)", words):
        raise UnreadableError("a number with a decimal point, such as 9.4")
    return float(words)


def choose(document: SetupDocument, offer: Offer) -> None:
    """Write an offered order into the file, with its intervals, or without those of another one."""
    document.put(("engine", "firing_order"), list(offer.order))
    document.put(("engine", "firing_intervals_deg"), offer.intervals_deg and list(offer.intervals_deg))


def chosen_offer(document: SetupDocument) -> Offer | None:
    """The offered order that the file has; None where it has another one."""
    order = document.value(("engine", "firing_order"))
    intervals = document.value(("engine", "firing_intervals_deg"))
    for offer in offers_for(document.value(("engine", "cylinders"))):
        even = [720 / len(offer.order)] * len(offer.order)
        if order == list(offer.order) and (intervals or even) == list(offer.intervals_deg or even):
            return offer
    return None


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the set-up stands. sentence: in short. now: the one thing to do. alarm: it is dangerous as it stands.

    setup: None where the file is none yet; wrong: the field that is to blame. sections: all that can be said.
    answers: acknowledgements that this set-up asks for, each with the danger that it is of.
    """

    sentence: str
    now: str
    alarm: bool
    setup: Setup | None
    wrong: Path | None
    sections: tuple[Section, ...]
    answers: tuple[tuple[str, str], ...] = ()


def standing(
    document: SetupDocument,
    prediction: Prediction | None = None,
    unread: Mapping[Path, str] | None = None,
    *,
    saved: bool = True,
    recorded: bool = False,
    listens: bool = True,
) -> Standing:
    """Check what is written so far, by the parser and the check that `evenstroke setup check` uses.

    prediction: what the physics say of it, None: not asked. unread: fields that hold nothing that could be written, and
    what they should hold. saved: whether the file on disk says the same. recorded: it is a recording's, and in no file of
    its own. listens: whether a daemon may be listening that can be asked to use it.
    """
    if unread:
        path, expected = next(iter(unread.items()))
        return Standing(
            f"Not a set-up yet: what is typed for {path[-1]} cannot be read.",
            f"Type {expected}.",
            False,
            None,
            path,
            (),
        )
    cylinders = document.value(("engine", "cylinders"))
    if cylinders is None:
        return _unfinished(
            "A set-up begins with two things: cylinders, and firing order.",
            "Press E, and type how many cylinders.",
        )
    if document.value(("engine", "firing_order")) is None:
        orders = _section("Orders that such engines have", _offer_lines(cylinders))
        return _unfinished(
            "A set-up begins with two things: cylinders, and firing order.",
            "Choose the order in which they fire, or type it.",
            (orders,) if offers_for(cylinders) else (),
        )
    try:
        setup = document.parsed()
    except SetupError as error:
        lines = [error.problem[:1].upper() + error.problem[1:] + ".", f"Where: {error.where}."]
        lines += [f"Expected: {error.expected}."] if error.expected else []
        lines += [f"Found: {error.found}."] if error.found else []
        wrong = (_section("What is wrong", tuple(lines)),)
        return Standing(
            f"Not a set-up yet: {error.problem}.",
            _sentence(error.todo),
            False,
            None,
            _path_of(error),
            wrong,
        )
    found = dangers(setup)
    answers = tuple((d.acknowledgement, d.text) for d in found if d.acknowledgement is not None)
    sections = _sections(setup, prediction)
    blocking = [danger for danger in found if danger.blocks]
    if blocking:
        return Standing(
            "Dangerous as it stands: evenstroke will not listen. " + blocking[0].text,
            _provide(blocking[0]), True, setup, None, sections, answers,
        )  # fmt: skip
    unsaid = [danger for danger in found if danger.acknowledgement is None]
    now = (
        _sentence(unsaid[0].todo) if unsaid else _next(setup, saved=saved, recorded=recorded, listens=listens)
    )
    return Standing(_allows(setup, prediction), now, False, setup, None, sections, answers)


def _section(title: str, lines: tuple[str, ...]) -> Section:
    from evenstroke_dsp.setup_check import Section

    return Section(title, lines)


def _unfinished(sentence: str, now: str, sections: tuple[Section, ...] = ()) -> Standing:
    return Standing(sentence, now, False, None, None, sections)


def _provide(danger: Danger) -> str:
    """What to do about a danger; the form has a box to tick where the file has a word to write."""
    if danger.acknowledgement is None:
        return _sentence(danger.todo)
    first = danger.todo.partition("; once it is provided for")[0]
    return f"{_sentence(first)} Once it is provided for, tick that under {STEP_TITLES['make_safe']}."


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "." if words else ""


def offer_sources(offers: Sequence[Offer]) -> str:
    """Where the offered orders are from, and that the maker's data decide."""
    by_source: dict[str, list[str]] = {}
    for offer in offers:
        orders = by_source.setdefault(offer.source, [])
        order = "-".join(map(str, offer.order))
        if order not in orders:
            orders.append(order)
    return (
        " ".join(f"{', '.join(orders)}: {source}." for source, orders in by_source.items())
        + f" {_MAKER_DECIDES}"
    )


_MAKER_DECIDES = (
    "The maker's data decide: engines of one layout differ, and so do the numbers of their cylinders."
)


def _offer_lines(cylinders: object) -> tuple[str, ...]:
    lines = [f"{offer.words}. From: {offer.source}." for offer in offers_for(cylinders)]
    lines.append(_MAKER_DECIDES)
    return tuple(lines)


def _allows(setup: Setup, prediction: Prediction | None) -> str:
    from evenstroke_dsp.setup_effects import setup_notes

    notes = setup_notes(setup, prediction)
    if not notes:
        return "This set-up compares nothing between cylinders."
    disturbed = [note for note in notes if note.disturbed]
    count = f"{len(notes)} comparison{'s' if len(notes) > 1 else ''} of {setup.engine.cylinders} cylinders"
    if not disturbed:
        return f"This set-up allows {count}, {'all clean' if len(notes) > 1 else 'clean'}."
    whom = sorted({c for note in disturbed for c in note.disturbed})
    of = f"cylinder{'s' if len(whom) > 1 else ''} {', '.join(map(str, whom))}"
    return f"This set-up allows {count}; what is fitted disturbs {len(disturbed)} of them, in {of}."


def _next(setup: Setup, *, saved: bool, recorded: bool, listens: bool) -> str:
    from evenstroke_dsp.setup_effects import setup_notes

    lacking = more(setup)
    if not setup_notes(setup, None) and setup.engine.cylinders > 1 and lacking:
        return f"Add {lacking[0].what}: {lacking[0].costs}."
    if not names_cylinders(setup):
        named = next(
            (m for m in lacking if m.probe is not None and ("role", "ignition_sync") in m.probe), None
        )
        if named is not None:
            return f"Add {named.what}: else no pulse gets its cylinder's number."
    if recorded:
        return "This is how it was recorded. For another crank with it, write it to a file: Ctrl+Shift+S."
    if not saved:
        return "Write it to a file: Ctrl+Shift+S."
    if setup.acquisition is None or any(probe.input is None for probe in setup.probe):
        return "For a CSV file it is ready. For a board, give each probe its input, and the board its samples a second."
    if not listens:
        return "Ready: begin evenstroke listen with this file for the next crank."
    return "Ready: Ctrl+Return listens with it where evenstroke listen runs."


_HOW_MUCH = "How large that is: press How much? (Ctrl+P)."


def _sections(setup: Setup, prediction: Prediction | None) -> tuple[Section, ...]:
    from evenstroke_dsp.setup_check import check_setup

    by_title = {
        section.title: _section(
            section.title, tuple(line.replace(NOT_WORKED_OUT, _HOW_MUCH) for line in section.lines)
        )
        for section in check_setup(setup, prediction)
    }
    # Cautions stand at their steps in the form.
    by_title.pop("Cautions", None)
    lead = [by_title.pop(title) for title in ("Dangers", "What can be compared") if title in by_title]
    lines = tuple(
        f"{m.what[:1].upper()}{m.what[1:]}. It tells: {m.tells}. It costs: {m.costs}." for m in more(setup)
    )
    know = [_section("What it costs to know more, the least first", lines)] if lines else []
    return (*lead, *know, *by_title.values())


def _path_of(error: SetupError) -> Path | None:
    """The key that an error is about, from where it says it is."""
    for part in error.where.split(", ")[1:]:
        name = re.sub(r" \(.*", "", part)
        if re.fullmatch(r"\w+(\[[0-9]+\])?(\.\w+(\[[0-9]+\])?)*", name) and not name.startswith("line "):
            return tuple(int(n) if n else key for key, n in re.findall(r"(\w+)(?![\w\]])|\[([0-9]+)\]", name))
    return None


def standing_picture(stands: Standing, width: float, height: float, look: Look) -> Picture:
    """The sentence and the one instruction, to be read from afar: logical pixels."""
    theme = look.theme
    edge = 0.012 * width
    items: list[Item] = [
        Text(edge, 0.04 * height, width - 2 * edge, 0.50 * height, stands.sentence, 0.26 * height, theme.ink, bold=True,
             upright="middle")
    ]  # fmt: skip
    top, high = 0.56 * height, 0.42 * height
    items.append(
        Shape(rectangle(edge, top, width - 2 * edge, high), theme.alarm if stands.alarm else theme.panel)
    )
    items.append(
        Text(2 * edge, top, width - 4 * edge, high, stands.now, 0.22 * height,
             theme.on_alarm if stands.alarm else theme.ink, bold=stands.alarm, upright="middle")
    )  # fmt: skip
    return Picture(width, height, theme.ground, tuple(items), f"{stands.sentence} {stands.now}")
