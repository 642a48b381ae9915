"""What decides how large a hose's effect on its companion is? One thing of the engine, or of the model, changed at a time.

Engines of the priors' medians, without scatter. For each change: by how much the hose alters the companion's drop and the one
just before it, and at what speed and depression the engine then cranks. Deterministic.

    python tests/bench/bench_what_decides.py [--only six,V8] [--workers 2]
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from bench_what_shows import ENGINES, PROBES
from evenstroke_dsp.engine import companion
from evenstroke_dsp.physics import EngineParameters, FittedPart, parameters_for, scenario_for, simulate
from evenstroke_dsp.setup import Setup, parse_setup
from evenstroke_dsp.simulated_draws import CRANK_S, REST_S, SETTLED_S, STEP_S
from evenstroke_dsp.simulated_probes import OUTPUT_HZ, read_crank

DROP = ("intake", "drop")
FACTORS: tuple[tuple[str, Mapping[str, float]], ...] = (
    ("as drawn", {}),
    ("starter without a rotor (a fiftieth)", {"starter_inertia_kg_m2": 0.02}),
    ("rotor x 0.5", {"starter_inertia_kg_m2": 0.5}),
    ("rotor x 3", {"starter_inertia_kg_m2": 3.0}),
    ("clutch a tenth as stiff", {"clutch_stiffness_nm": 0.1}),
    ("crank x 0.6", {"inertia_kg_m2": 0.6}),
    ("crank x 1.7", {"inertia_kg_m2": 1.7}),
    ("no rotor, crank x 0.6", {"starter_inertia_kg_m2": 0.02, "inertia_kg_m2": 0.6}),
    ("throttle leak x 0.5", {"throttle_leak_mm2": 0.5}),
    ("throttle leak x 2", {"throttle_leak_mm2": 2.0}),
    ("plenum x 0.4", {"plenum_l": 0.4}),
    ("plenum x 2", {"plenum_l": 2.0}),
    ("runner's volume x 2", {"runner_cc": 2.0}),
    ("runner's area x 0.6", {"runner_mm2": 0.6}),
    ("starter's constant x 0.8 (faster, softer)", {"starter_constant_v_s": 0.8}),
    ("starter's constant x 1.2 (slower, stiffer)", {"starter_constant_v_s": 1.2}),
    ("battery and armature x 1.5", {"battery_ohm": 1.5, "armature_ohm": 1.5}),
    ("Coulomb friction x 2", {"coulomb_nm": 2.0}),
    ("viscous friction x 5", {"viscous_nm_s": 5.0}),
    ("heat to the walls x 0.3", {"heat_factor": 0.3}),
    ("heat to the walls x 2", {"heat_factor": 2.0}),
    ("compression volume x 1.2", {"clearance_cc": 1.2}),
    ("ring leak x 3", {"ring_leak_mm2": 3.0}),
)
SHIFTS = (
    ("intake closes 20 degrees earlier", {"intake_closes_deg": -20.0}),
    ("intake closes 20 degrees later", {"intake_closes_deg": 20.0}),
    ("intake opens 15 degrees earlier", {"intake_opens_deg": -15.0}),
    ("exhaust opens 15 degrees earlier", {"exhaust_opens_deg": -15.0}),
)
HOSES: tuple[tuple[str, Mapping[str, float], float], ...] = (
    ("hose x 1.5", {}, 1.5),
    ("hose that takes no heat", {"heat_w_k": 0.0}, 1.0),
    ("hose's opening 2 mm2", {"opening_mm2": 2.0}, 1.0),
)
CORNERS_HZ = (0.8, 2.0, 4.0)


@dataclasses.dataclass(frozen=True)
class Case:
    what: str
    engine: EngineParameters
    hose: FittedPart
    corner_hz: float | None = None


def changed(engine: EngineParameters, by: Mapping[str, float], *, shift: bool) -> EngineParameters:
    def one(value: float | tuple[float, ...], change: float) -> float | tuple[float, ...]:
        if isinstance(value, tuple):
            return tuple(v * change for v in value)
        return value + change if shift else value * change

    return dataclasses.replace(engine, **{name: one(getattr(engine, name), x) for name, x in by.items()})


def cases(engine: EngineParameters, where: int, volume_cc: float) -> list[Case]:
    hose = FittedPart(cylinder=where, added_volume_cc=volume_cc)
    out = [Case(what, changed(engine, by, shift=False), hose) for what, by in FACTORS]
    out += [Case(what, changed(engine, by, shift=True), hose) for what, by in SHIFTS]
    out += [
        Case(what, engine, dataclasses.replace(hose, added_volume_cc=volume_cc * more, **by))
        for what, by, more in HOSES
    ]
    out += [Case(f"probe's corner {corner:g} Hz, not undone", engine, hose, corner) for corner in CORNERS_HZ]
    return out


def told(setup: Setup, case: Case) -> str:
    scenario = dataclasses.replace(
        scenario_for(setup), rest_s=REST_S, crank_s=CRANK_S, coast_s=0.0, step_s=STEP_S, output_hz=OUTPUT_HZ
    )
    corners = {} if case.corner_hz is None else {"intake": case.corner_hz}
    traces = [
        simulate(case.engine, dataclasses.replace(scenario, fitted=fitted)) for fitted in ((), (case.hose,))
    ]
    bare, fitted = (read_crank(setup, trace, SETTLED_S, corners, {}).values[DROP] for trace in traces)
    order = setup.engine.firing_order
    pair = companion(setup.engine, case.hose.cylinder)
    change = 100 * (fitted / bare - 1)
    at = order.index(pair) if pair is not None else int(np.abs(change).argmax())
    late = traces[1].times_s > SETTLED_S
    depression = traces[1].ambient_kpa - traces[1].plenum_kpa[0][late].mean()
    return (
        f"  {case.what:44} companion {change[at]:+6.1f} %, just before it {change[at - 1]:+6.1f} %   "
        f"({traces[1].rpm[late].mean():.0f} rpm, {depression:.1f} kPa below ambient)\n"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", type=lambda text: text.split(","), default=list(ENGINES))
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    with ThreadPoolExecutor(asked.workers) as pool:
        for name in asked.only:
            engine, heavier, (where, volume) = ENGINES[name]
            setup = parse_setup(f"schema = 1\n[engine]\n{engine}\n{PROBES}")
            drawn = parameters_for(setup)
            drawn = dataclasses.replace(drawn, inertia_kg_m2=drawn.inertia_kg_m2 * heavier)
            sys.stdout.write(f"== {name}: hose of {volume:g} cc in {where}\n")
            for text in pool.map(lambda case, s=setup: told(s, case), cases(drawn, where, volume)):
                sys.stdout.write(text)
                sys.stdout.flush()


if __name__ == "__main__":
    main()
