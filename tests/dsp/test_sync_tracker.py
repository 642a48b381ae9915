"""Events of a sync probe from its edges: bursts, missing and extra ones, a start, a stop."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from evenstroke_dsp.blocks import EdgeBlock
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.sync_rate import irregular
from evenstroke_dsp.sync_tracker import KEPT_EVENTS, KEPT_RUNS, SyncTracker
from setup_texts import FOUR, spark

CYCLE_S = 0.6  # 200 rpm: 120 / 200 (arithmetic)


def tracked(
    events: Sequence[float],
    *,
    lasts: float = 0.002,
    silence: float = 0.1,
    gaps: Sequence[tuple[float, float]] = (),
) -> SyncTracker:
    """Positive pulses of `lasts` seconds at the given times."""
    tracker = SyncTracker()
    for gap in gaps:
        tracker.note_gap(*gap)
    edges = sorted([(t, True) for t in events] + [(t + lasts, False) for t in events])
    times = np.array([t for t, _ in edges])
    rising = np.array([up for _, up in edges], dtype=np.bool_)
    tracker.push(times, rising, float(times[-1]) + silence)
    tracker.finish()
    return tracker


def test_even_events_make_one_run() -> None:
    events = [1.0 + CYCLE_S * k for k in range(12)]
    tracker = tracked(events)
    (run,) = tracker.runs
    assert run.times == pytest.approx(events)
    assert run.intervals == [1] * 12
    assert (tracker.events, tracker.missed, tracker.extra) == (12, 0, 0)


def test_a_burst_is_one_event_at_its_first_edge() -> None:
    # Multi-strike ignition while cranking: several sparks some milliseconds apart (common practice, no source).
    starts = [1.0 + CYCLE_S * k for k in range(8)]
    tracker = tracked([t + d for t in starts for d in (0.0, 0.004, 0.009, 0.015)])
    (run,) = tracker.runs
    assert run.times == pytest.approx(starts)
    assert tracker.extra == 0


@pytest.mark.parametrize("rpm", [150.0, 800.0, 1200.0, 1500.0])
def test_a_sync_of_every_revolution_is_followed_up_to_the_fastest_idle(rpm: float) -> None:
    # A cold engine idles at 1200 rpm (common practice, no source); a revolution then takes 50 ms (60 / 1200).
    period = 60.0 / rpm
    tracker = SyncTracker("revolution")
    edges = [(1.0 + period * k + d, up) for k in range(30) for d, up in ((0.0, True), (0.001, False))]
    times, rising = np.array([t for t, _ in edges]), np.array([up for _, up in edges], dtype=np.bool_)
    tracker.push(times, rising, float(times[-1]))
    assert tracker.events == 30
    assert len(tracker.runs) == 1


@pytest.mark.parametrize("lasts", [0.0002, 0.002, 0.02])
def test_negative_pulses_are_dated_by_their_falling_edge(lasts: float) -> None:
    starts = [1.0 + CYCLE_S * k for k in range(8)]
    edges = sorted([(t, False) for t in starts] + [(t + lasts, True) for t in starts])
    tracker = SyncTracker()
    tracker.push(np.array([t for t, _ in edges]), np.array([up for _, up in edges], dtype=np.bool_), 6.0)
    assert tracker.runs[0].times == pytest.approx(starts)


def test_a_missing_event_is_counted_and_the_cycles_keep_their_number() -> None:
    events = [1.0 + CYCLE_S * k for k in range(12) if k not in (5, 8)]
    tracker = tracked(events)
    (run,) = tracker.runs
    assert sum(run.intervals[1:]) == 11
    assert tracker.missed == 2
    assert tracker.extra == 0


def test_an_extra_event_is_counted_and_left_out() -> None:
    events = [1.0 + CYCLE_S * k for k in range(12)]
    tracker = tracked(sorted([*events, 1.0 + 4.4 * CYCLE_S]))
    (run,) = tracker.runs
    assert run.times == pytest.approx(events)
    assert (tracker.missed, tracker.extra) == (0, 1)


@pytest.mark.parametrize("early", [0.1, 0.2, 0.3, 0.4])
def test_a_false_event_before_the_first_true_one_does_not_set_the_pace(early: float) -> None:
    # A starter relay that engages is heard by every pick-up. The true events must end up one interval
    # apart, whatever becomes of the run that the false one began.
    events = [1.0 + CYCLE_S * k for k in range(12)]
    tracker = tracked([1.0 - early, *events])
    longest = max(tracker.runs, key=lambda run: len(run.times))
    true = [t for t in longest.times if t >= 1.0]
    assert len(true) >= 10
    assert set(longest.intervals[-len(true) + 1 :]) == {1}
    assert tracker.missed == 0


def test_an_engine_that_starts_is_followed() -> None:
    cranking = [1.0 + CYCLE_S * k for k in range(6)]
    running = [cranking[-1] + 0.5 + 0.15 * k for k in range(20)]  # 800 rpm
    tracker = tracked([*cranking, *running])
    assert tracker.runs[0].times == pytest.approx(list(cranking), abs=1e-9) or set(cranking) <= set(
        tracker.runs[0].times
    )
    followed = sum(len(run.times) for run in tracker.runs)
    assert followed >= len(cranking) + len(running) - 3
    last = tracker.runs[-1]
    assert np.diff(last.times)[1:] == pytest.approx(0.15)
    assert set(last.intervals[2:]) == {1}


def test_a_doubling_of_the_pace_is_a_new_run_not_every_other_event() -> None:
    slow = [1.0 + CYCLE_S * k for k in range(5)]
    fast = [slow[-1] + 0.3 * k for k in range(1, 12)]
    tracker = tracked([*slow, *fast])
    last = tracker.runs[-1]
    assert np.diff(last.times) == pytest.approx(0.3)


@pytest.mark.parametrize("missing", [2, 3])
def test_several_missing_in_a_row_end_the_run_and_are_counted(missing: int) -> None:
    events = [0.6 * k for k in range(14) if not 6 <= k < 6 + missing]
    tracker = tracked(events)
    assert tracker.missed == missing
    assert len(tracker.runs) == 2


@pytest.mark.parametrize("lost", [2, 3, 20])
def test_what_a_gap_took_is_not_missed_and_makes_no_sync_irregular(lost: int) -> None:
    """Twenty: the cable is out for 12 s, and what is heard first when it is back is no event."""
    events = [0.6 * k for k in range(8 + lost) if not 6 <= k < 6 + lost]
    end = 0.6 * (6 + lost)
    stray = [end - 0.4] if lost > 3 else []
    gap = (3.3, end - 0.45)
    told, untold = (tracked(sorted([*events, *stray]), gaps=gaps) for gaps in ([gap], []))
    assert told.missed == 0
    assert not irregular(told)
    assert untold.missed == (lost if lost <= 3 else 0)
    assert irregular(tracked(events, gaps=[(100.0, 101.0)])) is (lost <= 3)


def test_silence_ends_a_run_and_the_next_crank_is_another_one() -> None:
    first = [1.0 + CYCLE_S * k for k in range(6)]
    second = [20.0 + CYCLE_S * k for k in range(6)]
    tracker = tracked([*first, *second])
    assert [run.times for run in tracker.runs] == [pytest.approx(first), pytest.approx(second)]
    assert all(run.ended for run in tracker.runs)
    assert tracker.missed == 0


def test_a_run_goes_on_while_the_next_event_may_still_come() -> None:
    tracker = SyncTracker()
    events = [1.0, 1.6, 2.2]
    edges = np.array([t + d for t in events for d in (0.0, 0.002)])
    tracker.push(edges, np.array([True, False] * 3), 2.2 + 1.5 * CYCLE_S)
    assert not tracker.runs[-1].ended
    tracker.push(np.empty(0), np.empty(0, dtype=np.bool_), 2.2 + 4 * CYCLE_S)
    assert tracker.runs[-1].ended


def test_an_engine_that_idles_for_hours_fills_no_memory() -> None:
    tracker = SyncTracker()
    events = np.arange(20 * KEPT_EVENTS) * CYCLE_S + 1.0
    for some in np.split(events, 200):
        edges = np.ravel(np.column_stack([some, some + 0.002]))
        tracker.push(edges, np.array([True, False] * len(some)), float(edges[-1]))
    (run,) = tracker.runs
    assert KEPT_EVENTS <= len(run.times) == len(run.intervals) <= 2 * KEPT_EVENTS
    assert run.forgotten + len(run.times) == tracker.events == len(events)
    assert run.times[-1] == pytest.approx(events[-1])


def test_noise_for_hours_fills_no_memory() -> None:
    """Events at random, three a second: some 550 runs an hour."""
    rng, tracker = np.random.default_rng(1), SyncTracker()
    events = np.cumsum(rng.exponential(1.0 / 3.0, 40_000))
    for some in np.split(events, 400):
        edges = np.ravel(np.column_stack([some, some + 0.002]))
        tracker.push(edges, np.array([True, False] * len(some)), float(edges[-1]))
    numbers = [run.number for run in tracker.runs]
    assert numbers == sorted(set(numbers)) and numbers[-1] > 1000
    assert len(tracker.runs) <= 2 * KEPT_RUNS + 1


def test_turnings_that_noise_began_are_forgotten_with_its_runs(monkeypatch) -> None:
    monkeypatch.setattr("evenstroke_dsp.sync_tracker.KEPT_RUNS", 3)
    pipeline = Pipeline(parse_setup(FOUR + spark(input=0)))
    rng = np.random.default_rng(1)
    events = np.cumsum(rng.exponential(1.0 / 3.0, 900))
    for some in np.split(events, 30):
        edges = np.ravel(np.column_stack([some, some + 0.002]))
        pipeline.push(EdgeBlock(0, edges, np.array([True, False] * len(some)), float(edges[-1])))
    assert len(pipeline._cutter._turnings) <= 8
    assert pipeline._cutter._begun_turnings > 20


def test_the_first_event_has_come_before_its_leading_edge_is_told() -> None:
    # A pulse that is short beside a cycle shows which of its edges leads only when the next one begins. Until then,
    # up to two cycles of a true sync, nothing may say that no event comes.
    tracker = SyncTracker()
    tracker.push(np.empty(0), np.empty(0, dtype=np.bool_), 0.5)
    assert tracker.came == 0
    tracker.push(np.array([1.0, 1.002]), np.array([True, False]), 1.0 + 0.95 * CYCLE_S)
    assert (tracker.events, tracker.came) == (0, 1)
    tracker.push(np.array([1.0 + CYCLE_S]), np.array([True]), 1.1 + CYCLE_S)
    assert (tracker.events, tracker.came) == (2, 2)


# --- counts, to the event, on cranks whose speed wanders ------------------------------------------------


def wandering(rng: np.random.Generator, events: int, every_s: float) -> np.ndarray:
    """Events of a crank whose speed drifts by 8 per cent and jumps by 2 (common practice, no source)."""
    drift = np.exp(0.08 * np.sin(np.arange(events) / 3.0 + rng.uniform(0.0, 6.0)))
    return 1.0 + np.cumsum(every_s * drift * (1.0 + 0.02 * rng.standard_normal(events)))


def struck(events: Sequence[float], every: str, strikes: int, ringing: int) -> SyncTracker:
    """Each event as so many sparks 4 ms apart, each of which rings so often within a millisecond."""
    up = [t + 0.004 * s + 0.0003 * r for t in events for s in range(strikes) for r in range(ringing + 1)]
    edges = sorted([(t, True) for t in up] + [(t + 0.0001, False) for t in up])
    tracker = SyncTracker(every)  # type: ignore[arg-type]
    times, rising = np.array([t for t, _ in edges]), np.array([u for _, u in edges], dtype=np.bool_)
    tracker.push(times, rising, float(times[-1]) + 0.05)
    tracker.finish()
    return tracker


HOSTILE = pytest.mark.parametrize(
    ("every", "strikes", "ringing"),
    [("cycle", 1, 0), ("cycle", 5, 0), ("cycle", 3, 3), ("revolution", 1, 2), ("revolution", 4, 1)],
)


@HOSTILE
@pytest.mark.parametrize("missing", range(4))
def test_missed_events_are_counted_to_the_event(every: str, strikes: int, ringing: int, missing: int) -> None:
    for seed in range(25):
        rng = np.random.default_rng([seed, missing])
        events = wandering(rng, 20, CYCLE_S if every == "cycle" else CYCLE_S / 2)
        # Not side by side; two in a row may be a crank that rested. Not before there is a pace to miss them by.
        gone = 4 + 3 * rng.choice(5, missing, replace=False)
        kept = [t for k, t in enumerate(events.tolist()) if k not in gone]
        tracker = struck(kept, every, strikes, ringing)
        assert (tracker.events, tracker.missed, tracker.extra) == (len(kept), missing, 0), (seed, gone)
        assert sum(sum(run.intervals[1:]) for run in tracker.runs) == 19


@HOSTILE
@pytest.mark.parametrize("extra", range(4))
def test_false_events_are_counted_to_the_event(every: str, strikes: int, ringing: int, extra: int) -> None:
    for seed in range(25):
        rng = np.random.default_rng([seed, extra])
        events = wandering(rng, 20, CYCLE_S if every == "cycle" else CYCLE_S / 2)
        beside = 3 + 3 * rng.choice(5, extra, replace=False)
        # Closer to a true one it is a strike of it, or as good as the true one.
        false = events[beside] + rng.uniform(0.2, 0.8, extra) * (events[beside + 1] - events[beside])
        tracker = struck(sorted([*events, *false]), every, strikes, ringing)
        assert (tracker.events, tracker.missed, tracker.extra) == (20 + extra, 0, extra), (seed, beside)
        assert sum(sum(run.intervals[1:]) for run in tracker.runs) == 19


@pytest.mark.parametrize("place", [0.1, 0.3, 0.45, 0.5, 0.62, 0.7, 0.8])
@pytest.mark.parametrize("interval", range(4))
def test_one_false_event_at_the_beginning_does_not_double_the_cycles(interval: int, place: float) -> None:
    """Closer to the next true one it passes for that: speed changes as much from cycle to cycle."""
    events = [1.0 + CYCLE_S * k for k in range(14)]
    tracker = tracked(sorted([*events, events[interval] + place * CYCLE_S]))
    assert (tracker.missed, tracker.extra) == (0, 1)
    assert set(tracker.runs[-1].intervals) == {1}
    assert np.diff(tracker.runs[-1].times)[2:] == pytest.approx(CYCLE_S)


@pytest.mark.parametrize("every", ["cycle", "revolution"])
def test_an_hour_of_false_events_is_no_error(every) -> None:
    """Three a second at random, as by a loose screen, while the engine rests: some lie thousands of times closer together than
    those that were last taken for true ones."""
    rng = np.random.default_rng(0)
    tracker = SyncTracker(every)
    for k in range(36_000):
        events = np.sort(rng.uniform(0.1 * k, 0.1 * k + 0.09, rng.poisson(0.3)))
        edges = np.sort(np.concatenate([events, events + 0.0005]))
        tracker.push(edges, np.isin(edges, events), 0.1 * (k + 1))
    tracker.finish()
    assert tracker.events > 5000


def test_a_true_sync_is_believed_after_ten_minutes_of_false_events() -> None:
    """What fits none of the noise must not go on waiting for it for ever: of five cranks after it, all events are used."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        noise = np.sort(rng.uniform(0.0, 600.0, rng.poisson(1800)))
        true = 600.3 + np.cumsum(CYCLE_S * (1.0 + 0.02 * rng.standard_normal(18)))
        tracker = tracked([*noise[np.append(True, np.diff(noise) > 0.01)].tolist(), *true.tolist()])
        kept = {t for run in tracker.believed for t in run.times}
        assert len(kept & set(true.tolist())) >= 16
