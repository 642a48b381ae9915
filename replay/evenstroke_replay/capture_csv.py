"""Captures of any logger that can write CSV: rows in, blocks out, bad rows refused by line and column.

The file: UTF-8 (a byte order mark is allowed, spreadsheets write one), one header row whose names
are stripped of blanks, one time column in seconds, volts in the others. Separators, told by the
header row: a tab; else a semicolon, and then decimals have a comma; else a comma.

Time: the period is the median step. Steps that deviate by up to 1 % of it, or by no more than the
time column's own rounding, are jitter; larger deviations are resampled and warned of; a step of
more than 1.5 periods is a gap. Every unbroken stretch gets its own beginning, and a period that is
fitted to all of its rows, so that a rounded time column does not drift.

Columns that were sampled one behind the other within a row may say so: `time_s of NAME` then holds the
times of the column NAME, all of them the same distance behind the rows'. Level changes that were not sampled
but reported come in a file of their own beside it, with a row for each change, on the same clock.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evenstroke_dsp.blocks import Block, Bools, EdgeBlock, Floats, Gap, GapReason, InputKey, SampleBlock
from evenstroke_dsp.messages import CodedWarning
from evenstroke_dsp.setup import EDGE_ROLES, Probe, Setup, SetupError
from evenstroke_dsp.wording import counted
from evenstroke_protocol.errors import EvenstrokeError
from scipy.interpolate import CubicSpline, PchipInterpolator

TIME_COLUMN = "time_s"
BLOCK_ROWS = 4096
_JITTER = 0.01
_GAP = 1.5
_UNEVEN_CHANGES, _ROWS_OF_CHANGES = 0.2, 0.95
"""A file of level changes: shares of steps that keep no period, and of rows that differ from the one before."""
EMPTY_CELLS = "empty_cells"
"""The code of what is said of a column with empty cells."""
_LARGEST = 1e12
"""Of any volts or seconds: beyond it something else was written into the cell."""
_FARTHEST_ROWS_S = 0.008
"""Slower than that, the 50 Hz low-pass of a pulse probe cannot be applied."""
_SHORTEST_STEP_S = 1e-9
_LONGEST_PREAMBLE, _SHOWN = 200, 40
"""Lines among which a header is looked for, and letters of what was found that an error shows."""
_BACK_AT_ONCE = 3.0
"""Usual steps within which the rows on either side of one that does not fit follow each other."""
_SAME_DISTANCE = 0.01
"""Of the period: how much the distance of a column's own times from the rows' may vary."""
_FEWEST_ROUNDED_STEPS = 10
"""Fewer long steps than this are gaps: they are too few to show that they come evenly."""
_NUMBER_CHARACTERS = frozenset("0123456789+-.eE ")


class CaptureError(EvenstrokeError):
    """A capture as CSV cannot be read as it is."""


@dataclass(frozen=True)
class Capture:
    """A capture, read and checked.

    blocks(): its data in order of time, in the file's own seconds.
    warnings: what was noticed and what was done about it.
    duration_s: from its first row to the end of its last one.
    lost_samples: rows missing in gaps. sha256: of the file's bytes, hexadecimal.
    """

    warnings: tuple[CodedWarning, ...]
    duration_s: float
    lost_samples: int
    sha256: str
    _blocks: tuple[Block, ...]

    def blocks(self) -> Iterator[Block]:
        return iter(self._blocks)


def read_capture(
    source: Path | str | None, setup: Setup, time_column: str | None = None, changes: Path | None = None
) -> Capture:
    """Read the columns that the set-up's probes name.

    source: a Path is the file to read; a str is the text itself; None where all there is are `changes`.
    time_column: the header's name of the time column; `time_s` when None.
    changes: a second file, of level changes, for the probes whose columns are in that one.

    Raises CaptureError for anything that is not as the contract says, with its line and column.
    """
    if changes is not None:
        return _read_with_changes(source, setup, time_column, changes)
    if source is None:
        raise ValueError("neither samples nor level changes to read")
    table, data = _opened(source, time_column)
    columns = _columns_of(setup.probe, table)
    sha256 = hashlib.sha256(data).hexdigest()
    if any(probe.sampling == "edges" for probe in setup.probe):
        return _read_edges(table, columns, sha256)
    return _read_steady(table, columns, sha256)


def _opened(source: Path | str, time_column: str | None) -> tuple[_Table, bytes]:
    if isinstance(source, Path):
        name = str(source)
        try:
            data = source.read_bytes()
        except OSError as error:
            raise CaptureError(
                "the capture cannot be read",
                where=name,
                found=error.strerror or str(error),
                todo="check the path and who may read it",
            ) from error
    else:
        name, data = "capture", source.encode()
    return _Table(name, _text(name, data), time_column), data


def _read_with_changes(
    source: Path | str | None, setup: Setup, time_column: str | None, changes: Path
) -> Capture:
    if any(probe.sampling == "edges" for probe in setup.probe):
        raise CaptureError(
            "the set-up's one file is itself one of level changes",
            where=str(changes),
            expected='a set-up without sampling = "edges", for a file of samples and one of level changes',
            found='sampling = "edges"',
            todo="give this file as the capture itself, without --edges",
        )
    told, told_data = _opened(changes, time_column)
    if source is None:
        return _read_edges(told, _columns_of(setup.probe, told), hashlib.sha256(told_data).hexdigest())
    table, data = _opened(source, time_column)
    for probe in setup.probe:
        if (name := _column_name(probe)) in table.names and name in told.names:
            raise CaptureError(
                f"the column {name!r} is in both files",
                where=f"{told.name}, line 1",
                expected=f"the column of the probe {probe.name!r} in one of them",
                found=f"{name!r} in {table.name} too",
                todo="delete it from the one that it does not belong to",
            )
    reported = [probe for probe in setup.probe if _column_name(probe) in told.names]
    sampled = [probe for probe in setup.probe if probe not in reported]
    sha256 = hashlib.sha256(data + told_data).hexdigest()
    if not sampled:
        return _read_edges(told, _columns_of(reported, told), sha256)
    steady = _read_steady(table, _columns_of(sampled, table), sha256)
    edges = _read_edges(told, _columns_of(reported, told), sha256)
    end = max(table.time[0] + steady.duration_s, told.time[-1])
    return Capture(
        warnings=(*steady.warnings, *edges.warnings),
        duration_s=float(end - min(table.time[0], told.time[0])),
        lost_samples=steady.lost_samples,
        sha256=sha256,
        _blocks=tuple(_side_by_side(steady.blocks(), edges.blocks())),
    )


def _side_by_side(steady: Iterator[Block], edges: Iterator[Block]) -> Iterator[Block]:
    """Level changes before the samples of the same time: a pipeline waits for them, and not for long."""
    ahead = next(edges, None)
    for block in steady:
        if isinstance(block, SampleBlock):
            end = block.t0 + block.samples * block.dt
            while ahead is not None and _begins(ahead) < end:
                yield ahead
                ahead = next(edges, None)
        yield block
    if ahead is not None:
        yield ahead
    yield from edges


def _begins(block: Block) -> float:
    if isinstance(block, EdgeBlock):
        return float(block.times[0]) if block.times.size else block.until
    return block.t_from if isinstance(block, Gap) else block.t0


def _text(name: str, data: bytes) -> str:
    try:
        return data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise CaptureError(
            "the capture is not UTF-8",
            where=f"{name}, line {line}",
            expected="text in UTF-8",
            found=f"the byte 0x{data[error.start]:02x} at offset {error.start}",
            todo="save it as UTF-8",
        ) from error


def setup_missing(path: Path) -> SetupError:
    """What to raise where a capture comes without a set-up."""
    return SetupError(
        "a capture as CSV does not say what engine it is from",
        where=str(path),
        expected="a set-up file for it",
        found="none",
        todo="give one with --setup FILE; `evenstroke setup new` writes one, and the shipped `demo` shows a whole one",
    )


class _Table:
    """The file's cells with the lines that they stand in, and its time column as numbers."""

    def __init__(self, name: str, text: str, time_column: str | None) -> None:
        self.name = name
        wanted = TIME_COLUMN if time_column is None else time_column.strip()
        self.separator = _separator_of(text.partition("\n")[0])
        self._look_for_header_below(text, wanted)
        rows, self._lines = self._rows(text)
        if not rows or not any(cell.strip() for cell in rows[0]):
            raise CaptureError(
                "there is no header row",
                where=f"{name}, line 1",
                expected="one row with the columns' names",
                found="an empty file" if not rows else "an empty line",
                todo="write the names of the columns into the first row",
            )
        self.names = [cell.strip() for cell in rows[0]]
        del rows[0], self._lines[0]
        self._check_widths(rows)
        self._columns: list[tuple[str, ...]] = list(zip(*rows, strict=True))
        if wanted not in self.names:
            raise CaptureError(
                f"there is no time column {wanted!r}",
                where=f"{name}, line 1",
                expected=f"a column {wanted!r} with the time in seconds",
                found=f"the columns {self.listed()}",
                todo=f"name the time column with --time, for instance --time {self.names[0]!r}, if that is in seconds",
            )
        self.time_place = self.place(wanted)
        if len(rows) < 2:
            raise CaptureError(
                "there are too few rows to tell a sampling period",
                where=name,
                expected="at least two rows below the header",
                found=str(len(rows)),
                todo="export the whole capture",
            )
        self.time = self.numbers(self.time_place, empty_allowed=False)
        self._check_order()

    def _rows(self, text: str) -> tuple[list[list[str]], list[int]]:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=self.separator, strict=True)
        rows: list[list[str]] = []
        lines: list[int] = []
        line = 1
        try:
            for row in reader:
                rows.append(row)
                lines.append(line)
                line = reader.line_num + 1
        except csv.Error as error:
            raise CaptureError(
                "this row is no CSV",
                where=f"{self.name}, line {line}",
                expected=f"cells separated by {_SEPARATOR_NAMES[self.separator]}",
                found=str(error),
                todo="export the capture again as plain CSV",
            ) from error
        while rows and not any(cell.strip() for cell in rows[-1]) and len(rows[-1]) <= 1:
            rows.pop()
            lines.pop()
        return rows, lines

    def rows_that_change(self) -> float:
        """The share of rows that differ from the one before in any column but the time."""
        others = [cells for place, cells in enumerate(self._columns) if place != self.time_place]
        rows = list(zip(*others, strict=True))
        return sum(a != b for a, b in itertools.pairwise(rows)) / max(len(rows) - 1, 1)

    def _look_for_header_below(self, text: str, wanted: str) -> None:
        """Refuses lines before the header, such as a logger's own name and settings."""
        for number, line in enumerate(itertools.islice(io.StringIO(text), _LONGEST_PREAMBLE), 1):
            if wanted in (cell.strip().strip('"').strip() for cell in line.split(_separator_of(line))):
                if number == 1:
                    return
                first = text.partition("\n")[0].strip()
                raise CaptureError(
                    "the header is not the first row",
                    where=f"{self.name}, line {number}",
                    expected="the row with the columns' names before everything else",
                    found=f"{number - 1} other line{'s' if number > 2 else ''} before it, from {first[:_SHOWN]!r} on",
                    todo=f"delete {'line 1' if number == 2 else f'lines 1 to {number - 1}'}",
                )

    def _check_widths(self, rows: Sequence[Sequence[str]]) -> None:
        width = len(self.names)
        for row, line in zip(rows, self._lines, strict=True):
            if len(row) != width:
                raise CaptureError(
                    "this row has another number of cells than the header",
                    where=f"{self.name}, line {line}, column {min(len(row), width) + 1}",
                    expected=f"{width} cells separated by {_SEPARATOR_NAMES[self.separator]}",
                    found=f"{counted(len(row), 'cell')} ({self.separator.join(row)[:_SHOWN]!r})"
                    if row
                    else "an empty line",
                    todo=self._why_of_another_width(row, rows),
                )

    def _why_of_another_width(self, row: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
        """What to do about a row, where most of the others are as it is too, and where only it is so."""
        width = len(self.names)
        if 2 * sum(len(other) != width for other in rows) <= len(rows):
            return "mend or delete this row"
        other = _separator_of(self.separator.join(row))
        if other != self.separator:
            return (
                f"separate the header's names by {_SEPARATOR_NAMES[other]} as the rows' cells are; numbers have decimal "
                f"{'commas' if other == ';' else 'points'} then"
            )
        if self.separator == "," and width < len(row) <= 2 * width:
            return (
                "if its numbers have decimal commas, export the capture again with semicolons between the cells, or with decimal "
                "points; if not, the header lacks names of columns"
            )
        return "most rows are so: give the header a name for each column of theirs, no more and no fewer"

    def _check_order(self) -> None:
        steps = np.diff(self.time)
        back = np.flatnonzero(steps <= 0.0)
        if not back.size:
            return
        row, place = int(back[0]) + 1, self.time_place
        before, found = self.cell(row - 1, place), self.cell(row, place)
        if steps[row - 1] == 0.0:
            raise CaptureError(
                "the time does not increase",
                where=self.where(row, place),
                expected=f"more than {before}, the row before",
                found=found,
                todo="export the time with more decimals, or delete rows that are there twice",
            )
        if self._follow_each_other(row - 2, row) and not self._follow_each_other(row - 2, row - 1):
            raise CaptureError(
                "this row's time does not fit the rows around it",
                where=self.where(row - 1, place),
                expected=f"between {self.cell(row - 2, place)} and {found}, the rows before and after it",
                found=before,
                todo="mend this row's time, or delete the row",
            )
        if self._follow_each_other(row - 1, row + 1):
            todo = "mend this row's time, or delete the row"
        elif 2 * back.size > steps.size:
            todo = "sort the rows by time, the earliest first"
        else:
            todo = (
                "the clock begins anew here, as where two recordings stand in one file or a counter overflowed: keep the rows "
                "above this one, or the header and the rows from here on, each as a file of its own"
            )
        raise CaptureError(
            "the time goes back",
            where=self.where(row, place),
            expected=f"more than {before}, the row before",
            found=found,
            todo=todo,
        )

    def _follow_each_other(self, row: int, later: int) -> bool:
        """Whether two rows lie so close as neighbours do, by the steps of those whose time increases."""
        if row < 0 or later >= self.time.size:
            return False
        steps = np.diff(self.time)
        forward = steps[steps > 0.0]
        usual = float(np.median(forward)) if forward.size else 0.0
        return bool(0.0 < self.time[later] - self.time[row] < _BACK_AT_ONCE * usual)

    def listed(self) -> str:
        return ", ".join(repr(name) for name in self.names)

    def place(self, name: str) -> int:
        """The index of a column that is there. Raises CaptureError where its name is there twice."""
        if self.names.count(name) > 1:
            raise CaptureError(
                f"two columns are called {name!r}",
                where=f"{self.name}, line 1",
                expected="a name of its own for every column that is used",
                found=self.listed(),
                todo="rename one of them",
            )
        return self.names.index(name)

    def cell(self, row: int, place: int) -> str:
        return self._columns[place][row].strip()

    def cells(self, place: int) -> tuple[str, ...]:
        return self._columns[place]

    def where(self, row: int, place: int) -> str:
        return f"{self.name}, line {self._lines[row]}, column {place + 1} ({self.names[place]})"

    def numbers(self, place: int, *, empty_allowed: bool) -> Floats:
        """A column as float64, NaN where a cell is empty. Raises CaptureError for any other cell."""
        cells = self._columns[place]
        # float() would also take "nan", "1_000" and the digits of other scripts.
        plain = _NUMBER_CHARACTERS.issuperset("".join(cells)) and self.separator != ";"
        try:
            if not plain:
                raise ValueError
            numbers = np.array([float(cell) for cell in cells], dtype=np.float64)
        except ValueError:
            numbers = np.array(
                [self._number(row, place, empty_allowed) for row in range(len(cells))], dtype=np.float64
            )
        beyond = np.flatnonzero(np.abs(numbers) > _LARGEST)
        if beyond.size:
            raise self._refused(int(beyond[0]), place)
        return numbers

    def _number(self, row: int, place: int, empty_allowed: bool) -> float:
        cell = self.cell(row, place)
        if not cell:
            if empty_allowed:
                return float("nan")
            raise self._refused(row, place)
        if self.separator == ";":
            if "." in cell:
                raise self._refused(row, place)
            cell = cell.replace(",", ".")
        if not _NUMBER_CHARACTERS.issuperset(cell):
            raise self._refused(row, place)
        try:
            return float(cell)
        except ValueError:
            raise self._refused(row, place) from None

    def _refused(self, row: int, place: int) -> CaptureError:
        decimals = "a decimal comma" if self.separator == ";" else "a decimal point"
        separator = _SEPARATOR_NAMES[self.separator]
        cell = self.cell(row, place)
        return CaptureError(
            "this cell is not a number that can be used" if cell else "this cell is empty",
            where=self.where(row, place),
            expected=f"a number up to {_LARGEST:g} with {decimals} (cells are separated by {separator})",
            found=repr(cell) if cell else "nothing",
            todo=self._why_no_number(cell),
        )

    def _why_no_number(self, cell: str) -> str:
        if "." in cell and "," in cell:
            return "export the capture again without a sign between thousands"
        if self.separator == ";" and "." in cell:
            return "put a comma for every semicolon of the file, or export it with decimal commas"
        if self.separator != ";" and "," in cell:
            return "export the capture again with decimal points, or with decimal commas and semicolons between the cells"
        return "mend or delete this row; a sample that is missing is an empty cell, a row's time is not"


def _separator_of(line: str) -> str:
    """By which sign a row's cells are separated."""
    bare = re.sub('"[^"]*"', "", line)  # a quoted name may hold anything
    return "\t" if "\t" in bare else ";" if ";" in bare else ","


_SEPARATOR_NAMES = {",": "a comma", ";": "a semicolon", "\t": "a tab"}


def _column_name(probe: Probe) -> str:
    return (probe.column if probe.column is not None else probe.name).strip()


def _columns_of(probes: Iterable[Probe], table: _Table) -> dict[InputKey, tuple[Probe, int]]:
    """Which column each probe's data are in, by the key that the pipeline uses."""
    columns: dict[InputKey, tuple[Probe, int]] = {}
    for probe in probes:
        name = _column_name(probe)
        if name not in table.names:
            raise CaptureError(
                f"there is no column {name!r}, which the probe {probe.name!r} needs",
                where=f"{table.name}, line 1",
                expected=f"a column called {name!r}",
                found=f"the columns {table.listed()}",
                todo='give the probe the right `column = "..."`, or take it out of the set-up; '
                "`evenstroke import` takes level changes from a second file, behind --edges",
            )
        columns.setdefault(probe.key, (probe, table.place(name)))
    return columns


# --- level changes ------------------------------------------------------------------------------


def _read_edges(table: _Table, columns: dict[InputKey, tuple[Probe, int]], sha256: str) -> Capture:
    changes: list[tuple[InputKey, Floats, Bools]] = []
    warnings: list[CodedWarning] = []
    missing: set[tuple[float, float]] = set()
    for key, (probe, place) in columns.items():
        if probe.role not in EDGE_ROLES and probe.role != "other":
            raise CaptureError(
                f"the probe {probe.name!r} ({probe.role}) needs evenly sampled volts",
                where=f"{table.name}, column {place + 1} ({table.names[place]})",
                expected="only syncs and tooth wheels in a file of level changes, whose every row is one",
                found='sampling = "edges" in the set-up'
                if probe.sampling == "edges"
                else "its column in that file",
                todo='take sampling = "edges" out of the set-up, or this probe'
                if probe.sampling == "edges"
                else "put its samples into the other file, which has evenly sampled volts",
            )
        volts = table.numbers(place, empty_allowed=True)
        warnings.extend(_empty_cells(probe, volts))
        changes.append((key, *_level_changes(table.time, volts)))
        missing.update(_unknown_levels(table.time, volts))
    gaps = sorted(missing)
    blocks: list[Block] = []
    rows = table.time.size
    for begin in range(0, rows, BLOCK_ROWS):
        end = begin + BLOCK_ROWS
        last = end >= rows
        while gaps and (last or gaps[0][0] < table.time[end]):
            blocks.append(Gap(*gaps.pop(0), 0, GapReason.EDGES_MISSING))
        until = float(table.time[-1] if last else table.time[end])
        for key, times, rising in changes:
            mine = times >= table.time[begin]
            if not last:
                mine &= times < until
            blocks.append(EdgeBlock(input=key, times=times[mine], rising=rising[mine], until=until))
    return Capture(
        warnings=tuple(warnings),
        duration_s=float(table.time[-1] - table.time[0]),
        lost_samples=0,
        sha256=sha256,
        _blocks=tuple(blocks),
    )


def _level_changes(time: Floats, volts: Floats) -> tuple[Floats, Bools]:
    """Times and directions of a column's level changes, by the middle between its two levels.

    The first level is no change, nor is the first one behind empty cells: when it came is not known.
    """
    if np.isnan(volts).all():
        return np.empty(0), np.empty(0, dtype=np.bool_)
    middle = (np.nanmin(volts) + np.nanmax(volts)) / 2.0
    known = ~np.isnan(volts)
    high = volts > middle
    changed = np.flatnonzero((high[1:] != high[:-1]) & known[1:] & known[:-1]) + 1
    return time[changed], high[changed]


def _unknown_levels(time: Floats, volts: Floats) -> Iterator[tuple[float, float]]:
    """From when to when a column's level is not known, between times at which it is."""
    known = np.flatnonzero(~np.isnan(volts))
    for before, after in itertools.pairwise(known.tolist()):
        if after > before + 1:
            yield float(time[before + 1]), float(time[after])


def _empty_cells(probe: Probe, volts: Floats) -> Iterator[CodedWarning]:
    empty = int(np.isnan(volts).sum())
    if empty:
        yield CodedWarning(
            code=EMPTY_CELLS,
            text=f"{probe.name}: {empty} of {volts.size} cells are empty. They are gaps of it: nothing was put in their "
            "place, and its pulses there are left out.",
            probe=probe.name,
        )


# --- evenly sampled volts -----------------------------------------------------------------------


def _read_steady(table: _Table, columns: dict[InputKey, tuple[Probe, int]], sha256: str) -> Capture:
    keys = tuple(columns)
    warnings: list[CodedWarning] = []
    rows_of: list[Floats] = []
    for probe, place in columns.values():
        volts = table.numbers(place, empty_allowed=True)
        warnings.extend(_empty_cells(probe, volts))
        rows_of.append(volts)
    smooth = tuple(probe.role not in EDGE_ROLES for probe, _ in columns.values())
    if all(probe.role in EDGE_ROLES for probe, _ in columns.values()):
        _refuse_level_changes(table, rows_of)
    timing = _Timing(table.name, table.time, table.cells(table.time_place))
    if timing.uneven_rows:
        warnings.append(timing.warning())
    if timing.period > _FARTHEST_ROWS_S:
        warnings.append(
            CodedWarning(
                code="rows_far_apart",
                text=f"The rows are {timing.period:g} s apart, too far to follow pulses. If the time column counts "
                "milliseconds, divide it by 1000; else log faster.",
            )
        )
    behind = [_behind(table, place, timing.period) for _, place in columns.values()]
    offsets = tuple(late - behind[0] for late in behind) if any(behind) else ()
    volts = np.array(rows_of)
    blocks: list[Block] = []
    lost = 0
    end_s: float | None = None
    for begin, end in itertools.pairwise(timing.bounds):
        t0, even = timing.grid(begin, end, volts[:, begin:end], smooth)
        t0 += behind[0]
        if end_s is not None:
            missing = round((table.time[begin] - table.time[begin - 1]) / timing.period) - 1
            lost += missing
            blocks.append(Gap(end_s, max(t0, end_s), missing, GapReason.CAPTURE_GAP))
        samples = even.shape[1]
        for first in range(0, samples, BLOCK_ROWS):
            part = np.ascontiguousarray(even[:, first : first + BLOCK_ROWS])
            at = t0 + first * timing.period
            blocks.append(SampleBlock(keys, part, at, timing.period, offsets=offsets))
        end_s = t0 + samples * timing.period
    return Capture(
        warnings=tuple(warnings),
        duration_s=float(table.time[-1] - table.time[0] + timing.period),
        lost_samples=lost,
        sha256=sha256,
        _blocks=tuple(blocks),
    )


def _behind(table: _Table, place: int, period: float) -> float:
    """How long after its row's time a column was sampled, seconds: 0 where it has no times of its own."""
    name = f"{table.names[table.time_place]} of {table.names[place]}"
    if name not in table.names:
        return 0.0
    own_place = table.place(name)
    own = table.numbers(own_place, empty_allowed=False)
    late = np.asarray(own - table.time)
    usual = float(np.median(late))
    off = np.flatnonzero(np.abs(late - usual) > _SAME_DISTANCE * period)
    if off.size:
        row = int(off[0])
        raise CaptureError(
            "this column's own times do not keep their distance from the rows'",
            where=table.where(row, own_place),
            expected=f"{usual:.9g} s after {table.cell(row, table.time_place)}, as in most rows",
            found=table.cell(row, own_place),
            todo="export columns that were sampled at times of their own into files of their own",
        )
    return _without_float_noise(usual, table.time)


def _refuse_level_changes(table: _Table, columns: Sequence[Floats]) -> None:
    """Rows that come only where a level changes are no samples: taken for such, they have no sync and no teeth."""
    steps = np.diff(table.time)
    uneven = np.abs(steps / np.median(steps) - 1.0) > 0.1
    two_levels = all(np.unique(volts[~np.isnan(volts)]).size <= 2 for volts in columns)
    if two_levels and uneven.mean() > _UNEVEN_CHANGES and table.rows_that_change() > _ROWS_OF_CHANGES:
        raise CaptureError(
            "the rows are level changes, not even samples",
            where=table.name,
            expected="rows at even times, since no probe has `sampling`",
            found=f"two levels, and a row for each change of one, {steps.min():.3g} to {steps.max():.3g} s apart",
            todo='write sampling = "edges" under every [[probe]] of this file in the set-up',
        )


class _Timing:
    """How even the rows are, and the even grid of each unbroken stretch of them.

    period: seconds. bounds: row indices where stretches begin, and the number of rows.
    uneven_rows: steps that deviate by more than jitter and are no gaps.
    """

    def __init__(self, name: str, time: Floats, cells: Sequence[str]) -> None:
        self._time = time
        steps = np.diff(time)
        median = _without_float_noise(float(np.median(steps)), time)
        if float(steps.min()) < _SHORTEST_STEP_S:
            raise CaptureError(
                "the rows follow each other too fast",
                where=name,
                expected=f"a time column in seconds, with steps of {_SHORTEST_STEP_S:g} s or more",
                found=f"a step of {steps.min():g} s",
                todo="give the time in seconds",
            )
        gaps = steps > _GAP * median
        deviation = np.abs(steps - median)
        jitter = _JITTER * median
        # Rounding is only worked out where 1 % does not explain everything already.
        self._rounding = _rounding(time, cells) if bool(((deviation > jitter) | gaps).any()) else np.zeros(1)
        tolerance = np.maximum(jitter, _step_rounding(self._rounding))
        if int(gaps.sum()) >= _FEWEST_ROUNDED_STEPS and _is_rounded_grid(time, median, self._rounding):
            gaps[:] = False
            uneven = np.zeros_like(gaps)
        else:
            uneven = (deviation > tolerance) & ~gaps
        self.bounds = [0, *(np.flatnonzero(gaps) + 1).tolist(), time.size]
        self.uneven_rows = int(uneven.sum())
        self._worst = float(deviation[uneven].max()) if self.uneven_rows else 0.0
        self.period = self._fitted(median)

    def _fitted(self, median: float) -> float:
        """Least squares over all stretches: one period, a beginning of its own for each."""
        if self.uneven_rows:
            return median
        stretches = [self._time[b:e] for b, e in itertools.pairwise(self.bounds)]
        if all(_off_grid(t, t[0], median).max() <= 1e-6 * median for t in stretches):
            return median
        over = under = 0.0
        for t in stretches:
            k = np.arange(t.size) - (t.size - 1) / 2.0
            over += float(k @ (t - t.mean()))
            under += float(k @ k)
        return over / under if under else median

    def warning(self) -> CodedWarning:
        return CodedWarning(
            code="uneven_rows",
            text=(
                f"{self.uneven_rows} of {self._time.size - 1} time steps deviate from the period of "
                f"{self.period * 1e3:.6g} ms by more than 1 %, by up to "
                f"{100 * self._worst / self.period:.0f} %. "
                "The rows kept their times; the volts between them were interpolated on an even grid."
            ),
        )

    def grid(self, begin: int, end: int, volts: Floats, smooth: tuple[bool, ...]) -> tuple[float, Floats]:
        """Beginning and volts, shape (columns, samples), of one stretch on its even grid."""
        t = self._time[begin:end]
        if not self.uneven_rows:
            if _off_grid(t, t[0], self.period).max() <= 1e-6 * self.period:
                return float(t[0]), volts
            t0 = float(t.mean()) - self.period * (t.size - 1) / 2.0
            if _off_grid(t, t0, self.period).max() <= max(0.1 * self.period, float(self._rounding.max())):
                return t0, volts
        # Rows that are too far from any even grid keep their times: the volts move, not the clock.
        samples = int(np.floor((t[-1] - t[0]) / self.period * (1.0 + 1e-12))) + 1
        even = t[0] + self.period * np.arange(samples)
        return float(t[0]), np.array(
            [_interpolated(t, v, even, cubic) for v, cubic in zip(volts, smooth, strict=True)]
        ).reshape(volts.shape[0], samples)


def _without_float_noise(step: float, time: Floats) -> float:
    """The round number that a difference of two times stands for, if their last bits allow it."""
    round_step = float(f"{step:.9g}")
    return round_step if abs(round_step - step) <= 2.0 * float(np.spacing(np.abs(time).max())) else step


def _off_grid(t: Floats, t0: float, period: float) -> Floats:
    return np.abs(t - (t0 + period * np.arange(t.size)))


def _rounding(time: Floats, cells: Sequence[str]) -> Floats:
    """What one unit of the last written digit is worth, seconds, for each row.

    Times are written with a fixed number of decimals or of digits; trailing zeros may be left
    out. So the coarser one of both is taken.
    """
    decimals, digits = 0.0, 0
    for cell in cells:
        mantissa, _, exponent = cell.strip().lower().replace(",", ".").partition("e")
        whole, _, fraction = mantissa.lstrip("+-").partition(".")
        fraction = fraction.rstrip("0")
        decimals = max(decimals, len(fraction) - float(exponent or 0))
        digits = max(digits, len((whole + fraction).lstrip("0")))
    magnitude = np.floor(np.log10(np.maximum(np.abs(time), 1e-300)))
    written = np.maximum(10.0**-decimals, 10.0 ** (magnitude - digits + 1))
    return np.asarray(np.maximum(written, np.spacing(np.abs(time))))


def _step_rounding(rounding: Floats) -> Floats:
    """By how much the rounding of two neighbours can change the step between them."""
    if rounding.size == 1:
        return rounding
    return np.asarray((rounding[1:] + rounding[:-1]) / 2.0 * (1.0 + 1e-6))


def _is_rounded_grid(time: Floats, median: float, rounding: Floats) -> bool:
    """Whether long steps are an even grid's rounding and no gaps.

    With a period of 1.2 ms and whole milliseconds, each fifth step is 2 ms although nothing is
    lost. The rounding must explain every row, and the period that it gives must differ from the
    median step by more than 1 %; else a long step is what it looks like.
    """
    k = np.arange(time.size)
    slope, intercept = np.polyfit(k, time, 1)
    off = time - (intercept + slope * k)
    return bool(slope > (1.0 + _JITTER) * median and np.ptp(off) <= 1.5 * float(rounding.max()))


def _interpolated(t: Floats, volts: Floats, even: Floats, cubic: bool) -> Floats:
    """A column on an even grid; NaN where its cells were empty.

    cubic: a cubic spline (not-a-knot), error of fourth order in the step, for waveforms; else
    piecewise cubic Hermite (Fritsch and Carlson 1980, PCHIP), which never overshoots, for levels.
    """
    result = np.full(even.size, np.nan)
    known = ~np.isnan(volts)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        inside = (even >= t[begin]) & (even <= t[end - 1])
        if end - begin == 1:
            result[inside] = volts[begin]
        elif cubic:
            result[inside] = CubicSpline(t[begin:end], volts[begin:end])(even[inside])
        else:
            result[inside] = PchipInterpolator(t[begin:end], volts[begin:end])(even[inside])
    return result
