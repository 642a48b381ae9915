"""A cranking speed that changes from cycle to cycle limits what is compared, and is said in per cent; one that sags does not."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.cycles import CycleSpan
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.stretches import UNSTEADY_PERCENT, StretchKeeper

BENCH = Path(__file__).parents[1] / "bench"
SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def of_speeds(rpms: np.ndarray) -> StretchKeeper:
    rotation, t = Rotation(), 0.0
    for k, rpm in enumerate([*rpms, rpms[-1]]):
        rotation.add(t, 720.0 * k)
        t += 120.0 / float(rpm)
    keeper = StretchKeeper()
    for k in range(len(rpms)):
        keeper.classify(CycleSpan(rotation, 0, k, 720.0 * k, ()))
    return keeper


@pytest.mark.parametrize("percent", [0.5, 1.0, 3.0])
def test_it_is_the_standard_deviation_of_independent_changes(percent: float) -> None:
    """Closed form: speeds drawn independently about their mean; over 60 bends the estimate's own error is some 15 %."""
    rng = np.random.default_rng(1)
    keeper = of_speeds(200.0 * np.exp(percent / 100.0 * rng.standard_normal(62)))
    assert keeper.unsteady_percent == pytest.approx(percent, rel=0.35)
    assert keeper.unsteady is (percent > UNSTEADY_PERCENT)


def test_what_changes_evenly_once_or_at_the_start_is_steady() -> None:
    """Closed form: speeds in a geometric row have no bend at all; one hesitation and an engine that starts bend few cycles."""
    assert of_speeds(200.0 * 0.7 ** np.linspace(0.0, 1.0, 17)).unsteady_percent == pytest.approx(
        0.0, abs=1e-6
    )
    once = np.full(14, 200.0)
    once[7] = 150.0
    assert not of_speeds(once).unsteady
    assert not of_speeds(np.array([120.0, *[200.0] * 9, 330.0, 520.0, 700.0])).unsteady
    assert of_speeds(np.array([150.0, 200.0, 200.0])).unsteady_percent is None


@pytest.fixture(scope="module")
def cranks(tmp_path_factory):
    sys.path.insert(0, str(BENCH))
    try:
        from accuracy_cranks import recordings
    finally:
        sys.path.remove(str(BENCH))
    folder = tmp_path_factory.mktemp("cranks")
    recordings.simulate_all([("four", 0, False)], folder)
    return recordings, folder


def judged(cranks, **how):
    recordings, folder = cranks
    recording = recordings.record(recordings.Case("four", 50, 25.0, **how), folder)
    pipeline = Pipeline(recording.setup)
    for block in recording.blocks:
        pipeline.push(block)
    pipeline.flush()
    return pipeline.judge(SOURCE)


def test_a_crank_that_hesitates_is_limited_and_said(cranks) -> None:
    """The engine physics' own crank; its hesitations are drawn (tests/bench/bench_unsteady.py)."""
    judgement = judged(cranks, hesitates=0.3)
    for comparison in judgement.comparisons:
        assert "speed_unsteady" in comparison.because
        assert comparison.trust == "limited"
    (text,) = (w.text for w in judgement.warnings if w.code == "speed_unsteady")
    said = float(re.search(r"([\d.]+) % from cycle to cycle", text)[1])
    assert said > UNSTEADY_PERCENT
    assert "battery" in text and "crank again" in text


@pytest.mark.parametrize("how", [{}, {"sag": 0.3}])
def test_an_ordinary_crank_is_not_even_where_it_sags(cranks, how) -> None:
    judgement = judged(cranks, **how)
    assert judgement.comparisons
    assert not any("speed_unsteady" in c.because for c in judgement.comparisons)
    assert "speed_unsteady" not in {w.code for w in judgement.warnings}
