"""Exported as a MAT file, version 5: for MATLAB, Octave and whatever else reads it.

`time_s`, shape (rows, 1); a struct for each probe, called as it is where that is a valid name; `facts`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from scipy.io import savemat
from scipy.io.matlab import MatWriteError

from .export_facts import facts
from .export_plan import ExportError, ExportPlan
from .measured import Measured

_LONGEST_NAME = 31
"""Letters that a name in a version 5 file may have everywhere; later programs take 63."""
_TAKEN = ("time_s", "facts")
_KEYWORDS = frozenset(
    (
        *(
            "break",
            "case",
            "catch",
            "classdef",
            "continue",
            "else",
            "elseif",
            "end",
            "for",
            "function",
            "global",
        ),
        *("if", "otherwise", "parfor", "persistent", "return", "spmd", "switch", "try", "while"),
    )
)


def plan_mat(measured: Measured, setup_text: str, out: Path) -> ExportPlan:
    """One file. Raises ExportError, as it is written, where a column is larger than such a file can hold."""
    probes = [one.probe for one in measured.sampled] + [change.probe for change in measured.changes]
    names = valid_names([probe.name for probe in probes])
    content: dict[str, Any] = {"time_s": measured.times[:, np.newaxis]} if measured.sampled else {}
    for one, name in zip(measured.sampled, names, strict=False):
        content[name] = {
            **_about(one.probe.name, one.probe.role, one.probe.place),
            "unit": one.probe.unit,
            "volts_per_unit": np.nan if one.probe.volts_per_unit is None else one.probe.volts_per_unit,
            "volts_at_zero": one.probe.volts_at_zero,
            "late_s": one.late_s,
            "volts": one.volts[:, np.newaxis],
        }
    for change, name in zip(measured.changes, names[len(measured.sampled) :], strict=True):
        content[name] = {
            **_about(change.probe.name, change.probe.role, change.probe.place),
            "times_s": change.times[:, np.newaxis],
            "rising": change.rising[:, np.newaxis],
        }
    beside: dict[str, Any] = dict(facts(measured, setup_text))
    del beside["probes"]  # each stands with its own
    beside["gaps"] = _structs(
        ("from_s", "to_s", "lost_samples", "reason"),
        [(g.t_from, g.t_to, float(g.lost_samples), g.reason.value) for g in measured.gaps],
    )
    beside["marks"] = _structs(("at_s", "text"), [(mark.at_s, mark.text) for mark in measured.marks])
    beside["phases"] = _structs(("from_s", "phase"), [(phase.at_s, phase.text) for phase in measured.phases])
    content["facts"] = beside
    said = (
        ["volts are as sampled, NaN where there is none; what did not arrive has no rows"]
        if measured.sampled
        else []
    )
    renamed = [
        f"{probe.name!r} is {name}" for probe, name in zip(probes, names, strict=True) if probe.name != name
    ]
    if renamed:
        said.append(f"names that MATLAB takes: {', '.join(renamed)}")
    return ExportPlan(((out, partial(_write, content=content)),), tuple(said))


def valid_names(names: Sequence[str]) -> list[str]:
    """A MATLAB identifier for each, all different: letters, digits and `_`, a letter first, no keyword."""
    found: list[str] = []
    for name in names:
        plain = re.sub(r"[^A-Za-z0-9_]", "_", name)
        if not re.match(r"[A-Za-z]", plain) or plain in _KEYWORDS:
            plain = f"probe_{plain}"
        plain = free = plain[:_LONGEST_NAME]
        number = 2
        while free in found or free in _TAKEN:
            ending = f"_{number}"
            free = plain[: _LONGEST_NAME - len(ending)] + ending
            number += 1
        found.append(free)
    return found


def _about(name: str, role: str, place: str | None) -> dict[str, Any]:
    return {"name": name, "role": role, "place": place or ""}


def _structs(fields: Sequence[str], rows: Iterable[tuple[object, ...]]) -> np.ndarray[Any, Any]:
    """A struct array with a row for each, 0 by 1 where there are none."""
    rows = list(rows)
    made = np.empty((len(rows), 1), dtype=[(field, object) for field in fields])
    for number, row in enumerate(rows):
        made[number, 0] = row
    return made


def _write(path: Path, content: dict[str, Any]) -> None:
    try:
        savemat(path, content, appendmat=False, long_field_names=True)
    except MatWriteError as error:
        raise ExportError(
            "this is more than a MAT file of version 5 can hold",
            expected="columns of up to 4 GB",
            found=str(error),
            todo="export it as .parquet or .mf4",
        ) from error
