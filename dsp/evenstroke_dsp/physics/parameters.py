"""What an engine is, in numbers: what the set-up says, and priors for what it leaves open.

Sources of the priors: where nothing is named, common practice, no source. They are wide on purpose.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..engine import firing_angles
from ..setup import Setup

PerCylinder = tuple[float, ...]
"""One value for each cylinder, in order of the cylinders' numbers (cylinder 1 first)."""

GAS_CONSTANT_AIR = 287.055
"""J/(kg K), dry air: 8.314463 / 0.0289652 kg/mol (ISO 2533 uses 287.053)."""
CONSTANT_CP_OVER_R = (3.585,)
"""Air at 500 K, about the mean of a motored compression: gamma = 1.387 (VARIABLE_CP_OVER_R at 500 K)."""
VARIABLE_CP_OVER_R = (3.653, -1.337e-3, 3.294e-6, -1.913e-9, 0.2763e-12)
"""Air, 300 to 1000 K. Moran and Shapiro, Fundamentals of Engineering Thermodynamics, table A-21
(from memory; checked against reference libraries by the tests)."""


TARGET_RPM = 215.0
"""Mean speed that a starter is matched for, without the ripple, which costs some of it."""
COLD_BATTERY_K = 60.0
"""A battery's resistance grows by a factor e for so many kelvins of cold: doubled at -22 C
(common practice, no source)."""
SUPPORTED_BATTERY_SHARE = 0.6
"""What is left of a battery's resistance with a second source beside it (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class EngineParameters:
    """A healthy engine, its starter, battery and pipes. Sizes of openings are effective (flow) areas.

    firing_order: maker's numbers, 1 to N. firing_deg: engine angle of each cylinder's firing TDC.
    Valve events: zero lift, crank degrees after the cylinder's own firing TDC.
    intake_groups, exhaust_groups: cylinders that share a plenum, or a manifold and tail pipe of their own;
    plenum, manifold, tail and their openings are given for one group.
    Starter: all referred to the crank (speed as the crank's, torque as at the crank).
    """

    firing_order: tuple[int, ...]
    firing_deg: PerCylinder
    bore_mm: float
    stroke_mm: float
    rod_mm: float
    clearance_cc: PerCylinder
    exhaust_opens_deg: float
    exhaust_closes_deg: float
    intake_opens_deg: float
    intake_closes_deg: float
    intake_valve_mm: float
    exhaust_valve_mm: float
    intake_lift_mm: PerCylinder
    exhaust_lift_mm: PerCylinder
    discharge: float = 0.7
    ring_leak_mm2: PerCylinder
    intake_seat_leak_mm2: PerCylinder
    exhaust_seat_leak_mm2: PerCylinder
    heat_factor: float = 1.0
    wall_k: float
    ambient_k: float = 293.15
    ambient_kpa: float = 101.325
    cp_over_r: tuple[float, ...] = CONSTANT_CP_OVER_R

    intake_groups: tuple[tuple[int, ...], ...]
    plenum_l: float
    throttle_leak_mm2: float
    throttle_open_mm2: float
    plenum_link_mm2: float
    runner_cc: float
    runner_mm2: float
    intake_wall_k: float
    intake_conductance_w_k: float

    exhaust_groups: tuple[tuple[int, ...], ...]
    manifold_l: float
    tail_l: float
    pipe_mm2: float
    outlet_mm2: float
    exhaust_wall_k: float
    exhaust_conductance_w_k: float

    crankcase_l: float
    breather_mm2: float

    inertia_kg_m2: float
    coulomb_nm: float
    viscous_nm_s: float

    starter_inertia_kg_m2: float
    starter_constant_v_s: float
    starter_efficiency: float
    starter_drag_nm: float
    armature_ohm: float
    starter_inductance_h: float
    brush_drop_v: float
    clutch_stiffness_nm: float
    clutch_damping_nm_s: float = 8.0

    battery_emf_v: float
    battery_ohm: float
    polarisation_ohm: float
    polarisation_s: float
    accessory_a: float = 5.0

    @property
    def cylinders(self) -> int:
        return len(self.firing_order)

    @property
    def swept_cc(self) -> float:
        """Of one cylinder."""
        return math.pi / 4 * self.bore_mm**2 * self.stroke_mm * 1e-3

    def compression_ratio(self, cylinder: int) -> float:
        return 1 + self.swept_cc / self.clearance_cc[cylinder - 1]


class _Draw:
    """Values for what is not known: the prior's median, or a draw from it."""

    def __init__(self, rng: np.random.Generator | None) -> None:
        self._rng = rng

    def log_normal(self, median: float, spread: float) -> float:
        """spread: standard deviation of the logarithm, roughly a share."""
        return median if self._rng is None else median * math.exp(spread * float(self._rng.standard_normal()))

    def normal(self, mean: float, deviation: float) -> float:
        return mean if self._rng is None else mean + deviation * float(self._rng.standard_normal())


def parameters_for(setup: Setup, rng: np.random.Generator | None = None) -> EngineParameters:
    """An engine that fits the set-up: what it says is taken, what it leaves open comes from the priors.

    rng: None for the priors' medians; else one draw of everything unknown. All cylinders are alike:
    see `scattered`.
    """
    engine = setup.engine
    draw = _Draw(rng)
    n = engine.cylinders
    angles = firing_angles(engine)

    bore, stroke = engine.bore_mm, engine.stroke_mm
    displacement = engine.displacement_cc
    if displacement is None:
        known = bore is not None and stroke is not None
        displacement = n * (
            math.pi / 4 * bore**2 * stroke * 1e-3  # type: ignore[operator]
            if known
            else draw.log_normal(480.0, 0.2)
        )
    each_mm3 = displacement / n * 1e3
    if bore is None and stroke is None:
        bore = (each_mm3 * 4 / math.pi / draw.log_normal(1.0, 0.08)) ** (1 / 3)
    if bore is None:
        bore = math.sqrt(each_mm3 / stroke * 4 / math.pi)  # type: ignore[operator]
    if stroke is None:
        stroke = each_mm3 / (math.pi / 4 * bore**2)
    rod = engine.rod_mm if engine.rod_mm is not None else stroke * draw.log_normal(1.68, 0.06)
    swept_cc = math.pi / 4 * bore**2 * stroke * 1e-3
    ratio = engine.compression_ratio
    if ratio is None:
        ratio = min(max(draw.normal(10.0, 0.8), 8.0), 14.0)
    litres = swept_cc * n / 1e3

    events = engine.valve_events_deg
    warm_c = setup.conditions.engine_temperature_c
    if warm_c is None:
        warm_c = min(max(draw.normal(60.0, 30.0), -10.0), 105.0)

    ambient_c = min(warm_c, 20.0)

    # Friction at the crank from a friction mean effective pressure, of which some grows with speed and,
    # with the oil's viscosity, toward the cold (common practice, no source: 1 to 1.5 bar warm at cranking
    # speed; an oil that is 100 times as thick at -10 C as at 88 C makes 10 times the friction).
    thickening = math.exp((88.0 - warm_c) / 43.0)
    torque_per_bar = litres * 1e-3 * 1e5 / (4 * math.pi)
    coulomb = torque_per_bar * draw.log_normal(0.65, 0.2)
    viscous = torque_per_bar * draw.log_normal(0.015, 0.3) * thickening

    # A starter that its maker matched to the warm engine: friction and the gas loop (taken as 0.9 bar) are
    # turned at the target speed, and the stall torque is a multiple of that load, a larger one where fewer
    # cylinders make the load more uneven: it must still get the crank over a compression. That fixes
    # constant and resistance: torque = efficiency k (emf - k w) / ohm.
    emf = draw.normal(12.55, 0.1)
    efficiency, brush = 0.85, 1.0
    target = draw.log_normal(TARGET_RPM, 0.12) * math.pi / 30
    load = coulomb + torque_per_bar * (0.015 * target + 0.9)
    share = 1 - 1 / draw.log_normal(3.5 + 8 / n, 0.15)
    constant = share * (emf - brush) / target
    loop_ohm = efficiency * share * (1 - share) * (emf - brush) ** 2 / (target * load)
    warm_battery_ohm = loop_ohm * min(max(draw.normal(0.4, 0.06), 0.2), 0.6)
    armature_ohm = loop_ohm - warm_battery_ohm
    battery_ohm = warm_battery_ohm * math.exp((20.0 - ambient_c) / COLD_BATTERY_K)
    if setup.conditions.battery_support:
        battery_ohm *= SUPPORTED_BATTERY_SHARE

    cylinder_all = tuple(range(1, n + 1))
    port_mm2 = math.pi / 4 * (0.45 * bore) ** 2
    manifold_l = litres * draw.log_normal(0.7, 0.3)
    intake_groups = _groups(setup, ("intake_pulse", "manifold_pressure"), cylinder_all)
    exhaust_groups = _groups(setup, ("exhaust_pulse",), cylinder_all)
    per_plenum, per_pipe = 1 / len(intake_groups), 1 / len(exhaust_groups)
    leak_share = draw.log_normal(1.0, 0.35)

    def one(value: float) -> PerCylinder:
        return (value,) * n

    return EngineParameters(
        firing_order=engine.firing_order,
        firing_deg=tuple(angles[c] for c in cylinder_all),
        bore_mm=bore,
        stroke_mm=stroke,
        rod_mm=rod,
        clearance_cc=one(swept_cc / (ratio - 1)),
        exhaust_opens_deg=_given(events.exhaust_opens, lambda: draw.normal(132.0, 8.0)),
        exhaust_closes_deg=_given(events.exhaust_closes, lambda: draw.normal(374.0, 6.0)),
        intake_opens_deg=_given(events.intake_opens, lambda: draw.normal(350.0, 8.0)),
        intake_closes_deg=_given(events.intake_closes, lambda: draw.normal(592.0, 9.0)),
        intake_valve_mm=0.45 * bore,
        exhaust_valve_mm=0.38 * bore,
        intake_lift_mm=one(0.25 * 0.45 * bore),
        exhaust_lift_mm=one(0.25 * 0.38 * bore),
        ring_leak_mm2=one(0.3 * (swept_cc / 498) ** 0.5 * leak_share),
        intake_seat_leak_mm2=one(0.02 * leak_share),
        exhaust_seat_leak_mm2=one(0.03 * leak_share),
        # Hohenberg's coefficient is for running engines; at cranking speed more of it is needed to bring
        # gauge readings into the trade's range (C: CR 9.4 reads 12 to 14 bar).
        heat_factor=draw.log_normal(1.9, 0.35),
        wall_k=273.15 + warm_c,
        ambient_k=273.15 + ambient_c,
        intake_groups=intake_groups,
        plenum_l=litres * draw.log_normal(1.2, 0.4) * per_plenum,
        throttle_leak_mm2=litres * draw.log_normal(12.0, 0.3) * per_plenum,
        throttle_open_mm2=litres * 500.0 * per_plenum,
        plenum_link_mm2=draw.log_normal(60.0, 0.7),
        runner_cc=swept_cc * draw.log_normal(0.5, 0.2),
        runner_mm2=0.5 * port_mm2 * draw.log_normal(1.0, 0.15),
        intake_wall_k=273.15 + ambient_c + 0.3 * (warm_c - ambient_c),
        intake_conductance_w_k=1.5 * litres * per_plenum,
        exhaust_groups=exhaust_groups,
        manifold_l=manifold_l * per_pipe,
        tail_l=litres * draw.log_normal(4.0, 0.35) * per_pipe,
        pipe_mm2=litres * draw.log_normal(130.0, 0.25) * per_pipe,
        outlet_mm2=litres * draw.log_normal(130.0, 0.3) * per_pipe,
        exhaust_wall_k=273.15 + ambient_c + 0.5 * (warm_c - ambient_c),
        exhaust_conductance_w_k=3.0 * litres * per_pipe,
        crankcase_l=litres * 2.0,
        breather_mm2=40.0,
        inertia_kg_m2=draw.log_normal(0.04 + 0.075 * litres, 0.35),
        coulomb_nm=coulomb,
        viscous_nm_s=viscous,
        # Rotors of 1e-4 to 1e-3 kg m2 behind ratios of 10 (direct) to 60 (reduction gear): 0.02 to 1 and more at the
        # crank (common practice, no source). What a hose does to a companion rests on it more than on anything else.
        starter_inertia_kg_m2=draw.log_normal(0.08 * 2e-3 * load * target, 1.0),
        starter_constant_v_s=constant,
        starter_efficiency=efficiency,
        starter_drag_nm=0.05 * load,
        armature_ohm=armature_ohm,
        starter_inductance_h=loop_ohm * 3e-3,
        brush_drop_v=brush,
        clutch_stiffness_nm=draw.log_normal(4000.0, 0.7),
        battery_emf_v=emf,
        battery_ohm=battery_ohm,
        polarisation_ohm=battery_ohm * draw.log_normal(0.2, 0.3),
        polarisation_s=draw.log_normal(4.0, 0.3),
    )


def scattered(
    parameters: EngineParameters, rng: np.random.Generator, amount: float = 1.0
) -> EngineParameters:
    """The same engine as one out of production: its cylinders differ a little, and it is still healthy.

    amount: 1 for ordinary scatter: standard deviations of 1.5 % in compression volume, 2 % in valve lift,
    27 % (of the logarithm) in each leak, about its mean.
    """

    def vary(values: PerCylinder, spread: float) -> PerCylinder:
        factors = np.exp(amount * spread * rng.standard_normal(len(values)))
        return tuple(float(v * f) for v, f in zip(values, factors, strict=True))

    return dataclasses.replace(
        parameters,
        clearance_cc=vary(parameters.clearance_cc, 0.015),
        intake_lift_mm=vary(parameters.intake_lift_mm, 0.02),
        exhaust_lift_mm=vary(parameters.exhaust_lift_mm, 0.02),
        ring_leak_mm2=vary(parameters.ring_leak_mm2, 0.27),
        intake_seat_leak_mm2=vary(parameters.intake_seat_leak_mm2, 0.27),
        exhaust_seat_leak_mm2=vary(parameters.exhaust_seat_leak_mm2, 0.27),
        coulomb_nm=vary((parameters.coulomb_nm,), 0.05)[0],
    )


def _given(value: float | None, prior: Callable[[], float]) -> float:
    return prior() if value is None else value


def _groups(setup: Setup, roles: tuple[str, ...], everyone: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    """Cylinders that share a plenum or a pipe: what a probe of these roles hears, and the rest."""
    for probe in setup.probe:
        if probe.role in roles and probe.sees is not None and set(probe.sees) != set(everyone):
            heard = tuple(c for c in everyone if c in probe.sees)
            return heard, tuple(c for c in everyone if c not in probe.sees)
    return (everyone,)
