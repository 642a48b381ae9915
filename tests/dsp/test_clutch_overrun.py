"""The crank that runs ahead of its starter's rotor, against a crank, a rotor and a one-way clutch integrated by SciPy.

The equations are written anew here (Newton's second law for both, the circuit law of a motor, a rigid clutch that pushes and
never pulls; gas by the polytropic law p V^n, J. Heywood, Internal Combustion Engine Fundamentals, equation 2.5 and chapter 2)
and share nothing with the code under test but the physics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from evenstroke_dsp.history import History
from evenstroke_dsp.setup import parse_setup
from evenstroke_dsp.speed_shape import SpeedShape
from scipy import signal
from scipy.integrate import solve_ivp

AMBIENT_PA, EXPONENT, RATIO, CLOSES_BEFORE_RAD = 101325.0, 1.3, 10.0, math.radians(130.0)
SWEPT_M3, ROD_OVER_CRANK = 500e-6, 3.4
EMF_V, LOOP_OHM = 11.5, 0.022
RATE_HZ = 1000.0
FOUR = parse_setup(
    """
schema = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
[[probe]]
name = "starter"
role = "starter_current"
input = 0
volts_per_unit = 1.0
"""
)


@dataclass(frozen=True)
class Starter:
    crank_kg_m2: float
    rotor_kg_m2: float
    """As at the crank, like the motor's constant."""
    motor_v_s: float
    friction_nm: float


HEAVY = Starter(crank_kg_m2=0.19, rotor_kg_m2=0.60, motor_v_s=0.37, friction_nm=30.0)
PLAIN = Starter(crank_kg_m2=0.60, rotor_kg_m2=0.02, motor_v_s=0.37, friction_nm=60.0)
"""A flywheel so heavy, and friction so large, that the starter must always push."""


def piston(angle: float) -> tuple[float, float]:
    """Share of its stroke below TDC, and that per radian."""
    root = math.sqrt(ROD_OVER_CRANK**2 - math.sin(angle) ** 2)
    below = (1 + ROD_OVER_CRANK - math.cos(angle) - root) / 2
    return below, (math.sin(angle) + math.sin(angle) * math.cos(angle) / root) / 2


def gas_nm(angle: float) -> float:
    """Of four cylinders that shut in ambient air and lose a third of the pressure after TDC."""
    total = 0.0
    for k in range(4):
        after = (angle - k * math.pi + 2 * math.pi) % (4 * math.pi) - 2 * math.pi
        if abs(after) < CLOSES_BEFORE_RAD:
            clearance = 1 / (RATIO - 1)
            shut, (now, slope) = piston(CLOSES_BEFORE_RAD)[0], piston(after)
            pressure = ((clearance + shut) / (clearance + now)) ** EXPONENT
            if after > 0:
                pressure *= 1 - 0.33 * (1 - math.exp(-math.degrees(after) / 20))
            total += (pressure - 1) * AMBIENT_PA * SWEPT_M3 * slope
    return total


@dataclass(frozen=True, eq=False)
class Turned:
    """Seconds, radians, radians a second, A; shape (samples,)."""

    times: np.ndarray
    angle: np.ndarray
    crank: np.ndarray
    rotor: np.ndarray
    current: np.ndarray


def turned(starter: Starter, seconds: float = 8.0) -> Turned:
    """From a standstill, the clutch engaged; each piece ends where the clutch lets go or takes hold."""
    both = starter.crank_kg_m2 + starter.rotor_kg_m2

    def current(rotor: float) -> float:
        return (EMF_V - starter.motor_v_s * rotor) / LOOP_OHM

    def gas(angle: float) -> float:
        return gas_nm(angle) - starter.friction_nm

    def held(_: float, y):
        rate = (gas(y[0]) + starter.motor_v_s * current(y[1])) / both
        return [y[1], rate, rate]

    def free(_: float, y):
        motor = starter.motor_v_s * current(y[2]) / starter.rotor_kg_m2
        return [y[1], gas(y[0]) / starter.crank_kg_m2, motor]

    def pushes(t: float, y) -> float:
        return starter.motor_v_s * current(y[2]) - starter.rotor_kg_m2 * held(t, y)[2]

    def leads(_: float, y) -> float:
        return y[1] - y[2]

    for event in (pushes, leads):
        event.terminal, event.direction = True, -1
    t, y, holds = 0.0, np.array([math.radians(40.0), 0.0, 0.0]), True
    times, states = [np.array([0.0])], [y[:, None]]
    while t < seconds:
        piece = solve_ivp(
            held if holds else free,
            (t, seconds),
            y,
            events=pushes if holds else leads,
            max_step=1e-3,
            rtol=1e-7,
        )
        t, y = float(piece.t[-1]), piece.y[:, -1]
        times.append(piece.t[1:])
        states.append(piece.y[:, 1:])
        holds = not holds
        if holds:
            y[1:] = y[1]
        else:
            y[1] += 1e-9
    at, state = np.concatenate(times), np.concatenate(states, axis=1)
    grid = np.arange(0.0, at[-1], 1 / RATE_HZ)
    angle, crank, rotor = (np.interp(grid, at, one) for one in state)
    return Turned(grid, angle, crank, rotor, current(rotor))


