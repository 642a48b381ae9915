"""What one may ask the physics for: set-ups, scenarios, batches, and what it refuses."""

from __future__ import annotations

import dataclasses
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from evenstroke_dsp.physics import (
    CrankScenario,
    Fault,
    FittedPart,
    PhysicsError,
    fitted_parts,
    parameters_for,
    resting_angle,
    scattered,
    scenario_for,
    simulate,
    simulate_many,
)
from evenstroke_dsp.setup import parse_setup

SHORT = {"rest_s": 0.1, "crank_s": 0.5, "coast_s": 0.1, "output_hz": 2000.0}

WITH_PARTS = """
schema = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
[conditions]
fuel = "clear_flood"
battery_support = true
acknowledged = ["plug_out_ignition_on"]
[[probe]]
name = "p3"
role = "cylinder_pressure"
cylinder = 3
added_volume_cc = 9.0
[[probe]]
name = "p4"
role = "cylinder_pressure"
cylinder = 4
[[fitted]]
what = "compression hose"
cylinder = 2
added_volume_cc = 12.0
check_valve = true
[[fitted]]
what = "plug out"
cylinder = 1
plug_removed = true
"""


def test_what_the_set_up_says_is_taken(bench) -> None:
    p = bench.six
    assert (p.bore_mm, p.stroke_mm, p.rod_mm) == (88.0, 81.9, 140.0)
    assert p.compression_ratio(4) == pytest.approx(9.4)
    assert p.swept_cc * 6 == pytest.approx(2988, rel=1e-3)
    assert (p.exhaust_opens_deg, p.exhaust_closes_deg, p.intake_opens_deg, p.intake_closes_deg) == (
        140,
        375,
        350,
        590,
    )
    # Firing order 1-5-3-6-2-4, 120 degrees apart.
    assert p.firing_deg == pytest.approx((0, 480, 240, 600, 120, 360))


def test_what_it_leaves_open_is_drawn_and_repeats_by_seed(bench) -> None:
    first, again, other = (
        bench.engine(4, [1, 3, 4, 2], rng=np.random.default_rng(seed)) for seed in (1, 1, 2)
    )
    assert first == again
    assert first != other
    assert scattered(first, np.random.default_rng(5)) == scattered(first, np.random.default_rng(5))
    assert scattered(first, np.random.default_rng(5)) != first
    assert scattered(first, np.random.default_rng(5), amount=0.0) == first


def test_fitted_parts_and_throttle_come_from_the_set_up() -> None:
    setup = parse_setup(WITH_PARTS)
    scenario = scenario_for(setup)
    assert scenario.throttle == "open"  # clear-flood holds it open
    parts = {part.cylinder: part for part in scenario.fitted}
    assert parts[3].added_volume_cc == 9.0
    assert parts[4].added_volume_cc > 0  # not said, but a transducer always has some
    assert parts[2].check_valve and parts[2].added_volume_cc == 12.0
    assert parts[1].plug_removed
    drawn = {part.cylinder: part for part in fitted_parts(setup, np.random.default_rng(4))}
    assert drawn[3].added_volume_cc == 9.0
    assert drawn[4].added_volume_cc != parts[4].added_volume_cc
    assert drawn[3].opening_mm2 != parts[3].opening_mm2


def test_battery_support_holds_the_voltage_up() -> None:
    supported = parse_setup(WITH_PARTS)
    alone = parse_setup(WITH_PARTS.replace("battery_support = true", "battery_support = false"))
    lowest = [simulate(parameters_for(s), CrankScenario(**SHORT)).battery_v.min() for s in (supported, alone)]
    assert lowest[0] > lowest[1] + 0.3


def test_engines_rest_between_compressions(bench) -> None:
    assert resting_angle(bench.six) == pytest.approx(60)
    uneven = bench.engine(2, [1, 2], "firing_intervals_deg = [270, 450]")
    assert resting_angle(uneven) == pytest.approx(270 + 225)


def test_a_crank_repeats_exactly_alone_or_in_a_batch(bench) -> None:
    cases = [
        (bench.six, CrankScenario(**SHORT)),
        (bench.six, CrankScenario(**SHORT, fitted=(FittedPart(cylinder=2, added_volume_cc=9.0),))),
        (bench.engine(4, [1, 3, 4, 2]), CrankScenario(**SHORT)),
    ]
    alone = [simulate(*case) for case in cases]
    with ThreadPoolExecutor(2) as pool:
        together = list(simulate_many(cases, pool.map))
    for one, other in zip(alone, together, strict=True):
        assert np.array_equal(one.cylinder_kpa, other.cylinder_kpa)
        assert np.array_equal(one.theta_deg, other.theta_deg)


def test_traces_have_the_shapes_they_promise(bench) -> None:
    trace = simulate(bench.six, CrankScenario(**SHORT, fitted=(FittedPart(cylinder=2, added_volume_cc=9.0),)))
    samples = trace.times_s.size
    assert samples == round(0.7 * 2000) + 1
    assert np.diff(trace.times_s) == pytest.approx(1 / 2000)
    for one in (
        trace.theta_deg,
        trace.rpm,
        trace.current_a,
        trace.battery_v,
        trace.crankcase_kpa,
        trace.hose_kpa[2],
    ):
        assert one.shape == (samples,)
    assert trace.plenum_kpa.shape == trace.exhaust_kpa.shape == (1, samples)
    assert trace.cylinder_kpa.shape == (6, samples)


@pytest.mark.parametrize(
    ("scenario", "says"),
    [
        ({"fitted": (FittedPart(cylinder=7, added_volume_cc=9.0),)}, "no such cylinder"),
        ({"fitted": (FittedPart(cylinder=1, added_volume_cc=-1.0),)}, "volume below zero"),
        ({"faults": (Fault(kind="ring_leak", cylinders=(0,), size=1.0),)}, "no such cylinder"),
        ({"faults": (Fault(kind="gasket_leak", cylinders=(1,), size=1.0),)}, "wrong number of cylinders"),
        ({"faults": (Fault(kind="gasket_leak", cylinders=(1, 1), size=1.0),)}, "wrong number of cylinders"),
        ({"faults": (Fault(kind="ring_leak", cylinders=(1,), size=-1.0),)}, "not a size"),
        ({"faults": (Fault(kind="worn_lobe", cylinders=(1,), size=1.5),)}, "not a size"),
        ({"faults": (Fault(kind="rust", cylinders=(1,), size=1.5),)}, "no such fault"),  # type: ignore[arg-type]
        ({"faults": (Fault(kind="ring_leak", cylinders=(1,), size=float("nan")),)}, "not a size"),
        ({"faults": (Fault(kind="cam_timing", size=float("inf")),)}, "not a size"),
    ],
)
def test_what_an_engine_cannot_have_is_refused(bench, scenario: dict[str, object], says: str) -> None:
    with pytest.raises(PhysicsError, match=says):
        simulate(bench.six, CrankScenario(**SHORT, **scenario))


def test_a_step_that_is_too_long_is_said_not_hidden(bench) -> None:
    impossible = dataclasses.replace(bench.six, starter_inductance_h=1e-9)
    with pytest.raises(PhysicsError, match="left the real numbers") as caught:
        simulate(impossible, CrankScenario(**SHORT))
    assert "shorten step_s" in str(caught.value)
