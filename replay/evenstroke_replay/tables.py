"""What was measured, as tables: a row for each scan, and a row for each level change."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from evenstroke_dsp.blocks import Floats
from evenstroke_dsp.setup import Probe

from .capture_csv import TIME_COLUMN
from .measured import Changes, Measured, level_gaps
from .whole_file import OutputError

TIME_DECIMALS = 12
"""Of a second: what times in tables are rounded to, which is a picosecond. It hides the noise of floating-point sums."""
_JUST_BEFORE_S = 1e-9
_BEFORE_ANY_CHANGE_S = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """values: shape (rows,), NaN where a cell is empty. probe: whose they are; None: times, in seconds. levels: 0 or 1."""

    name: str
    values: Floats
    probe: Probe | None = None
    levels: bool = False


def sample_table(measured: Measured) -> list[Column]:
    """Times, then volts by probe. A probe that is sampled later than its row's time has its own times beside it.

    What did not arrive has no rows. Empty where nothing was sampled. Raises OutputError for names that clash.
    """
    if not measured.sampled:
        return []
    times = _rounded(measured.times)
    columns = [Column(TIME_COLUMN, times)]
    for one in measured.sampled:
        name = column_name(one.probe)
        columns.append(Column(name, one.volts, one.probe))
        if one.late_s:
            columns.append(Column(f"{TIME_COLUMN} of {name}", _rounded(measured.times + one.late_s)))
    return _checked(columns)


def level_table(measured: Measured) -> list[Column]:
    """Times, then the levels from then on, by probe: a row for each change, one before the first and one at the end.

    An empty cell: the level is not known from here on, since changes may be missing. Empty where no changes were
    reported. Raises OutputError for names that clash.
    """
    if not measured.changes:
        return []
    gaps = level_gaps(measured)
    firsts = [float(one.times[0]) for one in measured.changes if one.times.size]
    begin = float(measured.times[0]) if measured.times.size else np.inf
    begin = min([begin, *(first - _BEFORE_ANY_CHANGE_S for first in firsts)])
    courses = [_course(one, begin, gaps) for one in measured.changes]
    end = np.round(measured.changes_until, TIME_DECIMALS)
    times = np.unique(np.concatenate([np.array([begin, end]), *(course[0] for course in courses)]))
    columns = [Column(TIME_COLUMN, times)]
    for one, (at, levels) in zip(measured.changes, courses, strict=True):
        place = np.searchsorted(at, times, side="right") - 1
        columns.append(Column(column_name(one.probe), levels[place], one.probe, levels=True))
    return _checked(columns)


def _course(changes: Changes, begin: float, gaps: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """When the level becomes what, ascending; NaN where it is not known."""
    at: list[float] = [begin]
    levels: list[float] = [np.nan]

    def becomes(t: float, level: float) -> None:
        # A pulse shorter than the board's tick has two changes at one time; rows must ascend.
        at.append(max(round(t, TIME_DECIMALS), math.nextafter(at[-1], math.inf)))
        levels.append(level)

    before = begin
    known: float | None = None
    for t, rising in zip(changes.times.tolist(), changes.rising.tolist(), strict=True):
        holes = [gap for gap in gaps if before < gap[1] and gap[0] < t] if gaps else []
        if known is None and not holes:
            levels[0] = float(not rising)
        elif holes:
            if known is None:
                levels[0] = np.nan
            becomes(max(before, min(gap[0] for gap in holes)), np.nan)
            becomes(max(before, min(max(gap[1] for gap in holes), t) - _JUST_BEFORE_S), float(not rising))
        elif known == float(rising):  # the change in between is missing, though nothing else says so
            becomes((before + t) / 2.0, np.nan)
            becomes(t - _JUST_BEFORE_S, float(not rising))
        becomes(t, float(rising))
        before, known = t, float(rising)
    for gap in gaps:
        if gap[0] >= before:
            becomes(gap[0], np.nan)
            break
    return np.array(at), np.array(levels)


def column_name(probe: Probe) -> str:
    """What the data of a probe are called in a table: as `import` looks for them."""
    return (probe.column if probe.column is not None else probe.name).strip()


def _rounded(times: Floats) -> Floats:
    return np.asarray(np.round(times, TIME_DECIMALS))


def _checked(columns: list[Column]) -> list[Column]:
    names = [column.name for column in columns]
    for name in names:
        if names.count(name) > 1 or not name:
            raise OutputError(
                "two columns would have the same name" if name else "a column would have no name",
                where=f"probe {name!r}",
                expected="a name of its own for every probe, and none that is also a column of times",
                found=", ".join(map(repr, names)),
                todo="give the probes other names in a copy of the set-up, and export with --setup",
            )
    return columns
