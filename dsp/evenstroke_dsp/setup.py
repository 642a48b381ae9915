"""The set-up file (TOML): what engine, what is fitted where, and what the user provided for.

`parse_setup(text)` gives a `Setup` or raises `SetupError` with the key path and, where
it can be found, the line. Nothing is guessed; what is left out stays None and what
depends on it says so.
"""

from __future__ import annotations

import difflib
import functools
import itertools
import math
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_type_hints

import msgspec
from evenstroke_protocol.errors import EvenstrokeError

from .blocks import InputKey

Mode = Literal["cranking", "idle"]
Role = Literal[
    "intake_pulse",
    "exhaust_pulse",
    "crankcase_pulse",
    "cylinder_pressure",
    "manifold_pressure",
    "starter_current",
    "battery_voltage",
    "crank_teeth",
    "cam_sync",
    "ignition_sync",
    "coil_current_sync",
    "injector_sync",
    "other",
]
ROLE_WORDS: dict[str, str] = {
    "intake_pulse": "intake pulses",
    "exhaust_pulse": "exhaust pulses",
    "crankcase_pulse": "crankcase pulses",
    "cylinder_pressure": "cylinder pressure",
    "manifold_pressure": "manifold pressure",
    "starter_current": "starter current",
    "battery_voltage": "battery voltage",
    "crank_teeth": "crank teeth",
    "cam_sync": "cam sync",
    "ignition_sync": "ignition sync",
    "coil_current_sync": "coil current sync",
    "injector_sync": "injector sync",
    "other": "a signal that is recorded and not judged",
}
PULSE_ROLES: frozenset[str] = frozenset({"intake_pulse", "exhaust_pulse", "crankcase_pulse"})
SYNC_ROLES: frozenset[str] = frozenset({"cam_sync", "ignition_sync", "coil_current_sync", "injector_sync"})
EDGE_ROLES: frozenset[str] = SYNC_ROLES | {"crank_teeth"}
"""Roles that a board's edge input can serve; the others need an analog input."""

UNIT_OF_ROLE: dict[str, str] = {
    "intake_pulse": "kPa",
    "exhaust_pulse": "kPa",
    "crankcase_pulse": "kPa",
    "cylinder_pressure": "kPa",
    "manifold_pressure": "kPa",
    "starter_current": "A",
    "battery_voltage": "V",
}
"""The unit that `volts_per_unit` scales to; a probe without it is reported in volts."""

DEFAULT_LOWPASS_HZ: dict[str, float] = {
    "intake_pulse": 50.0,
    "exhaust_pulse": 50.0,
    "crankcase_pulse": 50.0,
    "cylinder_pressure": 200.0,
    "manifold_pressure": 50.0,
    "starter_current": 50.0,
    "battery_voltage": 50.0,
    "other": 50.0,
}
"""-3 dB corner of a probe's conditioning, Hz. Edge roles are not filtered."""

ACKNOWLEDGEMENTS = ("plug_out_ignition_on", "fuel_on_ignition_disabled")


class SetupError(EvenstrokeError):
    """The set-up file cannot be used as it is. path, line: of the key that is meant, where there is one.

    Where several things are wrong, the others are its notes.
    """

    path: tuple[str | int, ...] = ()
    line: int | None = None


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class ValveEvents(_Table, frozen=True, kw_only=True):
    """Zero lift, crank degrees after the cylinder's own firing TDC."""

    exhaust_opens: float | None = None
    exhaust_closes: float | None = None
    intake_opens: float | None = None
    intake_closes: float | None = None


class Engine(_Table, frozen=True, kw_only=True):
    cylinders: int
    firing_order: tuple[int, ...]
    firing_intervals_deg: tuple[float, ...] | None = None
    family: str | None = None
    displacement_cc: float | None = None
    compression_ratio: float | None = None
    bore_mm: float | None = None
    stroke_mm: float | None = None
    rod_mm: float | None = None
    valve_events_deg: ValveEvents = ValveEvents()


class Conditions(_Table, frozen=True, kw_only=True):
    mode: str = "cranking"
    engine_temperature_c: float | None = None
    throttle: Literal["closed", "open"] | None = None
    fuel: Literal["disabled", "clear_flood", "on"] | None = None
    ignition: Literal["disabled", "on"] | None = None
    start_prevented_by: str | None = None
    battery_support: bool | None = None
    acknowledged: tuple[str, ...] = ()


class Acquisition(_Table, frozen=True, kw_only=True):
    rate_hz: int
    baud: int = 1_000_000


class Probe(_Table, frozen=True, kw_only=True):
    name: str
    role: Role
    input: int | None = None
    column: str | None = None
    place: str | None = None
    sees: tuple[int, ...] | None = None
    positive_is: Literal["pressure", "vacuum"] | None = None
    lowpass_hz: float | None = None
    low_corner_hz: float | None = None
    travel_m: float | None = None
    volts_per_unit: float | None = None
    volts_at_zero: float = 0.0
    sampling: Literal["steady", "edges"] = "steady"
    cylinder: int | None = None
    every: Literal["cycle", "revolution"] = "cycle"
    offset_deg: float | None = None
    teeth: str | tuple[float, ...] | None = None
    edge: Literal["auto", "rising", "falling"] = "auto"
    first_tooth_deg: float | None = None
    added_volume_cc: float | None = None
    check_valve: bool = False

    @property
    def key(self) -> InputKey:
        """What the probe's data are called in blocks: its input, else its column, else its name."""
        if self.input is not None:
            return self.input
        return self.column if self.column is not None else self.name

    @property
    def unit(self) -> str:
        """Unit of this probe's values: the role's unit where a scale is given, else "V"."""
        if self.volts_per_unit is None:
            return "V"
        return UNIT_OF_ROLE.get(self.role, "V")

    @property
    def polarity(self) -> Literal["pressure", "vacuum"]:
        """What more volts mean, as far as the set-up goes: pressure, unless it says otherwise."""
        return self.positive_is or "pressure"

    @property
    def is_sync(self) -> bool:
        return self.role in SYNC_ROLES


