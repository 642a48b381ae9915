"""How lists, counts, ranges and names are written in a sentence, and what stands where a size is not known."""

from __future__ import annotations

from collections.abc import Iterable

NOT_WORKED_OUT = "How large that is has not been worked out."
"""Engine physics were left out, or say nothing of a test that does not crank."""
_WHOLE_FROM, _TENTHS_FROM = 2.0, 0.1
_ARTICLES = frozenset({"a", "an", "the"})
_POINTING = frozenset({"no", "my", "our", "his", "her", "their", "its", "this", "that"})


def listed(words: Iterable[str]) -> str:
    """Words as a list in a sentence: "1, 3 and 4"."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def counted(number: int, thing: str, things: str = "") -> str:
    """A number with its noun: "1 cycle", "2 cycles"; things: its plural, where that is not `thing` with an s."""
    return f"{number} {thing if number == 1 else things or f'{thing}s'}"


def decimals(low: float, high: float) -> int:
    """With how many decimals a range is written: whole numbers, unless they would hardly tell its ends apart."""
    return 0 if high - low >= _WHOLE_FROM else 1 if high - low >= _TENTHS_FROM else 2


def with_article(thing: str) -> str:
    """What somebody calls a thing, as a sentence has it: "the gauge" of "gauge" and of "a gauge"."""
    first, _, rest = thing.strip().partition(" ")
    if first.lower() in _ARTICLES and rest:
        return f"the {rest}"
    return thing.strip() if first.lower() in _POINTING else f"the {thing.strip()}"