@pytest.fixture(scope="module")
def heavy() -> Turned:
    return turned(HEAVY)


@pytest.fixture(scope="module")
def plain() -> Turned:
    return turned(PLAIN)


REST_S, LAG_S = 1.0, 0.002


def courses(made: Turned, *, firing: bool) -> list[tuple[np.ndarray, float]]:
    """Each cycle's error in degrees and what was stated; syncs at the first cylinder's firing TDC."""
    rng = np.random.default_rng(4)
    current = np.concatenate([np.zeros(round(REST_S * RATE_HZ)), made.current])
    # The circuit's inductance, of which the equations above know nothing.
    keeps = math.exp(-1 / RATE_HZ / LAG_S)
    current = signal.lfilter([1 - keeps], [1, -keeps], current)
    current = current + 1.0 * rng.standard_normal(current.size)
    history = History()
    history.add(0.0, 1 / RATE_HZ, current[None], np.zeros((1, current.size), dtype=bool))
    shape = SpeedShape(FOUR, history, (0.0, 180.0, 360.0, 540.0) if firing else (), 0.0)
    shape.row = 0
    cycles = np.arange(1, int(made.angle[-1] / (4 * math.pi)) + 1)
    syncs = REST_S + np.interp(4 * math.pi * cycles, made.angle, made.times)
    shape.begin(float(syncs[0]))
    found = []
    for a, b in zip(syncs[:-1].tolist(), syncs[1:].tolist(), strict=True):
        course = shape.between(a, b, 720.0)
        assert course is not None
        true = np.degrees(np.interp(course.times - REST_S, made.times, made.angle)) % 720.0
        found.append((720.0 * course.share - true, course.uncertainty_deg))
    return found[2:]


def rms(errors: list[np.ndarray]) -> float:
    return math.sqrt(float(np.mean(np.concatenate(errors) ** 2)))


def test_the_clutch_of_the_heavy_rotor_lets_go_and_that_of_the_plain_one_does_not(heavy, plain) -> None:
    """What the two tests below rest on."""
    later = heavy.times > 2.0
    assert (heavy.crank - heavy.rotor)[later].max() > 3.0
    np.testing.assert_allclose(plain.crank, plain.rotor, atol=1e-6)


def test_a_crank_that_runs_ahead_of_a_heavy_rotor_is_followed(heavy) -> None:
    with_clutch = courses(heavy, firing=True)
    without = courses(heavy, firing=False)
    assert rms([e for e, _ in without]) > 2.0
    assert rms([e for e, _ in with_clutch]) < min(1.5, 0.5 * rms([e for e, _ in without]))
    for error, stated in with_clutch:
        assert np.abs(error).max() < stated


def test_nothing_is_lost_where_the_starter_always_pushes(plain) -> None:
    with_clutch = courses(plain, firing=True)
    without = courses(plain, firing=False)
    assert rms([e for e, _ in with_clutch]) < rms([e for e, _ in without]) + 0.5
    assert rms([e for e, _ in with_clutch]) < 1.5
    for error, stated in with_clutch:
        assert np.abs(error).max() < stated


def test_a_load_that_no_starter_draws_gives_an_angle_or_none_and_never_an_error() -> None:
    """Steps, spikes and noise a hundred times the current, in the middle of a crank; and clamps that pass no direct current,
    whose mean is next to nothing."""
    rng = np.random.default_rng(8)
    times = np.arange(0.0, 6.0, 1 / RATE_HZ)
    for odd in (
        np.where(times % 1.0 < 0.5, 400.0, 1e-6),
        100.0 + 1e4 * (rng.random(times.size) > 0.99),
        100.0 + 1e4 * rng.standard_normal(times.size),
        100.0 + 99.999 * np.sin(2 * np.pi * times / 0.6),
        *(0.1 + 500.0 * np.cos(2 * np.pi * (times / 0.15 + turn)) for turn in (0.0, 0.25, 0.5, 0.75)),
    ):
        history = History()
        history.add(0.0, 1 / RATE_HZ, odd[None], np.zeros((1, times.size), dtype=bool))
        shape = SpeedShape(FOUR, history, (0.0, 180.0, 360.0, 540.0), 0.0)
        shape.row = 0
        shape.begin(1.0)
        for begins in (1.0, 1.6, 2.2, 2.8):
            course = shape.between(begins, begins + 0.6, 720.0)
            if course is not None:
                assert np.isfinite(course.share).all() and np.isfinite(course.uncertainty_deg)
                assert (np.diff(course.share) > 0).all()
