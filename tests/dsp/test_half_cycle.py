"""One sync a revolution leaves the half-cycle open: told by simulated engines' own pulses where they can, and else not.

Truth: `theta_deg` of evenstroke_dsp.physics. The sync begins now in one half, now in the other.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock
from evenstroke_dsp.physics import probes
from evenstroke_dsp.setup import parse_setup


def every_revolution(angle, setup, trace, *, skipped: int) -> list:
    """The benchmark's blocks with a sync at every revolution, its first `skipped` events left out."""
    times, rising = angle.sync_edges(trace, every_deg=360.0)
    kept = np.cumsum(rising) > skipped
    return angle.blocks_of(setup, trace, sync=(times[kept], rising[kept]))


def judged(angle, setup, trace, *, skipped: int):
    pipeline, cycles = angle.run(setup, every_revolution(angle, setup, trace, skipped=skipped))
    at = np.arange(3.0, 8.0, 0.01)
    off = angle.wrapped(pipeline.engine_angles(at) - np.interp(at, trace.times_s, trace.theta_deg))
    return pipeline, cycles, float(np.median(np.abs(off)))


@pytest.mark.parametrize("skipped", [0, 1])
@pytest.mark.parametrize("name", ["three", "five", "twin 270/450", "V6 150/90"])
def test_compression_tells_the_half_of_engines_without_companions(
    angle, trace_of, name: str, skipped: int
) -> None:
    setup = angle.setup_of(angle.ENGINES[name], "sync, current", every="revolution")
    pipeline, cycles, off = judged(angle, setup, trace_of(name, 2), skipped=skipped)
    assert off < 30.0
    assert "starter" in pipeline._cutter.half_cycle.told_by
    assert all(p.cylinder is not None for p in cycles[-1].probes[0].pulses)


@pytest.mark.parametrize("skipped", [0, 1])
@pytest.mark.parametrize("name", ["four", "six"])
def test_nothing_tells_the_half_where_every_cylinder_has_a_companion(
    angle, trace_of, name: str, skipped: int
) -> None:
    setup = angle.setup_of(angle.ENGINES[name], "sync, current", every="revolution")
    pipeline, cycles, _ = judged(angle, setup, trace_of(name, 1), skipped=skipped)
    assert pipeline._cutter.half_cycle.told_by == ()
    for pulse in cycles[-1].probes[0].pulses:
        assert pulse.cylinder is None


def test_an_intake_pulse_that_may_be_upside_down_tells_no_half_of_a_three(angle, trace_of) -> None:
    """Half a firing interval is what turning the probe over and turning the half have in common."""
    setup = angle.setup_of(angle.ENGINES["three"], "sync", every="revolution")
    pipeline, cycles, _ = judged(angle, setup, trace_of("three", 1), skipped=0)
    assert pipeline._cutter.half_cycle.told_by == ()
    assert all(p.cylinder is None for p in cycles[-1].probes[0].pulses)


@pytest.mark.parametrize("skipped", [0, 1])
def test_one_cylinders_pressure_tells_the_half_of_a_four(angle, trace_of, skipped: int) -> None:
    trace = trace_of("four", 1)
    text = angle.ENGINES["four"].setup_text()
    text += "".join(
        part.format(first=1, every="revolution", deg=angle.SYNC_DEG) for part in angle.BASES["sync, current"]
    )
    text += '[[probe]]\nname = "p3"\nrole = "cylinder_pressure"\ninput = 1\ncylinder = 3\n'
    text = text.replace(angle._CURRENT, "")
    setup = parse_setup(text)
    blocks = every_revolution(angle, setup, trace, skipped=skipped)
    pressure = probes.cylinder_transducer(trace, 3)
    for block in blocks:
        if not isinstance(block, EdgeBlock):
            first = round(block.t0 * angle.RATE_HZ)
            row = block.inputs.index(1)
            block.volts[row] = 0.5 + pressure[first : first + block.volts.shape[1]] / 1000.0
    pipeline, cycles = angle.run(setup, blocks)
    assert pipeline._cutter.half_cycle.told_by == ("p3",)
    at = np.arange(3.0, 8.0, 0.01)
    off = angle.wrapped(pipeline.engine_angles(at) - np.interp(at, trace.times_s, trace.theta_deg))
    assert float(np.median(np.abs(off))) < 60.0
    assert all(p.cylinder is not None for p in cycles[-1].probes[0].pulses)


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("name", ["three", "five"])
def test_a_dead_cylinder_does_not_turn_the_half_over(angle, name: str, seed: int) -> None:
    """The hole that it leaves in the load looks, without a scale, like a pulse that is upside down, in the other half. Seed 0 has
    a starter so heavy that its load hardly shows compression: then nothing need be named, and nothing wrongly."""
    skipped = seed % 2
    trace = angle.trace_of(angle.ENGINES[name], seed, 40.0)
    text = (
        angle.ENGINES[name].setup_text()
        + angle._INTAKE
        + angle._CURRENT.replace("volts_per_unit = 0.004\n", "")
    )
    text += angle._SYNC.format(first=1, every="revolution", deg=angle.SYNC_DEG)
    setup = parse_setup(text)
    pipeline, cycles, off = judged(angle, setup, trace, skipped=skipped)
    named = [p.cylinder is not None for p in cycles[-1].probes[0].pulses]
    if seed == 0 and not any(named):
        assert pipeline._cutter.half_cycle.told_by == ()
    else:
        assert "starter" in pipeline._cutter.half_cycle.told_by
        assert off < 60.0
        assert all(named)