class Fitted(_Table, frozen=True, kw_only=True):
    """Something fitted that is not recorded but may alter what the probes read."""

    what: str
    cylinder: int
    added_volume_cc: float | None = None
    plug_removed: bool = False
    check_valve: bool = False


class Setup(_Table, frozen=True, kw_only=True):
    schema: int
    engine: Engine
    probe: tuple[Probe, ...]
    title: str = ""
    conditions: Conditions = Conditions()
    acquisition: Acquisition | None = None
    fitted: tuple[Fitted, ...] = ()
    job: dict[str, object] = msgspec.field(default_factory=dict)

    def probe_named(self, name: str) -> Probe:
        """The probe of that name. Raises KeyError where there is none."""
        for probe in self.probe:
            if probe.name == name:
                return probe
        raise KeyError(name)

    def sees(self, probe: Probe) -> tuple[int, ...]:
        """The cylinders that a probe hears, in firing order."""
        heard = set(probe.sees if probe.sees is not None else self.engine.firing_order)
        return tuple(c for c in self.engine.firing_order if c in heard)


# msgspec works a type out when it first converts to it, and crashes where two threads do so at once.
msgspec.convert({"schema": 1, "engine": {"cylinders": 1, "firing_order": [1]}, "probe": []}, Setup)


# --- reading and checking ----------------------------------------------------------------------

_Path = tuple[str | int, ...]

TABLES: dict[tuple[str, ...], type[_Table]] = {
    (): Setup,
    ("engine",): Engine,
    ("engine", "valve_events_deg"): ValveEvents,
    ("conditions",): Conditions,
    ("acquisition",): Acquisition,
    ("probe",): Probe,
    ("fitted",): Fitted,
}
"""The file's tables; `[job]` is free and therefore not among them."""
_LISTS = ("probe", "fitted")
"""Those that there may be several of."""

_WAVEFORM_ROLES = frozenset(UNIT_OF_ROLE)
ROLES_OF_KEY: dict[str, frozenset[str]] = {
    "sees": _WAVEFORM_ROLES - {"cylinder_pressure"} | {"other"},
    "positive_is": PULSE_ROLES,
    "lowpass_hz": frozenset(DEFAULT_LOWPASS_HZ),
    "low_corner_hz": _WAVEFORM_ROLES | {"other"},
    "travel_m": PULSE_ROLES | {"manifold_pressure"},
    "cylinder": SYNC_ROLES | {"cylinder_pressure"},
    "every": SYNC_ROLES,
    "offset_deg": SYNC_ROLES,
    "teeth": frozenset({"crank_teeth"}),
    "edge": frozenset({"crank_teeth"}),
    "first_tooth_deg": frozenset({"crank_teeth"}),
    "added_volume_cc": frozenset({"cylinder_pressure"}),
    "check_valve": frozenset({"cylinder_pressure"}),
}
"""Keys that mean something for some roles only. Elsewhere they would be read and then ignored
without a word, so that they are errors there."""

_PLAUSIBLE_VALVE_EVENTS_DEG: dict[str, tuple[float, float]] = {
    "exhaust_opens": (60, 220),
    "exhaust_closes": (330, 450),
    "intake_opens": (300, 460),
    "intake_closes": (500, 680),
}
"""Far wider than any road engine: they catch angles counted from another zero, not odd cams."""

_PLAUSIBLE: dict[tuple[str, str], tuple[float, float, str, str]] = {
    ("engine", "bore_mm"): (25, 200, "mm", "millimetres: 8.8 cm are 88, 3.5 inches are 88.9"),
    ("engine", "stroke_mm"): (25, 250, "mm", "millimetres: 8.8 cm are 88, 3.5 inches are 88.9"),
    ("engine", "rod_mm"): (40, 450, "mm", "millimetres, between the rod's two eyes"),
    ("conditions", "engine_temperature_c"): (-60, 150, "degrees Celsius", "degrees Celsius, of coolant or oil: 190 F are 88"),
    ("probe", "travel_m"): (0, 15, "m", "metres, from valve to probe: 40 cm are 0.4"),
    ("probe", "added_volume_cc"): (0.1, 300, "cc, or 0 for none", "cubic centimetres (ml): a hose of 6 mm bore holds 28 a metre"),
    ("probe", "lowpass_hz"): (1, 20_000, "Hz", "hertz"),
    ("probe", "low_corner_hz"): (0, 50, "Hz", "hertz: what the probe's own data give, below the pulses themselves"),
    ("fitted", "added_volume_cc"): (0.1, 300, "cc, or 0 for none", "cubic centimetres (ml)"),
}  # fmt: skip
"""By table and key: lowest and highest, their unit, and what to write. Wider than any road engine and what is fitted to one: they
catch another unit (common practice, no source; a hose's volume is arithmetic)."""
_PLAUSIBLE_SCALE: dict[str, tuple[float, float, str]] = {
    "starter_current": (1e-4, 1.0, "volts for one ampere: a clamp of 10 mV/A is 0.01"),
    "battery_voltage": (0.01, 1.0, "the share that a divider leaves of the battery's volts: 4 to 1 is 0.25"),
    "cylinder_pressure": (1e-5, 1.0, "volts for one kPa: 4 V over 2000 kPa are 0.002"),
    "manifold_pressure": (1e-5, 5.0, "volts for one kPa: 4 V over 100 kPa are 0.04"),
} | dict.fromkeys(PULSE_ROLES, (1e-4, 100.0, "volts for one kPa: 500 mV/kPa are 0.5"))
"""By role: lowest and highest `volts_per_unit` of what a board samples, whatever its sign, and what to write. Beyond, what
engines do would be hundreds of volts or less than a millivolt (arithmetic: some 300 A, 12 V, 2000 kPa, 10 kPa of a pulse). A file
may hold anything for volts, such as millivolts, and its scale with it."""
_CC_A_CYLINDER = (45.0, 4000.0)
"""From a moped's 49 to a heavy lorry's 2700, and more (common practice, no source): litres and cubic inches lie below."""

