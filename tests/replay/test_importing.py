"""An imported capture is judged exactly as the capture itself."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from evenstroke_dsp.messages import WaveData
from evenstroke_dsp.setup import SetupError, parse_setup
from evenstroke_replay.capture_csv import CaptureError, read_capture
from evenstroke_replay.importing import import_capture
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.player import blocks_of
from evenstroke_replay.recording import open_recording
from evenstroke_replay.whole_file import OutputError

STARTED = datetime(2026, 11, 25, 9, 10, tzinfo=UTC)
SETUP_TEXT = """
schema = 1
[engine]
cylinders = 2
firing_order = [1, 2]
[[probe]]
name = "intake"
role = "intake_pulse"
[[probe]]
name = "spark"
role = "ignition_sync"
cylinder = 1
offset_deg = -8
"""


def capture_text(*, uneven: bool) -> str:
    """Some 8 s of an invented twin: pulls in the intake, a spark each cycle, a gap, empty cells."""
    rng = np.random.default_rng(7)
    t = np.arange(8000) * 1e-3
    angle = 2 * np.pi * t / 0.62  # one cycle each 0.62 s
    intake = 1.0 + 0.1 * np.cos(2 * angle) + 0.01 * np.cos(angle) + rng.normal(0, 1e-3, t.size)
    spark = np.where((angle % (2 * np.pi)) < 0.1, 5.0, 0.0)
    if uneven:
        t = t + rng.uniform(-1e-4, 1e-4, t.size)
    rows = [
        f"{t[i]:.7f},{'' if 3000 < i < 3010 else format(intake[i], '.4f')},{spark[i]:.1f},x"
        for i in range(t.size)
        if not 5000 < i < 5030
    ]
    return "\n".join(["time,intake,spark,not needed", *rows, ""])


def without_source(judged: JudgedFile) -> object:
    return msgspec.structs.replace(
        judged.judgement, source=msgspec.structs.replace(judged.judgement.source, file=None, sha256=None)
    )


def as_data(judged: JudgedFile) -> list[object]:
    return [(m.header, m.samples.tobytes()) if isinstance(m, WaveData) else m for m in judged.messages]


@pytest.mark.parametrize("uneven", [False, True])
def test_judging_the_recording_equals_judging_the_capture(tmp_path: Path, uneven: bool) -> None:
    csv, out = tmp_path / "c.csv", tmp_path / "c.mcap"
    csv.write_text(capture_text(uneven=uneven))
    capture = import_capture(csv, SETUP_TEXT, out, started_at=STARTED, time_column="time")
    assert capture.lost_samples == 29
    assert [w.code for w in capture.warnings] == ["empty_cells"] + ["uneven_rows"] * uneven
    from_csv = judge_path(csv, parse_setup(SETUP_TEXT), "time")
    from_recording = judge_path(out)
    assert without_source(from_recording) == without_source(from_csv)
    assert as_data(from_recording) == as_data(from_csv)
    assert from_recording.judgement.source.lost_samples == 29
    assert from_recording.setup_text == SETUP_TEXT
    # Something was there to be compared.
    assert any(not isinstance(m, WaveData) for m in from_csv.messages)


def test_the_recording_says_where_it_comes_from(tmp_path: Path) -> None:
    csv = tmp_path / "c.csv"
    csv.write_text(capture_text(uneven=False))
    capture = import_capture(csv, SETUP_TEXT, tmp_path / "c.mcap", started_at=STARTED, time_column="time")
    meta = open_recording(tmp_path / "c.mcap").meta
    assert (meta.source, meta.imported_file, meta.imported_sha256) == ("import", "c.csv", capture.sha256)
    assert meta.imported_warnings == capture.warnings


def test_a_smaller_set_up_takes_a_part_of_it(tmp_path: Path) -> None:
    csv = tmp_path / "c.csv"
    csv.write_text(capture_text(uneven=False))
    import_capture(csv, SETUP_TEXT, tmp_path / "c.mcap", started_at=STARTED, time_column="time")
    recording = open_recording(tmp_path / "c.mcap")
    spark_only = parse_setup(SETUP_TEXT.replace('[[probe]]\nname = "intake"\nrole = "intake_pulse"\n', ""))
    part = [b for b in blocks_of(recording, spark_only) if hasattr(b, "volts")]
    direct = [b for b in read_capture(csv, spark_only, "time").blocks() if hasattr(b, "volts")]
    assert [(b.inputs, b.t0, b.dt, b.volts.tobytes()) for b in part] == [
        (b.inputs, b.t0, b.dt, b.volts.tobytes()) for b in direct
    ]
    larger = parse_setup(SETUP_TEXT + '[[probe]]\nname = "amps"\nrole = "starter_current"\n')
    with pytest.raises(SetupError, match="holds no data for the probe 'amps'"):
        list(blocks_of(recording, larger))


def test_edges_are_imported_too(tmp_path: Path) -> None:
    text = (
        SETUP_TEXT.replace('[[probe]]\nname = "intake"\nrole = "intake_pulse"\n', "") + 'sampling = "edges"\n'
    )
    csv = tmp_path / "e.csv"
    csv.write_text("\n".join(["time_s,spark", *(f"{-1 + i * 0.125},{i % 2}" for i in range(40)), ""]))
    import_capture(csv, text, tmp_path / "e.mcap", started_at=STARTED)
    (block,) = blocks_of(open_recording(tmp_path / "e.mcap"), parse_setup(text))
    (direct,) = read_capture(csv, parse_setup(text)).blocks()
    assert block.times.tolist() == direct.times.tolist() == [-1 + i * 0.125 for i in range(1, 40)]  # type: ignore[union-attr]
    assert block.until == direct.until  # type: ignore[union-attr]


def test_a_bad_capture_leaves_no_file_behind(tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_text("time_s,intake,spark\n0,1,1\n0,1,1\n")
    with pytest.raises(CaptureError):
        import_capture(tmp_path / "c.csv", SETUP_TEXT, tmp_path / "c.mcap", started_at=STARTED)
    assert not (tmp_path / "c.mcap").exists()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    csv = tmp_path / "c.csv"
    csv.write_text(capture_text(uneven=False))
    (tmp_path / "c.mcap").write_bytes(b"precious")
    with pytest.raises(OutputError, match="written over"):
        import_capture(csv, SETUP_TEXT, tmp_path / "c.mcap", started_at=STARTED, time_column="time")
    assert (tmp_path / "c.mcap").read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["c2.csv", "c2", "c2.mcap.txt"])
def test_a_recording_is_not_written_under_another_kind_s_name(tmp_path: Path, name: str) -> None:
    csv = tmp_path / "c.csv"
    csv.write_text(capture_text(uneven=False))
    with pytest.raises(OutputError, match="not a recording's name") as caught:
        import_capture(csv, SETUP_TEXT, tmp_path / name, started_at=STARTED, time_column="time")
    assert ".mcap" in caught.value.todo
    assert [path.name for path in tmp_path.iterdir()] == ["c.csv"]
