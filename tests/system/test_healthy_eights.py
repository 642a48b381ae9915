"""A healthy eight of an engine model that the judgement does not share, whose pulses all but cancel, is not accused.

Reference: tests/bench/second_model, with production scatter between cylinders and nothing wrong. This one was accused where
healthy rises reached 22 % and dips 30; tests/dsp/test_normal.py has what the others of that model reach.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "bench" / "second_model"))
from engine_model import KINDS, crank, draw
from evenstroke_replay.judging import judge_path
from evenstroke_replay.setup_files import load_setup
from probes import Choices, record


def test_a_healthy_eight_is_not_accused(tmp_path: Path) -> None:
    kind, seed = KINDS["v8"], 36
    engine = draw(kind, seed, cold=False)
    turned = crank(engine, seed, step_s=5e-5)
    csv, toml = record(tmp_path, "eight", kind, engine, turned, Choices(snr_db=28.0, seed=seed))
    setup, text = load_setup(str(toml))
    judgement = judge_path(csv, setup, setup_text=text).judgement
    assert judgement.refused is None
    assert not [f.text for f in judgement.findings if f.cause == "engine"]
    assert [f for f in judgement.findings if f.probe == "exhaust"], "odd all the same, which is a fact"
