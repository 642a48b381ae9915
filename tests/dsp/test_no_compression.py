"""An engine with all plugs out is refused by starter current too; engines with them in, whatever they are, are not.

Cranks are the engine physics' own, with every plug hole open, or none.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstroke_dsp.messages import Balance, FindingMessage, SourceInfo
from evenstroke_dsp.physics import CrankScenario, parameters_for, scattered, simulate
from evenstroke_dsp.physics.scenario import FittedPart
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup

WHEEL = """
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 4
teeth = "60-2"
edge = "falling"
"""
SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def simulated(angle, engine: str, *, plugs_out: bool):
    kind = angle.ENGINES[engine]
    rng = np.random.default_rng([0, len(kind.order)])
    parameters = scattered(parameters_for(angle.setup_of(kind, "sync"), rng), rng)
    fitted = tuple(FittedPart(cylinder=c, plug_removed=True) for c in kind.order) if plugs_out else ()
    scenario = CrankScenario(rest_s=0.5, crank_s=6.0, coast_s=0.3, output_hz=angle.RATE_HZ, fitted=fitted)
    return simulate(parameters, scenario)


def judged(angle, engine: str, *, plugs_out: bool, basis: str = "sync, current"):
    setup = angle.setup_of(angle.ENGINES[engine], basis)
    trace = simulated(angle, engine, plugs_out=plugs_out)
    pipeline, _ = angle.run(setup, angle.blocks_of(setup, trace))
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


@pytest.mark.parametrize("engine", ["three", "four", "eight"])
def test_battery_voltage_alone_tells_it_too(angle, engine: str) -> None:
    """Nothing but the battery's sag and a sync: with the plugs out it has no rhythm, and there is nothing to compare."""
    kind = angle.ENGINES[engine]
    setup = parse_setup(
        kind.setup_text()
        + '[[probe]]\nname = "battery"\nrole = "battery_voltage"\ninput = 2\nvolts_per_unit = 0.3\n'
        + angle.BASES["sync, voltage"][2].format(first=kind.order[0], every="cycle", deg=angle.SYNC_DEG)
    )
    for plugs_out in (True, False):
        pipeline, _ = angle.run(setup, angle.blocks_of(setup, simulated(angle, engine, plugs_out=plugs_out)))
        judgement = pipeline.judge(SOURCE)
        assert (judgement.refused is not None) == plugs_out
        if plugs_out:
            assert "Are the plugs out" in judgement.refused and "battery's own posts" in judgement.refused


def test_a_battery_that_hardly_sags_beside_pulses_is_not_believed_alone(angle) -> None:
    setup = angle.setup_of(angle.ENGINES["four"], "sync, voltage")
    trace = simulated(angle, "four", plugs_out=False)
    level = float(trace.battery_v.mean())
    trace = replace(trace, battery_v=level + (trace.battery_v - level) / 100.0)
    pipeline, _ = angle.run(setup, angle.blocks_of(setup, trace))
    judgement = pipeline.judge(SOURCE)
    assert judgement.refused is None
    battery = next(c for c in judgement.comparisons if c.probe == "battery" and c.feature == "compression")
    assert "no_compression" in battery.because and {c.verdict for c in battery.cylinders} == {"undecided"}
    (text,) = (w.text for w in judgement.warnings if w.code == "no_compression")
    assert text.startswith("battery: ") and "by intake the engine compresses" in text


def test_while_it_turns_without_plugs_nothing_is_trusted_and_no_load_is_judged(angle) -> None:
    """It is refused when it rests: what is shown until then says what is wrong with it."""
    setup = angle.setup_of(angle.ENGINES["four"], "sync, current")
    pipeline = Pipeline(setup)
    blocks = angle.blocks_of(setup, simulated(angle, "four", plugs_out=True))
    messages = [m for block in blocks for m in pipeline.push(block)]
    balances = [m for m in messages if isinstance(m, Balance)]
    assert len(balances) >= 5
    told = [m.instruction for m in messages if isinstance(m, FindingMessage) and m.phase == "cranking"]
    assert told[-1].startswith("Stop cranking: no rhythm of compression"), "more of it cannot help"
    for comparison in (c for m in balances for c in m.comparisons):
        assert comparison.trust == "limited" and "no_compression" in comparison.because
        if comparison.feature == "compression":
            assert {c.verdict for c in comparison.cylinders} == {"undecided"}


def test_a_clamp_that_alone_shows_no_compression_gives_no_verdict(angle) -> None:
    """A clamp round a cable beside the starter's: its level rises, its swing is a fiftieth of the true one."""
    kind = angle.ENGINES["four"]
    setup = parse_setup(
        kind.setup_text()
        + "".join(
            part.format(first=1, every="cycle", deg=angle.SYNC_DEG) for part in angle.BASES["sync, current"]
        )
        + WHEEL
    )
    trace = simulated(angle, "four", plugs_out=False)
    turning = trace.current_a > 5.0
    level = float(trace.current_a[turning].mean())
    trace = replace(trace, current_a=np.where(turning, level + (trace.current_a - level) / 50.0, 0.0))
    pipeline, _ = angle.run(setup, angle.blocks_of(setup, trace))
    judgement = pipeline.judge(SOURCE)
    assert judgement.refused is None
    by_probe = {c.probe: c for c in judgement.comparisons if c.feature in ("compression", "drop")}
    assert "no_compression" in by_probe["starter"].because and by_probe["starter"].trust == "limited"
    assert {c.verdict for c in by_probe["starter"].cylinders} == {"undecided"}
    for name in ("wheel", "intake"):
        assert "no_compression" not in by_probe[name].because
    (text,) = (w.text for w in judgement.warnings if w.code == "no_compression")
    assert (
        text.startswith("starter: ")
        and "wheel" in text
        and "clamp" in text
        and "the engine compresses" in text
    )
