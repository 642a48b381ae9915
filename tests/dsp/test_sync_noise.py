"""A sync that hears noise names no cylinder; one that hears true events among false ones names them by the true ones alone.

Cranks are the engine physics' own, so that what is named can be held against the crank's true angle.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, EdgeBlock
from evenstroke_dsp.engine import firing_angles
from evenstroke_dsp.messages import Cycle, Judgement, SourceInfo
from evenstroke_dsp.setup import Setup
from evenstroke_dsp.sync_sift import keeping_step
from evenstroke_dsp.sync_tracker import SyncTracker

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)
SYNC = 3


def with_false(blocks: list[Block], end_s: float, rate: float, seed: int, *, true: bool) -> list[Block]:
    """The sync's events with others at random times, so many a second, or those alone."""
    rng = np.random.default_rng([seed, round(10 * rate)])
    false = np.sort(rng.uniform(0.0, end_s, rng.poisson(rate * end_s)))
    out, before = [], -np.inf
    for block in blocks:
        if isinstance(block, EdgeBlock) and block.input == SYNC:
            now = false[(false >= before) & (false < block.until)]
            before = block.until
            times, rising = np.concatenate([now, now + 0.001]), np.repeat([True, False], now.size)
            if true:
                times = np.concatenate([times, block.times])
                rising = np.concatenate([rising, block.rising])
            order = np.argsort(times, kind="stable")
            block = EdgeBlock(SYNC, times[order], rising[order], block.until)
        out.append(block)
    return out


def crank(angle, trace, basis: str, rate: float, seed: int, *, true: bool, engine: str = "four"):
    setup = angle.setup_of(angle.ENGINES[engine], basis)
    blocks = angle.blocks_of(setup, trace, seed=seed)
    pipeline, cycles = angle.run(setup, with_false(blocks, float(trace.times_s[-1]), rate, seed, true=true))
    return setup, [c for c in cycles if c.left_out is None], pipeline.judge(SOURCE)


def named(cycles: list[Cycle]) -> list[Cycle]:
    return [c for c in cycles if any(p.cylinder is not None for p in c.probes[0].pulses)]


def wrongly(setup: Setup, cycles: list[Cycle], trace) -> int:
    """Cycles whose names lie nearer to another cylinder's place than to their own."""
    angles, wrong = firing_angles(setup.engine), 0
    for cycle in named(cycles):
        at = float(np.interp(cycle.from_s, trace.times_s, trace.theta_deg))
        pulse = cycle.probes[0].pulses[0]
        assert pulse.cylinder is not None and pulse.firing_tdc_deg is not None
        off = (at + pulse.firing_tdc_deg - angles[pulse.cylinder] + 360.0) % 720.0 - 360.0
        wrong += abs(off) > 360.0 / setup.engine.cylinders
    return wrong


def names_cleanly(judgement: Judgement) -> bool:
    return any(
        (c.cylinder is not None or c.one_of) and c.trust == "clean"
        for comparison in judgement.comparisons
        for c in comparison.cylinders
    )


@pytest.mark.parametrize("basis", ["sync", "sync, current", "sync, wheel"])
@pytest.mark.parametrize("rate", [1.0, 2.0, 3.0, 4.0])
def test_noise_alone_names_no_cylinder(angle, trace_of, basis: str, rate: float) -> None:
    trace = trace_of("four")
    for seed in range(2):
        _, cycles, judgement = crank(angle, trace, basis, rate, seed, true=False)
        assert not names_cleanly(judgement), seed
        assert not named(cycles), seed
        # The rhythm, or the teeth, count the cycles all the same, and it is said why nothing is named.
        assert len(cycles) >= 8 and judgement.refused is None
        assert {"sync_not_believed", "cylinders_unnamed"} <= {w.code for w in judgement.warnings}
        assert judgement.sync.basis in ("none", "wheel")
        assert judgement.sync.extra == judgement.sync.events


@pytest.mark.parametrize("rate", [1.0, 2.0])
def test_true_events_among_as_many_false_ones_name_the_right_cylinders(angle, trace_of, rate: float) -> None:
    trace = trace_of("four")
    for seed in range(3):
        setup, cycles, judgement = crank(angle, trace, "sync, current", rate, seed, true=True)
        assert wrongly(setup, cycles, trace) == 0, seed
        assert len(named(cycles)) >= 4, seed
        said = {w.code: w.text for w in judgement.warnings}
        assert "sync_not_believed" not in said
        assert "step" in said["sync_sifted"] if "sync_sifted" in said else "sync_extra" in said


