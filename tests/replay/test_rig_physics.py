"""The rig's engine by physics: what is fitted and what is wrong reach the probes, and teeth agree with the crank."""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.physics import Fault
from evenstroke_replay.rig_physics import PhysicsSource, crank, parse_engine_fault
from evenstroke_replay.rig_source import RigError
from evenstroke_replay.setup_files import load_setup

REST_S, CRANK_S = 0.3, 3.0


@pytest.fixture(scope="module")
def played():
    setup, _ = load_setup("demo")
    trace = crank(setup, seed=3, rest_s=REST_S, crank_s=CRANK_S)
    return setup, trace, PhysicsSource(setup, trace, rest_s=REST_S, release_s=REST_S + CRANK_S, seed=3)


def test_every_input_of_the_demo_is_played_within_the_converter_s_range(played) -> None:
    setup, trace, source = played
    times = np.linspace(0, float(trace.times_s[-1]), 5000)
    for i, probe in source.wiring.items():
        if source.inputs[i].kind.name == "ANALOG":
            volts = source.volts((i,), times[None, :])[0]
            assert volts.min() >= 0 and volts.max() <= 5, probe.name
    assert len(setup.probe) == len(source.wiring)


def test_teeth_come_where_the_crank_is(played) -> None:
    # 60 places less two: 58 falling edges a revolution, 6 degrees apart but for the gap of 18 (arithmetic).
    _, trace, source = played
    wheel = next(i for i, p in source.wiring.items() if p.role == "crank_teeth")
    edges = [e for e in source.edges(1.5, 2.8) if e.input == wheel and not e.rising]
    angles = np.interp([e.t for e in edges], trace.times_s, trace.theta_deg)
    steps = np.diff(angles)
    assert set(np.round(steps).astype(int)) == {6, 18}
    after_gap = angles[1:][steps > 12]
    assert (after_gap % 360) == pytest.approx(np.full(after_gap.size, 84.0), abs=0.05)


def test_the_spark_names_its_cylinder(played) -> None:
    _, trace, source = played
    spark = next(i for i, p in source.wiring.items() if p.role == "ignition_sync")
    rising = [e.t for e in source.edges(1.0, 3.2) if e.input == spark and e.rising]
    angles = np.interp(rising, trace.times_s, trace.theta_deg) % 720
    assert angles == pytest.approx(np.full(len(rising), 712.0), abs=0.05)


def test_noise_is_as_far_below_the_pulse_as_asked(played) -> None:
    _, trace, source = played
    times = np.arange(1.5, 3.2, 1e-4)
    clean = np.interp(times, trace.times_s, source.clean(0))
    noise = source.volts((0,), times[None, :])[0] - clean
    assert np.std(noise) == pytest.approx(source.noise_v(0), rel=0.05)


def test_the_shortest_crank_has_its_noise_too(played) -> None:
    setup, trace, _ = played
    short = PhysicsSource(setup, trace, rest_s=REST_S, release_s=REST_S + 1.0, seed=3)
    short.prepare()
    assert 0.0 < short.noise_v(0) < 0.1


def test_the_same_seed_is_the_same_engine_whatever_is_fitted() -> None:
    traces = [
        crank(load_setup(name)[0], seed=7, rest_s=0.1, crank_s=2.0, faults=())
        for name in ("demo", "demo-without")
    ]
    assert set(traces[0].hose_kpa) == {5} and traces[1].hose_kpa == {}
    late = traces[0].times_s > 1.2
    peaks = [t.cylinder_kpa[:, late].max(axis=1) for t in traces]
    # 9 cc in 59.3 cc of clearance: some 15 % less peak (trade arithmetic, n = 1.28).
    assert peaks[0][4] / peaks[1][4] < 0.93
    assert peaks[0][[0, 1, 2, 3, 5]] == pytest.approx(peaks[1][[0, 1, 2, 3, 5]], rel=0.05)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("intake_restriction:3:0.9", Fault(kind="intake_restriction", cylinders=(3,), size=0.9)),
        ("gasket_leak:2,3:1.5", Fault(kind="gasket_leak", cylinders=(2, 3), size=1.5)),
        ("cam_timing::15", Fault(kind="cam_timing", cylinders=(), size=15.0)),
        ("intake_valve_not_opening:4", Fault(kind="intake_valve_not_opening", cylinders=(4,))),
    ],
)
def test_a_fault_as_text(text: str, fault: Fault) -> None:
    assert parse_engine_fault(text) == fault


@pytest.mark.parametrize("text", ["gremlins:2", "ring_leak:two", "ring_leak:2:much"])
def test_no_fault_of_an_engine(text: str) -> None:
    with pytest.raises(RigError, match="not a fault of an engine"):
        parse_engine_fault(text)
