"""While the engine gains speed the plenum empties, and the level falls by more than a pulse: no cycle that counts may be
measured by that."""

from __future__ import annotations

import itertools

import pytest
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

CRANK = {"rest_s": 0.8, "crank_s": 6.0, "noise_db": 34.0, "uneven_percent": 0.8, "cycle_percent": 1.0}
ORDER = (1, 3, 4, 2)


def crank_of(bench, *, sync: str, seed: int):
    setup = bench.setup(ORDER, sync=sync, wheel=False)
    source = EngineSource(setup, Cranking(**CRANK, seed=seed), (Alteration("intake", 4, -30.0),))
    return bench.crank(setup, source, seconds=7.5)


@pytest.mark.parametrize("seed", [7, 8, 9])
@pytest.mark.parametrize("sync", ["cycle", ""])
def test_the_cycles_after_a_spin_up_are_as_large_as_all_others(bench, sync: str, seed: int) -> None:
    run = crank_of(bench, sync=sync, seed=seed)
    counted = [c for c in run.cycles if c.left_out is None]
    sizes = [sum(p.value for p in c.probes[0].pulses) for c in counted]
    assert len(sizes) >= 6
    assert min(sizes) > 0.85 * max(sizes)
    assert "level_drift" not in {w.code for w in run.judgement.warnings}


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_unnamed_positions_count_from_the_same_pulse_from_the_first_cycle_that_counts(
    bench, seed: int
) -> None:
    run = crank_of(bench, sync="", seed=seed)
    counted = [c.probes[0].pulses for c in run.cycles if c.left_out is None]
    smallest = {min(pulses, key=lambda p: p.value).position for pulses in counted}
    assert len(smallest) == 1
    # From cycle to cycle the same position comes a cycle later, not a stroke.
    firsts = [pulses[0].from_s for pulses in counted]
    apart = [b - a for a, b in itertools.pairwise(firsts)]
    assert max(apart) - min(apart) < 0.1 * max(apart)
