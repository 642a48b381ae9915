"""An engine with all plugs out is refused by starter current too; engines with them in, whatever they are, are not.

Cranks are the engine physics' own, with every plug hole open, or none.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.physics import CrankScenario, parameters_for, scattered, simulate
from evenstroke_dsp.physics.scenario import FittedPart

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def judged(angle, engine: str, *, plugs_out: bool, basis: str = "sync, current"):
    kind = angle.ENGINES[engine]
    rng = np.random.default_rng([0, len(kind.order)])
    parameters = scattered(parameters_for(angle.setup_of(kind, "sync"), rng), rng)
    fitted = tuple(FittedPart(cylinder=c, plug_removed=True) for c in kind.order) if plugs_out else ()
    scenario = CrankScenario(rest_s=0.5, crank_s=6.0, coast_s=0.3, output_hz=angle.RATE_HZ, fitted=fitted)
    setup = angle.setup_of(kind, basis)
    pipeline, _ = angle.run(setup, angle.blocks_of(setup, simulate(parameters, scenario)))
    return pipeline.judge(SOURCE)


@pytest.mark.parametrize("engine", ["three", "four", "eight"])
def test_without_plugs_it_is_refused_and_said_why(angle, engine: str) -> None:
    judgement = judged(angle, engine, plugs_out=True)
    assert judgement.refused is not None
    assert "Are the plugs out" in judgement.refused and "crank again" in judgement.refused
    assert judgement.comparisons == () and judgement.cranked


@pytest.mark.parametrize("engine", ["three", "four", "eight", "V6 150/90", "five at 0 C"])
def test_with_them_it_is_judged(angle, engine: str) -> None:
    judgement = judged(angle, engine, plugs_out=False)
    assert judgement.refused is None and judgement.comparisons
