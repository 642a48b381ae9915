"""A starter's clamp that lies the wrong way round: noticed, said and turned over, or else no verdict.

A clamp turned round reads the same current with the other sign (its definition); the cranks are simulated by
evenstroke_dsp.physics, by the generator of tests/bench/bench_angle.py. No other source.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, SampleBlock
from evenstroke_dsp.clamp_direction import ClampDirection
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.setup import Probe, Setup, parse_setup

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)
SCALE = "volts_per_unit = 0.004\n"


def with_clamp(blocks: list[Block], change) -> list[Block]:
    """The same blocks with the current's volts (row 1) put through `change`."""
    out: list[Block] = []
    for block in blocks:
        if isinstance(block, SampleBlock):
            volts = block.volts.copy()
            volts[1] = change(volts[1])
            block = SampleBlock(block.inputs, volts, block.t0, block.dt)
        out.append(block)
    return out


def setup_of(angle, name: str, scale: str) -> Setup:
    engine = angle.ENGINES[name]
    assert SCALE in "".join(angle.BASES["sync, current"])
    told = (
        part.format(first=engine.order[0], every="cycle", deg=angle.SYNC_DEG).replace(SCALE, scale)
        for part in angle.BASES["sync, current"]
    )
    return parse_setup(engine.setup_text() + "".join(told))


def judged(angle, setup: Setup, blocks: list[Block]):
    pipeline, _ = angle.run(setup, blocks)
    judgement = pipeline.judge(SOURCE)
    load = next(c for c in judgement.comparisons if c.role == "starter_current" and c.stretch == "cranking")
    return judgement, load, pipeline


@pytest.mark.parametrize("scale", [SCALE + "volts_at_zero = 2.5\n", ""])
def test_a_clamp_the_wrong_way_round_judges_as_one_the_right_way(angle, trace_of, scale: str) -> None:
    setup = setup_of(angle, "four", scale)
    blocks = angle.blocks_of(setup, trace_of("four"))
    right, load, upright = judged(angle, setup, with_clamp(blocks, lambda v: 2.5 + v))
    turned, same, pipeline = judged(angle, setup, with_clamp(blocks, lambda v: 2.5 - v))
    assert not any(w.code == "polarity" and "clamp" in w.text for w in right.warnings)
    said = [w.text for w in turned.warnings if w.code == "polarity" and "clamp" in w.text]
    assert len(said) == 1 and "Turn the clamp round" in said[0]
    for a, b in zip(load.cylinders, same.cylinders, strict=True):
        assert (a.cylinder, a.verdict) == (b.cylinder, b.verdict)
        assert b.deviation == pytest.approx(a.deviation, abs=0.3)
    at = np.arange(right.cranked[-1].to_s - 2.0, right.cranked[-1].to_s - 0.5, 0.01)
    trace = trace_of("four")
    truth = np.interp(at, trace.times_s, trace.theta_deg)
    off = [angle.rms(angle.wrapped(p.engine_angles(at) - truth)) for p in (upright, pipeline)]
    assert off[1] < off[0] + 1.0
    health = next(h for h in pipeline.health() if h.role == "starter_current")
    assert "polarity" in health.problems and "turn it round" in health.advice


def test_below_zero_from_amid_a_crank_gets_no_verdict(angle, trace_of) -> None:
    """No rest says whether the clamp or its zero is wrong."""
    setup = setup_of(angle, "four", SCALE + "volts_at_zero = 2.5\n")
    blocks = with_clamp(angle.blocks_of(setup, trace_of("four"), from_s=3.0), lambda v: 2.5 - v)
    judgement, load, _ = judged(angle, setup, blocks)
    assert "polarity" in load.because and load.trust == "limited"
    assert {c.verdict for c in load.cylinders} == {"undecided"}
    assert any(w.code == "polarity_untold" and "volts_at_zero" in w.text for w in judgement.warnings)


def fed(x: np.ndarray, **probe: float) -> tuple[ClampDirection, np.ndarray]:
    clamp = ClampDirection(Probe(name="starter", role="starter_current", **probe))
    return clamp, np.concatenate([clamp.push(part, 0.001) for part in np.split(x, x.size // 40)])


def crank(rest: float, inrush: float, cranking: float, after: float) -> np.ndarray:
    """A second each of rest, cranking with a tenth of inrush, and what comes after, with noise."""
    rng, t = np.random.default_rng(7), np.arange(1000) * 0.001
    turning = np.where(t < 0.1, inrush, cranking * (1.0 + 0.3 * np.sin(2 * np.pi * 7.0 * t)))
    return np.concatenate([np.full(1000, rest), rest + turning, np.full(1000, rest + after)]) + rng.normal(
        0.0, 1.0, 3000
    )


@pytest.mark.parametrize(
    ("rest", "inrush", "cranking", "after", "turned"),
    [
        (0.0, 600.0, 150.0, 0.0, False),
        (0.0, -600.0, -150.0, 0.0, True),
        (0.0, 600.0, 150.0, -90.0, False),  # the engine started, and the alternator charges
        (0.0, -600.0, -150.0, 90.0, True),
        (-400.0, 600.0, 150.0, 0.0, False),  # its zero is wrong, its direction is not
        (15.0, -600.0, -150.0, 0.0, True),
        (0.0, 0.0, 0.0, 0.0, False),
    ],
)
def test_the_inrush_says_which_way_round(rest, inrush, cranking, after, turned) -> None:
    x = crank(rest, inrush, cranking, after)
    for scale in ({"volts_per_unit": 0.005}, {}):
        clamp, out = fed(x, **scale)
        assert clamp.reversed is turned and not clamp.doubtful
        sign = -1.0 if turned else 1.0
        np.testing.assert_allclose(out[1000:] - rest, sign * (x[1000:] - rest), atol=1.0)


def test_a_spike_and_lost_samples_turn_nothing() -> None:
    x = crank(0.0, 600.0, 150.0, 0.0)
    x[700] = -900.0
    x[1500:1520] = np.nan
    clamp, out = fed(x, volts_per_unit=0.005)
    assert not clamp.reversed
    np.testing.assert_array_equal(out, x)
