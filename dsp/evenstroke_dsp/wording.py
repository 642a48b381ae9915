"""How lists, counts and ranges are written in a sentence."""

from __future__ import annotations

from collections.abc import Iterable

_WHOLE_FROM = 2.0


def listed(words: Iterable[str]) -> str:
    """Words as a list in a sentence: "1, 3 and 4"."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def counted(number: int, thing: str, things: str = "") -> str:
    """A number with its noun: "1 cycle", "2 cycles"; things: its plural, where that is not `thing` with an s."""
    return f"{number} {thing if number == 1 else things or f'{thing}s'}"


def decimals(low: float, high: float) -> int:
    """With how many decimals a range is written: whole numbers, unless they would hardly tell its ends apart."""
    return 0 if high - low >= _WHOLE_FROM else 1
