"""Whose a pulse is by its place in time, where a sync alone tells how the crank turns.

Engines are simulated by first principles (dsp/PHYSICS.md says what those were checked against) with draws that no table holds;
whose stroke made a pulse is told by the simulation's own crank angle.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp import place_in_time
from evenstroke_dsp.angle import Rotation
from evenstroke_dsp.blocks import EdgeBlock, SampleBlock
from evenstroke_dsp.cycles import CycleSpan, Place
from evenstroke_dsp.mean_cycle import STEPS, MeanCycle
from evenstroke_dsp.measurement import ProbeMeasurer
from evenstroke_dsp.messages import Cycle, PipelineMessage
from evenstroke_dsp.physics import CrankScenario, CrankTrace, parameters_for, probes, scattered, simulate
from evenstroke_dsp.pipeline import Pipeline
from evenstroke_dsp.pulse_evidence import ShiftPrior
from evenstroke_dsp.pulses_in_time import PULSES_IN_TIME
from evenstroke_dsp.setup import parse_setup

RATE_HZ = 1000.0
FIRING_DEG = {1: 0.0, 3: 240.0, 2: 480.0}
ENGINE = """schema = 1
[engine]
cylinders = 3
firing_order = [1, 3, 2]
"""
SIX = """schema = 1
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
[conditions]
engine_temperature_c = 0
throttle = "closed"
"""
PROBES = """[[probe]]
name = "pulses"
role = "{role}"
input = 0
[[probe]]
name = "cam"
role = "cam_sync"
input = 1
cylinder = 1
offset_deg = {sync}
"""
OWN_DEG = {"intake_pulse": (360.0, 600.0), "exhaust_pulse": (120.0, 360.0)}
SIX_FIRING_DEG = {1: 0.0, 5: 120.0, 3: 240.0, 6: 360.0, 2: 480.0, 4: 600.0}
SIX_OWN_DEG = {"intake_pulse": (380.0, 500.0), "exhaust_pulse": (105.0, 225.0)}
"""Within which a cylinder's own pulse is lowest: its trough, until its intake valve shuts; its dip as its exhaust valve opens. A
six's strokes overlap, and its trough comes once the next one's stroke draws."""


@pytest.fixture(scope="module")
def stalls() -> CrankTrace:
    """A three that comes to less than a tenth of its mean speed before each TDC and races to the next one."""
    setup = parse_setup(ENGINE + '[[probe]]\nname = "i"\nrole = "intake_pulse"\n')
    rng = np.random.default_rng([2, *b"three"])
    engine = scattered(parameters_for(setup, rng), rng)
    trace = simulate(engine, CrankScenario(rest_s=0.4, crank_s=9.0, coast_s=0.0, output_hz=RATE_HZ))
    turning = trace.rpm[(trace.times_s > 3.0) & (trace.times_s < 9.0)]
    assert turning.min() < 0.1 * turning.mean()
    return trace


@pytest.fixture(scope="module")
def cold_six() -> CrankTrace:
    """A six at freezing point, at 113 rpm, whose crank angle inside a cycle a sync alone leaves in doubt."""
    setup = parse_setup(SIX + '[[probe]]\nname = "i"\nrole = "intake_pulse"\n')
    rng = np.random.default_rng([1, 6, 50])
    engine = scattered(parameters_for(setup, rng), rng)
    return simulate(engine, CrankScenario(rest_s=0.3, crank_s=7.0, coast_s=0.0, output_hz=RATE_HZ))


def recorded(
    trace: CrankTrace, role: str, sync_deg: float, *, upside_down: bool, engine: str = ENGINE
) -> list[PipelineMessage]:
    kpa = probes.intake_pulse(trace) if role == "intake_pulse" else probes.exhaust_pulse(trace)
    x = kpa - kpa[trace.times_s > 2.0].mean()
    x = x + 0.02 * float(np.ptp(x)) * np.random.default_rng(5).standard_normal(x.size)
    if upside_down:
        x = -x
    volts = 2.5 + 2.0 * x / float(np.abs(x).max())
    angle = np.maximum.accumulate(trace.theta_deg)
    events = np.arange(
        math.ceil((angle[0] - sync_deg) / 720.0), math.floor((angle[-1] - sync_deg) / 720.0) + 1
    )
    at = np.interp(sync_deg + 720.0 * events, angle + 1e-9 * np.arange(angle.size), trace.times_s)
    edges = np.sort(np.concatenate([at, at + 0.002]))
    rising = np.resize([True, False], edges.size)
    pipeline = Pipeline(parse_setup(engine + PROBES.format(role=role, sync=sync_deg)))
    messages: list[PipelineMessage] = []
    for k in range(0, volts.size, 100):
        begin, end = k / RATE_HZ, (k + 100) / RATE_HZ
        messages += pipeline.push(SampleBlock((0,), volts[None, k : k + 100], begin, 1.0 / RATE_HZ))
        inside = (edges >= begin) & (edges < end)
        messages += pipeline.push(EdgeBlock(1, edges[inside], rising[inside], end))
    return messages + list(pipeline.flush())


@pytest.mark.parametrize(
    ("role", "upside_down"), [("intake_pulse", False), ("intake_pulse", True), ("exhaust_pulse", False)]
)
@pytest.mark.parametrize("sync_deg", [-8.0, 110.0])
def test_a_crank_that_all_but_stalls_names_its_pulses(stalls, role, upside_down, sync_deg) -> None:
    messages = recorded(stalls, role, sync_deg, upside_down=upside_down)
    cycles, named, wrong = whose(messages, stalls, role, FIRING_DEG, OWN_DEG[role])
    assert wrong == 0
    assert named >= 3 * (cycles - 1) > 0


@pytest.mark.parametrize("upside_down", [False, True])
@pytest.mark.parametrize(("role", "sync_deg"), [("intake_pulse", -8.0), ("exhaust_pulse", 110.0)])
def test_a_cold_six_is_named_from_its_second_cycle_on(cold_six, role, sync_deg, upside_down) -> None:
    """In the first one nothing may tell which way up an exhaust probe is, and upside down each pulse is another cylinder's."""
    messages = recorded(cold_six, role, sync_deg, upside_down=upside_down, engine=SIX)
    cycles, named, wrong = whose(messages, cold_six, role, SIX_FIRING_DEG, SIX_OWN_DEG[role])
    assert wrong == 0
    assert named >= 6 * (cycles - 1) > 0


