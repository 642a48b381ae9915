"""Each kind of fault does what its mechanism says, through nothing but openings and lifts.

No published measurement at cranking speed; directions are those of the mechanism.
"""

from __future__ import annotations

import dataclasses
from typing import get_args

import numpy as np
import pytest
from evenstroke_dsp.messages import CauseKind, FaultKind
from evenstroke_dsp.physics import CrankScenario, Fault, FittedPart, PhysicsError, simulate
from evenstroke_dsp.physics.scenario import FAULT_UNITS


@pytest.fixture(scope="module")
def healthy(bench):
    return bench.crank(bench.six)


def faulty(bench, kind: str, *cylinders: int, size: float = 0.0):
    return bench.crank(bench.six, faults=(Fault(kind=kind, cylinders=cylinders, size=size),))


def relative(bench, read, trace, healthy) -> np.ndarray:
    """(N,) change of a feature against the mean of the cylinders, per cent."""
    now, before = read(bench.six, trace), read(bench.six, healthy)
    return (now / now.mean() - before / before.mean()) * 100


def peaks(bench, trace) -> np.ndarray:
    return trace.cylinder_kpa[:, bench.steady(trace)].max(axis=1)


def test_every_kind_has_a_unit_and_is_a_cause() -> None:
    assert set(get_args(FaultKind)) == set(FAULT_UNITS)
    assert set(FAULT_UNITS) < set(get_args(CauseKind))


def test_worn_rings_make_the_companion_smaller(bench, healthy) -> None:
    trace = faulty(bench, "ring_leak", 5, size=1.0)
    drops = relative(bench, bench.drops, trace, healthy)
    assert drops.argmin() == 1
    assert abs(drops[4]) < abs(drops[1])
    assert peaks(bench, trace)[4] < 0.85 * peaks(bench, healthy)[4]


def test_a_leaking_intake_valve_makes_the_companion_larger(bench, healthy) -> None:
    drops = relative(bench, bench.drops, faulty(bench, "intake_valve_leak", 5, size=1.0), healthy)
    assert drops[1] > 10
    assert drops[1] > abs(drops[4])


@pytest.mark.parametrize("kind", ["ring_leak", "intake_valve_leak", "exhaust_valve_leak"])
def test_leaks_deepen_the_suction_and_lower_the_current_at_their_own_cylinder(
    bench, healthy, kind: str
) -> None:
    trace = faulty(bench, kind, 5, size=0.5)
    suction = bench.suctions(bench.six, trace) / bench.suctions(bench.six, healthy)
    assert suction.argmax() == 4 and suction[4] > 1.3
    current = relative(bench, bench.current_peaks, trace, healthy)
    assert current.argmin() == 4 and current[4] < -5


def test_a_gasket_leak_takes_from_both(bench, healthy) -> None:
    lost = peaks(bench, faulty(bench, "gasket_leak", 2, 3, size=2.0)) / peaks(bench, healthy)
    assert sorted(np.argsort(lost)[:2]) == [1, 2]
    assert lost[[1, 2]].max() < 0.9 and lost[[0, 3, 4, 5]].min() > 0.9


def test_a_runner_that_is_nearly_closed_shrinks_its_own_pulse(bench, healthy) -> None:
    half = relative(bench, bench.drops, faulty(bench, "intake_restriction", 3, size=0.5), healthy)
    nearly = relative(bench, bench.drops, faulty(bench, "intake_restriction", 3, size=0.95), healthy)
    # At half its area it hardly shows at cranking speed.
    assert np.abs(half).max() < 2
    assert nearly.argmin() == 2 and nearly[2] < -5


def test_a_closed_runner_starves_its_cylinder(bench, healthy) -> None:
    lost = peaks(bench, faulty(bench, "intake_restriction", 3, size=1.0)) / peaks(bench, healthy)
    assert lost.argmin() == 2 and lost[2] < 0.6


def test_half_the_lift_hardly_shows(bench, healthy) -> None:
    drops = relative(bench, bench.drops, faulty(bench, "worn_lobe", 3, size=0.5), healthy)
    assert np.abs(drops).max() < 8
    lost = peaks(bench, faulty(bench, "worn_lobe", 3, size=0.5)) / peaks(bench, healthy)
    assert lost[2] > 0.9


def test_an_intake_valve_that_stays_shut_leaves_a_vacuum(bench, healthy) -> None:
    trace = faulty(bench, "intake_valve_not_opening", 3)
    keep = bench.steady(trace)
    assert trace.cylinder_kpa[2][keep].min() < 0.5 * trace.ambient_kpa
    assert peaks(bench, trace).argmin() == 2
    current = relative(bench, bench.current_peaks, trace, healthy)
    assert current.argmin() == 2


