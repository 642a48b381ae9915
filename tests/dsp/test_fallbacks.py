"""What of a set-up does not come, or cannot be followed, is said, and the rest judges: on the virtual rig's commands."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock
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
    assert {"cylinders_unnamed", "positions_set_aside"} <= codes(run)
    # A cycle that both cut is the sync's, which counts from its first on: the engine is not spinning up.
    before, after = run.judgement.cranked
    assert before.to_s <= after.from_s + 1e-6
    assert after.from_s - before.to_s < 120.0 / LATE.rpm
    assert after.mean_rpm == pytest.approx(LATE.rpm, rel=0.02)
    first = next(c for c in run.cycles if c.probes[0].pulses[0].cylinder is not None)
    assert (first.from_s, first.left_out) == (pytest.approx(after.from_s), None)
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
