"""The speed's course as compression makes it: against a differential equation's solver and against simulated engines.

The engines are those of evenstroke_dsp.physics, by the generator of tests/bench/bench_angle.py; their crank angle is the
truth. A real engine's crank: test_real_captures.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenstroke_dsp import compression_course, gas_torque
from evenstroke_dsp.blocks import Block, SampleBlock
from evenstroke_dsp.compression_course import CompressionCourse
from evenstroke_dsp.history import History
from evenstroke_dsp.setup import parse_setup
from scipy.integrate import solve_ivp

LIGHT, RECOVERY = 0.05, 2.0


def setup_of(order: tuple[int, ...], more: str = ""):
    engine = f"schema = 1\n[engine]\ncylinders = {len(order)}\nfiring_order = {list(order)}\n{more}"
    return parse_setup(
        engine + '[[probe]]\nname = "cam"\nrole = "cam_sync"\ninput = 0\ncylinder = 1\noffset_deg = 0\n'
    )


def test_the_course_solves_the_cranks_equation(monkeypatch) -> None:
    """One draw, one engine: scipy's solver integrates du/dx = 2 K tau - (u - 1) / L from the torque alone."""
    monkeypatch.setattr(compression_course, "_DRAWS", np.zeros(1))
    monkeypatch.setattr(compression_course, "_WEAK", 1e-9)
    monkeypatch.setattr(compression_course, "_LIGHTNESS", LIGHT * (4 + compression_course._LIGHTNESS_OFFSET))
    monkeypatch.setattr(compression_course, "_RECOVERY", RECOVERY * LIGHT * 4)
    setup, firing = setup_of((1, 3, 4, 2)), (8.0, 188.0, 368.0, 548.0)
    lasts = 120.0 / compression_course._LIKE_RPM
    course = CompressionCourse(setup, History(), firing, 0.0).between(0.0, lasts, 720.0, math.inf)
    assert course is not None

    step = compression_course._STEP_DEG
    one = compression_course._gas_torque(setup.engine)
    grid = np.arange(0.0, 720.0, step)
    gas = sum(np.interp((grid - f) % 720.0, grid, one, period=720.0) for f in firing)
    gas -= gas.mean()

    def slope(x: float, u: np.ndarray) -> np.ndarray:
        at = math.degrees(x) % 720.0
        return 2 * LIGHT * np.interp(at, grid, gas, period=720.0) - (u - 1.0) / RECOVERY

    turns = 8  # until nothing is left of how it began
    x = np.radians(np.arange((turns - 1) * 720.0, turns * 720.0 + step / 2, step))
    u = solve_ivp(slope, (0.0, float(x[-1])), [1.0], t_eval=x, max_step=math.radians(step), rtol=1e-8).y[0]
    slowness = 1.0 / np.sqrt(u)
    passed = np.concatenate([[0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2)])
    expected = passed / passed[-1] * lasts
    assert np.abs(np.diff(expected)).std() > 0.03 * lasts / x.size  # it is no straight line
    np.testing.assert_allclose(course.times, expected[1:-1], atol=2e-4 * lasts)
    np.testing.assert_allclose(course.share, np.arange(step, 720.0, step) / 720.0)


