"""What has to be asked for a first set-up file: each question with why it is asked, and what Enter stands for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from evenstroke_dsp.setup import ROLE_WORDS, SYNC_ROLES, SetupError
from evenstroke_dsp.wording import listed
from evenstroke_replay.new_setup import DEFAULT_BAUD, DEFAULT_RATE_HZ, NewProbe, NewSetup, setup_text

T = TypeVar("T")

USUAL_ORDERS = {1: "1", 2: "1,2", 3: "1,3,2", 4: "1,3,4,2", 5: "1,2,4,5,3", 6: "1,5,3,6,2,4"}
"""Of engines in line. Common practice, no source; fours of 1-2-4-3 and others exist, and above six none is usual."""
_ROLES = tuple(ROLE_WORDS)
_NO_ANSWER = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What the command line said already; None: ask."""

    cylinders: int | None = None
    firing_order: tuple[int, ...] | None = None
    probes: tuple[NewProbe, ...] = ()
    title: str | None = None
    rate_hz: int | None = None
    baud: int | None = None
    fuel: str | None = None
    ignition: str | None = None

    @property
    def enough(self) -> bool:
        """Whether a set-up can be written of it."""
        return self.cylinders is not None and self.firing_order is not None and bool(self.probes)

    def as_it_is(self) -> NewSetup:
        """The set-up of what was said and no more. Only where that is `enough`."""
        assert self.cylinders is not None and self.firing_order is not None
        return NewSetup(
            cylinders=self.cylinders,
            firing_order=self.firing_order,
            probes=self.probes,
            title=self.title or "",
            rate_hz=self.rate_hz or DEFAULT_RATE_HZ,
            baud=self.baud or DEFAULT_BAUD,
            fuel=self.fuel,
            ignition=self.ignition,
        )


