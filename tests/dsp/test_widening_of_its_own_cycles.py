"""An interval is widened by what the cycles that it is of would measure otherwise, and not by other cycles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from evenstroke_dsp import measurement
from evenstroke_dsp.blocks import Block, EdgeBlock, SampleBlock
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

ORDER = (1, 3, 4, 2)
FIRST_S = 8.0


def later(block: Block, seconds: float) -> Block:
    if isinstance(block, EdgeBlock):
        return replace(block, times=block.times + seconds, until=block.until + seconds)
    assert isinstance(block, SampleBlock)
    return replace(block, t0=block.t0 + seconds)


def test_positions_of_one_crank_are_not_widened_by_those_of_the_next(bench) -> None:
    setup = bench.setup(ORDER, sync="", wheel=False)

    def crank(odd: int) -> list[Block]:
        engine = EngineSource(
            setup,
            Cranking(rpm=260.0, rest_s=0.4, crank_s=6.0, noise_db=50.0),
            (Alteration("intake", odd, -20.0),),
        )
        return list(bench.blocks(setup, engine, seconds=FIRST_S))

    first = bench.run(setup, crank(ORDER[0]))
    for odd in ORDER[1:]:
        both = bench.run(setup, [*crank(ORDER[0]), *(later(b, FIRST_S) for b in crank(odd))])
        ((key, group),) = both.pipeline._keeper._groups.items()
        corner, *_ = both.pipeline._keeper._altered[key]
        ((_, alone),) = first.pipeline._keeper._groups.items()
        assert group.cycles == alone.cycles, "the second crank's positions are set aside"
        table = next(iter(group.tables.values()))
        smallest = int(np.argmin([d.deviation for d in table.deviations()]))
        assert int(np.argmin(corner[0]["drop"])) == smallest


def test_a_stretch_after_many_cycles_of_another_is_widened_too(bench, monkeypatch) -> None:
    monkeypatch.setattr(measurement, "_KEPT_CYCLES", 3)
    setup = bench.setup(ORDER)
    run = bench.crank(setup, EngineSource(setup, Cranking(rpm=260.0, rest_s=0.4, crank_s=4.0)), seconds=5.0)
    measurer = run.pipeline._measurers[0]
    assert measurer.corner_values("cranking") is not None and measurer.corner_values("idle") is None
    cycle, middle = measurer._counted[-1], measurer._latest[-1]
    for number in range(2):
        measurer._latest = (cycle.span, "idle", cycle.places, cycle.signal, middle)
        measurer.count(number)
    assert measurer.corner_values("idle") is not None
