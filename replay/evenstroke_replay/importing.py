"""A capture as CSV, made into a recording that is judged as the capture is."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from evenstroke_dsp.setup import parse_setup

from .capture_csv import Capture, read_capture
from .recorder import ImportedFrom, Recorder
from .whole_file import require_recording_name, written_whole


def import_capture(
    path: Path | None,
    setup_text: str,
    out_path: Path,
    *,
    started_at: datetime,
    time_column: str | None = None,
    changes: Path | None = None,
) -> Capture:
    """Write the columns that the set-up names, with their exact times, into a new recording.

    started_at: wall time of the import; when the capture itself was made its file does not say.
    changes: a file of level changes for probes that are not in `path`, which is None where that is all there is.
    The capture is returned for its warnings and its lost samples.

    Raises SetupError, CaptureError, or OutputError; then nothing is written.
    """
    require_recording_name(out_path)
    capture = read_capture(path, parse_setup(setup_text), time_column, changes)
    origin = ImportedFrom(
        file=" + ".join(one.name for one in (path, changes) if one is not None),
        sha256=capture.sha256,
        duration_s=capture.duration_s,
        warnings=capture.warnings,
    )
    with (
        written_whole(out_path, replace=False) as part,
        Recorder(part, setup_text, started_at=started_at, imported=origin) as recorder,
    ):
        for block in capture.blocks():
            recorder.imported(block)
    return capture
