"""A sync that hears noise names no cylinder; one that hears true events among false ones names them by the true ones alone.

Cranks are the engine physics' own, so that what is named can be held against the crank's true angle.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock
from evenstroke_dsp.first_events import degrees_at
from evenstroke_dsp.history import History
from evenstroke_dsp.messages import Cycle, Judgement, SourceInfo
from evenstroke_dsp.rhythm_tracker import RhythmTracker
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.sync_sift import keeping_step
from evenstroke_dsp.sync_tracker import SyncTracker

SOURCE = SourceInfo(file=None, sha256=None, duration_s=0.0, lost_samples=0)


def crank(angle, trace, basis: str, rate: float, seed: int, *, true: bool, engine: str = "four"):
    setup = angle.setup_of(angle.ENGINES[engine], basis)
    blocks = angle.blocks_of(setup, trace, seed=seed)
    pipeline, cycles = angle.run(
        setup, angle.with_false(blocks, float(trace.times_s[-1]), rate, seed, true=true)
    )
    return setup, [c for c in cycles if c.left_out is None], pipeline.judge(SOURCE)


def named(cycles: list[Cycle]) -> list[Cycle]:
    return [c for c in cycles if any(p.cylinder is not None for p in c.probes[0].pulses)]


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
        assert angle.wrongly_named(setup, named(cycles), trace) == 0, seed
        assert len(named(cycles)) >= 4, seed
        said = {w.code: w.text for w in judgement.warnings}
        assert "sync_not_believed" not in said
        assert "step" in said["sync_sifted"] if "sync_sifted" in said else "sync_extra" in said


@pytest.mark.parametrize("basis", ["sync", "sync, current", "sync, wheel"])
@pytest.mark.parametrize("engine", ["three", "four", "twin 270/450"])
def test_a_true_sync_is_believed_from_its_first_event_on(angle, trace_of, engine: str, basis: str) -> None:
    trace = trace_of(engine)
    setup, cycles, judgement = crank(angle, trace, basis, 0.0, 0, true=True, engine=engine)
    assert angle.wrongly_named(setup, named(cycles), trace) == 0
    # Places are known from the first cycle on. Where the angle inside it is in wide doubt, as in the three by its sync alone,
    # pulses may still be left open between two of them.
    assert all(c.angle_uncertainty_deg is not None for c in cycles) and len(cycles) >= 8
    left_open = 1 if (engine, basis) == ("three", "sync") else 0
    assert named(cycles) == cycles[left_open:]
    assert (judgement.sync.missed, judgement.sync.extra) == (0, 0)
    assert not {"sync_not_believed", "sync_sifted", "sync_extra"} & {w.code for w in judgement.warnings}


# --- by themselves --------------------------------------------------------------------------------------


def tracked(events: np.ndarray, every: str, *, sifted_later: bool = False) -> SyncTracker:
    tracker = SyncTracker(every, sifted_later=sifted_later)  # type: ignore[arg-type]
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


def test_a_false_event_off_a_steady_beat_waits_for_the_true_one() -> None:
    """Two false events in a row at a pace of their own, 17 % faster than that of a crank that kept its pace within 1 %."""
    rng = np.random.default_rng(2)
    true = 1.0 + np.cumsum(0.5 * (1.0 + 0.005 * rng.standard_normal(16)))
    false = np.array([true[8] + 0.415, true[8] + 0.83])
    tracker = tracked(np.sort(np.concatenate([true, false])), "cycle")
    (run,) = tracker.believed
    np.testing.assert_array_equal(run.times, true)
    assert (tracker.missed, tracker.extra) == (0, 2)


def test_where_nothing_can_sift_a_beat_among_false_events_is_believed() -> None:
    """Of 60 cranks of ten seconds with one false event a second; as measured, 54 (by evenness alone 21), with 5 % of false
    events among those used. Where a rhythm will sift them that is left to it."""
    believed = used = false_used = left_to_rhythm = 0
    for seed in range(60):
        rng = np.random.default_rng([seed, 7])
        every_s = rng.uniform(0.5, 0.8)
        true = 1.0 + np.cumsum(every_s * (1.0 + 0.03 * rng.standard_normal(int(9.0 / every_s))))
        events = np.sort(np.concatenate([true, rng.uniform(0.0, 10.0, rng.poisson(10.0))]))
        events = events[np.append(True, np.diff(events) > 0.002)]
        tracker = tracked(events, "cycle")
        believed += bool(tracker.believed)
        kept = {t for run in tracker.believed for t in run.times if t >= run.believed_from}
        used += len(kept)
        false_used += len(kept - set(true.tolist()))
        left_to_rhythm += any(run.by_beat for run in tracked(events, "cycle", sifted_later=True).runs)
    assert believed >= 36
    assert false_used <= 0.1 * used
    assert left_to_rhythm == 0


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


# --- the first events -----------------------------------------------------------------------------------


def beating(degrees_of, until_s: float, *, cylinders: int = 4) -> tuple[RhythmTracker, History]:
    """A starter's current that swings once for each compression of a crank that goes as the given law of time says."""
    setup = parse_setup(
        f"schema = 1\n[engine]\ncylinders = {cylinders}\nfiring_order = {list(range(1, cylinders + 1))}\n"
        '[[probe]]\nname = "starter"\nrole = "starter_current"\ninput = 0\nvolts_per_unit = 1.0\n'
    )
    t = np.arange(0.0, until_s, 0.002)
    turns = degrees_of(t) * cylinders / 720.0
    current = 150.0 + 40.0 * np.cos(2.0 * np.pi * turns) + 400.0 * np.exp(-t / 0.1)
    history = History()
    history.add(0.0, 0.002, current[None, :], np.zeros((1, t.size), dtype=bool))
    rhythm = RhythmTracker(setup, history)
    for source in rhythm.sources:
        source.row = 0
    return rhythm, history


