"""`evenstroke shelf`: what it prints, its exit codes, and that judging uses the shelf."""

from __future__ import annotations

import json
from pathlib import Path

import barge_four
import pytest
from evenstroke_daemon.command_line import main
from evenstroke_replay.shelf import FOLDER_VARIABLE


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cranks")
    for number in (1, 2, 3, 4):
        barge_four.crank(folder / f"{number}.csv", number)
    (folder / "setup.toml").write_text(barge_four.SETUP)
    return folder


def test_from_the_first_known_good_to_what_is_normal(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "shelf"))
    setup = ["--setup", str(folder / "setup.toml")]

    def said(code: int, *arguments: str) -> tuple[str, str]:
        assert main(arguments) == code
        return capsys.readouterr()

    def judged(*more: str) -> dict:
        return json.loads(said(0, "judge", str(folder / "4.csv"), *setup, "--quick", "--json", *more)[0])

    assert "the shelf is empty" in said(0, "shelf", "list")[0]
    add = ["shelf", "add", "--quick", *setup]
    assert "is not known to be good" in said(1, *add, str(folder / "1.csv"))[1]
    known = [*add, "--known-by", "leak-down test", "--by", "Mira"]
    out = said(0, *known, str(folder / "1.csv"))[0]
    assert "taken for an engine of its own" in out
    assert "1 engine of the family 'Barge four' now: too few" in out
    assert "nothing was done" in said(0, *known, str(folder / "1.csv"))[0]
    said(0, *known, str(folder / "2.csv"), "--engine", "the green one")
    assert "generic table" in judged()["comparisons"][0]["cylinders"][0]["normal"]["from"]
    assert "known_goods" in {w["code"] for w in judged()["warnings"]}
    assert "measured by them" in said(0, *known, str(folder / "3.csv"), "--engine", "the red one")[0]

    document = judged()
    assert document["findings"][0]["cause"] == "spread"
    for cylinder in document["comparisons"][0]["cylinders"]:
        assert cylinder["normal"]["from"] == "3 known-goods of this family"
    assert judged("--no-shelf")["findings"][0]["cause"] == "engine"
    text = said(0, "judge", str(folder / "4.csv"), *setup, "--quick")[0]
    assert "(3 known-goods of this family)" in " ".join(text.split())
    report = tmp_path / "report.html"
    said(0, "report", str(folder / "4.csv"), *setup, "--quick", "-o", str(report))
    assert "3 known-goods of this family" in report.read_text(encoding="utf-8")

    listed = said(0, "shelf", "list")[0]
    assert listed.startswith("Barge four, firing order 1-3-4-2: 3 engines, normal is measured by them")
    assert "engine 'the green one'; 2.csv" in listed
    assert "by Mira; known by leak-down test" in listed
    entries = json.loads(said(0, "shelf", "list", "--json")[0])
    assert [e["file"] for e in entries] == ["1.csv", "2.csv", "3.csv"]
    assert "is off the shelf" in said(0, "shelf", "remove", entries[0]["sha256"][:8])[0]
    assert len(json.loads(said(0, "shelf", "list", "--json")[0])) == 2
