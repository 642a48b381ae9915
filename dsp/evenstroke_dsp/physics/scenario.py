"""What is done with the engine: how long it is cranked, what is fitted to it, what is wrong with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from evenstroke_protocol.errors import EvenstrokeError
from numpy.typing import NDArray

from ..messages import FaultKind
from ..setup import Setup

FAULT_UNITS: dict[FaultKind, str] = {
    "intake_valve_leak": "mm2",
    "exhaust_valve_leak": "mm2",
    "ring_leak": "mm2",
    "gasket_leak": "mm2",
    "intake_restriction": "share",
    "exhaust_restriction": "share",
    "worn_lobe": "share",
    "intake_valve_not_opening": "",
    "exhaust_valve_not_opening": "",
    "cam_timing": "deg",
    "intake_air_leak": "mm2",
}
"""Unit of each fault's size; empty for what is there or not."""
SIZES_BY_UNIT = {"mm2": (0.0, 1000.0), "share": (0.0, 1.0), "deg": (-180.0, 180.0), "": (0.0, 0.0)}
"""Least and most that a size can be."""


HOSE_HEAT_W_K_CC = 0.05
"""W/K per cc of a hose of a few millimetres' bore (arithmetic: Nusselt number 10, 6 mm bore, air at 400 K
gives 57 W/(m2 K) on 0.67 m2 per litre, about 0.04 W/K per cc)."""


class PhysicsError(EvenstrokeError):
    """The simulation was asked for something that its engine cannot have, or left the real numbers."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault and its size.

    cylinders: whom it concerns. Two for gasket_leak. None at all means the whole engine: all cylinders
    for cam_timing, the pipe for exhaust_restriction, the plenum for intake_air_leak.
    size, by kind: leaks and air leaks: effective area ADDED, mm2. Restrictions: share of the runner's or
    port's (or, without cylinder, the pipe's) area that is lost, 0 to 1. worn_lobe: share of the lift that
    is lost, on the intake side, at unchanged opening and closing angles. cam_timing: crank degrees,
    positive late, both cams. Valves not opening: no size.
    """

    kind: FaultKind
    cylinders: tuple[int, ...] = ()
    size: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FittedPart:
    """A hose or transducer in a plug hole, or the open hole.

    opening_mm2: effective area between cylinder and volume. heat_w_k: conductance of the volume's wall;
    None: HOSE_HEAT_W_K_CC for each cc.
    plug_removed: hole_mm2 open to the atmosphere.
    """

    cylinder: int
    added_volume_cc: float = 0.0
    opening_mm2: float = 8.0
    heat_w_k: float | None = None
    check_valve: bool = False
    plug_removed: bool = False
    hole_mm2: float = 90.0


@dataclass(frozen=True, kw_only=True)
class ImposedSpeed:
    """A prescribed crank speed: rad/s at times 0, period, 2 period... The starter then stands still."""

    rad_s: NDArray[np.float64]
    period_s: float


@dataclass(frozen=True, kw_only=True)
class CrankScenario:
    """Rest, crank, coast. rest_s, crank_s, coast_s: durations; the starter is engaged for crank_s.

    first_deg: engine angle at rest; None: where the compressions of a healthy engine of this kind leave
    it, about half-way between two firing TDCs.
    imposed: then rest_s + crank_s + coast_s is only the duration.
    step_s: of the integration. output_hz: samples that are kept.
    """

    rest_s: float = 0.5
    crank_s: float = 9.0
    coast_s: float = 0.5
    first_deg: float | None = None
    throttle: Literal["closed", "open"] = "closed"
    fitted: tuple[FittedPart, ...] = ()
    faults: tuple[Fault, ...] = ()
    imposed: ImposedSpeed | None = None
    step_s: float = 50e-6
    output_hz: float = 10_000.0

    @property
    def duration_s(self) -> float:
        return self.rest_s + self.crank_s + self.coast_s