@pytest.mark.parametrize("basis", ["sync", "sync, current", "sync, wheel"])
@pytest.mark.parametrize("engine", ["three", "four", "twin 270/450"])
def test_a_true_sync_is_believed_from_its_first_event_on(angle, trace_of, engine: str, basis: str) -> None:
    trace = trace_of(engine)
    setup, cycles, judgement = crank(angle, trace, basis, 0.0, 0, true=True, engine=engine)
    assert wrongly(setup, cycles, trace) == 0
    assert named(cycles) == cycles and len(cycles) >= 8
    assert (judgement.sync.missed, judgement.sync.extra) == (0, 0)
    assert not {"sync_not_believed", "sync_sifted", "sync_extra"} & {w.code for w in judgement.warnings}


# --- by themselves --------------------------------------------------------------------------------------


def tracked(events: np.ndarray, every: str) -> SyncTracker:
    tracker = SyncTracker(every)  # type: ignore[arg-type]
    times = np.ravel(np.column_stack([events, events + 0.001]))
    tracker.push(times, np.tile([True, False], events.size), float(times[-1]) + 0.1)
    tracker.finish()
    return tracker


@pytest.mark.parametrize("every", ["cycle", "revolution"])
@pytest.mark.parametrize("rate", [1.0, 2.0, 4.0])
def test_events_at_random_are_seldom_even_enough(every: str, rate: float) -> None:
    """Of 150 cranks of ten seconds; as measured, 0 to 1.4 % of them."""
    believed = 0
    for seed in range(150):
        rng = np.random.default_rng([seed, round(10 * rate)])
        events = 1.0 + np.sort(rng.uniform(0.0, 10.0, max(2, rng.poisson(10.0 * rate))))
        events = events[np.append(True, np.diff(events) > 0.002)]
        believed += bool(tracked(events, every).believed)
    assert believed <= 6


@pytest.mark.parametrize("late", [0.5, 0.55, 0.6])
def test_revolutions_that_last_longer_by_turns_are_all_true(late: float) -> None:
    """A twin 270/450 with a dead cylinder turns one revolution of each cycle half as fast again as the other."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        cycle_s = 0.37 * (1.0 + 0.02 * rng.standard_normal(26))
        events = 1.0 + np.cumsum(np.ravel(np.column_stack([late * cycle_s, (1.0 - late) * cycle_s])))
        tracker = tracked(events, "revolution")
        assert (tracker.events, tracker.missed, tracker.extra) == (52, 0, 0), seed
        (run,) = tracker.believed
        assert run.believed_from <= run.times[0]


@pytest.mark.parametrize("every", [720.0, 360.0])
@pytest.mark.parametrize("false", [0.6, 2.0])
def test_what_keeps_step_is_told_from_what_does_not(every: float, false: float) -> None:
    """Against the places they were drawn at: true ones within 5 degrees of one place, one in ten missing."""
    cycles, told = 12, 0
    for seed in range(30):
        rng = np.random.default_rng([seed, round(every)])
        noise = rng.uniform(0.0, 720.0 * cycles, rng.poisson(false * cycles))
        place = rng.uniform(0.1, 0.9)
        true = (np.arange(round(cycles * 720.0 / every)) + place) * every
        true = (true + 5.0 * rng.standard_normal(true.size))[rng.random(true.size) < 0.9]
        alone = keeping_step(np.sort(noise), 720.0 * cycles, every)
        assert alone.odds < np.log(100.0), seed
        every_one = np.sort(np.concatenate([noise, true]))
        step = keeping_step(every_one, 720.0 * cycles, every)
        told += step.odds > np.log(1000.0)
        kept = every_one[step.true]
        off = np.abs((kept - place * every + every / 2) % every - every / 2)
        assert off.max() < 30.0
        assert kept.size >= 0.75 * true.size
        assert np.unique(np.round((kept - place * every) / every)).size == kept.size
    assert told >= 27


def test_fewer_than_two_events_tell_nothing() -> None:
    assert keeping_step(np.array([100.0]), 1440.0, 720.0).odds == -np.inf
    assert not keeping_step(np.empty(0), 1440.0, 720.0).true.size
