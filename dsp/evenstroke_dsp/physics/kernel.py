"""The compiled part: one cranking engine, stepped in time.

Everything that is compiled stands in this one file: numba's cache notices a change in the file of
the function that it compiled, not in what that function calls elsewhere.

The engine is a network. A node is a body of gas of one pressure and temperature (0-D, ideal gas):
a reservoir, a fixed volume, a cylinder, or the crankcase. An edge lets gas through from node to node
like a nozzle, both ways: a fixed opening or a valve. All quantities are SI; angles are radians.

The state that is integrated, in one vector:

    y[0:n]      mass of each node, kg (of a reservoir: what has flowed into it since the start)
    y[n:2n]     internal energy of each node, J (of a reservoir: the enthalpy that has flowed in)
    y[2n + k]   crank, starter, battery, and the energies that close the balance: see the indices below

Method: Heun's (explicit trapezoidal rule, second order), fixed step.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

F = TypeVar("F", bound=Callable[..., Any])
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RESERVOIR, FIXED, CYLINDER, CRANKCASE = 0, 1, 2, 3
"""Kinds of node."""

ANGLE, SPEED, STARTER_SPEED, WIND_UP, CURRENT, POLARISATION = 0, 1, 2, 3, 4, 5
WALL_HEAT, GAS_WORK, FRICTION_WORK, CLUTCH_WORK = 6, 7, 8, 9
EXTRA_STATES = 10
"""Places after the gas in the state vector. WALL_HEAT: heat that walls took from the gas, J.
GAS_WORK: p dV of the gas on its walls, J. FRICTION_WORK: taken by friction. CLUTCH_WORK: from the
starter into the crank."""

TWO_PI = 2.0 * math.pi
CYCLE = 2.0 * TWO_PI
LEVELLING_SHARE = 0.8
"""Most of what would level two nodes' pressures that may flow through one edge in one step. The slope of
the nozzle formula is infinite at equal pressures, which no fixed step survives; this straight line
through zero replaces it there, as far out as the step requires (the shorter the step, the less far). Two
such edges at one node, 1.6, stay within the method's limit of stability, 2. Between two fixed volumes
(plenum and runner) that line would hide the opening's own resistance: there the flow is the one that
the difference at the END of the step drives, all other flows being known. With q the nozzle's flow at
the difference without this edge, and a the flow that would level it in one step, flow f obeys
(f / q)^2 = 1 - f / a, which no step can make unstable and which in steady flow is exact."""
LETS_GO = 1e-3
"""Time constant, s, with which current and wind-up vanish once the starter is released."""


def compiled(function: F) -> F:
    """The function compiled by numba, cached on disk where a cache can be written.

    An installation may be read-only with no home to write to either: it then compiles anew
    in every process instead of failing at import.
    """
    try:
        return cast(F, numba.njit(function, cache=True, nogil=True, error_model="numpy"))
    except RuntimeError:
        return cast(F, numba.njit(function, nogil=True, error_model="numpy"))


class Gas(NamedTuple):
    """Ideal gas of one composition. cp(T) / R is a polynomial in T (K), lowest power first."""

    gas_constant: float
    cp_over_r: Floats


class Nodes(NamedTuple):
    kind: Ints
    volume: Floats  # m3 of FIXED and CRANKCASE (with all pistons at mid-volume)
    conductance: Floats  # W/K to the wall, of all but cylinders
    wall_k: Floats


class Edges(NamedTuple):
    """area: effective (flow) area, m2; of an edge that is a valve, the largest that its port passes.

    Edges between two fixed volumes come last: their flow answers to what all others do.
    """

    tail: Ints
    head: Ints
    area: Floats
    valve: Ints  # index into Valves, -1 for a fixed opening
    one_way: Ints  # 1: only from tail to head


class Valves(NamedTuple):
    cylinder: Ints
    opens: Floats  # rad after the cylinder's firing TDC
    duration: Floats  # rad
    area_at_full_lift: Floats  # effective curtain area at full lift, m2


class Cylinders(NamedTuple):
    """The first nodes of the network are the cylinders, in this order."""

    firing: Floats  # crank angle of each firing TDC, rad
    clearance: Floats  # m3
    crank_radius: float
    rod: float
    piston_area: float
    bore: float
    heat_factor: float


class Drive(NamedTuple):
    inertia: float
    coulomb: float
    viscous: float
    coulomb_below: float  # rad/s under which Coulomb friction fades to zero
    starter_inertia: float  # all of the starter is referred to the crank
    starter_constant: float  # V s/rad = N m/A
    starter_efficiency: float
    starter_drag: float
    armature_ohm: float
    inductance: float
    brush_drop: float
    clutch_stiffness: float
    clutch_damping: float
    battery_emf: float
    battery_ohm: float
    polarisation_ohm: float
    polarisation_time: float
    accessory_current: float
    engages: float  # s
    releases: float


class Imposed(NamedTuple):
    """A crank speed prescribed at even times from 0 on; none where speed is empty."""

    speed: Floats  # rad/s
    period: float


@compiled
def cp_of(gas: Gas, temperature: float) -> float:
    """Specific heat at constant pressure, J/(kg K)."""
    value = 0.0
    for k in range(gas.cp_over_r.size - 1, -1, -1):
        value = value * temperature + gas.cp_over_r[k]
    return value * gas.gas_constant


@compiled
def gamma_of(gas: Gas, temperature: float) -> float:
    """Ratio of the specific heats."""
    cp = cp_of(gas, temperature)
    return cp / (cp - gas.gas_constant)


@compiled
def internal_energy_of(gas: Gas, temperature: float) -> float:
    """Specific internal energy, J/kg, zero where the polynomial's integral is (0 K)."""
    value = 0.0
    for k in range(gas.cp_over_r.size - 1, -1, -1):
        value = (value + gas.cp_over_r[k] / (k + 1)) * temperature
    return (value - temperature) * gas.gas_constant


