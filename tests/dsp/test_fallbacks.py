"""What of a set-up does not come, or cannot be followed, is said, and the rest judges: on the virtual rig's commands."""

from __future__ import annotations

import re

import numpy as np
import pytest
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.blocks import EdgeBlock, Gap, GapReason
from evenstroke_dsp.cycles import _runs_out
from evenstroke_dsp.messages import SourceInfo
from evenstroke_dsp.physics import probes
from evenstroke_dsp.setup import parse_setup
from evenstroke_replay.rig_engine import Alteration, Cranking, EngineSource

SECONDS = 7.0
CRANK = Cranking(rpm=210.0, rest_s=0.5, crank_s=5.5, noise_db=40.0)
ORDER = (1, 5, 3, 6, 2, 4)
SPARK, WHEEL = 1, 2


def changed(
    bench, setup, *, of_input: int, change, seconds: float = SECONDS, crank: Cranking = CRANK
) -> list:
    """The crank's blocks, with one input's edges put through `change`; cylinder 3's pulse is small."""
    source = EngineSource(setup, crank, (Alteration("intake", 3, -20.0),))
    return [
        change(b) if isinstance(b, EdgeBlock) and b.input == of_input else b
        for b in bench.blocks(setup, source, seconds=seconds)
    ]


def silent(block: EdgeBlock) -> EdgeBlock:
    return EdgeBlock(block.input, np.empty(0), np.empty(0, dtype=bool), block.until)


def silent_from(t: float):
    def change(block: EdgeBlock) -> EdgeBlock:
        kept = block.times < t
        return EdgeBlock(block.input, block.times[kept], block.rising[kept], block.until)

    return change


def codes(run) -> set[str]:
    return {w.code for w in run.judgement.warnings}


def smaller(run) -> list[int | None]:
    return [c.cylinder for c in run.cylinders("intake", "drop").values() if c.verdict == "smaller"]


@pytest.mark.parametrize("silence", [silent, silent_from(0.9), silent_from(3.0)])
def test_a_wheel_that_dies_leaves_the_sync_to_judge(bench, silence) -> None:
    setup = bench.setup(ORDER)
    run = bench.run(setup, changed(bench, setup, of_input=WHEEL, change=silence))
    assert run.judgement.refused is None
    assert run.judgement.sync.basis == "cycle"
    assert smaller(run) == [3]
    (said,) = (w.text for w in run.judgement.warnings if w.code == "wheel_not_followed")
    assert "wheel" in said and "sync" in said
    # None of the cycles from the wheel's end on is lost but the one that it ends in.
    assert max(c.to_s for c in run.cycles) > 5.0


def test_a_wheel_of_other_teeth_leaves_the_sync_to_judge(bench) -> None:
    blocks = changed(bench, bench.setup(ORDER), of_input=WHEEL, change=lambda block: block)
    other = """
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 2
teeth = "24-3"
"""
    run = bench.run(bench.setup(ORDER, wheel=False, extra=other), blocks)
    assert run.judgement.sync.basis == "cycle"
    assert smaller(run) == [3]
    assert "wheel_not_followed" in codes(run)


def test_a_sync_that_never_comes_leaves_positions(bench) -> None:
    setup = bench.setup(ORDER, wheel=False)
    run = bench.run(setup, changed(bench, setup, of_input=SPARK, change=silent))
    assert run.judgement.refused is None
    assert run.judgement.sync.basis == "none"
    assert {"sync_silent", "rhythm_alone", "cylinders_unnamed"} <= codes(run)
    assert smaller(run) == [None]


def test_neither_sync_nor_wheel_leaves_positions(bench) -> None:
    setup = bench.setup(ORDER)
    blocks = changed(bench, setup, of_input=SPARK, change=silent)
    run = bench.run(setup, [silent(b) if isinstance(b, EdgeBlock) else b for b in blocks])
    assert {"sync_silent", "wheel_not_followed", "cylinders_unnamed"} <= codes(run)
    assert smaller(run) == [None]


