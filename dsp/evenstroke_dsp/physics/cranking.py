"""Simulate a crank: rest, spin-up, steady cranking, coast. Pure: parameters in, traces out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import kernel
from .network import Network, build
from .parameters import EngineParameters
from .scenario import CrankScenario, PhysicsError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class EnergyBalance:
    """What came and went from start to end of a simulation. Gas: kg and J; crank: J.

    Each pair is equal but for the error of the integration.
    """

    mass_gained_kg: float
    mass_flowed_in_kg: float
    gas_energy_gained_j: float
    gas_energy_supplied_j: float
    crank_energy_gained_j: float
    crank_energy_supplied_j: float
    gas_mass_kg: float
    """In all volumes at the end: what a mass error is small or large against."""
    gas_throughput_j: float
    """Compression and expansion work and heat, in absolute value, as a scale for the energy error."""
    crank_throughput_j: float


@dataclass(frozen=True, kw_only=True)
class CrankTrace:
    """What the engine did: the truth, without a probe's distortion or noise. S samples at even times.

    times_s: (S,), from 0. theta_deg: (S,), engine angle, not wrapped (modulo 720: 0 is the firing TDC of
    the first cylinder in the firing order). rpm: (S,).
    plenum_kpa: (intake groups, S); exhaust_kpa: (exhaust groups, S), in the tail pipe, no travel delay;
    cylinder_kpa: (N, S), row c - 1 is cylinder c; crankcase_kpa: (S,). All absolute.
    hose_kpa: cylinder -> (S,), in the volume fitted to it. current_a, battery_v: (S,).
    """

    times_s: Floats
    theta_deg: Floats
    rpm: Floats
    plenum_kpa: Floats
    exhaust_kpa: Floats
    cylinder_kpa: Floats
    crankcase_kpa: Floats
    hose_kpa: dict[int, Floats]
    current_a: Floats
    battery_v: Floats
    starter_rpm: Floats
    intake_groups: tuple[tuple[int, ...], ...]
    exhaust_groups: tuple[tuple[int, ...], ...]
    ambient_kpa: float
    balance: EnergyBalance


def simulate(parameters: EngineParameters, scenario: CrankScenario) -> CrankTrace:
    """One crank of one engine.

    Deterministic. Holds no lock while it computes: may run in several threads at once.
    Raises PhysicsError where the scenario does not fit the engine, or the step is too long for it.
    """
    network = build(parameters, scenario)
    thin = max(round(1 / scenario.output_hz / scenario.step_s), 1)
    step = 1 / scenario.output_hz / thin
    samples = math.floor(scenario.duration_s * scenario.output_hz) + 1
    state, pressure, temperature = _at_rest(network, parameters, scenario)
    n = network.nodes.kind.size
    mechanics = np.empty((5, samples))
    pressures = np.empty((n, samples))
    imposed = kernel.Imposed(np.empty(0), 1.0)
    if scenario.imposed is not None:
        imposed = kernel.Imposed(np.ascontiguousarray(scenario.imposed.rad_s), scenario.imposed.period_s)
        state[2 * n + kernel.SPEED] = scenario.imposed.rad_s[0]
    first = state.copy()
    written = kernel.run(
        state, pressure, temperature, step, thin, mechanics, pressures, network.gas, network.nodes,
        network.edges, network.valves, network.cylinders, network.drive, imposed,
    )  # fmt: skip
    if written < samples or not np.isfinite(state).all():
        raise PhysicsError(
            "the simulation left the real numbers",
            where=f"{written / scenario.output_hz:.3f} s after its start",
            expected="finite pressures and speeds",
            found=f"step {step * 1e6:.0f} us",
            todo="shorten step_s; if that does not help, one of the engine's parameters is impossible",
        )
    kpa = pressures / 1e3
    return CrankTrace(
        times_s=np.arange(samples) / scenario.output_hz,
        theta_deg=np.degrees(mechanics[0]),
        rpm=mechanics[1] * 30 / math.pi,
        plenum_kpa=kpa[list(network.plenum)],
        exhaust_kpa=kpa[list(network.tail)],
        cylinder_kpa=kpa[: parameters.cylinders],
        crankcase_kpa=kpa[network.crankcase],
        hose_kpa={c: kpa[node] for c, node in network.hose.items()},
        current_a=mechanics[2],
        battery_v=mechanics[3],
        starter_rpm=mechanics[4] * 30 / math.pi,
        intake_groups=parameters.intake_groups,
        exhaust_groups=parameters.exhaust_groups,
        ambient_kpa=parameters.ambient_kpa,
        balance=_balance(network, first, state),
    )


def simulate_many(
    cases: Iterable[tuple[EngineParameters, CrankScenario]],
    map_with: Callable[..., Iterable[CrankTrace]] = map,
) -> Iterator[CrankTrace]:
    """The traces of many cranks, in order.

    map_with: how to spread the work, such as a thread pool's `map`; the caller owns the pool.
    """
    pairs = list(cases)
    yield from map_with(simulate, [p for p, _ in pairs], [s for _, s in pairs])


def resting_angle(parameters: EngineParameters) -> float:
    """Engine angle, degrees, at which an engine usually comes to rest: half-way through the longest
    interval between two firings, where compression and expansion push alike."""
    at = sorted(a % 720 for a in parameters.firing_deg)
    gaps = [b - a for a, b in zip(at, [*at[1:], at[0] + 720], strict=True)]
    longest = max(range(len(gaps)), key=gaps.__getitem__)
    return (at[longest] + gaps[longest] / 2) % 720


def _at_rest(
    network: Network, parameters: EngineParameters, scenario: CrankScenario
) -> tuple[Floats, Floats, Floats]:
    """State, pressures and temperatures of an engine that has stood: ambient pressure everywhere."""
    n = network.nodes.kind.size
    first_deg = scenario.first_deg if scenario.first_deg is not None else resting_angle(parameters)
    angle = math.radians(first_deg)
    temperature = network.first_k.copy()
    pressure = np.full(n, network.ambient_pa)
    state = np.zeros(2 * n + kernel.EXTRA_STATES)
    swept = [
        kernel.swept_volume(
            angle - firing,
            network.cylinders.crank_radius,
            network.cylinders.rod,
            network.cylinders.piston_area,
        )[0]
        for firing in network.cylinders.firing
    ]
    half = network.cylinders.piston_area * network.cylinders.crank_radius
    for i, kind in enumerate(network.nodes.kind):
        if kind == kernel.RESERVOIR:
            continue
        volume = float(network.nodes.volume[i])
        if kind == kernel.CYLINDER:
            volume = float(network.cylinders.clearance[i]) + swept[i]
        elif kind == kernel.CRANKCASE:
            volume += sum(half - s for s in swept)
        mass = network.ambient_pa * volume / (network.gas.gas_constant * temperature[i])
        state[i] = mass
        state[n + i] = mass * kernel.internal_energy_of(network.gas, temperature[i])
    state[2 * n + kernel.ANGLE] = angle
    return state, pressure, temperature


def _balance(network: Network, first: Floats, last: Floats) -> EnergyBalance:
    n = network.nodes.kind.size
    inside = network.nodes.kind != kernel.RESERVOIR
    change = last - first
    extra = change[2 * n :]
    drive = network.drive
    speed = (first[2 * n + kernel.SPEED], last[2 * n + kernel.SPEED])
    heat, work = float(extra[kernel.WALL_HEAT]), float(extra[kernel.GAS_WORK])
    clutch, friction = float(extra[kernel.CLUTCH_WORK]), float(extra[kernel.FRICTION_WORK])
    return EnergyBalance(
        mass_gained_kg=float(change[:n][inside].sum()),
        mass_flowed_in_kg=-float(change[:n][~inside].sum()),
        gas_energy_gained_j=float(change[n : 2 * n][inside].sum()),
        gas_energy_supplied_j=-float(change[n : 2 * n][~inside].sum()) - heat - work,
        crank_energy_gained_j=float(0.5 * drive.inertia * (speed[1] ** 2 - speed[0] ** 2)),
        crank_energy_supplied_j=work + clutch - friction,
        gas_mass_kg=float(last[:n][inside].sum()),
        gas_throughput_j=abs(heat) + abs(work),
        crank_throughput_j=abs(clutch) + abs(friction),
    )