def test_an_exhaust_valve_that_stays_shut_blows_back_into_the_intake(bench, healthy) -> None:
    trace = faulty(bench, "exhaust_valve_not_opening", 3)
    crest = bench.folded(trace, trace.plenum_kpa[0])
    normal = bench.folded(healthy, healthy.plenum_kpa[0])
    # What was not exhausted comes out when the intake valve opens, at 350 degrees of its own.
    at = round(bench.six.firing_deg[2])
    window = (at + np.arange(350, 400)) % 720
    assert crest[window].max() > normal[window].max() + 1


def test_a_restricted_pipe_raises_the_pressure_before_it(bench, healthy) -> None:
    trace = bench.crank(bench.six, faults=(Fault(kind="exhaust_restriction", size=0.97),))
    keep = bench.steady(trace)
    # All cylinders alike: nothing to compare, but the engine breathes less.
    drops = bench.drops(bench.six, trace)
    assert np.ptp(drops) / drops.mean() < 0.02
    at_tdc = [
        bench.folded(t, t.cylinder_kpa[0], None)[round(bench.six.firing_deg[0] + 300) % 720]
        for t in (trace, healthy)
    ]
    assert at_tdc[0] > at_tdc[1] + 1
    assert trace.rpm[keep].mean() > 100


def test_a_restricted_port_holds_its_own_cylinder_up(bench, healthy) -> None:
    trace = faulty(bench, "exhaust_restriction", 4, size=0.97)
    during = []
    for t in (trace, healthy):
        exhaust_stroke = [
            bench.folded(t, t.cylinder_kpa[c], None)[round(bench.six.firing_deg[c] + 270) % 720]
            for c in range(6)
        ]
        during.append(np.array(exhaust_stroke))
    assert (during[0] - during[1]).argmax() == 3
    assert (during[0] - during[1])[3] > 0.5


def test_late_cams_move_all_pulses_alike(bench, healthy) -> None:
    trace = bench.crank(bench.six, faults=(Fault(kind="cam_timing", size=15.0),))
    drops = bench.drops(bench.six, trace)
    assert np.ptp(drops) / drops.mean() < 0.02
    # The intake closes later: less is compressed.
    assert peaks(bench, trace).max() < peaks(bench, healthy).min()
    dip = [bench.folded(t, t.exhaust_kpa[0], None)[130:200].argmin() for t in (healthy, trace)]
    assert dip[1] - dip[0] == pytest.approx(15, abs=4)


def test_false_air_lessens_the_depression(bench, healthy) -> None:
    trace = bench.crank(bench.six, faults=(Fault(kind="intake_air_leak", size=20.0),))
    keep = bench.steady(trace)
    assert trace.plenum_kpa[0][keep].mean() > healthy.plenum_kpa[0][keep].mean() + 2


def test_a_fault_of_no_size_is_no_fault(bench, healthy) -> None:
    trace = faulty(bench, "ring_leak", 5, size=0.0)
    assert np.array_equal(trace.rpm, healthy.rpm)
    assert np.array_equal(trace.plenum_kpa, healthy.plenum_kpa)


@pytest.mark.parametrize(
    ("scenario", "expected", "found"),
    [
        ({"faults": (Fault(kind="ring_leak", cylinders=(7,), size=1.0),)}, "1 to 6", "7"),
        ({"faults": (Fault(kind="gasket_leak", cylinders=(2,), size=1.0),)}, "2", "[2]"),
        ({"faults": (Fault(kind="ring_leak", size=1.0),)}, "1", "[]"),
        ({"faults": (Fault(kind="worn_lobe", cylinders=(1,), size=1.5),)}, "0 to 1", "1.5"),
        ({"faults": (Fault(kind="ring_leak", cylinders=(1,), size=float("nan")),)}, "0 mm2", "nan"),
        ({"faults": (Fault(kind="bent_rod", cylinders=(1,)),)}, "ring_leak", "bent_rod"),  # type: ignore[arg-type]
        ({"fitted": (FittedPart(cylinder=0, added_volume_cc=9.0),)}, "1 to 6", "0"),
        ({"fitted": (FittedPart(cylinder=1, added_volume_cc=-1.0),)}, "0 cc", "-1"),
    ],
)
def test_impossible_faults_are_refused(bench, scenario: dict[str, object], expected: str, found: str) -> None:
    with pytest.raises(PhysicsError) as error:
        simulate(bench.six, CrankScenario(**scenario))  # type: ignore[arg-type]
    assert expected in error.value.expected and found in error.value.found and error.value.todo


def test_an_impossible_engine_is_an_error_and_not_a_trace_of_nonsense(bench) -> None:
    impossible = dataclasses.replace(bench.six, inertia_kg_m2=1e-9)
    with pytest.raises(PhysicsError, match="real numbers"):
        simulate(impossible, CrankScenario(crank_s=1.0))
