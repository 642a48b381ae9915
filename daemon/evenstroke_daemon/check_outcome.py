"""What a self-check says of one thing, as a line for people and as data for scripts.

Only the standard library: it has to work where what it reports on does not.
"""

from __future__ import annotations

import textwrap
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Result = Literal["holds", "measured", "failed", "not_checked"]
"""measured: a figure that nothing is known to compare with, so that it can neither hold nor fail."""

_WORDS: dict[Result, str] = {
    "holds": "holds",
    "measured": "measured",
    "failed": "FAILED",
    "not_checked": "not checked",
}
_NAME_COLUMN, _TEXT_COLUMN = 13, 30


@dataclass(frozen=True, slots=True)
class Figure:
    """A number behind a check. uncertainty: 95 %, either side, in the same unit; None: none is stated."""

    name: str
    value: float
    unit: str
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked. text: what was found, in a sentence; of what was not checked, why.
    todo: what the user can do about it; None where there is nothing to do."""

    name: str
    result: Result
    text: str
    todo: str | None = None
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class Selfcheck:
    """All of it. versions: of Python, evenstroke and the libraries that it rests on, by name; None where one is missing.
    held, measured, failed, not_checked: how many of the checks."""

    schema: Literal["evenstroke.selfcheck/1"]
    versions: dict[str, str | None]
    held: int
    measured: int
    failed: int
    not_checked: int
    checks: tuple[Check, ...]


def holds(name: str, text: str, *figures: Figure, todo: str | None = None) -> Check:
    return Check(name, "holds", text, todo, figures)


def measured(name: str, text: str, *figures: Figure) -> Check:
    return Check(name, "measured", text, None, figures)


def failed(name: str, text: str, *figures: Figure, todo: str) -> Check:
    return Check(name, "failed", text, todo, figures)


def not_checked(name: str, because: str, *, todo: str | None = None) -> Check:
    return Check(name, "not_checked", f"because {because}", todo)


def guarded(name: str, check: Callable[[], Check]) -> Check:
    """The check's outcome; what it raises makes it fail, since a self-check that breaks off says least where it is needed."""
    try:
        return check()
    except Exception as error:
        return failed_by(name, error)


def failed_by(name: str, error: Exception) -> Check:
    """A check that ended in an error: one of ours says what to do itself, any other is a fault of the installation or ours."""
    problem = getattr(error, "problem", None)
    if isinstance(problem, str):
        where, found, todo = (getattr(error, part, "") for part in ("where", "found", "todo"))
        text = f"{where}: {problem}" if where else problem
        return failed(name, f"{text} ({found})" if found else text, todo=todo or "try again")
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return failed(
            name,
            f"{where}{error.strerror or error}",
            todo="make room there, or see who may write there, and try again",
        )
    frame = traceback.extract_tb(error.__traceback__)[-1:]
    at = f" at {frame[0].filename}:{frame[0].lineno}" if frame else ""
    return failed(
        name,
        f"it broke: {type(error).__name__}: {error}{at}",
        todo="install evenstroke anew in an environment of its own (README.md); if it stays, report it with this line",
    )


def lines(check: Check, width: int) -> list[str]:
    """A check as people read it: result, name, what was found; below it what to do."""
    text = check.text if check.todo is None else f"{check.text}\nDo this: {check.todo}"
    first = f"{_WORDS[check.result]:<{_NAME_COLUMN}}{check.name.replace('_', ' ')}"
    room = max(30, width - _TEXT_COLUMN)
    wrapped = [
        line
        for part in text.splitlines()
        for line in textwrap.wrap(part, room, break_long_words=False, break_on_hyphens=False) or [""]
    ]
    return [f"{first if i == 0 else '':<{_TEXT_COLUMN}}{line}" for i, line in enumerate(wrapped)]
