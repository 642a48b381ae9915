"""Cycles counted by the pulses' own rhythm: no sync and no wheel.

Simulated engines are those of evenstroke_dsp.physics, by the generator of tests/bench/bench_angle.py; their crank angle is
the truth. The virtual rig's commands are the truth where it is used.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.history import History
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.rhythm_tracker import RhythmTracker, shortest_period
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)
CRANK = Cranking(rpm=210.0, rest_s=0.5, crank_s=5.5, noise_db=40.0)


def test_the_period_is_the_smallest_turn_that_changes_nothing() -> None:
    # Arithmetic: the firing angles of each engine, turned by this, are the same set.
    assert shortest_period([0, 180, 360, 540]) == 180
    assert shortest_period([0, 150, 240, 390, 480, 630]) == 240
    assert shortest_period([0, 270]) == 720
    assert shortest_period([0, 90, 270, 450]) == 720


@pytest.mark.parametrize("basis", ["rhythm, intake", "rhythm, current"])
@pytest.mark.parametrize("name", ["three", "four", "six", "eight", "five at 0 C"])
def test_no_position_is_lost_or_gained(angle, name: str, basis: str) -> None:
    engine = angle.ENGINES[name]
    trace = angle.trace_of(engine, 1)
    pipeline, cycles = angle.run(
        angle.setup_of(engine, basis), angle.blocks_of(angle.setup_of(engine, basis), trace)
    )
    counted = [c for c in cycles if c.left_out is None]
    steady = (trace.times_s > 1.5) & (trace.times_s < 9.0)
    turned = np.ptp(trace.theta_deg[steady]) / 720.0
    assert len(counted) >= turned - 2
    spacing = 720.0 / len(engine.order)
    for cycle in counted:
        a, b = np.interp([cycle.from_s, cycle.to_s], trace.times_s, trace.theta_deg)
        assert b - a == pytest.approx(720.0, abs=spacing / 4)
    for one, two in itertools.pairwise(counted):
        assert two.from_s == pytest.approx(one.to_s, abs=1e-6)
    for comparison in pipeline.judge(SOURCE).comparisons:
        assert all(c.cylinder is None and c.one_of is None for c in comparison.cylinders)


def test_positions_are_unnamed_and_the_odd_one_is_found(bench) -> None:
    order = (1, 3, 4, 2)
    setup = bench.setup(order, sync="", wheel=False)
    run = bench.crank(setup, EngineSource(setup, CRANK, (Alteration("intake", 4, -25.0),)), seconds=7.0)
    judgement = run.judgement
    assert judgement.refused is None
    assert judgement.sync.basis == "none"
    assert judgement.sync.angle_uncertainty_deg is None
    assert {"cylinders_unnamed", "rhythm_alone"} <= {w.code for w in judgement.warnings}
    comparison = run.comparison("intake", "drop")
    assert [c.position for c in comparison.cylinders] == [1, 2, 3, 4]
    assert all(c.cylinder is None for c in comparison.cylinders)
    assert [c.verdict for c in comparison.cylinders].count("smaller") == 1


def test_naming_the_first_position_names_them_all(bench) -> None:
    order = (1, 3, 4, 2)
    setup = bench.setup(order, sync="", wheel=False)
    source = EngineSource(setup, CRANK, (Alteration("intake", 4, -25.0),))
    blocks = list(bench.blocks(setup, source, seconds=7.0))
    unnamed = bench.run(setup, blocks)
    odd = next(c.position for c in unnamed.comparison("intake", "drop").cylinders if c.verdict == "smaller")
    first = order[(order.index(4) - (odd - 1)) % 4]
    cycle = next(c for c in unnamed.cycles if c.left_out is None)
    pipeline = Pipeline(setup, unnamed.pipeline.anchor_at(cycle, first))
    messages = [m for b in blocks for m in pipeline.push(b)] + pipeline.flush()
    assert messages
    (comparison,) = (c for c in pipeline.judge(unnamed.judgement.source).comparisons if c.feature == "drop")
    assert [c.cylinder for c in comparison.cylinders if c.verdict == "smaller"] == [4]


def test_a_repeating_pattern_of_intervals_narrows_to_a_few(angle) -> None:
    """A V6 150/90 turns into itself every 240 degrees: three cylinders are alike (arithmetic)."""
    engine = angle.ENGINES["V6 150/90"]
    trace = angle.trace_of(engine, 0)
    setup = angle.setup_of(engine, "rhythm, current")
    pipeline, cycles = angle.run(setup, angle.blocks_of(setup, trace))
    assert sum(c.left_out is None for c in cycles) >= 8
    at = np.arange(2.0, 8.0, 0.01)
    error = pipeline.engine_angles(at) - np.interp(at, trace.times_s, trace.theta_deg)
    assert np.abs((error + 120.0) % 240.0 - 120.0).max() < 60.0
    comparison = next(c for c in pipeline.judge(SOURCE).comparisons if c.probe == "starter")
    assert {c.one_of for c in comparison.cylinders} == {(1, 3, 5), (2, 4, 6)}
    assert "cylinders_alike" in {w.code for w in pipeline.judge(SOURCE).warnings}


def test_noise_and_silence_have_no_rhythm_and_are_refused_in_words(bench) -> None:
    setup = bench.setup((1, 3, 4, 2), sync="", wheel=False)
    rng = np.random.default_rng(5)
    for share in (0.0, 0.2):
        blocks = [
            SampleBlock((0,), 2.5 + share * rng.standard_normal((1, 100)), k * 0.05, 0.0005)
            for k in range(200)
        ]
        run = bench.run(setup, blocks)
        assert run.cycles == []
        assert run.judgement.refused is not None and "rhythm" in run.judgement.refused


def test_a_rhythm_that_slips_by_half_a_position_ends_the_turning() -> None:
    """Synthetic: four sinusoids a cycle, then half of one left out. Nothing is carried over the slip."""
    setup = parse_setup(
        "schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
        '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 0\nvolts_per_unit = 1.0\n'
    )
    t = np.arange(0.0, 12.0, 0.001)
    phase = 2 * np.pi * (t / 0.15 + 0.5 * (t > 6.0))
    history = History()
    tracker = RhythmTracker(setup, history)
    tracker.sources[0].row = 0
    for k in range(0, t.size, 40):
        piece = 150.0 + 40.0 * np.cos(phase[k : k + 40])
        history.add(t[k], 0.001, piece[None, :], np.zeros((1, piece.size), dtype=bool))
        tracker.update(final=False)
    tracker.update(final=True)
    before, after = tracker.rotations
    assert before.ended
    assert before.t[-1] < 6.3 and after.t[0] > 5.9
    for rotation in (before, after):
        beats = np.asarray(rotation.t)[2:-2] / 0.15 + (0.5 if rotation is after else 0.0)
        np.testing.assert_allclose(beats, np.rint(beats), atol=0.15)


def test_any_cut_gives_the_same_stream(bench) -> None:
    setup = bench.setup((1, 5, 3, 6, 2, 4), sync="", wheel=False)
    blocks = list(bench.blocks(setup, EngineSource(setup, CRANK), seconds=7.0))
    expected = bench.as_bytes(bench.run(setup, blocks).messages)
    for size in (1400, 37):
        cut = bench.recut(blocks, list(range(size, 14000, size)), [], edges_first=False)
        assert bench.as_bytes(bench.run(setup, cut).messages) == expected


def test_the_first_position_names_them_all_where_the_sync_stays_silent(bench) -> None:
    """A sync is in the set-up and never comes: the rhythm cuts the cycles, and what is known beside the recording names them."""
    order = (1, 3, 4, 2)
    setup = bench.setup(order, wheel=False)
    source = EngineSource(setup, CRANK, (Alteration("intake", 4, -25.0),))
    blocks = [
        EdgeBlock(b.input, b.times[:0], b.rising[:0], b.until) if isinstance(b, EdgeBlock) else b
        for b in bench.blocks(setup, source, seconds=7.0)
    ]
    unnamed = bench.run(setup, blocks)
    assert {"rhythm_alone", "sync_silent", "cylinders_unnamed"} <= {
        w.code for w in unnamed.judgement.warnings
    }
    odd = next(c.position for c in unnamed.comparison("intake", "drop").cylinders if c.verdict == "smaller")
    cycle = next(c for c in unnamed.cycles if c.left_out is None)
    for first in order:
        pipeline = Pipeline(setup, unnamed.pipeline.anchor_at(cycle, first))
        for block in blocks:
            pipeline.push(block)
        pipeline.flush()
        judged = pipeline.judge(unnamed.judgement.source)
        (drop,) = (c for c in judged.comparisons if c.feature == "drop")
        wanted = order[(order.index(first) + odd - 1) % 4]
        assert [c.cylinder for c in drop.cylinders if c.verdict == "smaller"] == [wanted]
        assert "first_position_unused" not in {w.code for w in judged.warnings}
