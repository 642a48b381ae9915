"""A set-up file that is being written: its TOML text, changed key by key, with the writer's comments kept. No Qt here.

The file may be wrong or unfinished while it is written; `dsp`'s own parser says what is wrong with it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Literal

import tomlkit
from evenstroke_dsp.setup import Setup, SetupError, parse_setup
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

Path = tuple[str | int, ...]
"""Keys and places in lists from the file's top down to a value: ("probe", 0, "name")."""
Value = str | bool | int | float | Sequence[int] | Sequence[float] | Sequence[str]
Listed = Literal["probe", "fitted"]
"""The tables of which there may be several."""


class SetupDocument:
    """text: a TOML document, valid as TOML if not as a set-up; raises SetupError for one that is not."""

    def __init__(self, text: str, name: str = "set-up file") -> None:
        self.name = name
        self._plain: dict[str, object] | None = None  # since a form asks for some hundred values at each key
        try:
            self._document = tomlkit.parse(text)
        except TOMLKitError as error:
            raise SetupError(
                f"not valid TOML: {error}",
                where=name,
                expected="a TOML file (https://toml.io): key = value, one to a line, text in double quotes",
                todo="mend that place in an editor, then open it again",
            ) from error

    @property
    def text(self) -> str:
        """What is written to the file."""
        return tomlkit.dumps(self._document)

    def parsed(self) -> Setup:
        """As evenstroke reads it. Raises SetupError with what is wrong."""
        return parse_setup(self.text, self.name)

    def value(self, path: Path) -> object:
        """The plain value at a path; None where there is none."""
        if self._plain is None:
            self._plain = self._document.unwrap()
        found: object = self._plain
        for step in path:
            if isinstance(found, dict) and isinstance(step, str):
                found = found.get(step)
            elif isinstance(found, list) and isinstance(step, int) and step < len(found):
                found = found[step]
            else:
                return None
        return found

    def count(self, tables: Listed) -> int:
        """How many probes, or things fitted, the file describes."""
        found = self.value((tables,))
        return len(found) if isinstance(found, list) else 0

    def put(self, path: Path, value: Value | None) -> None:
        """Write a value, or with None take its key out. Tables on the way are made; one left empty goes."""
        if value == self.value(path):
            return
        self._plain = None
        *way, key = path
        if value is None:
            holder = self._table(tuple(way), make=False)
            if holder is not None and key in holder:
                holder.remove(str(key))
                if not holder.unwrap() and len(way) > 0 and isinstance(way[-1], str):
                    self.put(tuple(way), None)
            return
        holder = self._table(tuple(way), make=True)
        assert holder is not None
        if key in holder:
            holder[str(key)] = value  # keeps the comment behind it
        else:
            holder.add(str(key), tomlkit.item(value))

    def add(self, tables: Listed, values: Mapping[str, Value]) -> int:
        """Describe one more at the end; its place."""
        self._plain = None
        made = tomlkit.table()
        for key, value in values.items():
            made.add(key, tomlkit.item(value))
        held = self._document.get(tables)
        if isinstance(held, AoT):
            held.append(made)
        else:
            several = tomlkit.aot()
            several.append(made)
            if self.text and not self.text.endswith("\n\n"):
                self._document.add(tomlkit.nl())
            self._document.add(tables, several)
        return self.count(tables) - 1

    def take_out(self, tables: Listed, place: int) -> None:
        """Take one out, with the comment that stands directly over it; comments that follow it stay."""
        self._plain = None
        wanted = self._document.unwrap()
        del wanted[tables][place]
        if not wanted[tables]:
            del wanted[tables]
        lines = self.text.splitlines(keepends=True)
        heads = [n for n, line in enumerate(lines) if re.match(rf"\s*\[\[\s*{tables}\s*\]\]", line)]
        if place < len(heads):
            first = heads[place]
            last = next(
                (n for n in range(first + 1, len(lines)) if lines[n].lstrip().startswith("[")), len(lines)
            )
            while last > first + 1 and (
                not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")
            ):
                last -= 1
            while first > 0 and lines[first - 1].lstrip().startswith("#"):
                first -= 1
            left = "".join((*lines[:first], *lines[last:]))
            try:
                if tomllib.loads(left) == wanted:
                    self._document = tomlkit.parse(left)
                    return
            except tomllib.TOMLDecodeError:
                pass  # a value over several lines that looks like a table's head
        held = self._document[tables]
        assert isinstance(held, AoT)
        del held[place]
        if not len(held):
            self._document.remove(tables)

    def _table(self, way: Path, *, make: bool) -> Table | Container | None:
        held: object = self._document
        for step in way:
            if isinstance(step, int):
                assert isinstance(held, AoT)
                held = held[step]
                continue
            assert isinstance(held, Table | Container)
            if step not in held:
                if not make:
                    return None
                if held is self._document and self.text and not self.text.endswith("\n\n"):
                    self._document.add(tomlkit.nl())
                held.add(step, tomlkit.table())
            held = held[step]
        return held if isinstance(held, Table | Container) else None
