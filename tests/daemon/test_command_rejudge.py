"""`evenstroke rejudge`: what it prints, and its exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import barge_four
import pytest
from evenstroke_daemon.command_line import main


def test_rejudging_says_what_moved_and_is_done_whatever_did(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder := tmp_path / "cranks").mkdir()
    for number in (1, 2):
        barge_four.crank(folder / f"{number}.csv", number)
    (folder / "setup.toml").write_text(barge_four.SETUP)
    kept = tmp_path / "kept"
    command = ["rejudge", str(folder), "--setup", str(folder / "setup.toml"), "--quick", "--workers", "1"]
    command += ["--kept", str(kept)]
    assert main([*command, "--keep"]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[-2:] == [
        "2 recordings: 0 moved, 0 as before, 2 not kept before",
        "kept for the next time",
    ]
    assert err == ""  # progress is for a terminal
    one = kept / "2.csv.judgement.json"
    judgement = json.loads(one.read_text())
    assert main(["judge", str(folder / "2.csv"), *command[2:5], "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == judgement  # what is kept is what judge prints
    judgement["findings"][0]["cause"] = "unclear"
    judgement["comparisons"][0]["cylinders"][2]["deviation"] += 3.0
    one.write_text(json.dumps(judgement))
    assert main(command) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "2.csv: moved"
    assert lines[1] == "  cause      intake drop, odd pulse at 3: unclear -> engine"
    assert lines[2].startswith("  deviation  intake drop (cranking), cylinder 4: ")
    assert lines[3:] == ["2 recordings: 1 moved, 1 as before", "what moved: causes in 1 and deviations in 1"]
    (folder / "3.csv").write_text("time_s\n")
    assert main([*command, "--json"]) == 1
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert [r["status"] for r in document["recordings"]] == ["same", "moved", "failed"]
    assert document["moved"] == {"cause": 1, "deviation": 1}
    assert "1 of 3 recordings could not be judged" in err