_MOST_CYLINDERS = 12
_LONGEST_LINE = 4000
"""Letters. A list of the edges of the finest wheels fits; a key of as many parts costs the memory of their square."""

_KIND_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list in [ ]",
    "object": "a table",
}


def parse_setup(text: str, name: str = "set-up file") -> Setup:
    """The set-up that a TOML text describes, checked in full.

    name: what errors call the text, such as its file's name.
    Raises SetupError for the first thing in the file that is wrong, with all others as notes.
    """
    try:
        return _parse(_Source(name, text), name, text)
    except RecursionError as error:
        raise SetupError(
            "lists or tables stand in each other more deeply than any set-up needs",
            where=name,
            expected="what `evenstroke setup check --help` and the shipped set-ups show",
            todo="write it without them",
        ) from error


def _parse(source: _Source, name: str, text: str) -> Setup:
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > _LONGEST_LINE:
            raise SetupError(
                "this line is too long for a set-up",
                where=f"{name}, line {number}",
                expected=f"at most {_LONGEST_LINE} letters",
                found=str(len(line)),
                todo="break the list over several lines, or shorten the text",
            )
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SetupError(
            f"not valid TOML: {error}",
            where=name,
            expected="a TOML file (https://toml.io): key = value, one to a line, text in double quotes",
            **_decimal_comma(error, text),
        ) from error
    _raise_all(_check_schema(source, tree))  # what another version wrote is not this one's to find fault with
    wrong = [*_check_keys(source, tree, (), ()), *_check_kinds(source, tree, (), ())]
    sound = _without(tree, {error.path for error in wrong}, source)
    if sound is None:
        _raise_all(wrong)
    try:
        setup = msgspec.convert(sound if sound is not None else tree, Setup)
    except msgspec.ValidationError as error:
        raise source.translated(error, tree) from error
    _raise_all([*wrong, *_check_sense(source, setup)])
    return setup


def _decimal_comma(error: tomllib.TOMLDecodeError, text: str) -> dict[str, str]:
    """What was found and what to do where TOML breaks off: at a number with a decimal comma, as a rule of those who write one."""
    at = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    line = lines[int(at[1]) - 1] if at is not None and int(at[1]) <= len(lines) else ""
    found = re.match(r"\s*[\w.\"'-]+\s*=\s*([-+]?\d+),(\d+)\s*(#.*)?$", line)
    if found is None:
        return {"todo": "mend that place"}
    return {
        "found": line.strip(),
        "todo": f"write the decimal comma as a point: {found[1]}.{found[2]}",
    }


def _raise_all(errors: Iterable[SetupError]) -> None:
    """Raise the one that comes first in the file, and the others as its notes: one for each key, since what is wrong
    with a key's kind makes nonsense of whatever else is asked of it."""
    by_path: dict[_Path, SetupError] = {}
    for error in errors:
        by_path.setdefault(error.path, error)
    if not by_path:
        return
    first, *others = sorted(by_path.values(), key=lambda error: error.line or math.inf)
    for error in others:
        first.add_note(str(error))
    raise first


def _without(tree: dict[str, Any], wrong: set[_Path], source: _Source) -> dict[str, Any] | None:
    """The tree without the keys that are wrong, so that what else it says can be checked; None where nothing can be.

    A probe or a fitted part in which anything is wrong goes as a whole: to ask what else it lacks would be to guess.
    """
    required = {("engine",), ("engine", "cylinders"), ("engine", "firing_order"), ("probe",)}
    if any(path in required or path[:2] == ("engine", "firing_order") for path in wrong):
        return None
    out = _pruned(tree, wrong, ())
    for name in _LISTS:
        written = tree.get(name, []) if (name,) not in wrong else []
        bad = {path[1] for path in wrong if len(path) > 1 and path[0] == name}
        kept = [k for k, one in enumerate(written) if isinstance(one, dict) and k not in bad]
        if len(kept) < len(written):
            source.kept[name] = kept
            out[name] = [written[k] for k in kept]
    if any(path[:1] == ("acquisition",) for path in wrong):
        out.pop("acquisition", None)
    return out


def _pruned(tree: dict[str, Any], wrong: set[_Path], path: _Path) -> dict[str, Any]:
    bad = {step[len(path)] for step in wrong if step[: len(path)] == path and len(step) > len(path)}
    out = {}
    for key, value in tree.items():
        below = (*path, key)
        table = isinstance(value, dict) and below in TABLES and below not in wrong
        if table:
            out[key] = _pruned(value, wrong, below)
        elif key not in bad:
            out[key] = value
    return out