@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
def test_beats_count_the_degrees_between_events_while_the_crank_gains_speed(cylinders: int) -> None:
    """Closed form: the angle of a crank that gains speed as 1 - exp(-t / 0.3 s), to 1200 degrees a second."""

    def law(t: np.ndarray) -> np.ndarray:
        return 1200.0 * (t - 0.3 * (1.0 - np.exp(-t / 0.3)))

    grid = np.arange(0.0, 4.0, 1e-4)
    events = np.interp(300.0 + 720.0 * np.arange(3), law(grid), grid)
    rhythm, history = beating(law, float(events[-1]) + 0.1, cylinders=cylinders)
    found = degrees_at(events.tolist(), 720.0, rhythm, history)
    assert found is not None
    np.testing.assert_allclose(found, [0.0, 720.0, 1440.0], atol=12.0)
    # Events of a pace that the beats do not have are told by how far the crank really went.
    wrong = degrees_at([events[0], events[0] + 0.5, events[0] + 1.0], 720.0, rhythm, history)
    true = law(events[0] + np.array([0.0, 0.5, 1.0]))
    assert wrong is None or np.abs(wrong - (true - true[0])).max() < 30.0


def test_without_beats_the_first_events_stay_unborne() -> None:
    rng = np.random.default_rng(1)
    rhythm, history = beating(lambda t: 0.0 * t, 3.0)
    assert degrees_at([1.0, 1.6, 2.2], 720.0, rhythm, history) is None
    # Two beats, of one cylinder, are fewer than what their phase is taken from.
    single, few = beating(lambda t: 1200.0 * t, 1.5, cylinders=1)
    assert degrees_at([0.1, 0.7, 1.3], 720.0, single, few) is None
    noise = History()
    noise.add(0.0, 0.002, rng.standard_normal((1, 1500)), np.zeros((1, 1500), dtype=bool))
    assert degrees_at([1.0, 1.6, 2.2], 720.0, rhythm, noise) is None


def push_pulses(tracker: SyncTracker, *events: float) -> None:
    for t in events:
        tracker.push(np.array([t, t + 0.001]), np.array([True, False]), t + 0.01)


def test_what_bears_the_first_events_out_makes_them_believed_and_nothing_else() -> None:
    tracker = SyncTracker()
    push_pulses(tracker, 5.0, 5.7, 6.3)
    assert tracker.first_events == [5.0, 5.7, 6.3]
    assert not tracker.believed
    tracker.bear_out()
    (run,) = tracker.believed
    assert (run.times, run.believed_from) == ([5.0, 5.7, 6.3], 5.0)
    assert tracker.first_events == []
    # Among many the first are nobody's, until a silence.
    many = SyncTracker()
    push_pulses(many, *np.arange(1.0, 6.0, 0.45).tolist())
    assert many.first_events == []
    push_pulses(many, 20.0, 20.7)
    assert many.first_events == [20.0, 20.7]


@pytest.mark.parametrize("rate", [0.5, 1.0, 1.5])
def test_random_events_that_begin_with_the_crank_are_not_borne_out(angle, trace_of, rate: float) -> None:
    """As the starter's brushes make them: nothing comes before the engine turns, so that the first three are all there is."""
    trace = trace_of("four")
    for seed in range(4):
        setup = angle.setup_of(angle.ENGINES["four"], "sync, current")
        blocks = angle.with_false(
            angle.blocks_of(setup, trace, seed=seed), float(trace.times_s[-1]), rate, 50 + seed, true=False
        )
        quiet = [
            EdgeBlock(b.input, b.times[b.times > 0.6], b.rising[b.times > 0.6], b.until)
            if isinstance(b, EdgeBlock)
            else b
            for b in blocks
        ]
        _, cycles = angle.run(setup, quiet)
        assert not named(cycles), seed
