"""Known-goods: what goes on the shelf, what stays off, and how what is normal follows from them."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import barge_four
import msgspec
import pytest
from evenstroke_dsp.messages import CodedWarning
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_replay.capture_csv import read_capture
from evenstroke_replay.importing import import_capture
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.shelf import Shelf, ShelfError, sha256_of
from evenstroke_replay.shelving import Shelved, shelve


@pytest.fixture(scope="module")
def cranks(tmp_path_factory: pytest.TempPathFactory) -> dict[int, tuple[Path, JudgedFile]]:
    """Four sound engines of the family, judged without a shelf."""
    folder = tmp_path_factory.mktemp("cranks")
    paths = {k: barge_four.crank(folder / f"{k}.csv", k) for k in (1, 2, 3, 4)}
    return {k: (path, judge_path(path, barge_four.setup())) for k, path in paths.items()}


def put(shelf: Shelf, crank: tuple[Path, JudgedFile], known_by: str | None = "leak-down", **told) -> Shelved:
    return shelve(
        shelf, *crank, added_at="2026-11-29T10:00:00+00:00", evenstroke_version="0", known_by=known_by, **told
    )


@pytest.fixture
def full(cranks, tmp_path: Path) -> Shelf:
    shelf = Shelf(tmp_path / "shelf")
    for number in (1, 2, 3):
        put(shelf, cranks[number])
    return shelf


def drops(judged: JudgedFile):
    return next(c for c in judged.judgement.comparisons if c.feature == "drop")


def test_a_family_that_is_uneven_when_sound_is_no_longer_accused(cranks, full, tmp_path: Path) -> None:
    path, alone = cranks[4]
    assert [f.cause for f in alone.judgement.findings] == ["engine"]  # by the generic table
    assert put(Shelf(tmp_path / "other"), cranks[4]).engines == 1
    judged = judge_path(path, barge_four.setup(), shelf=full)
    assert [f.cause for f in judged.judgement.findings] == ["spread"]
    assert "3 known-goods of this family" in judged.judgement.findings[0].text
    assert {c.normal.from_ for c in drops(judged).cylinders} == {"3 known-goods of this family"}
    # Facts stay: the deviation, its interval and its verdict know nothing of the shelf.
    for before, after in zip(drops(alone).cylinders, drops(judged).cylinders, strict=True):
        assert msgspec.structs.replace(before, normal=None) == msgspec.structs.replace(after, normal=None)
    bad = barge_four.crank(tmp_path / "bad.csv", 5, {1: -25.0})
    findings = judge_path(bad, barge_four.setup(), shelf=full).judgement.findings
    assert (1, "engine") in [(f.odd_pulse_at[0], f.cause) for f in findings]


def test_what_comes_live_is_measured_by_the_same(cranks, full) -> None:
    path, _ = cranks[4]
    setup = barge_four.setup()
    pipeline = Pipeline(setup, known_goods=full.known_goods_for(setup, None))
    said = [m for block in read_capture(path, setup, None).blocks() for m in pipeline.push(block)]
    said += pipeline.flush()
    last = [m for m in said if hasattr(m, "comparisons")][-1]
    now = next(c for c in last.comparisons if c.feature == "drop")
    assert now == drops(judge_path(path, setup, shelf=full))


def test_a_recording_is_not_measured_by_itself_nor_by_its_engines_others(cranks, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    for number, engine in ((1, "a"), (2, "a"), (3, "b"), (4, "c")):
        shelved = put(shelf, cranks[number], engine=engine)
    assert shelved.engines == 3
    setup = barge_four.setup()
    assert "3 known-goods" in str(
        shelf.known_goods(setup).normal(("intake", "drop", "cranking"), range(4), relative=True)
    )
    itself = judge_path(cranks[1][0], setup, shelf=shelf)
    assert not any("known-goods" in c.normal.from_ for c in drops(itself).cylinders)
    (said,) = [w.text for w in itself.judgement.warnings if w.code == "known_goods"]
    assert said.startswith("2 known-good engines of the family 'Barge four' on the shelf, 2 with intake drop")


@pytest.mark.parametrize(
    ("changed", "to"),
    [
        ('family = "Barge four"', 'family = "barge  FOUR"'),  # the same words
        ("[1, 3, 4, 2]", "[4, 2, 1, 3]"),  # the same order, begun elsewhere
    ],
)
def test_what_is_the_same_kind_of_engine_is_found(full, changed: str, to: str) -> None:
    known = full.known_goods(barge_four.setup(barge_four.SETUP.replace(changed, to)))
    normal = known.normal(("intake", "drop", "cranking"), range(4), relative=True)
    middles = {c: (n.low + n.high) / 2 for c, n in normal.items()}
    assert min(middles, key=lambda c: middles[c]) == 3  # by its cylinder, wherever the order begins
    assert middles[3] < -7 < 0 < middles[1]


@pytest.mark.parametrize(
    ("changed", "to"),
    [
        ('family = "Barge four"\n', ""),
        ("Barge four", "Barge six"),
        ("[1, 3, 4, 2]", "[1, 2, 4, 3]"),
        ("firing_order", "firing_intervals_deg = [90, 270, 180, 180]\nfiring_order"),
    ],
)
def test_other_engines_are_not_measured_by_them(full, changed: str, to: str) -> None:
    assert full.known_goods(barge_four.setup(barge_four.SETUP.replace(changed, to))) is None


@pytest.mark.parametrize("other", ["lowpass_hz = 40", "sees = [1, 3, 4]"])
def test_other_probes_are_not_measured_by_them(full, other: str) -> None:
    known = full.known_goods(
        barge_four.setup(barge_four.SETUP.replace('name = "intake"', f'name = "intake"\n{other}'))
    )
    assert not known.pulses
    assert "none with probes like these" in known.note


def test_another_throttle_is_another_test(cranks, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    path, _ = cranks[1]
    closed = barge_four.setup(barge_four.SETUP + '[conditions]\nthrottle = "closed"\n')
    put(shelf, (path, judge_path(path, closed)))
    assert shelf.known_goods(barge_four.setup()).pulses  # where it is not said it is taken to be alike
    flooded = barge_four.SETUP + '[conditions]\nfuel = "clear_flood"\n'
    known = shelf.known_goods(barge_four.setup(flooded))
    assert not known.pulses
    assert "throttle" in known.note


def test_the_same_file_twice_does_nothing(cranks, full, tmp_path: Path) -> None:
    before = {p.name: p.read_bytes() for p in full.folder.iterdir()}
    copy = shutil.copy(cranks[1][0], tmp_path / "renamed.csv")
    again = put(full, (copy, judge_path(copy, barge_four.setup())), engine="another")
    assert again.already
    assert again.entry.file == "1.csv"
    assert {p.name: p.read_bytes() for p in full.folder.iterdir()} == before
    assert set(before) == {f"{sha256_of(cranks[k][0])}.json" for k in (1, 2, 3)}


def test_a_capture_and_the_recording_made_of_it_are_one(cranks, full, tmp_path: Path) -> None:
    out = tmp_path / "1.mcap"
    import_capture(cranks[1][0], barge_four.SETUP, out, started_at=datetime(2026, 11, 29, tzinfo=UTC))
    made = out, judge_path(out)
    assert put(full, made).already
    empty = Shelf(tmp_path / "empty")
    assert not put(empty, made).already
    assert put(empty, cranks[1]).already
    assert empty.entries()[0].recorded_at is None  # when it was imported is not when it was recorded


def refused(shelf: Shelf, path: Path, judged: JudgedFile, **told) -> str:
    with pytest.raises(ShelfError) as caught:
        put(shelf, (path, judged), **told)
    assert not shelf.entries()
    return str(caught.value)


def test_what_is_no_known_good_is_refused(cranks, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    path, judged = cranks[1]
    assert "leak-down test" in refused(shelf, path, judged, known_by=None)
    no_family = judge_path(path, barge_four.setup(barge_four.SETUP.replace(barge_four.FAMILY, "")))
    assert 'family = "' in refused(shelf, path, no_family)

    def but(**changed) -> JudgedFile:
        judgement = msgspec.structs.replace(judged.judgement, **changed)
        return JudgedFile(judgement, judged.messages, judged.setup, None, scans=judged.scans)

    lossy = msgspec.structs.replace(judged.judgement.source, lost_samples=round(0.011 * judged.scans))
    assert "1.1 %" in refused(shelf, path, but(source=lossy))
    text = "Cannot judge: no complete cycle"
    assert text in refused(shelf, path, but(refused=text, comparisons=(), findings=()))
    differ = (CodedWarning(code="cranks_differ", text="not the same"),)
    assert "--crank" in refused(shelf, path, but(warnings=differ))


def test_what_is_disturbed_stays_off_and_is_said(cranks, tmp_path: Path) -> None:
    """Added volume disturbs the companion's intake pulse (4's of 1's): contract of the set-up check."""
    shelf = Shelf(tmp_path / "shelf")
    path, _ = cranks[1]
    hose = barge_four.SETUP + '[[fitted]]\nwhat = "hose"\ncylinder = 1\nadded_volume_cc = 9.0\n'
    said = refused(shelf, path, judge_path(path, barge_four.setup(hose)))
    assert "intake drop (cranking): disturbed by added_volume" in said
    short = barge_four.crank(tmp_path / "short.csv", 1, crank_s=2.6)
    assert "cycles" in refused(shelf, short, judge_path(short, barge_four.setup()))


def test_a_damaged_entry_says_which_and_what_to_do(full) -> None:
    one = sorted(full.folder.iterdir())[0]
    one.write_bytes(one.read_bytes()[:200])
    with pytest.raises(ShelfError) as caught:
        full.known_goods(barge_four.setup())
    assert str(one) in str(caught.value)
    assert "--no-shelf" in caught.value.todo


def test_a_file_in_the_shelf_s_place_is_no_empty_shelf(tmp_path: Path) -> None:
    assert Shelf(tmp_path / "not there yet").entries() == ()
    (file := tmp_path / "file").write_text("")
    with pytest.raises(ShelfError, match="not a folder"):
        Shelf(file).known_goods(barge_four.setup())


def test_taking_one_off_needs_its_name(full) -> None:
    with pytest.raises(ShelfError, match="does not name one"):
        full.remove("")
    gone = full.remove(full.entries()[0].sha256[:10])
    assert gone.sha256 not in {e.sha256 for e in full.entries()}
    assert len(full.entries()) == 2