@pytest.mark.parametrize(
    ("order", "intervals", "wheel"),
    [(ORDER, None, False), (ORDER, None, True), ((1, 2), (270, 450), False), (ORDER, (150, 90) * 3, False)],
)
def test_a_sync_that_dies_is_said_with_the_time_from_when(bench, order, intervals, wheel) -> None:
    setup = bench.setup(order, intervals=intervals, wheel=wheel)
    source = EngineSource(setup, LATE)
    died = silent_from(4.0)
    run = bench.run(
        setup,
        [
            died(b) if isinstance(b, EdgeBlock) and b.input == SPARK else b
            for b in bench.blocks(setup, source, seconds=12.5)
        ],
    )
    (said,) = (w.text for w in run.judgement.warnings if w.code == "sync_interrupted")
    begin, end = map(float, re.findall(r"from (\d+\.\d) to (\d+\.\d) s", said)[0])
    assert 4.0 - 120.0 / LATE.rpm - 0.1 < begin <= 4.0
    assert end == pytest.approx(10.5, abs=0.7)  # the crank's end
    assert "pick-up" in said
    assert ("by the teeth and its other events" in said) is wheel


@pytest.mark.parametrize(("intervals", "wheel"), [(None, False), (None, True), ((150, 90) * 3, False)])
def test_a_sync_that_comes_to_the_end_is_not_said_to_have_died(bench, intervals, wheel) -> None:
    setup = bench.setup(ORDER, wheel=wheel, intervals=intervals)
    run = bench.run(setup, bench.blocks(setup, EngineSource(setup, CRANK), seconds=SECONDS))
    assert "sync_interrupted" not in codes(run)


@pytest.mark.parametrize(
    ("rpm", "falls", "so"), [(800.0, True, True), (800.0, False, False), (200.0, True, False)]
)
def test_an_engine_that_is_switched_off_has_no_sync_that_died(rpm: float, falls: bool, so: bool) -> None:
    """From 2 s on over ten revolutions to rest, at an even loss of speed, of which six pass: sqrt(1 - 0.6) = 0.63 is left."""
    t = np.arange(0.0, 3.0, 0.005)
    speed = rpm * 6.0
    to_rest_s = 2 * 3600.0 / speed
    after = np.clip(t - 2.0, 0.0, to_rest_s)
    deg = speed * np.minimum(t, 2.0) + speed * (after - (after**2 / to_rest_s / 2 if falls else 0.0))
    passed = deg <= speed * 2.0 + 6 * 360.0
    assert _runs_out(Rotation(t=t[passed].tolist(), deg=deg[passed].tolist()), 2.0) is so


def test_events_that_were_lost_on_the_way_are_not_missed(bench) -> None:
    setup = bench.setup(ORDER, wheel=False)
    begin, end = 2.5, 3.9

    def lost(block: EdgeBlock) -> EdgeBlock:
        kept = (block.times < begin) | (block.times > end)
        return EdgeBlock(block.input, block.times[kept], block.rising[kept], block.until)

    blocks = changed(bench, setup, of_input=SPARK, change=lost)
    assert bench.run(setup, blocks).judgement.sync.missed > 0
    known = bench.run(setup, [Gap(begin, end, 0, GapReason.EDGES_MISSING), *blocks])
    assert known.judgement.sync.missed == 0
    assert "sync_missed" not in codes(known)


def test_a_wheel_without_its_sync_knows_the_pair(bench) -> None:
    setup = bench.setup(ORDER)
    run = bench.run(setup, changed(bench, setup, of_input=SPARK, change=silent))
    assert run.judgement.sync.basis == "wheel"
    assert "sync_silent" in codes(run)
    odd = [c.one_of for c in run.cylinders("intake", "drop").values() if c.verdict == "smaller"]
    assert odd == [(3, 4)]


LATE = Cranking(rpm=210.0, rest_s=0.5, crank_s=10.0, noise_db=40.0)


@pytest.mark.parametrize(("from_s", "named"), [(5.0, True), (9.0, False)])
def test_a_sync_that_comes_late_takes_over_from_the_rhythm(bench, from_s: float, named: bool) -> None:
    """An ignition that sparks only after some revolutions: it names the cylinders of the cycles that follow, and
    these are judged once they are more than a few; until then the positions are."""

    def late(block: EdgeBlock) -> EdgeBlock:
        kept = block.times > from_s
        return EdgeBlock(block.input, block.times[kept], block.rising[kept], block.until)

    setup = bench.setup(ORDER, wheel=False)
    run = bench.run(setup, changed(bench, setup, of_input=SPARK, change=late, seconds=12.5, crank=LATE))
    assert "sync_silent" not in codes(run)
    assert all(p.cylinder is not None for p in run.cycles[-1].probes[0].pulses)
    assert smaller(run) == [3 if named else None]
    assert {"cylinders_unnamed", "positions_set_aside", "sync_interrupted"} <= codes(run)
    # A cycle that both cut is the sync's, which counts from its first on: the engine is not spinning up, and cranked once.
    (whole,) = run.judgement.cranked
    assert whole.mean_rpm == pytest.approx(LATE.rpm, rel=0.02)
    assert whole.cycles == pytest.approx((whole.to_s - whole.from_s) * LATE.rpm / 120.0, abs=1.0)
    first = next(c for c in run.cycles if c.probes[0].pulses[0].cylinder is not None)
    assert first.left_out is None
    # And what is known of the angle is that of the cycles that are compared.
    assert (run.judgement.sync.angle_uncertainty_deg is not None) == named
    # The rhythm that nobody follows any more does not keep the engine turning.
    assert [f.phase for f in run.findings][-2:] == ["rest", "rest"]


