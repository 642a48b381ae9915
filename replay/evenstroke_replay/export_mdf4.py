"""Exported as MDF 4 (ASAM MDF 4.1): each probe with its own times, its volts and the rule that makes its unit of them."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from evenstroke_dsp.blocks import Floats

from .export_facts import UNKNOWN, facts
from .export_plan import ExportPlan, missing_library
from .measured import Measured
from .tables import column_name, level_table

VERSION = "4.10"


def plan_mdf4(measured: Measured, setup_text: str, out: Path) -> ExportPlan:
    """One file. Raises ExportError where the library is not installed."""
    try:
        import asammdf  # noqa: F401 (of the extra `formats`)
    except ImportError as error:
        raise missing_library("asammdf", "MDF 4", out, error) from error
    said = ["each probe has times of its own; samples that are not there are left out"]
    scaled = [one.probe.name for one in measured.sampled if one.probe.volts_per_unit is not None]
    if scaled:
        said.append(f"volts are raw values, with a conversion to the set-up's unit: {', '.join(scaled)}")
    if measured.recorded_at is None:
        said.append(
            "when it was recorded is not known; the file's start time, which must be something, is 1970"
        )
    return ExportPlan(((out, partial(_write, measured=measured, setup_text=setup_text)),), tuple(said))


def _write(path: Path, measured: Measured, setup_text: str) -> None:
    from asammdf import MDF

    known = facts(measured, setup_text)
    with MDF(version=VERSION) as file:
        file.header.comment = _header_comment(known)
        file.start_time = datetime.fromisoformat(measured.recorded_at or "1970-01-01T00:00:00+00:00")
        for one in measured.sampled:
            here = ~np.isnan(one.volts)
            probe = one.probe
            scale: dict[str, object] | None = None
            if probe.volts_per_unit is not None:
                # phys = a * raw + b, the format's linear conversion.
                scale = {"a": 1.0 / probe.volts_per_unit, "b": -probe.volts_at_zero / probe.volts_per_unit}
            times = measured.times[here] + one.late_s
            _append(
                file, times, one.volts[here], probe.name, probe.unit, scale, _words(probe.role, probe.place)
            )
        if measured.changes:
            columns = level_table(measured)
            for change in measured.changes:
                column = next(c for c in columns[1:] if c.name == column_name(change.probe))
                known_level = ~np.isnan(column.values)
                levels = (column.values[known_level] > 0.5).astype(np.uint8)
                words = _words(change.probe.role, change.probe.place) + "; the level from then on"
                _append(file, columns[0].values[known_level], levels, change.probe.name, "", None, words)
        file.attach(
            setup_text.encode(), file_name="setup.toml", mime="application/toml", comment="the set-up"
        )
        file.attach(
            "".join(f"{name}: {text}\n" for name, text in known.items() if name != "setup_toml").encode(),
            file_name="facts.txt",
            mime="text/plain",
            comment="gaps, marks, scales, clock: names and JSON",
        )
        with path.open("w+b") as stream:
            file.save(stream, compression=1)


def _append(
    file: Any,
    times: Floats,
    samples: np.ndarray[Any, Any],
    name: str,
    unit: str,
    conversion: dict[str, object] | None,
    comment: str,
) -> None:
    from asammdf import Signal

    signal = Signal(samples, times, unit=unit, name=name, conversion=conversion, comment=comment)
    file.append([signal], acq_name=name, comment=comment)


def _words(role: str, place: str | None) -> str:
    return f"{role}, {place}" if place else role


def _header_comment(known: dict[str, str]) -> str:
    shown = ("title", "source_file", "written_by", "board_clock", "second_0_at", "second_0_note", "volts")
    text = "\n".join(f"{name}: {known[name] or UNKNOWN}" for name in shown)
    return f"<HDcomment><TX>{escape(text)}</TX></HDcomment>"
