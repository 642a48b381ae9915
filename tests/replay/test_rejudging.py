"""Recordings judged again: what counts as moved, and that nothing else does."""

from __future__ import annotations

from pathlib import Path

import barge_four
import msgspec
import pytest
from evenstroke_dsp.messages import CodedWarning, Judgement
from evenstroke_replay.judging import judge_path
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.rejudging import all_of, moves, rejudge, tasks_in

change = msgspec.structs.replace


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("corpus")
    (folder / "more").mkdir()
    for name, number in (("b", 1), ("a", 2), ("more/c", 3)):
        barge_four.crank(folder / f"{name}.csv", number)
    (folder / "more" / "c.toml").write_text(barge_four.SETUP)
    return folder


@pytest.fixture(scope="module")
def judgement(folder: Path) -> Judgement:
    return judge_path(folder / "a.csv", barge_four.setup()).judgement


def altered(judgement: Judgement, **changed) -> Judgement:
    """With the first cylinder of the first comparison changed."""
    first, *others = judgement.comparisons
    cylinder, *rest = first.cylinders
    first = change(first, cylinders=(change(cylinder, **changed), *rest))
    return change(judgement, comparisons=(first, *others))


def test_a_judgement_read_back_is_the_same(judgement) -> None:
    assert moves(msgspec.json.decode(msgspec.json.encode(judgement), type=Judgement), judgement) == ()


def test_a_deviation_moves_beyond_half_a_unit_of_the_place_that_is_shown(judgement) -> None:
    """The interval is narrower than 2 %: one decimal is shown (`wording.decimals`), so that 0.05 is its rounding."""
    before = altered(judgement, deviation=3.98, low=3.1, high=4.9)
    assert moves(before, altered(before, deviation=4.02)) == ()
    (move,) = moves(before, altered(before, deviation=4.04))
    assert (move.kind, move.where) == ("deviation", "intake drop (cranking), cylinder 1")
    assert (move.before, move.now) == ("+3.98 (+3.10 to +4.90)", "+4.04 (+3.10 to +4.90)")
    assert [m.kind for m in moves(before, altered(before, low=3.0))] == ["deviation"]
    # Of a wider one none is.
    wide = altered(judgement, deviation=3.98, low=1.0, high=7.0)
    assert moves(wide, altered(wide, deviation=4.4)) == ()
    assert [m.kind for m in moves(wide, altered(wide, deviation=4.5))] == ["deviation"]


def test_every_kind_is_told_apart(judgement) -> None:
    judgement = altered(judgement, verdict="even")
    verdict = altered(judgement, verdict="larger")
    assert [(m.kind, m.before, m.now) for m in moves(judgement, verdict)] == [("verdict", "even", "larger")]
    assert [m.kind for m in moves(judgement, altered(judgement, trust="limited"))] == ["trust"]
    spread = change(judgement, findings=tuple(change(f, cause="spread") for f in judgement.findings))
    assert [(m.kind, m.before, m.now) for m in moves(judgement, spread)] == [("cause", "engine", "spread")]
    warned = change(judgement, warnings=(*judgement.warnings, CodedWarning(code="level_drift", text="x")))
    assert [(m.kind, m.where) for m in moves(judgement, warned)] == [("warning", "level_drift")]
    reworded = change(judgement, warnings=tuple(change(w, text="x") for w in judgement.warnings))
    assert moves(judgement, reworded) == ()
    refused = change(judgement, refused="Cannot judge", comparisons=(), findings=())
    kinds = [m.kind for m in moves(judgement, refused)]
    assert kinds[0] == "refusal"
    assert set(kinds) == {"refusal", "verdict", "cause"}
    other = change(judgement, source=change(judgement.source, sha256="0" * 64))
    assert [m.kind for m in moves(judgement, other)] == ["recording"]


def test_what_was_kept_is_compared_in_order_and_by_any_number_of_processes(folder, tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(barge_four.SETUP)
    tasks = tasks_in([folder], str(setup), tmp_path / "kept")
    assert [t.name for t in tasks] == ["a.csv", "b.csv", str(Path("more/c.csv"))]
    assert tasks[2].setup_name == str(folder / "more" / "c.toml")

    def again(workers: int, keep: bool = False):
        return rejudge(tasks, physics=None, shelf=None, workers=workers, keep=keep)

    assert {r.status for r in again(1, keep=True)} == {"not kept"}
    # As if the DSP had said otherwise before.
    kept = tasks[1].kept
    before = msgspec.json.decode(kept.read_bytes(), type=Judgement)
    kept.write_bytes(msgspec.json.encode(altered(before, verdict="undecided")))
    tasks[2].kept.write_text("{}")
    told: list[int] = []
    one = rejudge(tasks, physics=None, shelf=None, workers=1, keep=False, done=told.append)
    assert told == [1, 2, 3]
    assert [r.status for r in one] == ["same", "moved", "failed"]
    assert str(tasks[2].kept) in one[2].problem
    assert all_of(one).moved == {"verdict": 1}
    assert again(2) == one


def test_each_file_is_judged_once_and_what_cannot_be_is_said(folder, tmp_path: Path) -> None:
    assert len(tasks_in([folder, folder / "more"], None, None)) == 3
    (other := tmp_path / folder.name).mkdir()
    (other / "a.csv").write_text("time_s,intake,spark\n")
    with pytest.raises(RecordingError, match="one file"):
        tasks_in([folder, other], None, tmp_path)
    with pytest.raises(RecordingError, match="not a folder"):
        tasks_in([folder / "a.csv"], None, None)
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordingError, match="nothing to judge again"):
        tasks_in([tmp_path / "empty"], None, None)
    (failed,) = rejudge(tasks_in([other], None, None), physics=None, shelf=None, workers=1, keep=True)
    assert failed.status == "failed"
    assert "set-up" in failed.problem
    assert not list(other.glob("*.json"))
