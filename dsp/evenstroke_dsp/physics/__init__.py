"""First-principles physics of a cranking engine and of the probes that listen to it.

`simulate(parameters_for(setup), scenario_for(setup))` gives a `CrankTrace`; `probes` makes signals of it.
"""

from .cranking import CrankTrace, EnergyBalance, resting_angle, simulate, simulate_many
from .parameters import EngineParameters, parameters_for, scattered
from .scenario import (
    CrankScenario,
    Fault,
    FittedPart,
    ImposedSpeed,
    PhysicsError,
    fitted_parts,
    scenario_for,
)

__all__ = [
    "CrankScenario",
    "CrankTrace",
    "EnergyBalance",
    "EngineParameters",
    "Fault",
    "FittedPart",
    "ImposedSpeed",
    "PhysicsError",
    "fitted_parts",
    "parameters_for",
    "resting_angle",
    "scattered",
    "scenario_for",
    "simulate",
    "simulate_many",
]