def _check_sense(source: _Source, setup: Setup) -> Iterator[SetupError]:
    """What is wrong with values that are all of the right kind."""
    yield from _check_engine(source, setup.engine)
    yield from _check_conditions(source, setup.conditions)
    for index, probe in enumerate(setup.probe):
        yield from _check_probe(source, setup, index, probe)
    yield from _check_probes_together(source, setup)
    yield from _check_acquisition(source, setup)
    for index, fitted in enumerate(setup.fitted):
        yield from _check_fitted(source, setup, index, fitted)


def wheel_slots(teeth: str) -> tuple[int, tuple[int, ...]]:
    """Tooth pitches in one revolution, and how many teeth each gap lacks: "60-2" gives (60, (2,)).

    Raises ValueError for text that is not of the form N-M or N-M-M...
    """
    if not re.fullmatch(r"[0-9]+(-[0-9]+)+", teeth):
        raise ValueError("not of the form N-M")
    slots, *gaps = (int(part) for part in teeth.split("-"))
    if min(gaps) < 1:
        raise ValueError("a gap lacks at least one tooth")
    if slots > 720:
        raise ValueError("more than 720 tooth pitches")
    if slots - sum(gaps) < 2 * len(gaps):
        raise ValueError("too few teeth are left")
    return slots, tuple(gaps)


class _Source:
    """The text that is being read, for errors that say where."""

    def __init__(self, name: str, text: str) -> None:
        self._name = name
        self._lines = text.splitlines()
        # A line inside a text of several lines can look like a key: then no line is named.
        self._searchable = '"""' not in text and "'''" not in text
        self.kept: dict[str, list[int]] = {}
        """Of `probe` and `fitted`: which ones of the file are checked together, where some are left out."""

    def place_of(self, table: str, index: int) -> int:
        """Which one of the file's such tables is the one of that number among those that are checked."""
        return self.kept[table][index] if table in self.kept else index

    def whole(self, table: str) -> bool:
        """Whether nothing was left out of the file's such tables."""
        return table not in self.kept

    def error(
        self,
        problem: str,
        path: _Path,
        *,
        expected: str = "",
        found: object = None,
        todo: str = "",
        label: str = "",
    ) -> SetupError:
        where = self._name
        if len(path) > 1 and isinstance(path[1], int):
            path = (path[0], self.place_of(str(path[0]), path[1]), *path[2:])
        line = self._line(path)
        if line is not None:
            where += f", line {line}"
        if path:
            where += f", {_dotted(path)}"
        if label:
            where += f" ({label})"
        error = SetupError(problem, where=where, expected=expected, found=_shown(found), todo=todo)
        error.path, error.line = path, line
        return error

    def missing(self, tree: dict[str, Any], path: _Path) -> SetupError:
        return self.error(
            f"{path[-1]!r} is missing",
            path,
            expected=_NEEDED.get((*_table_of(path)[-1:], str(path[-1])), f"{path[-1]} = ..."),
            todo="add it; schema, engine.cylinders, engine.firing_order and one [[probe]] are required",
            label=_label(tree, path),
        )

    def translated(
        self, error: msgspec.ValidationError, tree: dict[str, Any], path: _Path = ()
    ) -> SetupError:
        """msgspec's error in a user's words. tree: the whole file; path: of the value that was converted."""
        message, _, place = str(error).partition(" - at ")
        path = path + tuple(
            int(number) if number else key
            for key, number in re.findall(r"\.(\w+)|\[(\d+)\]", place.strip("`"))
        )
        found = _value_at(tree, path)
        words = _allowed_words(path)
        if words and isinstance(found, str):
            todo = _suggestion(found, words) or "choose one of these"
            return self.error(
                f"{found!r} is not a known {path[-1]}",
                path,
                expected=", ".join(words),
                found=found,
                todo=todo,
                label=_label(tree, path),
            )
        kinds = re.match(r"Expected `([^`]*)`", message)
        expected = ", ".join(words) or message
        if kinds and not words:
            names = [kind for kind in kinds[1].split(" | ") if kind != "null"]
            expected = " or ".join(_KIND_WORDS.get(kind, kind) for kind in names)
        return self.error(
            "a value of the wrong kind",
            path,
            expected=expected,
            found=found,
            todo="write the value as expected",
            label=_label(tree, path),
        )

    def _line(self, path: _Path) -> int | None:
        """The line of the key, or of the table it should stand in; None where neither is plainly there."""
        if not self._searchable:
            return None
        table: list[str] = []
        counts: dict[str, int] = {}
        wanted_table = [str(step) for step in path[:-1]]
        table_line: int | None = None
        for number, line in enumerate(self._lines, 1):
            header = re.match(r"\s*(\[\[?)\s*([\w.\s-]+?)\s*\]", line)
            if header and not re.match(r"\s*\[[\d\s.,-]*\],?\s*$", line):
                table = re.split(r"\s*\.\s*", header[2])
                if header[1] == "[[":
                    counts[header[2]] = counts.get(header[2], -1) + 1
                    table.append(str(counts[header[2]]))
                if table in (wanted_table, [str(step) for step in path]):
                    table_line = number
                continue
            key = re.match(r"\s*([\w-]+)\s*=", line)
            if key:
                full = [*table, key[1]]
                # `path` may go on into the key's value: an element of a list
                if full == [str(step) for step in path[: len(full)]] and len(full) >= len(path) - 1:
                    return number
        return table_line


@dataclass(frozen=True, slots=True)
class _Place:
    """One table of the text, for errors about its keys."""

    source: _Source
    path: _Path
    label: str

    def error(
        self, key: str, problem: str, *, expected: str, found: object = None, todo: str = ""
    ) -> SetupError:
        path = (*self.path, key)
        return self.source.error(problem, path, expected=expected, found=found, todo=todo, label=self.label)


