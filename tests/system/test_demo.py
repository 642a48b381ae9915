"""`evenstroke demo`: from nothing to a report, with nothing connected; and what can be done with what it leaves."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from evenstroke_daemon.command_demo import ENGINE_FAULT
from evenstroke_daemon.command_line import main
from evenstroke_dsp.comparing import TwoCranks
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


def recordings(folder: Path) -> list[Path]:
    """The first crank's and the second's."""
    return sorted(folder.glob("*.mcap"))


def test_it_goes_all_the_way(demo):
    folder, done = demo
    assert done.returncode == 0, done.stderr
    assert [open_recording(r).complete for r in recordings(folder)] == [True, True]
    (report,) = folder.glob("*.html")
    assert "The two cranks compared" in report.read_text(encoding="utf-8")
    for said in (
        *map(str, recordings(folder)),
        str(report),
        "evidence, not proof",
        "Like for like?",
        "Try next",
    ):
        assert said in done.stdout


def test_it_tells_what_the_hose_made_from_what_the_engine_has(demo, capsys):
    # The truth is what the rig was told of its engine and of what is fitted, which the judging code never sees.
    folder, done = demo
    trouble = int(ENGINE_FAULT.split(":")[1])
    judgements = []
    for recording in recordings(folder):
        assert main(["judge", str(recording), "--json"]) == 0
        judgements.append(msgspec.json.decode(capsys.readouterr().out, type=Judgement))
    drops = [next(c for c in j.comparisons if (c.probe, c.feature) == ("intake", "drop")) for j in judgements]
    first, second = ({b.cylinder: b for b in drop.cylinders} for drop in drops)
    assert (first[2].verdict, first[2].trust) == ("smaller", "disturbed")
    assert first[2].predicted.low <= first[2].deviation - second[2].deviation <= first[2].predicted.high
    assert (second[2].verdict, second[2].trust, second[2].predicted) == ("even", "clean", None)
    assert first[trouble].verdict == second[trouble].verdict == "smaller"
    causes = [
        {f.odd_pulse_at: f.cause for f in j.findings if (f.probe, f.feature) == ("intake", "drop")}
        for j in judgements
    ]
    assert causes[0][(2,)] == "set-up" and causes[0][(trouble,)] == causes[1][(trouble,)] == "engine"
    assert "did not make it" in done.stdout and "Take out the hose" in done.stdout
    notes = open_recording(recordings(folder)[0]).meta.setup_notes
    assert next(n for n in notes if n.probe == "intake").disturbed == (2,)


def test_compare_says_it_as_json_and_in_words(demo, capsys):
    folder, _ = demo
    first, second = map(str, recordings(folder))
    assert main(["compare", first, second, "--json"]) == 0
    two = msgspec.json.decode(capsys.readouterr().out, type=TwoCranks)
    drop = next(c for c in two.changes if (c.probe, c.feature) == ("intake", "drop"))
    assert {x.cylinder: x.verdict for x in drop.cylinders}[2] == "changed"
    assert main(["compare", first, first]) == 0
    assert "Nothing that was compared differs" in " ".join(capsys.readouterr().out.split())


def test_a_folder_is_judged_file_by_file(demo, capsys, tmp_path):
    folder, _ = demo
    recording = recordings(folder)[0]
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
    recording = recordings(folder)[0]
    page = tmp_path / "both.html"
    assert main(["report", str(recording), str(recording), "-o", str(page)]) == 0
    out, err = capsys.readouterr()
    assert Path(out.strip()) == page
    assert "DANGER" in err, "the set-up's danger is stated"
    assert main(["report", str(recording), "-o", str(tmp_path / "none" / "x.html")]) == 1
    assert "see that its folder is there" in capsys.readouterr().err


def test_judge_in_words_puts_results_on_stdout_and_dangers_on_stderr(demo, capsys):
    folder, _ = demo
    recording = recordings(folder)[0]
    assert main(["judge", str(recording)]) == 0
    out, err = capsys.readouterr()
    assert out.index("What to do:") < out.index("intake drop,") < out.index("evidence, not proof")
    assert err.startswith("DANGER: ")