def test_without_such_engines_a_cold_six_stays_open(cold_six, monkeypatch) -> None:
    monkeypatch.setattr(place_in_time, "PULSES_IN_TIME", {})
    messages = recorded(cold_six, "intake_pulse", -8.0, upside_down=False, engine=SIX)
    cycles, named, _ = whose(messages, cold_six, "intake_pulse", SIX_FIRING_DEG, SIX_OWN_DEG["intake_pulse"])
    assert cycles > 2 and named == 0


def whose(
    messages: list[PipelineMessage],
    trace: CrankTrace,
    role: str,
    firing_deg: dict[int, float],
    own_deg: tuple[float, float],
) -> tuple[int, int, int]:
    """How many cycles count, how many of their pulses were named, and how many of those are lowest elsewhere."""
    angle = np.maximum.accumulate(trace.theta_deg)
    named = wrong = 0
    cycles = [m for m in messages if isinstance(m, Cycle) and m.left_out is None]
    for pulse in (p for m in cycles for probe in m.probes for p in probe.pulses):
        lowest_s = pulse.to_s if role == "intake_pulse" else pulse.from_s
        if pulse.cylinder is None or lowest_s is None:
            continue
        at = np.interp(lowest_s, trace.times_s, angle) - firing_deg[pulse.cylinder]
        named += 1
        wrong += not own_deg[0] < at % 720.0 < own_deg[1]
    return len(cycles), named, wrong


