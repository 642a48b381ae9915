"""Which files an export is going to write, and what is to be said of them before anybody relies on them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from evenstroke_protocol.errors import EvenstrokeError


class ExportError(EvenstrokeError):
    """What was measured cannot be written in the format that was asked for."""


@dataclass(frozen=True, slots=True)
class ExportPlan:
    """files: each with what writes it to a path, the one that was asked for first. said: sentences."""

    files: tuple[tuple[Path, Callable[[Path], None]], ...]
    said: tuple[str, ...]


def beside(out: Path, kind: str, suffix: str) -> Path:
    """The name of another file of the same export: crank.csv, crank.edges.csv."""
    return out.with_name(f"{out.stem}.{kind}{suffix}")


def missing_library(library: str, kind: str, out: Path, error: ImportError) -> ExportError:
    """A format that a plain installation does not write."""
    return ExportError(
        f"{kind} needs a library that is not installed",
        where=str(out),
        expected=library,
        found=str(error),
        todo=f"install it with: {sys.executable} -m pip install {library} (the extra `formats` of evenstroke has it); .csv, "
        ".wav and .mat need nothing more",
    )
