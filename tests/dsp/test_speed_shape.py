"""The speed's course between two syncs, against the law of a starter's circuit and against simulated engines.

The engines are those of evenstroke_dsp.physics, by the generator of tests/bench/bench_angle.py; their crank angle is the
truth. Degrees that must be reached are the project's own goals; no other source.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.blocks import Block, SampleBlock
from evenstroke_dsp.conditioning import butterworth_sections
from evenstroke_dsp.history import History
from evenstroke_dsp.messages import Cycle
from evenstroke_dsp.physics import probes
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.speed_shape import SpeedShape
from scipy import signal

STARTER = parse_setup(
    """
schema = 1
[engine]
cylinders = 2
firing_order = [1, 2]
[[probe]]
name = "starter"
role = "starter_current"
input = 0
volts_per_unit = 1.0
"""
)


def test_a_recording_that_begins_just_before_its_first_sync_tells_no_inrush_and_breaks_nothing() -> None:
    """5 ms of it at 10 kHz, where slopes are taken over 8 ms."""
    history = History()
    history.add(0.0, 1e-4, np.linspace(0.0, 300.0, 50)[None, :], np.zeros((1, 50), dtype=bool))
    shape = SpeedShape(STARTER, history, (), 0.0)
    shape.row = 0
    shape.begin(0.005)
    assert shape.recorded(0.0, 0.005)


def test_the_course_is_that_of_a_motor_whose_inrush_shows_its_stall_current() -> None:
    """Closed form. k w = emf - R i; w = w0 (1 + a sin(2 pi f t)), whole periods between syncs: the share
    turned by t is (t + a (1 - cos(2 pi f t)) / (2 pi f)) / T. The current lags by the circuit's own time constant."""
    stall_a, unloaded_rpm, mean_rpm, a, rate = 600.0, 285.0, 200.0, 0.3, 1000.0
    cycle_s = 120.0 / mean_rpm
    f = 4 / cycle_s
    t = np.arange(0.0, 9.0, 1 / rate)
    start_s = 1.0
    speed = np.where(t < start_s + 0.3, 0.0, mean_rpm * (1 + a * np.sin(2 * np.pi * f * (t - 2.0))))
    current = np.where(t < start_s, 0.0, stall_a * (1 - speed / unloaded_rpm))
    current[(t >= start_s) & (t < start_s + 0.3)] *= 0.93  # the rotor has begun to turn
    lag_s = 0.002
    current = signal.lfilter([1 - np.exp(-1 / rate / lag_s)], [1, -np.exp(-1 / rate / lag_s)], current)
    current = signal.sosfiltfilt(butterworth_sections(50.0, rate), current)  # as the pipeline keeps it
    history = History()
    history.add(0.0, 1 / rate, current[None, :], np.zeros((1, t.size), dtype=bool))
    shape = SpeedShape(STARTER, history, (), 0.0)
    shape.row = 0
    shape.begin(2.0)
    for k in range(5):
        begins = 2.0 + k * cycle_s
        course = shape.between(begins, begins + cycle_s, 720.0)
        assert course is not None
        into = course.times - begins
        true = (into + a * (1 - np.cos(2 * np.pi * f * into)) / (2 * np.pi * f)) / cycle_s
        worst = float(np.abs(course.share - true).max() * 720.0)
        straight = float(np.abs(into / cycle_s - true).max() * 720.0)
        assert straight > 15.0
        assert worst < 0.3 * straight
        assert worst < course.uncertainty_deg


@pytest.mark.parametrize(
    ("name", "basis", "degrees"),
    [
        ("four", "sync, current", 3.0),
        ("four", "sync, voltage", 3.0),
        ("five at 0 C", "sync, current", 8.0),
        ("twin 270/450", "sync, current", 8.0),
        ("four", "sync, wheel", 0.5),
    ],
)
def test_the_angle_is_as_good_as_it_must_be(angle, trace_of, name: str, basis: str, degrees: float) -> None:
    found = angle.outcome(angle.ENGINES[name], basis, 0, trace_of(name))
    assert found is not None and found.cycles >= 4
    assert found.ours < degrees
    assert found.ours < 0.5 * found.line


def test_without_current_or_voltage_the_doubt_is_larger(angle, trace_of) -> None:
    engine = angle.ENGINES["four"]
    stated = {}
    for basis in ("sync", "sync, current"):
        setup = angle.setup_of(engine, basis)
        _, cycles = angle.run(setup, angle.blocks_of(setup, trace_of("four")))
        stated[basis] = [c.angle_uncertainty_deg for c in cycles if c.left_out is None]
    assert min(stated["sync"]) > max(stated["sync, current"])


