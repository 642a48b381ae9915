"""A recording or a capture, written for other programs in the format that the file's name asks for."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from evenstroke_dsp.setup import Setup

from .export_csv import plan_csv
from .export_mat import plan_mat
from .export_mdf4 import plan_mdf4
from .export_parquet import plan_parquet
from .export_plan import ExportPlan
from .export_wav import plan_wav
from .measured import measured_in
from .whole_file import OutputError, written_whole
from .without_job import without_job

FORMATS: dict[str, Callable[..., ExportPlan]] = {
    ".csv": plan_csv,
    ".wav": plan_wav,
    ".mat": plan_mat,
    ".parquet": plan_parquet,
    ".mf4": plan_mdf4,
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export wrote.

    paths: the file that was asked for, then those beside it. lost: what the data lack, a sentence for each kind;
    remarks, said: what else is to be known of the data, and of these files. job_left_out: whether there were notes.
    """

    paths: tuple[Path, ...]
    lost: tuple[str, ...]
    remarks: tuple[str, ...]
    said: tuple[str, ...]
    job_left_out: bool


def export(
    path: Path,
    out: Path,
    setup: Setup | None = None,
    setup_text: str | None = None,
    time_column: str | None = None,
    *,
    job_included: bool = False,
) -> Exported:
    """Write what was measured to `out`, and beside it what that format cannot hold; never over an existing file.

    setup, setup_text: how to read `path`; a recording brings its own. job_included: whether the set-up goes with its
    `[job]` notes. Raises OutputError or ExportError where it cannot be written, then nothing is; and whatever reading
    `path` raises.
    """
    plan_for = FORMATS.get(out.suffix.lower())
    if plan_for is None:
        *most, last = FORMATS
        raise OutputError(
            "no format has that ending",
            where=str(out),
            expected=f"a name that ends in {', '.join(most)} or {last}",
            found=f"the ending {out.suffix}" if out.suffix else "no ending",
            todo=f"write -o {out.with_suffix('.csv')}",
        )
    measured, own_text = measured_in(path, setup, time_column)
    text = own_text if own_text is not None else setup_text or ""
    shared = text if job_included else without_job(text)
    plan = plan_for(measured, shared, out)
    with ExitStack() as stack:
        # The one that was asked for gets its name last: where it is, the others are.
        parts = [
            (stack.enter_context(written_whole(file, replace=False)), write) for file, write in plan.files
        ]
        for part, write in parts:
            write(part)
    return Exported(
        paths=tuple(file for file, _ in plan.files),
        lost=measured.lost,
        remarks=measured.remarks,
        said=plan.said,
        job_left_out=shared != text,
    )
