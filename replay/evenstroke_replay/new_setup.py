"""The text of a first set-up file: what was said, and beside it, as comments, what may be said later and what that is for."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from evenstroke_dsp.setup import (
    PULSE_ROLES,
    ROLE_WORDS,
    SYNC_ROLES,
    UNIT_OF_ROLE,
    Setup,
    SetupError,
    parse_setup,
)

from .whole_file import written_whole

DEFAULT_RATE_HZ, DEFAULT_BAUD = 10_000, 1_000_000
NAME_OF_ROLE = {
    "intake_pulse": "intake",
    "exhaust_pulse": "exhaust",
    "crankcase_pulse": "crankcase",
    "cylinder_pressure": "p",
    "manifold_pressure": "manifold",
    "starter_current": "starter",
    "battery_voltage": "battery",
    "crank_teeth": "wheel",
    "cam_sync": "cam",
    "ignition_sync": "spark",
    "coil_current_sync": "coil",
    "injector_sync": "injector",
    "other": "other",
}
"""What a probe is called unless it is given a name; of a cylinder's pressure with the cylinder's number behind it."""
_COMMENT_COLUMN = 32
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
_BARE_KEY = re.compile(r"[A-Za-z_]+")
_TEXT_KEYS = frozenset({"name", "column", "place", "teeth", "edge", "every", "positive_is", "sampling"})

_HEAD = """\
# A set-up of evenstroke: which engine, and what is fitted where.
#
# Lines that begin with # are not read. Those that look like `# key = value` are keys that you may add: take the # away
# and put your own value there, since these are examples and not your engine's. What is left out makes the answer wider,
# and evenstroke says so. Check it with:  evenstroke setup check {name}
"""
_ABOUT_ENGINE = """\
# What is known of the engine sharpens what is predicted of it; none of it is needed:
# family = "3.0 inline six"     # known-good recordings are kept under this name
# displacement_cc = 2988
# compression_ratio = 9.4
# bore_mm = 88.0
# stroke_mm = 81.9
# rod_mm = 140.0
# firing_intervals_deg = [...]  # crank degrees from each one in the order to the next; needed only where they are uneven
"""
_ABOUT_ROLE = {
    "intake_pulse": "The pulse in the intake: what one cylinder's intake stroke does to the pressure there.",
    "exhaust_pulse": "The pulse in the exhaust. Where an engine runs indoors: exhaust extraction, and a carbon-monoxide alarm.",
    "crankcase_pulse": "The pulse in the crankcase, as at the dipstick's tube.",
    "cylinder_pressure": "A pressure transducer in place of a plug. Its hose and adaptor add to the clearance volume: that "
    "makes\n# this cylinder weaker than it is, and its companion's intake pulse smaller than it is.",
    "manifold_pressure": "The pressure in the manifold.",
    "starter_current": "A clamp around the starter's cable: shows compression, and nothing of the breathing.",
    "battery_voltage": "The battery's voltage, through a divider and a clamp: never straight into an input.",
    "crank_teeth": "The crankshaft's tooth wheel: crank angle from tooth to tooth.",
    "cam_sync": "One edge of the camshaft's sensor each cycle: it names the cylinders.",
    "ignition_sync": "A pick-up on one cylinder's ignition: it names the cylinders.\n# Never straight into an input: a coil "
    "kicks to hundreds of volts, its secondary to tens of thousands.",
    "coil_current_sync": "A clamp on the supply of one cylinder's coil: it names the cylinders.",
    "injector_sync": "A pick-up on one cylinder's injector: it names the cylinders. Never straight into an input: it kicks "
    "to\n# tens of volts and more.",
    "other": "A signal that is recorded and not judged.",
}
_SCALE_OF_A_PULSE = ("0.5", "2.5")
_SCALE_OF_ROLE = {
    "cylinder_pressure": ("0.002", "0.5"),
    "manifold_pressure": ("0.04", "0.5"),
    "starter_current": ("0.006", "0.5"),
    "battery_voltage": ("0.25", "0.0"),
}


@dataclass(frozen=True, slots=True)
class NewProbe:
    """A probe as it was said. input: of a board; None: a column of a CSV. keys: further keys of the file, as text."""

    role: str
    input: int | None = None
    keys: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSetup:
    """What a first set-up file says. rate_hz, baud: of a board. fuel, ignition: None where nobody said."""

    cylinders: int
    firing_order: Sequence[int]
    probes: Sequence[NewProbe]
    title: str = ""
    rate_hz: int = DEFAULT_RATE_HZ
    baud: int = DEFAULT_BAUD
    fuel: str | None = None
    ignition: str | None = None


def parse_probe(text: str) -> NewProbe:
    """A probe from `ROLE[:INPUT][,KEY=VALUE]...`, as in "crank_teeth:2,teeth=60-2". Raises ValueError, saying what is wrong."""
    first, *rest = (part.strip() for part in text.split(","))
    role, colon, number = first.partition(":")
    if role.strip() not in ROLE_WORDS:
        raise ValueError(f"{role.strip()!r} is no role; the roles are {', '.join(ROLE_WORDS)}")
    if colon and not re.fullmatch(r"\s*\d+\s*", number):
        raise ValueError(f"{number!r} is no input: give its number, as in {role.strip()}:0")
    keys: dict[str, str] = {}
    for part in rest:
        key, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals or not _BARE_KEY.fullmatch(key) or not value:
            raise ValueError(f"{part!r} is not KEY=VALUE, as in cylinder=1")
        if key in keys or key in ("role", "input"):
            raise ValueError(f"{key!r} is said twice")
        keys[key] = value
    return NewProbe(role.strip(), int(number) if colon else None, keys)


def setup_text(new: NewSetup, name: str) -> tuple[str, Setup]:
    """The file's text, and what it says. name: the file's. Raises SetupError where that is no valid set-up."""
    parts = [_HEAD.format(name=name), "schema = 1"]
    parts += (
        [f"title = {_quoted(new.title)}"]
        if new.title
        else ['# title = "..."               # what recordings are called']
    )
    parts += ["", "[engine]", f"cylinders = {new.cylinders}"]
    parts.append(_noted(f"firing_order = [{', '.join(map(str, new.firing_order))}]", "the maker's numbers"))
    parts += [_ABOUT_ENGINE, *_conditions(new)]
    if any(probe.input is not None for probe in new.probes):
        parts += [
            "",
            "[acquisition]",
            _noted(f"rate_hz = {new.rate_hz}", "per input; the board says which are possible"),
        ]
        parts.append(_noted(f"baud = {new.baud}", "the speed of the board's line, as its firmware has it"))
    named: set[str] = set()
    for probe in new.probes:
        parts += ["", *_probe(probe, new, named)]
    parts += [
        "",
        "# What is fitted but not recorded also belongs here, since it alters what the probes read:",
    ]
    parts += [
        "# [[fitted]]",
        '# what = "compression hose"',
        f"# cylinder = {new.firing_order[0] if new.firing_order else 1}",
    ]
    parts += ["# added_volume_cc = 12.0        # or  plug_removed = true", ""]
    parts += [
        "# Notes of your own, left out of what is shared unless asked for:",
        "# [job]",
        '# complaint = "..."',
        "",
    ]
    text = "\n".join(parts)
    return text, parse_setup(text, name)


def write_setup(new: NewSetup, out: Path) -> Setup:
    """Write a new file, whole or not at all. Raises SetupError, or OutputError where there is one already."""
    with written_whole(out, replace=False) as part:
        try:
            text, setup = setup_text(new, out.name)
        except SetupError as error:
            error.add_note("Nothing was written.")
            raise
        part.write_text(text, encoding="utf-8")
    return setup


def _conditions(new: NewSetup) -> list[str]:
    lines = ["[conditions]", _noted('mode = "cranking"', 'or "idle"')]
    for key, value, words in (
        ("fuel", new.fuel, "disabled | clear_flood | on"),
        ("ignition", new.ignition, "disabled | on"),
    ):
        if value is None:
            lines.append(
                _noted(f'# {key} = "disabled"', f"{words}; what is not said is not known to be safe")
            )
        else:
            lines.append(_noted(f"{key} = {_quoted(value)}", words))
    lines += [
        _noted('# throttle = "closed"', "closed | open"),
        _noted('# start_prevented_by = "..."', "how, in your words; a way that suits this engine"),
        "# engine_temperature_c = 20",
        _noted("# battery_support = false", "whether a charger or a second battery helps"),
    ]
    if any(probe.role == "cylinder_pressure" for probe in new.probes):
        lines += [
            "# A transducer in a plug hole with the ignition on: that cylinder's coil must fire into a grounded tester, away",
            "# from the hole, and the fuel must be off. Writing this says: I have read that and have provided for it.",
            '# acknowledged = ["plug_out_ignition_on"]',
        ]
    return lines


def _probe(probe: NewProbe, new: NewSetup, named: set[str]) -> list[str]:
    name = probe.keys.get("name") or _free_name(probe, named)
    named.add(name)
    lines = [f"# {_ABOUT_ROLE[probe.role]}", "[[probe]]", f"name = {_quoted(name)}", f'role = "{probe.role}"']
    if probe.input is not None:
        lines.append(_noted(f"input = {probe.input}", "the board's, counted from 0"))
    elif "column" not in probe.keys:
        lines.append(_noted(f"# column = {_quoted(name)}", "the CSV's column, where it is called otherwise"))
    lines += [f"{key} = {_literal(key, value)}" for key, value in probe.keys.items() if key != "name"]
    return lines + [line for key, line in _may_be_said(probe, new) if key not in probe.keys]


def _may_be_said(probe: NewProbe, new: NewSetup) -> list[tuple[str, str]]:
    """Keys that mean something for this role, each as a comment with an example."""
    role, unit = probe.role, UNIT_OF_ROLE.get(probe.role)
    lines = [("place", _noted('# place = "..."', "where it is, in your words"))]
    if role in PULSE_ROLES:
        order = ", ".join(map(str, sorted(new.firing_order)))
        lines += [
            ("sees", _noted(f"# sees = [{order}]", "a bank's pipe hears fewer")),
            ("positive_is", _noted('# positive_is = "vacuum"', "where more volts are less pressure")),
            (
                "low_corner_hz",
                _noted("# low_corner_hz = 2.0", "the probe's own high-pass corner; unknown, intervals widen"),
            ),
            ("travel_m", _noted("# travel_m = 0.4", "gas path from the valves to the probe")),
        ]
    if role in SYNC_ROLES:
        lines += [
            ("every", _noted('# every = "revolution"', "where it comes every 360 degrees: wasted spark")),
            (
                "offset_deg",
                _noted(
                    "# offset_deg = -8", "event after its cylinder's firing TDC, crank degrees; - is before"
                ),
            ),
        ]
    if role == "crank_teeth":
        lines += [
            ("edge", _noted('# edge = "falling"', "the voltage edge at the place that is meant")),
            (
                "first_tooth_deg",
                _noted("# first_tooth_deg = 84", "the first edge behind the gap, after cylinder 1's TDC"),
            ),
        ]
    if role == "cylinder_pressure":
        lines += [
            (
                "added_volume_cc",
                _noted("# added_volume_cc = 9.0", "hose and adaptor; unknown, what they do is not sized"),
            ),
            ("check_valve", _noted("# check_valve = true", "where one keeps the pressure up")),
        ]
    if unit is not None:
        scale, zero = _SCALE_OF_ROLE.get(role, _SCALE_OF_A_PULSE)
        lines += [
            (
                "volts_per_unit",
                _noted(f"# volts_per_unit = {scale}", f"volts for one {unit}; unknown, volts are shown"),
            ),
            ("volts_at_zero", _noted(f"# volts_at_zero = {zero}", f"volts at 0 {unit}")),
        ]
    return lines


def _free_name(probe: NewProbe, named: set[str]) -> str:
    base = NAME_OF_ROLE[probe.role]
    if probe.role == "cylinder_pressure":
        base += probe.keys.get("cylinder", "")
    name, number = base, 2
    while name in named:
        name, number = f"{base}-{number}", number + 1
    return name


def _literal(key: str, value: str) -> str:
    if key in _TEXT_KEYS:
        return _quoted(value)
    if _NUMBER.fullmatch(value):
        return str(float(value)) if "." in value else str(int(value))
    return value if value in ("true", "false") else _quoted(value)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # its escapes are all TOML's too


def _noted(line: str, words: str) -> str:
    return f"{line:<{_COMMENT_COLUMN - 1}} # {words}"