def test_a_recording_that_begins_while_the_engine_turns_still_gains(angle, trace_of) -> None:
    """No level at rest and no inrush: the gain comes from what a usual starter does and from the cylinders' places."""
    engine = angle.ENGINES["five at 0 C"]
    setup, trace = angle.setup_of(engine, "sync, current"), trace_of("five at 0 C")
    pipeline, cycles = angle.run(setup, angle.blocks_of(setup, trace, from_s=3.0))
    counted = [c for c in cycles if c.left_out is None]
    assert counted
    at = np.concatenate([np.arange(c.from_s, c.to_s, 0.005) for c in counted])
    truth = np.interp(at, trace.times_s, trace.theta_deg)
    straight = angle.outcome(engine, "sync", 0, trace).line
    assert angle.rms(angle.wrapped(pipeline.engine_angles(at) - truth)) < 0.7 * straight


def with_current(blocks: list[Block], change) -> list[Block]:
    """The same blocks with the current's volts (row 1) put through `change`."""
    out: list[Block] = []
    for block in blocks:
        if isinstance(block, SampleBlock):
            volts = block.volts.copy()
            volts[1] = change(block.t0 + np.arange(block.samples) * block.dt, volts[1])
            block = SampleBlock(block.inputs, volts, block.t0, block.dt)
        out.append(block)
    return out


def test_a_dead_current_probe_leaves_constant_speed_and_a_large_doubt(angle, trace_of) -> None:
    """It may as well be an engine that does not compress, so that compression's usual course is not taken either."""
    engine, trace = angle.ENGINES["four"], trace_of("four")
    setup = angle.setup_of(engine, "sync, current")
    rng = np.random.default_rng(3)
    blocks = angle.blocks_of(setup, trace)
    dead = with_current(blocks, lambda t, x: 0.4 + 0.01 * rng.standard_normal(x.size))
    pipeline, cycles = angle.run(setup, dead)
    assert cycles
    times, _, forward = probes.edge_times(trace, [angle.SYNC_DEG], 720.0)
    syncs = times[forward]
    at = np.arange(cycles[0].from_s, cycles[-1].to_s, 0.01)
    straight = np.interp(at, syncs, angle.SYNC_DEG + 720.0 * np.arange(syncs.size))
    np.testing.assert_allclose(angle.wrapped(pipeline.engine_angles(at) - straight), 0.0, atol=1e-3)
    truth = np.interp(at, trace.times_s, trace.theta_deg)
    counted = [c.angle_uncertainty_deg for c in cycles if c.left_out is None]
    assert np.abs(angle.wrapped(straight - truth)).max() < min(counted)


def test_a_cycle_whose_current_was_lost_has_a_larger_doubt(angle, trace_of) -> None:
    engine = angle.ENGINES["four"]
    setup = angle.setup_of(engine, "sync, current")
    blocks = angle.blocks_of(setup, trace_of("four"))
    _, whole = angle.run(setup, blocks)
    hit = whole[len(whole) // 2]
    middle = (hit.from_s + hit.to_s) / 2
    torn = with_current(blocks, lambda t, x: np.where(np.abs(t - middle) < 0.01, np.nan, x))
    _, cycles = angle.run(setup, torn)
    doubt = {c.index: c.angle_uncertainty_deg for c in cycles}
    for cycle in whole:
        if cycle.index == hit.index:
            assert doubt[cycle.index] > 1.1 * cycle.angle_uncertainty_deg
        elif cycle.left_out is None:
            # The one after has no moment before it at which the clutch surely holds, and each fit starts from the last.
            assert doubt[cycle.index] == pytest.approx(cycle.angle_uncertainty_deg, rel=0.4)


def test_any_cut_gives_the_same_stream_and_each_cycle_within_the_next(angle, trace_of, bench) -> None:
    setup = angle.setup_of(angle.ENGINES["four"], "sync, current")
    blocks = angle.blocks_of(setup, trace_of("four"))
    expected = bench.as_bytes(bench.run(setup, blocks).messages)
    for cuts in ([777, 1501, 9000], list(range(333, 19000, 417))):
        joined: list[Block] = []
        samples = [b for b in blocks if isinstance(b, SampleBlock)]
        volts = np.concatenate([b.volts for b in samples], axis=1)
        joined.append(SampleBlock(samples[0].inputs, volts, samples[0].t0, samples[0].dt))
        joined += [b for b in blocks if not isinstance(b, SampleBlock)]
        cut = bench.recut(joined, cuts, [1.0, 2.5, 6.1], edges_first=True)
        assert bench.as_bytes(bench.run(setup, cut).messages) == expected
    pipeline = Pipeline(setup)
    late = []
    for block in blocks:
        until = block.t0 + block.samples * block.dt if isinstance(block, SampleBlock) else block.until
        late += [(until - m.to_s) / (m.to_s - m.from_s) for m in pipeline.push(block) if isinstance(m, Cycle)]
    # The first waits for the third event, which shows that an engine makes them; a later one for the filters' look-ahead.
    assert len(late) > 6
    assert late[0] < 1.3
    assert max(late[1:]) < 0.7