def test_even_speed_between_syncs() -> None:
    """Two intervals of 720 degrees, the second one twice as long, whose courses stand still half way."""
    rotation = Rotation(t=[0.0, 0.2, 1.0, 1.4, 3.0], deg=[-8.0, 352.0, 712.0, 1072.0, 1432.0])
    assert rotation.times_at_even_speed(np.array([0.0, 10.0])) is None
    rotation.assumed = [(-8.0, 712.0), (712.0, 1432.0)]
    at = np.array([-8.0, 352.0, 712.0, 1072.0, 1432.0])
    assert rotation.times_at_even_speed(at) == pytest.approx([0.0, 0.5, 1.0, 2.0, 3.0])
    assert rotation.times_at_even_speed(at[:2] - 10.0) is None
    assert rotation.times_at_even_speed(at[3:] + 10.0) is None
    rotation.assumed = [(-8.0, 712.0)]
    assert rotation.times_at_even_speed(at[:3]) is not None
    assert rotation.times_at_even_speed(at[:4]) is None


def test_what_comes_later_does_not_decide_where_a_cycle_s_sync_lies() -> None:
    """A sync every revolution of which one event was missed: whole cycles and half ones follow each other."""
    setup = parse_setup(ENGINE + PROBES.format(role="intake_pulse", sync=-8.0))
    measurer = ProbeMeasurer(setup, setup.probe[0], 0)
    places = tuple(Place(cylinder, None, deg) for cylinder, deg in FIRING_DEG.items())
    rotation = Rotation(t=[0.0, 0.8, 1.2], deg=[-8.0, 712.0, 1072.0], places_known=True)
    rotation.assumed = [(-8.0, 712.0)]
    span = CycleSpan(rotation, 0, 0, -8.0, places)
    assert measurer._sync_between_stalls(span) == pytest.approx(0.0)
    rotation.assumed.append((712.0, 1072.0))
    assert measurer._sync_between_stalls(span) == pytest.approx(0.0)
    rotation.add(1.6, 1432.0)
    rotation.assumed.append((1072.0, 1432.0))
    assert measurer._sync_between_stalls(CycleSpan(rotation, 0, 1, 712.0, places)) is None


def test_every_drawn_engine_dwells_at_its_tdc() -> None:
    """The table is of cranks that are slowest about TDC: between two of them each is ahead of an even speed and seldom behind,
    so that at even speed a pulse comes too early for its cylinder, and never too late."""
    assert {cylinders for _, cylinders, _ in PULSES_IN_TIME} == {2, 3, 4, 5, 6}
    for (_, cylinders, _), draws in PULSES_IN_TIME.items():
        assert len(draws) >= 20
        for _, _, leads, phases in draws:
            assert len(leads) == 8 and len(phases) == min(6, 24 // cylinders)
            if cylinders in (3, 4, 6):
                assert min(leads) > -12 and max(leads) > abs(min(leads)) / 2


@pytest.mark.parametrize(
    ("role", "cylinders", "throttle"), sorted(key for key in PULSES_IN_TIME if key[1] >= 5)
)
def test_each_drawn_engine_is_named_by_the_others(role, cylinders, throttle, monkeypatch) -> None:
    """Left out of the table in its turn: a pulse of its phases, upright and upside down, is its own cylinder's by the others."""
    draws = PULSES_IN_TIME[role, cylinders, throttle]
    firing = np.arange(cylinders) * (720.0 / cylinders)
    x = math.tau * np.arange(STEPS + 1) / STEPS
    prior = ShiftPrior(error_deg=0.0, longest_travel_deg=0.0, half_cycle_open=False, places_known=True)
    for k, (rpm, place, leads, phases) in enumerate(draws):
        monkeypatch.setattr(
            place_in_time,
            "PULSES_IN_TIME",
            {(role, cylinders, throttle): (*draws[:k], *draws[k + 1 :])},
        )
        orders = cylinders * np.arange(1, len(phases) + 1)
        pulse = sum(
            np.cos(m * (x - math.radians(leads[0]) / 2.0) + math.radians(phase)) / m
            for m, phase in zip(orders.tolist(), phases, strict=True)
        )
        times = np.linspace(0.0, 120.0 / rpm, STEPS + 1)
        for upside_down in (False, True):
            mean = MeanCycle()
            for _ in range(3):
                mean.add(-pulse if upside_down else pulse, times, firing)
            found = place_in_time.place_in_time(
                mean, role, None if throttle == "any" else throttle, cylinders, 0.0, prior, corner_known=True
            )
            assert found is not None
            told = found.told(place + leads[0], inverted=upside_down)
            assert told > math.log(20.0)
