"""Every streaming stage against every check that any of them must pass.

A new stage is one more entry in STAGES, and then all checks run on it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from evenstroke_dsp.balance import BalanceTable
from evenstroke_dsp.blocks import Bools, EdgeBlock, Floats, SampleBlock
from evenstroke_dsp.conditioning import Conditioner
from evenstroke_dsp.edge_finder import EdgeFinder
from evenstroke_dsp.grid import Frame, GridStart, SampleGrid
from evenstroke_dsp.health import ProbeWatch
from evenstroke_dsp.history import History
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import Probe, parse_setup
from evenstroke_dsp.sync_tracker import SyncTracker
from evenstroke_dsp.wheel_tracker import WheelTracker

RATE_HZ = 2000.0
SECONDS = 4.0
TEETH_DEG = np.array([10.0 * k for k in range(35)])
SETUP = parse_setup(
    """
schema = 1
[engine]
cylinders = 2
firing_order = [1, 2]
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
[[probe]]
name = "cam"
role = "cam_sync"
input = 1
cylinder = 1
offset_deg = 0
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 2
teeth = "36-1"
edge = "rising"
"""
)

Edges = tuple[Floats, Bools]
Feed = tuple[Floats, Edges, Edges]
"""Samples, then the sync's and the wheel's edges."""


def at_angles(angles: Floats, lasts_s: float) -> Edges:
    """Edges when a crank of 200 rpm (1200 degrees a second), turning from 0.3 s on, passes angles."""
    up = 0.3 + angles / 1200.0
    up = up[up < SECONDS - lasts_s]
    times = np.sort(np.concatenate([up, up + lasts_s]))
    return times, np.isin(times, up)


def engine() -> Feed:
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    x = np.where(t > 0.3, np.cos(2 * np.pi * (t - 0.3) / 0.3), 1.0)
    x += np.random.default_rng(1).normal(scale=0.01, size=t.size)
    sync = at_angles(np.arange(50.0, 4800.0, 720.0), 0.01)
    turns = 360.0 * np.arange(14)
    return x, sync, at_angles(np.sort((TEETH_DEG + turns[:, None]).ravel()), 0.004)


NO_EDGES: Edges = (np.empty(0), np.empty(0, dtype=np.bool_))


def lost() -> Feed:
    return np.full(round(SECONDS * RATE_HZ), np.nan), NO_EDGES, NO_EDGES


def nothing() -> Feed:
    return np.empty(0), NO_EDGES, NO_EDGES


def holed() -> Feed:
    x, sync, wheel = engine()
    x[3000:3170] = np.nan
    x[5000] = np.nan
    return x, sync, wheel


FEEDS: dict[str, Callable[[], Feed]] = {"engine": engine, "holed": holed, "lost": lost, "nothing": nothing}
CUTS: dict[str, tuple[float, ...]] = {
    "one piece": (),
    "halves": (2.0,),
    "uneven": (0.0005, 0.31, 0.3105, 0.3106, 1.7, 1.7, 2.983, 3.9995),
    "every 7 ms": tuple(np.arange(0.007, SECONDS, 0.007)),
}


def sample_pieces(x: Floats, cuts: Sequence[float]) -> list[SampleBlock]:
    at = [0, *(round(c * RATE_HZ) for c in cuts if c * RATE_HZ < len(x)), len(x)]
    return [SampleBlock((0,), x[None, a:b], a / RATE_HZ, 1 / RATE_HZ) for a, b in itertools.pairwise(at)]


def edge_pieces(edges: Edges, cuts: Sequence[float], key: int) -> list[EdgeBlock]:
    times, rising = edges
    bounds = [-np.inf, *cuts, SECONDS]
    return [
        EdgeBlock(key, times[(times >= a) & (times < b)], rising[(times >= a) & (times < b)], b)
        for a, b in itertools.pairwise(bounds)
    ]


def frames(x: Floats, cuts: Sequence[float], length: int) -> list[Frame]:
    grid = SampleGrid()
    out: list[Frame] = []
    for block in sample_pieces(x, cuts):
        for item in grid.add(block):
            if isinstance(item, GridStart):
                grid.frame_length = length
            else:
                out.append(item)
    return out + list(grid.finish())


# --- the stages: each makes a new one, feeds it, and gives what came out in a form that compares -----


def through_grid(feed: Feed, cuts: Sequence[float]) -> object:
    return [(f.t0, f.dt, f.last, f.volts.tobytes()) for f in frames(feed[0], cuts, 80)]


def through_conditioner(feed: Feed, cuts: Sequence[float]) -> object:
    conditioner = Conditioner([50.0], RATE_HZ)
    out = []
    for frame in frames(feed[0], cuts, conditioner.frame):
        ready = conditioner.finish(frame.volts) if frame.last else conditioner.push(frame.volts)
        if ready is not None:
            assert np.isfinite(ready[0]).all()
            out.append((ready[0].tobytes(), ready[1].tobytes()))
    return out


def through_edge_finder(feed: Feed, cuts: Sequence[float], *, teeth: bool = False) -> object:
    finder = EdgeFinder(RATE_HZ, 80, teeth=teeth)
    found = [finder.push(f.volts[0], f.t0) for f in frames(feed[0], cuts, 80)]
    return [(t.tobytes(), up.tobytes()) for t, up in found], finder.swing, finder.noise


def through_tooth_finder(feed: Feed, cuts: Sequence[float]) -> object:
    return through_edge_finder(feed, cuts, teeth=True)


def through_watch(feed: Feed, cuts: Sequence[float]) -> object:
    watch = ProbeWatch(SETUP.probe[0], RATE_HZ, 80)
    for f in frames(feed[0], cuts, 80):
        watch.push(f.volts[0], f.t0)
    return watch.report(turning=True)


def through_history(feed: Feed, cuts: Sequence[float]) -> object:
    history = History()
    for f in frames(feed[0], cuts, 80):
        history.add(f.t0, f.dt, f.volts, np.isnan(f.volts))
    piece = history.piece(0.5, 2.5)
    return None if piece is None else (piece.t.tobytes(), piece.values.tobytes(), piece.lost.tobytes())


def through_sync(feed: Feed, cuts: Sequence[float]) -> object:
    tracker = SyncTracker()
    for piece in edge_pieces(feed[1], cuts, 1):
        tracker.push(piece.times, piece.rising, piece.until)
    tracker.finish()
    counts = (tracker.events, tracker.missed, tracker.extra)
    return [(run.times, run.intervals, run.ended) for run in tracker.runs], counts


def through_wheel(feed: Feed, cuts: Sequence[float]) -> object:
    tracker = WheelTracker(Probe(name="wheel", role="crank_teeth", input=2, teeth="36-1", edge="rising"))
    for piece in edge_pieces(feed[2], cuts, 2):
        tracker.push(piece.times, piece.rising, piece.until)
    tracker.finish()
    follower = tracker.follower
    assert follower is not None
    counts = (follower.accepted, follower.rejected, follower.missed)
    return [(r.t, r.deg, r.ended) for r in follower.rotations], follower.tooth_zero, counts


def through_balance(feed: Feed, cuts: Sequence[float]) -> object:
    """One row a cycle: here a row is a twentieth of the samples, so that holes and nothing reach it too."""
    table = BalanceTable(4, (0, 1, 2, 3), relative=False, with_verdict=True, alpha=0.05 / 4)
    for k, row in enumerate(feed[0][: len(feed[0]) // 80 * 80 : 20].reshape(-1, 4)[:40]):
        table.add(k, row)
    return table.deviations()


def through_pipeline(feed: Feed, cuts: Sequence[float]) -> object:
    pipeline = Pipeline(SETUP)
    return _pipeline_output(pipeline, feed, cuts)


def _pipeline_output(pipeline: Pipeline, feed: Feed, cuts: Sequence[float]) -> object:
    samples, sync, wheel = feed
    pieces: list[tuple[float, int, object]] = []
    for block in sample_pieces(samples, cuts):
        pieces.append((block.t0 + block.samples * block.dt, 0, block))
    for key, edges in ((1, sync), (2, wheel)):
        pieces += [(b.until, key, b) for b in edge_pieces(edges, cuts, key)]
    out = []
    for _, _, block in sorted(pieces, key=lambda p: p[:2]):
        out += pipeline.push(block)  # type: ignore[arg-type]
    out += pipeline.flush()
    return [(m.header, m.samples.tobytes()) if hasattr(m, "header") else m for m in out], pipeline.health()


STAGES: dict[str, Callable[[Feed, Sequence[float]], object]] = {
    "grid": through_grid,
    "conditioner": through_conditioner,
    "edge finder": through_edge_finder,
    "tooth finder": through_tooth_finder,
    "probe watch": through_watch,
    "history": through_history,
    "sync tracker": through_sync,
    "wheel tracker": through_wheel,
    "balance": through_balance,
    "pipeline": through_pipeline,
}

stages = pytest.mark.parametrize("stage", STAGES)
feeds = pytest.mark.parametrize("feed", FEEDS)


@stages
@feeds
@pytest.mark.parametrize("cuts", [c for c in CUTS if c != "one piece"])
def test_the_cut_changes_nothing(stage: str, feed: str, cuts: str) -> None:
    if feed == "nothing" and stage in ("grid", "conditioner"):
        # No block at all and an empty one differ: an empty block still says which inputs there are.
        assert STAGES[stage](FEEDS[feed](), CUTS[cuts]) == STAGES[stage](FEEDS[feed](), ())
        return
    assert STAGES[stage](FEEDS[feed](), CUTS[cuts]) == STAGES[stage](FEEDS[feed](), ())


@stages
@feeds
def test_the_same_again_gives_the_same(stage: str, feed: str) -> None:
    """Nothing is kept between one object and the next, and nothing is drawn at random."""
    first = STAGES[stage](FEEDS[feed](), CUTS["uneven"])
    STAGES[stage](FEEDS["engine"](), ())
    assert STAGES[stage](FEEDS[feed](), CUTS["uneven"]) == first


@stages
@feeds
def test_the_input_is_left_as_it_was(stage: str, feed: str) -> None:
    data = FEEDS[feed]()
    before = data[0].copy(), data[1][0].copy(), data[2][0].copy()
    STAGES[stage](data, CUTS["uneven"])
    np.testing.assert_array_equal(data[0], before[0])
    np.testing.assert_array_equal(data[1][0], before[1])
    np.testing.assert_array_equal(data[2][0], before[2])


@pytest.mark.parametrize("feed", ["lost", "nothing"])
def test_from_nothing_comes_no_pulse_and_no_angle(feed: str) -> None:
    messages, _ = through_pipeline(FEEDS[feed](), ())  # type: ignore[misc]
    assert not [m for m in messages if type(m).__name__ in ("Cycle", "Balance")]
    assert through_sync(FEEDS[feed](), ()) == ([], (0, 0, 0))
    assert through_wheel(FEEDS[feed](), ()) == ([], [], (0, 0, 0))
    found, *_ = through_edge_finder(FEEDS[feed](), ())  # type: ignore[misc]
    assert all(t == b"" for t, _ in found)


@feeds
def test_a_reset_pipeline_is_a_new_one(feed: str) -> None:
    used = Pipeline(SETUP)
    _pipeline_output(used, FEEDS["engine"](), ())
    used.reset()
    assert _pipeline_output(used, FEEDS[feed](), ()) == through_pipeline(FEEDS[feed](), ())


def test_the_engine_is_really_one() -> None:
    """Else the checks above would compare nothing with nothing."""
    messages, _ = through_pipeline(engine(), ())  # type: ignore[misc]
    assert sum(type(m).__name__ == "Cycle" for m in messages) >= 4
    runs, _ = through_sync(engine(), ())  # type: ignore[misc]
    assert len(runs[0][0]) == 7
