"""`evenstroke demo`: from nothing to a report, with nothing connected; and what can be done with what it leaves."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from evenstroke_daemon.command_demo import SMALL
from evenstroke_daemon.command_line import main
from evenstroke_dsp.messages import Judgement
from evenstroke_replay.recording import open_recording


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo's folder, exit code, stdout and stderr, run once."""
    import subprocess
    import sys

    folder = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "evenstroke_daemon", "demo", "--folder", str(folder)],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    return folder, done


def test_it_goes_all_the_way(demo):
    folder, done = demo
    assert done.returncode == 0, done.stderr
    (recording,), (report,) = folder.glob("*.mcap"), folder.glob("*.html")
    assert open_recording(recording).complete
    assert "<html" in report.read_text(encoding="utf-8")
    for said in (str(recording), str(report), "evidence, not proof", "Try next"):
        assert said in done.stdout


def test_it_names_the_cylinder_that_the_rig_made_small_and_not_the_disturbed_one_as_the_engine_s(
    demo, capsys
):
    # The truth is the rig's own parameters, which the judging code never sees.
    folder, _ = demo
    (recording,) = folder.glob("*.mcap")
    assert main(["judge", str(recording), "--json"]) == 0
    judgement = msgspec.json.decode(capsys.readouterr().out, type=Judgement)
    drop = next(c for c in judgement.comparisons if (c.probe, c.feature) == ("intake", "drop"))
    by_cylinder = {b.cylinder: b for b in drop.cylinders}
    trouble, companion = SMALL[0][0], SMALL[1][0]
    assert by_cylinder[trouble].verdict == "smaller"
    assert by_cylinder[companion].trust == "disturbed"
    assert by_cylinder[companion].deviation < 0
    assert next(f.odd_pulse_at for f in judgement.findings if f.probe == "intake") == (trouble,)
    assert all(b.verdict != "smaller" for c, b in by_cylinder.items() if c not in (trouble, companion))


def test_a_folder_is_judged_file_by_file(demo, capsys, tmp_path):
    folder, _ = demo
    (recording,) = folder.glob("*.mcap")
    for name in ("a.mcap", "b.mcap"):
        (tmp_path / name).write_bytes(recording.read_bytes())
    (tmp_path / "notes.txt").write_text("not for us")
    assert main(["judge", str(tmp_path), "--json"]) == 0
    judgements = msgspec.json.decode(capsys.readouterr().out, type=list[Judgement])
    assert [j.source.file for j in judgements] == ["a.mcap", "b.mcap"]
    assert judgements[0].comparisons == judgements[1].comparisons

    (tmp_path / "c.mcap").write_bytes(b"broken")
    assert main(["judge", str(tmp_path)]) == 1
    out, err = capsys.readouterr()
    assert out.count("Basis:") == 2, "the others are judged all the same"
    assert "c.mcap" in err
    assert "1 of 3 files could not be judged" in err


def test_a_report_of_two_and_one_that_cannot_be_written(demo, capsys, tmp_path):
    folder, _ = demo
    (recording,) = folder.glob("*.mcap")
    page = tmp_path / "both.html"
    assert main(["report", str(recording), str(recording), "-o", str(page)]) == 0
    out, err = capsys.readouterr()
    assert Path(out.strip()) == page
    assert "DANGER" in err, "the set-up's danger is stated"
    assert main(["report", str(recording), "-o", str(tmp_path / "none" / "x.html")]) == 1
    assert "the report cannot be written" in capsys.readouterr().err


def test_judge_in_words_puts_results_on_stdout_and_dangers_on_stderr(demo, capsys):
    folder, _ = demo
    (recording,) = folder.glob("*.mcap")
    assert main(["judge", str(recording)]) == 0
    out, err = capsys.readouterr()
    assert out.index("Next:") < out.index("intake drop,") < out.index("evidence, not proof")
    assert err.startswith("DANGER: ")
