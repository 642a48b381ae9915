"""Several cranks in one file: found, judged together and apart, and whether they agree."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason, SampleBlock
from evenstroke_dsp.messages import CrankedStretch
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.cranks import cranks_in, within
from evenstroke_replay.judging import JudgedFile, judge_path
from evenstroke_replay.recording_format import RecordingError
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource
from setup_texts import FOUR, intake, spark

SETUP = FOUR + intake(input=0, low_corner_hz=0.5) + spark(input=1, offset_deg=-8)
AS_CSV = parse_setup(SETUP.replace("input = 0\n", "").replace("input = 1\n", ""))
STEP_S = 4e-4


def crank(rpm: float, percent: float) -> np.ndarray:
    """A four whose cylinder 3 draws so much more or less, 8 s with rest before and after, invented: columns of volts."""
    source = EngineSource(
        parse_setup(SETUP),
        Cranking(rpm=rpm, rest_s=2.0, crank_s=6.0, noise_db=40.0, cycle_percent=0.5),
        (Alteration("intake", 3, percent),) if percent else (),
        analog_probes=frozenset({"spark"}),
    )
    times = np.arange(0.0, 10.0, STEP_S)
    return source.volts((0, 1), np.tile(times, (2, 1)))


def capture(path: Path, *cranks: np.ndarray) -> Path:
    volts = np.concatenate(cranks, axis=1)
    table = np.column_stack([np.arange(volts.shape[1]) * STEP_S, *volts])
    np.savetxt(path, table, delimiter=",", header="time_s,intake,spark", comments="", fmt="%.5f")
    return path


@pytest.fixture(scope="module")
def mended(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Cylinder 3 small in the first crank, as the others in the second, which turns more slowly."""
    return capture(tmp_path_factory.mktemp("cranks") / "two.csv", crank(210.0, -15.0), crank(185.0, 0.0))


def codes(judged: JudgedFile) -> list[str]:
    return [warning.code for warning in judged.judgement.warnings]


def drop_of_3(judged: JudgedFile) -> tuple[float, str | None]:
    (drops,) = [c for c in judged.judgement.comparisons if c.feature == "drop"]
    (three,) = [c for c in drops.cylinders if c.cylinder == 3]
    assert three.deviation is not None
    return three.deviation, three.verdict


def test_each_crank_can_be_judged_alone(mended: Path) -> None:
    together, first, second = (
        judge_path(mended, AS_CSV),
        *(judge_path(mended, AS_CSV, crank=n) for n in (1, 2)),
    )
    assert len(together.judgement.cranked) == 2
    assert drop_of_3(first)[1] == "smaller"
    assert drop_of_3(second)[1] == "even"
    assert drop_of_3(first)[0] < drop_of_3(together)[0] < drop_of_3(second)[0]
    for n, alone in enumerate((first, second)):
        (stretch,) = alone.judgement.cranked
        whole = together.judgement.cranked[n]
        # In the file's own seconds; where it begins to count depends on what was before it by a cycle at most.
        assert stretch.from_s == pytest.approx(whole.from_s, abs=0.7)
        assert stretch.to_s == pytest.approx(whole.to_s, abs=0.7)
        assert "several_cranks" not in codes(alone)


def test_cranks_that_do_not_agree_are_said(mended: Path) -> None:
    judged = judge_path(mended, AS_CSV)
    assert codes(judged).count("several_cranks") == 1
    differ = [w.text for w in judged.judgement.warnings if w.code == "cranks_differ"]
    assert any(text.startswith("Cylinder 3's drop (intake)") for text in differ)
    assert all("--crank 1, --crank 2" in text for text in differ)
    (several,) = [w.text for w in judged.judgement.warnings if w.code == "several_cranks"]
    assert "210 rpm" in several
    assert "185 rpm" in several


def test_another_speed_alone_is_no_disagreement(tmp_path: Path) -> None:
    judged = judge_path(capture(tmp_path / "same.csv", crank(210.0, -15.0), crank(185.0, -15.0)), AS_CSV)
    assert "several_cranks" in codes(judged)
    assert "cranks_differ" not in codes(judged)
    assert drop_of_3(judged)[1] == "smaller"


def test_one_crank_is_not_several(tmp_path: Path) -> None:
    path = capture(tmp_path / "one.csv", crank(200.0, 0.0))
    assert not {"several_cranks", "cranks_differ"} & set(codes(judge_path(path, AS_CSV)))
    with pytest.raises(RecordingError, match="no such crank") as caught:
        judge_path(path, AS_CSV, crank=2)
    assert caught.value.expected == "1 to 1"


def test_a_stream_that_was_lost_for_a_moment_makes_no_second_crank() -> None:
    stretches = [
        CrankedStretch(from_s=1.0, to_s=4.0, cycles=10, mean_rpm=200.0),
        CrankedStretch(from_s=4.6, to_s=7.0, cycles=8, mean_rpm=200.0),
        CrankedStretch(from_s=60.0, to_s=60.6, cycles=1, mean_rpm=200.0),
        CrankedStretch(from_s=127.0, to_s=133.0, cycles=20, mean_rpm=200.0),
    ]
    first, second = cranks_in(stretches)
    assert (first.from_s, first.to_s, first.cycles) == (1.0, 7.0, 18)
    assert first.mean_rpm == pytest.approx(120.0 * 18 / 5.4)
    assert first.window == (-math.inf, 67.0)
    assert second.window == (67.0, math.inf)


def test_parts_put_together_are_the_whole() -> None:
    rng = np.random.default_rng(3)
    blocks = [
        SampleBlock(inputs=(0,), volts=rng.normal(size=(1, 500)), t0=0.25, dt=0.001),
        EdgeBlock(input=1, times=np.array([0.3, 0.5, 0.7]), rising=np.array([True, False, True]), until=0.75),
        Gap(0.75, 0.8, 50, GapReason.LINK_LOST),
        SampleBlock(inputs=(0,), volts=rng.normal(size=(1, 300)), t0=0.8, dt=0.001),
    ]
    for cut in (0.0, 0.25, 0.4004, 0.5, 0.77, 0.9, 2.0):
        parts = [list(within(blocks, (-math.inf, cut))), list(within(blocks, (cut, math.inf)))]
        volts = [b.volts for part in parts for b in part if isinstance(b, SampleBlock)]
        whole = np.concatenate([b.volts for b in blocks if isinstance(b, SampleBlock)], axis=1)
        assert np.concatenate(volts, axis=1).tobytes() == whole.tobytes()
        edges = [t for part in parts for b in part if isinstance(b, EdgeBlock) for t in b.times]
        assert edges == [0.3, 0.5, 0.7]
        for part, low, high in zip(parts, (-math.inf, cut), (cut, math.inf), strict=True):
            for block in part:
                if isinstance(block, SampleBlock):
                    times = block.t0 + np.arange(block.samples) * block.dt
                    assert times.min() >= low - 1e-6
                    assert times.max() < high + 1e-6
