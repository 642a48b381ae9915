"""`evenstroke export`: exit codes, and what goes where."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from evenstroke_daemon.command_line import main
from evenstroke_dsp.blocks import Gap, GapReason, SampleBlock
from evenstroke_replay.recorder import Recorder
from setup_texts import FOUR, intake

TEXT = FOUR + intake() + '[job]\nowner = "the harbour"\n'


def recorded(path, *, gap=False, seconds=3):
    with Recorder(path, TEXT, started_at=datetime(2026, 11, 25, tzinfo=UTC)) as recorder:
        for k in range(seconds):
            if gap and k == 1:
                recorder.imported(Gap(1.0, 1.004, 4, GapReason.CAPTURE_GAP))
            t0 = k + (0.004 if gap and k else 0.0)
            recorder.imported(SampleBlock(("intake",), np.full((1, 1000), float(k)), t0, 0.001))
    return path


def test_paths_to_stdout_and_words_to_stderr(tmp_path, capsys):
    assert main(["export", str(recorded(tmp_path / "r.mcap")), "-o", str(tmp_path / "c.csv")]) == 0
    out, err = capsys.readouterr()
    assert out == f"{tmp_path / 'c.csv'}\n{tmp_path / 'c.setup.toml'}\n"
    assert "--job includes them" in err
    assert "evenstroke import c.csv --setup c.setup.toml" in err
    assert main(["export", str(tmp_path / "r.mcap"), "-o", str(tmp_path / "c.csv")]) == 1
    assert "nothing is ever written over" in capsys.readouterr().err


def test_missing_samples_are_3_and_said(tmp_path, capsys):
    path = recorded(tmp_path / "r.mcap", gap=True)
    assert main(["export", str(path), "-o", str(tmp_path / "c.mat")]) == 3
    assert "missing: 4 samples of every input did not arrive, in 1 place" in capsys.readouterr().err


def test_a_cut_recording_is_written_as_far_as_it_goes_and_is_3(tmp_path, capsys):
    path = recorded(tmp_path / "r.mcap")
    data = path.read_bytes()
    whole = tmp_path / "cut.mcap"
    rows = []
    for part in (0.9, 0.5):
        whole.write_bytes(data[: int(len(data) * part)])
        out = tmp_path / f"{part}.csv"
        code = main(["export", str(whole), "-o", str(out)])
        err = capsys.readouterr().err
        if code == 1:  # cut before anything was in it
            assert "nothing in it to export" in err or "no beginning" in err
            continue
        assert code == 3
        assert "missing: the recording was cut" in err
        rows.append(len(out.read_text().splitlines()) - 1)
    assert rows
    assert all(count in (1000, 2000, 3000) for count in rows)


def test_a_csv_needs_a_set_up_and_an_odd_ending_is_1(tmp_path, capsys):
    (tmp_path / "c.csv").write_text("time_s,intake\n0,1\n0.001,1\n")
    assert main(["export", str(tmp_path / "c.csv"), "-o", str(tmp_path / "d.mat")]) == 1
    assert "--setup" in capsys.readouterr().err
    assert main(["export", str(recorded(tmp_path / "r.mcap")), "-o", str(tmp_path / "d.txt")]) == 1
    assert ".parquet or .mf4" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [[], ["--edges", "e.csv"]])
def test_import_without_any_file_is_2(tmp_path, capsys, arguments):
    code = main(["import", *arguments, "--setup", "demo", "-o", str(tmp_path / "r.mcap")])
    assert code == (1 if arguments else 2)  # the second is a whole command line, only there is no such file
    assert capsys.readouterr().out == ""
