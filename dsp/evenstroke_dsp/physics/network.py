"""The engine, what is fitted to it and what is wrong with it, as the kernel's nodes and edges.

A fault or a fitted part is nothing but a different node, edge or valve: no effect is put in by hand.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from . import kernel
from .parameters import GAS_CONSTANT_AIR, EngineParameters
from .scenario import HOSE_HEAT_W_K_CC, CrankScenario, Fault, check

MM, MM2, CC, LITRE, KPA = 1e-3, 1e-6, 1e-6, 1e-3, 1e3
CLOSED = 0.0
NO_VALVE = -1
COULOMB_BELOW_RAD_S = 0.2


@dataclass
class Network:
    """What `kernel.run` takes, with the places of the nodes that anybody asks for.

    hose: cylinder -> node of its fitted volume. plenum, tail: group -> node.
    """

    gas: kernel.Gas
    cylinders: kernel.Cylinders
    drive: kernel.Drive
    nodes: kernel.Nodes
    edges: kernel.Edges
    valves: kernel.Valves
    first_k: kernel.Floats
    ambient_pa: float
    plenum: tuple[int, ...]
    tail: tuple[int, ...]
    crankcase: int
    hose: dict[int, int]


class _Edge(NamedTuple):
    tail: int
    head: int
    area: float
    valve: int
    one_way: int


class _Valve(NamedTuple):
    cylinder: int
    opens_deg: float
    duration_deg: float
    full_area: float


@dataclass
class _Builder:
    kind: list[int] = field(default_factory=list)
    volume: list[float] = field(default_factory=list)
    conductance: list[float] = field(default_factory=list)
    wall_k: list[float] = field(default_factory=list)
    edges: list[_Edge] = field(default_factory=list)
    valves: list[_Valve] = field(default_factory=list)

    def node(self, kind: int, *, volume: float = 1.0, conductance: float = 0.0, wall_k: float) -> int:
        self.kind.append(kind)
        self.volume.append(volume)
        self.conductance.append(conductance)
        self.wall_k.append(wall_k)
        return len(self.kind) - 1

    def join(
        self, tail: int, head: int, area: float, *, valve: int = NO_VALVE, one_way: bool = False
    ) -> None:
        if area > 0:
            self.edges.append(_Edge(tail, head, area, valve, int(one_way)))


def build(parameters: EngineParameters, scenario: CrankScenario) -> Network:
    """Raises PhysicsError where a fault or a fitted part does not fit the engine."""
    p = parameters
    check(scenario, p.cylinders)
    faults = scenario.faults
    b = _Builder()
    everyone = range(1, p.cylinders + 1)
    cylinder = {c: b.node(kernel.CYLINDER, wall_k=p.wall_k) for c in everyone}
    atmosphere = b.node(kernel.RESERVOIR, wall_k=p.ambient_k)
    crankcase = b.node(kernel.CRANKCASE, volume=p.crankcase_l * LITRE, conductance=2.0, wall_k=p.wall_k)
    b.join(crankcase, atmosphere, p.breather_mm2 * MM2)

    throttle = p.throttle_leak_mm2 if scenario.throttle == "closed" else p.throttle_open_mm2
    plenum: list[int] = []
    intake_port: dict[int, int] = {}
    for group in p.intake_groups:
        node = b.node(
            kernel.FIXED,
            volume=p.plenum_l * LITRE,
            conductance=p.intake_conductance_w_k,
            wall_k=p.intake_wall_k,
        )
        b.join(atmosphere, node, throttle * MM2)
        if plenum:
            b.join(plenum[-1], node, p.plenum_link_mm2 * MM2)
        plenum.append(node)
        for c in group:
            runner = b.node(
                kernel.FIXED,
                volume=p.runner_cc * CC,
                conductance=0.1 * p.intake_conductance_w_k,
                wall_k=p.intake_wall_k,
            )
            b.join(node, runner, p.runner_mm2 * MM2 * (1 - _size(faults, "intake_restriction", c)))
            intake_port[c] = runner

    tail: list[int] = []
    exhaust_port: dict[int, int] = {}
    for group in p.exhaust_groups:
        manifold, pipe = (
            b.node(
                kernel.FIXED,
                volume=volume * LITRE,
                conductance=p.exhaust_conductance_w_k,
                wall_k=p.exhaust_wall_k,
            )
            for volume in (p.manifold_l, p.tail_l)
        )
        lost = _engine_wide(faults, "exhaust_restriction")
        b.join(manifold, pipe, p.pipe_mm2 * MM2 * (1 - lost))
        b.join(pipe, atmosphere, p.outlet_mm2 * MM2)
        tail.append(pipe)
        exhaust_port.update(dict.fromkeys(group, manifold))

    for c in everyone:
        late = _cam_shift(faults, c)
        lift = p.intake_lift_mm[c - 1] * (1 - _size(faults, "worn_lobe", c))
        if _has(faults, "intake_valve_not_opening", c):
            lift = CLOSED
        _valve(b, p, c, intake_port[c], cylinder[c], lift, p.intake_valve_mm, p.intake_opens_deg + late,
               p.intake_closes_deg - p.intake_opens_deg, 0.0)  # fmt: skip
        lift = CLOSED if _has(faults, "exhaust_valve_not_opening", c) else p.exhaust_lift_mm[c - 1]
        _valve(b, p, c, cylinder[c], exhaust_port[c], lift, p.exhaust_valve_mm, p.exhaust_opens_deg + late,
               p.exhaust_closes_deg - p.exhaust_opens_deg, _size(faults, "exhaust_restriction", c))  # fmt: skip
        leaks = (
            ("ring_leak", p.ring_leak_mm2, crankcase),
            ("intake_valve_leak", p.intake_seat_leak_mm2, intake_port[c]),
            ("exhaust_valve_leak", p.exhaust_seat_leak_mm2, exhaust_port[c]),
        )
        for kind, healthy, to in leaks:
            b.join(cylinder[c], to, (healthy[c - 1] + _size(faults, kind, c)) * MM2)

    for fault in faults:
        if fault.kind == "gasket_leak":
            one, other = fault.cylinders
            b.join(cylinder[one], cylinder[other], fault.size * MM2)
        if fault.kind == "intake_air_leak":
            into = [intake_port[c] for c in fault.cylinders] or plenum[:1]
            b.join(atmosphere, into[0], fault.size * MM2)

    hose: dict[int, int] = {}
    for part in scenario.fitted:
        c = part.cylinder
        if part.plug_removed:
            b.join(cylinder[c], atmosphere, part.hole_mm2 * MM2)
        elif part.added_volume_cc > 0:
            heat = part.heat_w_k if part.heat_w_k is not None else HOSE_HEAT_W_K_CC * part.added_volume_cc
            wall_k = 0.5 * (p.ambient_k + p.wall_k)
            hose[c] = b.node(kernel.FIXED, volume=part.added_volume_cc * CC, conductance=heat, wall_k=wall_k)
            b.join(cylinder[c], hose[c], part.opening_mm2 * MM2, one_way=part.check_valve)

    b.edges.sort(key=lambda e: b.kind[e.tail] == kernel.FIXED == b.kind[e.head])
    gas = kernel.Gas(GAS_CONSTANT_AIR, _real(p.cp_over_r))
    first_k = _real(b.wall_k)
    return Network(
        gas=gas,
        cylinders=kernel.Cylinders(
            np.radians(_real(p.firing_deg)),
            _real(p.clearance_cc) * CC,
            p.stroke_mm * MM / 2,
            p.rod_mm * MM,
            math.pi / 4 * (p.bore_mm * MM) ** 2,
            p.bore_mm * MM,
            p.heat_factor,
        ),
        drive=_drive(p, scenario),
        nodes=kernel.Nodes(_whole(b.kind), _real(b.volume), _real(b.conductance), first_k),
        edges=kernel.Edges(
            tail=_whole(e.tail for e in b.edges),
            head=_whole(e.head for e in b.edges),
            area=_real(e.area for e in b.edges),
            valve=_whole(e.valve for e in b.edges),
            one_way=_whole(e.one_way for e in b.edges),
        ),
        valves=kernel.Valves(
            cylinder=_whole(v.cylinder for v in b.valves),
            opens=_real(math.radians(v.opens_deg % 720) for v in b.valves),
            duration=_real(math.radians(v.duration_deg) for v in b.valves),
            area_at_full_lift=_real(v.full_area for v in b.valves),
        ),
        first_k=first_k,
        ambient_pa=p.ambient_kpa * KPA,
        plenum=tuple(plenum),
        tail=tuple(tail),
        crankcase=crankcase,
        hose=hose,
    )


def _valve(
    b: _Builder,
    p: EngineParameters,
    cylinder: int,
    tail: int,
    head: int,
    lift_mm: float,
    head_mm: float,
    opens_deg: float,
    duration_deg: float,
    port_lost: float,
) -> None:
    """Effective area = discharge x the smaller of curtain and port (Heywood, section 6.3.2)."""
    curtain = p.discharge * math.pi * head_mm * lift_mm * MM2
    port = p.discharge * 0.85 * math.pi / 4 * head_mm**2 * MM2 * (1 - port_lost)
    b.valves.append(_Valve(cylinder - 1, opens_deg, duration_deg, curtain))
    b.join(tail, head, port, valve=len(b.valves) - 1)


def _whole(values: Iterable[int]) -> kernel.Ints:
    return np.array(list(values), dtype=np.int64)


def _real(values: Iterable[float]) -> kernel.Floats:
    return np.array(list(values), dtype=np.float64)


def _drive(p: EngineParameters, scenario: CrankScenario) -> kernel.Drive:
    return kernel.Drive(
        inertia=p.inertia_kg_m2,
        coulomb=p.coulomb_nm,
        viscous=p.viscous_nm_s,
        coulomb_below=COULOMB_BELOW_RAD_S,
        starter_inertia=p.starter_inertia_kg_m2,
        starter_constant=p.starter_constant_v_s,
        starter_efficiency=p.starter_efficiency,
        starter_drag=p.starter_drag_nm,
        armature_ohm=p.armature_ohm,
        inductance=p.starter_inductance_h,
        brush_drop=p.brush_drop_v,
        clutch_stiffness=p.clutch_stiffness_nm,
        clutch_damping=p.clutch_damping_nm_s,
        battery_emf=p.battery_emf_v,
        battery_ohm=p.battery_ohm,
        polarisation_ohm=p.polarisation_ohm,
        polarisation_time=p.polarisation_s,
        accessory_current=p.accessory_a,
        engages=scenario.rest_s,
        releases=scenario.rest_s + scenario.crank_s,
    )


def _matching(faults: tuple[Fault, ...], kind: str, cylinder: int) -> list[Fault]:
    return [f for f in faults if f.kind == kind and cylinder in f.cylinders]


def _has(faults: tuple[Fault, ...], kind: str, cylinder: int) -> bool:
    return bool(_matching(faults, kind, cylinder))


def _size(faults: tuple[Fault, ...], kind: str, cylinder: int) -> float:
    return sum(f.size for f in _matching(faults, kind, cylinder))


def _engine_wide(faults: tuple[Fault, ...], kind: str) -> float:
    return sum(f.size for f in faults if f.kind == kind and not f.cylinders)


def _cam_shift(faults: tuple[Fault, ...], cylinder: int) -> float:
    return _size(faults, "cam_timing", cylinder) + _engine_wide(faults, "cam_timing")