@pytest.mark.parametrize(
    ("torque_of", "n"),
    [
        (compression_course._gas_torque, compression_course._EXPONENT),
        (lambda engine: gas_torque.gas_torque(engine)[0], gas_torque._EXPONENT),
    ],
)
def test_compression_takes_the_work_that_a_power_law_takes(torque_of, n: float) -> None:
    """Integral of the torque from intake closing to TDC: p1 V1 / (n - 1) ((V1/V2)^(n-1) - 1) - p0 (V1 - V2), over p0 and swept
    volume (polytropic work: any textbook of thermodynamics, e.g. Moran and Shapiro, section 3.15, from memory)."""
    setup = setup_of((1, 3, 4, 2), "compression_ratio = 9.0\n")
    torque = torque_of(setup.engine)
    step = math.radians(compression_course._STEP_DEG)
    before = torque[torque.size // 2 :]
    ratio, rod = 9.0, gas_torque.ROD_OVER_CRANK
    shut = math.radians(720.0 - gas_torque.CLOSES_DEG)
    # Position of a piston above BDC ... of TDC, in strokes: Heywood, equation 2.5.
    below = (1 + rod - math.cos(shut) - math.sqrt(rod**2 - math.sin(shut) ** 2)) / 2
    v2 = 1 / (ratio - 1)
    v1 = v2 + below
    work = v1 / (n - 1) * ((v1 / v2) ** (n - 1) - 1) - (v1 - v2)
    assert -float(before.sum()) * step == pytest.approx(work, rel=0.01)


@pytest.mark.parametrize("name", ["four", "three", "six", "twin 270/450"])
def test_it_is_nearer_than_constant_speed_and_holds_what_it_states(angle, name: str) -> None:
    found = [
        angle.outcome(angle.ENGINES[name], "sync", seed, angle.trace_of(angle.ENGINES[name], seed))
        for seed in range(3)
    ]
    # Over several engines: one may happen to turn nearly evenly, and then no model is much nearer than a straight line.
    ours, line = (np.sqrt(np.mean([getattr(f, by) ** 2 for f in found])) for by in ("ours", "line"))
    assert ours < 0.75 * line
    for one in found:
        assert one.cycles >= 4 and one.held == one.cycles


def test_exhaust_pulses_tell_that_a_cylinder_hardly_compresses(angle) -> None:
    engine = angle.ENGINES["four"]
    trace = angle.trace_of(engine, 0, 5.0)
    by = {basis: angle.outcome(engine, basis, 0, trace) for basis in ("sync", "sync, exhaust")}
    told = by["sync, exhaust"]
    assert told.ours < 0.6 * told.line
    assert told.held == told.cycles
    healthy = angle.outcome(engine, "sync, exhaust", 0, angle.trace_of(engine, 0))
    assert healthy.ours < 0.6 * healthy.line


def test_where_the_model_does_not_reach_nothing_is_said() -> None:
    three = CompressionCourse(setup_of((1, 3, 2)), History(), (0.0, 240.0, 480.0), 0.0)
    assert (
        three.between(0.0, 0.3, 360.0, math.inf) is None
    )  # half a cycle holds no whole number of a three's patterns
    assert three.between(0.0, 0.6, 720.0, math.inf) is not None
    four = CompressionCourse(setup_of((1, 3, 4, 2)), History(), (0.0, 180.0, 360.0, 540.0), 0.0)
    half = four.between(0.0, 0.3, 360.0, math.inf)
    assert half is not None and half.share[-1] == pytest.approx(357.0 / 360.0)
    nowhere = CompressionCourse(setup_of((1, 3, 4, 2)), History(), (), 0.0)
    assert nowhere.between(0.0, 0.6, 720.0, math.inf) is None


def test_a_sync_whose_place_is_doubtful_flattens_the_course() -> None:
    """The mean over places of the sync: nothing is made of a ripple whose phase is not known."""
    firing = (0.0, 180.0, 360.0, 540.0)
    swings = []
    for doubt in (0.0, 15.0, 30.0):
        course = CompressionCourse(setup_of((1, 3, 4, 2)), History(), firing, doubt).between(
            0.0, 0.65, 720.0, math.inf
        )
        assert course is not None
        swings.append(float(np.abs(course.share - course.times / 0.65).max()))
    assert swings[0] > 1.02 * swings[1] > 1.02**2 * swings[2]


def test_any_cut_gives_the_same_stream(angle, bench) -> None:
    setup = angle.setup_of(angle.ENGINES["four"], "sync, exhaust")
    blocks = angle.blocks_of(setup, angle.trace_of(angle.ENGINES["four"], 0))
    expected = bench.as_bytes(bench.run(setup, blocks).messages)
    samples = [b for b in blocks if isinstance(b, SampleBlock)]
    volts = np.concatenate([b.volts for b in samples], axis=1)
    whole: list[Block] = [SampleBlock(samples[0].inputs, volts, samples[0].t0, samples[0].dt)]
    edges = [b for b in blocks if not isinstance(b, SampleBlock)]
    assert bench.as_bytes(bench.run(setup, whole + edges).messages) == expected


def test_what_is_lost_near_the_top_is_missed_all_the_way_down() -> None:
    """Nothing is lost before TDC; after it, pressure is down by the share lost, once three times 18 degrees have gone."""
    engine = setup_of((1, 3, 4, 2)).engine
    whole, lost = gas_torque.gas_torque(engine)
    deg = gas_torque.STEP_DEG * np.arange(gas_torque.STEPS)
    assert not lost[deg > 360.0].any()
    late = (deg > 60.0) & (deg < 130.0)
    rod = gas_torque.ROD_OVER_CRANK
    slope = np.gradient([float(gas_torque.travel(d, rod)) for d in deg], np.radians(deg))
    pressure = whole[late] / slope[late] + 1.0
    np.testing.assert_allclose(-lost[late], pressure * slope[late], rtol=0.04)
