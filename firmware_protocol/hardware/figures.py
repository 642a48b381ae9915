"""Computes every figure in HARDWARE.md from the parts and assumptions in it, and writes them there.

    python firmware_protocol/hardware/figures.py

Least and most are over all corners of the tolerances. A test does the same and compares.
"""

from __future__ import annotations

import itertools
import math
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

DOCUMENT = Path(__file__).parents[1] / "HARDWARE.md"
PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
UNITS = r"(?:Ω|F|A|V|m/s)?"
_VALUE = re.compile(rf"([\d.]+) ?([pnµmkM]?)({UNITS})(?: ± ([\d.]+) %)?$")


@dataclass(frozen=True, slots=True)
class Value:
    """A part's or an assumption's value in its base unit, and its tolerance, a share of it."""

    nominal: float
    tolerance: float
    written: str

    @property
    def ends(self) -> tuple[float, ...]:
        if self.tolerance == 0.0:
            return (self.nominal,)
        return self.nominal * (1 - self.tolerance), self.nominal * (1 + self.tolerance)


@dataclass(frozen=True, slots=True)
class Figure:
    """A row of the last table: what is computed, how, its limit (`""`: none), and what stands there now."""

    name: str
    expression: str
    unit: str
    limit: str
    written: tuple[str, str, str]

    def computed(self, values: dict[str, Value]) -> tuple[float, float, float]:
        """Nominal, least and most."""
        used = [name for name in values if re.search(rf"\b{name}\b", self.expression)]
        nominal = _evaluate(self.expression, {name: values[name].nominal for name in used})
        corners = [
            _evaluate(self.expression, dict(zip(used, ends, strict=True)))
            for ends in itertools.product(*(values[name].ends for name in used))
        ]
        return nominal, min(corners), max(corners)


def second(r1: float, c1: float, r2: float, c2: float, hz: float) -> float:
    """Gain in dB of two RC sections in a row, the second one loading the first, driven by 0 ohm."""
    s = 2j * math.pi * hz
    return -20 * math.log10(abs(1 + s * (r1 * c1 + r1 * c2 + r2 * c2) + s * s * r1 * c1 * r2 * c2))


def first(r: float, c: float, hz: float) -> float:
    """Gain in dB of one RC section."""
    return -10 * math.log10(1 + (2 * math.pi * hz * r * c) ** 2)


def corner(r1: float, c1: float, r2: float, c2: float) -> float:
    """Where `second` is at half power, Hz: (1 - a w^2)^2 + (b w)^2 = 2, solved for w^2."""
    a, b = r1 * c1 * r2 * c2, r1 * c1 + r1 * c2 + r2 * c2
    linear = b * b - 2 * a
    return math.sqrt((-linear + math.sqrt(linear * linear + 4 * a * a)) / (2 * a * a)) / (2 * math.pi)


def _evaluate(expression: str, names: dict[str, float]) -> float:
    known = {
        **{name: getattr(math, name) for name in ("pi", "sqrt", "log", "atan", "degrees")},
        "second": second,
        "first": first,
        "corner": corner,
    }
    return float(eval(expression, {"__builtins__": {}}, {**known, **names}))


def rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of each row of each table."""
    for number, line in enumerate(text.splitlines()):
        if line.startswith("| "):
            yield number, [cell.strip() for cell in line.split("|")[1:-1]]


def values_in(text: str) -> dict[str, Value]:
    """Parts and assumptions, by name."""
    found: dict[str, Value] = {}
    for _, cells in rows(text):
        match = _VALUE.fullmatch(cells[1]) if len(cells) == 4 else None
        if match is not None and re.fullmatch(r"[A-Z]+\d*[A-Z]?", cells[0]):
            number, prefix, _, tolerance = match.groups()
            found[cells[0]] = Value(float(number) * PREFIXES[prefix], float(tolerance or 0) / 100, cells[1])
    return found


def figures_in(text: str) -> Iterator[tuple[int, Figure]]:
    """Line number and contents of each computed figure."""
    for number, line in enumerate(text.splitlines()):
        match = re.fullmatch(r"\| (.+?) \| `(.+)` \|(.*?)\|(.*?)\|(.*?)\| (.+?) \|(.*?)\|", line)
        if match is not None:
            name, expression, nominal, least, most, unit, limit = (part.strip() for part in match.groups())
            yield number, Figure(name, expression, unit, limit, (nominal, least, most))


def shown(number: float) -> str:
    """Three digits."""
    if number == 0 or abs(number) < 1e-9:
        return "0"
    digits = max(0, 2 - math.floor(math.log10(abs(number))))
    return f"{number:.{digits}f}"


def rewritten(text: str) -> str:
    """The document with all figures computed."""
    values = values_in(text)
    lines = text.splitlines()
    for number, figure in figures_in(text):
        nominal, least, most = (shown(x) for x in figure.computed(values))
        limit = f" {figure.limit} " if figure.limit else " "
        lines[number] = (
            f"| {figure.name} | `{figure.expression}` | {nominal} | {least} | {most} | {figure.unit} |{limit}|"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    DOCUMENT.write_text(rewritten(DOCUMENT.read_text(encoding="utf-8")), encoding="utf-8")
    sys.exit(0)