@compiled
def temperature_of(gas: Gas, energy: float, first_guess: float) -> float:
    """Temperature, K, at which the specific internal energy is `energy`: Newton's iteration.

    Exact after one step where the heat capacity is constant.
    """
    temperature = first_guess
    for _ in range(20):
        change = (energy - internal_energy_of(gas, temperature)) / (
            cp_of(gas, temperature) - gas.gas_constant
        )
        temperature += change
        if abs(change) < 1e-9 * temperature:
            break
    return temperature


@compiled
def nozzle_flux(gamma: float, ratio: float) -> float:
    """Mass flow through an isentropic nozzle, made dimensionless: mdot sqrt(R T0) / (A p0).

    ratio: pressure behind over stagnation pressure before, 0 to 1. Heywood, Internal Combustion Engine
    Fundamentals, appendix C, eqs. C.8 (not choked) and C.9 (choked).
    """
    if ratio < 0.6:
        critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
        ratio = max(ratio, critical)
    root = ratio ** (1.0 / gamma)
    return math.sqrt(2.0 * gamma / (gamma - 1.0) * max(root * root - root * ratio, 0.0))


@compiled
def swept_volume(angle: float, crank_radius: float, rod: float, piston_area: float) -> tuple[float, float]:
    """Volume that the piston has left behind since TDC, m3, and its slope, m3/rad.

    Heywood, chapter 2, eqs. 2.4 and 2.5: s = a cos(angle) + sqrt(l2 - a2 sin2(angle)).
    """
    sine, cosine = math.sin(angle), math.cos(angle)
    root = math.sqrt(rod * rod - crank_radius * crank_radius * sine * sine)
    travel = rod + crank_radius - (crank_radius * cosine + root)
    slope = crank_radius * sine * (1.0 + crank_radius * cosine / root)
    return piston_area * travel, piston_area * slope


@compiled
def lift_share(since_opening: float, duration: float) -> float:
    """Valve lift as a share of full lift, since_opening in [0, 720 degrees): sin squared, zero at both events."""
    if since_opening >= duration:
        return 0.0
    sine = math.sin(math.pi * since_opening / duration)
    return sine * sine


@compiled
def cylinder_heat_coefficient(
    volume: float, pressure: float, temperature: float, piston_speed: float
) -> float:
    """Gas to wall, W/(m2 K). Hohenberg, SAE paper 790825 (1979), from memory:
    h = 130 V^-0.06 p^0.8 T^-0.4 (mean piston speed + 1.4)^0.8; V in m3, p in bar, T in K, speed in m/s."""
    return 130.0 * math.exp(
        -0.06 * math.log(volume)
        + 0.8 * math.log(pressure * 1e-5 * (piston_speed + 1.4))
        - 0.4 * math.log(temperature)
    )


