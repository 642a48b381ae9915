"""Naming cylinders by hand where nothing recorded names them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.messages import SetupNote
from evenstroke_dsp.setup import SetupError, parse_setup
from evenstroke_replay.capture_csv import CaptureError, read_capture
from evenstroke_replay.judging import Mark, judge_path
from evenstroke_replay.recorder import ImportedFrom, Recorder
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

ORDER = (1, 5, 3, 6, 2, 4)
BOARD = """schema = 1
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
volts_per_unit = 1.0
volts_at_zero = 2.5
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 1
teeth = "60-2"
edge = "falling"
"""
CAPTURE = BOARD.replace("input = 0", 'column = "intake"').replace("input = 1", 'column = "wheel"')


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, EngineSource]:
    """A crank of a six whose cylinder 2 draws 15 % less, as CSV: intake and wheel, no sync."""
    source = EngineSource(
        parse_setup(BOARD),
        Cranking(rpm=200.0, rest_s=0.5, crank_s=6.0),
        (Alteration("intake", 2, -15.0),),
        analog_probes=frozenset({"wheel"}),
    )
    times = np.arange(0.0, 7.0, 5e-4)
    volts = source.volts((0, 1), np.tile(times, (2, 1)))
    path = tmp_path_factory.mktemp("capture") / "no sync.csv"
    table = np.column_stack([times, *volts])
    np.savetxt(path, table, delimiter=",", header="time_s,intake,wheel", comments="", fmt="%.5f")
    return path, source


def small(judged) -> list[int | None]:
    (drops,) = [c for c in judged.judgement.comparisons if (c.probe, c.feature) == ("intake", "drop")]
    return [c.cylinder for c in drops.cylinders if c.verdict == "smaller"]


def test_without_a_name_there_are_positions_only(capture) -> None:
    judged = judge_path(capture[0], parse_setup(CAPTURE))
    (drops,) = [c for c in judged.judgement.comparisons if (c.probe, c.feature) == ("intake", "drop")]
    assert [c.position for c in drops.cylinders] == [1, 2, 3, 4, 5, 6]
    assert {c.cylinder for c in drops.cylinders} == {None}
    assert small(judged) == [None]
    assert "cylinders_unnamed" in {w.code for w in judged.judgement.warnings}


def test_the_first_position_names_them_all(capture) -> None:
    path, source = capture
    plain = judge_path(path, parse_setup(CAPTURE))
    cycle = next(m for m in plain.messages if getattr(m, "left_out", 0) is None and hasattr(m, "rpm"))
    first = cycle.probes[0].pulses[0]
    # Whose intake stroke lies there, by the engine that was simulated: 360 to 540 degrees after firing TDC.
    middle = (first.from_s + first.to_s) / 2
    truth = source.truth
    theta = float(np.interp(middle, truth.times, truth.theta_deg))
    away = {c: abs((theta - 120.0 * k - 435.0 + 360.0) % 720.0 - 360.0) for k, c in enumerate(ORDER)}
    whose = min(away, key=lambda c: away[c])
    named = judge_path(path, parse_setup(CAPTURE), first_position_is=whose)
    assert small(named) == [2]
    assert "cylinders_unnamed" not in {w.code for w in named.judgement.warnings}
    (drops,) = [c for c in named.judgement.comparisons if (c.probe, c.feature) == ("intake", "drop")]
    assert [c.cylinder for c in drops.cylinders] == list(ORDER)
    # Another name turns all of them round by as many places.
    shifted = judge_path(path, parse_setup(CAPTURE), first_position_is=ORDER[(ORDER.index(whose) + 1) % 6])
    assert small(shifted) == [ORDER[(ORDER.index(2) + 1) % 6]]


def test_a_set_up_in_the_place_of_a_capture_is_told_from_one(tmp_path: Path) -> None:
    (tmp_path / "my.toml").write_text(CAPTURE)
    with pytest.raises(CaptureError, match="set-up file") as caught:
        judge_path(tmp_path / "my.toml")
    assert "--setup" in caught.value.todo


def test_a_cylinder_that_the_engine_lacks_is_refused(capture) -> None:
    with pytest.raises(SetupError, match="no such cylinder"):
        judge_path(capture[0], parse_setup(CAPTURE), first_position_is=7)


def test_a_wheel_that_knows_its_first_tooth_needs_only_the_half_cycle(capture) -> None:
    path, _source = capture
    text = CAPTURE.replace('edge = "falling"', 'edge = "falling"\nfirst_tooth_deg = 84')
    plain = judge_path(path, parse_setup(text))
    (drops,) = [c for c in plain.judgement.comparisons if (c.probe, c.feature) == ("intake", "drop")]
    odd = [c for c in drops.cylinders if c.verdict == "smaller"]
    assert [c.one_of for c in odd] == [(2, 5)]  # companions: 360 degrees apart
    results = {tuple(small(judge_path(path, parse_setup(text), first_position_is=c))) for c in ORDER}
    assert results == {(2,), (5,)}


def test_what_was_noted_and_what_was_said_before_the_crank_come_with_the_judgement(
    capture, tmp_path: Path
) -> None:
    path, _ = capture
    whole = read_capture(path, parse_setup(CAPTURE), None)
    origin = ImportedFrom(file=path.name, sha256=whole.sha256, duration_s=whole.duration_s, warnings=())
    note = SetupNote(probe="intake", feature="drop", disturbed=(), text="as it was said then")
    out = tmp_path / "noted.mcap"
    with Recorder(
        out, CAPTURE, started_at=datetime(2026, 1, 1, tzinfo=UTC), imported=origin, setup_notes=(note,)
    ) as recorder:
        seen_s = 0.0
        noted = None
        for block in whole.blocks():
            recorder.imported(block)
            seen_s = max(seen_s, block.t0 + block.samples * block.dt)
            if noted is None and seen_s > 2.0:
                recorder.note("the starter grates", 0)
                noted = seen_s
    judged = judge_path(out)
    assert judged.marks == (Mark(pytest.approx(noted), "the starter grates"),)
    assert judged.setup_notes == (note,)
    replaced = judge_path(out, parse_setup(CAPTURE), setup_text=CAPTURE)
    assert replaced.setup_notes[0].text.endswith("all 6 cylinders cleanly."), (
        "not what was said of another set-up"
    )
