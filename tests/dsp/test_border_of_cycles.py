"""Each pulse belongs to exactly one cycle, wherever the sync cuts the cycles and wherever the pulse is found.

Engines of evenstroke_dsp.physics, by the generator of tests/bench/bench_angle.py. The check is arithmetic: cylinders come in
firing order, so that the pulses of all cycles in a row are those of one long sequence without a repetition or a hole.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from evenstroke_dsp.setup import parse_setup
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

KINDS = {
    "three": ("intake", "starter"),
    "four": ("intake", "starter"),
    "V6 150/90": ("exhaust", "starter"),
}


@pytest.mark.parametrize("name", KINDS)
@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(offset=st.integers(-359, 359))
def test_every_pulse_is_in_one_cycle_and_in_one_only(angle, trace_of, name: str, offset: int) -> None:
    check(angle, trace_of(name, 1), name, offset)


@pytest.mark.parametrize(
    ("name", "offset"), CASES := [("three", 202), ("three", -38), ("four", 90), ("V6 150/90", 250)]
)
def test_also_where_a_pulse_lies_at_the_border(angle, trace_of, name: str, offset: int) -> None:
    check(angle, trace_of(name, 1), name, offset)


def check(angle, trace, name: str, offset: int) -> None:
    engine = angle.ENGINES[name]
    air, load = KINDS[name]
    text = engine.setup_text() + (angle._EXHAUST if air == "exhaust" else angle._INTAKE) + angle._CURRENT
    text += angle._SYNC.format(first=engine.order[0], every="cycle", deg=offset)
    setup = parse_setup(text)
    blocks = angle.blocks_of(setup, trace, sync=angle.sync_edges(trace, offset))
    _, cycles = angle.run(setup, blocks)
    assert len(cycles) >= 5
    for probe in (air, load):
        found = [
            ((pulse.from_s + pulse.to_s) / 2, pulse.cylinder)
            for cycle in cycles
            for p in cycle.probes
            if p.probe == probe
            for pulse in p.pulses
            if pulse.from_s is not None and pulse.to_s is not None
        ]
        assert [at for at, _ in found] == sorted(at for at, _ in found)
        follows = dict(itertools.pairwise([*engine.order, engine.order[0]]))
        steps = [(a, b) for (_, a), (_, b) in itertools.pairwise(found)]
        assert all(follows[a] == b for a, b in steps), (probe, [c for _, c in found])
        lengths = np.diff([at for at, _ in found])
        assert lengths.min() > 0.2 * np.median(lengths)
