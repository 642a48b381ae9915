"""Exported as CSV: tables that a spreadsheet opens and `evenstroke import` reads again.

Volts are written so that reading gives the same float64. What a board reported as level changes goes into a file of
its own with a row for each change: sampled at the rows of the volts, a change would move by up to a row, and a pulse
that is shorter than a row would be gone.
"""

from __future__ import annotations

import csv
import math
from functools import partial
from pathlib import Path

from evenstroke_dsp.wording import counted, listed

from .export_plan import ExportPlan, beside
from .measured import Measured
from .tables import Column, level_table, sample_table

_ROWS_AT_ONCE = 1 << 16
"""As text they take ten times the memory that they take as numbers."""


def plan_csv(measured: Measured, setup_text: str, out: Path) -> ExportPlan:
    """The table, level changes beside it, and the set-up, without which nobody can import them."""
    samples, levels = sample_table(measured), level_table(measured)
    setup_file = beside(out, "setup", ".toml")
    level_file = beside(out, "edges", ".csv") if samples else out
    said = ["volts are as sampled; times are rounded to a picosecond"] if samples else []
    files = [(out, partial(write_csv, columns=samples or levels))]
    if samples and levels:
        files.append((level_file, partial(write_csv, columns=levels)))
        names = listed(column.name for column in levels[1:])
        said.append(
            f"{level_file.name} has the level changes of {names}, a row for each: among the rows of volts they would move "
            "by up to a row, and short pulses would be gone"
        )
    files.append((setup_file, partial(_write_text, text=setup_text)))
    notes = len(measured.marks)
    told = [counted(notes, "note")] if notes else []
    told += ["when it was recorded"] if measured.recorded_at is not None else []
    if told:
        said.append(f"not in the CSV: {listed(told)}; .mat, .parquet and .mf4 hold that")
    by_edges = bool(levels) and not any(probe.sampling == "edges" for probe in measured.setup.probe)
    parts = [out.name] if samples or not by_edges else []
    parts += [f"--edges {level_file.name}"] if by_edges else []
    said.append(f"back again: evenstroke import {' '.join(parts)} --setup {setup_file.name} -o NEW.mcap")
    return ExportPlan(tuple(files), tuple(said))


def write_csv(path: Path, columns: list[Column]) -> None:
    """One header row, commas, decimal points; an empty cell where a value is NaN."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        # A separator of another kind in a name that is not quoted would be taken for the file's.
        odd = any(sign in column.name for column in columns for sign in ";\t")
        header = csv.writer(stream, lineterminator="\n", quoting=csv.QUOTE_ALL if odd else csv.QUOTE_MINIMAL)
        header.writerow(column.name for column in columns)
        rows = csv.writer(stream, lineterminator="\n")
        for begin in range(0, columns[0].values.size, _ROWS_AT_ONCE):
            cells = [_cells(column, begin) for column in columns]
            rows.writerows(zip(*cells, strict=True))


def _cells(column: Column, begin: int) -> list[str]:
    form = "{:.0f}".format if column.levels else repr
    values = column.values[begin : begin + _ROWS_AT_ONCE].tolist()
    return ["" if math.isnan(value) else form(value) for value in values]


def _write_text(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write(text)