def fitted_parts(setup: Setup, rng: np.random.Generator | None = None) -> tuple[FittedPart, ...]:
    """What the set-up says is fitted in plug holes: its pressure probes and its [[fitted]] entries.

    A pressure probe whose added volume is not said has one all the same: 8 cc, a hose of 300 mm by 6 mm.
    rng: None for medians; else what is not said (that volume, the hose's opening, its heat) is drawn.
    """

    def unknown(median: float, spread: float) -> float:
        return median if rng is None else median * math.exp(spread * float(rng.standard_normal()))

    def hose(cylinder: int, volume_cc: float | None, check_valve: bool) -> FittedPart:
        volume = unknown(8.0, 0.5) if volume_cc is None else volume_cc
        return FittedPart(
            cylinder=cylinder,
            added_volume_cc=volume,
            opening_mm2=unknown(8.0, 0.6),
            heat_w_k=volume * unknown(HOSE_HEAT_W_K_CC, 0.5),
            check_valve=check_valve,
        )

    parts = [
        hose(p.cylinder, p.added_volume_cc, p.check_valve)
        for p in setup.probe
        if p.role == "cylinder_pressure" and p.cylinder is not None
    ]
    parts += [
        FittedPart(cylinder=f.cylinder, plug_removed=True)
        if f.plug_removed
        else hose(f.cylinder, f.added_volume_cc, f.check_valve)
        for f in setup.fitted
    ]
    return tuple(part for part in parts if part.plug_removed or part.added_volume_cc > 0)


def scenario_for(
    setup: Setup, rng: np.random.Generator | None = None, *, faults: tuple[Fault, ...] = ()
) -> CrankScenario:
    """The crank that the set-up describes: what is fitted, and the throttle (clear-flood opens it)."""
    conditions = setup.conditions
    is_open = conditions.throttle == "open" or conditions.fuel == "clear_flood"
    return CrankScenario(
        throttle="open" if is_open else "closed", fitted=fitted_parts(setup, rng), faults=faults
    )


def check(scenario: CrankScenario, cylinders: int) -> None:
    """Raises PhysicsError where a part or a fault does not fit an engine of that many cylinders."""
    for part in scenario.fitted:
        _check_cylinder(part.cylinder, cylinders, "fitted part")
        if part.added_volume_cc < 0:
            raise PhysicsError(
                "a volume below zero",
                where=f"fitted part in cylinder {part.cylinder}",
                expected="0 cc or more",
                found=f"{part.added_volume_cc} cc",
                todo="measure it",
            )
    for fault in scenario.faults:
        where = f"fault {fault.kind}"
        if fault.kind not in get_args(FaultKind):
            raise PhysicsError(
                "no such fault",
                where=where,
                expected=", ".join(get_args(FaultKind)),
                found=fault.kind,
                todo="choose one of these",
            )
        for cylinder in fault.cylinders:
            _check_cylinder(cylinder, cylinders, where)
        wanted = {"gasket_leak": (2,), "cam_timing": range(cylinders + 1)}.get(
            fault.kind, (0, 1) if fault.kind in ("exhaust_restriction", "intake_air_leak") else (1,)
        )
        if len(fault.cylinders) not in wanted or len(set(fault.cylinders)) < len(fault.cylinders):
            raise PhysicsError(
                "the wrong number of cylinders",
                where=where,
                expected=" or ".join(str(w) for w in wanted),
                found=str(list(fault.cylinders)),
                todo="name each cylinder once",
            )
        unit = FAULT_UNITS[fault.kind]
        least, most = SIZES_BY_UNIT[unit]
        if not least <= fault.size <= most:
            raise PhysicsError(
                "not a size that this fault can have",
                where=where,
                expected=f"{least:g} to {most:g} {unit}" if unit else "no size: it is there or not",
                found=str(fault.size),
                todo="give the size in that unit",
            )


def _check_cylinder(cylinder: int, cylinders: int, where: str) -> None:
    if not 1 <= cylinder <= cylinders:
        raise PhysicsError(
            "no such cylinder",
            where=where,
            expected=f"1 to {cylinders}",
            found=str(cylinder),
            todo="use the maker's numbers",
        )