@compiled
def derivative(
    time: float,
    step: float,
    y: Floats,
    dy: Floats,
    pressure: Floats,
    temperature: Floats,
    volume: Floats,
    volume_slope: Floats,
    gas: Gas,
    nodes: Nodes,
    edges: Edges,
    valves: Valves,
    cylinders: Cylinders,
    drive: Drive,
    imposed: Imposed,
) -> None:
    """dy = dy/dt at that state. pressure, temperature, volume, volume_slope (n nodes): filled on the way;
    temperature carries the last value in as a first guess, and the reservoirs' own; pressure the reservoirs'."""
    n = nodes.kind.size
    n_cylinders = cylinders.firing.size
    extra = 2 * n
    angle, speed = y[extra + ANGLE], y[extra + SPEED]
    if imposed.speed.size > 0:
        at = time / imposed.period
        k = min(max(int(at), 0), imposed.speed.size - 2)
        speed = imposed.speed[k] + (at - k) * (imposed.speed[k + 1] - imposed.speed[k])

    half_stroke_volume = cylinders.piston_area * cylinders.crank_radius
    below_pistons = 0.0
    for c in range(n_cylinders):
        swept, slope = swept_volume(
            angle - cylinders.firing[c], cylinders.crank_radius, cylinders.rod, cylinders.piston_area
        )
        volume[c] = cylinders.clearance[c] + swept
        volume_slope[c] = slope
        below_pistons += half_stroke_volume - swept
    total_slope = 0.0
    for c in range(n_cylinders):
        total_slope += volume_slope[c]

    for i in range(n):
        dy[i] = 0.0
        dy[n + i] = 0.0
        kind = nodes.kind[i]
        if kind == RESERVOIR:
            continue
        if kind == FIXED:
            volume[i] = nodes.volume[i]
            volume_slope[i] = 0.0
        elif kind == CRANKCASE:
            volume[i] = nodes.volume[i] + below_pistons
            volume_slope[i] = -total_slope
        temperature[i] = temperature_of(gas, y[n + i] / y[i], temperature[i])
        pressure[i] = y[i] * gas.gas_constant * temperature[i] / volume[i]

    for e in range(edges.tail.size):
        area = edges.area[e]
        v = edges.valve[e]
        if v >= 0:
            since = (angle - cylinders.firing[valves.cylinder[v]] - valves.opens[v]) % CYCLE
            if since >= valves.duration[v]:
                continue
            area = min(area, valves.area_at_full_lift[v] * lift_share(since, valves.duration[v]))
        if area <= 0.0:
            continue
        up, down = edges.tail[e], edges.head[e]
        difference = pressure[up] - pressure[down]
        settles = nodes.kind[up] == FIXED and nodes.kind[down] == FIXED
        if settles:
            gamma = gamma_of(gas, temperature[up])
            rate = dy[n + up] / volume[up] - dy[n + down] / volume[down]
            difference += step * (gamma - 1.0) * rate
        if difference < 0.0:
            if edges.one_way[e] == 1:
                continue
            up, down, difference = down, up, -difference
        t_up = temperature[up]
        gamma = gamma_of(gas, t_up)
        flow = (
            area
            * pressure[up]
            / math.sqrt(gas.gas_constant * t_up)
            * nozzle_flux(gamma, max(1.0 - difference / pressure[up], 0.0))
        )
        yielding = 0.0
        if nodes.kind[up] != RESERVOIR:
            yielding += t_up / volume[up]
        if nodes.kind[down] != RESERVOIR:
            yielding += t_up / volume[down]
        if yielding > 0.0 and difference > 0.0:
            levelling = difference / (gamma * gas.gas_constant * yielding) / step
            if settles:
                share = flow / levelling
                flow *= 2.0 / (share + math.sqrt(share * share + 4.0))
            else:
                flow = min(flow, LEVELLING_SHARE * levelling)
        enthalpy = flow * (internal_energy_of(gas, t_up) + gas.gas_constant * t_up)
        dy[up] -= flow
        dy[down] += flow
        dy[n + up] -= enthalpy
        dy[n + down] += enthalpy

    torque = 0.0
    heat_total = 0.0
    piston_speed = 2.0 * cylinders.crank_radius * abs(speed) / math.pi
    for i in range(n):
        kind = nodes.kind[i]
        if kind == RESERVOIR:
            continue
        if kind == CYLINDER:
            heat = 0.0
            if cylinders.heat_factor > 0.0:
                wall = (
                    2.0 * cylinders.piston_area + 4.0 * (volume[i] - cylinders.clearance[i]) / cylinders.bore
                )
                heat = (
                    cylinders.heat_factor
                    * cylinder_heat_coefficient(volume[i], pressure[i], temperature[i], piston_speed)
                    * wall
                    * (temperature[i] - nodes.wall_k[i])
                )
        else:
            heat = nodes.conductance[i] * (temperature[i] - nodes.wall_k[i])
        dy[n + i] -= heat + pressure[i] * volume_slope[i] * speed
        heat_total += heat
        torque += pressure[i] * volume_slope[i]

    starter_speed = y[extra + STARTER_SPEED]
    wind_up = y[extra + WIND_UP]
    current = y[extra + CURRENT]
    on = drive.engages <= time < drive.releases and imposed.speed.size == 0

    clutch = 0.0
    wind_up_rate = 0.0
    if on:
        slip = starter_speed - speed
        if wind_up > 0.0 or slip > 0.0:
            clutch = max(drive.clutch_stiffness * wind_up + drive.clutch_damping * slip, 0.0)
            wind_up_rate = slip
    elif wind_up > 0.0:
        wind_up_rate = -wind_up / LETS_GO  # the pinion has left the ring

    friction = drive.coulomb * math.tanh(speed / drive.coulomb_below) + drive.viscous * speed
    dy[extra + ANGLE] = speed
    dy[extra + SPEED] = 0.0
    if imposed.speed.size == 0:
        dy[extra + SPEED] = (torque + clutch - friction) / drive.inertia
    drag = drive.starter_drag * math.tanh(starter_speed)
    dy[extra + STARTER_SPEED] = (
        drive.starter_efficiency * drive.starter_constant * current - drag - clutch
    ) / drive.starter_inertia
    dy[extra + WIND_UP] = wind_up_rate

    terminal = (
        drive.battery_emf - y[extra + POLARISATION] - drive.battery_ohm * (current + drive.accessory_current)
    )
    if on:
        driving = terminal - drive.brush_drop * math.tanh(current)
        dy[extra + CURRENT] = (
            driving - drive.armature_ohm * current - drive.starter_constant * starter_speed
        ) / drive.inductance
    else:
        dy[extra + CURRENT] = -current / LETS_GO  # the contacts open
    dy[extra + POLARISATION] = (
        drive.polarisation_ohm * current - y[extra + POLARISATION]
    ) / drive.polarisation_time

    dy[extra + WALL_HEAT] = heat_total
    dy[extra + GAS_WORK] = torque * speed
    dy[extra + FRICTION_WORK] = friction * speed
    dy[extra + CLUTCH_WORK] = clutch * speed