def test_nothing_that_turns_is_refused_in_words(bench) -> None:
    setup = bench.setup(ORDER, wheel=False)
    blocks = bench.blocks(setup, EngineSource(setup, Cranking(rest_s=6.0, crank_s=1.0)), seconds=4.0)
    run = bench.run(setup, list(blocks))
    assert run.judgement.refused is not None
    assert "sync" in run.judgement.refused
    assert (run.judgement.comparisons, run.judgement.findings) == ((), ())


WHEEL_ALONE = """
schema = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 2
teeth = "60-2"
"""


@pytest.mark.parametrize("edges", [0, 400])
def test_a_wheel_alone_that_shows_nothing_is_the_one_to_be_checked(bench, edges: int) -> None:
    """Four hundred even edges are no wheel of 60-2."""
    times = 1.0 + 0.005 * np.arange(edges)
    block = EdgeBlock(
        2, np.repeat(times, 2) + np.tile([0.0, 0.002], edges), np.tile([True, False], edges), 6.0
    )
    refused = bench.run(parse_setup(WHEEL_ALONE), [block]).judgement.refused
    assert refused is not None and "wheel: " in refused
    assert ("no edge came" if not edges else "400 of its edges came") in refused
    assert "sync probe" not in refused and "take it out" not in refused


COARSE = {"4-1": [0.0, 90.0, 180.0], "12-1": [30.0 * k for k in range(11)]}


@pytest.mark.parametrize("engine", ["three", "twin 270/450"])
@pytest.mark.parametrize("teeth", COARSE)
def test_a_coarse_wheel_is_followed_or_said_to_be_lost(angle, teeth: str, engine: str) -> None:
    """Compression makes steps as large as such a wheel's gap; the sync beside it names the cylinders either way."""
    kind = angle.ENGINES[engine]
    trace = angle.trace_of(kind, 0)
    wheel = angle._WHEEL.replace("60-2", teeth)
    setup = parse_setup(
        kind.setup_text()
        + angle._INTAKE
        + angle._SYNC.format(first=1, every="cycle", deg=angle.SYNC_DEG)
        + wheel
    )
    places = COARSE[teeth]
    times, which, forward = probes.edge_times(trace, [*places, *(p + 5.0 for p in places)])
    times, rising = times[forward], which[forward] >= len(places)
    blocks, before = [], -np.inf
    for block in angle.blocks_of(setup, trace):
        if isinstance(block, EdgeBlock) and block.input == 4:
            inside = (times >= before) & (times < block.until)
            before = block.until
            block = EdgeBlock(4, times[inside], rising[inside], block.until)
        blocks.append(block)
    pipeline, cycles = angle.run(setup, blocks)
    judgement = pipeline.judge(SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0))
    said = {w.code for w in judgement.warnings}
    followed = judgement.sync.basis == "wheel+cycle"
    assert followed or ("wheel_not_followed" in said and judgement.sync.basis == "cycle")
    counted = [c for c in cycles if c.left_out is None]
    assert counted
    for cycle in counted:
        # One cycle whose angle is in doubt by some 100 degrees, as by three teeth, does not place a three's pulses.
        left_open = engine == "three" and teeth == "4-1" and cycle is counted[0]
        assert left_open or all(p.cylinder is not None for p in cycle.probes[0].pulses)
        at = np.arange(cycle.from_s, cycle.to_s, 0.005)
        off = angle.wrapped(pipeline.engine_angles(at) - np.interp(at, trace.times_s, trace.theta_deg))
        assert cycle.angle_uncertainty_deg is not None
        assert float(np.abs(off).max()) <= cycle.angle_uncertainty_deg