_NEEDED: dict[tuple[str, ...], str] = {
    ("engine",): "[engine]  with  cylinders = 6  and  firing_order = [1, 5, 3, 6, 2, 4]",
    ("engine", "cylinders"): "cylinders = 6",
    ("engine", "firing_order"): "firing_order = [1, 5, 3, 6, 2, 4]",
    ("probe",): '[[probe]]  with  name = "intake"  and  role = "intake_pulse"',
    ("probe", "name"): 'name = "intake"',
    ("probe", "role"): f"role = one of {', '.join(get_args(Role))}",
    ("acquisition", "rate_hz"): "rate_hz = 10000",
    ("fitted", "what"): 'what = "compression hose"',
    ("fitted", "cylinder"): "cylinder = 2",
}


def _check_schema(source: _Source, tree: dict[str, Any]) -> Iterator[SetupError]:
    if "schema" not in tree:
        yield source.error(
            "'schema' is missing", ("schema",), expected="schema = 1", todo="add it as the first line"
        )
    elif type(tree["schema"]) is not int or tree["schema"] != 1:
        yield source.error(
            "a schema that this version does not know",
            ("schema",),
            expected="schema = 1",
            found=tree["schema"],
            todo="write schema = 1, or use the evenstroke that the file was written for",
        )


@functools.cache
def _fields(table: type[msgspec.Struct]) -> tuple[msgspec.structs.FieldInfo, ...]:
    """A table's fields. msgspec evaluates every annotation anew each time, which is half of a form's wait for a key."""
    return msgspec.structs.fields(table)


def _check_keys(
    source: _Source, tree: dict[str, Any], path: _Path, table: tuple[str, ...]
) -> Iterator[SetupError]:
    known = [field.encode_name for field in _fields(TABLES[table])]
    for key, value in tree.items():
        if key not in known:
            yield source.error(
                f"unknown key {key!r}",
                (*path, key),
                expected=f"one of {', '.join(known)}",
                found=key,
                todo=_suggestion(key, known) or _where_else(key) or "take it out",
                label=_label_of(tree) if table == ("probe",) else "",
            )
        below = (*table, key)
        if below in TABLES:
            if isinstance(value, dict):
                yield from _check_keys(source, value, (*path, key), below)
            elif isinstance(value, list):
                for index, element in enumerate(value):
                    if isinstance(element, dict):
                        yield from _check_keys(source, element, (*path, key, index), below)


def _check_kinds(
    source: _Source, tree: dict[str, Any], path: _Path, table: tuple[str, ...]
) -> Iterator[SetupError]:
    """What is missing, and what is not of the kind that its key holds. tree: the whole file."""
    here = _value_at(tree, path)
    assert isinstance(here, dict)
    for field in _fields(TABLES[table]):
        key = field.encode_name
        at, value, below = (*path, key), here.get(key), (*table, key)
        if key not in here:
            if field.required:
                yield source.missing(tree, at)
        elif below in TABLES and isinstance(value, dict) and key not in _LISTS:
            yield from _check_kinds(source, tree, at, below)
        elif key in _LISTS and isinstance(value, list) and all(isinstance(one, dict) for one in value):
            for index in range(len(value)):
                yield from _check_kinds(source, tree, (*at, index), below)
        else:
            try:
                read = msgspec.convert(value, field.type)
            except msgspec.ValidationError as error:
                yield source.translated(error, tree, at)
            else:
                yield from _check_finite(source, read, at)


def _check_finite(source: _Source, value: object, path: _Path) -> Iterator[SetupError]:
    if isinstance(value, float) and not math.isfinite(value):
        yield source.error(
            "not a finite number",
            path,
            expected="a finite number",
            found=value,
            todo="leave it out if unknown",
        )
    elif isinstance(value, tuple):
        for index, element in enumerate(value):
            yield from _check_finite(source, element, (*path, index))


def _check_engine(source: _Source, engine: Engine) -> Iterator[SetupError]:
    count = engine.cylinders
    if not 1 <= count <= _MOST_CYLINDERS:
        yield source.error(
            "that many cylinders",
            ("engine", "cylinders"),
            expected=f"1 to {_MOST_CYLINDERS}",
            found=count,
            todo="give the engine's number",
        )
    elif sorted(engine.firing_order) != list(range(1, count + 1)):
        yield source.error(
            "not a firing order of this engine",
            ("engine", "firing_order"),
            expected=f"each of the cylinders 1 to {count} once, in the order in which they fire",
            found=list(engine.firing_order),
            todo="take it from the maker's data; it is often cast on the engine",
        )
    intervals = engine.firing_intervals_deg
    if intervals is not None and 1 <= count <= _MOST_CYLINDERS:
        path: _Path = ("engine", "firing_intervals_deg")
        todo = (
            "i-th interval: from the i-th cylinder in the order to the next; leave it out if firing is even"
        )
        if len(intervals) != count:
            yield source.error(
                "not one interval for each cylinder",
                path,
                expected=f"{count} intervals",
                found=list(intervals),
                todo=todo,
            )
        elif min(intervals) <= 0:
            yield source.error(
                "an interval that is not positive",
                path,
                expected="degrees above 0",
                found=list(intervals),
                todo=todo,
            )
        # 0.1 degrees: what rounding a seven's or a nine's intervals to two decimals may leave
        elif abs(math.fsum(intervals) - 720) > 0.1:
            yield source.error(
                "the intervals do not make one cycle",
                path,
                expected="a sum of 720 crank degrees",
                found=f"{math.fsum(intervals):g}",
                todo=todo,
            )
    for key in ("bore_mm", "stroke_mm", "rod_mm"):
        yield from _check_plausible(source, getattr(engine, key), ("engine", key))
    yield from _check_displacement(source, engine)
    if engine.compression_ratio is not None and not 2 <= engine.compression_ratio <= 30:
        yield source.error(
            "not a compression ratio",
            ("engine", "compression_ratio"),
            expected="2 to 30",
            found=engine.compression_ratio,
            todo="the geometric ratio, such as 9.4; not the pressure in bar",
        )
    if engine.rod_mm is not None and engine.stroke_mm is not None and engine.rod_mm <= engine.stroke_mm / 2:
        yield source.error(
            "a connecting rod no longer than the crank's throw",
            ("engine", "rod_mm"),
            expected=f"more than {engine.stroke_mm / 2:g} (half of stroke_mm)",
            found=engine.rod_mm,
            todo="the distance between the rod's two eyes, in mm",
        )
    yield from _check_valve_events(source, engine.valve_events_deg)