@compiled
def run(
    y: Floats,
    pressure: Floats,
    temperature: Floats,
    step: float,
    thin: int,
    out_mechanics: Floats,
    out_pressure: Floats,
    gas: Gas,
    nodes: Nodes,
    edges: Edges,
    valves: Valves,
    cylinders: Cylinders,
    drive: Drive,
    imposed: Imposed,
) -> int:
    """Step the engine and write every `thin`-th state; y ends as the last state.

    out_mechanics: (5, samples): angle, speed, current, battery voltage, starter speed.
    out_pressure: (nodes, samples), Pa.
    Returns the number of samples written: fewer than asked where a state ceased to be finite.
    """
    n = nodes.kind.size
    extra = 2 * n
    size = y.size
    first, second, middle = np.empty(size), np.empty(size), np.empty(size)
    volume, slope = np.empty(n), np.empty(n)
    samples: int = out_mechanics.shape[1]
    for s in range(samples):
        for k in range(thin):
            time = (s * thin + k) * step
            derivative(
                time, step, y, first, pressure, temperature, volume, slope,
                gas, nodes, edges, valves, cylinders, drive, imposed,
            )  # fmt: skip
            if k == 0:
                out_mechanics[0, s] = y[extra + ANGLE]
                out_mechanics[1, s] = first[extra + ANGLE]
                out_mechanics[2, s] = y[extra + CURRENT]
                out_mechanics[3, s] = (
                    drive.battery_emf
                    - y[extra + POLARISATION]
                    - drive.battery_ohm * (y[extra + CURRENT] + drive.accessory_current)
                )
                out_mechanics[4, s] = y[extra + STARTER_SPEED]
                for i in range(n):
                    out_pressure[i, s] = pressure[i]
                if not math.isfinite(y[extra + SPEED]):
                    return s
            for j in range(size):
                middle[j] = y[j] + step * first[j]
            derivative(
                time + step, step, middle, second, pressure, temperature, volume, slope,
                gas, nodes, edges, valves, cylinders, drive, imposed,
            )  # fmt: skip
            for j in range(size):
                y[j] += 0.5 * step * (first[j] + second[j])
            y[extra + WIND_UP] = max(y[extra + WIND_UP], 0.0)
            y[extra + CURRENT] = max(y[extra + CURRENT], 0.0)
    return samples
