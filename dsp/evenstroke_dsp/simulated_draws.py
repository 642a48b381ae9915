"""Simulates many engines that fit a set-up, with what it fits and without, and reads them as recordings are read."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np

from .features import ROLE_PULSES
from .physics import CrankScenario, EngineParameters, parameters_for, scattered, scenario_for, simulate
from .prediction import Key, Prediction
from .setup import PULSE_ROLES, Setup
from .simulated_probes import OUTPUT_HZ, CrankReading, heard_cylinders, judged_probes, read_crank

REST_S, CRANK_S = 0.05, 4.5
SETTLED_S = 2.0
"""A starter is up to speed, and a plenum at its depression, within this (tests/physics says so of its engines)."""
STEP_S = 100e-6
"""Effects differ from those at 50 us by at most some 0.2 % of the pulse, a tenth of their spread over draws."""
_CORNERS_HZ = (0.05, 4.0)
"""A pulse probe's low corner that is not given lies within this, evenly in its logarithm (common practice, no source:
a disc on 1 to 20 Mohm, buffered)."""

Task = tuple[Setup, EngineParameters, CrankScenario, dict[str, float], dict[str, float]]
"""What `_read` is given: with the probes' low corners, and where the wheels' first teeth lie."""


def predict(
    setup: Setup,
    draws: int,
    rng: np.random.Generator,
    map_with: Callable[..., Iterable[CrankReading]] = map,
) -> Prediction:
    """Cranks so many engines, each with ordinary scatter between its cylinders, fitted and unfitted.

    What is unknown of engine, starter, battery, pipes and fitted volume is drawn from the priors of
    `physics.parameters_for` and `physics.fitted_parts`. map_with: how to spread the work; the caller owns the pool.
    Deterministic for a given rng. Raises PhysicsError where the set-up describes an impossible engine.
    """
    tasks = list(_tasks(setup, draws, rng))
    readings = list(map_with(_read, tasks))
    fitted = bool(tasks[0][2].fitted)
    described = readings[:draws]
    bare = readings[draws:] if fitted else described
    keys = [(p.name, f.name) for p in judged_probes(setup) for f in ROLE_PULSES[p.role].features]
    relative = {
        (p.name, f.name) for p in judged_probes(setup) for f in ROLE_PULSES[p.role].features if f.relative
    }
    swings = sorted({name for reading in described for name in reading.swings})
    return Prediction(
        cylinders={p.name: heard_cylinders(setup, p) for p in judged_probes(setup)},
        fitted=_stacked(described, keys) if fitted else {},
        bare=_stacked(bare, keys),
        rpm=np.array([reading.rpm for reading in described]),
        swings={n: np.array([r.swings.get(n, math.nan) for r in described]) for n in swings},
        relative=frozenset(relative),
        scaled=frozenset(
            p.name for p in judged_probes(setup) if p.volts_per_unit is not None or p.role == "crank_teeth"
        ),
    )


def _stacked(readings: list[CrankReading], keys: list[Key]) -> dict[Key, Any]:
    return {key: np.array([reading.values[key] for reading in readings]) for key in keys}


def _tasks(setup: Setup, draws: int, rng: np.random.Generator) -> Iterator[Task]:
    """All cranks as the set-up describes them, then, where something is fitted, all without it."""
    cases = []
    for own in rng.spawn(draws):
        engine = scattered(parameters_for(setup, own), own)
        scenario = dataclasses.replace(
            scenario_for(setup, own),
            rest_s=REST_S,
            crank_s=CRANK_S,
            coast_s=0.0,
            step_s=STEP_S,
            output_hz=OUTPUT_HZ,
        )
        cases.append((setup, engine, scenario, _corners(setup, own), _first_teeth(setup, own)))
    yield from cases
    if cases and cases[0][2].fitted:
        for setup_, engine, scenario, corners, teeth in cases:
            yield setup_, engine, dataclasses.replace(scenario, fitted=()), corners, teeth


def _corners(setup: Setup, rng: np.random.Generator) -> dict[str, float]:
    low, high = (math.log(f) for f in _CORNERS_HZ)
    return {
        p.name: p.low_corner_hz if p.low_corner_hz is not None else math.exp(rng.uniform(low, high))
        for p in judged_probes(setup)
        if p.role in PULSE_ROLES
    }


def _first_teeth(setup: Setup, rng: np.random.Generator) -> dict[str, float]:
    """As the set-up says; anywhere where it does not."""
    return {
        p.name: p.first_tooth_deg if p.first_tooth_deg is not None else float(rng.uniform(0.0, 360.0))
        for p in setup.probe
        if p.role == "crank_teeth"
    }


def _read(task: Task) -> CrankReading:
    setup, engine, scenario, corners, teeth = task
    return read_crank(setup, simulate(engine, scenario), SETTLED_S, corners, teeth)