def _check_displacement(source: _Source, engine: Engine) -> Iterator[SetupError]:
    """Is it in cubic centimetres, of all cylinders together?"""
    cc, count, path = engine.displacement_cc, engine.cylinders, ("engine", "displacement_cc")
    if cc is None or not 1 <= count <= _MOST_CYLINDERS:
        return
    low, high = (count * each for each in _CC_A_CYLINDER)
    if cc <= 0:
        yield from _positive(source, cc, path)
    elif not low <= cc <= high:
        litres = f": {cc:g} litres are {cc * 1000:g}" if low <= cc * 1000 <= high else ""
        yield source.error(
            "no such size for an engine of that many cylinders",
            path,
            expected=f"{low:g} to {high:g} cc, of all {count} cylinders together",
            found=cc,
            todo=f"give it in cubic centimetres{litres}; leave it out if unknown",
        )


def _check_plausible(
    source: _Source, value: float | None, path: _Path, label: str = ""
) -> Iterator[SetupError]:
    """One error where a value is none that its unit can have: it was meant in another, as a rule."""
    if value is None:
        return
    low, high, unit, todo = _PLAUSIBLE[str(path[0]), str(path[-1])]
    none_is_one = low == 0 or "0 for none" in unit
    if low <= value <= high or (value == 0 and none_is_one):
        return
    bound = "" if value > 0 else "0 or more, " if none_is_one else "above 0, "
    yield source.error(
        f"no value that {path[-1]} can have",
        path,
        expected=f"{bound}{low:g} to {high:g} {unit}",
        found=value,
        todo=f"give {todo}; leave it out if unknown",
        label=label,
    )


def _check_valve_events(source: _Source, events: ValveEvents) -> Iterator[SetupError]:
    for key, (low, high) in _PLAUSIBLE_VALVE_EVENTS_DEG.items():
        deg = getattr(events, key)
        if deg is not None and not low <= deg <= high:
            yield source.error(
                "a valve event at an angle where no engine has it",
                ("engine", "valve_events_deg", key),
                expected=f"{low:g} to {high:g} crank degrees after the cylinder's own firing TDC",
                found=deg,
                todo="count from firing TDC = 0: exhaust stroke 180 to 360, intake stroke 360 to 540",
            )


def _check_conditions(source: _Source, conditions: Conditions) -> Iterator[SetupError]:
    if conditions.mode not in get_args(Mode):
        yield source.error(
            f"evenstroke does not judge the test {conditions.mode!r}",
            ("conditions", "mode"),
            expected="cranking or idle",
            found=conditions.mode,
            todo=_suggestion(conditions.mode, get_args(Mode))
            or "crank it, or let it idle; which cylinder makes which pulse at other speeds and loads "
            "has not been tried, so that it declines rather than guesses",
        )
    yield from _check_plausible(
        source, conditions.engine_temperature_c, ("conditions", "engine_temperature_c")
    )
    for index, word in enumerate(conditions.acknowledged):
        if word not in ACKNOWLEDGEMENTS:
            yield source.error(
                "an unknown acknowledgement",
                ("conditions", "acknowledged", index),
                expected=" or ".join(ACKNOWLEDGEMENTS),
                found=word,
                todo=_suggestion(word, ACKNOWLEDGEMENTS)
                or "take it out; `evenstroke setup check` lists the dangers of a set-up",
            )


