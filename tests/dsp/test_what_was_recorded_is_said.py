"""Faults of the recording itself are warned of, and change no verdict."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, Floats, SampleBlock
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

FOUR = (1, 3, 4, 2)
CRANK = Cranking(rpm=200.0, rest_s=0.5, crank_s=9.0, noise_db=35.0)


def altered(block: Block, change: Callable[[Floats, float], Floats]) -> Block:
    """The intake's volts, changed by their times."""
    if not isinstance(block, SampleBlock):
        return block
    return dataclasses.replace(block, volts=change(block.volts, block.t0))


def fading(share: float) -> Callable[[Floats, float], Floats]:
    """The swing about 2.5 V falls by the share in ten seconds."""
    return lambda volts, t0: 2.5 + (volts - 2.5) * (1.0 - share * t0 / 10.0)


def with_infinities(volts: Floats, t0: float) -> Floats:
    """A burst of 10 ms every second."""
    if abs(t0 - round(t0)) > 1e-6 or t0 < 2.0:
        return volts
    return np.concatenate([np.full((1, 20), np.inf), volts[:, 20:]], axis=1)


@pytest.mark.parametrize(
    ("change", "code"),
    [(lambda volts, t0: volts, None), (fading(0.35), "level_drift"), (with_infinities, "infinite_samples")],
    ids=["as it is", "fading", "infinite"],
)
def test_it_is_said_and_the_verdicts_stay(bench, change, code) -> None:
    setup = bench.setup(FOUR, corner_hz=2.0)
    source = EngineSource(setup, CRANK, (Alteration("intake", 4, -20.0),))
    run = bench.run(setup, (altered(b, change) for b in bench.blocks(setup, source, seconds=10.0)))
    said = {w.code for w in run.judgement.warnings} & {"level_drift", "infinite_samples"}
    assert said == ({code} if code else set())
    cylinders = run.cylinders("intake", "drop")
    assert cylinders[4].verdict == "smaller"
    assert all(cylinders[c].verdict != "smaller" for c in (1, 2, 3))
    if code == "level_drift":
        (text,) = (w.text for w in run.judgement.warnings if w.code == code)
        assert "smaller from the first cycle to the last" in text and "95 %" in text
