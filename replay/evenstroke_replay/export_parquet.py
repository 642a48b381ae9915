"""Exported as Parquet: the tables of the CSV, typed and compressed, with all that is known of them in the file."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import msgspec
import numpy as np
from evenstroke_dsp.wording import listed

from .export_facts import facts, probe_facts
from .export_plan import ExportPlan, beside, missing_library
from .measured import Measured
from .tables import Column, level_table, sample_table


def plan_parquet(measured: Measured, setup_text: str, out: Path) -> ExportPlan:
    """The samples, and level changes beside them. Raises ExportError where the library is not installed."""
    try:
        import pyarrow  # noqa: F401 (of the extra `formats`)
    except ImportError as error:
        raise missing_library("pyarrow", "Parquet", out, error) from error
    samples, levels = sample_table(measured), level_table(measured)
    known = facts(measured, setup_text)
    about = {one.name: msgspec.json.encode(one) for one in probe_facts(measured)}
    write = partial(_write, facts=known, about=about)
    files = [(out, partial(write, columns=samples or levels))]
    said = (
        ["volts are as sampled, null where there is none; times are rounded to a picosecond"]
        if samples
        else []
    )
    if samples and levels:
        level_file = beside(out, "edges", ".parquet")
        files.append((level_file, partial(write, columns=levels)))
        names = listed(column.name for column in levels[1:])
        said.append(f"{level_file.name} has the level changes of {names}, a row for each")
    return ExportPlan(tuple(files), tuple(said))


def _write(path: Path, columns: list[Column], facts: dict[str, str], about: dict[str, bytes]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields, arrays = [], []
    for column in columns:
        kind = pa.bool_() if column.levels else pa.float64()
        missing = np.isnan(column.values)
        values = column.values > 0.5 if column.levels else column.values
        metadata = {"probe": about[column.probe.name]} if column.probe is not None else {"unit": b"s"}
        fields.append(pa.field(column.name, kind, metadata=metadata))
        arrays.append(pa.array(values, type=kind, mask=missing))
    metadata = {f"evenstroke.{name}": text.encode() for name, text in facts.items()}
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=metadata))
    with path.open("wb") as stream:
        pq.write_table(table, stream, compression="zstd")