def _check_probe(source: _Source, setup: Setup, index: int, probe: Probe) -> Iterator[SetupError]:
    at = _Place(source, ("probe", index), _label_of({"name": probe.name}))
    if not probe.name or probe.name != probe.name.strip() or not probe.name.isprintable():
        yield at.error(
            "name",
            "not a usable name",
            expected="text without blanks at its ends",
            found=probe.name,
            todo="name it as you call it",
        )
    for field in _fields(Probe):
        roles = ROLES_OF_KEY.get(field.encode_name)
        if roles is not None and probe.role not in roles and getattr(probe, field.name) != field.default:
            yield at.error(
                field.encode_name,
                f"{field.encode_name!r} means nothing for the role {probe.role!r}",
                expected=f"it is for {_listed(sorted(roles))}",
                found=getattr(probe, field.name),
                todo="take it out, or mend the role",
            )
    if probe.input is not None and probe.column is not None:
        yield at.error(
            "column",
            "both an input and a column",
            expected="input for a board, or column for a CSV file",
            found=f"input = {probe.input}, column = {probe.column!r}",
            todo="keep the one that the data come from",
        )
    if probe.input is not None and probe.input < 0:
        yield at.error(
            "input",
            "not an input",
            expected="0 or more, as the board counts them",
            found=probe.input,
            todo="count from 0",
        )
    if probe.column is not None and not probe.column.strip():
        yield at.error(
            "column",
            "an empty column name",
            expected="the column's name in the header row",
            found=probe.column,
            todo="name it",
        )
    if probe.sees is not None:
        strangers = [c for c in probe.sees if c not in _cylinders(setup)]
        if strangers or not probe.sees or len(set(probe.sees)) != len(probe.sees):
            yield at.error(
                "sees",
                "not a choice of this engine's cylinders",
                expected=f"some of 1 to {setup.engine.cylinders}, each once",
                found=list(probe.sees),
                todo="leave it out if the probe hears them all",
            )
    for key in ("lowpass_hz", "added_volume_cc", "low_corner_hz", "travel_m"):
        yield from _check_plausible(source, getattr(probe, key), ("probe", index, key), at.label)
    if probe.volts_per_unit == 0:
        yield at.error(
            "volts_per_unit",
            "a scale of nothing",
            expected="volts for one unit, not 0",
            found=0,
            todo="leave it out if unknown",
        )
    else:
        yield from _check_scale(at, probe)
    if probe.is_sync or probe.role == "cylinder_pressure":
        if probe.cylinder is None:
            yield at.error(
                "cylinder",
                f"a probe of the role {probe.role!r} needs its cylinder",
                expected="cylinder = 1",
                todo="name the cylinder that it is fitted to",
            )
        elif probe.cylinder not in _cylinders(setup):
            yield at.error(
                "cylinder",
                "no such cylinder",
                expected=f"1 to {setup.engine.cylinders}",
                found=probe.cylinder,
                todo="use the maker's numbers",
            )
    if probe.offset_deg is not None and not -720 < probe.offset_deg < 720:
        yield at.error(
            "offset_deg",
            "more than a whole cycle away",
            expected="between -720 and 720 crank degrees; an event before TDC is negative",
            found=probe.offset_deg,
            todo="leave it out if unknown",
        )
    if probe.role == "crank_teeth":
        yield from _check_wheel(at, probe)


def _check_scale(at: _Place, probe: Probe) -> Iterator[SetupError]:
    """One error where a scale is none that such a probe can have at a board's input: it was meant in millivolts, as a rule."""
    if probe.volts_per_unit is None or probe.input is None or probe.role not in _PLAUSIBLE_SCALE:
        return
    low, high, todo = _PLAUSIBLE_SCALE[probe.role]
    if low <= abs(probe.volts_per_unit) <= high:
        return
    yield at.error(
        "volts_per_unit",
        "no scale that such a probe can have at a board's input",
        expected=f"{low:g} to {high:g} V for one {probe.unit}",
        found=probe.volts_per_unit,
        todo=f"give {todo}; leave it out if unknown: values are in volts then, and per cent stay",
    )


def _check_wheel(at: _Place, probe: Probe) -> Iterator[SetupError]:
    forms = (
        '"60-2" (pitches, then the teeth each gap lacks), or a list of ascending angles, 0 first, below 360'
    )
    if probe.teeth is None:
        yield at.error("teeth", "a wheel needs its teeth", expected=forms, todo="count them on the wheel")
    elif isinstance(probe.teeth, str):
        try:
            wheel_slots(probe.teeth)
        except ValueError as error:
            yield at.error(
                "teeth",
                f"not a wheel: {error}",
                expected=forms,
                found=probe.teeth,
                todo="count the teeth on the wheel",
            )
    else:
        angles = probe.teeth
        ascending = all(a < b for a, b in itertools.pairwise(angles))
        if len(angles) < 2 or angles[0] != 0 or not ascending or angles[-1] >= 360:
            yield at.error(
                "teeth",
                "not the angles of one revolution's edges",
                expected="two angles or more, ascending, the first 0, all below 360",
                found=list(angles),
                todo="list the edges that are used, counted from one of them",
            )
    if probe.first_tooth_deg is not None:
        if probe.edge == "auto":
            yield at.error(
                "first_tooth_deg",
                "an angle of an edge that is not named",
                expected='edge = "rising" or edge = "falling" beside it',
                found='edge = "auto"',
                todo="say which of a tooth's two edges that angle belongs to",
            )
        if not -720 < probe.first_tooth_deg < 720:
            yield at.error(
                "first_tooth_deg",
                "more than a whole cycle away",
                expected="crank degrees after cylinder 1's TDC, modulo 360",
                found=probe.first_tooth_deg,
                todo="leave it out if unknown; angles are then relative",
            )