class Questions:
    """read: shows a prompt and gives the answer, a line. say: shows a sentence."""

    def __init__(self, read: Callable[[str], str], say: Callable[[str], None]) -> None:
        self._read = read
        self._say = say

    def ask_for(self, given: Given) -> NewSetup:
        """Ask for all that was not given, and again where an answer cannot be."""
        self._say(
            "Enter alone takes what stands in [ ]. The file can be changed later in any editor; Ctrl-C writes nothing."
        )
        if given.cylinders is None:
            given = replace(given, cylinders=self._cylinders())
        if given.firing_order is None:
            given = replace(given, firing_order=self._order(given.cylinders or 0))
        if not given.probes:
            given = replace(given, probes=self._probes(given))
        if any(probe.input is not None for probe in given.probes):
            given = self._board(given)
        if given.fuel is None:
            why = "Fuel while it is cranked: what is not said is not known to be safe, and a plug out asks for `disabled`."
            given = replace(given, fuel=self._choice(why, "Fuel", ("disabled", "clear_flood", "on")))
        if given.ignition is None:
            why = "Ignition while it is cranked: a coil that fires beside an open plug hole needs provision."
            given = replace(given, ignition=self._choice(why, "Ignition", ("disabled", "on")))
        if given.title is None:
            self._say("\nA title: what recordings will be called. It goes with whatever is shared.")
            given = replace(given, title=self._ask("Title", _NO_ANSWER, "none", str.strip))
        return given.as_it_is()

    def _ask(self, what: str, default: str, shown: str, understand: Callable[[str], T]) -> T:
        while True:
            answer = self._read(f"{what} [{shown}]: ").strip() or default
            try:
                return understand(answer)
            except ValueError as error:
                self._say(f"  {error}")

    def _cylinders(self) -> int:
        self._say("\nHow many cylinders: everything is counted by it.")
        return self._ask("Cylinders", "4", "4", lambda text: _whole(text, 1, 12))

    def _order(self, cylinders: int) -> tuple[int, ...]:
        self._say(
            "\nThe firing order says whose pulse comes when: a wrong one names the wrong cylinder. It is in the maker's"
        )
        self._say(
            "data, and often cast on the engine. In [ ] is what is common, which need not be this engine's."
        )
        usual = USUAL_ORDERS.get(cylinders, _NO_ANSWER)
        return self._ask(
            "Firing order", usual, usual or "no usual one", lambda text: parse_order(text, cylinders)
        )

    def _probes(self, given: Given) -> tuple[NewProbe, ...]:
        self._say(
            "\nWhat is fitted. Nothing is opened for a clamp on the starter's cable, which shows compression; a pulse"
        )
        self._say("probe shows breathing; a sync names the cylinders, and without one pulses are numbered.")
        for number, name in enumerate(_ROLES, 1):
            self._say(f"  {number:2} {name:18} {ROLE_WORDS[name]}")
        self._say(
            "\nFrom a board (its inputs are counted from 0) or from another logger's CSV: a file has one or the other."
        )
        source = self._ask("board or csv", "board", "board", lambda text: _one_of(text, ("board", "csv")))
        found: list[NewProbe] = []
        while True:
            shown = "no more" if found else "starter_current"
            role = self._ask(f"Probe {len(found) + 1}, number or role", _NO_ANSWER, shown, _role_or_none)
            if role is None and found:
                return tuple(found)
            probe = self._probe(role or "starter_current", source == "board", found, given)
            try:
                _valid(given, (*found, probe))
            except SetupError as error:
                self._say(f"  {error.problem}: {error.todo or error.expected}. Once more:")
                continue
            found.append(probe)

    def _probe(self, role: str, board: bool, others: Sequence[NewProbe], given: Given) -> NewProbe:
        keys: dict[str, str] = {}
        number = None
        if board:
            free = next(i for i in range(len(others) + 1) if i not in {probe.input for probe in others})
            number = self._ask(
                "  The board's input that it is wired to",
                str(free),
                str(free),
                lambda text: _whole(text, 0, 255),
            )
        else:
            column = self._ask("  Column of the CSV", _NO_ANSWER, "called as the probe", str.strip)
            keys |= {"column": column} if column else {}
        if role in SYNC_ROLES or role == "cylinder_pressure":
            self._say("  Which cylinder it is at: for a sync this is what names all others.")
            keys["cylinder"] = str(
                self._ask("  Cylinder", "1", "1", lambda text: _whole(text, 1, given.cylinders or 12))
            )
        if role in SYNC_ROLES:
            self._say(
                "  Once a cycle (720 degrees), or every revolution, which leaves two cylinders open (a wasted spark)."
            )
            keys["every"] = self._ask(
                "  Every", "cycle", "cycle", lambda text: _one_of(text, ("cycle", "revolution"))
            )
            self._say(
                "  Crank degrees from that cylinder's firing TDC to it, negative before; unknown widens the answer."
            )
            keys |= self._number_if_known("offset_deg", "  Degrees")
        if role == "crank_teeth":
            self._say(
                "  Places on the wheel, and the teeth that are missing there: 60-2 is 60 places and two missing."
            )
            keys["teeth"] = self._ask("  Teeth", "60-2", "60-2", str.strip)
        if role == "cylinder_pressure":
            self._say("  Hose and adaptor, cc: they weaken this cylinder and alter its companion's pulse.")
            keys |= self._number_if_known("added_volume_cc", "  cc")
        return NewProbe(role, number, keys)

    def _number_if_known(self, key: str, what: str) -> dict[str, str]:
        answer = self._ask(what, _NO_ANSWER, "unknown", _number_or_none)
        return {} if answer is None else {key: answer}

    def _board(self, given: Given) -> Given:
        if given.rate_hz is None:
            self._say(
                "\nSamples a second of each input: as many as the board and its line can; `evenstroke ports` says which."
            )
            rate = self._ask(
                "Rate, Hz", str(DEFAULT_RATE_HZ), str(DEFAULT_RATE_HZ), lambda text: _whole(text, 1, 10**6)
            )
            given = replace(given, rate_hz=rate)
        if given.baud is None:
            self._say("\nThe speed of the board's line, as its firmware has it.")
            baud = self._ask(
                "Baud", str(DEFAULT_BAUD), str(DEFAULT_BAUD), lambda text: _whole(text, 1, 10**8)
            )
            given = replace(given, baud=baud)
        return given

    def _choice(self, why: str, what: str, words: tuple[str, ...]) -> str | None:
        self._say(f"\n{why}")
        return self._ask(
            f"{what}: {' or '.join(words)}",
            _NO_ANSWER,
            "not said",
            lambda t: _one_of(t, words) if t else None,
        )


def parse_order(text: str, cylinders: int) -> tuple[int, ...]:
    """A firing order from "1,3,4,2", with commas, blanks or dashes. Raises ValueError, saying what it should be."""
    words = text.replace(",", " ").replace("-", " ").split()
    wanted = (
        f"each of the cylinders 1 to {cylinders} once, as in {','.join(map(str, range(1, cylinders + 1)))}"
    )
    if not all(word.isdecimal() for word in words) or sorted(map(int, words)) != list(
        range(1, cylinders + 1)
    ):
        raise ValueError(f"{text!r} is no firing order of this engine: it needs {wanted}")
    return tuple(map(int, words))


def _valid(given: Given, probes: tuple[NewProbe, ...]) -> None:
    setup_text(replace(given, probes=probes).as_it_is(), "new")


def _whole(text: str, least: int, most: int) -> int:
    if not text.isdecimal() or not least <= int(text) <= most:
        raise ValueError(f"{text!r} is not a whole number from {least} to {most}")
    return int(text)


def _number_or_none(text: str) -> str | None:
    if text and not text.removeprefix("-").replace(".", "", 1).isdecimal():
        raise ValueError(f"{text!r} is no number with a decimal point; Enter where it is not known")
    return text or None


def _one_of(text: str, words: Sequence[str]) -> str:
    if text.lower() not in words:
        raise ValueError(f"{text!r} is neither of {listed(words)}")
    return text.lower()


def _role_or_none(text: str) -> str | None:
    if text.isdecimal() and 1 <= int(text) <= len(_ROLES):
        return _ROLES[int(text) - 1]
    if text and text not in _ROLES:
        raise ValueError(f"{text!r} is no role: give its number, 1 to {len(_ROLES)}, or its name")
    return text or None