def _check_probes_together(source: _Source, setup: Setup) -> Iterator[SetupError]:
    if not setup.probe and source.whole("probe"):
        yield source.error(
            "no probe", ("probe",), expected="at least one [[probe]]", todo="describe what is connected"
        )
    first_with: dict[str, int] = {}
    for index, probe in enumerate(setup.probe):
        at = _Place(source, ("probe", index), _label_of({"name": probe.name}))
        key = "input" if probe.input is not None else "column" if probe.column is not None else "name"
        of_data = f"input {probe.input}" if key == "input" else f"column {str(probe.key).strip()!r}"
        for taken, place in ((f"name {probe.name!r}", "name"), (of_data, key)):
            other = first_with.setdefault(taken, index)
            if other != index:
                yield at.error(
                    place,
                    f"{taken} is used twice",
                    expected="each probe its own",
                    found=f"probe[{source.place_of('probe', other)}] ({setup.probe[other].name!r}) has it too",
                    todo="give one of them another",
                )
    with_input = [probe for probe in setup.probe if probe.input is not None]
    if with_input and len(with_input) < len(setup.probe):
        index = next(i for i, probe in enumerate(setup.probe) if probe.input is None)
        at = _Place(source, ("probe", index), _label_of({"name": setup.probe[index].name}))
        yield at.error(
            "input",
            "a probe without an input, beside probes that have one",
            expected="an input for every probe (a board), or for none (a CSV file)",
            todo="give it the board's input, or take it out",
        )
    edges = [probe for probe in setup.probe if probe.sampling == "edges"]
    for index, probe in enumerate(setup.probe):
        at = _Place(source, ("probe", index), _label_of({"name": probe.name}))
        if probe.sampling == "edges" and probe.input is not None:
            yield at.error(
                "sampling",
                "sampling of a CSV file, for a board's input",
                expected="no sampling: the board knows how it reads its inputs",
                found="edges",
                todo="take it out",
            )
        if probe.sampling == "edges" and probe.role in _WAVEFORM_ROLES:
            yield at.error(
                "sampling",
                f"level changes alone cannot give the waveform of the role {probe.role!r}",
                expected=f"edges for {_listed(sorted(EDGE_ROLES))}",
                found="edges",
                todo="record this probe at an even rate, in a file of its own",
            )
        if edges and probe.sampling != "edges":
            yield at.error(
                "sampling",
                "one probe's rows are level changes and another's are not",
                expected='sampling = "edges" for every probe of the file, or for none',
                found=f"{edges[0].name!r} has it, {probe.name!r} has not",
                todo="put the two kinds into two files, each with its own set-up",
            )


def _check_acquisition(source: _Source, setup: Setup) -> Iterator[SetupError]:
    if setup.acquisition is None:
        return
    if all(probe.input is None for probe in setup.probe) and source.whole("probe"):
        yield source.error(
            "settings of a board, but no probe has an input of one",
            ("acquisition",),
            expected="[acquisition] only where the probes have inputs",
            todo="take [acquisition] out for a CSV file, or give each probe its input",
        )
    for key in ("rate_hz", "baud"):
        yield from _positive(source, getattr(setup.acquisition, key), ("acquisition", key))


def _check_fitted(source: _Source, setup: Setup, index: int, fitted: Fitted) -> Iterator[SetupError]:
    at = _Place(source, ("fitted", index), repr(fitted.what))
    if not fitted.what.strip():
        yield at.error(
            "what", "no name", expected='what = "compression hose"', found=fitted.what, todo="say what it is"
        )
    if fitted.cylinder not in _cylinders(setup):
        yield at.error(
            "cylinder",
            "no such cylinder",
            expected=f"1 to {setup.engine.cylinders}",
            found=fitted.cylinder,
            todo="use the maker's numbers",
        )
    if fitted.added_volume_cc is None and not fitted.plug_removed:
        yield at.error(
            "added_volume_cc",
            "nothing that could alter the cylinder",
            expected="added_volume_cc = 12.0, or plug_removed = true",
            todo="say which of the two it is: an open plug hole, or a closed volume in the plug's place",
        )
    yield from _check_plausible(
        source, fitted.added_volume_cc, ("fitted", index, "added_volume_cc"), at.label
    )


def _cylinders(setup: Setup) -> frozenset[int]:
    """Those that a probe may be fitted to; by their number too, where the firing order is what is wrong."""
    by_number = range(1, setup.engine.cylinders + 1) if 1 <= setup.engine.cylinders <= _MOST_CYLINDERS else ()
    return frozenset((*setup.engine.firing_order, *by_number))


def _positive(source: _Source, value: float | None, path: _Path) -> Iterator[SetupError]:
    if value is not None and value <= 0:
        yield source.error(
            "not a size", path, expected="above 0", found=value, todo="leave it out if unknown"
        )


# --- words for errors --------------------------------------------------------------------------


def _dotted(path: _Path) -> str:
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


def _shown(found: object) -> str:
    if found is None:
        return ""
    if isinstance(found, bool):
        return str(found).lower()
    if isinstance(found, tuple):
        found = list(found)
    text = found if isinstance(found, str) and found else repr(found)
    return text if len(text) <= 120 else text[:117] + "..."


def _listed(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def _suggestion(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"did you mean {near[0]!r}?" if near else ""


def _where_else(key: str) -> str:
    places = [".".join(table) or "the top of the file" for table in TABLES if _is_key_of(key, table)]
    return f"{key!r} belongs to {_listed(places)}" if places else ""


def _is_key_of(key: str, table: tuple[str, ...]) -> bool:
    return any(field.encode_name == key for field in _fields(TABLES[table]))


def _label_of(probe: dict[str, Any]) -> str:
    name = probe.get("name")
    return f"probe {name!r}" if isinstance(name, str) and name else ""


def _label(tree: dict[str, Any], path: _Path) -> str:
    probe = _value_at(tree, path[:2]) if path[:1] == ("probe",) else None
    return _label_of(probe) if isinstance(probe, dict) else ""


def _value_at(tree: object, path: _Path) -> object:
    for step in path:
        if isinstance(tree, dict) and isinstance(step, str):
            tree = tree.get(step)
        elif isinstance(tree, list) and isinstance(step, int) and step < len(tree):
            tree = tree[step]
        else:
            return None
    return tree


def _table_of(path: _Path) -> tuple[str, ...]:
    return tuple(step for step in path[:-1] if isinstance(step, str))


def _allowed_words(path: _Path) -> tuple[str, ...]:
    """The words that a key of a Literal type may hold."""
    table = TABLES.get(_table_of(path))
    if table is None or not isinstance(path[-1], str):
        return ()
    hint = get_type_hints(table).get(path[-1])
    words: list[str] = []
    for option in (hint, *get_args(hint)):
        words += [word for word in get_args(option) if isinstance(word, str)]
    return tuple(dict.fromkeys(words))
